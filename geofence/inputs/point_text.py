"""Points from text: columns in any order, read strictly. A row that does not fit is refused, with its number."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.errors import InputError, JobError
from geofence.inputs.point_columns import ORDERS, Columns, columns_of_header, columns_of_order
from geofence.inputs.text_encoding import utf8
from geofence.inputs.text_layout import DELIMITERS, Layout, TextLines, is_comment, is_number, layout_of, split

__all__ = ["PointText", "read_point_text"]

NO_LEVEL = ("", "-", "--", "---", "*", "NaN", "nan", "NA", "N/A", "n/a", "#N/A", "null", "NULL", "None", "none")
"""What files write where a point has no level."""

FREE_TEXT = ("code", "description")
DECIMALS = {"point": ".", "comma": ","}
THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")
SHOWN_ROWS = 3

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointText:
    """The points of a text file, as they stand in it.

    Attributes
    ----------
    easting, northing, level
        (n,) in the file's units; a level is NaN where the file has none.
    line
        (n,) int64, the line of each in the file, from 1.
    code
        (n,) texts of the column of codes, or of descriptions where there is no other; None where there is neither, or
        they were not wanted.
    name
        (n,) texts of the column of points; None likewise.
    encoding, layout, decimal, columns, columns_from
        How the file was read; ``columns_from`` says what told the order.
    comment_lines
        How many lines of comment were passed over.
    """

    easting: Floats
    northing: Floats
    level: Floats
    line: Ints
    code: NDArray[Any] | None
    name: NDArray[Any] | None
    encoding: str
    layout: Layout
    decimal: str
    columns: Columns
    columns_from: str
    comment_lines: int


def read_point_text(
    file: Path,
    *,
    order: str | None = None,
    decimal: str | None = None,
    texts: Sequence[str] = (),
    table: str = "ground",
) -> PointText:
    """Read a text file of points.

    Parameters
    ----------
    order
        Its columns, where it has no header that names them.
    decimal
        ``point`` or ``comma``, where its numbers leave that open.
    texts
        Which columns of text are wanted: ``code``, ``name``.
    table
        The table of the job that speaks of the file.

    Raises
    ------
    InputError
        It is no such text, or a row does not fit; with the line and its text.
    JobError
        It leaves its order or its decimals open, and the job does not say; the error tells what was found.
    """
    content, encoding = utf8(file)
    lines = TextLines.of(content)
    layout = layout_of(file, lines)
    columns, columns_from = _columns(file, layout, order, table)
    layout = _with_first_row(lines, layout, columns)
    decimal = decimal or _decimal(file, layout, columns, table)
    reading = _Rows(file=file, lines=lines, layout=layout, columns=columns, decimal=decimal)
    line, frame = reading.parsed(texts)
    east, north, level = columns.needed()
    return PointText(
        easting=frame[east].to_numpy(dtype=np.float64),
        northing=frame[north].to_numpy(dtype=np.float64),
        level=frame[level].to_numpy(dtype=np.float64),
        line=line,
        code=_text(frame, reading.code_column, "code" in texts),
        name=_text(frame, columns.at("point"), "name" in texts),
        encoding=encoding,
        layout=layout,
        decimal=decimal,
        columns=columns,
        columns_from=columns_from,
        comment_lines=reading.comment_lines,
    )


def _text(frame: pandas.DataFrame, column: int | None, wanted: bool) -> NDArray[Any] | None:
    return np.char.strip(frame[column].to_numpy(dtype=str)) if wanted and column is not None else None


def _columns(file: Path, layout: Layout, order: str | None, table: str) -> tuple[Columns, str]:
    """What the columns hold, and what tells it; a file that leaves it open is not guessed at."""
    named = columns_of_header(layout.header) if layout.header else None
    place = f"line {layout.header_row + 1}" if layout.header_row is not None else ""
    if order is not None:
        stated = columns_of_order(order)
        if named is not None and named.needed() != stated.needed():
            raise JobError(
                f"the header of {file.name} says otherwise: {','.join(layout.header)}",
                place=f"{table}.order",
                value=order,
                remedy="Leave order out, or mend the header.",
            )
        return (stated if named is None else replace(named, roles=stated.roles)), f"{table}.order"
    if named is not None:
        return named, f"the header, {place}"
    width = max(map(len, layout.sample), default=0)
    if file.suffix.lower() == ".xyz" and width == 3 and not layout.header:
        return columns_of_order("easting,northing,level"), "the suffix .xyz"
    raise _order_open(file, layout, table)


def _order_open(file: Path, layout: Layout, table: str) -> JobError:
    """The question which column is which, with what was found."""
    count = len(layout.sample[0]) if layout.sample else len(layout.header)
    if layout.header:
        why = f"the header does not say which columns are easting, northing and level: {', '.join(layout.header)}"
    else:
        why = "there is no header, and easting may stand before northing or after it"
    shown = " | ".join(" ".join(fields) for fields in layout.sample[:SHOWN_ROWS])
    return JobError(
        f"the order of the columns of {file.name} is not certain: {why}; "
        f"{count} columns between {_between(layout)}; it begins {shown!r}",
        place=f"{table}.order",
        remedy=f"Say it in [{table}]: order = ..., {ORDERS}.",
    )


def _between(layout: Layout) -> str:
    return {"comma": "commas", "semicolon": "semicolons", "tab": "tabs", "blanks": "blanks"}[layout.delimiter]


def _with_first_row(lines: TextLines, layout: Layout, columns: Columns) -> Layout:
    """A first row that is not read as data is no header either if a number stands where a coordinate belongs."""
    if layout.header_row is None or is_comment(lines[layout.header_row]):
        return layout
    fields = [layout.header[column] for column in columns.needed() if column < len(layout.header)]
    if not any(is_number(field, decimal) for field in fields for decimal in DECIMALS):
        return layout
    return replace(layout, header=(), header_row=None, first_row=layout.header_row, title_lines=0)


def _decimal(file: Path, layout: Layout, columns: Columns, table: str) -> str:
    """``point`` or ``comma``, as the numbers of the sample have it."""
    fields = [row[column] for row in layout.sample for column in columns.needed() if column < len(row)]
    commas = [field for field in fields if "," in field and is_number(field, "comma")]
    if not commas:
        return "point"
    if all(THOUSANDS.fullmatch(field) for field in commas):
        raise JobError(
            f"the commas in the numbers of {file.name} may be decimal, or stand between thousands: {commas[0]}",
            place=f"{table}.decimal",
            remedy=f'If they are decimal, say decimal = "comma" in [{table}]; else export the file without them.',
        )
    return "comma"


@dataclass(slots=True, kw_only=True)
class _Rows:
    """The rows of data of one file."""

    file: Path
    lines: TextLines
    layout: Layout
    columns: Columns
    decimal: str
    comment_lines: int = 0

    @property
    def code_column(self) -> int | None:
        code = self.columns.at("code")
        return self.columns.at("description") if code is None else code

    def parsed(self, texts: Sequence[str]) -> tuple[Ints, pandas.DataFrame]:
        """The line of each row, from 1, and its columns by number."""
        fields = self._field_counts()
        first = self.layout.first_row
        kept = self._kept(fields)
        rows = np.flatnonzero(kept) + first
        if not len(rows):
            raise InputError("holds no point", file=self.file.name, remedy="Export the points anew.")
        frame = self._frame(rows, kept, int(fields[kept].max()), texts)
        self._check_finite(rows, frame)
        whole = frame[self.columns.needed()[0]].notna().to_numpy()
        return rows[whole] + 1, frame[whole]

    def _field_counts(self) -> Ints:
        """How many fields each line has from the first row on; lines with quotes one by one."""
        start = self.lines.start[self.layout.first_row :]
        bytes_ = np.frombuffer(self.lines.content, dtype=np.uint8)[start[0] :]
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
        if b'"' in self.lines.content:
            quoted = np.flatnonzero(np.add.reduceat(bytes_ == ord('"'), at, dtype=np.int64))
            for row in quoted:
                fields[row] = len(split(self.lines[int(row) + self.layout.first_row], self.layout.delimiter))
        return fields

    def _kept(self, fields: Ints) -> Flags:
        """Which lines are data; raises on the first that is neither data nor blank nor comment."""
        first = self.layout.first_row
        starts = self.lines.start[first:-1]
        bytes_ = np.frombuffer(self.lines.content, dtype=np.uint8)
        odd = (fields <= max(self.columns.needed())) | (fields > self._most_fields)
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
        least, most = max(self.columns.needed()) + 1, self._most_fields
        extra = any(fields[len(self.columns.roles) :])
        if count < least or (count > most and extra):
            raise self._refused(
                row,
                f"the row does not fit: it has {count} fields, where {self._named_by} {len(self.columns.roles)}",
                "Mend the row; a text that holds the delimiter stands in quotes.",
            )

    @property
    def _named_by(self) -> str:
        return "the header has" if self.layout.header else "the order has"

    def _refused(self, row: int, message: str, remedy: str) -> InputError:
        return InputError(
            message, file=self.file.name, place=f"line {row + 1}", value=repr(self.lines[row][:100]), remedy=remedy
        )

    def _frame(self, rows: Ints, kept: Flags, width: int, texts: Sequence[str]) -> pandas.DataFrame:
        east, north, level = self.columns.needed()
        words = {"code": self.code_column, "name": self.columns.at("point")}
        text_columns = [column for word, column in words.items() if word in texts and column is not None]
        kinds: dict[int, Any] = {east: np.float64, north: np.float64, level: np.float64}
        options: dict[str, Any] = {
            "sep": r"\s+" if self.layout.delimiter == "blanks" else DELIMITERS[self.layout.delimiter],
            "decimal": DECIMALS[self.decimal],
            "header": None,
            "names": range(max(width, len(self.columns.roles))),
            "usecols": sorted({*kinds, *text_columns}),
            "dtype": {**dict.fromkeys(text_columns, str), **kinds},
            "index_col": False,
            "keep_default_na": False,
            "na_values": {east: [""], north: [""], level: list(NO_LEVEL)},
            "skipinitialspace": True,
            "skip_blank_lines": False,
            "low_memory": False,
        }
        try:
            frame: pandas.DataFrame = pandas.read_csv(io.BytesIO(self._content(rows, kept)), engine="c", **options)
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

    def _content(self, rows: Ints, kept: Flags) -> bytes | memoryview:
        """The text of the rows that are kept."""
        whole = memoryview(self.lines.content)
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
                for column in self.columns.needed():
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
        east, north, level = (frame[column].to_numpy() for column in self.columns.needed())
        odd = ~np.isfinite(east) | ~np.isfinite(north) | np.isinf(level)
        if odd.any():
            self._raise_on_first_misfit(rows[odd])
        infinite = np.isinf(east) | np.isinf(north) | np.isinf(level)
        if infinite.any():
            remedy = "Mend the row, or take it out."
            raise self._refused(int(rows[np.argmax(infinite)]), "the row does not fit: a number is too large", remedy)
