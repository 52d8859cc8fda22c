"""The frame of a sheet: its border, the title block, and the notes that stand on every sheet."""

from __future__ import annotations

from dataclasses import dataclass

from geofence.outputs.facts import facts
from geofence.outputs.paper.page import GREY, LETTERING_MM, Page, Pen
from geofence.outputs.paper.text_flow import (
    LINE_SPACING,
    Column,
    Line,
    Paragraph,
    draw_lines,
    fitted,
    lines_of,
)
from geofence.outputs.sheets.options import SheetOptions
from geofence.plan import FencePlan

__all__ = ["SheetFrame", "scale_words", "sheet_frame"]

FILING_MM, BORDER_MM = 20.0, 10.0
"""The left margin leaves room for filing (ISO 5457)."""
TITLE_WIDTH_MM, TITLE_SHARE = 170.0, 0.44
NAME_MM, ROW_MM = 13.0, 7.8
TITLE_HEIGHT_MM = NAME_MM + 3 * ROW_MM
CAPTION_MM = 1.1
"""Between the line above a caption and the caption, so that the two do not touch in print."""
FRAME, INNER = Pen(0.5), Pen(0.18)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFrame:
    """What every sheet of a plan has around its drawing; ``notes`` are lines left of the title block."""

    plan: FencePlan
    options: SheetOptions
    x0: float
    y0: float
    x1: float
    y1: float
    band_mm: float
    notes: tuple[Line, ...]

    @property
    def title_x(self) -> float:
        """The left side of the title block."""
        return self.x1 - min(TITLE_WIDTH_MM, TITLE_SHARE * (self.x1 - self.x0))

    @property
    def body(self) -> tuple[float, float, float, float]:
        """The room for the drawing: (x_min, y_min, x_max, y_max)."""
        return self.x0, self.y0 + self.band_mm, self.x1, self.y1

    def sheet(self, content: str, number: int, count: int, *, scales: str) -> Page:
        """A sheet with border, notes and title block; ``content`` says what it shows."""
        page = Page(*self.options.size_mm, title=f"Sheet {number} of {count}: {content}")
        page.line([(self.x0, self.y0), (self.x1, self.y0), (self.x1, self.y1), (self.x0, self.y1)], FRAME, end="closed")
        top = self.y0 + self.band_mm
        page.line([(self.x0, top), (self.x1, top)], FRAME)
        page.line([(self.title_x, self.y0), (self.title_x, top)], FRAME)
        draw_lines(page, Column(self.x0 + 2, self.y0, self.title_x - 2, top - 1), self.notes)
        self._title_block(page, content, f"{number} of {count}", scales)
        return page

    def _title_block(self, page: Page, content: str, sheet: str, scales: str) -> None:
        options, x0, x1 = self.options, self.title_x, self.x1
        wide, low = x1 - x0, self.y0 + 3 * ROW_MM
        page.line([(x0, low), (x1, low)], INNER)
        self._cell(page, (x0, low, x1, self.y0 + self.band_mm), "Job", self.plan.name, largest_mm=5.0)
        rows: tuple[tuple[tuple[float, str, str], ...], ...] = (
            ((0.56, "Client", options.client), (0.28, "Drawing", options.number), (0.16, "Revision", options.revision)),
            ((0.36, "Drawn", options.drawn), (0.36, "Checked", options.checked), (0.28, "Date", options.date)),
            ((0.5, "Shows", content), (0.28, f"Scale on {options.paper}", scales), (0.22, "Sheet", sheet)),
        )
        for row, cells in enumerate(rows):
            y, x = low - row * ROW_MM, x0
            page.line([(x0, y), (x1, y)], INNER)
            for share, caption, text in cells:
                if x > x0:
                    page.line([(x, y), (x, y - ROW_MM)], INNER)
                self._cell(page, (x, y - ROW_MM, x + share * wide, y), caption, text, largest_mm=2.5)
                x += share * wide

    @staticmethod
    def _cell(
        page: Page, box: tuple[float, float, float, float], caption: str, text: str, *, largest_mm: float
    ) -> None:
        """A caption and, below it, a text as large as fits."""
        x0, y0, x1, y1 = box
        small = LETTERING_MM[0]
        page.text(caption, x0 + 1, y1 - small - CAPTION_MM, ink=GREY)
        room = y1 - y0 - small - CAPTION_MM - 1.3
        lines, cap = fitted(text, x1 - x0 - 2, room, largest_mm=largest_mm, weight="bold")
        y = y1 - small - CAPTION_MM - 1.1 - cap * 1.05
        for line in lines:
            page.text(line, x0 + 1, y, cap_mm=cap, weight="bold")
            y -= cap * LINE_SPACING


def sheet_frame(plan: FencePlan, options: SheetOptions) -> SheetFrame:
    """The frame for a plan's sheets, its band as high as title block and notes need it."""
    width, height = options.size_mm
    x0, x1 = FILING_MM, width - BORDER_MM
    title_x = x1 - min(TITLE_WIDTH_MM, TITLE_SHARE * (x1 - x0))
    known = facts(plan, places="easting and northing on the grid", levels="metres")
    told = [Paragraph(text, "!" if label == "caution" else label.capitalize()) for label, text in known[2:]]
    notes = lines_of(told, title_x - x0 - 4)
    spacing = LETTERING_MM[0] * LINE_SPACING
    needed = sum(spacing * (1 + line.above) for line in notes) + 2
    return SheetFrame(
        plan=plan, options=options, x0=x0, y0=BORDER_MM, x1=x1, y1=height - BORDER_MM,
        band_mm=max(TITLE_HEIGHT_MM, needed), notes=tuple(notes),
    )  # fmt: skip


def scale_words(scale: float) -> str:
    """A scale as it is written.

    >>> scale_words(250.0), scale_words(62.5)
    ('1:250', '1:62.5')
    """
    return f"1:{scale:g}"
