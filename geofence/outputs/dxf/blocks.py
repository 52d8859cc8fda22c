"""The blocks of drawings (DXF): posts, their bodies, findings and marks on the ground.

A block takes the colour of the layer that it is put on. Marks are drawn at the plot's size, so that they are seen;
posts and holes at their true size, in drawing units.
"""

from __future__ import annotations

import math

import numpy as np
from ezdxf.layouts import BlockLayout

from geofence.outputs.dxf.drawing import Drawing
from geofence.outputs.dxf.layers import HOLE
from geofence.plan import SEVERITIES

__all__ = [
    "FINDING_TAGS",
    "MARK_BLOCK",
    "MARK_TAGS",
    "POST_BODY",
    "POST_TAGS",
    "finding_block",
    "make_body",
    "make_finding_blocks",
    "make_mark",
    "make_post",
]

POST_BODY, MARK_BLOCK = "POST-BODY", "SURVEY-MARK"

POST_TAGS = ("NAME", "GROUND", "TOP", "TOE")
FINDING_TAGS = ("NUMBER", "CODE", "MESSAGE")
MARK_TAGS = ("NAME", "KIND", "LEVEL")
"""The attributes of the blocks."""

_SIDES = {"end": 4, "corner": 4, "gate": 4, "junction": 3, "strainer": 5, "existing": 6}
_SQUARE_TO_THE_FENCE = ("end", "gate")
_RINGS_MM = {"line": 0.6, "bend": 0.9}
_RADIUS_MM, _FINDING_MM, _MARK_MM = 1.3, 2.2, 1.2


def make_post(drawing: Drawing, name: str, kind: str, *, width: float, hole: float) -> None:
    """A post that lies along its fence: a shape for its kind, and at true size post and hole."""
    block = drawing.block(name, tags=POST_TAGS)
    _polygon(block, 4, width / math.sqrt(2), 45.0)
    if hole > 0:
        block.add_circle((0, 0), hole / 2, dxfattribs={"layer": HOLE})
    radius = _RINGS_MM.get(kind, _RADIUS_MM) * drawing.millimetre
    if kind in _SIDES:
        _polygon(block, _SIDES[kind], radius, 45.0 if kind in _SQUARE_TO_THE_FENCE else 90.0)
    else:
        block.add_circle((0, 0), radius)
    if kind == "gate":
        reach = radius / math.sqrt(2)
        block.add_line((-reach, -reach), (reach, reach))


def make_body(drawing: Drawing, name: str, *, width: float) -> None:
    """A post's body one drawing unit tall, on its toe; stretched upward it is any post."""
    block = drawing.block(name)
    foot = np.array([(-1, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)]) * width / 2
    head = foot + np.array([0, 0, 1])
    for side in range(4):
        after = (side + 1) % 4
        block.add_3dface([foot[side].tolist(), foot[after].tolist(), head[after].tolist(), head[side].tolist()])
    block.add_3dface(head.tolist())


def finding_block(severity: str) -> str:
    """The name of the block for findings of a severity (``stop``)."""
    return f"FINDING-{severity.upper()}"


def make_finding_blocks(drawing: Drawing) -> None:
    """An octagon that says stop, a triangle that warns, a ring to know of."""
    radius = _FINDING_MM * drawing.millimetre
    for severity in SEVERITIES:
        block = drawing.block(finding_block(severity), tags=FINDING_TAGS)
        if severity == "note":
            block.add_circle((0, 0), radius)
        else:
            sides, first_deg = (8, 22.5) if severity == "stop" else (3, 90.0)
            _polygon(block, sides, radius, first_deg)


def make_mark(drawing: Drawing) -> None:
    """A mark on the ground: a ring with a cross in it."""
    block, radius = drawing.block(MARK_BLOCK, tags=MARK_TAGS), _MARK_MM * drawing.millimetre
    block.add_circle((0, 0), radius)
    block.add_line((-radius, 0), (radius, 0))
    block.add_line((0, -radius), (0, radius))


def _polygon(block: BlockLayout, sides: int, radius: float, first_deg: float) -> None:
    turns = np.radians(first_deg + 360.0 / sides * np.arange(sides))
    corners = radius * np.column_stack([np.cos(turns), np.sin(turns)])
    block.add_lwpolyline(corners.tolist(), close=True)
