"""Lines that come near each other and do not meet, as those do that were meant to and drawn apart."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geofence.engine.records import Floats, Ints
from geofence.site.web import NO_NODE, Web

__all__ = ["NearMiss", "near_misses"]

MET_M = 10.0
"""Lines that meet within this of a place are near each other there because they meet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NearMiss:
    """A vertex of a line beside another line, or beside another part of its own.

    Attributes
    ----------
    line, other
        Rows of the lines.
    lon_deg, lat_deg
        Where the vertex is.
    apart_m
        How far it is from the other.
    end
        Whether the line ends there.
    vertices
        How many vertices of the line are as near to the other; this one is the nearest. 1 for an end.
    """

    line: int
    other: int
    lon_deg: float
    lat_deg: float
    apart_m: float
    end: bool
    vertices: int = 1


def near_misses(web: Web, *, near_m: float) -> tuple[NearMiss, ...]:
    """What comes within a distance and does not meet: each end of a line, and of the other vertices the nearest."""
    vertex, other, apart = _nearest(web, near_m)
    ends = web.loose[vertex]
    found = [
        _miss(web, int(vertex[row]), int(other[row]), float(apart[row]), end=True)
        for row in _once(web.xy_m[vertex], np.flatnonzero(ends), near_m)
    ]
    beside: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in np.flatnonzero(~ends).tolist():
        beside[int(web.line[vertex[row]]), int(other[row])].append(row)
    for rows in beside.values():
        best = min(rows, key=lambda row: float(apart[row]))
        found.append(_miss(web, int(vertex[best]), int(other[best]), float(apart[best]), end=False, vertices=len(rows)))
    return tuple(found)


def _nearest(web: Web, near_m: float) -> tuple[Ints, Ints, Floats]:
    """Vertices that come near other lines without meeting them: the vertex, the nearest such line, how far it is."""
    tree = shapely.STRtree(shapely.linestrings(np.stack([web.xy_m[web.leg_start], web.xy_m[web.leg_start + 1]], 1)))
    vertices = web.distinct[web.node[web.distinct] == NO_NODE]
    points = shapely.points(web.xy_m[vertices])
    row, leg = tree.query(points, predicate="dwithin", distance=near_m)
    vertex, line = vertices[row], web.line[web.leg_start[leg]]
    apart = np.asarray(shapely.distance(points[row], tree.geometries[leg]))
    way = np.minimum(
        web.apart_m(line, web.way_m[vertex], web.way_m[web.leg_start[leg]]),
        web.apart_m(line, web.way_m[vertex], web.way_m[web.leg_start[leg] + 1]),
    )
    free = (web.line[vertex] != line) | ((way > MET_M) & (web.leg_start[leg] != vertex))
    free &= ~_met(web, vertex, line)
    order = np.lexsort([apart[free], vertex[free]])
    vertex, line, apart = vertex[free][order], line[free][order], apart[free][order]
    first = np.flatnonzero(np.diff(vertex, prepend=-1))
    return vertex[first], line[first], apart[first]


def _met(web: Web, vertex: Ints, line: Ints) -> NDArray[np.bool_]:
    """Whether a vertex's line and another meet near the vertex."""
    nodes: dict[int, set[int]] = defaultdict(set)
    at = np.flatnonzero(web.node != NO_NODE)
    for row in at.tolist():
        nodes[int(web.line[row])].add(int(web.node[row]))
    lon, lat = web.node_places()
    places = web.plane(lon, lat)
    met = np.zeros(len(vertex), dtype=bool)
    for row, (own, other) in enumerate(zip(web.line[vertex].tolist(), line.tolist(), strict=True)):
        common = list(nodes[own] & nodes[other])
        met[row] = bool(common) and np.hypot(*(places[common] - web.xy_m[vertex[row]]).T).min() <= MET_M
    return met


def _once(xy_m: Floats, rows: Ints, near_m: float) -> list[int]:
    """Of rows those that are not near an earlier one: two ends that miss each other are one miss."""
    kept: list[int] = []
    for row in rows.tolist():
        if all(np.hypot(*(xy_m[row] - xy_m[other])) > near_m for other in kept):
            kept.append(row)
    return kept


def _miss(web: Web, vertex: int, other: int, apart_m: float, *, end: bool, vertices: int = 1) -> NearMiss:
    return NearMiss(
        line=int(web.line[vertex]),
        other=int(other),
        lon_deg=float(web.lon_deg[vertex]),
        lat_deg=float(web.lat_deg[vertex]),
        apart_m=float(apart_m),
        end=end,
        vertices=vertices,
    )
