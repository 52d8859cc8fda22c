"""How drawings (DXF) look: what may be chosen, their layers, and the marks of posts and findings."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from ezdxf.layouts import BlockLayout

from geofence.outputs.dxf_drawing import Drawing, Layer
from geofence.plan import FencePlan

__all__ = [
    "BODY",
    "GATE",
    "HOLE",
    "NAME_MM",
    "NOTE_MM",
    "DxfStyle",
    "finding_block",
    "finding_layers",
    "layer_name",
    "make_body",
    "make_finding_blocks",
    "make_post_blocks",
    "post_block",
    "post_layers",
    "zone_layers",
]

NAME_MM, NOTE_MM = 1.8, 2.5
"""Heights of letters on paper, out of the steps of ISO 3098."""

PostsAs = Literal["2d", "3d"]

HOLE, BODY, GATE = "FENCE-HOLE", "FENCE-POST-BODY", "FENCE-GATE"

_POST_COLOURS = {
    "corner": (0, 114, 178),
    "gate": (204, 121, 167),
    "junction": (0, 158, 115),
    "strainer": (86, 180, 233),
    "existing": (230, 159, 0),
}
"""Okabe and Ito (2008); other kinds are black or white, as the background asks for."""

_FINDING_COLOURS = {"stop": (213, 94, 0), "warn": (230, 159, 0), "note": (0, 114, 178)}

_ZONE_COLOURS = {
    "keep-clear": (238, 51, 119),
    "no-fence": (204, 51, 17),
    "setback": (0, 119, 187),
    "max-height": (0, 153, 136),
    "splay": (238, 119, 51),
    "flood": (51, 187, 238),
    "consult": (153, 153, 51),
}
"""The vibrant scheme of P. Tol (2021), and an olive of his muted one: they show on white and on black."""

_SIDES = {"line": 0, "bend": 0, "end": 4, "corner": 4, "gate": 4, "junction": 3, "strainer": 5, "existing": 6}
_RADII_MM = {"line": 0.6, "bend": 0.9}
_TURNED = ("end", "gate")
_RADIUS_MM = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class DxfStyle:
    """What may be chosen of a drawing.

    ``posts``: marks in the plane, or bodies from toe to top at their levels as well. ``scale``: of the plot that texts
    and marks are sized for, 500 for 1:500. ``exaggeration``: how many times heights are drawn in the long-section.
    """

    posts: PostsAs = "2d"
    scale: float = 500.0
    exaggeration: float = 5.0

    @classmethod
    def of(cls, plan: FencePlan) -> DxfStyle:
        """What the plan's job says in its table ``[dxf]``."""
        given = {name: plan.parameters.get(f"dxf.{name}") for name in ("posts", "scale", "exaggeration")}
        chosen: dict[str, Any] = {name: item.value for name, item in given.items() if item is not None}
        return cls(**chosen)


def layer_name(*words: str) -> str:
    """The name of a layer, as every release of every program takes it: capitals, digits and hyphens.

    >>> layer_name("zone", "keep-clear")
    'ZONE-KEEP-CLEAR'
    """
    return re.sub(r"[^A-Z0-9]+", "-", "-".join(words).upper()).strip("-")


def post_layers(kinds: Iterable[str]) -> list[Layer]:
    return [
        Layer(name=layer_name("fence", "post", kind), description=f"{kind} posts", rgb=_POST_COLOURS.get(kind))
        for kind in kinds
    ]


def finding_layers(severities: Iterable[str]) -> list[Layer]:
    return [
        Layer(
            name=layer_name("finding", severity),
            description=f"Findings: {severity}",
            rgb=_FINDING_COLOURS.get(severity),
            width_mm=0.35,
        )
        for severity in severities
    ]


def zone_layers(rules: Iterable[str]) -> list[Layer]:
    """Of each rule, what is drawn, and how far the rule reaches round it."""
    found = []
    for rule in rules:
        rgb = _ZONE_COLOURS.get(rule)
        found.append(Layer(name=layer_name("zone", rule), description=f"Zones: {rule}", rgb=rgb))
        found.append(
            Layer(
                name=layer_name("zone", rule, "reach"),
                description=f"Zones: reach of {rule}",
                rgb=rgb,
                dashes_mm=(3.0, -1.5),
                width_mm=0.18,
            )
        )
    return found


def post_block(kind: str) -> str:
    return layer_name("post", kind)


def make_post_blocks(drawing: Drawing, kinds: Iterable[str], *, post: float, hole: float) -> None:
    """A block for each kind of post: post and hole at true size, in drawing units, and a mark at the plot's size.

    A block lies along its fence; what it holds takes the colour of the layer that the block is put on.
    """
    for kind in kinds:
        block = drawing.block(post_block(kind))
        _polygon(block, 4, post / math.sqrt(2), 45.0)
        block.add_circle((0, 0), hole / 2, dxfattribs={"layer": HOLE})
        sides, radius = _SIDES.get(kind, 8), _RADII_MM.get(kind, _RADIUS_MM) * drawing.millimetre
        if sides:
            _polygon(block, sides, radius, 45.0 if kind in _TURNED else 90.0)
        else:
            block.add_circle((0, 0), radius)
        if kind == "gate":
            reach = radius / math.sqrt(2)
            block.add_line((-reach, -reach), (reach, reach))


def make_body(drawing: Drawing, *, post: float) -> None:
    """A post's body one drawing unit tall, on its toe; stretched upward it is any post."""
    block = drawing.block(BODY)
    foot = np.array([(-1, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)]) * post / 2
    head = foot + np.array([0, 0, 1])
    for side in range(4):
        after = (side + 1) % 4
        block.add_3dface([foot[side].tolist(), foot[after].tolist(), head[after].tolist(), head[side].tolist()])
    block.add_3dface(head.tolist())


def finding_block(severity: str) -> str:
    return layer_name("finding", severity)


def make_finding_blocks(drawing: Drawing, severities: Sequence[str]) -> None:
    """A mark for each severity: an octagon that says stop, a triangle that warns, a ring."""
    for severity in severities:
        block, radius = drawing.block(finding_block(severity)), 2.2 * drawing.millimetre
        sides = {"stop": 8, "warn": 3}.get(severity, 0)
        if sides:
            _polygon(block, sides, radius, 90.0 if sides == 3 else 22.5)
        else:
            block.add_circle((0, 0), radius)


def _polygon(block: BlockLayout, sides: int, radius: float, first_deg: float) -> None:
    turns = np.radians(first_deg + 360.0 / sides * np.arange(sides))
    corners = radius * np.column_stack([np.cos(turns), np.sin(turns)])
    block.add_lwpolyline(corners.tolist(), close=True)
