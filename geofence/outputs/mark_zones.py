"""Keep-clears, in which no peg is driven: which marks would stand in one, and how far from what is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.on_grid import from_degrees
from geofence.outputs.zone_reach import drawn_shape
from geofence.plan import FencePlan

__all__ = ["PEG_M", "NoPeg", "PegFree", "no_pegs", "peg_free"]

PEG_M = 0.05
"""Beyond a keep-clear's buffer, to a mark: half a peg, and as much as one strays as it is driven; common practice, no
source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoPeg:
    """That a mark would stand in a keep-clear: its name, how far it is from what is drawn, and should be."""

    zone: str
    away_m: float
    wanted_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PegFree:
    """A keep-clear as one shape on the plan's grid; every mark should stand ``wanted_m`` from it, on the ground."""

    name: str
    buffer_m: float
    shape: Any

    @property
    def wanted_m(self) -> float:
        return self.buffer_m + PEG_M

    def away_m(self, marks: Floats, scale: Floats) -> Floats:
        """(n,) from marks, (n, 2) on the grid, to what is drawn; ``scale`` is grid units to a metre on the ground."""
        return np.asarray(shapely.distance(shapely.points(marks), self.shape) / scale)


def peg_free(plan: FencePlan) -> tuple[PegFree, ...]:
    """The plan's keep-clears."""
    zones = [zone for zone in plan.zones if zone.rule == "keep-clear" and zone.outlines]
    if not zones:
        return ()
    carry = from_degrees(plan)
    found = tuple(
        PegFree(name=zone.name, buffer_m=zone.buffer_m, shape=drawn_shape(zone.outlines, carry)) for zone in zones
    )
    shapely.prepare([zone.shape for zone in found])
    return found


def no_pegs(zones: Sequence[PegFree], marks: Floats, scale: Floats) -> list[NoPeg | None]:
    """Of each mark in which keep-clear it would stand; of several the one deepest in whose reach it is."""
    found: list[NoPeg | None] = [None] * len(marks)
    deepest = np.ones(len(marks))
    for zone in zones:
        away = zone.away_m(marks, scale)
        share = away / zone.wanted_m
        for row in np.flatnonzero(share < deepest).tolist():
            found[row] = NoPeg(zone=zone.name, away_m=float(away[row]), wanted_m=zone.wanted_m)
            deepest[row] = share[row]
    return found
