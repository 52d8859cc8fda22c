"""A finished surface: its faces used as they stand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.spatial import cKDTree

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.numeric import COINCIDENT_M, ON_EDGE_M, WIDTH_TOLERANCE_M
from geofence.site.cells import File, Ints, ranges
from geofence.site.corridor import hull_of
from geofence.site.ground import State
from geofence.site.hull import Hull
from geofence.site.shapes import NEXT, Shapes

__all__ = ["Faces"]

COMPANY = 2.0
"""Corners to a cell: few faces then touch a cell, and a face few cells."""

PIECE = 1_000_000
"""Pairs worked on in one go, to bound the memory."""


class Faces:
    """The surface of faces (m, 3) between points x_m, y_m (n,) with level_m.

    Faces that stand upright have no area on the ground and are passed over. Where faces lie over each other, the first
    in the file gives the level.

    Parameters
    ----------
    max_edge_m
        A face with a longer edge gives no level.
    source
        How messages call the surface.

    Raises
    ------
    InputError
        No face has an area.
    """

    findings: tuple[Finding, ...] = ()

    def __init__(
        self, x_m: Floats, y_m: Floats, level_m: Floats, faces: Ints, *, max_edge_m: float, source: str
    ) -> None:
        dx, dy = x_m[faces[:, NEXT]] - x_m[faces], y_m[faces[:, NEXT]] - y_m[faces]
        twice = dx[:, 0] * -dy[:, 2] + dy[:, 0] * dx[:, 2]
        length = np.hypot(dx, dy).max(axis=1, initial=0.0)
        flat = np.abs(twice) > WIDTH_TOLERANCE_M * length
        if not flat.any():
            raise InputError(
                "no face of the surface has an area", file=source, remedy="Write the surface anew, with its faces."
            )
        self._corner = np.where((twice < 0)[:, None], faces[:, ::-1], faces)[flat]
        self._short = (length <= max_edge_m)[flat]
        self._x, self._y, self._level_m = x_m, y_m, level_m
        self._shapes = Shapes(x=x_m[self._corner], y=y_m[self._corner])
        self._used = np.unique(self._corner)
        corners = File.of(lambda rows: (x_m[self._used[rows]], y_m[self._used[rows]]), len(self._used), company=COMPANY)
        self._cells = corners.cells
        self._hull = Hull.of(*corners.places(hull_of(corners)), source=source, count=len(self._used))
        self._tree: cKDTree | None = None

    def levels(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Ints]:
        """Levels (NaN for none) and states at places in the plane."""
        level, state = np.full(len(x_m), np.nan), np.full(len(x_m), int(State.NO_DATA))
        face = self._located(x_m, y_m)
        given = np.flatnonzero(face >= 0)
        given = given[self._short[face[given]]]
        level[given] = self._level(face[given], x_m[given], y_m[given])
        state[given] = State.LEVEL
        state[(face < 0) & ~self._hull.holds(x_m, y_m)] = State.OUTSIDE
        return level, state

    def bends(self, x_m: Floats, y_m: Floats) -> tuple[Ints, Floats]:
        """Where the polyline through places crosses edges of faces; (index, fraction), sorted."""
        pairs = (np.column_stack([part[:-1], part[1:], part[1:]]) for part in (x_m, y_m))
        lines = Shapes(**dict(zip("xy", pairs, strict=True)))
        line, number = lines.touched(self._cells)
        start, end, edge, cell = self._edges(number)
        index, fraction = [np.zeros(0, dtype=np.int64)], [np.zeros(0)]
        for one, other in _joined(number, cell):
            row, side = line[one], edge[other]
            share = self._crossing(x_m, y_m, row, start[side], end[side])
            met = (share > 0) & (share < 1)
            index.append(row[met])
            fraction.append(share[met])
        return _distinct(np.concatenate(index), np.concatenate(fraction), np.hypot(np.diff(x_m), np.diff(y_m)))

    def nearest_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Distances from places to the nearest corner of a face."""
        if self._tree is None:
            self._tree = cKDTree(np.column_stack([self._x[self._used], self._y[self._used]]))
        distance, _ = self._tree.query(np.column_stack([x_m, y_m]))
        return np.asarray(distance)

    def _level(self, face: Ints, x: Floats, y: Floats) -> Floats:
        dx, dy = self._shapes.x[face] - x[:, None], self._shapes.y[face] - y[:, None]
        after, last = NEXT, NEXT[NEXT]
        weight = np.maximum(dx[:, after] * dy[:, last] - dy[:, after] * dx[:, last], 0.0)
        return np.asarray(np.sum(weight * self._level_m[self._corner[face]], axis=1) / weight.sum(axis=1))

    def _touching(self, number: Ints) -> tuple[Ints, Ints]:
        """Pairs (face, number of a cell) for cells of the given numbers."""
        mask = np.zeros(len(self._cells), dtype=bool)
        mask[number] = True
        near = self._shapes.near(self._cells, mask.reshape(self._cells.rows, self._cells.columns))
        shape, cell = self._shapes.of(near).touched(self._cells)
        return near[shape[mask[cell]]], cell[mask[cell]]

    def _located(self, x: Floats, y: Floats) -> Ints:
        """The face a place is in, of several the first; or else the nearest within a millimetre; -1 for none."""
        number = self._cells.number(x, y)
        face, cell = self._touching(number)
        found = [np.zeros((3, 0))]
        for place, other in _joined(number, cell):
            off = self._outside_m(face[other], x[place], y[place])
            near = off <= COINCIDENT_M
            found.append(np.stack([place[near], off[near], face[other[near]]]))
        place, off, candidate = np.concatenate(found, axis=1)
        order = np.lexsort((candidate, off, place))
        rows, first = np.unique(place[order], return_index=True)
        located = np.full(len(x), -1, dtype=np.int64)
        located[rows.astype(np.int64)] = candidate[order[first]].astype(np.int64)
        return located

    def _outside_m(self, face: Ints, x: Floats, y: Floats) -> Floats:
        """How far places are beyond the lines of one face's edges each, 0 inside."""
        corner_x, corner_y = self._shapes.x[face], self._shapes.y[face]
        along_x, along_y = corner_x[:, NEXT] - corner_x, corner_y[:, NEXT] - corner_y
        aside = along_y * (x[:, None] - corner_x) - along_x * (y[:, None] - corner_y)
        return np.asarray(np.maximum((aside / np.hypot(along_x, along_y)).max(axis=1), 0.0))

    def _edges(self, number: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Edges of the faces in cells: ends of each edge, and pairs (edge, number of a cell)."""
        face, cell = self._touching(number)
        ends = np.sort(np.stack([self._corner[face], self._corner[face][:, NEXT]]), axis=0).reshape(2, -1)
        key, edge = np.unique(ends[0] * len(self._x) + ends[1], return_inverse=True)
        pair = np.unique(edge * len(self._cells) + np.repeat(cell, 3))
        return key // len(self._x), key % len(self._x), pair // len(self._cells), pair % len(self._cells)

    def _crossing(self, x: Floats, y: Floats, row: Ints, start: Ints, end: Ints) -> Floats:
        """At what share of the way from each place to the next an edge is crossed; NaN where it is not."""
        dx, dy = x[row + 1] - x[row], y[row + 1] - y[row]
        ax, ay = self._x[start] - x[row], self._y[start] - y[row]
        ex, ey = self._x[end] - self._x[start], self._y[end] - self._y[start]
        across = dx * ey - dy * ex
        across[across == 0] = np.nan
        along = (ax * dy - ay * dx) / across
        slack = ON_EDGE_M / np.hypot(ex, ey)
        return np.where((along >= -slack) & (along <= 1 + slack), (ax * ey - ay * ex) / across, np.nan)


def _joined(one: Ints, other: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Pairs (row of one, row of the other) of equal numbers, in pieces."""
    order = np.argsort(one, kind="stable")
    first = np.searchsorted(one, other, sorter=order)
    last = np.searchsorted(one, other, side="right", sorter=order) - 1
    edges = np.flatnonzero(np.diff(np.cumsum(last - first + 1) // PIECE)) + 1
    for rows in np.split(np.arange(len(other)), edges):
        row, place = ranges(first[rows], last[rows])
        yield order[place], rows[row]


def _distinct(index: Ints, fraction: Floats, length_m: Floats) -> tuple[Ints, Floats]:
    """Crossings in order, those at one place once."""
    order = np.lexsort((fraction, index))
    index, fraction = index[order], fraction[order]
    fresh = np.ones(len(index), dtype=bool)
    fresh[1:] = (np.diff(index) > 0) | (np.diff(fraction) * length_m[index[1:]] > WIDTH_TOLERANCE_M)
    return index[fresh], fraction[fresh]
