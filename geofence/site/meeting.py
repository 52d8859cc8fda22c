"""Where lines meet: nodes that several lines pass or end at, or one line twice.

Drawn lines rarely meet exactly. Vertices of different lines that are no farther apart than a tolerance come together at
one of them, a vertex within the tolerance of a leg comes to lie on it, and legs that cross without a vertex meet where
they cross. Where a line turns back on itself is a node too. Where lines come together depends on where they are, never
on their order.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geofence.engine.records import Floats, Ints
from geofence.site.geodesics import crossings
from geofence.site.line import Line
from geofence.site.web import NO_NODE, Beside, Web

__all__ = ["SELF_M", "meet"]

SELF_M = 1.0
"""A line comes back to a place only after this much way: what is nearer is the line itself going on, as round a curve
of short legs."""

TURNS_BACK = 2
"""A line that goes back by more than so many times the tolerance, within it of where it came from, turns back however
short the way is: no curve does."""

SAME_M = 1e-6
"""Places this near each other are one: coordinates are given to no more than a thousandth of a millimetre."""


def meet(lines: Sequence[Line], *, join_m: float) -> Web:
    """Find where lines on one ellipsoid meet, each other or themselves, and bring together what is within ``join_m``.

    Returns
    -------
    Web
        The lines with a vertex at every node that they pass.
    """
    web = _at_vertices(Web.of(lines), join_m)
    return _at_turns(_at_crossings(_on_legs(web, join_m), join_m))


def _at_vertices(web: Web, join_m: float) -> Web:
    """Vertices that are each other's nearest, line by line, come together."""
    vertex = web.distinct
    pairs = vertex[cKDTree(web.xy_m[vertex]).query_pairs(join_m * 1.001 + SAME_M, output_type="ndarray")]
    one, other = pairs[:, 0], pairs[:, 1]
    apart = web.between_m(one, other)
    way = web.apart_m(web.line[one], web.way_m[one], web.way_m[other])
    steps, line = np.abs(one - other), web.line[one]
    steps = np.where(web.ring[line], np.minimum(steps, web.last[line] - web.first[line] - steps), steps)
    back = (steps == 2) & (way > 2 * TURNS_BACK * join_m)
    near = (apart <= join_m) & ((web.line[one] != web.line[other]) | (way > SELF_M) | back)
    one, other, apart = one[near], other[near], apart[near]
    least: dict[tuple[int, int], float] = defaultdict(lambda: np.inf)
    toward = [*zip(one.tolist(), web.line[other].tolist(), strict=True)]
    back = [*zip(other.tolist(), web.line[one].tolist(), strict=True)]
    for key, distance in zip(toward + back, [*apart.tolist()] * 2, strict=True):
        least[key] = min(least[key], distance)
    nearest = [
        distance <= min(least[ahead], least[behind]) + SAME_M
        for distance, ahead, behind in zip(apart.tolist(), toward, back, strict=True)
    ]
    chosen = np.array(nearest, dtype=bool)
    return _clustered(web, one[chosen], other[chosen])


def _clustered(web: Web, one: Ints, other: Ints) -> Web:
    """The web with vertices that pairs link at one node each, brought together."""
    node = web.node.copy()
    lon: list[float] = []
    lat: list[float] = []
    for group in _groups(len(web.line), one, other):
        best = min(group.tolist(), key=lambda row: _rank(web, group, row))
        node[group] = len(lon)
        lon.append(web.lon_deg[best])
        lat.append(web.lat_deg[best])
    return replace(web, node=node).moved(np.array(lon), np.array(lat))


def _groups(count: int, one: Ints, other: Ints) -> Iterator[Ints]:
    """Rows that pairs of rows link, group by group."""
    if not len(one):
        return
    _, label = connected_components(coo_array((np.ones(len(one)), (one, other)), shape=(count, count)), directed=False)
    members = np.unique(np.concatenate([one, other]))
    members = members[np.argsort(label[members], kind="stable")]
    yield from np.split(members, np.flatnonzero(np.diff(label[members])) + 1)


def _rank(web: Web, group: Ints, row: int) -> tuple[int, bool, float, float]:
    """Vertices come together where most of them are; then where a line goes on rather than ends."""
    same = np.hypot(*(web.xy_m[group] - web.xy_m[row]).T) <= SAME_M
    return -int(np.count_nonzero(same)), bool(web.loose[row]), float(web.lon_deg[row]), float(web.lat_deg[row])


def _on_legs(web: Web, join_m: float) -> Web:
    """Vertices within the tolerance of legs become nodes on them, at the foot on the nearest."""
    beside = _meeting(web, web.beside(web.distinct, join_m), join_m)
    if not len(beside.leg):
        return web
    foot_lon, foot_lat, _ = web.sights.at(beside.leg, beside.along_m)
    node, lon, lat = web.node.copy(), *(list(part) for part in web.node_places())
    settled: set[int] = set()
    order = sorted(range(len(beside.leg)), key=lambda row: (abs(beside.aside_m[row]), foot_lon[row], foot_lat[row]))
    for row in order:
        vertex = beside.vertex[row]
        if node[vertex] == NO_NODE:
            node[vertex] = len(lon)
            lon.append(foot_lon[row])
            lat.append(foot_lat[row])
        elif node[vertex] not in settled:
            lon[node[vertex]], lat[node[vertex]] = foot_lon[row], foot_lat[row]
        settled.add(int(node[vertex]))
    passing = {(int(leg), int(node[vertex])): along for leg, vertex, along in zip(*beside.columns, strict=True)}
    legs, nodes = (np.array(part) for part in zip(*passing, strict=True))
    grown = replace(web, node=node).with_vertices(legs, np.array([*passing.values()]), nodes)
    return grown.moved(np.array(lon), np.array(lat))


def _meeting(web: Web, beside: Beside, join_m: float) -> Beside:
    """Of vertices beside legs those that meet them: not where line or node is at the leg's end, or a little way on."""
    line, length = web.line[web.leg_start[beside.leg]], web.sights.length_m[beside.leg]
    way = web.way_m[web.leg_start[beside.leg]] + beside.along_m
    own = web.line[beside.vertex] == line
    free = (beside.along_m > SAME_M) & (beside.along_m < length - SAME_M)
    free &= ~own | (web.apart_m(line, web.way_m[beside.vertex], way) > SELF_M) | _back(web, beside, TURNS_BACK * join_m)
    known: dict[tuple[int, int], list[float]] = defaultdict(list)
    for row in np.flatnonzero(web.node != NO_NODE).tolist():
        known[int(web.node[row]), int(web.line[row])].append(float(web.way_m[row]))
    for row in np.flatnonzero(free & (web.node[beside.vertex] != NO_NODE)).tolist():
        there = known.get((int(web.node[beside.vertex[row]]), int(line[row])), [])
        if there:
            apart = web.apart_m(np.full(len(there), line[row]), np.array(there), np.full(len(there), way[row]))
            free[row] = bool((apart > max(SELF_M, join_m)).all())
    return beside.only(free)


def _back(web: Web, beside: Beside, least_m: float) -> NDArray[np.bool_]:
    """Whether a vertex beside a leg is the next one after it, or the one before it, and lies well back along it."""
    start = web.leg_start[beside.leg]
    line, end = web.line[start], start + 1
    after = np.where(web.ring[line] & (end == web.last[line]), web.first[line], end) + 1
    before = np.where(web.ring[line] & (start == web.first[line]), web.last[line], start) - 1
    back = (web.twin[beside.vertex] == after) & (web.sights.length_m[beside.leg] - beside.along_m > least_m)
    return np.asarray(back | ((beside.vertex == before) & (beside.along_m > least_m)))


def _at_crossings(web: Web, join_m: float) -> Web:
    """Legs that cross where neither has a vertex have a node there."""
    one, other, along, along_other = _crossing(web)
    if not len(one):
        return web
    lon, lat, _ = web.sights.at(one, along)
    places = web.plane(lon, lat)
    near = cKDTree(places).query_pairs(join_m, output_type="ndarray")
    alone = np.setdiff1d(np.arange(len(one)), near)
    groups = [*(alone[[row]] for row in range(len(alone))), *_groups(len(one), near[:, 0], near[:, 1])]
    node_lon, node_lat = (list(part) for part in web.node_places())
    passing: dict[tuple[int, int], float] = {}
    for group in groups:
        best = min(group.tolist(), key=lambda row: (lon[row], lat[row]))
        for legs, ways in ((one, along), (other, along_other)):
            passing |= {(int(legs[row]), len(node_lon)): float(ways[row]) for row in group.tolist()}
        node_lon.append(lon[best])
        node_lat.append(lat[best])
    legs, nodes = (np.array(part) for part in zip(*passing, strict=True))
    grown = web.with_vertices(legs, np.array([*passing.values()]), nodes)
    return grown.moved(np.array(node_lon), np.array(node_lat))


def _at_turns(web: Web) -> Web:
    """Vertices from which a line goes back to where it came from are nodes: its two legs there are one stretch."""
    vertex = web.distinct[~web.loose[web.distinct] & (web.node[web.distinct] == NO_NODE)]
    first = np.isin(vertex, web.first[web.ring])
    before = np.where(first, web.last[web.line[vertex]], vertex) - 1
    place = np.where(web.node == NO_NODE, -1 - np.arange(len(web.node)), web.node)
    place[web.last[web.ring]] = place[web.first[web.ring]]
    turns = vertex[place[before] == place[vertex + 1]]
    if not len(turns):
        return web
    node, (lon, lat) = web.node.copy(), web.node_places()
    node[turns] = len(lon) + np.arange(len(turns))
    return replace(web, node=node).moved(np.append(lon, web.lon_deg[turns]), np.append(lat, web.lat_deg[turns]))


def _crossing(web: Web) -> tuple[Ints, Ints, Floats, Floats]:
    """Pairs of legs that cross within both, and how far along each."""
    one, other = _near_each_other(web)
    share, share_other = _shares(web, one, other)
    length, length_other = web.sights.length_m[one], web.sights.length_m[other]
    along, along_other, apart = crossings(web.sights, one, other, share * length, share_other * length_other)
    start, start_other = web.leg_start[one], web.leg_start[other]
    way = web.apart_m(web.line[start], web.way_m[start] + along, web.way_m[start_other] + along_other)
    met = (apart < SAME_M) & (along >= 0) & (along <= length) & (along_other >= 0) & (along_other <= length_other)
    met &= (web.line[start] != web.line[start_other]) | (way > SELF_M)
    return one[met], other[met], along[met], along_other[met]


def _near_each_other(web: Web) -> tuple[Ints, Ints]:
    """Pairs of legs whose boxes meet, but for those that have an end in common."""
    boxes = shapely.box(*web.boxes.T)
    one, other = shapely.STRtree(boxes).query(boxes)
    once = one < other
    one, other = one[once], other[once]
    start, start_other = web.leg_start[one], web.leg_start[other]
    apart = np.ones(len(one), dtype=bool)
    for end in (start, start + 1):
        for end_other in (start_other, start_other + 1):
            same_node = (web.node[end] != NO_NODE) & (web.node[end] == web.node[end_other])
            apart &= ~same_node & (web.twin[end] != web.twin[end_other])
    return one[apart], other[apart]


def _shares(web: Web, one: Ints, other: Ints) -> tuple[Floats, Floats]:
    """About how far along each leg of pairs the crossing is, as a share of the leg, within it."""
    xy = web.xy_m
    begin, begin_other = xy[web.leg_start[one]], xy[web.leg_start[other]]
    run, run_other = xy[web.leg_start[one] + 1] - begin, xy[web.leg_start[other] + 1] - begin_other
    between = begin_other - begin
    across = _cross(run, run_other)
    across = np.where(np.abs(across) < 1e-12, np.inf, across)
    return np.clip(_cross(between, run_other) / across, 0, 1), np.clip(_cross(between, run) / across, 0, 1)


def _cross(one: Floats, other: Floats) -> NDArray[np.float64]:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
