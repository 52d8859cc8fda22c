"""What is drawn of a zone: how far posts are from it, and how far its rule reaches round it, as rings to draw."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Any

import numpy as np
import shapely
from pyproj import Geod, Transformer

from geofence.engine.records import Floats, Ints
from geofence.outputs.on_grid import Carry, from_degrees, grid_crs
from geofence.plan import FencePlan, PlannedZone, ZoneOutline
from geofence.site import grids

__all__ = ["away_m", "drawn_shape", "ground_scale", "reach_m", "reach_rings"]

QUARTER_SEGMENTS = 16
THINNING_SHARE = 0.004
"""Of the reach; less than what sixteen chords to a quarter circle leave out."""

MEAN_RADIUS_M = 6_371_000.0

GRID_FOR_GROUND = 12.0
"""So many units of a grid are more than a metre on the ground: feet, on a grid three times too large."""


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
    drawn = outlines if reach_m > 0 else [outline for outline in outlines if outline.area]
    round_all = drawn_shape(drawn, lambda lon_deg, lat_deg: (lon_deg * per_degree[0], lat_deg * per_degree[1]))
    if reach_m > 0:
        round_all = shapely.buffer(round_all, reach_m, quad_segs=QUARTER_SEGMENTS).simplify(THINNING_SHARE * reach_m)
    return [tuple((xy / per_degree).T) for xy in _rings(round_all)]


def away_m(plan: FencePlan, zone: PlannedZone, *, within_m: float = np.inf) -> Floats:
    """(n,) how far posts' places are from what is drawn, on the ground; 0 within an area, infinite with nothing drawn.

    Measured as findings measure it: by geodesics on the grid's own ellipsoid, at the height of the ground. Told with
    :func:`geofence.numeric.kept_down`, as findings tell it. Farther than ``within_m`` it may be infinite instead.
    """
    away = np.full(len(plan.places.easting), np.inf)
    if not zone.outlines:
        return away
    crs, carry = grid_crs(plan), from_degrees(plan)
    here = np.column_stack([plan.places.easting, plan.places.northing])
    squarely = _metres_per_degree(float(here[:, 1].mean())) if crs.is_geographic else np.ones(2)

    def flat(lon_deg: Floats, lat_deg: Floats) -> tuple[Floats, Floats]:
        easting, northing = carry(lon_deg, lat_deg)
        return easting * squarely[0], northing * squarely[1]

    shape = drawn_shape(zone.outlines, flat)
    near = _in_box(here * squarely, shape.bounds, within_m * GRID_FOR_GROUND)
    here = here[near]
    feet = shapely.get_coordinates(shapely.shortest_line(shapely.points(here * squarely), shape))[1::2] / squarely
    to_degrees = Transformer.from_crs(crs, grids.geographic(crs), always_xy=True)
    ends = np.array([to_degrees.transform(*places.T) for places in (here, feet)]).reshape(4, len(here))
    height_m = plan.fence.posts.ground_level_m[near] + float(plan.value("job.geoid_separation_m", 0.0))
    away[near] = grids.ellipsoid(crs).inv(*ends)[2] * (1.0 + height_m / MEAN_RADIUS_M)
    return away


def _in_box(places: Floats, bounds: tuple[float, float, float, float], beyond: float) -> Ints:
    """Rows of the places in a box, or no farther beyond its sides."""
    lowest, highest = np.array(bounds).reshape(2, 2)
    return np.flatnonzero(np.all((places >= lowest - beyond) & (places <= highest + beyond), axis=1))


def drawn_shape(outlines: Sequence[ZoneOutline], flat: Carry) -> Any:
    """What is drawn as one shape, in the plane to which ``flat`` carries longitudes and latitudes."""
    carried = [(outline.area, np.column_stack(flat(outline.lon_deg, outline.lat_deg))) for outline in outlines]
    areas = [shapely.make_valid(shapely.Polygon(xy)) for area, xy in carried if area and len(xy) > 3]
    rest = [shapely.LineString(xy) if len(xy) > 1 else shapely.Point(xy[0]) for area, xy in carried if not area]
    # Rings of one zone may be holes in each other: what an odd number of them encloses is inside.
    inside = [reduce(shapely.symmetric_difference, areas)] if areas else []
    return shapely.union_all([*inside, *rest])


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
