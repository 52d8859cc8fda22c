"""Tables of the set-out sheet on paper: heads that come again on each page, rows that no page cuts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from geofence.outputs.paper.page import Page, Pen, text_width_mm, wrapped
from geofence.outputs.paper.typeface import Weight
from geofence.outputs.setout.parts import Band, Column, Line, Table
from geofence.outputs.setout.pieces import (
    BOX_MM,
    LINE,
    MAIN,
    PAD,
    RULE,
    SECOND,
    THIN,
    Piece,
    heading,
    note_lines,
    paragraph,
    space,
    tick,
)

__all__ = ["table_pieces"]

GAP = 1.4
ZEBRA = "#ececec"

ROWS_KEPT = 3
"""So many rows stay with their table's heading; and the last with the one before it."""


@dataclass(slots=True)
class _Grid:
    """The columns of a table on the page."""

    columns: tuple[Column, ...]
    width: float
    edges: list[float] = field(init=False)

    def __post_init__(self) -> None:
        whole = sum(column.width for column in self.columns)
        self.edges = [0.0]
        for column in self.columns:
            self.edges.append(self.edges[-1] + self.width * column.width / whole)

    def inner(self, at: int) -> float:
        """Room for text in a column."""
        return self.edges[at + 1] - self.edges[at] - 2 * PAD


def table_pieces(table: Table, width: float, *, starts: str) -> Iterator[Piece]:
    """A table over a width, millimetres: title, hint, head, then row by row; its first rows stay with its head."""
    yield from heading(table.title, width, starts=starts)
    yield from paragraph(table.hint, min(width, 178.0), follows="closely")
    yield space(1.0, follows="closely")
    grid = _Grid(table.columns, width)
    head = _head(grid)
    yield head
    follows, striped, count = "closely", False, 0
    for row in table.rows:
        if isinstance(row, Band):
            yield from _band(row.text, width, head, follows=follows)
            follows, striped = "closely", False
            continue
        kept = count < ROWS_KEPT or row is table.rows[-1]
        yield _row(grid, row, striped, head, follows="closely" if kept else follows)
        count += 1
        for note in row.notes:
            yield from note_lines(note, width, indent_mm=3.0)
        if row.notes:
            yield _rule(width)
        follows, striped = "freely", not striped


def _rule(width: float) -> Piece:
    return Piece(
        height_mm=1.0,
        draw=lambda page, left, top: page.line([(left, top - 1), (left + width, top - 1)], THIN),
        follows="closely",
    )


def _band(text: str, width: float, head: Piece, *, follows: str) -> Iterator[Piece]:
    lines = wrapped(text, width - 2 * PAD, cap_mm=MAIN, weight="bold")
    step = MAIN * LINE

    def draw(page: Page, left: float, top: float) -> None:
        for row, line in enumerate(lines):
            page.text(line, left + PAD, top - 1.8 - MAIN * 1.2 - row * step, cap_mm=MAIN, weight="bold")
        low = top - 2.6 - len(lines) * step
        page.line([(left, low), (left + width, low)], RULE)

    yield Piece(height_mm=2.6 + len(lines) * step, draw=draw, follows=follows, head=head)


def _head(grid: _Grid) -> Piece:
    height = 2 * SECOND * LINE + 2 * GAP

    def draw(page: Page, left: float, top: float) -> None:
        for level in (top, top - height):
            page.line([(left, level), (left + grid.width, level)], RULE)
        for at, column in enumerate(grid.columns):
            x, anchor = _place(grid, at, left)
            main, second = column.head
            both: list[tuple[str, Weight]] = [(main, "bold"), (second, "regular")]
            low: list[tuple[str, Weight]] = [("", "regular"), (main, "bold")]
            for row, (text, weight) in enumerate(both if second else low):
                base = top - GAP - SECOND * (1.2 + row * LINE)
                _fit(page, text, x, base, grid.inner(at), cap_mm=SECOND, weight=weight, anchor=anchor)

    return Piece(height_mm=height, draw=draw, follows="closely")


def _place(grid: _Grid, at: int, left: float) -> tuple[float, str]:
    """Where a column's texts start, or end."""
    kind = grid.columns[at].kind
    if kind == "text":
        return left + grid.edges[at] + PAD, "start"
    if kind == "tick":
        return left + (grid.edges[at] + grid.edges[at + 1]) / 2, "middle"
    return left + grid.edges[at + 1] - PAD, "end"


def _fit(page: Page, text: str, x: float, y: float, room: float, *, cap_mm: float, weight: Weight, anchor: str) -> None:
    """A text, made smaller where the column has no room for it."""
    wide = text_width_mm(text, cap_mm=cap_mm, weight=weight)
    if wide > room:
        cap_mm *= room / wide
    page.text(text, x, y, cap_mm=cap_mm, weight=weight, anchor=anchor)  # type: ignore[arg-type]


def _row(grid: _Grid, row: Line, striped: bool, head: Piece, *, follows: str) -> Piece:
    cells = _cells(grid, row)
    lines = max(len(main) for main, _ in cells.values())
    height = 2 * GAP + lines * MAIN * LINE + SECOND * LINE - 0.6

    def draw(page: Page, left: float, top: float) -> None:
        low = top - height
        if striped:
            corners = [(left, low), (left + grid.width, low), (left + grid.width, top - 0.1), (left, top - 0.1)]
            page.area(corners, fill=ZEBRA)
        page.line([(left, low), (left + grid.width, low)], THIN)
        for at in range(len(grid.columns)):
            _draw_room(page, grid, at, left, top, low)
        for at, cell in cells.items():
            _draw_cell(page, grid, at, cell, left, top, strong=row.weight == "strong")

    return Piece(height_mm=height, draw=draw, follows=follows, head=head)


def _cells(grid: _Grid, row: Line) -> dict[int, tuple[list[str], str]]:
    """By column: the lines of what is read first, and what stands below."""
    filled = [at for at, column in enumerate(grid.columns) if column.kind not in ("tick", "blank")]
    found = {}
    for at, (main, second) in zip(filled, row.cells, strict=True):
        text = grid.columns[at].kind == "text"
        lines = wrapped(main, grid.inner(at), cap_mm=MAIN, weight="bold") if text else [main]
        found[at] = (lines or [""], second)
    return found


def _draw_cell(
    page: Page, grid: _Grid, at: int, cell: tuple[list[str], str], left: float, top: float, *, strong: bool
) -> None:
    """What is read first, and smaller below it what goes with it."""
    column = grid.columns[at]
    x, anchor = _place(grid, at, left)
    main, second = cell
    first_number = strong and at > 0 and grid.columns[at - 1].kind == "text"
    stands_out = column.kind == "text" or first_number or (column.kind == "signed" and main[0][:1] in ("+", "-"))
    weight: Weight = "bold" if stands_out else "regular"
    for row, line in enumerate(main):
        base = top - GAP - MAIN * (1.0 + row * LINE)
        _fit(page, line, x, base, grid.inner(at), cap_mm=MAIN, weight=weight, anchor=anchor)
        if strong and column.kind == "text" and line:
            end = x + min(text_width_mm(line, cap_mm=MAIN, weight=weight), grid.inner(at))
            page.line([(x, base - 0.55), (end, base - 0.55)], Pen(0.35))
    base = top - GAP - MAIN * (1.0 + (len(main) - 1) * LINE) - SECOND * LINE - 0.4
    _fit(page, second, x, base, grid.inner(at), cap_mm=SECOND, weight="regular", anchor=anchor)


def _draw_room(page: Page, grid: _Grid, at: int, left: float, top: float, low: float) -> None:
    """Room to tick or to write, in the columns that have it."""
    start, end = left + grid.edges[at], left + grid.edges[at + 1]
    if grid.columns[at].kind == "tick":
        tick(page, (start + end - BOX_MM) / 2, (top + low + BOX_MM) / 2)
    elif grid.columns[at].kind == "blank":
        page.line([(start + 2, low + 1.6), (end - PAD, low + 1.6)], Pen(0.25, dash_mm=(0.3, 0.9)))
