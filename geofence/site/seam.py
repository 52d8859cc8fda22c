"""The outline of a survey: where its surface ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, Delaunay

from geofence.engine.records import Floats
from geofence.site.plane import Plane
from geofence.site.survey_points import SurveyPoints

__all__ = ["Outline", "outline"]

SPACING_M = 1.0
"""Places along the outline are at most so far apart: closer than the posts of any fence."""

MANY = 200_000
"""Of a survey with more points the outline is its convex hull: to triangulate them all takes seconds."""

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """Places along an outline.

    Attributes
    ----------
    x, y
        (n,) in the survey's grid.
    level_m
        (n,) the survey's level there: linear along each edge.
    inward_x, inward_y
        (n,) the direction into the survey, one metre long, in the grid's unit.
    """

    x: Floats
    y: Floats
    level_m: Floats
    inward_x: Floats
    inward_y: Floats

    def inward(self, by_m: float) -> tuple[Floats, Floats]:
        """The places moved into the survey."""
        return self.x + self.inward_x * by_m, self.y + self.inward_y * by_m


def outline(survey: SurveyPoints, *, max_edge_m: float | None = None) -> Outline:
    """The outline of a survey's triangles, or of the faces that it comes with.

    Triangles with an edge over ``max_edge_m`` are none, so that the outline of a strip follows the strip.
    """
    plane = Plane.about(float(np.median(survey.x)), float(np.median(survey.y)), survey.crs)
    x, y = plane.local(survey.x, survey.y)
    start, end, third = _edges(x, y, _triangles(survey, x, y, max_edge_m))
    length = np.hypot(x[end] - x[start], y[end] - y[start])
    parts = np.maximum(np.ceil(length / SPACING_M).astype(int), 1)
    edge = np.repeat(np.arange(len(start)), parts)
    share = (np.arange(len(edge)) - np.repeat(np.cumsum(parts) - parts, parts) + 0.5) / parts[edge]

    def along(values: Floats) -> Floats:
        return np.asarray(values[start[edge]] + share * (values[end[edge]] - values[start[edge]]))

    across, up = -(y[end] - y[start]) / length, (x[end] - x[start]) / length
    side = np.sign(across * (x[third] - x[start]) + up * (y[third] - y[start]))
    return Outline(
        x=along(survey.x),
        y=along(survey.y),
        level_m=along(survey.level_m),
        inward_x=(side * across / plane.metres_x)[edge],
        inward_y=(side * up / plane.metres_y)[edge],
    )


def _triangles(survey: SurveyPoints, x: Floats, y: Floats, max_edge_m: float | None) -> Ints:
    """(m, 3) rows of the corners of the triangles that make up the surface; a fan over the hull of a large survey."""
    if survey.faces is not None:
        return survey.faces
    places = np.column_stack([x, y])
    if len(x) > MANY:
        hull = ConvexHull(places).vertices.astype(np.int64)
        return np.asarray(np.column_stack([np.full(len(hull) - 2, hull[0]), hull[1:-1], hull[2:]]))
    triangles: Ints = Delaunay(places).simplices.astype(np.int64)
    if max_edge_m is None:
        return triangles
    corners = places[triangles]
    longest = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    return np.asarray(triangles[longest <= max_edge_m])


def _edges(x: Floats, y: Floats, triangles: Ints) -> tuple[Ints, Ints, Ints]:
    """Start, end and opposite corner of each edge that belongs to one triangle only; edges without length left out."""
    start, end, third = (np.roll(triangles, -turn, axis=1).ravel() for turn in range(3))
    _, first, count = np.unique(
        np.column_stack([np.minimum(start, end), np.maximum(start, end)]), axis=0, return_index=True, return_counts=True
    )
    lone = np.sort(first[count == 1])
    lone = lone[np.hypot(x[end[lone]] - x[start[lone]], y[end[lone]] - y[start[lone]]) > 0]
    return start[lone], end[lone], third[lone]
