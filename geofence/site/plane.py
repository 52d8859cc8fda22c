"""A plane of metres about a survey, in which it is triangulated.

Coordinates lose digits far from their origin: at a northing of 6,000,000 a triangulation in floating point drops points
that lie a metre apart. Degrees east and degrees north are not of one length either, and which triangles are Delaunay
depends on that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import CRS, Transformer

from geofence.engine.records import Floats
from geofence.site.grids import ellipsoid, geographic

__all__ = ["Plane"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Metres on the ellipsoid about an origin.

    Attributes
    ----------
    x, y
        The origin, in the survey's grid and unit.
    metres_x, metres_y
        What one unit east and one unit north measure there.
    """

    x: float
    y: float
    metres_x: float
    metres_y: float

    @classmethod
    def about(cls, x: float, y: float, crs: CRS) -> Plane:
        """About a place in a grid. One scale in all directions in a projected grid, so that circles stay circles."""
        across, up = _unit_lengths(x, y, crs)
        if crs.is_projected:
            across = up = float(np.sqrt(across * up))
        return cls(x=x, y=y, metres_x=across, metres_y=up)

    def local(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Places of the grid, in metres from the origin."""
        return (x - self.x) * self.metres_x, (y - self.y) * self.metres_y

    def grid(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        """Places in metres from the origin, in the grid."""
        return x_m / self.metres_x + self.x, y_m / self.metres_y + self.y

    def named(self, x_m: float, y_m: float) -> str:
        """A place in metres from the origin, in words a user finds it by."""
        decimals = 3 if self.metres_x < 1e3 else 8
        return f"({x_m / self.metres_x + self.x:.{decimals}f}, {y_m / self.metres_y + self.y:.{decimals}f})"


def _unit_lengths(x: float, y: float, crs: CRS) -> tuple[float, float]:
    """What a unit east and a unit north measure on the ellipsoid, metres."""
    reach = 50 / crs.axis_info[0].unit_conversion_factor if crs.is_projected else 1e-3
    ends_x, ends_y = np.array([-reach, reach, 0, 0]) + x, np.array([0, 0, -reach, reach]) + y
    to_degrees = Transformer.from_crs(crs, geographic(crs), always_xy=True)
    lon, lat = (np.asarray(part) for part in to_degrees.transform(ends_x, ends_y))
    _, _, length = ellipsoid(crs).inv(lon[::2], lat[::2], lon[1::2], lat[1::2])
    across, up = (float(value) for value in np.asarray(length) / (2 * reach))
    return across, up
