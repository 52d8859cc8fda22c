"""Points from text: columns in any order, read strictly. A row that does not fit is refused, with its number."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.errors import JobError
from geofence.inputs.point_columns import NEEDED, ORDERS, Columns, Role, columns_of_header, columns_of_order
from geofence.inputs.point_rows import PointRows
from geofence.inputs.text_encoding import utf8
from geofence.inputs.text_layout import Decimal, Layout, TextLines, is_comment, is_number, layout_of

__all__ = ["PointText", "read_point_text"]

HEAD = 1 << 20
"""Bytes in which titles, header and sample are looked for."""

THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")
SHOWN_ROWS = 3

Ints = NDArray[np.int64]


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
    need: Sequence[Role] = NEEDED,
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
    need
        Which numbers its rows must hold: easting and northing, and level unless that is optional.
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
    head = TextLines.of(content[: content.rfind(b"\n", 0, HEAD) + 1] if len(content) > HEAD else content)
    layout = layout_of(file, head, need=need)
    columns, columns_from = _columns(file, layout, order, need, table)
    layout = _with_first_row(head, layout, columns)
    decimal = decimal or _decimal(file, layout, columns, table)
    rows = PointRows(
        file=file,
        content=content,
        begin=int(head.start[layout.first_row]),
        layout=layout,
        columns=columns,
        decimal=decimal,
    )
    line, frame = rows.parsed(texts)
    east, north, *level = (frame[column].to_numpy(dtype=np.float64) for column in columns.numbers())
    return PointText(
        easting=east,
        northing=north,
        level=level[0] if level else np.full(len(east), np.nan),
        line=line,
        code=_text(frame, rows.code_column, "code" in texts),
        name=_text(frame, columns.at("point"), "name" in texts),
        encoding=encoding,
        layout=layout,
        decimal=decimal,
        columns=columns,
        columns_from=columns_from,
        comment_lines=rows.comment_lines,
    )


def _text(frame: pandas.DataFrame, column: int | None, wanted: bool) -> NDArray[Any] | None:
    return np.char.strip(frame[column].to_numpy(dtype=str)) if wanted and column is not None else None


def _columns(file: Path, layout: Layout, order: str | None, need: Sequence[Role], table: str) -> tuple[Columns, str]:
    """What the columns hold, and what tells it; a file that leaves it open is not guessed at."""
    named = columns_of_header(layout.header, need=need) if layout.header else None
    place = f"line {layout.header_row + 1}" if layout.header_row is not None else ""
    if order is not None:
        stated = columns_of_order(order, need=need)
        if named is not None and named.numbers() != stated.numbers():
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
    raise _order_open(file, layout, need, table)


def _order_open(file: Path, layout: Layout, need: Sequence[Role], table: str) -> JobError:
    """The question which column is which, with what was found."""
    count = len(layout.sample[0]) if layout.sample else len(layout.header)
    if layout.header:
        wanted = f"{', '.join(need[:-1])} and {need[-1]}"
        why = f"the header does not say which columns are {wanted}: {', '.join(layout.header)}"
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
    fields = [layout.header[column] for column in columns.numbers() if column < len(layout.header)]
    if not any(is_number(field, decimal) for field in fields for decimal in get_args(Decimal)):
        return layout
    return replace(layout, header=(), header_row=None, first_row=layout.header_row, title_lines=0)


def _decimal(file: Path, layout: Layout, columns: Columns, table: str) -> str:
    """``point`` or ``comma``, as the numbers of the sample have it."""
    fields = [row[column] for row in layout.sample for column in columns.numbers() if column < len(row)]
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
