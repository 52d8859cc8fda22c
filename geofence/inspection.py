"""What is in a job's inputs, told before anything is planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geofence.engine.records import Finding
from geofence.engine.slope import steepest_deg
from geofence.inputs.job import Job
from geofence.plan import Grid, Legs
from geofence.planning import fieldwork, placing
from geofence.planning.beside import Beside, look_beside
from geofence.planning.fieldwork import FieldSurvey
from geofence.planning.surveyed import Progress, SurveyedSite, survey
from geofence.site.profile import GroundLine, Stretch, stretches_without_level

__all__ = ["Inspection", "inspect"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenLine:
    """A line, and what is fenced of it.

    ``file`` is where it is drawn; ``length_m`` what is fenced of it, on the ground, in so many ``runs`` of so many
    ``legs``; ``shared_m`` what of it is fenced with lines before it.
    """

    name: str
    file: str
    length_m: float
    shared_m: float
    runs: int
    legs: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """The inputs at a glance.

    Attributes
    ----------
    name
        The job's.
    grid, legs
        The working grid, and the legs to be fenced.
    line_file, line_grid, vertices, drawn_legs, closed
        The boundary as drawn: its grid's name, vertices and legs after cleaning, and whether all its lines are rings.
        Of several files all names.
    lines
        Each line with what is fenced of it.
    leg_lines
        (q,) name of the line that each leg is of.
    junctions
        At how many places lines meet.
    closure_m
        For one open line: from its end straight back to its start, on the ellipsoid; 0 for rings; NaN for several.
    ground_files, ground_grid
        The ground.
    without_level
        Stretches where the ground gives no level.
    covered
        Share of the line's length with levels, 0 to 1.
    level_min_m, level_max_m, steepest_deg
        Levels along the line and the steepest slope between stations; NaN where there are none.
    station_count
        How many places were sampled.
    field
        The survey of points, and how its files were read; None where the ground is none.
    beside
        Zones, existing posts, control points and gates.
    findings
        What is to be known so far.
    """

    name: str
    grid: Grid
    legs: Legs
    lines: tuple[SeenLine, ...]
    leg_lines: tuple[str, ...]
    junctions: int
    line_file: str
    line_grid: str
    vertices: int
    drawn_legs: int
    closed: bool
    closure_m: float
    ground_files: tuple[str, ...]
    ground_grid: str
    without_level: tuple[Stretch, ...]
    covered: float
    level_min_m: float
    level_max_m: float
    steepest_deg: float
    station_count: int
    field: FieldSurvey | None
    beside: Beside
    findings: tuple[Finding, ...]

    @property
    def length_m(self) -> float:
        """Length to be fenced, on the ground."""
        return float(self.legs.ground_distance_m.sum())


def inspect(job: Job, *, progress: Progress = lambda _stage: None) -> Inspection:
    """Look at a job's inputs, all that it names.

    Raises
    ------
    JobError, InputError, GridError, LayoutError
        What the job names cannot be used.
    """
    site = survey(job, progress=progress)
    progress("Reading what is beside the line")
    beside = look_beside(job, site)
    legs = placing.legs(site, site.runs)
    gaps = [
        replace(gap, line=site.name_of(row))
        for row, run in enumerate(site.runs)
        for gap in stretches_without_level(run)
    ]
    lowest, highest, steepest = _extremes(site.runs)
    return Inspection(
        name=job.name,
        grid=placing.grid_facts(site, legs, level_datum=job.job.level_datum),
        legs=legs,
        lines=_lines(site),
        leg_lines=tuple(site.name_of(row) for row, run in enumerate(site.runs) for _ in range(len(run.line))),
        junctions=len(site.meetings.network.junctions),
        line_file=", ".join(dict.fromkeys(boundary.file.name for boundary in site.boundaries)),
        line_grid=", ".join(dict.fromkeys(boundary.crs.name for boundary in site.boundaries)),
        vertices=sum(len(line.lon_deg) for line in site.lines),
        drawn_legs=sum(len(line) for line in site.lines),
        closed=all(line.closed for line in site.lines),
        closure_m=_closure(site),
        ground_files=tuple(file.name for file in site.ground.files),
        ground_grid=site.ground.crs.name,
        without_level=tuple(gaps),
        covered=1 - sum(gap.to_m - gap.from_m for gap in gaps) / site.length_m,
        level_min_m=lowest,
        level_max_m=highest,
        steepest_deg=steepest,
        station_count=sum(len(run.level_m) for run in site.runs),
        field=fieldwork.field_survey(job, site),
        beside=beside,
        findings=(*site.findings, *fieldwork.agreement(job, site), *beside.findings),
    )


def _lines(site: SurveyedSite) -> tuple[SeenLine, ...]:
    shared = site.meetings.shared_m(site.runs)
    found = []
    for row, line in enumerate(site.drawn):
        runs = [run for at, run in enumerate(site.runs) if site.meetings.line[at] == row]
        found.append(
            SeenLine(
                name=line.name,
                file=site.boundaries[line.table].file.name,
                length_m=float(sum(run.chainage_m[-1] for run in runs)),
                shared_m=shared[row],
                runs=len(runs),
                legs=sum(len(run.line) for run in runs),
            )
        )
    return tuple(found)


def _closure(site: SurveyedSite) -> float:
    if len(site.lines) > 1:
        return float("nan")
    line = site.lines[0]
    _, _, apart = line.geod.inv(line.lon_deg[-1], line.lat_deg[-1], line.lon_deg[0], line.lat_deg[0])
    return float(apart)


def _extremes(runs: Sequence[GroundLine]) -> tuple[float, float, float]:
    """Lowest and highest level, and the steepest slope in degrees."""
    level = np.concatenate([run.level_m for run in runs])
    steepest = steepest_deg(np.concatenate([run.chainage_m + run.from_m for run in runs]), level)
    return float(np.nanmin(level)), float(np.nanmax(level)), steepest


def _field_values(field: FieldSurvey) -> dict[str, Any]:
    return {
        "points": field.points,
        "coincident": field.coincident,
        "coincident_at_odds": field.coincident_at_odds,
        "box": [round(value, 6) for value in field.box],
        "level_min_m": round(field.level_min_m, 6),
        "level_max_m": round(field.level_max_m, 6),
        "spacing_m": round(field.spacing_m, 6),
        "distance_mean_m": _plain(field.distance_mean_m),
        "distance_max_m": _plain(field.distance_max_m),
        "distance_limit_m": field.limit_m,
        "unsupported_m": None if field.unsupported is None else list(field.unsupported),
        "unsupported_line": field.unsupported_line,
        "files": [
            {
                "file": reading.file.name,
                "kind": reading.kind,
                **{what.replace(" ", "_"): found for what, found in reading.how},
                "points": reading.points,
                "without_level": reading.without_level,
                "left_out": reading.left_out,
                "first_rows": [list(row) for row in reading.first_rows],
            }
            for reading in field.readings
        ],
    }


def _plain(value: float) -> float | None:
    return round(value, 6) if np.isfinite(value) else None


def _leg_values(seen: Inspection) -> list[dict[str, Any]]:
    legs = seen.legs
    return [
        {
            "line": seen.leg_lines[row],
            "leg": legs.number[row],
            "from_m": _plain(legs.start_m[row]),
            "to_m": _plain(legs.end_m[row]),
            "bearing_deg": _plain(legs.bearing_deg[row]),
            "grid_distance": _plain(legs.grid_distance[row]),
            "ground_distance_m": _plain(legs.ground_distance_m[row]),
            "deflection_deg": _plain(legs.deflection_deg[row]),
        }
        for row in range(len(legs.number))
    ]


def _beside_values(beside: Beside) -> dict[str, Any]:
    return {
        "zones": [
            {
                **{key: getattr(zone, key) for key in ("name", "rule", "file", "grid", "features")},
                "nearest_m": _plain(zone.nearest_m),
                "reach_m": _plain(zone.reach_m),
                "within": [
                    {"line": line, "from_m": _plain(start), "to_m": _plain(end)} for line, start, end in zone.within
                ],
            }
            for zone in beside.zones
        ],
        "points": [
            {
                **{key: getattr(points, key) for key in ("what", "file", "grid", "points", "within")},
                "nearest_m": _plain(points.nearest_m),
                "reach_m": _plain(points.reach_m),
            }
            for points in beside.points
        ],
        "gates": [
            {
                "name": gate.name,
                "line": gate.line,
                **{key: _plain(getattr(gate, key)) for key in ("from_m", "to_m", "width_m")},
            }
            for gate in beside.gates
        ],
    }


def _line_values(line: SeenLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "file": line.file,
        "length_m": _plain(line.length_m),
        "shared_m": _plain(line.shared_m),
        "runs": line.runs,
        "legs": line.legs,
    }


def as_values(seen: Inspection) -> dict[str, Any]:
    """The inspection as plain values for JSON; None for what is not known."""
    return {
        "job": seen.name,
        "line": {
            "file": seen.line_file,
            "grid": seen.line_grid,
            "vertices": seen.vertices,
            "legs": seen.drawn_legs,
            "closed": seen.closed,
            "closure_m": _plain(seen.closure_m),
        },
        "lines": [_line_values(line) for line in seen.lines],
        "junctions": seen.junctions,
        "grid": _grid_values(seen.grid),
        "length_m": _plain(seen.length_m),
        "legs": _leg_values(seen),
        "ground": _ground_values(seen),
        "survey": None if seen.field is None else _field_values(seen.field),
        **_beside_values(seen.beside),
        "findings": [
            {name: getattr(item, name) for name in ("code", "severity", "line", "message", "remedy")}
            for item in seen.findings
        ],
    }


def _grid_values(grid: Grid) -> dict[str, Any]:
    names = ("name", "code", "unit", "unit_m", "level_datum")
    return {name: getattr(grid, name) for name in names} | {"combined_factor": _plain(grid.combined_factor)}


def _ground_values(seen: Inspection) -> dict[str, Any]:
    return {
        "files": list(seen.ground_files),
        "grid": seen.ground_grid,
        "covered": _plain(seen.covered),
        "without_level": [
            {"line": gap.line, "from_m": gap.from_m, "to_m": gap.to_m, "why": gap.reason} for gap in seen.without_level
        ],
        "level_min_m": _plain(seen.level_min_m),
        "level_max_m": _plain(seen.level_max_m),
        "steepest_deg": _plain(seen.steepest_deg),
        "stations": seen.station_count,
    }
