"""Free text as plain text."""

from __future__ import annotations

__all__ = ["one_line", "sound"]


def one_line(text: str) -> str:
    """Free text on a single line, without marks that print nothing, so that it cannot pass for a line of ours.

    >>> one_line("North field\\nGrid  EPSG:1")
    'North field Grid EPSG:1'
    """
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())


def sound(text: str) -> str:
    """Text without what no file can hold: halves of characters become their codes, and a zero the mark of a loss.

    >>> print(sound("half " + chr(0xD83E)))
    half \\ud83e
    """
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\ufffd")
