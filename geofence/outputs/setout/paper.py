"""The set-out sheet on pages of paper: pieces one below the other, none cut by the end of a page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from geofence.outputs.paper.page import WHITE, Page, Pen, text_width_mm, wrapped
from geofence.outputs.paper.typeface import Weight
from geofence.outputs.setout.figure import Figure
from geofence.outputs.setout.posts import Note
from geofence.outputs.setout.sheet import LOCATED, SERVICES, SIGN_OFF, Band, Column, Line, Sheet, Table

__all__ = ["pages"]

MARGIN_MM, HEAD_MM, FOOT_MM = 10.0, 9.0, 15.0
"""On all sides of the page; and within that for the head and for the lines to sign on, with room above to write."""

MAIN, SECOND, BODY, LEGEND, TITLE, HEADING = 2.8, 2.2, 2.5, 2.25, 5.0, 3.5
"""Heights of capital letters: those of letters of 11, 8.5, 10, 9, 20 and 14 points."""

LINE = 1.62
"""Distance of base lines, as a multiple of the height of capitals."""

FIGURE_ROOM_MM, FIGURE_SMALL = 250.0, 0.78
"""On pages with less room the figure is drawn smaller, so that its legend stays on the first page."""

PAD, GAP = 0.9, 1.4
ZEBRA = "#ececec"
THIN, RULE, BOLD = Pen(0.15, "#555555"), Pen(0.4), Pen(0.7)
BOX_MM = 4.4

Draw = Callable[[Page, float, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """Something as wide as the page: how high it is, and how it is drawn below a place (left, top).

    ``follows`` is ``freely``, or ``closely`` where it stays on the page of the piece before it; ``head`` is drawn above
    it where it comes first on a page; ``starts`` ``page`` begins a new one; ``blank`` ones are left out there.
    """

    height_mm: float
    draw: Draw
    follows: str = "freely"
    head: _Piece | None = None
    starts: str = "anywhere"
    blank: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """The page: its size, and where pieces go."""

    width_mm: float
    height_mm: float

    @property
    def room_mm(self) -> float:
        return self.height_mm - 2 * MARGIN_MM - HEAD_MM - FOOT_MM

    @property
    def across_mm(self) -> float:
        return self.width_mm - 2 * MARGIN_MM


def pages(sheet: Sheet, *, width_mm: float, height_mm: float) -> Iterator[Page]:
    """The pages of a sheet, one after the other."""
    frame = _Frame(width_mm=width_mm, height_mm=height_mm)
    scale = 1.0 if frame.room_mm >= FIGURE_ROOM_MM else FIGURE_SMALL
    filled = _paginated(list(_pieces(sheet, frame.across_mm, scale)), frame.room_mm)
    for number, pieces in enumerate(filled, start=1):
        page = Page(width_mm, height_mm, title=f"Page {number}")
        _draw_frame(page, frame, sheet, f"Page {number} of {len(filled)}")
        top = height_mm - MARGIN_MM - HEAD_MM
        for piece in pieces:
            piece.draw(page, MARGIN_MM, top)
            top -= piece.height_mm
        yield page


def _paginated(pieces: Sequence[_Piece], room_mm: float) -> list[list[_Piece]]:
    """Which pieces stand on which page."""
    filled: list[list[_Piece]] = [[]]
    left = room_mm
    for group in _groups(pieces):
        height = sum(piece.height_mm for piece in group)
        if filled[-1] and (height > left or group[0].starts == "page"):
            filled.append([])
            left = room_mm
        for piece in group:
            if not filled[-1] and piece.blank:
                continue
            if filled[-1] and piece.height_mm > left:  # a group that no page holds
                filled.append([])
                left = room_mm
            if not filled[-1] and piece.head is not None:
                filled[-1].append(piece.head)
                left -= piece.head.height_mm
            filled[-1].append(piece)
            left -= piece.height_mm
    return filled


def _groups(pieces: Sequence[_Piece]) -> Iterator[list[_Piece]]:
    group: list[_Piece] = []
    for piece in pieces:
        if group and piece.follows == "freely":
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _draw_frame(page: Page, frame: _Frame, sheet: Sheet, number: str) -> None:
    right, top = frame.width_mm - MARGIN_MM, frame.height_mm - MARGIN_MM
    services = text_width_mm(SERVICES, cap_mm=SECOND, weight="bold")
    page.text(SERVICES, right, top - 4, cap_mm=SECOND, weight="bold", anchor="end")
    name = _cut(f"Set-out sheet: {sheet.name}", frame.across_mm - services - 4, cap_mm=SECOND)
    page.text(name, MARGIN_MM, top - 4, cap_mm=SECOND)
    page.line([(MARGIN_MM, top - 6), (right, top - 6)], BOLD)
    part = (frame.across_mm + 4) / len(SIGN_OFF)
    for row, word in enumerate(SIGN_OFF):
        left = MARGIN_MM + row * part
        page.line([(left, MARGIN_MM + 7), (left + part - 4, MARGIN_MM + 7)], Pen(0.25))
        page.text(word, left, MARGIN_MM + 3.8, cap_mm=SECOND)
    page.text(number, right, MARGIN_MM - 2, cap_mm=SECOND, anchor="end")


def _cut(text: str, width_mm: float, *, cap_mm: float, weight: Weight = "regular") -> str:
    """As much of a text as a width has room for."""
    if text_width_mm(text, cap_mm=cap_mm, weight=weight) <= width_mm:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = text_width_mm(text[:middle].rstrip() + "…", cap_mm=cap_mm, weight=weight) <= width_mm
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + "…"


def _pieces(sheet: Sheet, width: float, scale: float) -> Iterator[_Piece]:
    yield from _paragraph(sheet.name, width, cap_mm=TITLE, weight="bold", above=1.0)
    yield from _paragraph(sheet.fence, width, cap_mm=BODY + 0.5, above=0.5)
    yield _space(1.5)
    for label, text in sheet.facts:
        yield from _labelled(label, text, width)
    yield _space(1.5)
    yield from _boxes("Before anybody digs", (*sheet.cautions, *sheet.zones), width)
    if sheet.look:
        yield from _heading("Look at these first", width)
        for number, note in enumerate(sheet.look):
            yield from _note_lines(note, width, ticked=True, follows="freely" if number else "closely")
    yield from _heading("What the columns of the posts mean", width)
    yield _Piece(height_mm=sheet.figure.height_mm * scale + 2, draw=_figure(sheet.figure, scale), follows="closely")
    yield replace(_side_by_side(sheet.legend, width), follows="closely")
    for number, table in enumerate(sheet.tables, start=1):
        yield from _table(table, width, starts="page" if number == len(sheet.tables) else "anywhere")


def _nothing(_page: Page, _left: float, _top: float) -> None:
    pass


def _space(height_mm: float) -> _Piece:
    return _Piece(height_mm=height_mm, draw=_nothing)


def _text_piece(
    text: str,
    *,
    cap_mm: float,
    weight: Weight = "regular",
    indent_mm: float = 0.0,
    above: float = 0.0,
    follows: str = "freely",
    label: str = "",
) -> _Piece:
    """A line of text, with a label in bold before it."""

    def draw(page: Page, left: float, top: float) -> None:
        base = top - above - cap_mm * 1.2
        if label:
            page.text(label, left, base, cap_mm=cap_mm, weight="bold")
        page.text(text, left + indent_mm, base, cap_mm=cap_mm, weight=weight)

    return _Piece(height_mm=cap_mm * LINE + above, draw=draw, follows=follows)


def _paragraph(
    text: str,
    width: float,
    *,
    cap_mm: float = BODY,
    weight: Weight = "regular",
    above: float = 0.0,
    follows: str = "freely",
) -> Iterator[_Piece]:
    for row, line in enumerate(wrapped(text, width, cap_mm=cap_mm, weight=weight)):
        yield _text_piece(
            line, cap_mm=cap_mm, weight=weight, above=0.0 if row else above, follows="closely" if row else follows
        )


def _heading(text: str, width: float, *, starts: str = "anywhere") -> Iterator[_Piece]:
    yield _Piece(height_mm=4.0, draw=_nothing, starts=starts, blank=True)
    yield from _paragraph(text, width, cap_mm=HEADING, weight="bold", follows="closely")
    yield _Piece(height_mm=0.8, draw=_nothing, follows="closely")


LABEL_MM = 24.0

ROWS_KEPT = 3
"""So many rows stay with their table's heading; and the last with the one before it."""


def _labelled(
    label: str, text: str, width: float, *, cap_mm: float = BODY, label_mm: float = LABEL_MM
) -> Iterator[_Piece]:
    for row, line in enumerate(wrapped(text, width - label_mm, cap_mm=cap_mm) or [""]):
        yield _text_piece(
            line,
            cap_mm=cap_mm,
            indent_mm=label_mm,
            above=0.0 if row else 0.4,
            follows="closely" if row else "freely",
            label="" if row else _cut(label, label_mm - 1, cap_mm=cap_mm, weight="bold"),
        )


def _side_by_side(pairs: Sequence[tuple[str, str]], width: float) -> _Piece:
    """Labels and texts in two columns, about equally high."""
    room = (width - 6) / 2
    blocks = [list(_labelled(label, text, room, cap_mm=LEGEND, label_mm=20.0)) for label, text in pairs]
    heights = [sum(piece.height_mm for piece in block) for block in blocks]
    half = min(range(len(blocks) + 1), key=lambda at: max(sum(heights[:at]), sum(heights[at:])))
    columns = [[piece for block in part for piece in block] for part in (blocks[:half], blocks[half:])]

    def draw(page: Page, left: float, top: float) -> None:
        for row, column in enumerate(columns):
            here = top
            for piece in column:
                piece.draw(page, left + row * (room + 6), here)
                here -= piece.height_mm

    return _Piece(height_mm=max(sum(heights[:half]), sum(heights[half:])), draw=draw)


def _tick(page: Page, left: float, top: float) -> None:
    """A box to tick; white, whatever it stands on."""
    corners = [(left, top), (left + BOX_MM, top), (left + BOX_MM, top - BOX_MM), (left, top - BOX_MM)]
    page.area(corners, fill=WHITE, pen=RULE)


CONTINUED = ", continued"

BOX_LINES = 32
"""Lines of text in a frame, so that it fits on a page whatever its last text is."""


def _boxes(title: str, texts: Iterable[str], width: float) -> Iterator[_Piece]:
    """Texts to tick off in a frame with a heading; in further ones where a page has no room for all."""
    blocks: list[list[str]] = []
    lines = 0
    for block in (wrapped(text, width - 6 - 8, cap_mm=BODY) for text in texts):
        if blocks and lines + len(block) > BOX_LINES:
            yield _boxed(title, blocks, width)
            title, blocks, lines = f"{title.removesuffix(CONTINUED)}{CONTINUED}", [], 0
        blocks.append(block)
        lines += len(block)
    yield _boxed(title, blocks, width)


def _boxed(title: str, blocks: Sequence[Sequence[str]], width: float) -> _Piece:
    """A frame with a heading, texts to tick off, each in lines, and blanks for who located the services."""
    step = BODY * LINE
    height = 12 + HEADING * LINE + sum(max(len(block) * step, BOX_MM) + 1.6 for block in blocks)

    def draw(page: Page, left: float, top: float) -> None:
        page.area(
            [(left, top), (left + width, top), (left + width, top - height), (left, top - height)], fill=WHITE, pen=BOLD
        )
        page.text(title, left + 3, top - 2 - HEADING * 1.2, cap_mm=HEADING, weight="bold")
        here = top - 3 - HEADING * LINE
        for block in blocks:
            _tick(page, left + 3, here)
            for row, line in enumerate(block):
                page.text(line, left + 11, here - BODY * 1.2 - row * step, cap_mm=BODY)
            here -= max(len(block) * step, BOX_MM) + 1.6
        for word, start, end in zip(LOCATED, (0.0, 0.52, 0.78), (0.5, 0.76, 1.0), strict=True):
            x = left + 3 + start * (width - 6)
            page.text(word, x, here - 5.5, cap_mm=BODY)
            page.line([(x, here - 6.6), (left + 3 + end * (width - 6), here - 6.6)], Pen(0.25))

    return _Piece(height_mm=height + 1, draw=draw)


def _note_lines(
    note: Note, width: float, *, ticked: bool = False, indent_mm: float = 0.0, follows: str = "closely"
) -> Iterator[_Piece]:
    """A marked text; STOP stands white on black."""
    left_mm = indent_mm + (7.0 if ticked else 0.0)
    word_mm = text_width_mm(note.word, cap_mm=BODY, weight="bold") + 2.4
    hang = word_mm + 1.8
    for row, line in enumerate(wrapped(note.text, width - left_mm - hang, cap_mm=BODY) or [""]):

        def draw(page: Page, left: float, top: float, row: int = row, line: str = line) -> None:
            base = top - 0.8 - BODY * 1.2
            if not row:
                _word(page, note.word, left + left_mm, base, word_mm)
                if ticked:
                    _tick(page, left, top - 0.2)
            page.text(line, left + left_mm + hang, base, cap_mm=BODY)

        yield _Piece(height_mm=BODY * LINE + 0.7, draw=draw, follows=follows if not row else "closely")


def _word(page: Page, word: str, x: float, base: float, width_mm: float) -> None:
    low, high = base - 0.9, base + BODY + 0.9
    dark = word == "STOP"
    corners = [(x, low), (x + width_mm, low), (x + width_mm, high), (x, high)]
    page.area(corners, fill="#000000" if dark else WHITE, pen=RULE)
    page.text(word, x + 1.2, base, cap_mm=BODY, weight="bold", ink=WHITE if dark else "#000000")


def _figure(figure: Figure, scale: float) -> Draw:
    def draw(page: Page, left: float, top: float) -> None:
        low = top - figure.height_mm * scale
        for way in figure.ways:
            points = [(left + x * scale, low + y * scale) for x, y in way.points]
            if way.closed:
                page.area(points, fill=way.fill, pen=Pen(way.width_mm))
            else:
                page.line(points, Pen(way.width_mm))
        for label in figure.labels:
            x, y = left + label.x * scale, low + label.y * scale
            width = text_width_mm(label.text, cap_mm=BODY, weight="bold")
            start = x - {"start": 0.0, "middle": width / 2, "end": width}[label.anchor]
            corners = [(start, y - 0.6), (start + width, y - 0.6), (start + width, y + 3.1), (start, y + 3.1)]
            page.area(corners, fill=WHITE)
            page.text(label.text, x, y, cap_mm=BODY, weight="bold", anchor=label.anchor)

    return draw


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


def _table(table: Table, width: float, *, starts: str) -> Iterator[_Piece]:
    yield from _heading(table.title, width, starts=starts)
    yield from _paragraph(table.hint, min(width, 178.0), follows="closely")
    yield _Piece(height_mm=1.0, draw=_nothing, follows="closely")
    grid = _Grid(table.columns, width)
    head = _head(grid)
    yield _Piece(height_mm=head.height_mm, draw=head.draw, follows="closely")
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
            yield from _note_lines(note, width, indent_mm=3.0)
        if row.notes:
            yield _rule(width)
        follows, striped = "freely", not striped


def _rule(width: float) -> _Piece:
    return _Piece(
        height_mm=1.0,
        draw=lambda page, left, top: page.line([(left, top - 1), (left + width, top - 1)], THIN),
        follows="closely",
    )


def _band(text: str, width: float, head: _Piece, *, follows: str) -> Iterator[_Piece]:
    lines = wrapped(text, width - 2 * PAD, cap_mm=MAIN, weight="bold")
    step = MAIN * LINE

    def draw(page: Page, left: float, top: float) -> None:
        for row, line in enumerate(lines):
            page.text(line, left + PAD, top - 1.8 - MAIN * 1.2 - row * step, cap_mm=MAIN, weight="bold")
        low = top - 2.6 - len(lines) * step
        page.line([(left, low), (left + width, low)], RULE)

    yield _Piece(height_mm=2.6 + len(lines) * step, draw=draw, follows=follows, head=head)


def _head(grid: _Grid) -> _Piece:
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

    return _Piece(height_mm=height, draw=draw)


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


def _row(grid: _Grid, row: Line, striped: bool, head: _Piece, *, follows: str) -> _Piece:
    cells = _cells(grid, row)
    lines = max(len(main) for main, _ in cells.values())
    height = 2 * GAP + lines * MAIN * LINE + SECOND * LINE - 0.6

    def draw(page: Page, left: float, top: float) -> None:
        low = top - height
        if striped:
            corners = [(left, low), (left + grid.width, low), (left + grid.width, top - 0.1), (left, top - 0.1)]
            page.area(corners, fill=ZEBRA)
        page.line([(left, low), (left + grid.width, low)], THIN)
        for at, column in enumerate(grid.columns):
            _draw_cell(page, grid, at, column, cells.get(at), left, top, low, strong=row.weight == "strong")

    return _Piece(height_mm=height, draw=draw, follows=follows, head=head)


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
    page: Page,
    grid: _Grid,
    at: int,
    column: Column,
    cell: tuple[list[str], str] | None,
    left: float,
    top: float,
    low: float,
    *,
    strong: bool,
) -> None:
    if column.kind == "tick":
        middle = left + (grid.edges[at] + grid.edges[at + 1]) / 2
        _tick(page, middle - BOX_MM / 2, (top + low + BOX_MM) / 2)
    elif column.kind == "blank":
        ends = [(left + grid.edges[at] + 2, low + 1.6), (left + grid.edges[at + 1] - PAD, low + 1.6)]
        page.line(ends, Pen(0.25, dash_mm=(0.3, 0.9)))
    elif cell is not None:
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
