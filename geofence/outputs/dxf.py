"""``plan.dxf``: the plan as a drawing, on the job's grid at 1:1 in grid units.

Nothing in it is scaled, shifted or turned: x is the easting, y the northing. In a drawing in space, z is the level, in
the same unit. Posts are blocks with their name and levels as attributes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from geofence.engine.records import Finding, Floats
from geofence.outputs import on_grid
from geofence.outputs.digits import fixed
from geofence.outputs.dxf_drawing import Drawing, Layer, Tag
from geofence.outputs.dxf_notes import NOTES, add_notes
from geofence.outputs.dxf_style import (
    BODY,
    GATE,
    HOLE,
    NAME_MM,
    DxfStyle,
    finding_block,
    finding_layers,
    layer_name,
    make_body,
    make_finding_blocks,
    make_post_blocks,
    post_block,
    post_layers,
    zone_layers,
)
from geofence.outputs.dxf_text import line_text, paragraph
from geofence.outputs.findings_order import worst_first
from geofence.outputs.thinned import kept
from geofence.outputs.zone_reach import reach_rings
from geofence.plan import SEVERITIES, FencePlan, Output
from geofence.plan_parts import PlannedZone

__all__ = ["OUTPUT", "write"]

BAY, PANEL, NAMES = "FENCE-BAY", "FENCE-PANEL", "FENCE-POST-NAME"
GROUND, LEG, LEG_TEXT, ZONE_TEXT = "GROUND-LINE", "BOUNDARY-LEG", "BOUNDARY-LEG-TEXT", "ZONE-TEXT"
"""Layers beside those of posts, findings and zones."""

_LEVEL_DECIMALS = 3
_MEAN_RADIUS_M = 6_371_000.0
_GROUND_TOLERANCE_M = 0.005
"""Of the ground line in space: half a centimetre, less than any survey of ground is good for."""
_FLAT_FROM_DEG, _FLAT_TO_DEG = -80.0, 100.0
"""Texts turned so far read from left to right, or upward."""

_CLEAR_OF_NAMES_MM = 16.0

_LETTER_WIDTH = 0.75
"""Of a letter's height: more than figures and small letters take in any common font."""


def write(plan: FencePlan, path: Path, *, style: DxfStyle | None = None) -> None:
    """Write the drawing, as the job's table ``[dxf]`` has it, or as ``style``."""
    style = style or DxfStyle.of(plan)
    kinds = tuple(dict.fromkeys(plan.fence.posts.kind))
    drawing = Drawing(unit_m=plan.grid.unit_m, scale=style.scale, layers=_layers(plan, kinds, style))
    unit = plan.grid.unit_m
    make_post_blocks(drawing, kinds, post=plan.system.post_width_m / unit, hole=plan.system.hole_diameter_m / unit)
    make_finding_blocks(drawing, SEVERITIES)
    _legs(drawing, plan)
    _zones(drawing, plan)
    _bays(drawing, plan, style)
    if style.posts == "3d":
        _bodies(drawing, plan)
    numbered = worst_first(plan.fence.findings)
    _findings(drawing, plan, numbered)
    _posts(drawing, plan, style)
    add_notes(drawing, plan, numbered, _says(plan, style))
    drawing.save(path)


def _says(plan: FencePlan, style: DxfStyle) -> tuple[tuple[str, str], ...]:
    """What this drawing is, for its notes."""
    unit = plan.grid.unit
    space = (
        f"z is the level, in {unit}: posts stand from toe to top, marks and lines lie at ground level"
        if style.posts == "3d"
        else "flat: levels are attributes of the posts"
    )
    return (
        ("drawing", f"x is easting, y northing, at 1:1 in {unit}, grid north up; {space}"),
        ("plot", f"texts and marks are sized for a plot at 1:{style.scale:g}; posts and holes are at true size"),
    )


def _layers(plan: FencePlan, kinds: Sequence[str], style: DxfStyle) -> list[Layer]:
    rules = tuple(dict.fromkeys(zone.rule for zone in plan.zones))
    found = [
        *post_layers(kinds),
        Layer(name=NAMES, description="Names of the posts"),
        Layer(name=HOLE, description="Holes for the posts, at true size", colour=8, width_mm=0.13),
        Layer(name=BAY, description="Bays, from post to post", width_mm=0.35),
        Layer(name=GATE, description="Gates and their names", rgb=(204, 121, 167), width_mm=0.35),
        Layer(name=LEG, description="Legs of the boundary", rgb=(0, 158, 115), dashes_mm=(6.0, -1.5, 1.0, -1.5)),
        Layer(name=LEG_TEXT, description="Numbers, lengths and bearings of the legs", rgb=(0, 158, 115)),
        *zone_layers(rules),
        *([Layer(name=ZONE_TEXT, description="Names and sources of the zones")] if rules else ()),
        *finding_layers(SEVERITIES),
        Layer(name=NOTES, description="What to know of the drawing"),
    ]
    if style.posts == "3d":
        found += [
            Layer(name=BODY, description="Posts from toe to top", colour=8),
            Layer(name=PANEL, description="What hangs between the posts", colour=9),
            Layer(name=GROUND, description="The ground along the line", rgb=(153, 153, 51)),
        ]
    return found


# --------------------------------------------------------------------------------------------------- posts and bays


def _posts(drawing: Drawing, plan: FencePlan, style: DxfStyle) -> None:
    posts, unit = plan.fence.posts, plan.grid.unit_m
    at, turn_deg = _at_posts(plan, style), on_grid.directions_deg(plan)
    height = NAME_MM * drawing.millimetre
    start, reading_deg = _beside(plan, at, turn_deg, height, drawing.millimetre)
    levels = {"GROUND": posts.ground_level_m, "TOP": posts.top_level_m, "TOE": posts.toe_level_m}
    tags = [
        Tag(name="NAME", texts=plan.post_names, layer=NAMES, height=height, at=start, turn_deg=reading_deg),
        *(
            Tag(
                name=name,
                texts=list(fixed(level_m / unit, _LEVEL_DECIMALS, missing="")),
                layer=NAMES,
                height=height,
                at=at,
            )
            for name, level_m in levels.items()
        ),
    ]
    blocks = {kind: post_block(kind) for kind in set(posts.kind)}
    layers = {kind: layer_name("fence", "post", kind) for kind in set(posts.kind)}
    drawing.inserts(
        [blocks[kind] for kind in posts.kind],
        [layers[kind] for kind in posts.kind],
        at,
        turn_deg=turn_deg % 360,
        tags=tags,
    )


def _at_posts(plan: FencePlan, style: DxfStyle) -> Floats:
    """(n, 3) where posts are marked: in the plane, or on the ground."""
    places = plan.places
    level = plan.fence.posts.ground_level_m / plan.grid.unit_m if style.posts == "3d" else np.zeros(len(places.easting))
    return np.column_stack([places.easting, places.northing, level])


def _beside(plan: FencePlan, at: Floats, turn_deg: Floats, height: float, millimetre: float) -> tuple[Floats, Floats]:
    """Where the names of posts begin, square off the fence and clear of mark and hole, and how they are turned."""
    reading_deg = _readable(turn_deg + 90)
    along, up = _axes(reading_deg)
    clear = max(1.6 * millimetre, plan.system.hole_diameter_m / plan.grid.unit_m / 2) + height / 2
    aside = _crowded(plan, at, 1.4 * height) * _LETTER_WIDTH * height * (1 + max(map(len, plan.post_names)))
    start = at.copy()
    start[:, :2] += along * (clear + aside)[:, None] - up * height / 2
    return start, reading_deg


def _crowded(plan: FencePlan, at: Floats, least: float) -> NDArray[np.bool_]:
    """(n,) whether a post is named in a second row: it is too near the one before it, which is named in the first."""
    second = np.zeros(len(at), dtype=bool)
    for run in plan.runs:
        gaps = np.hypot(*np.diff(at[run.posts, :2], axis=0).T)
        near = np.concatenate([[False], gaps < least])
        rows = np.arange(len(near))
        second[run.posts] = (rows - np.maximum.accumulate(np.where(near, 0, rows))) % 2 == 1
    return second


def _readable(turn_deg: Floats) -> Floats:
    """Turns of texts, or half a turn more where they would stand on their head; on end, they are read upward."""
    turn_deg = (turn_deg - _FLAT_FROM_DEG) % 360 + _FLAT_FROM_DEG
    return np.where(turn_deg > _FLAT_TO_DEG, turn_deg - 180, turn_deg)


def _axes(turn_deg: Floats) -> tuple[Floats, Floats]:
    """(n, 2) of texts that are turned, the directions along their line and up from it."""
    turn = np.radians(turn_deg)
    return np.column_stack([np.cos(turn), np.sin(turn)]), np.column_stack([-np.sin(turn), np.cos(turn)])


def _bays(drawing: Drawing, plan: FencePlan, style: DxfStyle) -> None:
    bays, at = plan.fence.bays, _at_posts(plan, style)
    layers = [GATE if kind == "gate" else BAY for kind in bays.kind]
    drawing.lines(layers, at[bays.from_post], at[bays.to_post])


def _bodies(drawing: Drawing, plan: FencePlan) -> None:
    """Posts from toe to top, what hangs between them, and the ground, all at their levels."""
    posts, bays, unit = plan.fence.posts, plan.fence.bays, plan.grid.unit_m
    make_body(drawing, post=plan.system.post_width_m / unit)
    foot = np.column_stack([plan.places.easting, plan.places.northing, posts.toe_level_m / unit])
    turn_deg = on_grid.directions_deg(plan) % 360
    drawing.inserts(BODY, BODY, foot, turn_deg=turn_deg, stretch=posts.length_m / unit)
    ends = foot[np.column_stack([bays.from_post, bays.to_post, bays.to_post, bays.from_post])]
    levels_m = np.column_stack([bays.underside_from_m, bays.underside_to_m, bays.top_to_m, bays.top_from_m])
    ends[:, :, 2] = levels_m / unit
    drawing.faces(PANEL, ends)
    stations = plan.stations
    for run in plan.runs:
        chainage_m, level_m = stations.chainage_m[run.stations], stations.ground_level_m[run.stations]
        rows = run.stations[kept(chainage_m, level_m, tolerance_m=_GROUND_TOLERANCE_M)]
        ground = np.column_stack(
            [stations.easting[rows], stations.northing[rows], stations.ground_level_m[rows] / unit]
        )
        drawing.path_in_space(GROUND, ground)


# ------------------------------------------------------------------------------------------------- what is beside it


def _legs(drawing: Drawing, plan: FencePlan) -> None:
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
    turn_deg = _readable(bearing_deg)
    along, up = _axes(turn_deg)
    width = np.array([len(text) * _LETTER_WIDTH * height for text in texts])
    names, _ = _axes(_readable(bearing_deg + 90))
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


def _zones(drawing: Drawing, plan: FencePlan) -> None:
    """Each zone as it is drawn, how far its rule reaches round it, its name and what says so."""
    if not plan.zones:
        return
    carry = on_grid.from_degrees(plan)
    ground_m = float(np.mean(plan.stations.ground_level_m))
    scale = 1.0 + ground_m / _MEAN_RADIUS_M
    for zone in plan.zones:
        shapes = []
        for outline in zone.outlines:
            places = np.column_stack(carry(outline.lon_deg, outline.lat_deg))
            shapes.append(places)
            if len(places) == 1:
                places = places + np.array([[-1, 0], [1, 0], [0, 0], [0, 1], [0, -1]]) * drawing.millimetre
            closed = outline.area and np.array_equal(places[0], places[-1])
            drawing.path(layer_name("zone", zone.rule), places[:-1] if closed else places, closed=outline.area)
        reach_m = zone.buffer_m + (zone.limit_m if zone.rule == "setback" else 0.0)
        if reach_m > 0:
            _reach(drawing, carry, zone, reach_m, scale)
        if shapes:
            _zone_text(drawing, plan, zone, shapes, reach_m)


def _reach(
    drawing: Drawing, carry: Callable[..., tuple[Floats, Floats]], zone: PlannedZone, reach_m: float, scale: float
) -> None:
    for lon_deg, lat_deg in reach_rings(zone.outlines, reach_m, scale=scale):
        ring = np.column_stack(carry(lon_deg, lat_deg))
        drawing.path(layer_name("zone", zone.rule, "reach"), ring[:-1], closed=True)


def _zone_text(drawing: Drawing, plan: FencePlan, zone: PlannedZone, shapes: Sequence[Floats], reach_m: float) -> None:
    """A zone's name, rule and source where it comes near the fence, clear of the names of posts."""
    height = NAME_MM * drawing.millimetre
    ways = shapely.segmentize([shapely.LineString(way) for way in shapes if len(way) > 1], 4 * drawing.millimetre)
    places = np.vstack([shapely.get_coordinates(ways), *(way for way in shapes if len(way) == 1)])
    fence = shapely.multipoints(np.column_stack([plan.places.easting, plan.places.northing]))
    shapely.prepare(fence)
    away = shapely.distance(shapely.points(places), fence)
    clear = np.flatnonzero(away >= _CLEAR_OF_NAMES_MM * drawing.millimetre)
    at = places[clear[np.argmin(away[clear])] if len(clear) else np.argmax(away)]
    rule = f"{zone.rule}, {reach_m:g} m around" if reach_m else zone.rule
    lines = [paragraph(zone.name), paragraph(rule), *([paragraph(zone.source)] if zone.source else ())]
    place = (float(at[0]) + height, float(at[1]) - height)
    drawing.note(ZONE_TEXT, r"\P".join(lines), place, height=height, width=60 * drawing.millimetre)


def _findings(drawing: Drawing, plan: FencePlan, numbered: Sequence[Finding]) -> None:
    """Each finding that has a place: a mark with its number in the notes, and the stretch that it is about."""
    along = on_grid.chains(plan)
    height = NAME_MM * drawing.millimetre
    rows, at = [], []
    for row, finding in enumerate(numbered):
        path = on_grid.finding_path(plan, along, finding)
        if path is None:
            continue
        rows.append(row)
        at.append(_middle(path))
        if len(path) > 1:
            drawing.path(layer_name("finding", finding.severity), path, width=0.8 * drawing.millimetre)
    if not rows:
        return
    places = np.column_stack([np.array(at), np.zeros(len(at))])
    beside = places + np.array([1.7, -1.7 - NAME_MM, 0.0]) * drawing.millimetre
    layers = [layer_name("finding", numbered[row].severity) for row in rows]
    upright = np.zeros(len(rows))
    tags = [
        Tag(
            name="NUMBER", texts=[str(row + 1) for row in rows], layer=NOTES, height=height, at=beside, turn_deg=upright
        ),
        Tag(name="CODE", texts=[line_text(numbered[row].code) for row in rows], layer=NOTES, height=height, at=beside),
        Tag(
            name="MESSAGE",
            texts=[line_text(numbered[row].message) for row in rows],
            layer=NOTES,
            height=height,
            at=beside,
        ),
    ]
    blocks = [finding_block(numbered[row].severity) for row in rows]
    drawing.inserts(blocks, layers, places, turn_deg=upright, tags=tags)


def _middle(path: Floats) -> Floats:
    """The place half way along a path (n, 2)."""
    if len(path) == 1:
        return np.asarray(path[0])
    so_far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    return np.array([np.interp(so_far[-1] / 2, so_far, column) for column in path.T])


OUTPUT = Output(filename="plan.dxf", title="The plan as a drawing (DXF)", write=write, standing=False)
