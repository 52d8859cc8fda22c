"""What stands on the ground already and posts are tied to: the boundary's marks, and control points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geofence.engine.records import Finding, Floats, Ints, Posts
from geofence.inputs.job import Job
from geofence.inputs.points import read_marks
from geofence.plan import MarkKind, Places, ReferenceMarks
from geofence.planning.grounds import options_of
from geofence.planning.surveyed import SurveyedSite, control_file
from geofence.site import grids

__all__ = ["few_in_reach", "reference_marks"]

TIED = frozenset({"end", "corner", "gate", "junction", "existing"})
"""Kinds of post that ties are worked out for."""

TIES = 2

SAME_MARK_M = 1e-3
"""Vertices so close are one mark: coordinates are written to the millimetre."""


def reference_marks(job: Job, site: SurveyedSite) -> tuple[ReferenceMarks, tuple[Finding, ...]]:
    """Vertices of the fenced legs as the boundary has them, whatever the offset, then control points.

    Raises
    ------
    InputError, GridError, JobError
        The file of control points cannot be used.
    """
    boundary = _boundary(site)
    file = control_file(job)
    if file is None:
        return boundary, ()
    points = read_marks(file, options_of(job.control, "control"))
    crossing = grids.cross(points.crs, site.grid, site.span)
    easting, northing = crossing.carry(points.x, points.y)
    marks = ReferenceMarks(
        name=(*boundary.name, *points.names),
        kind=boundary.kind + _kinds("control", len(points.names)),
        easting=np.concatenate([boundary.easting, easting]),
        northing=np.concatenate([boundary.northing, northing]),
        level_m=np.concatenate([boundary.level_m, points.level_m]),
    )
    return marks, (*points.findings, *crossing.findings("control", points.crs.name, site.grid.name))


def _kinds(kind: MarkKind, count: int) -> tuple[MarkKind, ...]:
    return (kind,) * count


def _boundary(site: SurveyedSite) -> ReferenceMarks:
    """The boundary's vertices at the ends of fenced legs, named by their place in it."""
    fenced = {(site.meetings.line[row], number) for row, run in enumerate(site.runs) for number in run.line.leg_number}
    names: list[str] = []
    lon: list[float] = []
    lat: list[float] = []
    count = 0
    for of, line in ((row, part) for row, each in enumerate(site.drawn) for part in each.parts):
        vertices = len(line) if line.closed else len(line) + 1
        wanted = {
            at % vertices
            for leg, number in enumerate(line.leg_number)
            if (of, number) in fenced
            for at in (leg, leg + 1)
        }
        for at in sorted(wanted):
            names.append(f"V{count + at + 1}")
            lon.append(float(line.lon_deg[at]))
            lat.append(float(line.lat_deg[at]))
        count += vertices
    places = np.array(lon), np.array(lat)
    once = _once(*site.to_grid.carry(*places), unit_m=grids.unit_m(site.grid))
    places = places[0][once], places[1][once]
    easting, northing = site.to_grid.carry(*places)
    return ReferenceMarks(
        name=tuple(names[row] for row in once.tolist()),
        kind=_kinds("boundary", len(once)),
        easting=easting,
        northing=northing,
        level_m=site.ground.levels(*site.to_ground.carry(*places)).level_m,
    )


def _once(easting: Floats, northing: Floats, *, unit_m: float) -> Ints:
    """Rows of the places, each place once: a mark that two lines share is one mark, and has the first one's name."""
    whole = np.rint(np.column_stack([easting, northing]) * (unit_m / SAME_MARK_M)).astype(np.int64)
    return np.sort(np.unique(whole, axis=0, return_index=True)[1])


def few_in_reach(
    job: Job, marks: ReferenceMarks, places: Places, posts: Posts, *, unit_m: float, lines: Sequence[str] = ()
) -> Sequence[Finding]:
    """A finding where posts that are set first have fewer than two control points within reach; none without control.

    ``unit_m`` is the grid's unit, ``lines`` the name of each post's line where lines have names.
    """
    reach_m = job.control.reach_m
    control = np.array([kind == "control" for kind in marks.kind], dtype=bool)
    rows = np.array([row for row, kind in enumerate(posts.kind) if kind in TIED], dtype=np.int64)
    if not control.any() or not len(rows):
        return ()
    away = _apart(places.easting[rows], marks.easting[control], places.northing[rows], marks.northing[control])
    count = np.count_nonzero(away * unit_m <= reach_m, axis=1)
    few = np.flatnonzero(count < TIES)
    if not len(few):
        return ()
    none_at_all = not count.any()
    message = f"{len(few)} of the {len(rows)} posts that are set first have fewer than two control points within reach"
    if none_at_all:
        message = f"No control point is within reach of any of the {len(rows)} posts that are set first"
    return (
        Finding(
            code="control-few",
            severity="warn" if none_at_all else "note",
            message=message,
            remedy="Is the grid of the control points right? Set control.grid, or reach farther by control.reach_m."
            if none_at_all
            else "Place more control near them, or reach farther by control.reach_m.",
            chainage_m=float(posts.chainage_m[rows[few[0]]]),
            value=round(float(np.partition(away[few[0]], 0)[0] * unit_m), 1),
            limit=reach_m,
            unit="m",
            line=lines[int(rows[few[0]])] if lines else "",
        ),
    )


def _apart(x: Floats, other_x: Floats, y: Floats, other_y: Floats) -> Floats:
    return np.asarray(np.hypot(x[:, None] - other_x, y[:, None] - other_y))
