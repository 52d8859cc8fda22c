"""Where the job's gates stand: a chainage, or a point near the line, becomes an opening of one run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.errors import JobError
from geofence.inputs.gate_rules import GateRules
from geofence.inputs.job import Job
from geofence.placing import on_grid
from geofence.site import grids
from geofence.site.profile import GroundLine
from geofence.surveyed import SurveyedSite

__all__ = ["PlacedGate", "place_gates"]

GATE_NEAR_MAX_M = 10.0
"""A gate's point may lie this far from the line: a mark beside the boundary, not a gate elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedGate:
    """A gate on the line: the row of its run, and the chainage of its first post within that run."""

    rules: GateRules
    run: int
    chainage_m: float


def place_gates(
    job: Job, rules: Sequence[GateRules], site: SurveyedSite, runs: Sequence[GroundLine]
) -> tuple[PlacedGate, ...]:
    """The job's gates, whose rules are in its order, along the line: run by run, in order of chainage."""
    placed = []
    for row, (gate, own) in enumerate(zip(job.gates, rules, strict=True)):
        place = job.place("gate", row, "near")
        run, start = _gate_near(gate.near, gate.width_m, site, runs, place) if gate.near else (-1, gate.at_m or 0.0)
        if run < 0:
            run = max(at for at, each in enumerate(runs) if each.from_m <= start or at == 0)
            start -= runs[run].from_m
        placed.append(PlacedGate(rules=own, run=run, chainage_m=start))
    return tuple(sorted(placed, key=lambda gate: (gate.run, gate.chainage_m)))


def _gate_near(
    point: tuple[float, float], width_m: float, site: SurveyedSite, runs: Sequence[GroundLine], place: str
) -> tuple[int, float]:
    """The run and the chainage of a gate's first post, for a point near its middle."""
    unit = grids.unit_m(site.grid)
    best = (np.inf, 0, 0.0)
    for row, run in enumerate(runs):
        x, y = on_grid(site, run, run.chainage_m)
        ax, ay, dx, dy = x[:-1], y[:-1], np.diff(x), np.diff(y)
        share = np.clip(((point[0] - ax) * dx + (point[1] - ay) * dy) / np.maximum(dx**2 + dy**2, 1e-18), 0, 1)
        apart = np.hypot(ax + share * dx - point[0], ay + share * dy - point[1]) * unit
        at = int(np.argmin(apart))
        middle = float(run.chainage_m[at] + share[at] * (run.chainage_m[at + 1] - run.chainage_m[at]))
        best = min(best, (float(apart[at]), row, middle - width_m / 2))
    if best[0] > GATE_NEAR_MAX_M:
        raise JobError(
            "the gate's point lies off the line",
            place=place,
            value=round(best[0], 2),
            limit=GATE_NEAR_MAX_M,
            unit="m",
            remedy="Give its easting and northing in the working grid.",
        )
    return best[1], best[2]
