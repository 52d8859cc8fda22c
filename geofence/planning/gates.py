"""Where the job's gates stand: a chainage, or a point near the line, becomes an opening of one run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

import numpy as np

from geofence.engine.records import Floats
from geofence.errors import JobError, LayoutError
from geofence.inputs.gate_rules import GateRules
from geofence.inputs.job import Job
from geofence.numeric import COINCIDENT_M
from geofence.planning.placing import on_grid
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids
from geofence.site.profile import GroundLine
from geofence.words import nearest, some_of

__all__ = ["PlacedGate", "errors_name_gates", "place_gates"]

NAMES_SHOWN = 8

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
    """The job's gates, whose rules are in its order, along the line: run by run, in order of chainage.

    Raises
    ------
    JobError
        A gate does not say on which line it is, or names none that is fenced; or its point is far from all of them.
    """
    placed = []
    on_its_grid = cache(lambda run: _RunOnGrid.of(site, runs[run]))
    for row, (gate, own) in enumerate(zip(job.gates, rules, strict=True)):
        line = _runs_of(job, row, site)
        if gate.near:
            place = job.place("gate", row, "near")
            run, start = _gate_near(gate.near, gate.width_m, {at: on_its_grid(at) for at in line}, place, site)
        else:
            start = gate.at_m or 0.0
            run = max(at for at in line if runs[at].from_m <= start + COINCIDENT_M or at == line[0])
            start -= runs[run].from_m
            _refuse_elsewhere(job, row, site, runs, run, start)
        placed.append(PlacedGate(rules=own, run=run, chainage_m=start))
    return tuple(sorted(placed, key=lambda gate: (gate.run, gate.chainage_m)))


@contextmanager
def errors_name_gates(job: Job, line: str) -> Iterator[None]:
    """Errors of the layout name the gate's place in the job, and the line."""
    try:
        yield
    except LayoutError as error:
        if error.place is None:
            rows = [row for row, gate in enumerate(job.gates) if gate.name == error.gate]
            places = [job.place("gate", row, "near" if job.gates[row].near else "at_m") for row in rows]
            error.place = ", ".join([*places, *([f"line {line!r}"] if line else [])]) or None
        raise


def _runs_of(job: Job, row: int, site: SurveyedSite) -> list[int]:
    """Rows of the runs on which one of the job's gates may stand."""
    gate, names = job.gates[row], [line.name for line in site.drawn]
    if gate.line is None and gate.near is None and len(names) > 1:
        raise JobError(
            "does not say on which line it is",
            place=job.place("gate", row, "at_m"),
            remedy=f"Write line, one of {_listed(names)}; or near, a position.",
        )
    if gate.line is not None and gate.line not in names:
        known = nearest(gate.line, tuple(name for name in names if name)) if any(names) else "Take it out."
        raise JobError(
            "is the name of no line", place=job.place("gate", row, "line"), value=repr(gate.line), remedy=known
        )
    runs = [run for run in range(len(site.runs)) if gate.line in (None, site.name_of(run))]
    if not runs:
        raise JobError(
            "is a line that is fenced with others all along",
            place=job.place("gate", row, "line"),
            value=repr(gate.line),
            remedy="Name the line that it is fenced with; findings of the code boundary-shared say which.",
        )
    return runs


def _refuse_elsewhere(
    job: Job, row: int, site: SurveyedSite, runs: Sequence[GroundLine], run: int, start_m: float
) -> None:
    """Refuse a chainage past what is fenced of a line, part of which is fenced with others."""
    fenced_m, line = float(runs[run].chainage_m[-1]), site.meetings.line[run]
    shared_m = site.meetings.shared_m(runs)[line]
    if start_m <= fenced_m + COINCIDENT_M or not shared_m:
        return
    told = repr(site.name_of(run)) if site.name_of(run) else site.line_of(run).told
    owners = _listed(site.meetings.fenced_with(line)) or "it already"
    raise JobError(
        f"is past what is fenced of {told}; {shared_m:.2f} m more of it are fenced with {owners}",
        place=job.place("gate", row, "at_m"),
        value=job.gates[row].at_m,
        limit=round(fenced_m + runs[run].from_m, 3),
        unit="m",
        remedy="Chainages count what is fenced with a line. Name the line that the gate's stretch is fenced with "
        "(findings of the codes boundary-shared and line-over-itself say where), or give near, a position.",
    )


def _listed(names: Sequence[str]) -> str:
    return some_of([repr(name) for name in names], NAMES_SHOWN)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _RunOnGrid:
    """A run with the eastings and northings of its stations, in grid units of ``unit_m``."""

    run: GroundLine
    easting: Floats
    northing: Floats
    unit_m: float

    @classmethod
    def of(cls, site: SurveyedSite, run: GroundLine) -> _RunOnGrid:
        easting, northing = on_grid(site, run, run.chainage_m)
        return cls(run=run, easting=easting, northing=northing, unit_m=grids.unit_m(site.grid))

    def foot(self, point: tuple[float, float]) -> tuple[float, float]:
        """How far a point is from the run, in metres on the grid, and the chainage within the run of its foot."""
        ax, ay = self.easting[:-1] - point[0], self.northing[:-1] - point[1]
        dx, dy = np.diff(self.easting), np.diff(self.northing)
        share = np.clip(-(ax * dx + ay * dy) / np.maximum(dx**2 + dy**2, 1e-18), 0, 1)
        apart = np.hypot(ax + share * dx, ay + share * dy) * self.unit_m
        at, chainage_m = int(np.argmin(apart)), self.run.chainage_m
        return float(apart[at]), float(chainage_m[at] + share[at] * (chainage_m[at + 1] - chainage_m[at]))

    def start_m(self, middle_m: float, width_m: float) -> float:
        """Where a gate starts, by its middle; on a ring's last leg where that is over its first post."""
        start = middle_m - width_m / 2
        return start + float(self.run.chainage_m[-1]) if self.run.line.closed and start < -COINCIDENT_M else start


def _gate_near(
    point: tuple[float, float], width_m: float, runs: Mapping[int, _RunOnGrid], place: str, site: SurveyedSite
) -> tuple[int, float]:
    """The run and the chainage of a gate's first post, for a point near its middle."""
    apart_m, row, middle_m = _nearest(point, runs)
    if apart_m > GATE_NEAR_MAX_M:
        raise JobError(
            "the gate's point lies off the line",
            place=place,
            value=round(apart_m, 2),
            limit=GATE_NEAR_MAX_M,
            unit="m",
            remedy=_elsewhere(point, runs, site),
        )
    return row, runs[row].start_m(middle_m, width_m)


def _nearest(point: tuple[float, float], runs: Mapping[int, _RunOnGrid]) -> tuple[float, int, float]:
    """How far a point is from the nearest run, which that is, and the chainage within it of its foot."""
    return min((apart, row, at) for row, run in runs.items() for apart, at in [run.foot(point)])


def _elsewhere(point: tuple[float, float], runs: Mapping[int, _RunOnGrid], site: SurveyedSite) -> str:
    """What may be wrong with a point that is far from the line: its axes, or its grid; else where the line is."""
    if _nearest(point[::-1], runs)[0] <= GATE_NEAR_MAX_M:
        return "Easting and northing look swapped: the other way round it lies on the line."
    for other in site.likely_grids:
        carried = grids.cross(other, site.grid, site.span).carry(np.array(point[:1]), np.array(point[1:]))
        there = carried[0].item(), carried[1].item()
        if np.isfinite(there).all() and _nearest(there, runs)[0] <= GATE_NEAR_MAX_M:
            return (
                f"It looks as if it were in {other.name}; the working grid is {site.grid.name}. Give it in that one "
                f"({there[0]:.3f}, {there[1]:.3f}), or name the other as job.grid."
            )
    easting, northing = (
        np.concatenate([getattr(run, axis) for run in runs.values()]) for axis in ("easting", "northing")
    )
    return (
        f"Give its easting and northing in the working grid, {site.grid.name}, where the line is: easting "
        f"{easting.min():.2f} to {easting.max():.2f}, northing {northing.min():.2f} to {northing.max():.2f}."
    )
