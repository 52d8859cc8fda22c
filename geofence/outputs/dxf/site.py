"""What is beside the fence in a drawing (DXF): legs of the boundary, marks on the ground, zones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs import on_grid
from geofence.outputs.digits import fixed
from geofence.outputs.dxf.blocks import MARK_BLOCK, MARK_TAGS, make_mark
from geofence.outputs.dxf.drawing import Drawing, Tag
from geofence.outputs.dxf.layers import LEG, LEG_TEXT, MARK, ZONE_TEXT, reach_layer, zone_layer
from geofence.outputs.dxf.lettering import LETTER_WIDTH, axes, readable
from geofence.outputs.dxf.style import NAME_MM
from geofence.outputs.dxf.text import line_text, paragraph
from geofence.outputs.zone_reach import ground_scale, reach_m, reach_rings
from geofence.plan import FencePlan
from geofence.plan_parts import PlannedZone

__all__ = ["add_legs", "add_marks", "add_zones"]

_CLEAR_OF_NAMES_MM = 16.0
_ROOM_FOR_A_NAME_MM = 8.0


def add_legs(drawing: Drawing, plan: FencePlan) -> None:
    """Each leg with its number, its length on the ground and its bearing, on the side away from the posts' names."""
    ends = on_grid.leg_ends(plan)
    height = NAME_MM * drawing.millimetre
    flat = np.zeros((len(ends), 1))
    drawing.lines(LEG, np.hstack([ends[:, :2], flat]), np.hstack([ends[:, 2:], flat]))
    texts = [
        f"leg {number}  {length:.3f} m  {bearing:.4f}%%d"
        for number, length, bearing in zip(
            plan.legs.number, plan.legs.ground_distance_m.tolist(), plan.legs.bearing_deg.tolist(), strict=True
        )
    ]
    way = ends[:, 2:] - ends[:, :2]
    bearing_deg = np.degrees(np.arctan2(way[:, 1], way[:, 0]))
    turn_deg = readable(bearing_deg)
    along, up = axes(turn_deg)
    width = np.array([len(text) * LETTER_WIDTH * height for text in texts])
    names, _ = axes(readable(bearing_deg + 90))
    above = (np.sum(names * up, axis=1) < 0)[:, None]
    clear = 2.0 * drawing.millimetre
    start = (ends[:, :2] + ends[:, 2:]) / 2 - along * width[:, None] / 2
    start += np.where(above, clear, -clear - height) * up
    room = np.flatnonzero(np.hypot(*way.T) > width)
    drawing.texts(
        LEG_TEXT,
        [texts[row] for row in room.tolist()],
        height,
        np.hstack([start, flat])[room],
        turn_deg=turn_deg[room],
    )


def add_marks(drawing: Drawing, plan: FencePlan) -> None:
    """Marks on the ground that posts are tied to, with their names where there is room, and their levels."""
    marks = plan.marks
    if not len(marks):
        return
    make_mark(drawing)
    height = NAME_MM * drawing.millimetre
    at = np.column_stack([marks.easting, marks.northing, np.zeros(len(marks))])
    points = shapely.points(at[:, :2])
    tree = shapely.STRtree(points)
    near = tree.query(points, predicate="dwithin", distance=_ROOM_FOR_A_NAME_MM * drawing.millimetre)
    alone = np.bincount(near[0], minlength=len(at)) == 1
    names = [line_text(name) for name in marks.name]
    levels = list(fixed(marks.level_m / plan.grid.unit_m, 3, missing=""))
    for rows, shown in ((np.flatnonzero(alone), True), (np.flatnonzero(~alone), False)):
        beside = at[rows] + np.array([1.0, -1.0, 0.0]) * 1.6 * drawing.millimetre - (0.0, height, 0.0)
        turn_deg = np.zeros(len(rows))
        tags = [
            Tag(
                name=name,
                texts=[texts[row] for row in rows.tolist()],
                layer=MARK,
                height=height,
                at=beside,
                turn_deg=turn_deg if shown and name == "NAME" else None,
            )
            for name, texts in zip(MARK_TAGS, (names, marks.kind, levels), strict=True)
        ]
        drawing.inserts(MARK_BLOCK, MARK, at[rows], turn_deg=turn_deg, tags=tags)


def add_zones(drawing: Drawing, plan: FencePlan) -> None:
    """Each zone as it is drawn, how far its rule reaches round it, its name and what says so."""
    if not plan.zones:
        return
    carry = on_grid.from_degrees(plan)
    scale = ground_scale(plan)
    for zone in plan.zones:
        shapes = []
        for outline in zone.outlines:
            places = np.column_stack(carry(outline.lon_deg, outline.lat_deg))
            shapes.append(places)
            if len(places) == 1:
                places = places + np.array([[-1, 0], [1, 0], [0, 0], [0, 1], [0, -1]]) * drawing.millimetre
            closed = outline.area and np.array_equal(places[0], places[-1])
            drawing.path(zone_layer(zone.rule), places[:-1] if closed else places, closed=outline.area)
        if reach_m(zone) > 0:
            _reach(drawing, carry, zone, scale)
        if shapes:
            _zone_text(drawing, plan, zone, shapes)


def _reach(drawing: Drawing, carry: on_grid.Carry, zone: PlannedZone, scale: float) -> None:
    for lon_deg, lat_deg in reach_rings(zone.outlines, reach_m(zone), scale=scale):
        ring = np.column_stack(carry(lon_deg, lat_deg))
        drawing.path(reach_layer(zone.rule), ring[:-1], closed=True)


def _zone_text(drawing: Drawing, plan: FencePlan, zone: PlannedZone, shapes: Sequence[Floats]) -> None:
    """A zone's name, rule and source where it comes near the fence, clear of the names of posts."""
    height = NAME_MM * drawing.millimetre
    ways = shapely.segmentize([shapely.LineString(way) for way in shapes if len(way) > 1], 4 * drawing.millimetre)
    places = np.vstack([shapely.get_coordinates(ways), *(way for way in shapes if len(way) == 1)])
    fence = shapely.multipoints(np.column_stack([plan.places.easting, plan.places.northing]))
    shapely.prepare(fence)
    away = shapely.distance(shapely.points(places), fence)
    clear = np.flatnonzero(away >= _CLEAR_OF_NAMES_MM * drawing.millimetre)
    at = places[clear[np.argmin(away[clear])] if len(clear) else np.argmax(away)]
    reach = reach_m(zone)
    rule = f"{zone.rule}, {reach:g} m around" if reach else zone.rule
    lines = [paragraph(zone.name), paragraph(rule), *([paragraph(zone.source)] if zone.source else ())]
    place = (float(at[0]) + height, float(at[1]) - height)
    drawing.note(ZONE_TEXT, r"\P".join(lines), place, height=height, width=60 * drawing.millimetre)
