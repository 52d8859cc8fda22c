"""The ground along the line with no more points than its picture needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats

__all__ = ["kept", "stretch_starts"]

BLOCK = 64
"""Every so many rows one stays anyway: it bounds how often the whole profile is gone through."""


def stretch_starts(chainage_m: Floats) -> NDArray[np.int64]:
    """Rows at which an unbroken stretch of a profile begins: there chainage does not grow from the row before.

    >>> stretch_starts(np.array([0.0, 2.0, 4.0, 4.0, 5.0]))
    array([0, 3])
    """
    return np.flatnonzero(np.concatenate([[True], np.diff(chainage_m) <= 0]))


def kept(chainage_m: Floats, level_m: Floats, *, tolerance_m: float) -> NDArray[np.int64]:
    """Rows of a profile between which straight lines pass every row's level within a tolerance.

    The farthest row of each gap is kept until none is too far (Douglas and Peucker, 1973), all gaps at once. Both ends
    of each stretch always stay, and every :data:`BLOCK`-th row.

    >>> kept(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([0.0, 0.0, 0.0, 1.0, 2.0]), tolerance_m=0.01)
    array([0, 2, 4])
    """
    starts = stretch_starts(chainage_m)
    # Longer by one at each start, so that places along the line always grow.
    along = chainage_m + np.cumsum(np.isin(np.arange(len(chainage_m)), starts[1:]))
    rows = np.unique(np.concatenate([starts, starts[1:] - 1, np.arange(0, len(along), BLOCK), [len(along) - 1]]))
    open_rows = np.arange(len(along))
    while len(open_rows):
        off_m = np.abs(level_m[open_rows] - np.interp(along[open_rows], along[rows], level_m[rows]))
        gap, first, count = np.unique(np.searchsorted(rows, open_rows), return_index=True, return_counts=True)
        worst_m = np.repeat(np.maximum.reduceat(off_m, first), count)
        gap = np.repeat(gap, count)
        far = np.flatnonzero((off_m == worst_m) & (worst_m > tolerance_m))
        rows = np.union1d(rows, open_rows[far[np.unique(gap[far], return_index=True)[1]]])
        open_rows = open_rows[worst_m > tolerance_m]
    return rows
