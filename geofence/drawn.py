"""The boundary as lines to be fenced: on the job's datum, cleaned, numbered, and the legs that the job chooses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.job import Job
from geofence.inputs.job_file import LegEnds
from geofence.inputs.vectors import Boundary
from geofence.site import grids
from geofence.site.line import Line, joined, legs_between, merge_near, pick_legs, straightness

__all__ = ["box", "chosen", "draw"]

STRAIGHT_NOTE_M = 0.010
STRAIGHT_WARN_M = 0.100
"""A leg straight on the ground but not in the file's grid: from a centimetre a note, from a decimetre a warning."""

LINE_MAX_M = 1_000_000.0
"""No fence is longer than the longest in the world (5,600 km) by one job; beyond 1000 km the grid is mistaken."""


def draw(boundary: Boundary, grid: CRS) -> tuple[list[Line], list[Finding]]:
    """The boundary's lines on the grid's datum, cleaned and numbered, with what was found on the way."""
    corners = np.concatenate(boundary.parts)
    degrees = grids.cross(boundary.crs, grids.geographic(boundary.crs)).transformer
    lon, lat = (np.asarray(part) for part in degrees.transform(corners[:, 0], corners[:, 1]))
    crossing = grids.cross(
        boundary.crs, grids.geographic(grid), (float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))
    )
    shift = crossing.finding("line", boundary.crs.name, grid.name)
    findings = [] if shift is None else [shift]
    lines, merged, bows = [], 0, []
    for part in boundary.parts:
        line = _line_through(part, crossing, grid)
        bows.append(straightness(line, crossing.transformer, part[:, 0], part[:, 1]))
        clean, dropped = merge_near(line)
        merged += dropped
        if clean is not None:
            lines.append(clean)
    if not lines:
        raise InputError(
            "the line has no length: its vertices are one point",
            file=boundary.file.name,
            remedy="Is the grid right? Set line.grid, or draw the line anew.",
        )
    if merged:
        findings.append(
            Finding(code="vertex-merged", severity="note", message=f"{merged} vertices lay on their neighbours")
        )
    findings += _bow_findings(np.concatenate(bows))
    return joined(lines), findings


def _line_through(part: Floats, crossing: grids.Crossing, grid: CRS) -> Line:
    lon, lat = (np.array(values) for values in crossing.transformer.transform(part[:, 0], part[:, 1]))
    if np.array_equal(part[0], part[-1]):
        lon[-1], lat[-1] = lon[0], lat[0]
    return Line.through(lon, lat, geod=grids.ellipsoid(grid))


def _bow_findings(bow_m: Floats) -> list[Finding]:
    worst = int(np.argmax(bow_m))
    if bow_m[worst] <= STRAIGHT_NOTE_M:
        return []
    return [
        Finding(
            code="leg-not-straight",
            severity="warn" if bow_m[worst] > STRAIGHT_WARN_M else "note",
            message=f"{np.count_nonzero(bow_m > STRAIGHT_NOTE_M)} legs are sight lines on the ground and leave the "
            f"straight line in the file's own coordinates, most from vertex {worst + 1} to {worst + 2} as drawn",
            remedy="If the boundary is the line in the file's grid, add vertices along it.",
            value=round(float(bow_m[worst]), 3),
            limit=STRAIGHT_NOTE_M,
            unit="m",
        )
    ]


def box(lines: Sequence[Line]) -> tuple[float, float, float, float]:
    lon = np.concatenate([line.lon_deg for line in lines])
    lat = np.concatenate([line.lat_deg for line in lines])
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def chosen(job: Job, lines: Sequence[Line], to_grid: grids.Crossing) -> list[Line]:
    """The runs that the job wants fenced, in its direction."""
    if job.line.legs == "all":
        runs = list(lines)
    else:
        numbers = (
            _between(job.line.legs, lines, to_grid, place=job.place("line", "legs"))
            if isinstance(job.line.legs, LegEnds)
            else job.line.legs
        )
        known = {number for line in lines for number in line.leg_number}
        stray = [number for number in numbers if number not in known]
        if stray:
            raise JobError(
                "the boundary has no such leg",
                place="line.legs",
                value=stray[0],
                remedy=f"Its legs are 1 to {max(known)}.",
            )
        runs = [
            run
            for line in lines
            for run in pick_legs(line, [number for number in numbers if number in line.leg_number])
        ]
    if job.line.direction == "reversed":
        runs = [run.reversed() for run in reversed(runs)]
    total = sum(float(run.length_m.sum()) for run in runs)
    if total > LINE_MAX_M:
        raise GridError(
            "the line is longer than any fence",
            place=job.line.file,
            value=round(total / 1000),
            limit=round(LINE_MAX_M / 1000),
            unit="km",
            remedy="Is it in degrees at all? Set line.grid to the grid it is in.",
        )
    return runs


def _between(ends: LegEnds, lines: Sequence[Line], to_grid: grids.Crossing, *, place: str) -> tuple[int, ...]:
    """Numbers of the legs between the vertices nearest to the job's two points."""
    nearest = []
    for point in (ends.from_, ends.to):
        best = (np.inf, 0, 0)
        for number, line in enumerate(lines):
            x, y = to_grid.carry(line.lon_deg, line.lat_deg)
            apart = np.hypot(x - point[0], y - point[1])
            row = int(np.argmin(apart))
            best = min(best, (float(apart[row]), number, row))
        nearest.append(best)
    (_, line_of_start, start), (_, line_of_end, end) = nearest
    if line_of_start != line_of_end or start == end:
        raise JobError(
            "the two points do not lie at two vertices of one line",
            place=place,
            remedy="Give grid coordinates near the first and the last vertex to be fenced.",
        )
    return legs_between(lines[line_of_start], start, end)
