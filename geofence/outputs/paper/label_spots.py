"""Spots at which labels are tried: beside lines, across them, around signs; always readable from below or the right."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import Spot
from geofence.outputs.paper.page import LETTERING_MM, Anchor

__all__ = ["across", "along", "around", "beside_sides", "readable_deg", "running"]

CAP = LETTERING_MM[0]
LEAN_DEG = 35.0


def readable_deg(turn: float) -> float:
    """The turn, in degrees, of a text along a direction in radians that is read from below or from the right.

    Names across a fence that wavers about level all read the same way.

    >>> readable_deg(math.pi), readable_deg(math.pi / 2), readable_deg(-math.pi / 2)
    (0.0, 90.0, 90.0)
    """
    degrees = math.degrees(turn) % 360
    return degrees - 180 if 90 + LEAN_DEG < degrees <= 270 + LEAN_DEG else degrees


def running(start: Floats, turn: float, *, aside_mm: float = -CAP / 2) -> Spot:
    """A text that runs from a place along a direction, its base line ``aside_mm`` above the line through the place."""
    lean = readable_deg(turn)
    rad = math.radians(lean)
    up = np.array([-math.sin(rad), math.cos(rad)])
    x, y = (start + up * aside_mm).tolist()
    return Spot(x, y, "start" if math.cos(rad - turn) > 0 else "end", lean)


def across(place: Floats, turn: float, *, reaches: Sequence[float] = (1.6, 3.2)) -> Iterator[Spot]:
    """Beside a line: texts that run away from it to one side, then to the other, near and farther."""
    away = np.array([math.cos(turn), math.sin(turn)])
    for side, lean in ((1, turn), (-1, turn + math.pi)):
        for reach in reaches:
            yield running(place + away * side * reach, lean)


def along(middle: Floats, turn: float, half_mm: float) -> Iterator[Spot]:
    """Along a line: texts below and above it, nearer and farther, in the middle and to both sides."""
    lean = math.radians(readable_deg(turn))
    up, way = np.array([-math.sin(lean), math.cos(lean)]), np.array([math.cos(lean), math.sin(lean)])
    for away in (-3.6, 2.0, -6.5, 5.0, -9.5, 8.0, -12.5, 11.0, -15.5, 14.0, -18.5, 17.0):
        for aside in (0.0, half_mm * 0.6, -half_mm * 0.6):
            x, y = (middle + up * away + way * aside).tolist()
            yield Spot(x, y, "middle", math.degrees(lean))


def around(x: float, y: float, reach: float) -> Iterator[Spot]:
    """Around a sign, nearer and farther."""
    sides: tuple[tuple[int, int, Anchor], ...] = (
        (0, -1, "middle"), (0, 1, "middle"), (1, 0, "start"), (-1, 0, "end"),
        (1, -1, "start"), (-1, -1, "end"), (1, 1, "start"), (-1, 1, "end"),
    )  # fmt: skip
    for far in (reach, reach * 1.8, reach * 3):
        for right, up, anchor in sides:
            drop = {-1: CAP, 0: CAP / 2, 1: 0.0}[up]
            yield Spot(x + right * far, y + up * far - drop, anchor)


def beside_sides(way: Floats) -> Iterator[Spot]:
    """Beside the sides of a line on paper, above and below, the longest first."""
    steps = np.diff(way, axis=0)
    for at in np.argsort(-np.hypot(*steps.T))[:12]:
        lean = math.radians(readable_deg(math.atan2(steps[at][1], steps[at][0])))
        up = np.array([-math.sin(lean), math.cos(lean)])
        for share in (0.5, 0.25, 0.75):
            for aside in (0.9, -CAP - 0.9):
                x, y = (way[at] + steps[at] * share + up * aside).tolist()
                yield Spot(x, y, "middle", math.degrees(lean))
