"""A tape between places of a grid: what it reads on the ground, and which way it runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from pyproj import CRS, Geod, Transformer

from geofence.engine.records import Floats
from geofence.site import grids
from geofence.site.ground_distance import elevation_factor, radius_of_curvature

__all__ = ["Spots", "Tape", "grid_bearing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spots:
    """Places (n,), or one: easting and northing in units of the grid, ground level in metres, NaN where not known."""

    easting: ArrayLike
    northing: ArrayLike
    level_m: ArrayLike


@dataclass(frozen=True, slots=True, kw_only=True)
class Tape:
    """Horizontal distances on the ground between places of a grid.

    ``geoid_separation_m`` is the ellipsoid's height minus the level, as the job has it.
    """

    to_degrees: Transformer
    geod: Geod
    geoid_separation_m: float = 0.0

    @classmethod
    def on(cls, grid: CRS, *, geoid_separation_m: float = 0.0) -> Tape:
        """For places of a grid."""
        return cls(
            to_degrees=Transformer.from_crs(grid, grids.geographic(grid), always_xy=True),
            geod=grids.ellipsoid(grid),
            geoid_separation_m=geoid_separation_m,
        )

    def between(self, one: Spots, other: Spots) -> Floats:
        """(n,) metres: the geodesic, at the mean of the two levels; where one is not known, at the other.

        Raises
        ------
        ValueError
            Neither level is known.
        """
        lon, lat = self.to_degrees.transform(np.atleast_1d(one.easting), np.atleast_1d(one.northing))
        other_lon, other_lat = self.to_degrees.transform(np.atleast_1d(other.easting), np.atleast_1d(other.northing))
        lon, lat, other_lon, other_lat = np.broadcast_arrays(lon, lat, other_lon, other_lat)
        azimuth, _, distance = self.geod.inv(lon, lat, other_lon, other_lat)
        radius = radius_of_curvature(self.geod, (lat + other_lat) / 2, np.asarray(azimuth))
        height = _mean_level(one.level_m, other.level_m) + self.geoid_separation_m
        return np.asarray(distance / elevation_factor(height, radius))

    def aside(self, start: Spots, end: Spots, places: Spots) -> Floats:
        """(n,) metres by which places lie to the right of the sight line from one place to another."""
        lon, lat = self.to_degrees.transform(np.atleast_1d(start.easting), np.atleast_1d(start.northing))
        end_lon, end_lat = self.to_degrees.transform(np.atleast_1d(end.easting), np.atleast_1d(end.northing))
        to_lon, to_lat = self.to_degrees.transform(np.atleast_1d(places.easting), np.atleast_1d(places.northing))
        sight, _, _ = self.geod.inv(lon, lat, end_lon, end_lat)
        lon, lat, to_lon, to_lat = np.broadcast_arrays(lon, lat, to_lon, to_lat)
        azimuth, _, distance = self.geod.inv(lon, lat, to_lon, to_lat)
        return np.asarray(distance * np.sin(np.radians(np.asarray(azimuth) - sight)))


def _mean_level(one: ArrayLike, other: ArrayLike) -> Floats:
    first, second = np.broadcast_arrays(np.atleast_1d(one).astype(float), np.atleast_1d(other).astype(float))
    level = (np.where(np.isfinite(first), first, second) + np.where(np.isfinite(second), second, first)) / 2
    if not np.isfinite(level).all():
        raise ValueError("a tape needs the level of one of its ends")
    return np.asarray(level)


def grid_bearing(one: Spots, other: Spots) -> Floats:
    """(n,) grid bearing of the way from one place to another, 0 to 360 degrees clockwise from grid north.

    >>> here = Spots(easting=1000.0, northing=1000.0, level_m=0.0)
    >>> grid_bearing(here, Spots(easting=[1001.0, 999.0], northing=[1001.0, 1000.0], level_m=0.0)).tolist()
    [45.0, 270.0]
    """
    east = np.atleast_1d(other.easting) - np.atleast_1d(one.easting)
    north = np.atleast_1d(other.northing) - np.atleast_1d(one.northing)
    return np.asarray(np.degrees(np.arctan2(east, north)) % 360)
