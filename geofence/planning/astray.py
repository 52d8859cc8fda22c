"""Zones that lie so far from the line that nothing they forbid can hold there: is their grid the right one?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.inputs.job_file import Zone
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids
from geofence.site.true_plane import TrueStretch
from geofence.site.zones import Drawing

__all__ = ["astray"]

FORBID = ("keep-clear", "no-fence", "setback")
"""The rules of which nothing is left where a zone is elsewhere."""

ASTRAY_M = 10_000.0
"""Files of pipes or trees are of a site or a parish: one that begins farther away than this may be in another grid."""

LIKELY_M = 1_000.0
"""In the grid that a zone is really in, something of it is as near as this."""

STEP_M = 500.0
"""Edges are looked at in steps of this."""


def astray(
    title: str, zone: Zone, row: int, drawing: Drawing, line: Sequence[TrueStretch], site: SurveyedSite
) -> Finding | None:
    """What is to be said of a zone of a file, by its row in the job, that forbids something; None where it is near."""
    if zone.file is None or zone.rule not in FORBID:
        return None
    apart_m = _apart_m(_corners(drawing), drawing.crs, line, site)
    if not ASTRAY_M < apart_m < math.inf:
        return None
    return Finding(
        code="zone-not-met",
        severity="warn",
        message=f"The line does not meet {title} ({zone.rule}, {zone.source or 'no source stated'}): what "
        f"{Path(zone.file).name} has of it lies some {apart_m / 1000:.0f} km away",
        remedy=_remedy(zone, row, drawing, line, site),
        value=round(apart_m),
        limit=ASTRAY_M,
        unit="m",
    )


def _corners(drawing: Drawing) -> Floats:
    """(n, 2) places all along the edges of the shapes, in their grid."""
    step = STEP_M / (111_000.0 if drawing.crs.is_geographic else grids.unit_m(drawing.crs))
    return np.asarray(shapely.get_coordinates(shapely.segmentize(np.array(drawing.shapes, dtype=object), step)))


def _apart_m(corners: Floats, crs: CRS, line: Sequence[TrueStretch], site: SurveyedSite) -> float:
    """How far places are from the line's stations, were they in a grid; infinite where they cannot be in it."""
    from scipy.spatial import cKDTree

    lon, lat = site.to_degrees(crs).carry(corners[:, 0], corners[:, 1])
    known = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lon) <= 360) & (np.abs(lat) <= 90)
    if not known.any():
        return math.inf
    line_lon, line_lat = (np.concatenate([getattr(part, axis) for part in line]) for axis in ("lon_deg", "lat_deg"))
    chord, station = cKDTree(_on_ball(line_lon, line_lat)).query(_on_ball(lon[known], lat[known]))
    corner = int(np.argmin(chord))
    from_line = (line_lon[station[corner]], line_lat[station[corner]])
    return float(grids.ellipsoid(site.grid).inv(*from_line, lon[known][corner], lat[known][corner])[2])


def _on_ball(lon_deg: Floats, lat_deg: Floats) -> Floats:
    """(n, 3) places on a ball of radius 1: which are nearest there are as good as nearest."""
    lon, lat = np.radians(lon_deg), np.radians(lat_deg)
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def _remedy(zone: Zone, row: int, drawing: Drawing, line: Sequence[TrueStretch], site: SurveyedSite) -> str:
    key, own, corners = f"zone[{row + 1}].grid", drawing.crs, _corners(drawing)
    if _apart_m(corners[:, ::-1], own, line, site) <= LIKELY_M:
        return "Easting and northing look swapped: the other way round it is beside the line. Save it anew."
    for other in (site.grid, *site.likely_grids):
        if not grids.same(other, own) and _apart_m(corners, other, line, site) <= LIKELY_M:
            mend = f"Set {key} to that." if zone.grid else "Assign it that one where it was made: not reprojected."
            return f"It looks as if it were in {other.name}, not in {own.name}. {mend}"
    says = f"{key} says" if zone.grid else "it states"
    return f"Is it the right file, and is it in the grid that {says}, {own.name}? None of its rule is held here."
