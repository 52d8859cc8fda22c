"""Where on a sheet a text may still go: every text, and whatever else must stay readable, takes its room."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from geofence.outputs.paper.page import Anchor, Box, Page, Points, text_box

__all__ = ["LabelRoom", "Spot"]

CELL_MM = 8.0
APART_MM = 0.3
"""Texts keep this far from each other, so that two of them do not read as one."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place to try a text at: start, middle or end of its base line, and its turn."""

    x: float
    y: float
    anchor: Anchor = "start"
    turn_deg: float = 0.0


class LabelRoom:
    """The room that is left on a page, within bounds (x_min, y_min, x_max, y_max)."""

    def __init__(self, page: Page, bounds: tuple[float, float, float, float]) -> None:
        self._page = page
        self._bounds = bounds
        self._cells: defaultdict[tuple[int, int], list[Box]] = defaultdict(list)

    def take(self, box: Box) -> None:
        """Keep texts out of a box."""
        for cell in _cells(box):
            self._cells[cell].append(box)

    def take_line(self, points: Points, *, wide_mm: float) -> None:
        """Keep texts off a line through points."""
        half = wide_mm / 2
        for (x0, y0), (x1, y1) in zip(points[:-1].tolist(), points[1:].tolist(), strict=True):
            length = math.hypot(x1 - x0, y1 - y0)
            if length == 0:
                continue
            ux, uy = (x1 - x0) / length * half, (y1 - y0) / length * half
            x0, y0, x1, y1 = x0 - ux, y0 - uy, x1 + ux, y1 + uy
            self.take(Box(((x0 + uy, y0 - ux), (x1 + uy, y1 - ux), (x1 - uy, y1 + ux), (x0 - uy, y0 + ux))))

    def free(self, box: Box) -> bool:
        """Whether a text in this box stays within bounds and clear of all that was taken."""
        if not box.within(*self._bounds):
            return False
        near = {id(other): other for cell in _cells(box) for other in self._cells[cell]}
        return not any(box.overlaps(other, apart_mm=APART_MM) for other in near.values())

    def letter(self, text: str, spots: Iterable[Spot], **style: Any) -> Box | None:
        """Letter a text at the first spot that has room for it, and take that room; None where none has."""
        for spot in spots:
            place = {"anchor": spot.anchor, "turn_deg": spot.turn_deg}
            measured = {key: value for key, value in style.items() if key != "ink"}
            box = text_box(text, spot.x, spot.y, **place, **measured)  # type: ignore[arg-type]
            if self.free(box):
                self.take(box)
                return self._page.text(text, spot.x, spot.y, **place, **style)  # type: ignore[arg-type]
        return None


def _cells(box: Box) -> Iterator[tuple[int, int]]:
    left, low, right, high = box.bounds
    for column in range(_cell(left - APART_MM), _cell(right + APART_MM) + 1):
        for row in range(_cell(low - APART_MM), _cell(high + APART_MM) + 1):
            yield column, row


def _cell(at_mm: float) -> int:
    return math.floor(at_mm / CELL_MM)
