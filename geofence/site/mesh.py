"""Triangles side by side: which one a place is in, what a line crosses, and which ones are slivers of the hull."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.numeric import FLAT_M, ON_EDGE_M, SLIVER_RATIO

__all__ = ["Mesh"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NEXT = np.array([1, 2, 0])
"""Edge k of a triangle runs from corner k to corner NEXT[k], counter-clockwise."""

PATIENCE = 64
"""Steps after which a walk chooses its way at random: among constrained edges a walk could go in circles."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles that tile the plane about a survey, out to a few far corners that are no points of it.

    Attributes
    ----------
    x, y
        (v,) vertices, metres; the first ``far`` are the far corners.
    far
        How many these are.
    corner
        (m, 3) vertices of each triangle, counter-clockwise.
    neighbour
        (m, 3) triangle across each edge, -1 for none.
    fixed
        (m, 3) which edges are pieces of break lines.
    area2
        (m,) twice the area.
    length
        (m, 3) of the edges.
    outer
        (m,) how many corners are far ones; such a triangle is outside the hull of the points.
    flat
        (m,) height under :data:`~geofence.numeric.FLAT_M`: too thin for a level of its own.
    thin
        (m,) height under :data:`~geofence.numeric.SLIVER_RATIO` of the longest edge, or flat.
    ahead
        (m,) triangle across the longest edge.
    sliver
        (m,) thin, with nothing but thin triangles between its longest edge and the outside.
    """

    x: Floats
    y: Floats
    far: int
    corner: Ints
    neighbour: Ints
    fixed: Flags
    normal_x: Floats = field(init=False)
    normal_y: Floats = field(init=False)
    offset: Floats = field(init=False)
    length: Floats = field(init=False)
    area2: Floats = field(init=False)
    outer: Ints = field(init=False)
    flat: Flags = field(init=False)
    thin: Flags = field(init=False)
    ahead: Ints = field(init=False)
    sliver: Flags = field(init=False)
    any_triangle: Ints = field(init=False)

    @classmethod
    def of(cls, x: Floats, y: Floats, corner: Ints, *, far: int, fixed_edges: Ints) -> Mesh:
        """Of triangles by their corners; ``fixed_edges`` (k, 2) are pairs of vertices."""
        start, end = corner.ravel(), corner[:, NEXT].ravel()
        key = np.minimum(start, end) * len(x) + np.maximum(start, end)
        order = np.argsort(key, kind="stable")
        pairs = np.flatnonzero(key[order[1:]] == key[order[:-1]])
        one, other = order[pairs], order[pairs + 1]
        neighbour = np.full(len(key), -1, dtype=np.int64)
        neighbour[one], neighbour[other] = other // 3, one // 3
        fixed_key = fixed_edges.min(axis=1) * len(x) + fixed_edges.max(axis=1)
        fixed = np.isin(key, fixed_key) if len(fixed_key) else np.zeros(len(key), dtype=bool)
        return cls(x=x, y=y, far=far, corner=corner, neighbour=neighbour.reshape(-1, 3), fixed=fixed.reshape(-1, 3))

    def __post_init__(self) -> None:
        x, y = self.x[self.corner], self.y[self.corner]
        along_x, along_y = x[:, NEXT] - x, y[:, NEXT] - y
        length = np.hypot(along_x, along_y)
        normal_x, normal_y = -along_y / length, along_x / length
        area2 = along_x[:, 0] * -along_y[:, 2] + along_y[:, 0] * along_x[:, 2]
        outer = np.count_nonzero(self.corner < self.far, axis=1)
        longest = np.argmax(length, axis=1)
        row = np.arange(len(x))
        longest_m = length[row, longest]
        flat = (area2 < FLAT_M * longest_m) & (outer == 0)
        thin = flat | ((area2 < SLIVER_RATIO * longest_m**2) & (outer == 0))
        ahead = np.where(self.fixed[row, longest], -1, self.neighbour[row, longest])
        any_triangle = np.zeros(len(self.x), dtype=np.int64)
        for some in (np.flatnonzero(outer > 0), np.flatnonzero(outer == 0)):
            any_triangle[self.corner[some]] = some[:, None]
        values = {
            "normal_x": normal_x,
            "normal_y": normal_y,
            "offset": normal_x * x + normal_y * y,
            "length": length,
            "area2": area2,
            "outer": outer,
            "flat": flat,
            "thin": thin,
            "ahead": ahead,
            "sliver": _slivers(thin, outer > 0, ahead),
            "any_triangle": any_triangle,
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.corner)

    def inward(self, triangle: Ints, x: Floats, y: Floats) -> Floats:
        """(k, 3) distances of places from the edges of one triangle each, positive towards its inside."""
        return self.normal_x[triangle] * x[:, None] + self.normal_y[triangle] * y[:, None] - self.offset[triangle]

    def locate(self, x: Floats, y: Floats, start: Ints) -> Ints:
        """The triangle that each place is in, found by walking from a triangle near it; on an edge either one."""
        found = start.copy()
        active = np.arange(len(x))
        chance = np.random.default_rng(0)
        for step in range(len(self) + PATIENCE):
            inward = self.inward(found[active], x[active], y[active])
            if step > PATIENCE:
                inward[inward < 0] *= chance.random(np.count_nonzero(inward < 0)) + 1e-3
            edge = np.argmin(inward, axis=1)
            row = np.flatnonzero(inward[np.arange(len(edge)), edge] < -ON_EDGE_M)
            active, edge = active[row], edge[row]
            if not len(active):
                break
            found[active] = self.neighbour[found[active], edge]
        return found

    def crossed(self, x: Floats, y: Floats, found: Ints) -> tuple[Ints, Floats, Ints, Ints]:
        """What a polyline crosses between consecutive places x, y (n,), which are in triangles ``found``.

        Returns
        -------
        index, fraction, before, after
            On the stretch from place ``index`` to the next, at ``fraction`` in 0..1 of the way, an edge is crossed from
            triangle ``before`` into ``after``; in the order of the walk, not of the line.
        """
        at = np.flatnonzero(found[:-1] != found[1:])
        now, before = found[at], np.full(len(at), -1)
        steps: list[tuple[Ints, Floats, Ints, Ints]] = []
        for _ in range(len(self)):
            begin, end = self.inward(now, x[at], y[at]), self.inward(now, x[at + 1], y[at + 1])
            leaving = (begin > end) & (end < 0) & (self.neighbour[now] != before[:, None])
            share = np.where(leaving, begin / np.where(leaving, begin - end, 1.0), np.inf)
            edge = np.argmin(share, axis=1)
            row = np.arange(len(edge))
            onward = np.flatnonzero((share[row, edge] < 1) & (now != found[at + 1]))
            if not len(onward):
                break
            share, edge, at = share[onward, edge[onward]], edge[onward], at[onward]
            before = now[onward]
            now = self.neighbour[before, edge]
            steps.append((at, np.maximum(share, 0.0), before, now))
        if not steps:
            none = np.zeros(0, dtype=np.int64)
            return none, np.zeros(0), none, none
        index, fraction, left, entered = (np.concatenate(parts) for parts in zip(*steps, strict=True))
        return index, fraction, left, entered

    def thin_ahead(self, triangle: Ints) -> Ints:
        """Triangles with the thin ones ahead of each thin one, on which it depends whether that is a sliver."""
        known = np.zeros(len(self), dtype=bool)
        known[triangle] = True
        fresh = np.flatnonzero(known & self.thin)
        while len(fresh):
            fresh = np.unique(self.ahead[fresh])
            fresh = fresh[(fresh >= 0) & self.thin[fresh] & ~known[fresh]]
            known[fresh] = True
        return np.flatnonzero(known)

    def weights(self, triangle: Ints, x: Floats, y: Floats) -> Floats:
        """(k, 3) weights of the corners of one triangle each at places in it; none below 0, together 1."""
        dx, dy = self.x[self.corner[triangle]] - x[:, None], self.y[self.corner[triangle]] - y[:, None]
        after, last = NEXT, NEXT[NEXT]
        weight = np.maximum(dx[:, after] * dy[:, last] - dy[:, after] * dx[:, last], 0.0)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def circles(self, triangle: Ints) -> tuple[Floats, Floats, Floats]:
        """Centres x, y and radii of the circles through the corners of triangles that are not flat."""
        x, y = self.x[self.corner[triangle]], self.y[self.corner[triangle]]
        bx, by, cx, cy = x[:, 1] - x[:, 0], y[:, 1] - y[:, 0], x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]
        b2, c2, twice = bx * bx + by * by, cx * cx + cy * cy, 2 * (bx * cy - by * cx)
        ux, uy = (cy * b2 - by * c2) / twice, (bx * c2 - cx * b2) / twice
        return x[:, 0] + ux, y[:, 0] + uy, np.hypot(ux, uy)

    def lines(self, triangle: Ints) -> Floats:
        """(k, 3, 3) the lines through the edges of triangles: ``a x + b y >= c`` on the inner side."""
        return np.stack([self.normal_x[triangle], self.normal_y[triangle], self.offset[triangle]], axis=2)

    def foot(self, triangle: Ints, edge: Ints, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        """The place on an edge of a triangle nearest to each place, x and y, and how far it is."""
        start, end = self.corner[triangle, edge], self.corner[triangle, NEXT[edge]]
        ax, ay = self.x[start], self.y[start]
        dx, dy = self.x[end] - ax, self.y[end] - ay
        share = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
        foot_x, foot_y = ax + share * dx, ay + share * dy
        return foot_x, foot_y, np.hypot(x - foot_x, y - foot_y)


def _slivers(thin: Flags, outside: Flags, ahead: Ints) -> Flags:
    """Which thin triangles have only thin ones ahead of them, up to the outside."""
    sliver = np.zeros(len(thin), dtype=bool)
    waiting = np.flatnonzero(thin & (ahead >= 0))
    while len(waiting):
        peeled = outside[ahead[waiting]] | sliver[ahead[waiting]]
        if not peeled.any():
            break
        sliver[waiting[peeled]] = True
        waiting = waiting[~peeled]
    return sliver
