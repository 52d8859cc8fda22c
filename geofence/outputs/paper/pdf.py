"""Pages as a PDF file, through ReportLab: the same bytes each time.

Typefaces are embedded, but for those of Chinese, Japanese and Korean, which every reader of PDF has or replaces.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from geofence.outputs.paper import typeface
from geofence.outputs.paper.page import Area, Lettering, Page, Pen, Points, Stroke
from geofence.outputs.plain_text import one_line

__all__ = ["write_pdf"]

POINTS_PER_MM = 72 / 25.4


def write_pdf(pages: Iterable[Page], path: Path, *, title: str) -> None:
    """Write pages, one after the other as they come, so that only one is held at a time."""
    canvas = Canvas(str(path), invariant=1, pageCompression=1)
    canvas.setTitle(one_line(title))
    canvas.setCreator("geofence")
    for number, page in enumerate(pages):
        _PageWriter(canvas, page).write()
        if page.title:
            canvas.bookmarkPage(f"page-{number}")
            canvas.addOutlineEntry(one_line(page.title), f"page-{number}")
        canvas.showPage()
    with _streams_as_bytes():
        canvas.save()


@contextmanager
def _streams_as_bytes() -> Iterator[None]:
    """ReportLab spells streams in letters unless it is told not to: a fifth more of them, and slowly."""
    before, rl_config.useA85 = rl_config.useA85, 0
    try:
        yield
    finally:
        rl_config.useA85 = before


class _PageWriter:
    """Draws one page; keeps in mind which pen and fill are set, so that each is set once."""

    def __init__(self, canvas: Any, page: Page) -> None:
        self._canvas, self._page = canvas, page
        self._pen: Pen | None = None
        self._fill: str | None = None
        self._letters: Any = None

    def write(self) -> None:
        size = self._page.width_mm * POINTS_PER_MM, self._page.height_mm * POINTS_PER_MM
        self._canvas.setPageSize(size)
        self._canvas.setLineJoin(1)
        for item in self._page.items:
            if isinstance(item, Lettering):
                self._letter(item)
                continue
            self._end_letters()
            if isinstance(item, Stroke):
                self._stroke(item)
            else:
                self._area(item)
        self._end_letters()

    def _stroke(self, stroke: Stroke) -> None:
        if stroke.pen != self._pen:
            pen = self._pen = stroke.pen
            self._canvas.setLineWidth(pen.width_mm * POINTS_PER_MM)
            self._canvas.setStrokeColor(HexColor(pen.ink))
            self._canvas.setDash([length * POINTS_PER_MM for length in pen.dash_mm], 0)
            # Square ends would lengthen dashes into their gaps.
            self._canvas.setLineCap(0 if pen.dash_mm else 1)
        path = self._path((stroke.points,), ending="close" if stroke.closed else "leave")
        self._canvas.drawPath(path, stroke=1, fill=0)

    def _area(self, area: Area) -> None:
        self._use_fill(area.fill)
        self._canvas.drawPath(self._path(area.rings, ending="close"), stroke=0, fill=1, fillMode=0)

    def _path(self, rings: Iterable[Points], *, ending: str) -> Any:
        path = self._canvas.beginPath()
        for ring in rings:
            places = (ring * POINTS_PER_MM).tolist()
            path.moveTo(*places[0])
            for x, y in places[1:]:
                path.lineTo(x, y)
            if ending == "close":
                path.close()
        return path

    def _use_fill(self, ink: str) -> None:
        if ink != self._fill:
            self._fill = ink
            self._canvas.setFillColor(HexColor(ink))

    def _letter(self, item: Lettering) -> None:
        if self._letters is None or item.ink != self._fill:
            self._end_letters()
            self._use_fill(item.ink)
            self._letters = self._canvas.beginText()
            self._letters.setHorizScale(100 * typeface.NARROWED)
        turn = math.radians(item.turn_deg)
        cos, sin, along = math.cos(turn), math.sin(turn), 0.0
        for name, letters in typeface.parts(item.drawn, item.weight):
            x, y = item.x + along * cos, item.y + along * sin
            self._letters.setTextTransform(cos, sin, -sin, cos, x * POINTS_PER_MM, y * POINTS_PER_MM)
            self._letters.setFont(_registered(name), item.em_mm * POINTS_PER_MM)
            self._letters.textOut(letters)
            along += typeface.width_em(letters, item.weight) * item.em_mm

    def _end_letters(self) -> None:
        if self._letters is not None:
            self._canvas.drawText(self._letters)
            self._letters = None


@cache
def _registered(name: str) -> str:
    own = name in typeface.LEFT_TO_THE_READER
    registerFont(UnicodeCIDFont(name) if own else TTFont(name, BytesIO(typeface.font_bytes(name))))
    return name
