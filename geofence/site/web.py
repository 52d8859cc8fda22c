"""Lines as vertices and legs in one table, so that those which lie near each other can be looked for all at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Geod, Transformer

from geofence.engine.records import Floats, Ints
from geofence.site.geodesics import Sights, feet, plane_about
from geofence.site.line import Line

__all__ = ["NO_NODE", "PUT_IN", "Beside", "Web"]

NO_NODE = PUT_IN = -1

Flags = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Beside:
    """Places that lie near legs: (k,) rows of vertices and of legs.

    ``along_m`` is where the foot is on the leg, ``aside_m`` how far off the vertex is, to the right positive.
    """

    vertex: Ints
    leg: Ints
    along_m: Floats
    aside_m: Floats

    @property
    def columns(self) -> tuple[Ints, Ints, Floats]:
        """Legs, vertices, and how far along."""
        return self.leg, self.vertex, self.along_m

    def only(self, wanted: Flags) -> Beside:
        """Those of the rows that are wanted."""
        return Beside(
            vertex=self.vertex[wanted],
            leg=self.leg[wanted],
            along_m=self.along_m[wanted],
            aside_m=self.aside_m[wanted],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Web:
    """Vertices of lines, one below the other; a ring's last repeats its first.

    Attributes
    ----------
    geod
        The ellipsoid.
    line
        (n,) row of the line that each vertex is of.
    lon_deg, lat_deg
        (n,) where they are.
    number
        (n,) number of the leg that starts there; 0 at the last vertex of a line.
    node
        (n,) the node that they are at, where lines meet; :data:`NO_NODE` elsewhere.
    origin
        (n,) row of the vertex as drawn; :data:`PUT_IN` for those put into legs that pass a node.
    ring
        (m,) whether each line is closed.
    """

    geod: Geod
    line: Ints
    lon_deg: Floats
    lat_deg: Floats
    number: Ints
    node: Ints
    origin: Ints
    ring: Flags

    @classmethod
    def of(cls, lines: Sequence[Line]) -> Web:
        """The lines, all on one ellipsoid."""
        counts = [len(line.lon_deg) for line in lines]
        return cls(
            geod=lines[0].geod,
            line=np.repeat(np.arange(len(lines)), counts),
            lon_deg=np.concatenate([line.lon_deg for line in lines]),
            lat_deg=np.concatenate([line.lat_deg for line in lines]),
            number=np.concatenate([[*line.leg_number, 0] for line in lines]).astype(np.int64),
            node=np.full(sum(counts), NO_NODE),
            origin=np.arange(sum(counts)),
            ring=np.array([line.closed for line in lines]),
        )

    @cached_property
    def leg_start(self) -> Ints:
        """(q,) the vertex that each leg starts at; it ends at the next."""
        return np.flatnonzero(self.line[:-1] == self.line[1:])

    @cached_property
    def sights(self) -> Sights:
        """(q,) the legs."""
        start = self.leg_start
        return Sights.between(
            self.geod, self.lon_deg[start], self.lat_deg[start], self.lon_deg[start + 1], self.lat_deg[start + 1]
        )

    @cached_property
    def way_m(self) -> Floats:
        """(n,) distance of each vertex along its line."""
        step = np.zeros(len(self.line))
        step[self.leg_start + 1] = self.sights.length_m
        total = np.cumsum(step)
        return total - total[self.first[self.line]]

    @cached_property
    def first(self) -> Ints:
        """(m,) first vertex of each line."""
        return np.searchsorted(self.line, np.arange(len(self.ring)))

    @cached_property
    def last(self) -> Ints:
        """(m,) last vertex of each line."""
        return np.searchsorted(self.line, np.arange(len(self.ring)), side="right") - 1

    @cached_property
    def loose(self) -> Flags:
        """(n,) whether a vertex is the end of an open line."""
        ends = np.zeros(len(self.line), dtype=bool)
        ends[self.first[~self.ring]] = ends[self.last[~self.ring]] = True
        return ends

    @cached_property
    def distinct(self) -> Ints:
        """The vertices without the repeated ones of rings."""
        kept = np.ones(len(self.line), dtype=bool)
        kept[self.last[self.ring]] = False
        return np.flatnonzero(kept)

    @cached_property
    def _to_plane(self) -> Transformer:
        lon, lat = self.lon_deg, self.lat_deg
        middle = float(lon[0] if np.ptp(lon) > 180 else (lon.min() + lon.max()) / 2)
        return plane_about(self.geod, middle, float((lat.min() + lat.max()) / 2))

    def plane(self, lon_deg: Floats, lat_deg: Floats) -> Floats:
        """(k, 2) places in a plane of metres about the lines, to look for neighbours in, not to measure."""
        return np.column_stack(self._to_plane.transform(lon_deg, lat_deg))

    @cached_property
    def _flat(self) -> tuple[Floats, Floats, Floats]:
        """(n, 2) vertices in the plane, (q, 4) boxes round the legs there, (q,) how far legs leave their chords."""
        xy = self.plane(self.lon_deg, self.lat_deg)
        start, end = xy[self.leg_start], xy[self.leg_start + 1]
        rows, bow = np.arange(len(start)), np.zeros(len(start))
        for share in (0.25, 0.5, 0.75):
            lon, lat, _ = self.sights.at(rows, share * self.sights.length_m)
            bow = np.maximum(bow, np.hypot(*(self.plane(lon, lat) - start - share * (end - start)).T))
        bow = 2 * bow + 1e-3
        boxes = np.hstack([np.minimum(start, end) - bow[:, None], np.maximum(start, end) + bow[:, None]])
        return xy, boxes, bow

    @property
    def xy_m(self) -> Floats:
        """(n, 2) vertices in the plane."""
        return self._flat[0]

    @property
    def boxes(self) -> Floats:
        """(q, 4) west, south, east, north of the legs in that plane, bows and all."""
        return self._flat[1]

    def between_m(self, one: Ints, other: Ints) -> Floats:
        """(k,) distances between vertices."""
        _, _, apart = self.geod.inv(self.lon_deg[one], self.lat_deg[one], self.lon_deg[other], self.lat_deg[other])
        return np.asarray(apart)

    def node_places(self) -> tuple[Floats, Floats]:
        """Longitude and latitude of the nodes."""
        at = np.flatnonzero(self.node != NO_NODE)
        node, row = np.unique(self.node[at], return_index=True)
        lon, lat = np.full((2, node[-1] + 1 if len(node) else 0), np.nan)
        lon[node], lat[node] = self.lon_deg[at[row]], self.lat_deg[at[row]]
        return lon, lat

    def apart_m(self, line: Ints, way_m: Floats, other_m: Floats) -> Floats:
        """How far two places on one line are apart along it; on a ring the shorter way round."""
        apart = np.abs(way_m - other_m)
        round_m = self.way_m[self.last[line]]
        return np.where(self.ring[line], np.minimum(apart, round_m - apart), apart)

    def beside(self, vertices: Ints, reach_m: float) -> Beside:
        """The legs that come within reach of vertices, but for those that start or end there; feet are within legs."""
        xy, boxes, bow = self._flat
        tree = shapely.STRtree(shapely.box(*boxes.T))
        points = shapely.box(*(xy[vertices] - reach_m).T, *(xy[vertices] + reach_m).T)
        row, leg = tree.query(points)
        vertex, start = vertices[row], self.leg_start[leg]
        own = (vertex == start) | (vertex == start + 1) | (self.twin[vertex] == start + 1)
        begin, run = xy[start], xy[start + 1] - xy[start]
        share = np.einsum("ij,ij->i", xy[vertex] - begin, run) / np.maximum(np.einsum("ij,ij->i", run, run), 1e-12)
        foot = begin + np.clip(share, 0, 1)[:, None] * run
        near = ~own & (np.hypot(*(xy[vertex] - foot).T) <= reach_m * 1.001 + bow[leg])
        vertex, leg, share = vertex[near], leg[near], np.clip(share[near], 0, 1)
        along, aside = feet(
            self.sights, leg, self.lon_deg[vertex], self.lat_deg[vertex], share * self.sights.length_m[leg]
        )
        found = Beside(vertex=vertex, leg=leg, along_m=along, aside_m=aside)
        within = (along >= 0) & (along <= self.sights.length_m[leg]) & (np.abs(aside) <= reach_m)
        return found.only(within)

    @cached_property
    def twin(self) -> Ints:
        """(n,) of a ring's first vertex the last, elsewhere the vertex itself."""
        twin = np.arange(len(self.line))
        twin[self.first[self.ring]] = self.last[self.ring]
        return twin

    def moved(self, node_lon_deg: Floats, node_lat_deg: Floats) -> Web:
        """The same with the vertices at nodes brought there; legs without length go."""
        node = self.node.copy()
        node[self.last[self.ring]] = node[self.first[self.ring]]
        at, lon, lat = node != NO_NODE, self.lon_deg.copy(), self.lat_deg.copy()
        lon[at], lat[at] = node_lon_deg[node[at]], node_lat_deg[node[at]]
        kept = np.ones(len(node), dtype=bool)
        kept[:-1] = (self.line[:-1] != self.line[1:]) | ~at[:-1] | (node[:-1] != node[1:])
        columns: dict[str, Any] = {"line": self.line, "lon_deg": lon, "lat_deg": lat, "number": self.number}
        columns |= {"node": node, "origin": self.origin}
        return replace(self, **{name: values[kept] for name, values in columns.items()})

    def with_vertices(self, leg: Ints, along_m: Floats, node: Ints) -> Web:
        """The same with a further vertex in legs, (k,), some distance along; each at a node."""
        order = np.lexsort([along_m, leg])
        leg, node = leg[order], node[order]
        before = self.leg_start[leg]
        lon, lat, _ = self.sights.at(leg, along_m[order])
        columns: dict[str, tuple[Any, Any]] = {
            "line": (self.line, self.line[before]),
            "lon_deg": (self.lon_deg, lon),
            "lat_deg": (self.lat_deg, lat),
            "number": (self.number, self.number[before]),
            "node": (self.node, node),
            "origin": (self.origin, PUT_IN),
        }
        grown: dict[str, Any] = {name: np.insert(old, before + 1, new) for name, (old, new) in columns.items()}
        return replace(self, **grown)
