"""Lines that meet, as the runs that are fenced: each stretch once, and junctions where several runs share a post."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from geofence.engine.records import Floats, Ints
from geofence.site.geodesics import Sights, feet
from geofence.site.line import Line
from geofence.site.meeting import meet
from geofence.site.near_misses import NearMiss, near_misses
from geofence.site.web import NO_NODE, PUT_IN, Web

__all__ = ["Junction", "Network", "Shared", "network"]

EXACT_M = 1e-4
"""A leg that passes this near a junction passes through it: places are written to 0.1 mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Junction:
    """Where runs meet, or one run twice.

    ``visits``: row of the run, and distance along it on the ellipsoid, in that order; a ring's first vertex is at 0.
    """

    lon_deg: float
    lat_deg: float
    visits: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """A stretch on which two lines run together: fenced by the owner alone.

    ``owner`` and ``other`` are rows of the lines; the stretch lies on a run, from one distance to another.
    """

    owner: int
    other: int
    run: int
    from_m: float
    to_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Network:
    """Lines as they are fenced.

    Attributes
    ----------
    runs
        The unbroken stretches, line by line; each stretch of ground that several lines have is in the first one's.
    line
        For each run the row of its line.
    junctions
        Where they meet, in the order of their first visits.
    shared
        What lines have in common, by owner and then along it.
    moved, moved_m
        How many vertices were moved to meet others by more than 0.1 mm, and how far the farthest went.
    near
        What comes near without meeting.
    """

    runs: tuple[Line, ...]
    line: tuple[int, ...]
    junctions: tuple[Junction, ...]
    shared: tuple[Shared, ...]
    moved: int
    moved_m: float
    near: tuple[NearMiss, ...]


def network(lines: Sequence[Line], *, join_m: float, near_m: float) -> Network:
    """The runs of lines on one ellipsoid, those before others where they share a stretch.

    Parameters
    ----------
    lines
        As drawn. One that is wholly within earlier ones has no run.
    join_m
        What is no farther apart is brought together.
    near_m
        What comes within this and does not meet is told.
    """
    web = meet(lines, join_m=join_m)
    owner = _owners(web)
    parts = list(_parts(web, owner))
    runs = [_run(web, lines, rows) for rows in parts]
    places = [_distances(web, run, rows) for run, rows in zip(runs, parts, strict=True)]
    moved = _moved(Web.of(lines), web)
    junctions = _junctions(web, runs, parts, places)
    return Network(
        runs=tuple(runs),
        line=tuple(int(web.line[rows[0]]) for rows in parts),
        junctions=junctions,
        shared=_shared(web, owner, parts, places),
        moved=int(np.count_nonzero(moved > EXACT_M)),
        moved_m=float(moved.max()),
        near=near_misses(web, near_m=near_m),
    )


def _owners(web: Web) -> Ints:
    """(q,) for each leg the leg that is fenced in its place: itself, or the first between the same two nodes."""
    first: dict[tuple[int, int], int] = {}
    owner = np.arange(len(web.leg_start))
    start, end = web.node[web.leg_start], web.node[web.leg_start + 1]
    for leg in np.flatnonzero((start != NO_NODE) & (end != NO_NODE)).tolist():
        owner[leg] = first.setdefault((min(start[leg], end[leg]), max(start[leg], end[leg])), leg)
    return owner


def _parts(web: Web, owner: Ints) -> Iterator[Ints]:
    """Vertices of each run: legs that are fenced and follow each other, on a ring through its first vertex too."""
    kept = owner == np.arange(len(owner))
    line_of_leg = web.line[web.leg_start]
    for line in range(len(web.ring)):
        legs = np.flatnonzero(line_of_leg == line)
        chains: list[list[int]] = []
        for leg in legs[kept[legs]].tolist():
            if chains and chains[-1][-1] == leg - 1:
                chains[-1].append(leg)
            else:
                chains.append([leg])
        if web.ring[line] and len(chains) > 1 and kept[legs[0]] and kept[legs[-1]]:
            chains[-1] += chains.pop(0)
        for chain in chains:
            yield np.append(web.leg_start[chain], web.leg_start[chain[-1]] + 1)


def _run(web: Web, lines: Sequence[Line], rows: Ints) -> Line:
    """The line through vertices of a web, without those that only mark a node on a leg; as drawn if nothing changed."""
    rows = rows[_needed(web, rows)]
    drawn: Line = lines[int(web.line[rows[0]])]
    lon, lat = web.lon_deg[rows], web.lat_deg[rows]
    if np.array_equal(lon, drawn.lon_deg) and np.array_equal(lat, drawn.lat_deg):
        return drawn
    return Line.through(lon, lat, geod=web.geod, leg_number=web.number[rows[:-1]].tolist())


def _needed(web: Web, rows: Ints) -> Ints:
    """Places among a run's vertices that make its course: those drawn, its ends, and where it bends to pass a node."""
    needed = web.origin[rows] != PUT_IN
    needed[[0, -1]] = True
    while not needed.all():
        between = np.flatnonzero(~needed)
        _, aside, before = _on_course(web, rows, needed, between)
        off = np.abs(aside) > EXACT_M
        if not off.any():
            break
        worst = {gap: place for place, gap in sorted(zip(np.abs(aside).tolist(), before.tolist(), strict=True))}
        needed[[between[row] for row in np.flatnonzero(off) if abs(aside[row]) == worst[before[row]]]] = True
    return np.flatnonzero(needed)


def _on_course(web: Web, rows: Ints, needed: Ints, between: Ints) -> tuple[Floats, Floats, Ints]:
    """Of vertices between needed ones: how far along from the one before, how far aside, and which that is."""
    marks = np.flatnonzero(needed)
    before = np.searchsorted(marks, between) - 1
    start, end = rows[marks[before]], rows[marks[before + 1]]
    sights = Sights.between(web.geod, web.lon_deg[start], web.lat_deg[start], web.lon_deg[end], web.lat_deg[end])
    lon, lat = web.lon_deg[rows[between]], web.lat_deg[rows[between]]
    _, _, guess = web.geod.inv(web.lon_deg[start], web.lat_deg[start], lon, lat)
    along, aside = feet(sights, np.arange(len(between)), lon, lat, np.asarray(guess))
    return along, aside, before


def _distances(web: Web, run: Line, rows: Ints) -> Floats:
    """Distance along a run of each of its vertices in the web."""
    needed = np.zeros(len(rows), dtype=bool)
    needed[_needed(web, rows)] = True
    found = np.zeros(len(rows))
    found[needed] = run.vertex_distance_m
    between = np.flatnonzero(~needed)
    if len(between):
        along, _, before = _on_course(web, rows, needed, between)
        found[between] = run.vertex_distance_m[before] + along
    return found


def _junctions(web: Web, runs: Sequence[Line], parts: Sequence[Ints], places: Sequence[Floats]) -> tuple[Junction, ...]:
    visits: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for number, (run, rows, distance) in enumerate(zip(runs, parts, places, strict=True)):
        last = len(rows) - run.closed  # a ring's last vertex is its first
        for row, along in zip(rows[:last].tolist(), distance[:last].tolist(), strict=True):
            if web.node[row] != NO_NODE:
                visits[int(web.node[row])].append((number, along))
    lon, lat = web.node_places()
    return tuple(
        Junction(lon_deg=float(lon[node]), lat_deg=float(lat[node]), visits=tuple(there))
        for node, there in visits.items()
        if len(there) > 1
    )


def _shared(web: Web, owner: Ints, parts: Sequence[Ints], places: Sequence[Floats]) -> tuple[Shared, ...]:
    """Stretches that lines have in common, neighbouring ones as one."""
    where = {}
    for number, (rows, distance) in enumerate(zip(parts, places, strict=True)):
        for row, ends in zip(rows[:-1].tolist(), pairwise(distance.tolist()), strict=True):
            where[row] = (number, *ends)
    together: dict[tuple[int, int, int], list[tuple[float, float]]] = defaultdict(list)
    for leg in np.flatnonzero(owner != np.arange(len(owner))).tolist():
        start = int(web.leg_start[owner[leg]])
        run, first, last = where[start]
        together[int(web.line[start]), int(web.line[web.leg_start[leg]]), run].append((first, last))
    found = []
    for (line, other, run), stretches in together.items():
        for first, last in _joined(sorted(stretches)):
            found.append(Shared(owner=line, other=other, run=run, from_m=first, to_m=last))
    return tuple(sorted(found, key=lambda each: (each.run, each.from_m, each.other)))


def _joined(stretches: Sequence[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    first, last = stretches[0]
    for start, end in stretches[1:]:
        if start > last + EXACT_M:
            yield first, last
            first = start
        last = max(last, end)
    yield first, last


def _moved(drawn: Web, web: Web) -> Floats:
    """How far each of the drawn vertices that are left was moved."""
    rows = np.flatnonzero(web.origin != PUT_IN)
    was = web.origin[rows]
    _, _, apart = web.geod.inv(drawn.lon_deg[was], drawn.lat_deg[was], web.lon_deg[rows], web.lat_deg[rows])
    return np.asarray(apart)
