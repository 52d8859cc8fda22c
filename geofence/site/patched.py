"""A survey over another ground: within the survey its levels count, beyond it the other's."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.site.differences import Differences, held_against
from geofence.site.grids import Crossing, cross
from geofence.site.ground import Ground, Levels, Relief, State
from geofence.site.seam import outline
from geofence.site.tin import TinGround

__all__ = ["PatchedGround"]

INWARD_M = 0.02
"""How far within the seam the patch must give a level, for the seam to be there: the width of a stake."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchedGround:
    """Two grounds, of which the patch counts wherever it gives a level.

    At the seam the ground steps by what the two disagree: :meth:`seam` says by how much.

    Attributes
    ----------
    patch
        A survey.
    base
        What counts beyond it; places are given in its grid.
    to_patch
        From the grid of the base to that of the patch.
    max_edge_m
        The longest edge with which the patch was triangulated; None for no limit.
    """

    patch: TinGround
    base: Ground
    to_patch: Crossing
    max_edge_m: float | None = None

    @classmethod
    def of(cls, patch: TinGround, base: Ground, *, max_edge_m: float | None = None) -> PatchedGround:
        """Of a survey and what lies below; raises GridError where no way leads from one's grid to the other's."""
        return cls(patch=patch, base=base, to_patch=cross(base.crs, patch.crs), max_edge_m=max_edge_m)

    @property
    def crs(self) -> CRS:
        """The grid of the base."""
        return self.base.crs

    @property
    def files(self) -> tuple[Path, ...]:
        """Those of both."""
        return (*self.base.files, *self.patch.files)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is to be known of both, and of the way between their grids."""
        shifts = self.to_patch.findings("ground", self.base.crs.name, self.patch.crs.name)
        return (*self.base.findings, *self.patch.findings, *shifts)

    def levels(self, x: Floats, y: Floats) -> Levels:
        """The patch's level where it gives one, else the base's."""
        over, under = self.patch.levels(*self.to_patch.carry(x, y)), self.base.levels(x, y)
        inside = over.state == State.LEVEL
        level = np.where(inside, over.level_m, under.level_m)
        state = np.where(inside, over.state, under.state).astype(np.uint8)
        level.flags.writeable = state.flags.writeable = False
        return Levels(level_m=level, state=state)

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Where either bends; in each other's parts that does no harm."""
        parts = (self.base.bends(x, y), self.patch.bends(*self.to_patch.carry(x, y)))
        index = np.concatenate([part for part, _ in parts])
        fraction = np.concatenate([part for _, part in parts])
        order = np.lexsort((fraction, index))
        return index[order], fraction[order]

    def support_m(self, x: Floats, y: Floats) -> Floats:
        """Distance to the nearest surveyed point where the patch counts; elsewhere that of the base."""
        in_patch = self.to_patch.carry(x, y)
        inside = self.patch.levels(*in_patch).state == State.LEVEL
        return np.where(inside, self.patch.support_m(*in_patch), self.base.support_m(x, y))

    def relief(
        self, west_deg: float, south_deg: float, east_deg: float, north_deg: float, *, cells: int
    ) -> Relief | None:
        """A picture of the base, or of the patch where the base has none."""
        box = (west_deg, south_deg, east_deg, north_deg)
        return self.base.relief(*box, cells=cells) or self.patch.relief(*box, cells=cells)

    def seam(self) -> Differences:
        """The base held against the survey along the survey's outline, at places at most 1 m apart."""
        edge = outline(self.patch.survey, max_edge_m=self.max_edge_m)
        given = self.patch.levels(*edge.inward(INWARD_M)).state == State.LEVEL
        x, y = self.to_patch.back(edge.x[given], edge.y[given])
        return held_against(self.base, x, y, edge.level_m[given])
