"""How far a zone's rule reaches round what is drawn, as rings to draw."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Any

import numpy as np
import shapely
from pyproj import Geod

from geofence.engine.records import Floats
from geofence.plan import FencePlan, PlannedZone, ZoneOutline

__all__ = ["away_m", "ground_scale", "reach_m", "reach_rings"]

QUARTER_SEGMENTS = 16
THINNING_SHARE = 0.004
"""Of the reach; less than what sixteen chords to a quarter circle leave out."""

MEAN_RADIUS_M = 6_371_000.0


def reach_m(zone: PlannedZone) -> float:
    """How far a zone's rule reaches round what is drawn, on the ground."""
    return zone.buffer_m + (zone.limit_m if zone.rule == "setback" else 0.0)


def ground_scale(plan: FencePlan) -> float:
    """Ground distance divided by distance on the ellipsoid, at the mean height of the ground along the line."""
    height_m = float(np.mean(plan.stations.ground_level_m)) + float(plan.value("job.geoid_separation_m", 0.0))
    return 1.0 + height_m / MEAN_RADIUS_M


def reach_rings(outlines: Sequence[ZoneOutline], reach_m: float, *, scale: float) -> list[tuple[Floats, Floats]]:
    """Longitudes and latitudes of the rings round all within ``reach_m`` of the outlines, on the ground.

    ``scale`` is ground distance divided by distance on the ellipsoid. Outer rings run one way and holes the other, so
    that any number of zones may be filled as one by the nonzero rule. Without a reach, areas as drawn.
    """
    if not outlines:
        return []
    lat_deg = np.concatenate([outline.lat_deg for outline in outlines])
    per_degree = _metres_per_degree(float(lat_deg.min() + lat_deg.max()) / 2) * scale
    areas, rest = _drawn(outlines, per_degree)
    # Rings of one zone may be holes in each other: what an odd number of them encloses is inside.
    inside = [reduce(shapely.symmetric_difference, areas)] if areas else []
    round_all = shapely.union_all([*inside, *(rest if reach_m > 0 else ())])
    if reach_m > 0:
        round_all = shapely.buffer(round_all, reach_m, quad_segs=QUARTER_SEGMENTS).simplify(THINNING_SHARE * reach_m)
    return [tuple((xy / per_degree).T) for xy in _rings(round_all)]


def away_m(outlines: Sequence[ZoneOutline], lon_deg: Floats, lat_deg: Floats, *, scale: float) -> Floats:
    """(n,) how far places are from what is drawn, on the ground; 0 within an area. ``scale`` as above."""
    middle_deg = float(lat_deg.min() + lat_deg.max()) / 2
    per_degree = _metres_per_degree(middle_deg) * scale
    areas, rest = _drawn(outlines, per_degree)
    inside = [reduce(shapely.symmetric_difference, areas)] if areas else []
    points = shapely.points(np.column_stack([lon_deg, lat_deg]) * per_degree)
    return np.asarray(shapely.distance(shapely.union_all([*inside, *rest]), points))


def _drawn(outlines: Sequence[ZoneOutline], per_degree: Floats) -> tuple[list[Any], list[Any]]:
    """Rings of areas, and the lines and points, in metres."""
    flat = [(outline.area, np.column_stack([outline.lon_deg, outline.lat_deg]) * per_degree) for outline in outlines]
    areas = [shapely.make_valid(shapely.Polygon(xy)) for area, xy in flat if area and len(xy) > 3]
    rest = [shapely.LineString(xy) if len(xy) > 1 else shapely.Point(xy[0]) for area, xy in flat if not area]
    return areas, rest


def _rings(shape: Any) -> list[Floats]:
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and not part.is_empty]
    polygons = [shapely.geometry.polygon.orient(part) for part in parts]
    return [shapely.get_coordinates(ring) for part in polygons for ring in (part.exterior, *part.interiors)]


def _metres_per_degree(lat_deg: float) -> Floats:
    """On the ellipsoid, east and north, by short geodesics."""
    wgs84, step_deg = Geod(ellps="WGS84"), 1e-3
    _, _, east = wgs84.inv(0.0, lat_deg, step_deg, lat_deg)
    _, _, north = wgs84.inv(0.0, lat_deg - step_deg / 2, 0.0, lat_deg + step_deg / 2)
    return np.array([east, north]) / step_deg
