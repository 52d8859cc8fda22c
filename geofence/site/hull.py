"""The hull of a survey: what is inside it, and whether it is wider than a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.errors import InputError
from geofence.site.cells import Flags

__all__ = ["Hull"]

NARROW_M = 0.05
"""Points within this of one line fix no slope across it: a pole held upright is off by as much."""

MANY = 2_000
"""A hull of more corners is no line."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hull:
    """A convex polygon: its southern and its northern side, each from west to east, metres."""

    south_x: Floats
    south_y: Floats
    north_x: Floats
    north_y: Floats

    @classmethod
    def of(cls, x: Floats, y: Floats, *, source: str, count: int) -> Hull:
        """Of its corners, counter-clockwise; ``count`` points are within.

        Raises
        ------
        InputError
            Fewer than three points, or all of them on one line.
        """
        if count < 3:
            raise InputError(
                "a surface needs points on either side of the line",
                file=source,
                value=count,
                limit=3,
                unit="points" if count != 1 else "point",
                remedy="Shoot more points, on either side of the line.",
            )
        width = _width(x, y) if len(x) >= 3 else 0.0
        if width < NARROW_M:
            raise InputError(
                f"all {count} points lie on one line, which gives no slope across it",
                file=source,
                value=f"{width:.3f} wide",
                limit=NARROW_M,
                unit="m",
                remedy="Shoot points on either side of the line.",
            )
        order = np.roll(np.arange(len(x)), -np.lexsort((y, x))[0])
        x, y = np.append(x[order], x[order[0]]), np.append(y[order], y[order[0]])
        turn = int(np.argmax(x))
        return cls(south_x=x[: turn + 1], south_y=y[: turn + 1], north_x=x[turn:][::-1], north_y=y[turn:][::-1])

    def holds(self, x: Floats, y: Floats) -> Flags:
        """Which places are inside."""
        south = np.interp(x, self.south_x, self.south_y)
        north = np.interp(x, self.north_x, self.north_y)
        within = (x >= self.south_x[0]) & (x <= self.south_x[-1])
        return np.asarray(within & (y >= south) & (y <= north))


def _width(x: Floats, y: Floats) -> float:
    """The least width of a convex polygon, metres."""
    if len(x) > MANY:
        return float("inf")
    dx, dy = np.roll(x, -1) - x, np.roll(y, -1) - y
    length = np.hypot(dx, dy)
    aside = (dx[:, None] * (y - y[:, None]) - dy[:, None] * (x - x[:, None])) / length[:, None]
    return float(aside.max(axis=1).min())
