"""Square cells over a survey, to find the points about a place without ordering all of them.

A point is filed under the number of its cell, and the points of some cells are found by one pass over these numbers:
a million points take 2 milliseconds, while a tree over them takes a second to build.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats

__all__ = ["ENDLESS", "Cells", "File", "Flags", "Ints", "ranges", "widened"]

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]
Places = Callable[[Ints], tuple[Floats, Floats]]

CHUNK = 1 << 16
"""Points worked on at a time, so that what is in between stays in the processor's cache."""

SAMPLE = 20_000
"""Points that tell the extent and the density of all."""

ENDLESS = 1e30
"""How far the outermost cells reach, metres."""

CROWDED = 4.0
"""Cells in which points have this many times the company that was aimed at are halved."""


def ranges(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """All whole numbers of n ranges first..last, both included: (row of the range, number).

    >>> ranges(np.array([3, 7, 5]), np.array([4, 6, 5]))
    (array([0, 0, 2]), array([3, 4, 5]))
    """
    number = np.maximum(last - first + 1, 0)
    row = np.repeat(np.arange(len(first)), number)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(number) - number - first, number)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Rows and columns of squares; what lies beyond them is in the outermost, which reach to infinity.

    Attributes
    ----------
    west, south
        Corner of cell (0, 0), metres.
    size
        Side of a cell, metres.
    columns, rows
        How many there are. The cell in row r and column c has number ``r * columns + c``.
    """

    west: float
    south: float
    size: float
    columns: int
    rows: int

    @classmethod
    def over(cls, x: Floats, y: Floats, *, count: int, company: float) -> Cells:
        """Over a sample of ``count`` points, such that a point shares its cell with about ``company`` of them.

        The outermost hundredth on each side does not widen the rows and columns much: a stray point at the origin of
        the grid must not put all others into one cell.
        """
        if not len(x):
            return cls(west=0.0, south=0.0, size=1.0, columns=1, rows=1)
        west, east, south, north = *_extent(x), *_extent(y)
        longest = max(east - west, north - south, 1e-3)
        area = max(east - west, longest * 1e-3) * max(north - south, longest * 1e-3)
        size = float(np.sqrt(area * company / count))
        return cls(
            west=west,
            south=south,
            size=size,
            columns=int((east - west) / size) + 1,
            rows=int((north - south) / size) + 1,
        )

    def __len__(self) -> int:
        return self.columns * self.rows

    def finer(self) -> Cells:
        """Cells of half the size."""
        return Cells(west=self.west, south=self.south, size=self.size / 2, columns=self.columns * 2, rows=self.rows * 2)

    def column(self, x: Floats) -> Ints:
        """Columns of places; 0 for NaN."""
        return np.fmax(np.fmin((x - self.west) / self.size, self.columns - 1), 0).astype(np.int64)

    def row(self, y: Floats) -> Ints:
        """Rows of places; 0 for NaN."""
        return np.fmax(np.fmin((y - self.south) / self.size, self.rows - 1), 0).astype(np.int64)

    def number(self, x: Floats, y: Floats) -> Ints:
        """Numbers of the cells of places."""
        return self.row(y) * self.columns + self.column(x)

    def visited(self, x: Floats, y: Floats) -> Flags:
        """(rows, columns) which cells have a place in them."""
        seen = np.zeros(len(self), dtype=bool)
        seen[self.number(x, y)] = True
        return seen.reshape(self.rows, self.columns)

    def west_of(self, column: Ints) -> Floats:
        """Western edges of columns; of the first far away. The eastern edge is the western of the next."""
        edge = self.west + column * self.size
        edge = np.where(column <= 0, -ENDLESS, edge)
        return np.where(column >= self.columns, ENDLESS, edge)

    def south_of(self, row: Ints) -> Floats:
        """Southern edges of rows; of the first far away."""
        edge = self.south + row * self.size
        edge = np.where(row <= 0, -ENDLESS, edge)
        return np.where(row >= self.rows, ENDLESS, edge)


def _extent(values: Floats) -> tuple[float, float]:
    low, high = np.quantile(values, [0.01, 0.99])
    return max(float(values.min()), float(low - (high - low) / 10)), min(
        float(values.max()), float(high + (high - low) / 10)
    )


def widened(mask: Flags) -> Flags:
    """A mask of cells with the eight neighbours of each."""
    wide = mask.copy()
    wide[1:] |= mask[:-1]
    wide[:-1] |= mask[1:]
    across = wide.copy()
    wide[:, 1:] |= across[:, :-1]
    wide[:, :-1] |= across[:, 1:]
    return wide


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class File:
    """Things at places, filed by cell.

    Attributes
    ----------
    cells
        The squares.
    places
        Gives the places x, y of some of the things, by their rows.
    cell
        (n,) int32 number of each one's cell.
    count
        (rows, columns) how many are in each cell.
    """

    cells: Cells
    places: Places
    cell: NDArray[np.int32]
    count: Ints

    @classmethod
    def under(cls, cells: Cells, places: Places, number: int) -> File:
        """``number`` things filed under given cells."""
        cell = np.empty(number, dtype=np.int32)
        count = np.zeros(len(cells), dtype=np.int64)
        for first in range(0, number, CHUNK):
            cell[first : first + CHUNK] = cells.number(*places(np.arange(first, min(first + CHUNK, number))))
        for first in range(0, number, 16 * CHUNK):
            count += np.bincount(cell[first : first + 16 * CHUNK], minlength=len(cells))
        return cls(cells=cells, places=places, cell=cell, count=count.reshape(cells.rows, cells.columns))

    @classmethod
    def of(cls, places: Places, number: int, *, company: float) -> File:
        """``number`` things, of which each shares its cell with about ``company``."""
        x, y = places(np.arange(0, number, max(number // SAMPLE, 1)))
        cells = Cells.over(x, y, count=number, company=company)
        file = cls.under(cells, places, number)
        while file.company > CROWDED * company and 4 * len(cells) <= number:
            cells = cells.finer()
            file = cls.under(cells, places, number)
        return file

    @property
    def company(self) -> float:
        """How many share the cell of one of them, on average, itself included."""
        return float(np.sum(self.count.astype(np.float64) ** 2) / max(len(self.cell), 1))

    def members(self, mask: Flags) -> Ints:
        """Rows of the things in the cells of a mask (rows, columns), ascending."""
        return np.flatnonzero(mask.ravel()[self.cell])
