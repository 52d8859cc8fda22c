"""Free text for a drawing (DXF), harmless: what a drawing program would take for a command is shown as it stands.

In texts and attributes ``%%c`` is a diameter sign, ``^J`` a new line and ``\\U+0041`` an A; in paragraphs (MTEXT)
``\\P``, ``{`` and ``}`` are commands as well.
"""

from __future__ import annotations

import re

from geofence.outputs.plain_text import one_line, sound

__all__ = ["LONGEST", "line_text", "paragraph"]

LONGEST = 500
"""Characters of a line of text: each takes at most four bytes as it is written, and the format allows 2049."""

_PERCENT_SIGNS = re.compile("%%+")
_CODED = re.compile(r"\\(?=[UuMm]\+)")
_ENDS_OF_LINES = re.compile("\r\n|\r|\n|\u2028|\u2029|\x85|\x0b|\x0c")


def line_text(text: str) -> str:
    """Free text as one line, for a text or an attribute; cut at :data:`LONGEST` characters, and then it says so.

    >>> line_text("50%% of ^J"), line_text("a\\nb")
    ('50%%%%%% of ^ J', 'a b')
    """
    flat = one_line(sound(text))
    if len(flat) > LONGEST:
        flat = flat[: LONGEST - 2].rstrip() + " …"
    signs = _PERCENT_SIGNS.sub(lambda found: "%%%" * len(found[0]), flat)
    return _CODED.sub(r"\\U+005C", signs.replace("^", "^ "))


def paragraph(text: str) -> str:
    """Free text as a part of a paragraph (MTEXT); ends of lines stay.

    >>> print(paragraph("a{b}\\n50% of C:\\\\P"))
    a\\{b\\}\\P50% of C:\\\\P
    """
    lines = _ENDS_OF_LINES.split(sound(text))
    return r"\P".join(_paragraph_line(line) for line in lines)


def _paragraph_line(line: str) -> str:
    printable = "".join(mark if mark.isprintable() else " " for mark in line).replace("^", "^ ")
    # an empty group parts what would be a command together
    parts = [re.sub(r"([\\{}])", r"\\\1", part) for part in _CODED.split(printable)]
    return re.sub("%(?=%)", "%{}", r"\\{}".join(parts))
