"""Runs of fence as alignments of LandXML, each with its profiles.

An alignment runs straight from post to post; posts that stand on the straight between others are no vertices of it.
Its stations are distances on the grid, as its coordinates are, and begin at the chainage of the run's first post: what
a device works out between two points of the grid. Chainages are ground distances; the description of each alignment
says how the two hang together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.engine.records import Floats, Ints
from geofence.numeric import snap_ceil
from geofence.outputs.digits import coordinate_decimals, fixed
from geofence.outputs.landxml.unit import LandXmlUnit
from geofence.outputs.run_names import run_names
from geofence.outputs.thinned import kept
from geofence.outputs.xml_text import attribute
from geofence.plan import FencePlan, Run
from geofence.plan_lines import posts_in_order

__all__ = ["alignments"]

STRAIGHT_M = 0.0005
"""A post this near the straight between two others stands on it: what full bays are promised to."""

GROUND_M = 0.001
"""The ground of a profile is left out where the straight between its neighbours is as near as this: a millimetre."""

STEP_M = 0.001
"""A step takes this length of the profile, half on each side of the post, since stations of a profile must grow; a
post hides it."""

SAME_LEVEL_M = 1e-6
STATION_DECIMALS = 6
LEVEL_DECIMALS = 4
LIST_LONGEST = 50_000
"""Points of one list; a longer ground goes on in another list that begins at the last point of the one before, since
readers refuse texts of tens of megabytes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Course:
    """Where a run goes: its vertices, and stations and chainages of its posts, in units of the file.

    Attributes
    ----------
    easting, northing
        (v,) vertices, as they are written.
    vertex_station
        (v,) stations of them.
    station, chainage
        (k,) of the posts; a ring's first one comes again at the end.
    """

    easting: Floats
    northing: Floats
    vertex_station: Floats
    station: Floats
    chainage: Floats

    @property
    def length(self) -> float:
        return float(self.vertex_station[-1] - self.vertex_station[0])

    @property
    def ratio(self) -> float:
        """Length on the grid divided by length on the ground, straight from post to post."""
        return self.length / float(self.chainage[-1] - self.chainage[0])


def alignments(plan: FencePlan, unit: LandXmlUnit) -> Iterator[str]:
    """The text of the element ``Alignments``, piece by piece."""
    runs = [run for run in plan.runs if len(run.posts) > 1]
    if not runs:
        return
    yield '<Alignments name="Fence">\n'
    for run, name in zip(runs, run_names(runs), strict=True):
        course = _course(plan, run, unit)
        yield (
            f'<Alignment name={attribute(name)} length="{course.length:.{STATION_DECIMALS}f}" '
            f'staStart="{course.vertex_station[0]:.{STATION_DECIMALS}f}" desc={attribute(_about(course, run, unit))}>\n'
        )
        yield from _lines(plan, course)
        yield from _profile(plan, run, course, unit, name)
        yield "</Alignment>\n"
    yield "</Alignments>\n"


def _about(course: _Course, run: Run, unit: LandXmlUnit) -> str:
    """What a run is, and how its stations and chainages hang together: chords are shorter than a bent line."""
    start, ratio = f"{course.chainage[0]:.3f}", f"{course.ratio:.8f}"
    by_rule = course.chainage[0] + (course.station - course.chainage[0]) / course.ratio
    off_mm = float(np.abs(by_rule - course.chainage).max()) * unit.metres * 1000
    rule = f"{start} + (station - {start}) / {ratio}" if course.chainage[0] else f"station / {ratio}"
    return (
        f"{'ring' if run.closed else 'run'} of {len(run.posts)} posts; stations are grid distances from {start}, the "
        f"chainage of the first post; chainage on the ground = {rule}, to {snap_ceil(off_mm, 1e-3)} mm at every post"
    )


def _course(plan: FencePlan, run: Run, unit: LandXmlUnit) -> _Course:
    rows, chainage_m = posts_in_order(run, plan.fence.bays)
    decimals = coordinate_decimals(plan.grid)
    east = np.round(plan.places.easting[rows] * unit.per_grid, decimals)
    north = np.round(plan.places.northing[rows] * unit.per_grid, decimals)
    vertices = _vertices(east, north, STRAIGHT_M / unit.metres)
    chainage = chainage_m / unit.metres
    along = _along(east, north)
    vertex_station = chainage[0] + _along(east[vertices], north[vertices])
    return _Course(
        easting=east[vertices],
        northing=north[vertices],
        vertex_station=vertex_station,
        station=np.interp(along, along[vertices], vertex_station),
        chainage=chainage,
    )


def _along(easting: Floats, northing: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(easting), np.diff(northing)))])


def _vertices(easting: Floats, northing: Floats, tolerance: float) -> Ints:
    """Rows between which straight lines pass every row within a tolerance, first and last among them.

    Each row travels as the height of its point, which thinning by Douglas and Peucker (1973) leaves alone.
    """
    rows = np.arange(len(easting), dtype=np.float64)
    middle = (easting.mean(), northing.mean())  # near zero, so that a tenth of a millimetre is far from rounding
    line = shapely.linestrings(np.column_stack([easting - middle[0], northing - middle[1], rows]))
    thin = shapely.simplify(line, tolerance, preserve_topology=False)
    kept_rows: Ints = np.rint(shapely.get_coordinates(thin, include_z=True)[:, 2]).astype(np.int64)
    return kept_rows


def _lines(plan: FencePlan, course: _Course) -> Iterator[str]:
    decimals = coordinate_decimals(plan.grid)
    places = [
        f"{north} {east}"
        for north, east in zip(
            fixed(course.northing, decimals, missing="NaN"), fixed(course.easting, decimals, missing="NaN"), strict=True
        )
    ]
    stations = list(fixed(course.vertex_station, STATION_DECIMALS, missing="NaN"))
    lengths = fixed(np.diff(course.vertex_station), STATION_DECIMALS, missing="NaN")
    yield "<CoordGeom>\n"
    for row, length in enumerate(lengths):
        yield (
            f'<Line length="{length}" staStart="{stations[row]}">'
            f"<Start>{places[row]}</Start><End>{places[row + 1]}</End></Line>\n"
        )
    yield "</CoordGeom>\n"


def _profile(plan: FencePlan, run: Run, course: _Course, unit: LandXmlUnit, name: str) -> Iterator[str]:
    """The ground as a surface's profile; underside and top as designed ones, the underside first."""
    bays, wires = plan.fence.bays, plan.system.slope == "strained"
    parts = (
        ("Lowest wire" if wires else "Underside", bays.underside_from_m, bays.underside_to_m),
        ("Top wire" if wires else "Top", bays.top_from_m, bays.top_to_m),
    )
    yield f'<Profile name={attribute(name)} staStart="{course.vertex_station[0]:.{STATION_DECIMALS}f}">\n'
    yield '<ProfSurf name="Ground" desc="as the plan knows it, to a millimetre">\n'
    yield from _ground(plan, run, course, unit)
    yield "</ProfSurf>\n"
    for part, from_m, to_m in parts:
        yield f'<ProfAlign name="{part}" desc="a step takes {STEP_M * 1000:g} mm, half on each side of its post">\n'
        yield from _designed(course, from_m[run.bays] / unit.metres, to_m[run.bays] / unit.metres, STEP_M / unit.metres)
        yield "</ProfAlign>\n"
    yield "</Profile>\n"


def _ground(plan: FencePlan, run: Run, course: _Course, unit: LandXmlUnit) -> Iterator[str]:
    chainage_m = plan.stations.chainage_m[run.stations]
    level_m = plan.stations.ground_level_m[run.stations]
    rows = kept(chainage_m, level_m, tolerance_m=GROUND_M)
    station = np.interp(chainage_m[rows] / unit.metres, course.chainage, course.station)
    level = level_m[rows] / unit.metres
    for first in range(0, max(len(rows) - 1, 1), LIST_LONGEST):
        part = slice(first, first + LIST_LONGEST + 1)
        figures = (
            fixed(station[part], STATION_DECIMALS, missing="NaN"),
            fixed(level[part], LEVEL_DECIMALS, missing="NaN"),
        )
        yield f"<PntList2D>{' '.join(map(' '.join, zip(*figures, strict=True)))}</PntList2D>\n"


def _designed(course: _Course, level_from: Floats, level_to: Floats, step: float) -> Iterator[str]:
    """Points of vertical intersection: one at a post where neighbouring bays meet, two where they step."""
    station = np.repeat(course.station, 2)[1:-1]
    level = np.column_stack([level_from, level_to]).ravel()
    stepped = np.abs(level[2::2] - level[1:-1:2]) > SAME_LEVEL_M
    keep = np.ones(len(level), dtype=bool)
    keep[2::2] = stepped
    station[1:-1:2] -= np.where(stepped, step / 2, 0.0)
    station[2::2] += np.where(stepped, step / 2, 0.0)
    for at, height in zip(
        fixed(station[keep], STATION_DECIMALS, missing="NaN"),
        fixed(level[keep], LEVEL_DECIMALS, missing="NaN"),
        strict=True,
    ):
        yield f"<PVI>{at} {height}</PVI>\n"
