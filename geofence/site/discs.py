"""Which cells of a survey lie within discs, also where a disc is as wide as the survey or a million times wider."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from geofence.engine.records import Floats
from geofence.site.cells import Cells, Flags, Ints, ranges

__all__ = ["Discs", "strongest"]

PIECE = 200_000
"""Rows of cells looked at in one go, over all discs, to bound the memory."""

GLANCE = 24
"""Rows, and cells in each, that are looked at first in a disc that has more of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Discs:
    """Discs, and pieces of discs.

    Attributes
    ----------
    x, y, radius
        (k,) centres and radii, metres.
    limits
        (k, e, 3): of each disc only that part counts in which ``a x + b y >= c`` for each of e limits (a, b, c), where
        (a, b) has length 1, or is (0, 0) for no limit.
    """

    x: Floats
    y: Floats
    radius: Floats
    limits: Floats = field(default_factory=lambda: np.zeros((1, 0, 3)))

    def __len__(self) -> int:
        return len(self.x)

    def of(self, rows: Ints) -> Discs:
        """Some of them."""
        limits = self.limits[rows] if self.limits.shape[1] else self.limits
        return Discs(x=self.x[rows], y=self.y[rows], radius=self.radius[rows], limits=limits)

    def wider(self, margin_m: float) -> Discs:
        """Discs that reach further on all sides, also for the rounding of a very large radius."""
        limits = self.limits - (0.0, 0.0, margin_m)
        return Discs(x=self.x, y=self.y, radius=self.radius * (1 + 1e-14) + margin_m, limits=limits)

    def beside(self, cells: Cells, count: Ints) -> Ints:
        """Rows of the discs about which a box of cells holds anything of a count (rows, columns); small ones first."""
        total = np.zeros((cells.rows + 1, cells.columns + 1), dtype=np.int64)
        total[1:, 1:] = count.cumsum(axis=0).cumsum(axis=1)
        west, east = cells.column(self.x - self.radius), cells.column(self.x + self.radius) + 1
        south, north = cells.row(self.y - self.radius), cells.row(self.y + self.radius) + 1
        held = total[north, east] - total[north, west] - total[south, east] + total[south, west]
        near = np.flatnonzero(held)
        return near[np.argsort(self.radius[near], kind="stable")]

    def pieces(self, cells: Cells) -> Iterator[Ints]:
        """The discs' rows, in pieces to be worked on in one go."""
        tall = cells.row(self.y + self.radius) - cells.row(self.y - self.radius) + 1
        edges = np.flatnonzero(np.diff(np.cumsum(tall) // PIECE)) + 1
        return iter(np.split(np.arange(len(self)), edges))

    def over(self, cells: Cells, filled: Ints, *, look: str = "whole") -> tuple[Ints, Ints, Flags]:
        """The filled cells that each disc touches.

        ``filled`` are numbers of cells, ascending. A ``glance`` looks at some of the cells of a disc that has many.

        Returns
        -------
        disc, number, complete
            Pairs (disc, number of a cell), and of which discs (k,) all cells are among them.
        """
        low, high = cells.row(self.y - self.radius), cells.row(self.y + self.radius)
        stride = 1 + (high - low) // GLANCE if look == "glance" else np.ones_like(low)
        disc, step = ranges(np.zeros_like(low), (high - low) // stride)
        row = low[disc] + step * stride[disc]
        off = np.maximum(np.maximum(cells.south_of(row) - self.y[disc], self.y[disc] - cells.south_of(row + 1)), 0.0)
        room = (self.radius[disc] - off) * (self.radius[disc] + off)
        disc, row, half = disc[room >= 0], row[room >= 0], np.sqrt(room[room >= 0])
        west = row * cells.columns + cells.column(self.x[disc] - half)
        east = row * cells.columns + cells.column(self.x[disc] + half)
        first, last = np.searchsorted(filled, west), np.searchsorted(filled, east, side="right") - 1
        skip = 1 + np.maximum(last - first, 0) // GLANCE if look == "glance" else np.ones_like(first)
        span, step = ranges(np.zeros_like(first), (last - first) // skip)
        complete = stride == 1
        complete[disc[skip > 1]] = False
        return disc[span], filled[first[span] + step * skip[span]], complete

    def depth(self, disc: Ints, x: Floats, y: Floats) -> Floats:
        """How deep each place is in a disc, metres; negative outside."""
        depth = self.radius[disc] - np.hypot(x - self.x[disc], y - self.y[disc])
        for limit in range(self.limits.shape[1]):
            a, b, c = self.limits[disc, limit].T
            depth = np.minimum(depth, a * x + b * y - c)
        return np.asarray(depth)

    def depths(self, disc: Ints, cells: Cells, number: Ints) -> tuple[Floats, Floats]:
        """How deep in a disc each cell lies, all of it, and the part of it that is most inside any one limit."""
        row, column = np.divmod(number, cells.columns)
        corners = [
            self.depth(disc, x, y)
            for x in (cells.west_of(column), cells.west_of(column + 1))
            for y in (cells.south_of(row), cells.south_of(row + 1))
        ]
        best = np.full(len(disc), np.inf)
        for limit in range(self.limits.shape[1]):
            a, b, c = self.limits[disc, limit].T
            x = cells.west_of(column + (a > 0))
            y = cells.south_of(row + (b > 0))
            best = np.minimum(best, a * x + b * y - c)
        return np.minimum.reduce(corners), best


def strongest(owner: Ints, strength: Floats, most: int) -> Flags:
    """Which rows are among the ``most`` of their owner with the greatest strength."""
    order = np.lexsort((-strength, owner))
    in_order = owner[order]
    rank = np.arange(len(owner)) - np.searchsorted(in_order, in_order)
    kept = np.zeros(len(owner), dtype=bool)
    kept[order[rank < most]] = True
    return kept
