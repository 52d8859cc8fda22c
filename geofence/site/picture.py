"""The places of a picture of the terrain: cells that are square on a web map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from geofence.engine.records import Floats
from geofence.site.ground import Relief

__all__ = ["Box", "Picture", "common"]

Box = tuple[float, float, float, float]
"""West, south, east, north."""

EARTH_RADIUS_M = 6_378_137.0
"""Of the sphere of web Mercator."""

MERCATOR_LAT_DEG = 85.0
"""Web Mercator is cut off about here."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Edges between columns (longitudes) and between rows (latitudes, north first) of a picture, WGS 84."""

    lon_deg: Floats
    lat_deg: Floats

    @classmethod
    def over(cls, box: Box, *, cells: int) -> Picture:
        """About ``cells`` cells over a box."""
        west, south, east, north = box
        low, high = _northing(np.array([south, north]))
        size = np.sqrt(np.radians(east - west) * (high - low) / cells)
        columns, rows = (max(1, round(length / size)) for length in (np.radians(east - west), high - low))
        return cls(lon_deg=np.linspace(west, east, columns + 1), lat_deg=_latitude(np.linspace(high, low, rows + 1)))

    def places(self, crs: CRS) -> tuple[Floats, Floats]:
        """The middle of each cell in a grid, x and y (rows, columns)."""
        lat = _latitude((_northing(self.lat_deg)[:-1] + _northing(self.lat_deg)[1:]) / 2)
        lon = (self.lon_deg[:-1] + self.lon_deg[1:]) / 2
        x, y = Transformer.from_crs("OGC:CRS84", crs, always_xy=True).transform(*np.meshgrid(lon, lat))
        return np.asarray(x), np.asarray(y)

    def relief(self, level_m: Floats) -> Relief | None:
        """The picture of levels (rows, columns), without empty rows and columns about it; None where all are NaN."""
        known = np.isfinite(level_m)
        if not known.any():
            return None
        rows, columns = (_span(np.asarray(known.any(axis=axis))) for axis in (1, 0))
        lon, lat = self.lon_deg, self.lat_deg
        width = np.radians(lon[1] - lon[0]) * EARTH_RADIUS_M
        level: NDArray[np.float32] = np.ascontiguousarray(level_m[rows, columns], dtype=np.float32)
        return Relief(
            level_m=level,
            west_deg=float(lon[columns.start]),
            south_deg=float(lat[rows.stop]),
            east_deg=float(lon[columns.stop]),
            north_deg=float(lat[rows.start]),
            cell_m=float(width * np.cos(np.radians((lat[0] + lat[-1]) / 2))),
        )


def common(box: Box, crs: CRS, parts: Sequence[Box]) -> Box | None:
    """The part of a box of degrees in which data may lie that are within rectangles of a grid.

    None where there is none, or only beyond the edge of web maps.
    """
    to_degrees = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    held = []
    for part in parts:
        west, south, east, north = to_degrees.transform_bounds(*part, densify_pts=21)
        if not np.isfinite([west, south, east, north]).all():
            held.append(box)
        elif west > east:
            held.append((box[0], south, box[2], north))
        else:
            turns = 360 * round(((box[0] + box[2]) - (west + east)) / 720)
            held.append((west + turns, south, east + turns, north))
    west, south = (max(box[side], min(part[side] for part in held)) for side in (0, 1))
    east, north = (min(box[side], max(part[side] for part in held)) for side in (2, 3))
    south, north = max(south, -MERCATOR_LAT_DEG), min(north, MERCATOR_LAT_DEG)
    return (west, south, east, north) if west < east and south < north else None


def _northing(lat_deg: Floats) -> Floats:
    """Web-Mercator northing of latitudes, in radii."""
    return np.asarray(np.arctanh(np.sin(np.radians(lat_deg))))


def _latitude(northing: Floats) -> Floats:
    """Latitudes of web-Mercator northings in radii."""
    return np.asarray(np.degrees(np.arctan(np.sinh(northing))))


def _span(known: NDArray[np.bool_]) -> slice:
    """From the first to the last row in which anything is known."""
    where = np.flatnonzero(known)
    return slice(int(where[0]), int(where[-1]) + 1)
