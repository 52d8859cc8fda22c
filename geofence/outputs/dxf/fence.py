"""The fence in a drawing (DXF): posts, bays and gates, in the plane or in space."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.outputs import on_grid
from geofence.outputs.digits import fixed
from geofence.outputs.dxf.blocks import POST_BODY, POST_TAGS, make_body, make_post
from geofence.outputs.dxf.drawing import Drawing, Tag
from geofence.outputs.dxf.layers import BAY, BODY, GATE, GATE_NAME, GROUND, NAME, PANEL, SWING, post_layer
from geofence.outputs.dxf.lettering import LETTER_WIDTH, axes, readable, second_row
from geofence.outputs.dxf.style import NAME_MM, PostsAs
from geofence.outputs.dxf.text import paragraph
from geofence.outputs.post_sizes import Sizes
from geofence.outputs.thinned import kept
from geofence.plan import FencePlan

__all__ = ["add_bays", "add_bodies", "add_gates", "add_posts"]

_LEVEL_DECIMALS = 3
_GATE_NAME_MM = 8.5
"""From the fence, beyond what is written of legs and findings."""

_GROUND_TOLERANCE_M = 0.005
"""Of the ground line in space: half a centimetre, less than any survey of ground is good for."""


def add_posts(drawing: Drawing, plan: FencePlan, posts_as: PostsAs) -> None:
    """Posts where they stand; from one that exists beside its place on the line a stroke to that place."""
    posts, unit = plan.fence.posts, plan.grid.unit_m
    at, turn_deg = _at_posts(plan, posts_as), on_grid.directions_deg(plan)
    on_line = at.copy()
    at[:, :2] = on_grid.stands(plan)
    aside = np.flatnonzero(np.any(at != on_line, axis=1))
    drawing.lines([post_layer(posts.kind[row]) for row in aside], on_line[aside], at[aside])
    height = NAME_MM * drawing.millimetre
    start, reading_deg = _beside(plan, on_line, at, turn_deg, drawing.millimetre)
    levels_m = (posts.ground_level_m, posts.top_level_m, posts.toe_level_m)
    levels = [list(fixed(level_m / unit, _LEVEL_DECIMALS, missing="")) for level_m in levels_m]
    name, *rest = POST_TAGS
    tags = [
        Tag(name=name, texts=plan.post_names, layer=NAME, height=height, at=start, turn_deg=reading_deg),
        *(
            Tag(name=tag, texts=texts, layer=NAME, height=height, at=at)
            for tag, texts in zip(rest, levels, strict=True)
        ),
    ]
    layers = {kind: post_layer(kind) for kind in posts.kind}
    drawing.inserts(
        _blocks(drawing, plan), [layers[kind] for kind in posts.kind], at, turn_deg=turn_deg % 360, tags=tags
    )


def _blocks(drawing: Drawing, plan: FencePlan) -> list[str]:
    """(n,) the name of each post's block: one for each kind, and one more where posts of a kind differ in size."""
    names: dict[tuple[str, float, float], str] = {}
    sizes, found = Sizes.of(plan), []
    for kind, width_m, hole_m in zip(plan.fence.posts.kind, sizes.width_m.tolist(), sizes.hole_m.tolist(), strict=True):
        size = (kind, width_m, hole_m)
        if size not in names:
            others = sum(other[0] == kind for other in names)
            names[size] = f"POST-{kind.upper()}" + (f"-{others + 1}" if others else "")
            unit = plan.grid.unit_m
            make_post(drawing, names[size], kind, width=width_m / unit, hole=hole_m / unit)
        found.append(names[size])
    return found


def _at_posts(plan: FencePlan, posts_as: PostsAs) -> Floats:
    """(n, 3) the posts' places on the line: in the plane, or on the ground."""
    places = plan.places
    level = plan.fence.posts.ground_level_m / plan.grid.unit_m if posts_as == "3d" else np.zeros(len(places.easting))
    return np.column_stack([places.easting, places.northing, level])


def _beside(plan: FencePlan, on_line: Floats, at: Floats, turn_deg: Floats, millimetre: float) -> tuple[Floats, Floats]:
    """Where the names of posts begin, square off the fence and clear of mark and hole, and how they are turned."""
    height = NAME_MM * millimetre
    reading_deg = readable(turn_deg + 90)
    along, up = axes(reading_deg)
    clear = max(1.6 * millimetre, plan.system.hole_diameter_m / plan.grid.unit_m / 2) + height / 2
    aside = _crowded(plan, on_line, 1.4 * height) * LETTER_WIDTH * height * (1 + max(map(len, plan.post_names)))
    beyond = np.sum((at - on_line)[:, :2] * along, axis=1).clip(min=0.0)
    start = on_line.copy()
    start[:, :2] += along * (clear + aside + beyond)[:, None] - up * height / 2
    return start, reading_deg


def _crowded(plan: FencePlan, at: Floats, least: float) -> NDArray[np.bool_]:
    """(n,) whether a post is named in a second row: it is too near the one before it, which is named in the first."""
    second = np.zeros(len(at), dtype=bool)
    for run in plan.runs:
        gaps = np.hypot(*np.diff(at[run.posts, :2], axis=0).T)
        second[run.posts] = second_row(gaps, least)
    return second


def add_bays(drawing: Drawing, plan: FencePlan, posts_as: PostsAs) -> None:
    """Bays and gates as lines from post to post: in the plane, or in space on the ground."""
    bays, at = plan.fence.bays, _at_posts(plan, posts_as)
    layers = [GATE if kind == "gate" else BAY for kind in bays.kind]
    drawing.lines(layers, at[bays.from_post], at[bays.to_post])


def add_gates(drawing: Drawing, plan: FencePlan) -> None:
    """The gates' names, on the side away from the posts' names, and the ways in which their leaves open."""
    height = NAME_MM * drawing.millimetre
    places, bays = plan.places, plan.fence.bays
    for gate in plan.gates:
        ends = [bays.from_post[gate.bay], bays.to_post[gate.bay]]
        posts = np.column_stack([places.easting[ends], places.northing[ends]])
        way = posts[1] - posts[0]
        direction_deg = np.degrees(np.arctan2(way[1:], way[:1]))
        names, _ = axes(readable(direction_deg + 90))
        at = posts.mean(axis=0) - names[0] * (_GATE_NAME_MM * drawing.millimetre)
        turn_deg = float(readable(direction_deg)[0])
        drawing.note(
            GATE_NAME, paragraph(gate.name), tuple(at.tolist()), height=height, turn_deg=turn_deg, hold="middle"
        )
        for leaf in gate.ways:
            tips = np.column_stack([leaf.easting, leaf.northing])
            hinge = np.array([[places.easting[leaf.post], places.northing[leaf.post]]])
            drawing.path(SWING, tips if leaf.side == "slide" else np.vstack([tips, hinge]))


def add_bodies(drawing: Drawing, plan: FencePlan) -> None:
    """Posts from toe to top, what hangs between them, and the ground, all at their levels."""
    posts, bays, unit = plan.fence.posts, plan.fence.bays, plan.grid.unit_m
    foot_m = posts.foot_level_m
    foot = np.column_stack([on_grid.stands(plan), foot_m / unit])
    turn_deg = on_grid.directions_deg(plan) % 360
    widths_m = Sizes.of(plan).width_m.tolist()
    names = {width_m: f"{POST_BODY}-{width_m * 1000:.6g}".replace(".", "_") for width_m in widths_m}
    for width_m, name in names.items():
        make_body(drawing, name, width=width_m / unit)
    blocks = [names[width_m] for width_m in widths_m]
    drawing.inserts(blocks, BODY, foot, turn_deg=turn_deg, stretch=(posts.top_level_m - foot_m) / unit)
    ends = _at_posts(plan, "3d")[np.column_stack([bays.from_post, bays.to_post, bays.to_post, bays.from_post])]
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
