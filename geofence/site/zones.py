"""Drawn shapes beside the line: where the line crosses them, and how near it comes, on the ground."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M
from geofence.plan import ZoneOutline
from geofence.site import grids
from geofence.site.true_plane import TrueStretch

__all__ = ["Crossing", "Drawing", "crossings", "distances", "near_shapes", "nearest", "outlines", "triangle"]

QUARTER = 128
"""Chords in a quarter of a circle round a shape. They lie outside the circle, so nothing comes nearer than it should:
at most 2 parts in 100,000 farther out, 0.02 mm for each metre of the distance."""

TOUCH_M = 0.005
"""A line that touches an area over less than this does not cross it: it ends or bends on its edge."""

EDGE_STEP_M = 50.0
"""Edges are straight in the drawing's own grid; carried over at steps of this they stay so to 0.1 mm."""

LOOK_M = 250.0
"""How far beyond a rule's reach a shape is looked for, to say how near it comes."""

METRES_PER_DEGREE = 111_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """Shapes as drawn.

    Attributes
    ----------
    crs
        The grid they are in.
    shapes
        Valid shapely geometries of any kind, two-dimensional.
    names
        What each is called; empty where it has no name.
    """

    crs: CRS
    shapes: tuple[Any, ...]
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where the line is within reach of a shape.

    ``shape`` and ``run`` are rows, chainages are those of the plan. ``closest_m`` is the least distance from the line
    to the shape as drawn, 0 where they meet, and ``closest_at_m`` its chainage.
    """

    shape: int
    run: int
    from_m: float
    to_m: float
    closest_m: float
    closest_at_m: float


def crossings(
    drawing: Drawing, stretches: Iterable[TrueStretch], to_degrees: Transformer, *, reach_m: float
) -> list[Crossing]:
    """Where the line comes within a distance of the shapes, on the ground; in order of chainage, shape by shape.

    An area's edge is part of it, so a line along an edge crosses it.

    Parameters
    ----------
    drawing
        The shapes.
    stretches
        The line.
    to_degrees
        From the drawing's grid to degrees on the line's datum.
    reach_m
        The distance; 0 for the shapes as drawn.
    """
    found: list[Crossing] = []
    for stretch in stretches:
        for row, shape in near_shapes(drawing, stretch, to_degrees, margin_m=reach_m + LOOK_M):
            found += _within(stretch, shape, row, reach_m)
    return _joined(found)


def nearest(drawing: Drawing, stretches: Iterable[TrueStretch], to_degrees: Transformer, *, reach_m: float) -> float:
    """Distance on the ground from the line to the nearest shape; infinite beyond :data:`LOOK_M` past the reach."""
    least = math.inf
    for stretch in stretches:
        line = shapely.LineString(stretch.xy_m)
        for _, shape in near_shapes(drawing, stretch, to_degrees, margin_m=reach_m + LOOK_M):
            least = min(least, float(shapely.distance(line, shape)))
    return least


def distances(
    drawing: Drawing,
    crossing: Crossing,
    stretches: Iterable[TrueStretch],
    to_degrees: Transformer,
    chainage_m: Floats,
    *,
    reach_m: float,
) -> Floats:
    """(n,) distances on the ground from places on a crossing's run to its shape; infinite where it is far away."""
    apart = np.full(len(chainage_m), np.inf)
    for stretch in stretches:
        first, last = stretch.chainage_m[0] - COINCIDENT_M, stretch.chainage_m[-1] + COINCIDENT_M
        here = (chainage_m >= first) & (chainage_m <= last)
        if stretch.run != crossing.run or not here.any():
            continue
        one = replace(drawing, shapes=(drawing.shapes[crossing.shape],), names=("",))
        for _, shape in near_shapes(one, stretch, to_degrees, margin_m=reach_m + LOOK_M):
            xy = [np.interp(chainage_m[here], stretch.chainage_m, axis) for axis in stretch.xy_m.T]
            apart[here] = np.minimum(apart[here], shapely.distance(shapely.points(*xy), shape))
    return apart


def near_shapes(
    drawing: Drawing, stretch: TrueStretch, to_degrees: Transformer, *, margin_m: float
) -> Iterator[tuple[int, Any]]:
    """The shapes that come near a stretch, with their rows, in its plane and as far as they do."""
    step = _edge_step(drawing.crs)
    box = _box(stretch, to_degrees, margin_m=margin_m)
    rows = range(len(drawing.shapes)) if box is None else np.flatnonzero(_boxes_meet(drawing, box)).tolist()
    for row in rows:
        shape = drawing.shapes[row] if box is None else shapely.clip_by_rect(drawing.shapes[row], *box)
        if not shape.is_empty:
            near = shapely.segmentize(shape, step)
            yield (
                row,
                shapely.transform(near, lambda xy: stretch.plane.places(*to_degrees.transform(xy[:, 0], xy[:, 1]))),
            )


def _edge_step(crs: CRS) -> float:
    """:data:`EDGE_STEP_M` in the units of a grid."""
    return EDGE_STEP_M / (METRES_PER_DEGREE if crs.is_geographic else grids.unit_m(crs))


def _boxes_meet(drawing: Drawing, box: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    west, south, east, north = shapely.bounds(np.array(drawing.shapes, dtype=object)).T
    return np.asarray((west <= box[2]) & (east >= box[0]) & (south <= box[3]) & (north >= box[1]))


def _box(stretch: TrueStretch, to_degrees: Transformer, *, margin_m: float) -> tuple[float, float, float, float] | None:
    """A box in the drawing's grid round all that is within a margin; None where the line passes 180 degrees."""
    lon, lat = stretch.lon_deg, stretch.lat_deg
    if np.ptp(lon) > 180:
        return None
    up = margin_m / METRES_PER_DEGREE * 1.02
    across = up / max(0.01, math.cos(math.radians(min(89.0, float(np.abs(lat).max()) + up))))
    grid_lon, grid_lat = np.meshgrid(
        np.linspace(lon.min() - across, lon.max() + across, 7), np.linspace(lat.min() - up, lat.max() + up, 7)
    )
    x, y = to_degrees.transform(grid_lon.ravel(), grid_lat.ravel(), direction="INVERSE")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        return None
    return float(np.min(x)), float(np.min(y)), float(np.max(x)), float(np.max(y))


def _within(stretch: TrueStretch, shape: Any, row: int, reach_m: float) -> list[Crossing]:
    """The parts of a stretch that are within a distance of a shape in its plane."""
    is_area = shapely.get_dimensions(shape) == 2
    outer = reach_m if reach_m > 0 else COINCIDENT_M
    area = shapely.buffer(shape, outer / math.cos(math.pi / (4 * QUARTER)), quad_segs=QUARTER)
    found = []
    for first, last in _inside(stretch, area):
        start, end = stretch.chainage_of(*first), stretch.chainage_of(*last)
        if reach_m == 0 and is_area and end - start < TOUCH_M:
            continue
        closest, at = _closest(stretch, shape, first, last)
        found.append(Crossing(shape=row, run=stretch.run, from_m=start, to_m=end, closest_m=closest, closest_at_m=at))
    return found


Spot = tuple[int, float]
"""A place on a stretch: the station before it, and the share of the way to the next."""


def _inside(stretch: TrueStretch, area: Any) -> list[tuple[Spot, Spot]]:
    """The parts of a stretch in an area, each segment between two stations taken by itself."""
    segments = shapely.linestrings(np.stack([stretch.xy_m[:-1], stretch.xy_m[1:]], axis=1))
    shapely.prepare(area)
    met = np.flatnonzero(shapely.intersects(area, segments))
    whole = shapely.covers(area, segments[met])
    parts: list[tuple[int, float, float]] = [(int(segment), 0.0, 1.0) for segment in met[whole]]
    cut = met[~whole]
    pieces, owner = shapely.get_parts(shapely.intersection(segments[cut], area), return_index=True)
    for piece, segment in zip(pieces, cut[owner], strict=True):
        start, end = stretch.xy_m[segment], stretch.xy_m[segment + 1]
        run = end - start
        shares = (shapely.get_coordinates(piece) - start) @ run / (run @ run)
        parts.append((int(segment), float(shares.min()), float(shares.max())))
    spots: list[tuple[Spot, Spot]] = []
    for segment, first, last in sorted(parts):
        if spots and _follows(stretch, spots[-1][1], (segment, first)):
            spots[-1] = (spots[-1][0], (segment, last))
        else:
            spots.append(((segment, first), (segment, last)))
    return spots


def _follows(stretch: TrueStretch, before: Spot, after: Spot) -> bool:
    return stretch.chainage_of(*after) - stretch.chainage_of(*before) <= COINCIDENT_M


def _closest(stretch: TrueStretch, shape: Any, first: Spot, last: Spot) -> tuple[float, float]:
    """Least distance from a part of a stretch to a shape, and its chainage."""
    stations = np.arange(first[0] + 1, last[0] + 1)
    xy = np.vstack([_at(stretch, first), stretch.xy_m[stations], _at(stretch, last)])
    chainage = np.array([stretch.chainage_of(*first), *stretch.chainage_m[stations], stretch.chainage_of(*last)])
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    apart = shapely.distance(segments, shape)
    row = int(np.argmin(apart))
    foot = shapely.get_coordinates(shapely.shortest_line(segments[row], shape))[0]
    run = xy[row + 1] - xy[row]
    share = float((foot - xy[row]) @ run / max(float(run @ run), 1e-18))
    return float(apart[row]), float(chainage[row] + min(1.0, max(0.0, share)) * (chainage[row + 1] - chainage[row]))


def _at(stretch: TrueStretch, spot: Spot) -> Floats:
    start, end = stretch.xy_m[spot[0] : spot[0] + 2]
    return np.asarray(start + spot[1] * (end - start))


def _joined(found: Sequence[Crossing]) -> list[Crossing]:
    """Crossings of one shape that go on from one stretch into the next made one."""
    joined: list[Crossing] = []
    for each in sorted(found, key=lambda crossing: (crossing.shape, crossing.run, crossing.from_m)):
        last = joined[-1] if joined else None
        if last and (last.shape, last.run) == (each.shape, each.run) and each.from_m - last.to_m <= TOUCH_M:
            nearer = min(last, each, key=lambda crossing: crossing.closest_m)
            joined[-1] = replace(nearer, from_m=last.from_m, to_m=max(last.to_m, each.to_m))
        else:
            joined.append(each)
    return joined


def triangle(
    apex: tuple[float, float], toward: Sequence[tuple[float, float]], legs_m: Sequence[float], crs: CRS
) -> Any:
    """A visibility triangle as a polygon in a projected grid.

    It reaches from the apex along the directions to two positions, as far as ``legs_m`` on the ellipsoid.

    Raises
    ------
    ValueError
        A position is the apex, or the three are on one line.
    """
    to_degrees = Transformer.from_crs(crs, grids.geographic(crs), always_xy=True)
    geod = grids.ellipsoid(crs)
    lon, lat = (np.asarray(part) for part in to_degrees.transform(*np.array([apex, *toward]).T))
    azimuth, _, apart = geod.inv([lon[0]] * 2, [lat[0]] * 2, lon[1:], lat[1:])
    if min(apart) < COINCIDENT_M or abs(math.sin(math.radians(azimuth[1] - azimuth[0]))) < 1e-6:
        raise ValueError("the sides of the triangle have no angle between them")
    far_lon, far_lat, _ = geod.fwd([lon[0]] * 2, [lat[0]] * 2, azimuth, legs_m)
    x, y = to_degrees.transform(far_lon, far_lat, direction="INVERSE")
    return shapely.Polygon([apex, *zip(x, y, strict=True)])


def outlines(
    drawing: Drawing,
    stretches: Sequence[TrueStretch],
    to_wgs84: Callable[[Floats, Floats], tuple[Floats, Floats]],
    to_degrees: Transformer,
) -> tuple[ZoneOutline, ...]:
    """The shapes near the line as lines, rings and points for a map; ``to_wgs84`` from the drawing's grid.

    Long edges have places at steps of :data:`EDGE_STEP_M`: straight in the drawing's grid, they are bent in degrees.
    """
    found = []
    for shape in drawing.shapes:
        near = shapely.segmentize(_near(shape, stretches, to_degrees), _edge_step(drawing.crs))
        for piece in shapely.get_parts(near):
            area = piece.geom_type == "Polygon"
            for ring in (piece.exterior, *piece.interiors) if area else (piece,):
                xy = shapely.get_coordinates(ring)
                lon, lat = to_wgs84(xy[:, 0], xy[:, 1])
                found.append(ZoneOutline(lon_deg=lon, lat_deg=lat, area=area))
    return tuple(found)


def _near(shape: Any, stretches: Sequence[TrueStretch], to_degrees: Transformer) -> Any:
    """A shape clipped to a box round all the line."""
    boxes = [_box(stretch, to_degrees, margin_m=4 * LOOK_M) for stretch in stretches]
    known = np.array([box for box in boxes if box is not None])
    if len(known) < len(boxes):
        return shape
    return shapely.clip_by_rect(shape, *known[:, :2].min(axis=0), *known[:, 2:].max(axis=0))
