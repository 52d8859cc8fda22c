"""What the field says: how the ground agrees with points shot there, and how far from them the fence runs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from pyproj import CRS
from scipy.spatial import cKDTree

from geofence.engine.records import Finding, Floats
from geofence.inputs.job import Job
from geofence.inputs.points import read_points
from geofence.plan import Places, ShotPoints
from geofence.planning.grounds import files_of, options_of
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids
from geofence.site.differences import Differences, held_against
from geofence.site.patched import PatchedGround
from geofence.site.plane import Plane
from geofence.site.profile import GroundLine
from geofence.site.reading import Reading
from geofence.site.survey_points import SurveyPoints

__all__ = ["FieldSurvey", "agreement", "far_posts", "field_survey", "shot_near"]

SAME_PLACE_M = 1e-3
"""Points so close are at one place: coordinates are written to the millimetre."""

SHOWN_WITHIN_M = 60.0
MOST_SHOWN = 4_000
"""Surveyed points on the map: those so near to the line, and of a dense survey so many of the nearest, some 60 kB."""

ALONG_M = 2.0
"""Spacing of the places of the line from which points beside it are looked for: 8 mm too far at 60 m, 0.4 m at 1 m."""

NOT_STATED = "not stated"


def agreement(job: Job, site: SurveyedSite) -> tuple[Finding, ...]:
    """Findings on datums by name, on the seam of a patch, and on check points.

    Raises
    ------
    InputError, GridError, JobError
        The file of check points cannot be used.
    """
    return (*_datums(job), *_seam(job, site), *_checked(job, site))


def _datums(job: Job) -> list[Finding]:
    """Whether the levels of all files are above what the job says they are above."""
    ground = job.ground
    tables = (("ground", ground), ("ground.patch", ground.patch_survey), ("ground.check", ground.check_points))
    found = []
    for table, section in tables:
        if section is None or section.level_datum is None:
            continue
        own, wanted = section.level_datum, job.job.level_datum
        if own.casefold().split() == wanted.casefold().split():
            continue
        found.append(_other_datum(table, own, wanted, section.level_offset_m))
    return found


def _other_datum(table: str, own: str, wanted: str, offset_m: float) -> Finding:
    if wanted == NOT_STATED:
        return Finding(
            code="level-datum-unnamed",
            severity="note",
            message=f"Levels of {table} are above {own!r}; the job does not name its level datum",
            remedy="Set job.level_datum, so that every output says it.",
        )
    if offset_m:
        return Finding(
            code="level-datum-carried",
            severity="note",
            message=f"Levels of {table} are carried from {own!r} to {wanted!r} by {offset_m:+g} m, as the job says",
            value=offset_m,
            unit="m",
        )
    return Finding(
        code="level-datum-differs",
        severity="warn",
        message=f"Levels of {table} are above {own!r}, those of the job above {wanted!r}: they are used as they stand",
        remedy=f"Set {table}.level_offset_m to what lies between the two, or name one datum.",
    )


def _seam(job: Job, site: SurveyedSite) -> list[Finding]:
    """How the patch and what lies below it disagree where one ends."""
    patch = job.ground.patch_survey
    if patch is None or not isinstance(site.ground, PatchedGround):
        return []
    seam = site.ground.seam()
    if not len(seam):
        return []
    over = seam.rmse_m > patch.tolerance_m
    worst = seam.worst
    near = _beside(site, float(seam.x[worst]), float(seam.y[worst]))
    return [
        Finding(
            code="patch-seam",
            severity="warn" if over else "note",
            message=f"Along the outline of {site.ground.patch.survey.source} the ground below it lies "
            f"{_signed(seam)}; most, {seam.difference_m[worst]:+.3f} m, at ({near.easting:.2f}, {near.northing:.2f})",
            remedy="Is the datum or the unit of one of them another? Check both against a known point." if over else "",
            chainage_m=near.chainage_m,
            value=round(seam.rmse_m, 4),
            limit=patch.tolerance_m,
            unit="m",
            line=near.line,
        )
    ]


def _checked(job: Job, site: SurveyedSite) -> list[Finding]:
    """The ground held against check points."""
    check = job.ground.check_points
    if check is None:
        return []
    points = read_points(files_of(job, check, "ground.check"), options_of(check, "ground.check"), names=True)
    survey = points.survey
    crossing = grids.cross(survey.crs, site.ground.crs, site.span)
    x, y = crossing.carry(survey.x, survey.y)
    found = held_against(site.ground, x, y, survey.level_m)
    told = [*points.findings, *crossing.findings("ground", survey.crs.name, site.ground.crs.name)]
    if not len(found):
        return [*told, _nothing_checked(survey.source, len(x))]
    return [*told, _check_finding(site, found, points.names, source=survey.source, tolerance_m=check.tolerance_m)]


def _nothing_checked(source: str, count: int) -> Finding:
    return Finding(
        code="ground-not-checked",
        severity="warn",
        message=f"The ground has no level at any of the {count} check points of {source}",
        remedy="Is the grid of the check points right? Set ground.check.grid.",
    )


def _check_finding(
    site: SurveyedSite, found: Differences, names: Sequence[str], *, source: str, tolerance_m: float
) -> Finding:
    worst = found.worst
    near = _beside(site, float(found.x[worst]), float(found.y[worst]))
    over = found.rmse_m > tolerance_m
    unknown = f"; at {found.without_level} more it has no level" if found.without_level else ""
    return Finding(
        code="ground-checked",
        severity="warn" if over else "note",
        message=f"At {len(found)} check points of {source} the ground lies {_signed(found)}, 95 % within "
        f"{found.p95_m:.3f} m; most, {found.difference_m[worst]:+.3f} m, at {names[found.row[worst]]}, "
        f"{near.away_m:.1f} m from the line{unknown}",
        remedy="The field does not bear this ground out. Is its datum or its unit another, or has the ground been "
        "moved since? Shoot levels along the line."
        if over
        else "",
        chainage_m=near.chainage_m,
        value=round(found.rmse_m, 4),
        limit=tolerance_m,
        unit="m",
        line=near.line,
    )


def _signed(found: Differences) -> str:
    """Mean and root mean square in words."""
    way = "too high" if found.mean_m > 0 else "too low"
    return f"{abs(found.mean_m):.3f} m {way} on average (root mean square {found.rmse_m:.3f} m)"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Beside:
    """A place in the working grid, and the nearest station: chainage, metres from it, name of its line."""

    easting: float
    northing: float
    chainage_m: float
    away_m: float
    line: str


def _beside(site: SurveyedSite, x: float, y: float) -> _Beside:
    """A place of the ground's grid and the nearest station."""
    lon, lat = site.to_ground.transformer.transform(x, y, direction="INVERSE")
    easting, northing = site.to_grid.transformer.transform(lon, lat)
    best = (np.inf, 0.0, "")
    for row, run in enumerate(site.runs):
        line_x, line_y = site.to_grid.carry(*run.line.at(run.distance_m))
        away = np.hypot(line_x - easting, line_y - northing)
        nearest = int(np.argmin(away))
        best = min(best, (float(away[nearest]), float(run.chainage_m[nearest] + run.from_m), site.name_of(row)))
    return _Beside(
        easting=float(easting),
        northing=float(northing),
        chainage_m=best[1],
        away_m=best[0] * grids.unit_m(site.grid),
        line=best[2],
    )


def far_posts(places: Places, chainage_m: Floats, *, limit_m: float, run_starts: Sequence[int] = (0,)) -> list[Finding]:
    """A finding for each row of neighbouring posts that stand farther than the limit from every surveyed point.

    ``run_starts`` are the rows at which runs begin: a post is no neighbour of one in another run.
    """
    away = places.survey_distance_m
    found = []
    for first, after in _stretches_over(away, limit_m, run_starts):
        worst = first + int(np.argmax(away[first:after]))
        count = "This post stands" if after - first == 1 else f"{after - first} posts in a row stand"
        found.append(
            Finding(
                code="survey-far",
                severity="warn",
                message=f"{count} far from every surveyed point: the ground here is interpolated",
                remedy="Shoot levels here before ordering, or allow more by ground.survey_distance_max_m.",
                chainage_m=float(chainage_m[first]),
                chainage_to_m=float(chainage_m[after - 1]),
                post=worst,
                value=round(float(away[worst]), 3),
                limit=limit_m,
                unit="m",
            )
        )
    return found


def _stretches_over(values: Floats, limit: float, starts: Sequence[int]) -> Iterator[tuple[int, int]]:
    """First row and row after the last of each stretch of values over a limit; at some rows a stretch ends anyway."""
    for start, end in pairwise([*starts, len(values)]):
        edges = start + np.flatnonzero(np.diff(np.concatenate([[0], (values[start:end] > limit).astype(int), [0]])))
        yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldSurvey:
    """A survey of points as seen from the line.

    Attributes
    ----------
    readings
        How its files were read.
    points
        How many points it has.
    coincident, coincident_at_odds
        How many points lie on another, and at how many places they differ in level.
    box
        West, south, east, north of its points, in the working grid.
    level_min_m, level_max_m
        Of its points.
    spacing_m
        Length of the line for each of the points that are nearest to some place of it.
    distance_mean_m, distance_max_m
        From the line's stations to their nearest surveyed points.
    unsupported, unsupported_line
        The longest stretch (from, to) farther than ``limit_m`` from every surveyed point, and its line's name; None
        without one.
    limit_m
        ``ground.survey_distance_max_m``.
    """

    readings: tuple[Reading, ...]
    points: int
    coincident: int
    coincident_at_odds: int
    box: tuple[float, float, float, float]
    level_min_m: float
    level_max_m: float
    spacing_m: float
    distance_mean_m: float
    distance_max_m: float
    unsupported: tuple[float, float] | None
    unsupported_line: str
    limit_m: float


def field_survey(job: Job, site: SurveyedSite) -> FieldSurvey | None:
    """The survey, or the patch, as seen from the line; None where the ground is no survey of points."""
    survey = site.field
    if survey is None:
        return None
    limit_m = job.ground.survey_distance_max_m
    away = [site.ground.support_m(*_in_ground(site, run)) for run in site.runs]
    known = np.concatenate(away)
    known = known[np.isfinite(known)]
    far = [_stretches(run, values, limit_m) for run, values in zip(site.runs, away, strict=True)]
    longest = _longest(far)
    places, levels = _distinct(survey.x, survey.y, survey.level_m, Plane.about(survey.x[0], survey.y[0], survey.crs))
    return FieldSurvey(
        readings=survey.readings,
        points=len(survey),
        coincident=len(survey) - places,
        coincident_at_odds=levels - places,
        box=_box(survey, site.grid),
        level_min_m=float(survey.level_m.min()),
        level_max_m=float(survey.level_m.max()),
        spacing_m=site.length_m / max(_nearest_count(site), 1),
        distance_mean_m=float(known.mean()) if len(known) else float("nan"),
        distance_max_m=float(known.max()) if len(known) else float("nan"),
        unsupported=longest,
        unsupported_line=""
        if longest is None
        else site.name_of(next(row for row, own in enumerate(far) if longest in own)),
        limit_m=limit_m,
    )


def shot_near(site: SurveyedSite) -> ShotPoints | None:
    """The surveyed points beside the line, in the order of the survey; None where the ground is no survey of points."""
    survey = site.field
    if survey is None:
        return None
    plane = Plane.about(float(np.median(survey.x)), float(np.median(survey.y)), survey.crs)
    line = np.concatenate([np.column_stack(plane.local(*_spaced(_in_survey(site, run), run))) for run in site.runs])
    x, y = plane.local(survey.x, survey.y)
    low, high = line.min(axis=0) - SHOWN_WITHIN_M, line.max(axis=0) + SHOWN_WITHIN_M
    beside = np.flatnonzero((x >= low[0]) & (x <= high[0]) & (y >= low[1]) & (y <= high[1]))
    away, _ = cKDTree(line).query(np.column_stack([x[beside], y[beside]]), distance_upper_bound=SHOWN_WITHIN_M)
    order = np.argsort(away, kind="stable")[: min(MOST_SHOWN, int(np.isfinite(away).sum()))]
    rows = np.sort(beside[order])
    reach = SHOWN_WITHIN_M if len(order) < MOST_SHOWN else float(away[order[-1]])
    lon, lat = site.to_wgs84.carry(*site.to_degrees(survey.crs).carry(survey.x[rows], survey.y[rows]))
    return ShotPoints(lon_deg=lon, lat_deg=lat, level_m=survey.level_m[rows], reach_m=reach)


def _spaced(places: tuple[Floats, Floats], run: GroundLine) -> tuple[Floats, Floats]:
    """Those of a run's places that lie :data:`ALONG_M` apart, and its ends."""
    first = np.unique(np.append(np.unique(run.distance_m // ALONG_M, return_index=True)[1], len(run.distance_m) - 1))
    return places[0][first], places[1][first]


def _box(survey: SurveyPoints, grid: CRS) -> tuple[float, float, float, float]:
    """West, south, east, north of a survey in another grid."""
    own = (float(survey.x.min()), float(survey.y.min()), float(survey.x.max()), float(survey.y.max()))
    if grids.same(survey.crs, grid):
        return own
    west, south, east, north = grids.cross(survey.crs, grid).transformer.transform_bounds(*own)
    return west, south, east, north


def _in_ground(site: SurveyedSite, run: GroundLine) -> tuple[Floats, Floats]:
    return site.to_ground.carry(*run.line.at(run.distance_m))


def _distinct(x: Floats, y: Floats, level_m: Floats, plane: Plane) -> tuple[int, int]:
    """How many places the points are at, and how many different points there are, to the millimetre."""
    cells = [np.rint(part / SAME_PLACE_M).astype(np.int64) for part in (*plane.local(x, y), level_m)]
    order = np.lexsort(cells[::-1])
    moved = [np.diff(part[order]) != 0 for part in cells]
    place = moved[0] | moved[1]
    return 1 + int(np.count_nonzero(place)), 1 + int(np.count_nonzero(place | moved[2]))


def _nearest_count(site: SurveyedSite) -> int:
    """How many of the points are nearest to some station of the line."""
    survey = site.field
    if survey is None:
        return 0
    x, y = (np.concatenate(parts) for parts in zip(*(_in_survey(site, run) for run in site.runs), strict=True))
    plane = Plane.about(float(np.median(x)), float(np.median(y)), survey.crs)
    tree = cKDTree(np.column_stack(plane.local(survey.x, survey.y)))
    return len(np.unique(tree.query(np.column_stack(plane.local(x, y)))[1]))


def _in_survey(site: SurveyedSite, run: GroundLine) -> tuple[Floats, Floats]:
    x, y = _in_ground(site, run)
    if not isinstance(site.ground, PatchedGround):
        return x, y
    return site.ground.to_patch.carry(x, y)


def _stretches(run: GroundLine, away_m: Floats, limit_m: float) -> list[tuple[float, float]]:
    far = np.concatenate([[False], away_m > limit_m, [False]])
    edges = np.flatnonzero(far[1:] != far[:-1])
    chainage = run.chainage_m + run.from_m
    return [(float(chainage[a]), float(chainage[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _longest(runs: Sequence[Sequence[tuple[float, float]]]) -> tuple[float, float] | None:
    every = [stretch for run in runs for stretch in run]
    return max(every, key=lambda ends: ends[1] - ends[0], default=None)
