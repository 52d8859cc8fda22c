"""How a table of numbers is laid out as text: its delimiter, its decimals, its header; seen from its first lines."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from geofence.errors import InputError
from geofence.inputs.point_columns import NEEDED, Role, columns_of_header

__all__ = ["DELIMITERS", "Decimal", "Delimiter", "Layout", "TextLines", "is_comment", "is_number", "layout_of", "split"]

Decimal = Literal["point", "comma"]
Delimiter = Literal["tab", "semicolon", "comma", "blanks"]
DELIMITERS: dict[Delimiter, str] = {"tab": "\t", "semicolon": ";", "comma": ",", "blanks": " "}
"""In the order in which they are tried: tabs are blanks too, and decimal commas stand between semicolons."""

COMMENTS = ("#", "//", "%")
"""A line that begins so is no data."""

SAMPLE = 200
"""Lines that are looked at. A row below that does not fit is refused when it is read."""

TITLES = 30
"""A header may stand below this many lines of titles."""

NUMBER = {
    "point": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII),
    "comma": re.compile(r"[+-]?(\d+|\d*,\d+)([eE][+-]?\d+)?", re.ASCII),
}
QUOTED_OR_BARE = re.compile(r'"[^"]*"|\S+')


def is_number(field: str, decimal: str) -> bool:
    """Whether a field is a finite decimal number as written here; nothing between its thousands.

    >>> is_number("-12.50", "point"), is_number("12,5", "comma"), is_number("1.200,5", "comma")
    (True, True, False)
    """
    return NUMBER[decimal].fullmatch(field) is not None


def split(line: str, delimiter: Delimiter) -> tuple[str, ...]:
    """The fields of a line without the blanks and quotes around them.

    >>> split('7; "gate; left" ;12,5', "semicolon"), split(" 7  12.5 ", "blanks")
    (('7', 'gate; left', '12,5'), ('7', '12.5'))
    """
    if delimiter == "blanks":
        return tuple(field.strip('"') for field in QUOTED_OR_BARE.findall(line))
    fields = next(csv.reader([line], delimiter=DELIMITERS[delimiter], skipinitialspace=True), [])
    return tuple(field.strip() for field in fields)


NUMBER_WORDS = {2: "two", 3: "three"}


@dataclass(frozen=True, slots=True, eq=False)
class TextLines:
    """The lines of a text: ``content`` is UTF-8, ``start`` (n + 1,) the offset of each line and of the end."""

    content: bytes
    start: NDArray[np.int64]

    @classmethod
    def of(cls, content: bytes) -> TextLines:
        """The lines of UTF-8; the last one needs no end."""
        ends = np.flatnonzero(np.frombuffer(content, dtype=np.uint8) == ord("\n")) + 1
        if not len(ends) or ends[-1] < len(content):
            ends = np.append(ends, len(content))
        return cls(content, np.concatenate([[0], ends]))

    def __len__(self) -> int:
        return len(self.start) - 1

    def __getitem__(self, row: int) -> str:
        return self.content[self.start[row] : self.start[row + 1]].decode("utf-8").rstrip("\r\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a table is laid out.

    Attributes
    ----------
    delimiter
        What stands between fields.
    header
        The names of the columns; empty where there are none.
    header_row
        The line with the header, from 0; None without one.
    first_row
        The first line with data, from 0.
    title_lines
        How many lines of text stand above the header.
    sample
        The fields of the first lines of data.
    """

    delimiter: Delimiter
    header: tuple[str, ...]
    header_row: int | None
    first_row: int
    title_lines: int
    sample: tuple[tuple[str, ...], ...]


def is_comment(line: str) -> bool:
    """Whether a line holds words for people alone, and no row."""
    return line.lstrip().startswith(COMMENTS)


def layout_of(file: Path, lines: TextLines, *, need: Sequence[Role] = NEEDED) -> Layout:
    """The layout of a table that has at least as many numbers in its rows as are needed.

    Raises
    ------
    InputError
        No delimiter makes rows of so many numbers.
    """
    rows = [row for row in range(min(len(lines), 2 * SAMPLE)) if lines[row].strip() and not is_comment(lines[row])]
    texts = [lines[row] for row in rows[:SAMPLE]]
    delimiter = _delimiter(texts, len(need))
    if delimiter is None:
        raise InputError(
            f"no row holds {', '.join(need[:-1])} and {need[-1]}, {NUMBER_WORDS[len(need)]} numbers apart",
            file=file.name,
            place=f"line {rows[0] + 1}" if rows else None,
            value=repr(texts[0][:60]) if texts else None,
            remedy="Export the points as text, one a row, with comma, semicolon, tab or blanks between the fields.",
        )
    fields = [split(text, delimiter) for text in texts]
    header = _header(fields, need)
    if header is None and not _is_data(fields[0], len(need)):
        header = 0
    header_row = _commented_header(lines, rows[0], delimiter, need) if header is None else rows[header]
    data = 0 if header is None else header + 1
    return Layout(
        delimiter=delimiter,
        header=() if header_row is None else split(_uncommented(lines[header_row]), delimiter),
        header_row=header_row,
        first_row=rows[data] if data < len(rows) else len(lines),
        title_lines=header or 0,
        sample=tuple(fields[data:]),
    )


def _delimiter(texts: Sequence[str], numbers: int) -> Delimiter | None:
    """The delimiter that makes the most rows of so many numbers; of equals the first."""
    score = {word: sum(_is_data(split(text, word), numbers) for text in texts) for word in DELIMITERS}
    best = max(score, key=lambda word: score[word])
    return best if score[best] else None


def _is_data(fields: Sequence[str], numbers: int) -> bool:
    return sum(is_number(field, "point") or is_number(field, "comma") for field in fields) >= numbers


def _header(fields: Sequence[tuple[str, ...]], need: Sequence[Role]) -> int | None:
    """Which of the first lines names the columns, if any does."""
    for row, names in enumerate(fields[: TITLES + 1]):
        if _is_data(names, len(need)):
            return None
        if columns_of_header(names, need=need) is not None:
            return row
    return None


def _commented_header(lines: TextLines, first_row: int, delimiter: Delimiter, need: Sequence[Role]) -> int | None:
    """The last line of comment above the data, where it names the columns."""
    for row in range(first_row - 1, -1, -1):
        if is_comment(lines[row]):
            names = split(_uncommented(lines[row]), delimiter)
            return row if columns_of_header(names, need=need) is not None else None
    return None


def _uncommented(line: str) -> str:
    return line.lstrip().lstrip("".join(COMMENTS)) if is_comment(line) else line
