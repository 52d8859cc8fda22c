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
    # Each stretch begins one beyond the end of the one before, so that places along all of them always grow.
    jump = np.zeros(len(chainage_m))
    jump[starts[1:]] = chainage_m[starts[1:] - 1] + 1.0 - chainage_m[starts[1:]]
    along = chainage_m + np.cumsum(jump)
    rows = np.unique(np.concatenate([starts, starts[1:] - 1, np.arange(0, len(along), BLOCK), [len(along) - 1]]))
    open_rows = np.arange(len(along))
    while len(open_rows):
        off_m = np.abs(level_m[open_rows] - np.interp(along[open_rows], along[rows], level_m[rows]))
        first = _begins(np.searchsorted(rows, open_rows))  # of each gap: open rows are in order
        worst_m = np.repeat(np.maximum.reduceat(off_m, first), np.diff(np.append(first, len(open_rows))))
        far = np.flatnonzero((off_m == worst_m) & (worst_m > tolerance_m))
        one_each = far[_begins(np.searchsorted(first, far, side="right"))]
        rows = np.sort(np.concatenate([rows, open_rows[one_each]]))
        open_rows = open_rows[worst_m > tolerance_m]
    return rows


def _begins(groups: NDArray[np.int64]) -> NDArray[np.int64]:
    """Where each group of equal neighbours begins."""
    return np.flatnonzero(np.concatenate([[True], groups[1:] != groups[:-1]])[: len(groups)])
