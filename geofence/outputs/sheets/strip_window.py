"""The window of a strip: a box of paper, and the part of the grid that it shows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.sheets.strips import Strip, turned

__all__ = ["StripWindow", "areas_of", "ways_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripWindow:
    """``box`` is (x_min, y_min, x_max, y_max) on paper, in millimetres; scale 250 is 1:250."""

    box: tuple[float, float, float, float]
    strip: Strip
    scale: float

    def on_paper(self, xy_m: Floats) -> Floats:
        """(n, 2) places on the grid, in metres, on the page."""
        x0, y0, x1, y1 = self.box
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        return np.asarray(middle + self.strip.laid(xy_m) * 1000 / self.scale)

    @property
    def size_m(self) -> tuple[float, float]:
        """Width and height of what it shows."""
        x0, y0, x1, y1 = self.box
        return (x1 - x0) * self.scale / 1000, (y1 - y0) * self.scale / 1000

    @property
    def corners_m(self) -> Floats:
        """(4, 2) its corners on the grid, in metres."""
        corners = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]) * np.array(self.size_m)
        return np.asarray(turned(corners, -self.strip.turn_rad) + np.array(self.strip.middle_m))

    def ways(self, shape: Any) -> Iterator[Floats]:
        """The lines of a shape on the grid that the window shows, on paper."""
        window = shapely.Polygon(self.corners_m)
        if shape.intersects(window):
            yield from (self.on_paper(way) for way in ways_of(shapely.intersection(shape, window)))

    def areas(self, shape: Any) -> Iterator[list[Floats]]:
        """The areas of a shape on the grid that the window shows: the rings of each, on paper."""
        window = shapely.Polygon(self.corners_m)
        if shape.intersects(window):
            for rings in areas_of(shapely.intersection(shape, window)):
                yield [self.on_paper(ring) for ring in rings]

    def clipped(self, points: Floats) -> list[Floats]:
        """The parts of a line on paper that lie in the box."""
        return list(ways_of(shapely.intersection(shapely.LineString(points), shapely.box(*self.box))))

    def turn(self, bearing_rad: float) -> float:
        """How a direction on the grid, counter-clockwise from east, lies on paper, counter-clockwise from right."""
        return math.remainder(bearing_rad + self.strip.turn_rad, 2 * math.pi)


def ways_of(shape: Any) -> Iterator[Floats]:
    """The lines of a shape."""
    for part in shapely.get_parts(shapely.get_parts(shape)):
        if part.geom_type in ("LineString", "LinearRing") and not part.is_empty:
            yield shapely.get_coordinates(part)


def areas_of(shape: Any) -> Iterator[list[Floats]]:
    """The areas of a shape: their rings."""
    for part in shapely.get_parts(shapely.get_parts(shape)):
        if part.geom_type == "Polygon" and not part.is_empty:
            yield [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
