"""Which cells triangles and lines touch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M
from geofence.site.cells import Cells, Flags, Ints, ranges

__all__ = ["Shapes"]

NEXT = np.array([1, 2, 0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shapes:
    """Triangles by their corners x, y (k, 3), metres; a line is a triangle of which two corners are one."""

    x: Floats
    y: Floats

    def of(self, rows: Ints) -> Shapes:
        """Some of them."""
        return Shapes(x=self.x[rows], y=self.y[rows])

    def near(self, cells: Cells, mask: Flags) -> Ints:
        """Rows of the shapes whose box has a cell of a mask (rows, columns) in it."""
        total = np.zeros((cells.rows + 1, cells.columns + 1), dtype=np.int64)
        total[1:, 1:] = mask.cumsum(axis=0).cumsum(axis=1)
        west, east = (
            cells.column(self.x.min(axis=1) - COINCIDENT_M),
            cells.column(self.x.max(axis=1) + COINCIDENT_M) + 1,
        )
        south, north = cells.row(self.y.min(axis=1) - COINCIDENT_M), cells.row(self.y.max(axis=1) + COINCIDENT_M) + 1
        return np.flatnonzero(total[north, east] - total[north, west] - total[south, east] + total[south, west])

    def touched(self, cells: Cells) -> tuple[Ints, Ints]:
        """Pairs (shape, number of a cell) of all cells that shapes touch, or come within a millimetre of."""
        low, high = self.y.min(axis=1) - COINCIDENT_M, self.y.max(axis=1) + COINCIDENT_M
        shape, row = ranges(cells.row(low), cells.row(high))
        south, north = cells.south_of(row) - COINCIDENT_M, cells.south_of(row + 1) + COINCIDENT_M
        west, east = np.full(len(row), np.inf), np.full(len(row), -np.inf)
        for start, end in enumerate(NEXT):
            ax, ay, bx, by = self.x[shape, start], self.y[shape, start], self.x[shape, end], self.y[shape, end]
            slope = (bx - ax) / np.where(by == ay, np.inf, by - ay)
            within_a, within_b = (
                ax + (np.clip(ay, south, north) - ay) * slope,
                bx + (np.clip(by, south, north) - by) * slope,
            )
            met = (np.minimum(ay, by) <= north) & (np.maximum(ay, by) >= south)
            west = np.where(met, np.minimum(west, np.minimum(within_a, within_b)), west)
            east = np.where(met, np.maximum(east, np.maximum(within_a, within_b)), east)
        held = west <= east
        shape, row = shape[held], row[held]
        span, column = ranges(cells.column(west[held] - COINCIDENT_M), cells.column(east[held] + COINCIDENT_M))
        return shape[span], row[span] * cells.columns + column
