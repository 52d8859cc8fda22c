"""Ground from a field survey: linear in triangles between surveyed points.

The triangles are the faces of a finished surface where the survey has one. Else they are those of the Delaunay
triangulation of all points, with the break lines as edges; only the part about the places asked for is triangulated,
and each triangle that gives a level is tried against all points (:mod:`geofence.site.corridor`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.site.cells import Cells, Ints
from geofence.site.clipped import Clipped
from geofence.site.coincident import Coincident
from geofence.site.faces import Faces
from geofence.site.ground import Levels, Relief, State
from geofence.site.picture import Picture, common
from geofence.site.plane import Plane
from geofence.site.survey_points import SurveyPoints
from geofence.site.triangulated import Triangulated

__all__ = ["TinGround"]

SAMPLE = 10_000
"""Points that tell where the middle of a survey is."""

PICTURE_POINTS = 50_000
"""Points that a picture of the terrain is made from at most: more of them than a screen has room for."""

PICTURE_EDGE = 4.0
"""Longest edge in a picture of thinned points, in the distance to which they are thinned."""


class Surface(Protocol):
    """Triangles in the plane; places x_m, y_m (n,) in metres, all finite."""

    @property
    def findings(self) -> tuple[Finding, ...]: ...

    def levels(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Ints]: ...

    def bends(self, x_m: Floats, y_m: Floats) -> tuple[Ints, Floats]: ...

    def nearest_m(self, x_m: Floats, y_m: Floats) -> Floats: ...


class TinGround:
    """A ground from surveyed points.

    A place gets the level of the triangle that it is in, or is within a millimetre of. It has none beyond the hull of
    the points (``OUTSIDE``), and none in a triangle with an edge over ``max_edge_m``, in a sliver along the hull (but
    within 5 cm of the triangles behind it, where it takes their level), or in a hole of a finished surface
    (``NO_DATA``).

    Where points lie on one circle, as in a grid of points, any diagonals are Delaunay; those from the westernmost of
    the points (of several the southernmost) are taken, wherever the line runs.

    Parameters
    ----------
    survey
        Points, and break lines or faces.
    max_edge_m
        A triangle with a longer edge gives no level; None for no limit. Metres on the ellipsoid.
    coincident
        What becomes of points within a millimetre of each other that differ in level: ``error`` refuses them where a
        level depends on them, ``mean``, ``lowest`` and ``highest`` take that level, with a finding. A finished surface
        is used as it stands.
    findings
        What the reader of the plan must know already.

    Raises
    ------
    InputError
        Fewer than three points, all points on one line, no face, a break line's vertex without a level.
    """

    def __init__(
        self,
        survey: SurveyPoints,
        *,
        max_edge_m: float | None = None,
        coincident: Coincident = "error",
        findings: tuple[Finding, ...] = (),
    ) -> None:
        self._survey = survey
        self._stated = findings
        self._max_edge_m = np.inf if max_edge_m is None else max_edge_m
        self._plane = _plane(survey)
        self._surface: Surface
        if survey.faces is not None:
            self._surface = Faces(
                *self._plane.local(survey.x, survey.y),
                survey.level_m,
                survey.faces,
                max_edge_m=self._max_edge_m,
                source=survey.source,
            )
        else:
            self._surface = Triangulated(
                survey.x,
                survey.y,
                survey.level_m,
                survey.break_lines,
                plane=self._plane,
                max_edge_m=self._max_edge_m,
                coincident=coincident,
                source=survey.source,
            )
        self._surface = self._within_extent(self._surface)

    def _within_extent(self, surface: Surface) -> Surface:
        """A surface cut off where the survey says that it ends."""
        return surface if self._survey.extent is None else Clipped(surface, self._survey.extent, self._plane)

    @property
    def crs(self) -> CRS:
        """Horizontal grid of the points."""
        return self._survey.crs

    @property
    def files(self) -> tuple[Path, ...]:
        """What the survey was read from."""
        return self._survey.files

    @property
    def survey(self) -> SurveyPoints:
        """The points themselves."""
        return self._survey

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the reader of the plan must know; complete once levels were asked for."""
        return (*self._stated, *self._surface.findings)

    def levels(self, x: Floats, y: Floats) -> Levels:
        """Levels at places x, y (n,) in :attr:`crs` and its unit, best in the order of the line.

        Raises
        ------
        InputError
            Coincident points, on which a level depends, differ in level and the policy is ``error``.
        """
        x_m, y_m, known = self._places(x, y)
        level = np.full(len(known), np.nan)
        state = np.full(len(known), State.OUTSIDE, dtype=np.uint8)
        level[known], state[known] = self._surface.levels(x_m[known], y_m[known])
        level.flags.writeable = state.flags.writeable = False
        return Levels(level_m=level, state=state)

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Where a polyline x, y (n,) crosses edges of triangles, at which the surface has its kinks.

        Returns
        -------
        index, fraction
            On the stretch from place ``index`` to the next, at ``fraction`` in (0, 1) of the way; sorted. A crossing at
            a surveyed point counts once; the places themselves are not repeated.
        """
        x_m, y_m, known = self._places(x, y)
        row = np.flatnonzero(known)
        index, fraction = self._surface.bends(x_m[row], y_m[row])
        whole = row[index + 1] == row[index] + 1 if len(index) else np.zeros(0, dtype=bool)
        return row[index[whole]], fraction[whole]

    def support_m(self, x: Floats, y: Floats) -> Floats:
        """Horizontal distance on the ellipsoid from places x, y (n,) to the nearest surveyed point, metres.

        On the ground it is longer by its level over the Earth's radius, 0.16 mm a metre at 1000 m. NaN where a place is
        none.
        """
        x_m, y_m, known = self._places(x, y)
        distance = np.full(len(known), np.nan)
        distance[known] = self._surface.nearest_m(x_m[known], y_m[known])
        return distance

    def relief(
        self, west_deg: float, south_deg: float, east_deg: float, north_deg: float, *, cells: int
    ) -> Relief | None:
        """A picture of about ``cells`` cells of the box (WGS 84), clipped to the survey; None where there is none.

        Of a survey with many points in the box it shows some, evenly chosen; break lines are left out then.
        """
        box = (west_deg, south_deg, east_deg, north_deg)
        east, north = self._survey.x, self._survey.y
        part = common(box, self.crs, [(float(east.min()), float(north.min()), float(east.max()), float(north.max()))])
        if part is None:
            return None
        picture = Picture.over(part, cells=cells)
        x, y = picture.places(self.crs)
        x_m, y_m, known = self._places(x.ravel(), y.ravel())
        if not known.any():
            return None
        level = np.full(len(known), np.nan)
        x_m, y_m = x_m[known], y_m[known]
        surface = self._pictured(x_m, y_m)
        if surface is None:
            return None
        level[known], _ = surface.levels(x_m, y_m)
        return picture.relief(level.reshape(x.shape))

    def _places(self, x: Floats, y: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Places in the plane, and which are places at all: a failed projection gives infinity."""
        x, y = (np.asarray(part, dtype=np.float64) for part in (x, y))
        known = np.isfinite(x) & np.isfinite(y)
        x_m, y_m = self._plane.local(np.where(known, x, self._plane.x), np.where(known, y, self._plane.y))
        return x_m, y_m, known

    def _pictured(self, x_m: Floats, y_m: Floats) -> Surface | None:
        """The surface to make a picture of some places from; None where there are too few points about them."""
        if self._survey.faces is not None:
            return self._surface
        survey = self._survey
        rows, apart_m = _thinned(*self._plane.local(survey.x, survey.y), x_m, y_m)
        try:
            thinned = Triangulated(
                survey.x[rows],
                survey.y[rows],
                survey.level_m[rows],
                survey.break_lines if len(rows) == len(survey) else (),
                plane=self._plane,
                max_edge_m=max(self._max_edge_m, PICTURE_EDGE * apart_m),
                coincident="mean",
                source=survey.source,
            )
        except InputError:
            return None
        return self._within_extent(thinned)


def _plane(survey: SurveyPoints) -> Plane:
    """The plane about the middle of most points; a stray one does not carry it away."""
    if not len(survey):
        return Plane(x=0.0, y=0.0, metres_x=1.0, metres_y=1.0)
    step = max(len(survey) // SAMPLE, 1)
    decimals = 0 if survey.crs.is_projected else 4
    x, y = (round(float(np.median(part[::step])), decimals) for part in (survey.x, survey.y))
    return Plane.about(x, y, survey.crs)


def _thinned(x: Floats, y: Floats, box_x: Floats, box_y: Floats) -> tuple[Ints, float]:
    """Points about a box, one a cell where they are many, and the size of these cells; 0 for all of the points."""
    margin = max(float(np.ptp(box_x)), float(np.ptp(box_y))) / 20
    within = (x >= box_x.min() - margin) & (x <= box_x.max() + margin)
    within &= (y >= box_y.min() - margin) & (y <= box_y.max() + margin)
    rows = np.flatnonzero(within)
    if len(rows) <= PICTURE_POINTS:
        return rows, 0.0
    x, y = x[rows], y[rows]
    cells = Cells.over(x, y, count=PICTURE_POINTS, company=1.0)
    first = np.full(len(cells), -1, dtype=np.int64)
    first[cells.number(x[::-1], y[::-1])] = rows[::-1]
    return first[first >= 0], cells.size
