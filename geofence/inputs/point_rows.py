"""The rows of a text of points, parsed fast and checked as if each were read by itself."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas
from numpy.typing import NDArray

from geofence.errors import InputError
from geofence.inputs.point_columns import Columns
from geofence.inputs.text_layout import DELIMITERS, Layout, TextLines, is_comment, is_number, split

__all__ = ["PointRows"]

NO_LEVEL = ("", "-", "--", "---", "*", "NaN", "nan", "NA", "N/A", "n/a", "#N/A", "null", "NULL", "None", "none")
"""What files write where a point has no level."""

FREE_TEXT = ("code", "description")
DECIMALS = {"point": ".", "comma": ","}

TELLING = b"#/% "
LINE_STARTS = (b"\n ", b"\n#", b"\n//", b"\n%")
"""Bytes that make a line other than its neighbours where they begin it: comments and blanks."""

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class PointRows:
    """The rows of points in a text.

    Attributes
    ----------
    file
        For messages.
    content, begin
        The text in UTF-8, and where in it the first row begins.
    layout, columns, decimal
        How it is to be read.
    comment_lines
        How many lines of comment were passed over, once it is read.
    """

    file: Path
    content: bytes
    begin: int
    layout: Layout
    columns: Columns
    decimal: str
    comment_lines: int = 0
    _lines: TextLines | None = None

    @property
    def lines(self) -> TextLines:
        """All lines of the text; looked for when they are asked for."""
        if self._lines is None:
            self._lines = TextLines.of(self.content)
        return self._lines

    @property
    def code_column(self) -> int | None:
        """The column with the codes, from 0; where there is none that with descriptions, else None."""
        code = self.columns.at("code")
        return self.columns.at("description") if code is None else code

    def parsed(self, texts: Sequence[str]) -> tuple[Ints, pandas.DataFrame]:
        """The line of each row, from 1, and its columns by number.

        Raises
        ------
        InputError
            On the first row that does not fit.
        """
        first = self.layout.first_row
        count, width = self._alike()
        if count:
            rows, stream = np.arange(first, first + count), io.BytesIO(self.content)
            stream.seek(self.begin)
        else:
            fields = self._field_counts()
            kept = self._kept(fields)
            rows = np.flatnonzero(kept) + first
            if not len(rows):
                raise InputError("holds no point", file=self.file.name, remedy="Export the points anew.")
            width, stream = int(fields[kept].max()), io.BytesIO(self._kept_text(rows, kept))
        frame = self._frame(stream, rows, width, texts, skip_blanks=not count)
        self._check_finite(rows, frame)
        whole = frame[self.columns.numbers()[0]].notna().to_numpy()
        return (rows + 1, frame) if whole.all() else (rows[whole] + 1, frame[whole])

    def _alike(self) -> tuple[int, int]:
        """How many rows there are, and of how many fields, where all lines are rows that are plainly alike; else 0.

        They are where the delimiters and line ends alone, one after the other, are those of one row again and again.
        """
        if self.layout.delimiter == "blanks":
            return 0, 0
        delimiter = DELIMITERS[self.layout.delimiter].encode()
        marks = self._quoted_marks(delimiter) if b'"' in self.content else self._plain_marks(delimiter)
        if not self.content.endswith(b"\n"):
            marks += b"\n"
        row = marks[: marks.find(b"\n") + 1]
        fits = max(self.columns.numbers()) < len(row) <= len(self.columns.roles)
        count = marks.count(b"\n")
        return (count, len(row)) if fits and marks == row * count else (0, 0)

    def _plain_marks(self, delimiter: bytes) -> bytes:
        """The delimiters and line ends, and what else may mean something, where it does."""
        marks = self._left(delimiter + b"\n" + TELLING)
        plain = marks.translate(None, TELLING)
        starts = [start for start in (delimiter + b" ", *LINE_STARTS) if start[1:2] in marks]
        return marks if any(start in self.content for start in starts) else plain

    def _left(self, meaning: bytes) -> bytes:
        """What is left of the rows when all other bytes are taken out."""
        others = bytes(set(range(256)) - set(meaning))
        titles = len(self.content[: self.begin].translate(None, others))
        return self.content.translate(None, others)[titles:]

    def _quoted_marks(self, delimiter: bytes) -> bytes:
        """The delimiters and line ends outside quotes; nothing where a quote is not about a whole field."""
        text = np.frombuffer(self.content, dtype=np.uint8)[self.begin :]
        quote, end = text == ord('"'), text == ord("\n")
        inside = np.bitwise_xor.accumulate(quote.view(np.uint8)).view(np.bool_)
        if inside[-1] or (end & inside).any():
            return b""
        mark = np.flatnonzero((end | (text == delimiter[0])) & ~inside)
        telling = np.isin(np.arange(256), list(TELLING))[text[np.minimum(mark + 1, len(text) - 1)]]
        # a quote opens at the start of a field only; one within quotes is written twice, and so opens behind another
        before = text[np.maximum(np.flatnonzero(quote & inside) - 1, 0)]
        opens = np.isin(np.arange(256), [*delimiter, *b'\n"'])[before]
        return text[mark].tobytes() if opens.all() and not telling.any() else b""

    def _field_counts(self) -> Ints:
        """How many fields each line has from the first row on; lines with quotes one by one."""
        start = self.lines.start[self.layout.first_row :]
        bytes_ = np.frombuffer(self.content, dtype=np.uint8)[start[0] :]
        at = start[:-1] - start[0]
        if not len(at):
            return np.zeros(0, dtype=np.int64)
        if self.layout.delimiter == "blanks":
            filled = bytes_ > ord(" ")
            begins = filled.copy()
            begins[1:] &= ~filled[:-1]
            fields = np.add.reduceat(begins, at, dtype=np.int64)
        else:
            fields = 1 + np.add.reduceat(bytes_ == ord(DELIMITERS[self.layout.delimiter]), at, dtype=np.int64)
        if b'"' in self.content:
            quoted = np.flatnonzero(np.add.reduceat(bytes_ == ord('"'), at, dtype=np.int64))
            for row in quoted:
                fields[row] = len(split(self.lines[int(row) + self.layout.first_row], self.layout.delimiter))
        return fields

    def _kept(self, fields: Ints) -> Flags:
        """Which lines are data; raises on the first that is neither data nor blank nor comment."""
        first = self.layout.first_row
        starts = self.lines.start[first:-1]
        bytes_ = np.frombuffer(self.content, dtype=np.uint8)
        odd = (fields <= max(self.columns.numbers())) | (fields > self._most_fields)
        odd |= np.isin(bytes_[np.minimum(starts, len(bytes_) - 1)], [ord("#"), ord("/"), ord("%"), ord(" ")])
        kept = np.ones(len(fields), dtype=bool)
        for row in np.flatnonzero(odd).tolist():
            line = self.lines[row + first]
            kept[row] = False
            if is_comment(line):
                self.comment_lines += 1
            elif line.strip():
                kept[row] = True
                self._check_count(row + first, line, int(fields[row]))
        return kept

    @property
    def _most_fields(self) -> int:
        """Blanks within a remark at the end of the row do no harm."""
        open_end = self.layout.delimiter == "blanks" and self.columns.roles[-1] in FREE_TEXT
        return 1 << 30 if open_end else len(self.columns.roles)

    def _check_count(self, row: int, line: str, count: int) -> None:
        fields = split(line, self.layout.delimiter)
        least, most = max(self.columns.numbers()) + 1, self._most_fields
        extra = any(fields[len(self.columns.roles) :])
        if count < least or (count > most and extra):
            raise self._refused(
                row,
                f"the row does not fit: it has {count} {'field' if count == 1 else 'fields'}, "
                f"where {self._named_by} {len(self.columns.roles)}",
                "Mend the row; a text that holds the delimiter stands in quotes.",
            )

    @property
    def _named_by(self) -> str:
        return "the header has" if self.layout.header else "the order has"

    def _refused(self, row: int, message: str, remedy: str) -> InputError:
        return InputError(
            message, file=self.file.name, place=f"line {row + 1}", value=repr(self.lines[row][:100]), remedy=remedy
        )

    def _frame(
        self, stream: io.BytesIO, rows: Ints, width: int, texts: Sequence[str], *, skip_blanks: bool
    ) -> pandas.DataFrame:
        numbers = self.columns.numbers()
        words = {"code": self.code_column, "name": self.columns.at("point")}
        text_columns = [column for word, column in words.items() if word in texts and column is not None]
        kinds: dict[int, Any] = dict.fromkeys(numbers, np.float64)
        options: dict[str, Any] = {
            "sep": r"\s+" if self.layout.delimiter == "blanks" else DELIMITERS[self.layout.delimiter],
            "decimal": DECIMALS[self.decimal],
            "header": None,
            "names": range(max(width, len(self.columns.roles))),
            "usecols": sorted({*kinds, *text_columns}),
            "dtype": {**dict.fromkeys(text_columns, str), **kinds},
            "index_col": False,
            "skipinitialspace": skip_blanks,
        }
        gaps = {column: list(NO_LEVEL) if self.columns.roles[column] == "level" else [""] for column in numbers}
        begin = stream.tell()
        try:
            frame = _table(stream, na_filter=False, **options)
        except ValueError:  # there may be gaps; to look for them in every field takes a third longer
            stream.seek(begin)
            try:
                frame = _table(stream, keep_default_na=False, na_values=gaps, **options)
            except ValueError as error:  # a ParserError is one
                self._raise_on_first_misfit(rows)
                raise self._unreadable() from error
        if len(frame) != len(rows):
            raise self._unreadable()
        return frame

    def _unreadable(self) -> InputError:
        return InputError(
            "its rows cannot be told apart: a quote may stand open",
            file=self.file.name,
            remedy="Export the points anew, without line breaks in their texts.",
        )

    def _kept_text(self, rows: Ints, kept: Flags) -> bytes | memoryview:
        """The text of the rows that are kept."""
        whole = memoryview(self.content)
        start = self.lines.start
        if kept.all():
            return whole[start[rows[0]] :]
        breaks = np.flatnonzero(np.diff(rows) > 1)
        begin, end = np.append(rows[0], rows[breaks + 1]), np.append(rows[breaks], rows[-1]) + 1
        return b"".join(whole[start[a] : start[b]] for a, b in zip(begin, end, strict=True))

    def _raise_on_first_misfit(self, rows: Ints) -> None:
        for row, column, field in self._numbers(rows):
            role = self.columns.roles[column]
            if not is_number(field, self.decimal) and not (role == "level" and field in NO_LEVEL):
                raise self._refused(row, f"the row does not fit: {field!r} is no {role}", self._number_remedy(field))

    def _numbers(self, rows: Ints) -> Iterator[tuple[int, int, str]]:
        """Row, column and text of each number."""
        for row in rows.tolist():
            fields = split(self.lines[row], self.layout.delimiter)
            if any(fields):
                for column in self.columns.numbers():
                    yield row, column, fields[column] if column < len(fields) else ""

    def _number_remedy(self, field: str) -> str:
        other = "comma" if self.decimal == "point" else "point"
        if is_number(field, other):
            return f"Other rows have decimal {self.decimal}s; write them all one way."
        if "," in field or "'" in field or " " in field:
            return "Export numbers without separators between thousands."
        return "Mend the row, or take it out; a line that begins with # is passed over."

    def _check_finite(self, rows: Ints, frame: pandas.DataFrame) -> None:
        """Refuse a row without a place, or with a number that is none; rows of nothing but delimiters are blank."""
        east, north, *level = (frame[column].to_numpy() for column in self.columns.numbers())
        infinite = np.isinf(east) | np.isinf(north)
        for each in level:
            infinite |= np.isinf(each)
        odd = infinite | np.isnan(east) | np.isnan(north)
        if odd.any():
            self._raise_on_first_misfit(rows[odd])
        if infinite.any():
            remedy = "Mend the row, or take it out."
            raise self._refused(int(rows[np.argmax(infinite)]), "the row does not fit: a number is too large", remedy)


def _table(stream: io.BytesIO, **options: Any) -> pandas.DataFrame:
    table: pandas.DataFrame = pandas.read_csv(stream, engine="c", **options)
    return table
