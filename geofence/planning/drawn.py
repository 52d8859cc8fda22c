"""A job's lines as they are drawn: on its datum, cleaned, named, numbered, and the legs that the job chooses."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.job import Job
from geofence.inputs.job_file import LegEnds
from geofence.inputs.vectors import Boundary
from geofence.site import grids
from geofence.site.line import Line, joined, legs_between, merge_near, pick_legs, straightness
from geofence.toml_file import address
from geofence.words import some_of

__all__ = ["DrawnLine", "box", "chosen", "draw"]

STRAIGHT_NOTE_M = 0.010
STRAIGHT_WARN_M = 0.100
"""A leg straight on the ground but not in the file's grid: from a centimetre a note, from a decimetre a warning."""

NAMES_SHOWN = 8

LINE_MAX_M = 1_000_000.0
"""No fence is longer than the longest in the world (5,600 km) by one job; beyond 1000 km the grid is mistaken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnLine:
    """A line of the job, all of it as drawn.

    Attributes
    ----------
    name
        What it is called, as no other line is; empty where the job has one line and no name for it.
    table
        Row of its table in the job.
    parts
        What is unbroken of it; legs are numbered throughout, from 1.
    """

    name: str
    table: int
    parts: tuple[Line, ...]

    @property
    def told(self) -> str:
        """How findings call it."""
        return self.name or "the line"


def draw(job: Job, boundaries: Sequence[Boundary], grid: CRS) -> tuple[list[DrawnLine], list[Finding]]:
    """The job's lines on the grid's datum, with what was found on the way; boundaries are of its tables, one each.

    Raises
    ------
    InputError
        A boundary has no length: its vertices are one point.
    GridError
        A boundary cannot be brought to the grid's datum.
    """
    lines: list[DrawnLine] = []
    findings: list[Finding] = []
    for table, boundary in enumerate(boundaries):
        parts, found = _parts(job, table, boundary, grid)
        findings += found
        for name, one in zip(_names(job, table, boundary), parts, strict=True):
            if one:
                lines.append(DrawnLine(name=name, table=table, parts=tuple(joined(one))))
    unlike, renamed = _unlike([line.name for line in lines])
    named = [replace(line, name=name) for line, name in zip(lines, unlike, strict=True)]
    return named, [*dict.fromkeys(findings), *renamed]


def _names(job: Job, table: int, boundary: Boundary) -> list[str]:
    """Names of the lines of a table: as they stand in the file, else as the job has them."""
    given = job.lines[table].name or ""
    if job.lines[table].features == "together":
        return [given]
    begin = f"{given} " if given else f"L{table + 1}-" if len(job.lines) > 1 else "L"
    return [name or f"{begin}{number}" for number, name in enumerate(boundary.names, start=1)]


def _unlike(names: Sequence[str]) -> tuple[list[str], list[Finding]]:
    """The names with a number after each that an earlier line has, and a finding where there are such."""
    counts = Counter(names)
    taken, unlike, again = set(counts), [], []
    for row, name in enumerate(names):
        new = name
        if name in names[:row]:
            number = 2
            while (new := f"{name} ({number})") in taken:
                number += 1
            taken.add(new)
            again.append(f"{name!r}")
        unlike.append(new)
    return unlike, [_names_repeated(list(dict.fromkeys(again)))] if again else []


def _names_repeated(names: Sequence[str]) -> Finding:
    return Finding(
        code="line-name-repeated",
        severity="note",
        message=f"Several lines have one name ({some_of(names, NAMES_SHOWN)}); those after the first have a number "
        "behind it",
        remedy="Name them apart in the file, or choose another line.name_field.",
    )


def _parts(job: Job, table: int, boundary: Boundary, grid: CRS) -> tuple[list[list[Line]], list[Finding]]:
    """The unbroken lines of each line of a boundary, cleaned, with what was found on the way."""
    corners = np.concatenate(boundary.parts)
    degrees = grids.cross(boundary.crs, grids.geographic(boundary.crs)).transformer
    lon, lat = (np.asarray(part) for part in degrees.transform(corners[:, 0], corners[:, 1]))
    crossing = grids.cross(
        boundary.crs, grids.geographic(grid), (float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))
    )
    findings = [*crossing.findings("line", boundary.crs.name, grid.name)]
    lines: list[list[Line]] = [[] for _ in boundary.names]
    merged, bows = 0, []
    for part, row in zip(boundary.parts, boundary.of, strict=True):
        line = _line_through(part, crossing, grid)
        bows.append(straightness(line, crossing.transformer, part[:, 0], part[:, 1]))
        clean, dropped = merge_near(line)
        merged += dropped
        if clean is not None:
            lines[row].append(clean)
    if not any(lines):
        raise InputError(
            "the line has no length: its vertices are one point",
            file=boundary.file.name,
            remedy=f"Is the grid right? Set {address(job.line_keys(table))}.grid, or draw the line anew.",
        )
    if merged:
        findings.append(
            Finding(code="vertex-merged", severity="note", message=f"{merged} vertices lay on their neighbours")
        )
    findings += _bow_findings(np.concatenate(bows))
    return lines, findings


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
    """West, south, east and north of lines, in degrees on their datum."""
    lon = np.concatenate([line.lon_deg for line in lines])
    lat = np.concatenate([line.lat_deg for line in lines])
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def chosen(job: Job, line: DrawnLine, to_grid: grids.Crossing) -> list[Line]:
    """What the job wants fenced of a line, in its direction.

    Raises
    ------
    JobError
        The line has no such leg, or the two points that legs are asked between are at no two vertices of it.
    GridError
        The line is so long that its grid must be another.
    """
    asked, keys, lines = job.lines[line.table], job.line_keys(line.table), line.parts
    if asked.legs == "all":
        runs = list(lines)
    else:
        numbers = (
            _between(asked.legs, lines, to_grid, place=job.place(*keys, "legs"))
            if isinstance(asked.legs, LegEnds)
            else asked.legs
        )
        known = {number for part in lines for number in part.leg_number}
        stray = [number for number in numbers if number not in known]
        if stray:
            raise JobError(
                "the boundary has no such leg",
                place=f"{address(keys)}.legs",
                value=stray[0],
                remedy=f"Its legs are 1 to {max(known)}.",
            )
        runs = [
            run
            for part in lines
            for run in pick_legs(part, [number for number in numbers if number in part.leg_number])
        ]
    if asked.direction == "reversed":
        runs = [run.reversed() for run in reversed(runs)]
    total = sum(float(run.length_m.sum()) for run in runs)
    if total > LINE_MAX_M:
        raise GridError(
            "the line is longer than any fence",
            place=asked.file,
            value=round(total / 1000),
            limit=round(LINE_MAX_M / 1000),
            unit="km",
            remedy=f"Is it in degrees at all? Set {address(keys)}.grid to the grid it is in.",
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
