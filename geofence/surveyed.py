"""The site as surveyed: the job's line and ground brought together, before anything is planned."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from pyproj import CRS

from geofence import registry
from geofence.engine.records import Finding, Floats
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.job import Job
from geofence.inputs.job_file import LegEnds, Survey
from geofence.inputs.vectors import Boundary, read_boundary
from geofence.site import grids, profile
from geofence.site.ground import Ground, GroundOptions
from geofence.site.ground_distance import elevation_factor
from geofence.site.line import Line, joined, legs_between, merge_near, pick_legs, straightness
from geofence.site.offset import offset
from geofence.site.patched import PatchedGround
from geofence.site.profile import GroundLine
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround

__all__ = ["Progress", "SurveyedSite", "survey"]

Progress = Callable[[str], None]
"""Called with the name of each stage as it begins."""

STRAIGHT_NOTE_M = 0.010
STRAIGHT_WARN_M = 0.100
"""A leg straight on the ground but not in the file's grid: from a centimetre a note, from a decimetre a warning."""

LINE_MAX_M = 1_000_000.0
"""No fence is longer than the longest in the world (5,600 km) by one job; beyond 1000 km the grid is mistaken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyedSite:
    """A line with its ground.

    Attributes
    ----------
    boundary
        As drawn.
    line
        All of the boundary's lines, before legs were chosen, turned or offset.
    grid
        The working grid.
    ground
        The source of levels.
    runs
        The unbroken stretches to be fenced, in order; chainage runs on from one to the next. Levels may be missing.
    to_grid, to_ground, to_wgs84
        From longitude and latitude on the grid's datum.
    findings
        What is to be known so far.
    """

    boundary: Boundary
    lines: tuple[Line, ...]
    grid: CRS
    ground: Ground
    runs: tuple[GroundLine, ...]
    to_grid: grids.Crossing
    to_ground: grids.Crossing
    to_wgs84: grids.Crossing
    findings: tuple[Finding, ...]

    @property
    def length_m(self) -> float:
        """Length on the ground of all runs."""
        return float(sum(run.chainage_m[-1] for run in self.runs))

    @property
    def field(self) -> SurveyPoints | None:
        """The points of the survey, or of the patch; None where the ground is no survey of points."""
        return _field(self.ground)


def survey(job: Job, *, progress: Progress = lambda _stage: None) -> SurveyedSite:
    """Read a job's line and ground, and sample the one along the other.

    Raises
    ------
    JobError, InputError, GridError, LayoutError
        What the job names cannot be used; missing levels are no error yet.
    """
    progress("Reading the boundary")
    boundary = read_boundary(
        job.path(job.line.file), layer=job.line.layer, grid=job.line.grid, feature=job.line.feature
    )
    progress("Opening the ground")
    ground = open_ground(job)
    grid, findings = _working_grid(job, boundary, ground)
    lines, drawn = _draw(boundary, grid)
    box = _box(lines)
    to_grid = grids.cross(grids.geographic(grid), grid, box)
    to_ground = grids.cross(grids.geographic(grid), ground.crs, box)
    to_wgs84 = grids.cross(grids.geographic(grid), grids.WGS84, box)
    shifts = [
        to_ground.finding("ground", grid.name, ground.crs.name),
        to_wgs84.finding("map", grid.name, "WGS 84"),
    ]
    progress("Sampling the ground")
    runs = _sampled(job, _chosen(job, lines, to_grid), ground, to_ground)
    return SurveyedSite(
        boundary=boundary,
        lines=tuple(lines),
        grid=grid,
        ground=ground,
        runs=tuple(runs),
        to_grid=to_grid,
        to_ground=to_ground,
        to_wgs84=to_wgs84,
        findings=(*boundary.findings, *findings, *drawn, *(shift for shift in shifts if shift), *ground.findings),
    )


def open_ground(job: Job) -> Ground:
    """The job's ground: its files, and the survey that is laid over them where there is one."""
    base = _opened(job, job.ground, "ground", reader=job.ground.reader)
    patch = job.ground.patch_survey
    if patch is None:
        return base
    over = _opened(job, patch, "ground.patch")
    if not isinstance(over, TinGround):
        raise JobError(
            "only a survey of points can be laid over another ground",
            place=job.place("ground", "patch"),
            remedy="Name rasters in ground.files; of several, the first counts where they overlap.",
        )
    return PatchedGround.of(over, base, max_edge_m=patch.max_edge_m)


def options_of(section: Survey, table: str) -> GroundOptions:
    """What a table of the job says of its files."""
    return GroundOptions(
        table=table,
        **{
            item.name: getattr(section, item.name)
            for item in fields(GroundOptions)
            if item.name in type(section).model_fields
        },
    )


def files_of(job: Job, section: Survey, table: str) -> tuple[Path, ...]:
    """The files of a table, all of which are there."""
    files = tuple(job.path(file) for file in section.files)
    missing = next((file for file in files if not file.is_file()), None)
    if missing is not None:
        raise InputError(
            "there is no such file", file=missing, remedy=f"Check {table}.files; paths start at the job file."
        )
    return files


def _opened(job: Job, section: Survey, table: str, *, reader: str | None = None) -> Ground:
    """The ground of a table, through the reader that it names or the first that reads its files."""
    files = files_of(job, section, table)
    for name in (reader,) if reader else registry.names(registry.GROUNDS):
        found = registry.find(registry.GROUNDS, name)
        if all(found.reads(file) for file in files):
            ground: Ground = found.open(files, options_of(section, table))
            return ground
    raise JobError(
        "no ground reader takes these files",
        place=job.place(*table.split("."), "files"),
        value=", ".join(file.name for file in files),
        remedy=f"Readers: {', '.join(registry.names(registry.GROUNDS))}. Give files of one kind.",
    )


def _field(ground: Ground) -> SurveyPoints | None:
    if isinstance(ground, PatchedGround):
        return ground.patch.survey
    return ground.survey if isinstance(ground, TinGround) else None


def _working_grid(job: Job, boundary: Boundary, ground: Ground) -> tuple[CRS, list[Finding]]:
    """The grid of the job, else of the ground, else a local one; a finding says which where the job does not."""
    if job.job.grid is not None:
        grid = grids.read_grid(job.job.grid, address=job.place("job", "grid"))
        if not grid.is_projected:
            raise GridError(
                f"the working grid must be projected; {grid.name} is in degrees",
                place=job.place("job", "grid"),
                remedy="Name a projected grid, or leave job.grid out.",
            )
        if not grids.runs_east_north(grid):
            raise GridError(
                f"the axes of {grid.name} do not run east and north",
                place=job.place("job", "grid"),
                remedy="Name the grid's east-north variant, or leave job.grid out.",
            )
        unfit = _unfit(grid, boundary)
        return grid, [_unfit_grid(grid, unfit)] if unfit else []
    if ground.crs.is_projected and not _unfit(ground.crs, boundary):
        return ground.crs, [_chosen_grid(ground.crs.name, "that of the ground")]
    grid = grids.local_grid(*_degrees(boundary, boundary.crs), boundary.crs)
    return grid, [_chosen_grid(grid.name, "made for this job, on the boundary's datum")]


def _degrees(boundary: Boundary, datum: CRS) -> tuple[Floats, Floats]:
    """Longitudes and latitudes of all drawn vertices on the datum of a grid."""
    corners = np.concatenate(boundary.parts)
    crossing = grids.cross(boundary.crs, grids.geographic(datum))
    lon, lat = crossing.transformer.transform(corners[:, 0], corners[:, 1])
    return np.asarray(lon), np.asarray(lat)


def _unfit(grid: CRS, boundary: Boundary) -> str:
    lon, lat = _degrees(boundary, grid)
    return grids.unfit_for_setting_out(grid, float(lon[0]), float(lat[0]))


def _chosen_grid(name: str, why: str) -> Finding:
    return Finding(
        code="grid-chosen",
        severity="note",
        message=f"The job names no grid; eastings and northings are in {name}, {why}",
        remedy="Set job.grid to have another.",
    )


def _unfit_grid(grid: CRS, why: str) -> Finding:
    return Finding(
        code="grid-unfit",
        severity="warn",
        message=f"{grid.name} is no grid to set out in: {why}",
        remedy="Set job.grid to a survey grid, or leave it out.",
    )


def _draw(boundary: Boundary, grid: CRS) -> tuple[list[Line], list[Finding]]:
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


def _box(lines: Sequence[Line]) -> tuple[float, float, float, float]:
    lon = np.concatenate([line.lon_deg for line in lines])
    lat = np.concatenate([line.lat_deg for line in lines])
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def _chosen(job: Job, lines: Sequence[Line], to_grid: grids.Crossing) -> list[Line]:
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
            x, y = to_grid.transformer.transform(line.lon_deg, line.lat_deg)
            apart = np.hypot(np.asarray(x) - point[0], np.asarray(y) - point[1])
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


def _sampled(job: Job, runs: Sequence[Line], ground: Ground, to_ground: grids.Crossing) -> list[GroundLine]:
    separation = job.job.geoid_separation_m
    place = Path(job.ground.files[0]).name
    sampled: list[GroundLine] = []
    begin = 0.0
    for run in runs:
        line = offset(run, job.line.offset_m * _factor(run, ground, to_ground, separation))
        ground_line = profile.sample(line, ground, to_ground.transformer, geoid_separation_m=separation)
        ground_line = replace(ground_line, from_m=begin)
        profile.check_steepness(ground_line, place=place)
        sampled.append(ground_line)
        begin += float(ground_line.chainage_m[-1])
    if all(not np.isfinite(ground_line.level_m).any() for ground_line in sampled):
        raise GridError(
            "the ground does not cover the line anywhere",
            place=place,
            remedy=_swapped(ground, runs, to_ground)
            or f"Are both in the grids they say? Ground: {ground.crs.name}; line: {Path(job.line.file).name}.",
        )
    return sampled


def _swapped(ground: Ground, runs: Sequence[Line], to_ground: grids.Crossing) -> str:
    """Advice where the survey would be about the line if its eastings were northings; empty where it would not."""
    survey = _field(ground)
    if survey is None:
        return ""
    lon, lat = (np.concatenate(parts) for parts in zip(*((run.lon_deg, run.lat_deg) for run in runs), strict=True))
    x, y = (np.asarray(part) for part in to_ground.transformer.transform(lon, lat))
    across, up = (x.min(), x.max()), (y.min(), y.max())
    swapped_x, swapped_y = (survey.y.min(), survey.y.max()), (survey.x.min(), survey.x.max())
    if not (_meet(across, swapped_x) and _meet(up, swapped_y)):
        return ""
    return (
        f"Northing and easting of {survey.source} look swapped: the other way round its points are about the line. "
        "Say which is which by ground.order, or mend the header."
    )


def _meet(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return one[0] <= other[1] and other[0] <= one[1]


def _factor(run: Line, ground: Ground, to_ground: grids.Crossing, separation: float) -> float:
    """Distance on the ellipsoid over distance on the ground, at the mean level of the run's vertices."""
    x, y = to_ground.transformer.transform(run.lon_deg, run.lat_deg)
    level = ground.levels(np.asarray(x), np.asarray(y)).level_m
    height = float(np.nanmean(level)) + separation if np.isfinite(level).any() else separation
    return float(elevation_factor(np.array(height), np.array(run.geod.a)))


def input_files(job: Job, site: SurveyedSite, job_file: Path | None) -> tuple[Path, ...]:
    """Every file that the plan comes from."""
    check = job.ground.check_points
    checks = () if check is None else files_of(job, check, "ground.check")
    zones = (job.path(zone.file) for zone in job.zones if zone.file is not None)
    named = (job_file, job.path(job.line.file), *site.ground.files, *checks, *zones)
    return tuple(path for path in named if path is not None)
