"""How far a ground lies from levels that are known better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats, read_only
from geofence.site.ground import Ground

__all__ = ["Differences", "held_against"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Differences:
    """Differences at the places where the ground has a level.

    Attributes
    ----------
    row
        (n,) int64, which of the places asked for each is, from 0.
    x, y
        (n,) where, in the ground's grid.
    difference_m
        (n,) ground minus known level: positive where the ground lies too high.
    without_level
        At how many places the ground has no level.
    """

    row: NDArray[np.int64]
    x: Floats
    y: Floats
    difference_m: Floats
    without_level: int

    def __len__(self) -> int:
        return len(self.row)

    @property
    def mean_m(self) -> float:
        """The mean, with its sign: what the ground is off by as a whole."""
        return float(np.mean(self.difference_m))

    @property
    def rmse_m(self) -> float:
        """The root of the mean square."""
        return float(np.sqrt(np.mean(self.difference_m**2)))

    @property
    def p95_m(self) -> float:
        """The 95th percentile of the differences without their signs, linear between ranks."""
        return float(np.percentile(np.abs(self.difference_m), 95))

    @property
    def worst(self) -> int:
        """Which of the n differs most."""
        return int(np.argmax(np.abs(self.difference_m)))


def held_against(ground: Ground, x: Floats, y: Floats, level_m: Floats) -> Differences:
    """A ground held against known levels at places x, y (n,) in its own grid."""
    found = ground.levels(x, y).level_m - level_m
    row = np.flatnonzero(np.isfinite(found))
    return Differences(
        row=row,
        x=read_only(np.asarray(x)[row]),
        y=read_only(np.asarray(y)[row]),
        difference_m=read_only(found[row]),
        without_level=len(found) - len(row),
    )
