"""Where the ways of two gates' leaves meet, in a plane about the post that one of them hangs at.

A leaf that swings passes a sector, one that slides a strip beside the fence. Leaves hang beside posts, not in them, so
that two at one post may open along one line: ways that have no more in common than some play do not meet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M
from geofence.site.swing import Leaf

__all__ = ["Entry", "comes_into"]

PLAY_M = 0.05
"""A leaf ends so much short of the centre of the other post, and the strip that one slides along is so wide to either
side of the fence's line."""

PLAY_DEG = 1.0
"""A leaf's way may begin so much after the line of the fence, and end so much before where it is drawn open."""

NOTHING_M2 = 1e-6
"""Ways have no more than this in common where they only touch."""

ARC_DEG = 0.5
"""Arcs are drawn in chords of at most so much: on a radius of 5 m these are 0.05 mm off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """How a leaf comes into another's way.

    ``opened``: how far it has opened then, in degrees, or in metres where it slides; ``stays``: whether it is in that
    way as it stands open too.
    """

    opened: float
    stays: bool


def comes_into(one: Leaf, other: Leaf, geod: Geod) -> Entry | None:
    """How one leaf comes into the way of the other; None where their ways do not meet.

    Whether they strike then is up to those who open them.
    """
    _, _, apart = geod.inv(one.lon_deg, one.lat_deg, other.lon_deg, other.lat_deg)
    if apart > 1.01 * (one.length_m + other.length_m):
        return None
    plane = _Plane(about=one, geod=geod)
    if shapely.area(shapely.intersection(plane.way(one, "within"), plane.way(other, "within"))) <= NOTHING_M2:
        return None
    way = plane.way(other, "whole")
    common = shapely.get_coordinates(shapely.intersection(plane.way(one, "whole"), way))
    in_way = shapely.intersection(plane.stands_open(one), way)
    return Entry(
        opened=_opened(one, common @ np.array([1, 1j])),
        stays=bool(shapely.length(in_way) > COINCIDENT_M),
    )


def _opened(leaf: Leaf, places: NDArray[np.complex128]) -> float:
    """How far a leaf has opened as it is over the first of some places of its way, in the plane about its post."""
    if leaf.motion == "slides":
        return max(float(-places.real.max()), 0.0)
    turned = np.degrees(np.angle(places[np.abs(places) > PLAY_M])) % 360
    return float(np.where(turned > 270, 0.0, turned).min())  # past 270: a rounding error before shut


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plane:
    """The plane about a leaf's post: x along that leaf while it is shut, y to where it opens."""

    about: Leaf
    geod: Geod

    def way(self, leaf: Leaf, part: str) -> shapely.Geometry:
        """What a leaf passes as it opens: the ``whole`` of it, or what is ``within`` by its play."""
        if leaf.motion == "slides":
            return shapely.buffer(self.line(leaf, 0.0), PLAY_M, cap_style="flat")
        play_deg, play_m = (min(PLAY_DEG, leaf.open_deg / 4), PLAY_M) if part == "within" else (0.0, 0.0)
        chords = int(np.ceil(leaf.open_deg / ARC_DEG))
        angles = np.linspace(play_deg, leaf.open_deg - play_deg, chords + 1)
        arc = self.places(leaf, angles, np.full_like(angles, leaf.length_m - play_m))
        return shapely.Polygon(np.concatenate([self.places(leaf, np.zeros(1), np.zeros(1)), arc]))

    def stands_open(self, leaf: Leaf) -> shapely.Geometry:
        """A leaf as it stands open: one that swings a little before that, on the side that it came from."""
        if leaf.motion == "slides":
            return self.way(leaf, "whole")
        return self.line(leaf, leaf.open_deg - min(PLAY_DEG, leaf.open_deg / 4))

    def line(self, leaf: Leaf, opened: float) -> shapely.Geometry:
        return shapely.LineString(self.places(leaf, np.full(2, opened), np.array([0.0, leaf.length_m])))

    def places(self, leaf: Leaf, opened: Floats, reach_m: Floats) -> Floats:
        """(n, 2) places of a leaf that has opened so far."""
        turned, apart = self.about.turned_to(*leaf.places(opened, reach_m, self.geod), self.geod)
        return np.column_stack([apart * np.cos(np.radians(turned)), apart * np.sin(np.radians(turned))])
