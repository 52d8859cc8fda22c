"""The line of the fence: straight sight lines between vertices, that is geodesics on the job's ellipsoid.

Positions are longitude and latitude in degrees on the job's datum; azimuths clockwise from true north. ``distance_m``
here is along the line on the *ellipsoid*; chainage, which is on the ground, is made from it in
:mod:`geofence.site.ground_distance`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod, Transformer

from geofence.engine.records import Floats, read_only

__all__ = ["Line", "joined", "legs_between", "merge_near", "pick_legs", "straightness", "turn"]

NEAR_VERTEX_M = 0.005
"""Vertices closer than this are one: 5 mm is below what a boundary survey resolves, and the kink between two such
vertices would pass for a corner."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A polyline of geodesics.

    Attributes
    ----------
    lon_deg, lat_deg
        (k,) vertices; on a closed line the last repeats the first.
    leg_number
        (k - 1,) number of each leg in the boundary as drawn, from 1.
    geod
        The ellipsoid.
    azimuth_deg, arrival_deg
        (k - 1,) azimuth at the start and at the end of each leg.
    length_m
        (k - 1,) geodesic lengths.
    """

    lon_deg: Floats
    lat_deg: Floats
    leg_number: tuple[int, ...]
    geod: Geod
    azimuth_deg: Floats
    arrival_deg: Floats
    length_m: Floats

    @classmethod
    def through(cls, lon_deg: Floats, lat_deg: Floats, *, geod: Geod, leg_number: Sequence[int] | None = None) -> Line:
        """The line through some vertices (k >= 2), in their order; longitudes beyond 180 degrees are turned back."""
        beyond = np.abs(lon_deg) > 180
        lon_deg = np.where(beyond, np.mod(lon_deg + 180, 360) - 180, lon_deg) if beyond.any() else lon_deg
        forward, back, length = geod.inv(lon_deg[:-1], lat_deg[:-1], lon_deg[1:], lat_deg[1:])
        return cls(
            lon_deg=read_only(lon_deg),
            lat_deg=read_only(lat_deg),
            leg_number=tuple(range(1, len(lon_deg)) if leg_number is None else leg_number),
            geod=geod,
            azimuth_deg=read_only(np.mod(forward, 360)),
            arrival_deg=read_only(np.mod(np.asarray(back) + 180, 360)),
            length_m=read_only(length),
        )

    @property
    def closed(self) -> bool:
        """Whether the line ends where it began."""
        return bool(self.lon_deg[0] == self.lon_deg[-1] and self.lat_deg[0] == self.lat_deg[-1]) and len(self) > 2

    @property
    def vertex_distance_m(self) -> Floats:
        """(k,) distance along the line at each vertex."""
        return np.concatenate([[0.0], np.cumsum(self.length_m)])

    @property
    def deflection_deg(self) -> Floats:
        """(k,) turn at each vertex, right positive, -180..180; at the ends 0, or the turn at a ring's first vertex."""
        turns = np.zeros(len(self.lon_deg))
        turns[1:-1] = turn(self.arrival_deg[:-1], self.azimuth_deg[1:])
        if self.closed:
            turns[[0, -1]] = turn(self.arrival_deg[-1:], self.azimuth_deg[:1])[0]
        return turns

    def __len__(self) -> int:
        """Number of legs."""
        return len(self.length_m)

    def leg_at(self, distance_m: Floats) -> NDArray[np.int64]:
        """Row of the leg at distances along the line; a vertex belongs to the leg that it starts."""
        rows = np.searchsorted(self.vertex_distance_m, distance_m, side="right") - 1
        return np.clip(rows, 0, len(self) - 1)

    def at(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude at distances along the line."""
        leg = self.leg_at(distance_m)
        along = distance_m - self.vertex_distance_m[leg]
        lon, lat, _ = self.geod.fwd(self.lon_deg[leg], self.lat_deg[leg], self.azimuth_deg[leg], along)
        return np.asarray(lon), np.asarray(lat)

    def reversed(self) -> Line:
        """The same line from its end; legs keep their numbers."""
        return Line.through(
            self.lon_deg[::-1], self.lat_deg[::-1], geod=self.geod, leg_number=tuple(reversed(self.leg_number))
        )


def turn(arriving_deg: Floats, leaving_deg: Floats) -> Floats:
    """Right turn from one azimuth to another, -180..180."""
    return np.mod(leaving_deg - arriving_deg + 180, 360) - 180


def merge_near(line: Line) -> tuple[Line | None, int]:
    """The line without vertices closer than :data:`NEAR_VERTEX_M` to the one before; and how many went.

    The last vertex stays where it is. None where nothing longer than that remains. Legs are numbered anew from 1.
    """
    length, last = line.length_m.tolist(), len(line)
    keep = [0]
    for row in range(1, last + 1):
        apart = length[row - 1] if keep[-1] == row - 1 else _apart(line, keep[-1], line, row)
        if apart >= NEAR_VERTEX_M:
            keep.append(row)
    while keep[-1] != last and len(keep) > 1:
        keep.pop()
        if _apart(line, keep[-1], line, last) >= NEAR_VERTEX_M:
            keep.append(last)
    if len(keep) < 2:
        return None, last
    return Line.through(line.lon_deg[keep], line.lat_deg[keep], geod=line.geod), last + 1 - len(keep)


def _apart(one: Line, row: int, other: Line, other_row: int) -> float:
    """Distance between a vertex of one line and a vertex of another."""
    _, _, apart = one.geod.inv(one.lon_deg[row], one.lat_deg[row], other.lon_deg[other_row], other.lat_deg[other_row])
    return float(apart)


def pick_legs(line: Line, numbers: Collection[int]) -> list[Line]:
    """The runs of neighbouring legs with these numbers, in the order of the line; a ring's runs may pass its start.

    Numbers that are not the line's are another line's, and passed over.
    """
    chosen = set(numbers)
    wanted = [number in chosen for number in line.leg_number]
    if all(wanted):
        return [line]
    runs: list[list[int]] = []
    for row in np.flatnonzero(wanted).tolist():
        if row and wanted[row - 1]:
            runs[-1].append(row)
        else:
            runs.append([row])
    if line.closed and len(runs) > 1 and wanted[0] and wanted[-1]:
        start = runs.pop(0)
        runs[-1] += start
    return [_run(line, rows) for rows in runs]


def legs_between(line: Line, start: int, end: int) -> tuple[int, ...]:
    """Numbers of the legs from one vertex (row) to another; on a ring onward from the first, through its start too."""
    if line.closed:
        count = len(line)
        return tuple(line.leg_number[(start + step) % count] for step in range((end - start) % count or count))
    return line.leg_number[min(start, end) : max(start, end)]


def _run(line: Line, rows: Sequence[int]) -> Line:
    vertices = [*rows, rows[-1] + 1]
    return Line.through(
        line.lon_deg[vertices],
        line.lat_deg[vertices],
        geod=line.geod,
        leg_number=tuple(line.leg_number[row] for row in rows),
    )


def straightness(line: Line, drawn: Transformer, x: Floats, y: Floats) -> Floats:
    """(k - 1,) metres by which a line straight in the file's own coordinates would leave each leg, unsigned.

    ``drawn`` takes the file's coordinates to longitude and latitude on the line's datum; ``x``, ``y`` (k,) are the
    vertices there.
    """
    widest = np.zeros(len(line))
    across = np.diff(x)
    if drawn.source_crs is not None and drawn.source_crs.is_geographic:  # a leg over 180 degrees is the short one
        across = np.mod(across + 180, 360) - 180
    for share in (0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875):
        lon, lat = drawn.transform(x[:-1] + share * across, y[:-1] + share * np.diff(y))
        azimuth, _, apart = line.geod.inv(line.lon_deg[:-1], line.lat_deg[:-1], lon, lat)
        aside = np.asarray(apart) * np.sin(np.radians(np.asarray(azimuth) - line.azimuth_deg))
        widest = np.maximum(widest, np.abs(aside))
    return widest


def joined(lines: Sequence[Line]) -> list[Line]:
    """The lines with each one that starts where the one before ends made one with it, and legs numbered throughout.

    A line that ends within :data:`NEAR_VERTEX_M` of its own start becomes a ring.
    """
    chains: list[list[Line]] = []
    for line in lines:
        if chains and _goes_on(chains[-1], line):
            chains[-1].append(line)
        else:
            chains.append([line])
    first = 1
    numbered = []
    for chain in chains:
        line = _linked(chain)
        numbered.append(replace(line, leg_number=tuple(range(first, first + len(line)))))
        first += len(line)
    return numbered


def _goes_on(chain: Sequence[Line], line: Line) -> bool:
    return not (_is_ring(chain) or line.closed) and _apart(chain[-1], -1, line, 0) < NEAR_VERTEX_M


def _is_ring(chain: Sequence[Line]) -> bool:
    several = sum(len(line) for line in chain[:3]) > 2  # each line has a leg at least
    return several and _apart(chain[-1], -1, chain[0], 0) < NEAR_VERTEX_M


def _linked(chain: Sequence[Line]) -> Line:
    lon = np.concatenate([chain[0].lon_deg, *(line.lon_deg[1:] for line in chain[1:])])
    lat = np.concatenate([chain[0].lat_deg, *(line.lat_deg[1:] for line in chain[1:])])
    if _is_ring(chain):
        lon[-1], lat[-1] = lon[0], lat[0]
    return Line.through(lon, lat, geod=chain[0].geod)
