"""Surveys for tests: points in metres from a corner, put into a grid."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.site.survey_points import SurveyPoints

GRID = CRS("EPSG:27700")
CORNER = np.array([412_300.0, 287_600.0])

Array = NDArray[np.float64]


def survey(
    points: Array,
    level_m: Array | Sequence[float],
    *,
    lines: Sequence[Array] = (),
    faces: NDArray[np.int64] | None = None,
    crs: CRS = GRID,
) -> SurveyPoints:
    """Points (n, 2) from the corner; break lines (k, 2) or, with levels, (k, 3)."""
    x, y = (np.asarray(points, dtype=np.float64) + CORNER).T
    shifted = [np.column_stack([line[:, :2] + CORNER, line[:, 2:]]) for line in lines]
    return SurveyPoints(
        x=x,
        y=y,
        level_m=np.asarray(level_m, dtype=np.float64),
        crs=crs,
        files=(Path("points.csv"),),
        source="points.csv",
        break_lines=tuple(shifted),
        faces=faces,
    )


def along(corners: Sequence[Sequence[float]] | Array, count: int) -> Array:
    """(count, 2) places evenly along a polyline of corners."""
    corners = np.asarray(corners, dtype=np.float64)
    at = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    way = np.linspace(0, at[-1], count)
    return rounded(np.column_stack([np.interp(way, at, corners[:, 0]), np.interp(way, at, corners[:, 1])]))


def rounded(places: Array) -> Array:
    """Places as they come back from the grid, where float64 resolves 6e-11 m."""
    return (np.asarray(places) + CORNER) - CORNER


def at(places: Array) -> tuple[Array, Array]:
    """Places from the corner, as x, y in the grid."""
    x, y = (np.asarray(places, dtype=np.float64) + CORNER).T
    return x, y


def turned(points: Array, angle_deg: float) -> Array:
    """Points turned about the corner."""
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(points) @ np.array([[cos, sin], [-sin, cos]])
