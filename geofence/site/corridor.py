"""The part of a survey about some places, triangulated such that its triangles there are those of the whole survey.

A triangle is one of the whole survey's if the circle through its corners is empty of all points. So the points of the
cells about the places are triangulated, and every triangle that a place needs is tried against all points that were
left out; where any is in or on its circle, the cells of such points are taken in and the triangulation goes on. The
corners of the whole survey's hull are taken from the start: what is outside these few is outside all.

With break lines the same holds for what can be seen from the triangle, which is nothing behind a piece of a break line
that cuts through the circle; and every piece that would cross the triangle itself must be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from geofence.engine.records import Floats
from geofence.errors import InputError
from geofence.numeric import COINCIDENT_M
from geofence.site.cells import File, Flags, Ints, ranges, widened
from geofence.site.coincident import Coincident, Merged, merged
from geofence.site.delaunay import FAR, Delaunay
from geofence.site.discs import Discs, strongest
from geofence.site.mesh import Mesh
from geofence.site.sight import covering, within_sight

__all__ = ["Corridor", "Edges", "Patch", "hull_of"]

STRIDE = 8
"""One in so many places of a line is sought from the nearest point, the others from there."""

TAKEN_A_DISC = 8
"""Cells taken for one circle at a time: enough to go on, and not all that a mistaken circle covers."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Pieces of break lines.

    Attributes
    ----------
    ends
        (k, 2) rows of the points at their ends.
    marks
        Places along them, ends included, filed by cell.
    edge
        (number of marks,) which piece each mark is on.
    reach_m
        No place on a piece is further than this from one of its marks.
    """

    ends: Ints
    marks: File
    edge: Ints
    reach_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """A triangulation of some of the points.

    Attributes
    ----------
    mesh
        Its triangles; vertex FAR + i is place i of ``points``.
    points
        The points, merged where they coincide.
    proven
        (m,) which triangles are known to be those of the whole survey. Written to as that becomes known.
    spacing_m
        About how far points are apart.
    """

    mesh: Mesh
    points: Merged
    proven: Flags
    spacing_m: float

    def locate(self, x: Floats, y: Floats) -> Ints:
        """The triangle that each place is in; those of a line are sought one from the other."""
        leap = np.hypot(np.diff(x, prepend=x[:1]), np.diff(y, prepend=y[:1])) > self.spacing_m
        sought = leap | (np.arange(len(x)) % STRIDE == 0)
        _, nearest = self.points.nearest(x[sought], y[sought])
        found = self.mesh.locate(x[sought], y[sought], self.mesh.any_triangle[nearest + FAR])
        return self.mesh.locate(x, y, found[np.cumsum(sought) - 1])


class Corridor:
    """What was taken of a survey so far.

    Parameters
    ----------
    points
        All points, filed by cell, places in metres.
    level_m
        (n,) their levels.
    edges
        Break lines, None where there are none.
    hull
        Rows of the corners of the hull of all points.
    coincident
        What decides the level of points at one place.
    source
        How messages call the survey.
    """

    def __init__(
        self,
        points: File,
        level_m: Floats,
        *,
        edges: Edges | None,
        hull: Ints,
        coincident: Coincident,
        source: str,
    ) -> None:
        self._points, self._level_m, self._edges = points, level_m, edges
        self._hull, self._policy, self._source = hull, coincident, source
        self._taken = np.zeros_like(points.count, dtype=bool)
        self._rows: Ints = np.zeros(0, dtype=np.int64)
        self._delaunay: Delaunay | None = None
        self._patch: Patch | None = None
        x, y = points.places(hull)
        self._box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))

    def about(self, x: Floats, y: Floats) -> Patch:
        """The triangulation about places: the one that there is, with the cells taken in that they visit."""
        visited = self._points.cells.visited(x, y)
        if self._patch is None:
            visited |= self._points.cells.visited(*self._points.places(self._hull))
        if self._patch is None or np.any(visited & ~self._taken):
            self._take(widened(visited))
        assert self._patch is not None
        return self._patch

    def prove(self, patch: Patch, triangle: Ints) -> bool:
        """Whether triangles are those of the whole survey; where one is not, more is taken in for the next patch."""
        triangle = np.unique(triangle)
        triangle = triangle[~patch.proven[triangle]]
        x, y, radius = patch.mesh.circles(triangle)
        discs = Discs(x=x, y=y, radius=radius)
        clear, cells = self._search(self._points, discs.wider(COINCIDENT_M))
        if self._edges is not None:
            doubtful = np.flatnonzero(~clear)
            seen = within_sight(patch.mesh, triangle[doubtful], discs.of(doubtful))
            clear[doubtful], cells = self._search(self._points, seen.wider(COINCIDENT_M))
            inside = covering(patch.mesh, triangle).wider(self._edges.reach_m + COINCIDENT_M)
            whole, crossed = self._search(self._edges.marks, inside)
            clear, cells = clear & whole, cells | crossed
        patch.proven[triangle[clear]] = True
        return True if clear.all() else self._grown(cells)

    def nearest_m(self, x: Floats, y: Floats) -> Floats:
        """Distances from places to the nearest of all points."""
        while True:
            distance, _ = self.about(x, y).points.nearest(x, y)
            clear, cells = self._search(self._points, Discs(x=x, y=y, radius=distance).wider(COINCIDENT_M))
            if clear.all() or self._grown(cells):
                return distance

    def _grown(self, cells: Flags) -> bool:
        self._take(cells)
        return False

    def _take(self, mask: Flags) -> None:
        """Take in the points of cells, and the ends of the break lines that pass them."""
        fresh = mask & ~self._taken
        self._taken |= fresh
        added = self._points.members(fresh)
        ends = np.zeros((0, 2), dtype=np.int64)
        if self._edges is not None:
            ends = self._edges.ends[np.unique(self._edges.edge[self._edges.marks.members(self._taken)])]
            added = np.union1d(added, ends)
        added = np.setdiff1d(added, self._rows, assume_unique=True)
        before = self._rows
        self._rows = np.concatenate([before, added])
        self._triangulate(before, ends)

    def _triangulate(self, before: Ints, ends: Ints) -> None:
        """Triangulate what was taken; going on from what there was if nothing of that has changed."""
        x, y = self._points.places(self._rows)
        points = merged(x, y, self._level_m[self._rows], self._policy)
        alone = len(points.first) == len(self._rows)
        if self._delaunay is None or not alone or len(ends):
            self._rows, points = self._in_order(points)
            x, y = self._points.places(self._rows)
            self._delaunay = Delaunay(*self._box)
            self._delaunay.add(x[points.first], y[points.first])
        else:
            self._delaunay.add(x[len(before) :], y[len(before) :])
        if len(ends):
            self._fix(ends, points)
        mesh = self._delaunay.mesh()
        self._patch = Patch(
            mesh=mesh,
            points=points,
            proven=np.zeros(len(mesh), dtype=bool),
            spacing_m=self._points.cells.size / 3,
        )

    def _in_order(self, points: Merged) -> tuple[Ints, Merged]:
        """The rows taken, ascending, so that of coincident points the first in the file stands for all."""
        rows = np.sort(self._rows)
        if np.array_equal(rows, self._rows):
            return rows, points
        x, y = self._points.places(rows)
        return rows, merged(x, y, self._level_m[rows], self._policy)

    def _fix(self, ends: Ints, points: Merged) -> None:
        assert self._delaunay is not None
        edges = np.sort(points.place[np.searchsorted(self._rows, ends)], axis=1)
        edges = np.unique(edges[edges[:, 0] < edges[:, 1]], axis=0)
        try:
            self._delaunay.fix(edges + FAR)
        except RuntimeError as error:
            raise InputError(
                "break lines cross where they have no common point",
                file=self._source,
                remedy="Give them a common vertex at each crossing, or leave one of them out.",
            ) from error

    def _search(self, file: File, discs: Discs) -> tuple[Flags, Flags]:
        """Which discs hold nothing of a file outside the cells taken, and cells (rows, columns) to take for others."""
        cells = file.cells
        left = np.where(self._taken, 0, file.count)
        near = discs.beside(cells, left)
        clear, wanted = np.ones(len(discs), dtype=bool), np.zeros(len(cells), dtype=bool)
        clear[near] = False
        filled = np.flatnonzero(left)
        for piece in discs.of(near).pieces(cells) if len(near) else ():
            rows = near[piece]
            clear[rows] = _tried(file, discs.of(rows), filled, wanted)
            if wanted.any():
                break
        return clear, wanted.reshape(left.shape)


def _tried(file: File, discs: Discs, filled: Ints, wanted: Flags) -> Flags:
    """Which discs hold none of the things in the filled cells; for the others, cells are marked as wanted."""
    clear = np.ones(len(discs), dtype=bool)
    disc, number, complete = discs.over(file.cells, filled, look="glance")
    disc, number = _in_part(file, discs, disc, number, clear, wanted)
    rest = np.flatnonzero(clear & ~complete)
    known = complete[disc]
    disc, number = disc[known], number[known]
    if len(rest):
        more, cells, _ = discs.of(rest).over(file.cells, filled)
        more, cells = _in_part(file, discs, rest[more], cells, clear, wanted)
        disc, number = np.append(disc, more), np.append(number, cells)
    pair, depth = _held(file, discs, disc, number)
    clear[disc[pair]] = False
    wanted[number[pair][strongest(disc[pair], depth, TAKEN_A_DISC)]] = True
    return clear


def _in_part(file: File, discs: Discs, disc: Ints, number: Ints, clear: Flags, wanted: Flags) -> tuple[Ints, Ints]:
    """Of pairs (disc, cell) those that leave it open whether a disc is clear: no cell of the disc is wholly in it."""
    whole, part = discs.depths(disc, file.cells, number)
    sure = whole > 0
    clear[disc[sure]] = False
    wanted[number[sure][strongest(disc[sure], whole[sure], TAKEN_A_DISC)]] = True
    open_ = clear[disc] & (part >= 0)
    return disc[open_], number[open_]


def _held(file: File, discs: Discs, disc: Ints, number: Ints) -> tuple[Ints, Floats]:
    """Of pairs (disc, cell): the pair of each thing that is in the cell and in the disc, and how deep in the disc."""
    mask = np.zeros(file.count.shape, dtype=bool)
    mask.ravel()[number] = True
    rows = file.members(mask)
    rows = rows[np.argsort(file.cell[rows], kind="stable")]
    cell = file.cell[rows]
    first, last = np.searchsorted(cell, number), np.searchsorted(cell, number, side="right") - 1
    pair, thing = ranges(first, last)
    x, y = file.places(rows)
    depth = discs.depth(disc[pair], x[thing], y[thing])
    inside = depth >= 0
    return pair[inside], depth[inside]


def hull_of(points: File) -> Ints:
    """Rows of the corners of the hull of all points, counter-clockwise; empty where they lie on one line.

    Only cells that have no filled cell towards one of the four diagonals are looked into: elsewhere a point lies
    between others.
    """
    rows = points.members((points.count > 0) & ~_surrounded(points.count > 0))
    if len(rows) < 3:
        return rows[:0]
    x, y = points.places(rows)
    try:
        corners: Ints = rows[ConvexHull(np.column_stack([x - x.mean(), y - y.mean()])).vertices]
    except (QhullError, ValueError):
        return rows[:0]
    return corners


def _surrounded(filled: Flags) -> Flags:
    """Which cells (rows, columns) have filled ones to the south-west, south-east, north-west and north-east."""
    columns = filled.shape[1]
    column = np.arange(columns)
    west = np.where(filled.any(axis=1), np.argmax(filled, axis=1), columns)
    east = np.where(filled.any(axis=1), columns - 1 - np.argmax(filled[:, ::-1], axis=1), -1)
    surrounded = np.ones_like(filled)
    for order in (slice(None), slice(None, None, -1)):
        leftmost, rightmost = np.minimum.accumulate(west[order])[:-1], np.maximum.accumulate(east[order])[:-1]
        between = (leftmost[:, None] < column) & (column < rightmost[:, None])
        between = np.concatenate([np.zeros((1, columns), dtype=bool), between])
        surrounded &= between[order]
    return surrounded
