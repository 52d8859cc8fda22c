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


CHUNK = 64


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
    """Vertices that come near other lines without meeting them: the vertex, the nearest such line, how far it is.

    Of their own line only ends are looked at: a line that runs beside itself is meant to.
    """
    found = [_near_others(web, near_m), _near_themselves(web, near_m)]
    vertex, line, apart = (np.concatenate(parts) for parts in zip(*found, strict=True))
    missed = ~_met(web, vertex, line)
    vertex, line, apart = vertex[missed], line[missed], apart[missed]
    order = np.lexsort([apart, vertex])
    vertex, line, apart = vertex[order], line[order], apart[order]
    first = np.flatnonzero(np.diff(vertex, prepend=-1))
    return vertex[first], line[first], apart[first]


def _near_others(web: Web, near_m: float) -> tuple[Ints, Ints, Floats]:
    """Vertices away from nodes beside other lines, these in chunks, so that curves of short legs are few things."""
    ends = [
        (line, start, min(start + CHUNK, last))
        for line, (first, last) in enumerate(zip(web.first.tolist(), web.last.tolist(), strict=True))
        for start in range(first, last, CHUNK)
    ]
    chunks = np.array([shapely.LineString(web.xy_m[start : end + 1]) for _, start, end in ends])
    of = np.array([line for line, _, _ in ends])
    vertices = web.distinct[web.node[web.distinct] == NO_NODE]
    points = shapely.points(web.xy_m[vertices])
    around = shapely.box(*(web.xy_m[vertices] - near_m).T, *(web.xy_m[vertices] + near_m).T)
    row, chunk = shapely.STRtree(chunks).query(around)
    vertex, line = vertices[row], of[chunk]
    other = web.line[vertex] != line
    apart = np.asarray(shapely.distance(points[row[other]], chunks[chunk[other]]))
    near = apart <= near_m
    return vertex[other][near], line[other][near], apart[near]


def _near_themselves(web: Web, near_m: float) -> tuple[Ints, Ints, Floats]:
    """Ends of lines beside other parts of their own line."""
    legs = shapely.linestrings(np.stack([web.xy_m[web.leg_start], web.xy_m[web.leg_start + 1]], axis=1))
    vertices = np.flatnonzero(web.loose & (web.node == NO_NODE))
    points = shapely.points(web.xy_m[vertices])
    row, leg = shapely.STRtree(legs).query(points, predicate="dwithin", distance=near_m)
    vertex, start = vertices[row], web.leg_start[leg]
    line = web.line[start]
    way = np.minimum(
        web.apart_m(line, web.way_m[vertex], web.way_m[start]),
        web.apart_m(line, web.way_m[vertex], web.way_m[start + 1]),
    )
    own = (web.line[vertex] == line) & (way > MET_M)
    return vertex[own], line[own], np.asarray(shapely.distance(points[row[own]], legs[leg[own]]))


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
