"""From the ellipsoid to the ground: what a tape on site measures.

A distance s on the ellipsoid is s (1 + h / R) at ellipsoidal height h, where R is the radius of curvature of the
ellipsoid in the direction of the line (Euler's formula). NOAA Manual NOS NGS 5 (Stem 1989), section 4, calls
R / (R + h) the elevation factor, and its product with the grid's scale the combined factor.
"""

from __future__ import annotations

import numpy as np
from pyproj import Geod

from geofence.engine.records import Floats

__all__ = ["along_ground", "elevation_factor", "radius_of_curvature"]


def radius_of_curvature(geod: Geod, lat_deg: Floats, azimuth_deg: Floats) -> Floats:
    """Radius of curvature of the ellipsoid at a latitude in the direction of an azimuth, metres (Euler's formula).

    >>> from pyproj import Geod
    >>> grs80 = Geod(ellps="GRS80")
    >>> round(float(radius_of_curvature(grs80, 0.0, 90.0)))  # the equator is a circle of the semi-major axis
    6378137
    """
    sine = np.sin(np.radians(lat_deg))
    flat = 1 - geod.es * sine**2
    meridian = geod.a * (1 - geod.es) / flat**1.5
    prime_vertical = geod.a / np.sqrt(flat)
    azimuth = np.radians(azimuth_deg)
    curvature = np.cos(azimuth) ** 2 / meridian + np.sin(azimuth) ** 2 / prime_vertical
    return np.asarray(1 / curvature)


def elevation_factor(height_m: Floats, radius_m: Floats) -> Floats:
    """Distance on the ellipsoid divided by distance on the ground, at an ellipsoidal height."""
    return np.asarray(radius_m / (radius_m + height_m))


def along_ground(distance_m: Floats, height_m: Floats, radius_m: Floats) -> Floats:
    """Chainages (n,) on the ground of stations along a line.

    Parameters
    ----------
    distance_m
        (n,) increasing distances on the ellipsoid.
    height_m
        (n,) ellipsoidal heights of the ground, straight between stations.
    radius_m
        (n - 1,) radius of curvature along each stretch.
    """
    middle = (height_m[:-1] + height_m[1:]) / 2
    stretch = np.diff(distance_m) / elevation_factor(middle, radius_m)
    return np.concatenate([[0.0], np.cumsum(stretch)])
