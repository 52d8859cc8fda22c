"""How many decimals each quantity is written with, and figures as text."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from geofence.engine.records import Floats
from geofence.numeric import snap_ceil
from geofence.plan import Grid

__all__ = ["DEGREES", "POSITION", "coordinate_decimals", "decimals_of", "figures", "fixed", "position_decimals"]

POSITION = 9
"""Decimals of a WGS 84 position: 1e-9 degree is 0.1 mm on the ground."""

DEGREES = 6
"""Decimals of a bearing or a turn: 1e-6 degree is 2 mm over 100 km."""

_LENGTHS = 4
"""Decimals of lengths, levels, chainages and areas: a tenth of a millimetre, ten times finer than a tape."""

_RESOLUTION_M = 1e-4
"""Grid coordinates resolve this on the ground, whatever the grid's unit, so that widths between written posts are
true to 0.5 mm."""


def coordinate_decimals(grid: Grid) -> int:
    """Decimals that eastings and northings of a grid need to resolve 0.1 mm: 4 in metres and in feet."""
    return position_decimals(grid.unit_m)


def position_decimals(unit_m: float) -> int:
    """Decimals that coordinates in a unit need to resolve 0.1 mm."""
    return max(0, snap_ceil(math.log10(unit_m / _RESOLUTION_M)))


def decimals_of(column: str, grid: Grid) -> int:
    """Decimals of a column, told from the unit at the end of its name."""
    if column.endswith(("easting", "northing")):
        return coordinate_decimals(grid)
    return DEGREES if column.endswith("_deg") else _LENGTHS


def fixed(values: Floats, decimals: int, *, missing: str) -> Iterable[str]:
    """Figures with that many decimals each; ``missing`` for what is not a finite number. Never a negative zero.

    >>> list(fixed(np.array([-1.25, -0.00001, np.nan]), 3, missing=""))
    ['-1.250', '0.000', '']
    """
    rounded = _rounded(values, decimals)
    return _marked(map(f"%.{decimals}f".__mod__, rounded.tolist()), rounded, missing)


def figures(values: Floats, decimals: int | None = None, *, missing: str) -> Iterable[str]:
    """The shortest figures that read back as the same numbers, first rounded to ``decimals`` where these are given.

    >>> list(figures(np.array([2.7, 101.23456, -0.0, np.inf]), 4, missing="null"))
    ['2.7', '101.2346', '0.0', 'null']
    """
    rounded = np.asarray(values, dtype=np.float64) + 0.0 if decimals is None else _rounded(values, decimals)
    return _marked(map(repr, rounded.tolist()), rounded, missing)


def _rounded(values: Floats, decimals: int) -> Floats:
    return np.asarray(np.round(np.asarray(values, dtype=np.float64), decimals) + 0.0)  # + 0.0: no negative zero


def _marked(texts: Iterable[str], values: Floats, missing: str) -> Iterable[str]:
    finite = np.isfinite(values)
    if finite.all():  # left unmade until written: a long profile's texts would take more room than its numbers
        return texts
    return [text if there else missing for text, there in zip(texts, finite.tolist(), strict=True)]
