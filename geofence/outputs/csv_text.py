"""Comma-separated text (RFC 4180): lines end in CR LF, UTF-8 without a mark at its start.

Numbers are written bare, so that machines read them. Free text that a spreadsheet would run as a formula gets an
apostrophe before it, and is quoted where it holds a delimiter, a quote or a line end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Literal

__all__ = ["ENCODING", "UNENCODED", "Header", "guarded", "lines", "quoted", "words", "write_table"]

Header = Literal["names", "none"]

ENCODING, UNENCODED = "utf-8", "backslashreplace"
"""What lines are written in, and what becomes of the bytes of a file name that is not UTF-8."""

_FORMULA_STARTS = tuple("=+-@\t\r\n\0＝＋－＠")
"""First characters that start a formula or hide one: the OWASP list on CSV injection, with the full-width forms.

Blanks before them do not count: some spreadsheets drop them when they read a file.
"""


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula.

    >>> guarded("=1+1"), guarded(" =1+1"), guarded("plain")
    ("'=1+1", "' =1+1", 'plain')
    """
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text


def quoted(text: str, delimiter: str = ",") -> str:
    """Text as one field: between quotes where it holds a delimiter, a quote or a line end.

    >>> quoted('2" pipe, steel')
    '"2"" pipe, steel"'
    """
    if any(mark in text for mark in (delimiter, '"', "\n", "\r")):
        return '"' + text.replace('"', '""') + '"'
    return text


def words(values: Iterable[str | None], delimiter: str = ",") -> list[str]:
    """A column of free text, guarded and quoted; nothing for None."""
    values = list(values)
    known = {value: quoted(guarded(value or ""), delimiter) for value in set(values)}
    return [known[value] for value in values]


def lines(columns: Mapping[str, Iterable[str]], *, delimiter: str = ",", header: Header = "names") -> Iterator[str]:
    """The lines of a table, with their ends: columns of fields, ready-made by :func:`words` or as figures, below a
    line of their names (``header`` ``none``: without it)."""
    row = delimiter.join(["%s"] * len(columns)) + "\r\n"
    if header == "names":
        yield row % tuple(columns)
    yield from map(row.__mod__, zip(*columns.values(), strict=True))


def write_table(
    path: Path, columns: Mapping[str, Iterable[str]], *, delimiter: str = ",", header: Header = "names"
) -> None:
    """Write a table's :func:`lines`."""
    with path.open("w", encoding=ENCODING, errors=UNENCODED, newline="") as file:
        file.writelines(lines(columns, delimiter=delimiter, header=header))
