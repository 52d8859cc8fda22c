"""The set-out sheet on pages of paper: pieces one below the other, none cut by the end of a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from geofence.outputs.paper.page import Page, Pen, text_width_mm
from geofence.outputs.setout.parts import SERVICES, SIGN_OFF, Sheet
from geofence.outputs.setout.pieces import (
    BODY,
    BOLD,
    SECOND,
    TITLE,
    Piece,
    boxes,
    cut_text,
    figure_piece,
    heading,
    labelled,
    note_lines,
    paragraph,
    side_by_side,
    space,
)
from geofence.outputs.setout.table_pieces import table_pieces

__all__ = ["pages"]

MARGIN_MM, HEAD_MM, FOOT_MM = 10.0, 9.0, 15.0
"""On all sides of the page; and within that for the head and for the lines to sign on, with room above to write."""

FIGURE_ROOM_MM, FIGURE_SMALL = 250.0, 0.78
"""On pages with less room the figure is drawn smaller, so that its legend stays on the first page."""


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


def _paginated(pieces: Sequence[Piece], room_mm: float) -> list[list[Piece]]:
    """Which pieces stand on which page."""
    filled: list[list[Piece]] = [[]]
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


def _groups(pieces: Sequence[Piece]) -> Iterator[list[Piece]]:
    group: list[Piece] = []
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
    name = cut_text(f"Set-out sheet: {sheet.name}", frame.across_mm - services - 4, cap_mm=SECOND)
    page.text(name, MARGIN_MM, top - 4, cap_mm=SECOND)
    page.line([(MARGIN_MM, top - 6), (right, top - 6)], BOLD)
    part = (frame.across_mm + 4) / len(SIGN_OFF)
    for row, word in enumerate(SIGN_OFF):
        left = MARGIN_MM + row * part
        page.line([(left, MARGIN_MM + 7), (left + part - 4, MARGIN_MM + 7)], Pen(0.25))
        page.text(word, left, MARGIN_MM + 3.8, cap_mm=SECOND)
    page.text(number, right, MARGIN_MM - 2, cap_mm=SECOND, anchor="end")


def _pieces(sheet: Sheet, width: float, scale: float) -> Iterator[Piece]:
    yield from paragraph(sheet.name, width, cap_mm=TITLE, weight="bold", above=1.0)
    yield from paragraph(sheet.fence, width, cap_mm=BODY + 0.5, above=0.5)
    yield space(1.5)
    for label, text in sheet.facts:
        yield from labelled(label, text, width)
    yield space(1.5)
    yield from boxes("Before anybody digs", (*sheet.cautions, *sheet.zones), width)
    if sheet.look:
        yield from heading("Look at these first", width)
        for number, note in enumerate(sheet.look):
            yield from note_lines(note, width, ticked=True, follows="freely" if number else "closely")
    yield from heading("What the columns of the posts mean", width)
    yield figure_piece(sheet.figure, scale)
    yield replace(side_by_side(sheet.legend, width), follows="closely")
    for number, table in enumerate(sheet.tables, start=1):
        yield from table_pieces(table, width, starts="page" if number == len(sheet.tables) else "anywhere")
