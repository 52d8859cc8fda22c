"""Sight lines on the ellipsoid: places on them, the foot of a place on one, and where two of them cross.

Feet and crossings are found by Newton's method: about a place the ellipsoid is a plane, in which the foot or the
crossing is worked out, and from the place so found again, until nothing moves. Three rounds from a start some metres
off leave less than a nanometre, for the plane is wrong by the cube of the distance over the square of the Earth's
radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import Geod, Transformer

from geofence.engine.records import Floats, Ints

__all__ = ["Sights", "crossings", "feet", "plane_about"]

ROUNDS = 4
PARALLEL = 1e-9
"""Sine of the angle below which two sight lines have no crossing: a nanometre to the side in a metre."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sights:
    """Sight lines, one a row: where each starts, in which direction, and how long it is on the ellipsoid."""

    geod: Geod
    lon_deg: Floats
    lat_deg: Floats
    azimuth_deg: Floats
    length_m: Floats

    @classmethod
    def between(cls, geod: Geod, lon_deg: Floats, lat_deg: Floats, lon_to_deg: Floats, lat_to_deg: Floats) -> Sights:
        """From places to places, degrees; one to one."""
        azimuth, _, length = geod.inv(lon_deg, lat_deg, lon_to_deg, lat_to_deg)
        return cls(
            geod=geod, lon_deg=lon_deg, lat_deg=lat_deg, azimuth_deg=np.asarray(azimuth), length_m=np.asarray(length)
        )

    def __len__(self) -> int:
        return len(self.length_m)

    def at(self, rows: Ints, along_m: Floats) -> tuple[Floats, Floats, Floats]:
        """Longitude, latitude and azimuth of travel at distances along some of the lines."""
        lon, lat, back = self.geod.fwd(self.lon_deg[rows], self.lat_deg[rows], self.azimuth_deg[rows], along_m)
        return np.asarray(lon), np.asarray(lat), np.asarray(back) + 180.0


def feet(sights: Sights, rows: Ints, lon_deg: Floats, lat_deg: Floats, start_m: Floats) -> tuple[Floats, Floats]:
    """The foot of each place on the sight line beside it, prolonged without end.

    Parameters
    ----------
    sights, rows
        (k,) the sight line of each place.
    lon_deg, lat_deg
        (k,) the places.
    start_m
        (k,) about where the feet are.

    Returns
    -------
    tuple
        (k,) distances of the feet along their lines, and (k,) of the places from them, to the right positive.
    """
    along, aside = np.array(start_m, dtype=np.float64), np.zeros(len(start_m))
    for _ in range(ROUNDS):
        lon, lat, ahead = sights.at(rows, along)
        azimuth, _, apart = sights.geod.inv(lon, lat, lon_deg, lat_deg)
        off = np.radians(np.asarray(azimuth) - ahead)
        along = along + np.asarray(apart) * np.cos(off)
        aside = np.asarray(apart) * np.sin(off)
    return along, aside


def crossings(
    sights: Sights, one: Ints, other: Ints, start_m: Floats, other_start_m: Floats
) -> tuple[Floats, Floats, Floats]:
    """Where pairs of sight lines cross, prolonged without end.

    Parameters
    ----------
    sights, one, other
        (k,) rows of the two lines of each pair.
    start_m, other_start_m
        (k,) about where on each the crossing is.

    Returns
    -------
    tuple
        (k,) distances along the one and along the other, and (k,) how far apart these two places are; NaN where the
        lines are parallel.
    """
    along, along_other = np.array(start_m, dtype=np.float64), np.array(other_start_m, dtype=np.float64)
    apart = np.full(len(along), np.nan)
    for _ in range(ROUNDS + 1):
        (lon, lat, ahead), (to_lon, to_lat, other_ahead) = sights.at(one, along), sights.at(other, along_other)
        azimuth, back, apart = (np.asarray(part) for part in sights.geod.inv(lon, lat, to_lon, to_lat))
        # The other's direction is carried back along the way between the two places.
        toward, beside = np.radians(azimuth - ahead), np.radians(other_ahead - (back + 180.0) + azimuth - ahead)
        across = np.sin(beside)
        across = np.where(np.abs(across) < PARALLEL, np.nan, across)
        along = along + apart * np.sin(beside - toward) / across
        along_other = along_other - apart * np.sin(toward) / across
    return along, along_other, apart


def plane_about(geod: Geod, lon_deg: float, lat_deg: float) -> Transformer:
    """From longitude and latitude to a plane that is true in distance and direction from one place."""
    figure = f"+a={geod.a!r} +b={geod.b!r} +type=crs"
    return Transformer.from_crs(
        f"+proj=longlat {figure}",
        f"+proj=aeqd +lat_0={lat_deg!r} +lon_0={lon_deg!r} {figure}",
        always_xy=True,
    )
