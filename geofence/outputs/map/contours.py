"""Contours of the terrain picture: lines of one level, smoothed a little and thinned for drawing.

Marching squares: each square between four cell centres is crossed by lines that join places on its sides, found
between the levels at their ends; a saddle is told by the mean of its corners.

References
----------
Maple, C. (2003). Geometric design and space planning using the marching squares and marching cube algorithms.
International Conference on Geometric Modeling and Graphics, 90-95.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from geofence.engine.records import Floats
from geofence.site.ground import Relief

__all__ = ["Contour", "contours", "interval_m", "lines_of"]

SMOOTHING_CELLS = 1.5
"""Standard deviation of the smoothing before: the cells' own steps and the survey's noise are not terrain."""
THINNING_CELLS = 0.35
LEAST_CELLS = 12.0
"""Closed rings shorter than this are specks."""
MOST_LEVELS = 25
MOST_CROSSINGS = 60_000
"""Of lines and sides of cells; very rough ground gets fewer levels, so that neither time nor file grows with it."""
SQUARE_SIDES: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((3, 0),), 2: ((0, 1),), 3: ((3, 1),), 4: ((1, 2),), 6: ((0, 2),), 7: ((3, 2),),
    8: ((2, 3),), 9: ((2, 0),), 11: ((2, 1),), 12: ((1, 3),), 13: ((1, 0),), 14: ((0, 3),),
}  # fmt: skip
"""Sides (0 north, 1 east, 2 south, 3 west) that a line joins, by which corners are high (1 NW, 2 NE, 4 SE, 8 SW)."""
SADDLES = {5: (((3, 0), (1, 2)), ((0, 1), (2, 3))), 10: (((0, 1), (2, 3)), ((3, 0), (1, 2)))}
"""Both ways through a saddle: where its middle is low, and where it is high."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contour:
    """A line of one level. ``column``, ``row`` (n,): cell centres counted from the picture's north-west one."""

    level_m: float
    column: Floats
    row: Floats


def interval_m(lowest_m: float, highest_m: float) -> float:
    """The smallest 1, 2 or 5 times a power of ten, from a decimetre up, that makes at most :data:`MOST_LEVELS` levels.

    >>> interval_m(86.2, 127.4)
    2.0
    """
    least = max((highest_m - lowest_m) / MOST_LEVELS, 0.1)
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(round(k * power, 6) for k in (1, 2, 5, 10) if k * power >= least * (1 - 1e-9)))


def contours(relief: Relief) -> tuple[float, tuple[Contour, ...]]:
    """The interval and the contours of a relief; none where it is level, or nowhere known."""
    level_m = _smoothed(np.asarray(relief.level_m, dtype=np.float64))
    known = np.isfinite(level_m)
    if not known.any():
        return 0.0, ()
    lowest, highest = float(level_m[known].min()), float(level_m[known].max())
    # Every level between two neighbours makes one crossing of the side between them.
    climb_m = sum(float(np.nansum(np.abs(np.diff(level_m, axis=axis)))) for axis in (0, 1))
    step = interval_m(0.0, max(highest - lowest, climb_m / MOST_CROSSINGS * MOST_LEVELS))
    wanted = np.arange(np.ceil(lowest / step), np.floor(highest / step) + 1) * step
    return step, tuple(line for level in wanted for line in _drawn(level_m, float(level)))


def _drawn(level_m: Floats, level: float) -> Iterator[Contour]:
    for column, row in lines_of(level_m, level):
        line = shapely.LineString(np.column_stack([column, row]))
        if line.is_ring and line.length < LEAST_CELLS:
            continue
        xy = shapely.get_coordinates(line.simplify(THINNING_CELLS))
        yield Contour(level_m=level, column=xy[:, 0], row=xy[:, 1])


def _smoothed(level_m: Floats) -> Floats:
    """Levels blended with their known neighbours; unknown stays unknown."""
    known = np.isfinite(level_m)
    weight = gaussian_filter(known.astype(np.float64), SMOOTHING_CELLS, mode="nearest")
    total = gaussian_filter(np.where(known, level_m, 0.0), SMOOTHING_CELLS, mode="nearest")
    return np.where(known, total / np.maximum(weight, 1e-9), np.nan)


def lines_of(level_m: Floats, level: float) -> Iterator[tuple[Floats, Floats]]:
    """Columns and rows of each line of a level through (rows, columns) cell centres, from side to side or closed."""
    begin, end = _pieces(level_m, level)
    if not len(begin):
        return
    ends = np.concatenate([begin, end])
    sides, named = np.unique(ends, return_inverse=True)
    column, row = _crossing(level_m, level, sides)
    first, second = named[: len(begin)], named[len(begin) :]
    for chain in _chains(first.tolist(), second.tolist(), len(sides)):
        yield column[chain], row[chain]


def _pieces(level_m: Floats, level: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Sides that each piece of a line joins. Side 2k leads east from cell k (counted row by row), 2k + 1 south."""
    rows, columns = level_m.shape
    north_west, north_east = level_m[:-1, :-1], level_m[:-1, 1:]
    south_west, south_east = level_m[1:, :-1], level_m[1:, 1:]
    middle = (north_west + north_east + south_west + south_east) / 4
    high = [corner >= level for corner in (north_west, north_east, south_east, south_west)]
    case = np.where(np.isnan(middle), 0, sum(corner.astype(np.int64) << bit for bit, corner in enumerate(high)))
    cell = np.arange(rows * columns).reshape(rows, columns)[:-1, :-1]
    sides = np.stack([2 * cell, 2 * (cell + 1) + 1, 2 * (cell + columns), 2 * cell + 1])
    ways = [(case == number, pairs) for number, pairs in SQUARE_SIDES.items()]
    for number, (low, top) in SADDLES.items():
        ways += [((case == number) & (middle < level), low), ((case == number) & (middle >= level), top)]
    begin, end = [], []
    for where, pairs in ways:
        for one, other in pairs:
            begin.append(sides[one][where])
            end.append(sides[other][where])
    return np.concatenate(begin), np.concatenate(end)


def _crossing(level_m: Floats, level: float, sides: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Column and row at which a level crosses sides."""
    columns = level_m.shape[1]
    row, column = np.divmod(sides // 2, columns)
    south = sides % 2
    here, there = level_m[row, column], level_m[row + south, column + 1 - south]
    share = (level - here) / (there - here)
    return column + share * (1 - south), row + share * south


def _chains(first: list[int], second: list[int], count: int) -> Iterator[list[int]]:
    """Pieces joined end to end: those that end at an edge first, then rings, which end where they begin."""
    pieces: list[list[int]] = [[] for _ in range(count)]
    for piece, (one, other) in enumerate(zip(first, second, strict=True)):
        pieces[one].append(piece)
        pieces[other].append(piece)
    used = bytearray(len(first))
    for start in (*(side for side in range(count) if len(pieces[side]) == 1), *range(count)):
        chain = [start]
        while (ahead := next((known for known in pieces[chain[-1]] if not used[known]), None)) is not None:
            used[ahead] = 1
            chain.append(second[ahead] if first[ahead] == chain[-1] else first[ahead])
        if len(chain) > 1:
            yield chain
