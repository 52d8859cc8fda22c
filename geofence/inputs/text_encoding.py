"""Text files in whatever encoding, as UTF-8."""

from __future__ import annotations

from pathlib import Path

from geofence.errors import InputError

__all__ = ["utf8"]

LOOK = 4096
MARKS = (
    (b"\xef\xbb\xbf", "utf-8", "UTF-8 with a byte order mark"),
    (b"\xff\xfe", "utf-16-le", "UTF-16, little-endian"),
    (b"\xfe\xff", "utf-16-be", "UTF-16, big-endian"),
)
"""Byte order mark, codec, and what a reader is told."""

DOS_END = b"\x1a"
"""Old programs end a text file with it."""


def utf8(file: Path) -> tuple[bytes, str]:
    """A text file's content as UTF-8 with ``\\n`` among its line ends, and the name of the encoding it was in.

    UTF-8, UTF-16 (told by its mark or by its zero bytes) and, where a text is neither, Windows-1252.

    Raises
    ------
    InputError
        It is empty, or no text.
    """
    content = file.read_bytes()
    if not content[:LOOK].strip() and not content.strip():
        raise InputError("is an empty file", file=file.name, remedy="Copy or save it anew.")
    for mark, codec, name in MARKS:
        if content.startswith(mark):
            return _decoded(file, content[len(mark) :], codec), name
    wide = _unmarked_utf16(content[:LOOK])
    if wide is not None:
        return _decoded(file, content, wide), "UTF-16 without a byte order mark"
    if b"\0" in content:
        raise InputError("is no text: it holds zero bytes", file=file.name, remedy="Export the points as CSV text.")
    if content.isascii():
        return _lines(content), "ASCII"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return _decoded(file, content, "cp1252"), "Windows-1252"
    return _lines(content), "UTF-8"


def _unmarked_utf16(start: bytes) -> str | None:
    """The byte order of digits and commas in UTF-16: every other byte is zero."""
    start = start[: len(start) // 2 * 2]
    if start and start[1::2].count(0) > 0.9 * len(start) / 2:
        return "utf-16-le"
    return "utf-16-be" if start and start[::2].count(0) > 0.9 * len(start) / 2 else None


def _decoded(file: Path, content: bytes, codec: str) -> bytes:
    if codec == "utf-8":
        try:
            content.decode(codec)
        except UnicodeDecodeError as error:
            raise InputError(
                f"is damaged: byte {error.start + 1} is no {codec.upper()}", file=file.name, remedy="Save it anew."
            ) from error
        return _lines(content)
    try:
        text = content.decode(codec)
    except UnicodeDecodeError as error:
        raise InputError(
            f"is no text in a known encoding: byte {error.start + 1} is none",
            file=file.name,
            remedy="Save it as UTF-8.",
        ) from error
    return _lines(text.encode("utf-8"))


def _lines(content: bytes) -> bytes:
    content = content.removesuffix(DOS_END)
    return content if b"\n" in content else content.replace(b"\r", b"\n")
