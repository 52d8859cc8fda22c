"""The site as surveyed: the job's line and ground brought together, before anything is planned."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding
from geofence.errors import GridError, InputError, LayoutError
from geofence.inputs.job import Job, errors_say_where
from geofence.inputs.vectors import Boundary, read_boundary
from geofence.planning import working_grid
from geofence.planning.drawn import DrawnLine, box, chosen, draw
from geofence.planning.grounds import files_of, open_ground
from geofence.planning.meetings import Meetings, brought_together
from geofence.planning.off_ground import advice, survey_of
from geofence.site import grids, profile
from geofence.site.ground import Ground
from geofence.site.ground_distance import elevation_factor
from geofence.site.line import Line
from geofence.site.offset import offset
from geofence.site.profile import GroundLine
from geofence.site.survey_points import SurveyPoints
from geofence.toml_file import address

__all__ = ["Progress", "SurveyedSite", "control_file", "existing_file", "survey"]

Progress = Callable[[str], None]
"""Called with the name of each stage as it begins."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyedSite:
    """Lines with their ground.

    Attributes
    ----------
    boundaries
        As drawn, one for each of the job's tables of lines.
    drawn
        All of the job's lines, before legs were chosen, turned or offset.
    grid
        The working grid.
    ground
        The source of levels.
    runs
        The unbroken stretches to be fenced, line by line; chainage runs on from one to the next of a line. Levels may
        be missing.
    meetings
        Where runs meet, and which line each is of.
    to_grid, to_ground, to_wgs84
        From longitude and latitude on the grid's datum.
    span
        West, south, east and north of the lines, in degrees on the grid's datum.
    findings
        What is to be known so far.
    """

    boundaries: tuple[Boundary, ...]
    drawn: tuple[DrawnLine, ...]
    grid: CRS
    ground: Ground
    runs: tuple[GroundLine, ...]
    meetings: Meetings
    to_grid: grids.Crossing
    to_ground: grids.Crossing
    to_wgs84: grids.Crossing
    span: tuple[float, float, float, float]
    findings: tuple[Finding, ...]

    def to_degrees(self, source: CRS) -> grids.Crossing:
        """From another grid to longitude and latitude on the working grid's datum, by the way that is best here."""
        return grids.cross(source, grids.geographic(self.grid), self.span)

    @property
    def likely_grids(self) -> tuple[CRS, ...]:
        """Grids in which a file or a position may be that says another: the job's own, and the zones beside."""
        return (*(boundary.crs for boundary in self.boundaries), self.ground.crs, *grids.zones_beside(self.grid))

    @property
    def lines(self) -> tuple[Line, ...]:
        """All that was drawn, line by line."""
        return tuple(part for line in self.drawn for part in line.parts)

    def line_of(self, run: int) -> DrawnLine:
        """The line that a run is of."""
        return self.drawn[self.meetings.line[run]]

    def name_of(self, run: int) -> str:
        """The name of the line that a run is of; empty where the job has one line and no name for it."""
        return self.line_of(run).name

    @property
    def length_m(self) -> float:
        """Length on the ground of all runs."""
        return float(sum(run.chainage_m[-1] for run in self.runs))

    @property
    def field(self) -> SurveyPoints | None:
        """The points of the survey, or of the patch; None where the ground is no survey of points."""
        return survey_of(self.ground)


def survey(job: Job, *, progress: Progress = lambda _stage: None) -> SurveyedSite:
    """Read a job's line and ground, and sample the one along the other.

    Raises
    ------
    JobError, InputError, GridError, LayoutError
        What the job names cannot be used; missing levels are no error yet.
    """
    progress("Reading the boundary")
    boundaries = tuple(_boundary(job, row) for row in range(len(job.lines)))
    progress("Opening the ground")
    ground = open_ground(job)
    grid, findings = working_grid.choose(job, boundaries, ground)
    lines, noted = draw(job, boundaries, grid)
    span = box([part for line in lines for part in line.parts])
    to_grid = grids.cross(grids.geographic(grid), grid, span)
    to_ground = grids.cross(grids.geographic(grid), ground.crs, span)
    to_wgs84 = grids.cross(grids.geographic(grid), grids.WGS84, span)
    unmoved = [chosen(job, line, to_grid) for line in lines]
    wanted = [_aside(job, line, runs, ground, to_ground) for line, runs in zip(lines, unmoved, strict=True)]
    meetings = brought_together(lines, wanted, unmoved=unmoved, join_m=job.layout.join_m)
    progress("Sampling the ground")
    runs = _sampled(job, meetings, ground, to_ground, boundaries)
    return SurveyedSite(
        boundaries=boundaries,
        drawn=tuple(lines),
        grid=grid,
        ground=ground,
        runs=tuple(runs),
        meetings=meetings,
        to_grid=to_grid,
        to_ground=to_ground,
        to_wgs84=to_wgs84,
        span=span,
        findings=(
            *dict.fromkeys(finding for boundary in boundaries for finding in boundary.findings),
            *findings,
            *noted,
            *to_ground.findings("ground", grid.name, ground.crs.name),
            *to_wgs84.findings("map", grid.name, "WGS 84"),
            *ground.findings,
            *meetings.findings(runs),
        ),
    )


def _boundary(job: Job, row: int) -> Boundary:
    """The boundary of one of the job's tables of lines."""
    line = job.lines[row]
    with errors_say_where(job, *job.line_keys(row)):
        return read_boundary(
            job.path(line.file),
            layer=line.layer,
            grid=line.grid,
            feature=line.feature,
            features=line.features,
            name_field=line.name_field,
            table=address(job.line_keys(row)),
        )


def _aside(job: Job, line: DrawnLine, runs: Sequence[Line], ground: Ground, to_ground: grids.Crossing) -> list[Line]:
    """The runs of a line, moved sideways as the job wants it."""
    aside_m = job.lines[line.table].offset_m
    if not aside_m:
        return list(runs)
    separation = job.job.geoid_separation_m
    try:
        return [offset(run, aside_m * _factor(run, ground, to_ground, separation)) for run in runs]
    except LayoutError as error:
        if line.name:
            error.place = f"{address(job.line_keys(line.table))}.offset_m, line {line.name!r}"
        raise


def _sampled(
    job: Job, meetings: Meetings, ground: Ground, to_ground: grids.Crossing, boundaries: Sequence[Boundary]
) -> list[GroundLine]:
    separation = job.job.geoid_separation_m
    place = Path(job.ground.files[0]).name
    runs = meetings.network.runs
    sampled: list[GroundLine] = []
    for row, run in enumerate(runs):
        ground_line = profile.sample(
            run, ground, to_ground.transformer, geoid_separation_m=separation, also_m=meetings.visited_m(row)
        )
        if row and meetings.line[row] == meetings.line[row - 1]:
            before = sampled[-1]
            ground_line = replace(ground_line, from_m=before.from_m + float(before.chainage_m[-1]))
        name = meetings.lines[meetings.line[row]].name
        profile.check_steepness(ground_line, place=f"{place}, line {name!r}" if name else place)
        sampled.append(ground_line)
    if all(not np.isfinite(ground_line.level_m).any() for ground_line in sampled):
        raise GridError(
            "the ground does not cover the line anywhere",
            place=place,
            remedy=advice(ground, runs, boundaries, to_ground),
        )
    return sampled


def _factor(run: Line, ground: Ground, to_ground: grids.Crossing, separation: float) -> float:
    """Distance on the ellipsoid over distance on the ground, at the mean level of the run's vertices."""
    level = ground.levels(*to_ground.carry(run.lon_deg, run.lat_deg)).level_m
    height = float(np.nanmean(level)) + separation if np.isfinite(level).any() else separation
    return float(elevation_factor(np.array(height), np.array(run.geod.a)))


def control_file(job: Job) -> Path | None:
    """The file of control points, which is there; None where the job names none.

    Raises
    ------
    InputError
        There is no such file.
    """
    return _file_of(job, job.control.file, "control.file")


def existing_file(job: Job) -> Path | None:
    """The file of posts that are in the ground already; as :func:`control_file`."""
    return _file_of(job, job.existing.file, "existing.file")


def _file_of(job: Job, name: str | None, key: str) -> Path | None:
    if name is None:
        return None
    file = job.path(name)
    if not file.is_file():
        raise InputError("there is no such file", file=file, remedy=f"Check {key}; its path starts at the job file.")
    return file


def input_files(job: Job, site: SurveyedSite, job_file: Path | None) -> tuple[Path, ...]:
    """Every file that the plan comes from."""
    check = job.ground.check_points
    checks = () if check is None else files_of(job, check, "ground.check")
    zones = (job.path(zone.file) for zone in job.zones if zone.file is not None)
    lines = (job.path(line.file) for line in job.lines)
    named = (job_file, *lines, *site.ground.files, *checks, control_file(job), existing_file(job), *zones)
    return tuple(dict.fromkeys(path for path in named if path is not None))
