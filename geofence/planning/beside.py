"""What a job has beside and on its line, as read and before anything is planned: zones, points that stand, gates."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from geofence.engine.layout import openings_on
from geofence.engine.records import Finding, Floats
from geofence.inputs.job import Job, Resolved, resolve
from geofence.inputs.points import read_marks
from geofence.planning.existing import stand
from geofence.planning.gate_swing import Swings
from geofence.planning.gates import PlacedGate, errors_name_gates
from geofence.planning.grounds import options_of
from geofence.planning.placing import on_grid
from geofence.planning.reference_marks import reference_marks
from geofence.planning.surveyed import SurveyedSite, control_file, existing_file
from geofence.planning.zoning import PlacedZone, place_zones
from geofence.site import grids
from geofence.site.profile import GroundLine
from geofence.systems import catalogue

__all__ = ["Beside", "SeenGate", "SeenPoints", "SeenZone", "look_beside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenZone:
    """A zone, and how near the line comes to it.

    Attributes
    ----------
    name, rule, file, grid
        What it is called, its rule, the file it is drawn in (empty for one that the job draws), its grid's name.
    features
        How many shapes it has.
    nearest_m
        From the line to the nearest of them, on the ground; 0 where they meet, infinite where it is nowhere near.
    reach_m
        How near a shape counts.
    within
        Where the line is within reach: its name, and from and to which chainage.
    """

    name: str
    rule: str
    file: str
    grid: str
    features: int
    nearest_m: float
    reach_m: float
    within: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPoints:
    """A file of points that stand for things beside the line.

    Attributes
    ----------
    what, file, grid
        What they are, where they are, and the name of their grid.
    points
        How many are taken.
    nearest_m
        From the line to the nearest, in the working grid, metres.
    reach_m, within
        How near one counts, and how many are as near.
    """

    what: str
    file: str
    grid: str
    points: int
    nearest_m: float
    reach_m: float
    within: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenGate:
    """A gate on its line: chainages of its two posts, and the distance between them."""

    name: str
    line: str
    from_m: float
    to_m: float
    width_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What is beside and on a job's line; ``gates`` are in order of line and chainage."""

    zones: tuple[SeenZone, ...]
    points: tuple[SeenPoints, ...]
    gates: tuple[SeenGate, ...]
    findings: tuple[Finding, ...]


def look_beside(job: Job, site: SurveyedSite) -> Beside:
    """Read what a job names beside its line and ground, and set it on the line.

    Where the ground has no level, its neighbours' serves: heights change distances by parts in a million.

    Raises
    ------
    JobError, InputError, GridError, LayoutError
        A file cannot be used, or a gate cannot stand where it is.
    """
    rules = resolve(job, catalogue.load(job.fence.system, base=job.base, place=job.place("fence", "system")))
    runs = _levelled(site.runs)
    zoning = place_zones(job, site, runs, rules.facts)
    standing = stand(job, site, runs, rules)
    _, marked = reference_marks(job, site)
    return Beside(
        zones=tuple(_zone(zone, site) for zone in zoning.zones),
        points=tuple(_points(job, site)),
        gates=tuple(_gates(job, site, runs, rules, standing.gates)),
        findings=(*zoning.findings, *standing.findings, *marked),
    )


def _levelled(runs: Sequence[GroundLine]) -> list[GroundLine]:
    """The runs with a level everywhere: that of the nearest station where there is none, or of the other runs."""
    mean = float(np.nanmean(np.concatenate([run.level_m for run in runs])))
    found = []
    for run in runs:
        known = np.isfinite(run.level_m)
        level = (
            np.interp(run.distance_m, run.distance_m[known], run.level_m[known])
            if known.any()
            else np.full(len(known), mean)
        )
        found.append(replace(run, level_m=level))
    return found


def _zone(placed: PlacedZone, site: SurveyedSite) -> SeenZone:
    return SeenZone(
        name=placed.title,
        rule=placed.zone.rule,
        file=placed.zone.file or "",
        grid=placed.drawing.crs.name,
        features=len(placed.drawing.shapes),
        nearest_m=min((each.closest_m for each in placed.crossings), default=placed.nearest_m),
        reach_m=placed.reach_m,
        within=tuple((site.name_of(each.run), each.from_m, each.to_m) for each in placed.crossings),
    )


def _points(job: Job, site: SurveyedSite) -> Iterator[SeenPoints]:
    """The files of posts that exist and of control points, which are there."""
    files = (
        ("existing posts", existing_file(job), job.existing, "existing", job.existing.aside_max_m),
        ("control points", control_file(job), job.control, "control", job.control.reach_m),
    )
    for what, file, keys, table, reach_m in files:
        if file is not None:
            marks = read_marks(file, options_of(keys, table))
            places = grids.cross(marks.crs, site.grid, site.span).carry(marks.x, marks.y)
            away = _away_m(site, *places)
            yield SeenPoints(
                what=what,
                file=file.name,
                grid=marks.crs.name,
                points=len(marks.x),
                nearest_m=float(away.min()),
                reach_m=reach_m,
                within=int(np.count_nonzero(away <= reach_m)),
            )


def _away_m(site: SurveyedSite, easting: Floats, northing: Floats) -> Floats:
    """How far places of the working grid are from the line; infinite where they have no place in it."""
    line = shapely.MultiLineString(
        [shapely.LineString(np.column_stack(on_grid(site, run, run.chainage_m))) for run in site.runs]
    )
    shapely.prepare(line)
    away = np.full(len(easting), math.inf)
    known = np.isfinite(easting) & np.isfinite(northing)
    away[known] = shapely.distance(shapely.points(easting[known], northing[known]), line) * grids.unit_m(site.grid)
    return away


def _gates(
    job: Job, site: SurveyedSite, runs: Sequence[GroundLine], rules: Resolved, placed: Sequence[PlacedGate]
) -> Iterator[SeenGate]:
    swings = Swings.over(placed, site, runs, geoid_separation_m=job.job.geoid_separation_m)
    for row, run in enumerate(runs):
        with errors_name_gates(job, site.name_of(row)):
            openings = openings_on(run.path, swings.for_engine(row), rules.layouts[site.line_of(row).table])
        for opening in openings:
            yield SeenGate(
                name=opening.gate.name,
                line=site.name_of(row),
                from_m=opening.start_m + run.from_m,
                to_m=opening.end_m + run.from_m,
                width_m=opening.width_m,
            )
