"""The ground that a gate's leaf passes as it opens.

A leaf turns about the centre of the post that it hangs at and reaches to the centre of the other post, or with two
leaves to the middle between them: some centimetres more than it does, whatever its hinges. Its places lie on geodesics
from the post, a metre of leaf on each metre of ground at the height of the ground there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pyproj import Geod

from geofence.engine.records import Floats, read_only
from geofence.numeric import STATION_SPACING_M
from geofence.site import grids
from geofence.site.ground import Ground
from geofence.site.ground_distance import elevation_factor, radius_of_curvature

__all__ = ["Leaf", "Motion", "Swept", "first_over", "sweep"]

Motion = Literal["clockwise", "anticlockwise", "slides"]

CLOSER = 32
"""A stretch of the way in which a leaf comes over higher ground is parted into so many steps..."""

CLOSE_ENOUGH = 1e-3
"""...until one is this short, in degrees or metres: whoever stands at a gate is told whole degrees and centimetres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """A leaf at its post.

    Attributes
    ----------
    lon_deg, lat_deg
        The post, on the job's datum.
    height_m
        Ellipsoidal height of the ground there.
    azimuth_deg
        From the post along the closed leaf.
    length_m
        From the post to the leaf's tip, on the ground.
    motion
        How it opens, seen from above; ``slides``: past the post, away from the opening.
    open_deg
        How far it turns.
    """

    lon_deg: float
    lat_deg: float
    height_m: float
    azimuth_deg: float
    length_m: float
    motion: Motion
    open_deg: float = 90.0

    def places(self, opened: Floats, reach_m: Floats, geod: Geod) -> tuple[Floats, Floats]:
        """Longitude and latitude of what is ``reach_m`` from the post along the leaf when it has opened so far.

        Of a leaf that slides ``reach_m`` counts from the post to where it stands open, whatever ``opened`` is.
        """
        turned = {"clockwise": opened, "anticlockwise": -opened, "slides": np.full_like(opened, 180.0)}[self.motion]
        azimuth = self.azimuth_deg + turned
        radius = radius_of_curvature(geod, np.full_like(azimuth, self.lat_deg), azimuth)
        distance = reach_m * elevation_factor(np.array(self.height_m), radius)
        lon, lat, _ = geod.fwd(
            np.full_like(azimuth, self.lon_deg), np.full_like(azimuth, self.lat_deg), azimuth, distance
        )
        return np.asarray(lon), np.asarray(lat)

    def turned_to(self, lon_deg: Floats, lat_deg: Floats, geod: Geod) -> tuple[Floats, Floats]:
        """How far a leaf that swings turns to lie over places, 0 to 360 degrees; and their distances on the ground."""
        here = np.full_like(lon_deg, self.lon_deg), np.full_like(lat_deg, self.lat_deg)
        azimuth, _, distance = (np.asarray(part) for part in geod.inv(*here, lon_deg, lat_deg))
        radius = radius_of_curvature(geod, here[1], azimuth)
        turned = azimuth - self.azimuth_deg if self.motion == "clockwise" else self.azimuth_deg - azimuth
        return np.mod(turned, 360), distance / elevation_factor(np.array(self.height_m), radius)

    def way(self, geod: Geod) -> tuple[Floats, Floats]:
        """Longitude and latitude of the tip's way from closed to open; of a leaf that slides, of it as it stands open.

        Places are at most as far apart as stations along the line.
        """
        if self.motion == "slides":
            return self.places(np.zeros(2), np.array([0.0, self.length_m]), geod)
        angles = _opened(self)
        return self.places(angles, np.full_like(angles, self.length_m), geod)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Swept:
    """The ground under a leaf's way, place by place.

    Attributes
    ----------
    leaf
        The leaf.
    opened
        (n,) how far the leaf has opened when it is over the place: degrees, or metres where it slides.
    reach_m
        (n,) how far the place is from the leaf's post.
    lon_deg, lat_deg
        (n,) the places, on the job's datum.
    level_m
        (n,) ground; NaN where there is no level.
    """

    leaf: Leaf
    opened: Floats
    reach_m: Floats
    lon_deg: Floats
    lat_deg: Floats
    level_m: Floats

    @property
    def highest_m(self) -> float:
        """The highest ground; minus infinity where there is no level at all."""
        return float(np.max(self.level_m, initial=-np.inf, where=np.isfinite(self.level_m)))

    @property
    def unknown_share(self) -> float:
        """Share of the places without a level."""
        return float(np.mean(np.isnan(self.level_m)))


def sweep(leaf: Leaf, ground: Ground, to_ground: grids.Crossing, geod: Geod) -> Swept:
    """Sample the ground under a leaf's way.

    At most 0.25 m apart along lines from the post, which are at most 0.25 m apart at the tip, and on each of them
    wherever the ground bends.

    Parameters
    ----------
    leaf
        The leaf.
    ground, to_ground
        The ground, and the way to its grid from longitude and latitude on the job's datum.
    geod
        The ellipsoid of that datum.
    """
    return _sampled(leaf, _opened(leaf), ground, to_ground, geod)


def first_over(leaf: Leaf, level_m: float, ground: Ground, to_ground: grids.Crossing, geod: Geod) -> float:
    """How far a leaf has opened as it comes over ground higher than a level; infinity where it never does.

    Degrees, or metres where it slides, to 0.001; parameters as of :func:`sweep`.
    """
    opened, first = _opened(leaf), np.inf
    while len(opened):
        swept = _sampled(leaf, opened, ground, to_ground, geod)
        first = min(first, float(np.min(swept.opened, initial=np.inf, where=swept.level_m > level_m)))
        before = float(np.max(opened, initial=0.0, where=opened < first))
        opened = np.linspace(before, first, CLOSER + 1) if CLOSE_ENOUGH < first - before < np.inf else np.empty(0)
    return first


def _sampled(leaf: Leaf, opened: Floats, ground: Ground, to_ground: grids.Crossing, geod: Geod) -> Swept:
    """The ground under a leaf where it has opened so far."""
    opened, reach = _along(leaf, opened)
    row, share = ground.bends(*to_ground.carry(*leaf.places(opened, reach, geod)))

    def with_bends(values: Floats) -> Floats:
        return np.concatenate([values, values[row] + share * (values[row + 1] - values[row])])

    opened, reach = with_bends(opened), with_bends(reach)
    lon, lat = leaf.places(opened, reach, geod)
    level = ground.levels(*to_ground.carry(lon, lat)).level_m
    return Swept(
        leaf=leaf,
        opened=read_only(opened),
        reach_m=read_only(reach),
        lon_deg=read_only(lon),
        lat_deg=read_only(lat),
        level_m=read_only(level),
    )


def _opened(leaf: Leaf) -> Floats:
    """How far a leaf has opened, from closed to open; its tip goes on by at most a station's spacing."""
    if leaf.motion == "slides":
        return _even(leaf.length_m, leaf.length_m)
    return _even(leaf.open_deg, np.radians(leaf.open_deg) * leaf.length_m)


def _along(leaf: Leaf, opened: Floats) -> tuple[Floats, Floats]:
    """How far open, and how far from the post: along the leaf where it has opened so far, there and back."""
    if leaf.motion == "slides":
        return opened, opened
    reach = _even(leaf.length_m, leaf.length_m)
    to_and_fro = [reach if line % 2 == 0 else reach[::-1] for line in range(len(opened))]
    return np.repeat(opened, len(reach)), np.concatenate(to_and_fro)


def _even(end: float, length_m: float) -> Floats:
    """From 0 to ``end``, evenly, in steps of at most a station's spacing on a way of ``length_m``."""
    return np.linspace(0.0, end, max(int(np.ceil(length_m / STATION_SPACING_M)), 1) + 1)
