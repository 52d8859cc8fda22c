"""Pieces of the set-out sheet on paper: lines of text, framed boxes, notes, the figure; each knows how high it is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from geofence.outputs.paper.page import WHITE, Page, Pen, text_width_mm, wrapped
from geofence.outputs.paper.typeface import Weight
from geofence.outputs.setout.figure import Figure
from geofence.outputs.setout.parts import LOCATED
from geofence.outputs.setout.posts import Note

__all__ = [
    "BODY",
    "BOLD",
    "BOX_MM",
    "LINE",
    "MAIN",
    "PAD",
    "RULE",
    "SECOND",
    "THIN",
    "TITLE",
    "Piece",
    "boxes",
    "cut_text",
    "figure_piece",
    "heading",
    "labelled",
    "note_lines",
    "paragraph",
    "side_by_side",
    "space",
    "tick",
]

MAIN, SECOND, BODY, LEGEND, TITLE, HEADING = 2.8, 2.2, 2.5, 2.25, 5.0, 3.5
"""Heights of capital letters: those of letters of 11, 8.5, 10, 9, 20 and 14 points."""

LINE = 1.62
"""Distance of base lines, as a multiple of the height of capitals."""

PAD = 0.9
THIN, RULE, BOLD = Pen(0.15, "#555555"), Pen(0.4), Pen(0.7)
BOX_MM = 4.4
LABEL_MM = 24.0
BOX_LINES = 32
"""Lines of text in a frame, so that it fits on a page whatever its last text is."""

CONTINUED = ", continued"

Draw = Callable[[Page, float, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Something as wide as the page: how high it is, and how it is drawn below a place (left, top).

    ``follows`` is ``freely``, or ``closely`` where it stays on the page of the piece before it; ``head`` is drawn above
    it where it comes first on a page; ``starts`` ``page`` begins a new one; ``blank`` ones are left out there.
    """

    height_mm: float
    draw: Draw
    follows: str = "freely"
    head: Piece | None = None
    starts: str = "anywhere"
    blank: bool = False


def _nothing(_page: Page, _left: float, _top: float) -> None:
    pass


def space(height_mm: float, *, follows: str = "freely") -> Piece:
    """An empty piece."""
    return Piece(height_mm=height_mm, draw=_nothing, follows=follows)


def _text_piece(
    text: str,
    *,
    cap_mm: float,
    weight: Weight = "regular",
    indent_mm: float = 0.0,
    above: float = 0.0,
    follows: str = "freely",
    label: str = "",
) -> Piece:
    """A line of text, with a label in bold before it."""

    def draw(page: Page, left: float, top: float) -> None:
        base = top - above - cap_mm * 1.2
        if label:
            page.text(label, left, base, cap_mm=cap_mm, weight="bold")
        page.text(text, left + indent_mm, base, cap_mm=cap_mm, weight=weight)

    return Piece(height_mm=cap_mm * LINE + above, draw=draw, follows=follows)


def paragraph(
    text: str,
    width: float,
    *,
    cap_mm: float = BODY,
    weight: Weight = "regular",
    above: float = 0.0,
    follows: str = "freely",
) -> Iterator[Piece]:
    """Text in lines of a width, millimetres; its lines stay together."""
    for row, line in enumerate(wrapped(text, width, cap_mm=cap_mm, weight=weight)):
        yield _text_piece(
            line, cap_mm=cap_mm, weight=weight, above=0.0 if row else above, follows="closely" if row else follows
        )


def heading(text: str, width: float, *, starts: str = "anywhere") -> Iterator[Piece]:
    """A heading, with room above it that is left out at the head of a page; what comes after it stays with it."""
    yield Piece(height_mm=4.0, draw=_nothing, starts=starts, blank=True)
    yield from paragraph(text, width, cap_mm=HEADING, weight="bold", follows="closely")
    yield space(0.8, follows="closely")


def labelled(
    label: str, text: str, width: float, *, cap_mm: float = BODY, label_mm: float = LABEL_MM
) -> Iterator[Piece]:
    """A label in bold, cut to ``label_mm``, and beside it a text in lines."""
    for row, line in enumerate(wrapped(text, width - label_mm, cap_mm=cap_mm) or [""]):
        yield _text_piece(
            line,
            cap_mm=cap_mm,
            indent_mm=label_mm,
            above=0.0 if row else 0.4,
            follows="closely" if row else "freely",
            label="" if row else cut_text(label, label_mm - 1, cap_mm=cap_mm, weight="bold"),
        )


def side_by_side(pairs: Sequence[tuple[str, str]], width: float) -> Piece:
    """Labels and texts in two columns, about equally high."""
    room = (width - 6) / 2
    blocks = [list(labelled(label, text, room, cap_mm=LEGEND, label_mm=20.0)) for label, text in pairs]
    heights = [sum(piece.height_mm for piece in block) for block in blocks]
    half = min(range(len(blocks) + 1), key=lambda at: max(sum(heights[:at]), sum(heights[at:])))
    columns = [[piece for block in part for piece in block] for part in (blocks[:half], blocks[half:])]

    def draw(page: Page, left: float, top: float) -> None:
        for row, column in enumerate(columns):
            here = top
            for piece in column:
                piece.draw(page, left + row * (room + 6), here)
                here -= piece.height_mm

    return Piece(height_mm=max(sum(heights[:half]), sum(heights[half:])), draw=draw)


def tick(page: Page, left: float, top: float) -> None:
    """A box to tick; white, whatever it stands on."""
    corners = [(left, top), (left + BOX_MM, top), (left + BOX_MM, top - BOX_MM), (left, top - BOX_MM)]
    page.area(corners, fill=WHITE, pen=RULE)


def cut_text(text: str, width_mm: float, *, cap_mm: float, weight: Weight = "regular") -> str:
    """As much of a text as a width has room for."""
    if text_width_mm(text, cap_mm=cap_mm, weight=weight) <= width_mm:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = text_width_mm(text[:middle].rstrip() + "…", cap_mm=cap_mm, weight=weight) <= width_mm
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + "…"


def boxes(title: str, texts: Iterable[str], width: float) -> Iterator[Piece]:
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


def _boxed(title: str, blocks: Sequence[Sequence[str]], width: float) -> Piece:
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
            tick(page, left + 3, here)
            for row, line in enumerate(block):
                page.text(line, left + 11, here - BODY * 1.2 - row * step, cap_mm=BODY)
            here -= max(len(block) * step, BOX_MM) + 1.6
        for word, start, end in zip(LOCATED, (0.0, 0.52, 0.78), (0.5, 0.76, 1.0), strict=True):
            x = left + 3 + start * (width - 6)
            page.text(word, x, here - 5.5, cap_mm=BODY)
            page.line([(x, here - 6.6), (left + 3 + end * (width - 6), here - 6.6)], Pen(0.25))

    return Piece(height_mm=height + 1, draw=draw)


def note_lines(
    note: Note, width: float, *, ticked: bool = False, indent_mm: float = 0.0, follows: str = "closely"
) -> Iterator[Piece]:
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
                    tick(page, left, top - 0.2)
            page.text(line, left + left_mm + hang, base, cap_mm=BODY)

        yield Piece(height_mm=BODY * LINE + 0.7, draw=draw, follows=follows if not row else "closely")


def _word(page: Page, word: str, x: float, base: float, width_mm: float) -> None:
    low, high = base - 0.9, base + BODY + 0.9
    dark = word == "STOP"
    corners = [(x, low), (x + width_mm, low), (x + width_mm, high), (x, high)]
    page.area(corners, fill="#000000" if dark else WHITE, pen=RULE)
    page.text(word, x + 1.2, base, cap_mm=BODY, weight="bold", ink=WHITE if dark else "#000000")


def figure_piece(figure: Figure, scale: float) -> Piece:
    """The figure, as it stands on the page of its heading."""

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

    return Piece(height_mm=figure.height_mm * scale + 2, draw=draw, follows="closely")
