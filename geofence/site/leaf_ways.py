"""What a gate's leaf comes over as it opens: the way of another gate's leaf, or a drawn shape.

A leaf that swings passes a sector, one that slides a strip beside the fence. Leaves hang beside posts, not in them, so
that two at one post may open along one line: ways that have no more in common than some play do not meet.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M
from geofence.site.swing import Leaf

__all__ = ["PLAY_DEG", "PLAY_M", "Entry", "LeafWay"]

PLAY_M = 0.05
"""A leaf ends so much short of the centre of the other post, and the strip that one slides along is so wide to either
side of the fence's line."""

PLAY_DEG = 1.0
"""A leaf's way may begin so much after the line of the fence, and end so much before where it is drawn open."""

NOTHING_M2 = 1e-6
"""Ways have no more than this in common where they only touch."""

ARC_DEG = 0.5
"""Arcs are drawn in chords of at most so much: on a radius of 5 m these are 0.05 mm off."""

Carry = Callable[[Floats, Floats], Floats]
"""From longitude and latitude to (n, 2) metres in a plane that is true to scale about a leaf."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """How a leaf comes over something.

    ``opened``: how far it has opened then, in degrees, or in metres where it slides; ``stays``: whether it is over it
    as it stands open too.
    """

    opened: float
    stays: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafWay:
    """A leaf's way in a plane: ``geod`` is the ellipsoid, ``carry`` leads to the plane."""

    leaf: Leaf
    geod: Geod
    carry: Carry

    @classmethod
    def about_itself(cls, leaf: Leaf, geod: Geod) -> LeafWay:
        """In the plane about its post: distances and directions from there are exact."""

        def carry(lon_deg: Floats, lat_deg: Floats) -> Floats:
            turned, apart = leaf.turned_to(lon_deg, lat_deg, geod)
            return np.column_stack([apart * np.cos(np.radians(turned)), apart * np.sin(np.radians(turned))])

        return cls(leaf=leaf, geod=geod, carry=carry)

    def into(self, other: Leaf) -> Entry | None:
        """How it comes into the way of another leaf; None where their ways do not meet.

        Whether they strike then is up to those who open them.
        """
        leaf, way = self.leaf, LeafWay(leaf=other, geod=self.geod, carry=self.carry)
        _, _, apart = self.geod.inv(leaf.lon_deg, leaf.lat_deg, other.lon_deg, other.lat_deg)
        if apart > 1.01 * (leaf.length_m + other.length_m):
            return None
        if shapely.area(shapely.intersection(self._passed("within"), way._passed("within"))) <= NOTHING_M2:
            return None
        return self.over(way._passed("whole"))

    def over(self, shape: shapely.Geometry) -> Entry | None:
        """How it comes over a shape in its plane; None where it does not, but for its post."""
        place = shapely.get_coordinates(shapely.intersection(self._passed("whole"), shape)) @ np.array([1, 1j])
        post, tip, ahead = self._places(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 1.0])) @ np.array([1, 1j])
        away = (place - post) / (tip - post)
        away = away[np.abs(away) > PLAY_M]
        if not len(away):
            return None
        in_way = shapely.intersection(self._stands_open(), shape)
        return Entry(
            opened=_slid(away) if self.leaf.motion == "slides" else _turned(away, (ahead - post) / (tip - post)),
            stays=bool(shapely.length(in_way) > COINCIDENT_M),
        )

    def _passed(self, part: str) -> shapely.Geometry:
        """What the leaf passes as it opens: the ``whole`` of it, or what is ``within`` by its play."""
        leaf = self.leaf
        if leaf.motion == "slides":
            return shapely.buffer(self._line(0.0), PLAY_M, cap_style="flat")
        play_deg, play_m = (min(PLAY_DEG, leaf.open_deg / 4), PLAY_M) if part == "within" else (0.0, 0.0)
        angles = np.linspace(play_deg, leaf.open_deg - play_deg, int(np.ceil(leaf.open_deg / ARC_DEG)) + 1)
        arc = self._places(angles, np.full_like(angles, leaf.length_m - play_m))
        return shapely.Polygon(np.concatenate([self._places(np.zeros(1), np.zeros(1)), arc]))

    def _stands_open(self) -> shapely.Geometry:
        """The leaf as it stands open: one that swings a little before that, on the side that it came from."""
        if self.leaf.motion == "slides":
            return self._passed("whole")
        return self._line(self.leaf.open_deg - min(PLAY_DEG, self.leaf.open_deg / 4))

    def _line(self, opened: float) -> shapely.Geometry:
        return shapely.LineString(self._places(np.full(2, opened), np.array([0.0, self.leaf.length_m])))

    def _places(self, opened: Floats, reach_m: Floats) -> Floats:
        """(n, 2) places of the leaf where it has opened so far."""
        return self.carry(*self.leaf.places(opened, reach_m, self.geod))


def _slid(away: NDArray[np.complex128]) -> float:
    """How far a leaf has slid as it comes to the first of some places, given along its slide."""
    return max(float(away.real.min()), 0.0)


def _turned(away: NDArray[np.complex128], ahead: complex) -> float:
    """How far a leaf has turned, degrees, as it comes over the first of some places, given along the shut leaf."""
    turned = np.degrees(np.angle(away)) * np.sign(ahead.imag) % 360
    return float(np.where(turned > 270, 0.0, turned).min())  # past 270: a rounding error before shut
