"""A sheet of paper: lines, areas and lettering, in millimetres.

Positions are (x, y) from the lower left corner, y up. :mod:`geofence.outputs.paper.pdf` and
:mod:`geofence.outputs.paper.svg` make files of pages. Every text tells the box it fills, so that whoever draws can keep
texts apart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geofence.outputs.paper import typeface
from geofence.outputs.paper.typeface import ASCENT, CAP_HEIGHT, DESCENT, Weight
from geofence.outputs.plain_text import one_line

__all__ = [
    "BLACK",
    "GREY",
    "LETTERING_MM",
    "PAPERS_MM",
    "WHITE",
    "Anchor",
    "Area",
    "Box",
    "Lettering",
    "Page",
    "Pen",
    "Stroke",
    "text_box",
    "text_width_mm",
    "wrapped",
]

Points = NDArray[np.float64]
Anchor = Literal["start", "middle", "end"]

PAPERS_MM = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "A2": (594.0, 420.0),
    "A1": (841.0, 594.0),
    "ANSI-A": (279.4, 215.9),
    "ANSI-B": (431.8, 279.4),
    "ANSI-C": (558.8, 431.8),
    "ANSI-D": (863.6, 558.8),
}
"""Width and height of trimmed sheets, the long side lying (ISO 216, ANSI/ASME Y14.1)."""

LETTERING_MM = (1.8, 2.5, 3.5, 5.0, 7.0)
"""Heights of capital letters on drawings (ISO 3098)."""

BREAKS = re.compile(r"[^\S\u00a0]+")
"""Where a line of text may end."""

BLACK, GREY, WHITE = "#000000", "#808080", "#ffffff"


@dataclass(frozen=True, slots=True)
class Pen:
    """A line's width in millimetres, its colour (``#rrggbb``), and its dashes and gaps; none for a whole line."""

    width_mm: float = 0.25
    ink: str = BLACK
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Box:
    """The rectangle that a text fills: corners from the lower left, counter-clockwise as the text runs."""

    corners: tuple[tuple[float, float], ...]

    @classmethod
    def upright(cls, x0: float, y0: float, x1: float, y1: float) -> Box:
        return cls(((x0, y0), (x1, y0), (x1, y1), (x0, y1)))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(x_min, y_min, x_max, y_max)."""
        xs, ys = zip(*self.corners, strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    def overlaps(self, other: Box, *, apart_mm: float = 0.0) -> bool:
        """Whether two boxes share an area, or come nearer than ``apart_mm``.

        >>> Box.upright(0, 0, 2, 1).overlaps(Box.upright(2, 0, 3, 1))
        False
        """
        return not any(_parted(one, two, apart_mm) for one, two in ((self, other), (other, self)))

    def within(self, x0: float, y0: float, x1: float, y1: float) -> bool:
        """Whether the box lies in an upright rectangle."""
        left, low, right, high = self.bounds
        return left >= x0 and low >= y0 and right <= x1 and high <= y1


def _parted(one: Box, two: Box, apart_mm: float) -> bool:
    """Whether a side of one box has the other box wholly beyond it."""
    (ax, ay), (bx, by), _, (dx, dy) = one.corners
    for ux, uy in ((bx - ax, by - ay), (dx - ax, dy - ay)):
        length = math.hypot(ux, uy)
        if length == 0:
            continue
        along = [((x - ax) * ux + (y - ay) * uy) / length for x, y in two.corners]
        if min(along) >= length + apart_mm - 1e-9 or max(along) <= 1e-9 - apart_mm:
            return True
    return False


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points; ``closed`` where it returns to its first."""

    points: Points
    pen: Pen
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A filled area: its rings by the even-odd rule."""

    rings: tuple[Points, ...]
    fill: str


@dataclass(frozen=True, slots=True)
class Lettering:
    """A text: ``x``, ``y`` the start of its base line, ``cap_mm`` the height of its capitals, turned counter-clockwise.

    ``text`` is what is meant, on one line; ``drawn`` its letters from left to right.
    """

    text: str
    drawn: str
    x: float
    y: float
    cap_mm: float
    weight: Weight
    turn_deg: float
    ink: str
    width_mm: float
    box: Box

    @property
    def em_mm(self) -> float:
        return self.cap_mm / CAP_HEIGHT


@dataclass(slots=True)
class Page:
    """A sheet and what is drawn on it, the last on top. ``title`` names it in the file's outline."""

    width_mm: float
    height_mm: float
    title: str = ""
    items: list[Stroke | Area | Lettering] = field(default_factory=list)

    def line(
        self,
        points: Points | Sequence[tuple[float, float]],
        pen: Pen = Pen(),
        *,
        end: Literal["open", "closed"] = "open",
    ) -> None:
        """Draw a line through (n, 2) points; ``end`` is ``open``, or ``closed`` for one that returns to its first."""
        array = np.asarray(points, dtype=np.float64)
        if len(array) > 1:
            self.items.append(Stroke(array, pen, end == "closed"))

    def area(self, *rings: Points | Sequence[tuple[float, float]], fill: str, pen: Pen | None = None) -> None:
        """Fill an area bounded by rings of (n, 2) points, even-odd; and draw its outline where there is a pen."""
        arrays = tuple(np.asarray(ring, dtype=np.float64) for ring in rings)
        self.items.append(Area(arrays, fill))
        for array in arrays if pen else ():
            self.items.append(Stroke(array, pen or Pen(), closed=True))

    def text(
        self,
        text: str,
        x: float,
        y: float,
        *,
        cap_mm: float = LETTERING_MM[0],
        weight: Weight = "regular",
        anchor: Anchor = "start",
        turn_deg: float = 0.0,
        ink: str = BLACK,
    ) -> Box:
        """Letter a text on one line; (x, y) is the start, middle or end of its base line. Gives the box it fills."""
        drawn = typeface.as_drawn(text)
        width = text_width_mm(text, cap_mm=cap_mm, weight=weight)
        turn = math.radians(turn_deg)
        back = {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        x, y = x - back * math.cos(turn), y - back * math.sin(turn)
        box = text_box(text, x, y, cap_mm=cap_mm, weight=weight, turn_deg=turn_deg)
        if drawn:
            self.items.append(
                Lettering(
                    text if drawn == text else one_line(text), drawn, x, y, cap_mm, weight, turn_deg, ink, width, box
                )
            )
        return box

    @property
    def letterings(self) -> list[Lettering]:
        """Every text on the sheet, in the order of drawing."""
        return [item for item in self.items if isinstance(item, Lettering)]


def text_width_mm(text: str, *, cap_mm: float = LETTERING_MM[0], weight: Weight = "regular") -> float:
    """How wide a text is when it is lettered on one line."""
    return typeface.width_em(typeface.as_drawn(text), weight) * cap_mm / CAP_HEIGHT


def text_box(
    text: str,
    x: float,
    y: float,
    *,
    cap_mm: float = LETTERING_MM[0],
    weight: Weight = "regular",
    anchor: Anchor = "start",
    turn_deg: float = 0.0,
) -> Box:
    """The box that a text would fill, from its deepest letters to its tallest, without drawing it."""
    em = cap_mm / CAP_HEIGHT
    width = text_width_mm(text, cap_mm=cap_mm, weight=weight)
    start = {"start": 0.0, "middle": -width / 2, "end": -width}[anchor]
    turn = math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    sides = ((start, -DESCENT * em), (start + width, -DESCENT * em), (start + width, ASCENT * em), (start, ASCENT * em))
    return Box(tuple((x + u * cos - v * sin, y + u * sin + v * cos) for u, v in sides))


def wrapped(text: str, width_mm: float, *, cap_mm: float = LETTERING_MM[0], weight: Weight = "regular") -> list[str]:
    """A text cut into lines no wider than ``width_mm``: between words, or within one that is too wide by itself.

    No line ends at a no-break space.
    """
    lines: list[str] = []
    for word in filter(None, BREAKS.split(text)):
        joined = f"{lines[-1]} {word}" if lines else word
        if text_width_mm(joined, cap_mm=cap_mm, weight=weight) <= width_mm:
            lines[-1:] = [joined]
            continue
        while text_width_mm(word, cap_mm=cap_mm, weight=weight) > width_mm and len(word) > 1:
            fits = _letters_that_fit(word, width_mm, cap_mm=cap_mm, weight=weight)
            lines.append(word[:fits])
            word = word[fits:]
        lines.append(word)
    return lines


def _letters_that_fit(word: str, width_mm: float, **style: Any) -> int:
    """The most letters of a word that keep within a width, at least one."""
    low, high = 1, len(word)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if text_width_mm(word[:middle], **style) <= width_mm else (low, middle - 1)
    return low
