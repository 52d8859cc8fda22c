"""Where points beside the line have their feet on it, and how far they stand from it, on the ground."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.engine.records import Floats, Ints
from geofence.site.true_plane import TrueStretch

__all__ = ["Feet", "feet"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feet:
    """Feet of n points on one run; NaN of those that are not near it.

    Attributes
    ----------
    chainage_m
        (n,) of the foot, in the whole plan.
    away_m
        (n,) from the point to its foot, left of the direction of travel positive.
    beyond_m
        (n,) how much of that is along the line, forth or back: only beyond its ends and outside its turns is it any.
    """

    chainage_m: Floats
    away_m: Floats
    beyond_m: Floats


def feet(stretches: Iterable[TrueStretch], lon_deg: Floats, lat_deg: Floats, *, look_m: float) -> Feet:
    """The nearest places of one run to points, of those within ``look_m`` of it."""
    chainage, away, beyond = (np.full(len(lon_deg), np.nan) for _ in range(3))
    for stretch in stretches:
        xy = stretch.plane.places(lon_deg, lat_deg)
        rows = _near(xy, stretch.xy_m, look_m)
        found = _on(stretch, xy[rows])
        nearer = np.abs(found.away_m) < np.where(np.isnan(away[rows]), look_m, np.abs(away[rows]))
        for every, own in ((chainage, found.chainage_m), (away, found.away_m), (beyond, found.beyond_m)):
            every[rows[nearer]] = own[nearer]
    return Feet(chainage_m=chainage, away_m=away, beyond_m=beyond)


def _near(xy: Floats, line: Floats, look_m: float) -> Ints:
    """Rows of the places in a line's box, so much wider; a place that the plane does not reach is infinite."""
    with np.errstate(invalid="ignore"):
        inside = (xy >= line.min(axis=0) - look_m) & (xy <= line.max(axis=0) + look_m)
    return np.asarray(np.flatnonzero(inside.all(axis=1)), dtype=np.int64)


def _on(stretch: TrueStretch, xy: Floats) -> Feet:
    """The feet of places in a stretch's plane, on that stretch."""
    line, points = shapely.LineString(stretch.xy_m), shapely.points(xy)
    way = np.diff(stretch.xy_m, axis=0)
    length = np.hypot(*way.T)
    reached = np.concatenate([[0.0], np.cumsum(length)])
    along = shapely.line_locate_point(line, points)
    leg = np.clip(np.searchsorted(reached, along, side="right") - 1, 0, len(way) - 1)
    off, ahead = xy - stretch.xy_m[leg], way[leg] / length[leg, None]
    left = ahead[:, 0] * off[:, 1] - ahead[:, 1] * off[:, 0]
    away = shapely.distance(line, points)
    return Feet(
        chainage_m=np.interp(along, reached, stretch.chainage_m),
        away_m=np.where(left < 0, -away, away),
        beyond_m=np.abs((off * ahead).sum(axis=1) - (along - reached[leg])),
    )
