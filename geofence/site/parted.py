"""Lines that run together as drawn, and no longer once they are moved sideways."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.site.line import Line
from geofence.site.network import Network, Shared, network
from geofence.site.web import Web

__all__ = ["Parted", "parted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """Two lines that a move has parted.

    Attributes
    ----------
    line, other
        Rows of the lines.
    length_m
        On how much they run together as drawn, on the ellipsoid.
    apart_m
        How far apart they are where that was, the farthest.
    lon_deg, lat_deg
        The middle of the leg, as drawn, where they are farthest apart.
    """

    line: int
    other: int
    length_m: float
    apart_m: float
    lon_deg: float
    lat_deg: float


def parted(drawn: Sequence[Line], moved: Sequence[Line], *, join_m: float) -> tuple[Parted, ...]:
    """Pairs of lines that share stretches as drawn and lie farther apart there than ``join_m`` as moved.

    ``drawn`` and ``moved`` are the same lines, row by row, on one ellipsoid.
    """
    met = network(drawn, join_m=join_m, near_m=0.0)
    web = Web.of(moved)
    flat = [shapely.LineString(web.plane(line.lon_deg, line.lat_deg)) for line in moved]
    found: dict[tuple[int, int], list[Parted]] = defaultdict(list)
    for shared in met.shared:
        lon, lat = _middle(met, shared)
        place = shapely.Point(web.plane(np.array([lon]), np.array([lat]))[0])
        line, other = flat[shared.owner], flat[shared.other]
        apart = float(shapely.distance(line.interpolate(line.project(place)), other))
        if apart > join_m:
            found[shared.owner, shared.other].append(
                Parted(
                    line=shared.owner,
                    other=shared.other,
                    length_m=shared.to_m - shared.from_m,
                    apart_m=apart,
                    lon_deg=lon,
                    lat_deg=lat,
                )
            )
    return tuple(_whole(stretches) for stretches in found.values())


def _middle(met: Network, shared: Shared) -> tuple[float, float]:
    """The middle of the longest leg of a shared stretch: as far from corners as can be."""
    run = met.runs[shared.run]
    ends = run.vertex_distance_m
    marks = np.array([shared.from_m, *ends[(ends > shared.from_m) & (ends < shared.to_m)], shared.to_m])
    longest = int(np.argmax(np.diff(marks)))
    lon, lat = run.at(marks[longest : longest + 1] + np.diff(marks)[longest] / 2)
    return lon.item(), lat.item()


def _whole(stretches: Sequence[Parted]) -> Parted:
    """All stretches of two lines as one, at the place where they are farthest apart."""
    worst = max(stretches, key=lambda each: each.apart_m)
    return Parted(
        line=worst.line,
        other=worst.other,
        length_m=sum(each.length_m for each in stretches),
        apart_m=worst.apart_m,
        lon_deg=worst.lon_deg,
        lat_deg=worst.lat_deg,
    )
