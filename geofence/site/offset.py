"""A line moved sideways, with mitred corners."""

from __future__ import annotations

import math

import numpy as np
import shapely
from pyproj import Transformer

from geofence.engine.records import Floats
from geofence.errors import LayoutError
from geofence.site.line import NEAR_VERTEX_M, Line, turn

__all__ = ["offset"]

MITRE_MAX = 5.0
"""A mitred corner may move this many offsets away: beyond (a turn of 157 degrees) the corner is a spike."""

OFFSET_SLACK_M = 1e-3
OFFSET_SLACK = 1e-6
"""An offset line may come this much nearer than the offset: a millimetre, and a millionth for what the plane in which
distances are compared distorts within some kilometres."""


def offset(line: Line, offset_m: float) -> Line:
    """The line moved sideways, left of the direction of travel positive, with mitred corners.

    ``offset_m`` is on the ellipsoid. Each vertex moves along the bisector of its turn, so the legs stay parallel to
    the old ones.

    Raises
    ------
    LayoutError
        A corner is too sharp to mitre, a leg is too short to keep its direction, or the line would come closer
        than the offset to another part of the old one.
    """
    if offset_m == 0:
        return line
    turns = line.deflection_deg
    arriving = np.concatenate([line.azimuth_deg[:1] - turns[:1], line.arrival_deg])
    bisector = arriving + turns / 2 - 90
    stretch = 1 / np.maximum(np.cos(np.radians(turns / 2)), 1e-9)
    if stretch.max() > MITRE_MAX:
        row = int(np.argmax(stretch))
        raise LayoutError(
            f"the corner at vertex {row + 1} is too sharp to offset",
            rule="offset",
            place="line.offset_m",
            value=round(abs(float(turns[row])), 1),
            limit=round(2 * math.degrees(math.acos(1 / MITRE_MAX)), 1),
            unit="deg",
            remedy="Cut the corner off with a short leg, or plan the two sides as separate legs.",
        )
    lon, lat, _ = line.geod.fwd(line.lon_deg, line.lat_deg, bisector, offset_m * stretch)
    lon, lat = np.asarray(lon), np.asarray(lat)
    if line.closed:
        lon[-1], lat[-1] = lon[0], lat[0]
    moved = Line.through(lon, lat, geod=line.geod, leg_number=line.leg_number)
    _refuse_folds(line, moved, offset_m)
    return moved


def _refuse_folds(line: Line, moved: Line, offset_m: float) -> None:
    """Raise where an offset turned a leg round, or brought it nearer than the offset to another leg."""
    folded = (np.abs(turn(line.azimuth_deg, moved.azimuth_deg)) > 90) | (moved.length_m < NEAR_VERTEX_M)
    if folded.any():
        raise _refused(f"leg {line.leg_number[int(np.argmax(folded))]} is too short to offset", offset_m)
    old, new = shapely.linestrings(_flat(line, line)), _flat(moved, line)
    shapely.prepare(old)
    legs = shapely.linestrings(np.stack([new[:-1], new[1:]], axis=1))
    reach = abs(offset_m) * (1 - OFFSET_SLACK) - OFFSET_SLACK_M
    near = shapely.dwithin(old, legs, reach)
    if reach > 0 and near.any():
        number = line.leg_number[int(np.argmax(near))]
        raise _refused(f"the offset moves leg {number} too near to another part of the boundary", offset_m)


def _refused(message: str, offset_m: float) -> LayoutError:
    return LayoutError(
        message,
        rule="offset",
        place="line.offset_m",
        value=round(offset_m, 2),
        unit="m",
        remedy="Choose a smaller offset, or draw the offset line itself as the boundary.",
    )


def _flat(line: Line, origin: Line) -> Floats:
    """(k, 2) the vertices in a plane that is true in distance from the origin line's first vertex."""
    geod = origin.geod
    plane = Transformer.from_crs(
        f"+proj=longlat +a={geod.a!r} +b={geod.b!r} +type=crs",
        f"+proj=aeqd +lat_0={float(origin.lat_deg[0])!r} +lon_0={float(origin.lon_deg[0])!r} "
        f"+a={geod.a!r} +b={geod.b!r} +type=crs",
        always_xy=True,
    )
    return np.column_stack(plane.transform(line.lon_deg, line.lat_deg))
