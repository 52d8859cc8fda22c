"""One band of one raster file: reads cells, each stored block once, and gives them as levels in metres."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any, Literal

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio import Affine
from rasterio.errors import RasterioError
from rasterio.windows import Window

from geofence.engine.records import Floats
from geofence.errors import InputError

__all__ = ["HIGHEST_M", "LOWEST_M", "Cells", "Flags", "Odd", "Tile", "groups"]

LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""No dry land lies beyond: the shore of the Dead Sea is at about -430 m, the highest summit at 8849 m."""

CACHE_BYTES = 32 * 2**20
"""GDAL's block cache while we read. We keep what we need of a block, so a larger one only costs memory; with a smaller
one, virtual mosaics decode their sources' blocks again and again. rasterio takes bytes, not megabytes."""

UNIT_CELLS = 2**22
"""Most cells held at a time: a file whose blocks are larger is read in parts of them."""

CORNERS = ((0, 0), (0, 1), (1, 0), (1, 1))
"""(down, right) of the cells of a square."""

Odd = Literal["refuse", "drop"]
"""What becomes of a level that no ground has."""

Flags = NDArray[np.bool_]
Cells = NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One band of one raster file: how its numbers become levels at places.

    Attributes
    ----------
    file, band
        Where the numbers are; bands count from 1.
    width, height
        Cells across and down.
    transform
        From (column, row), counted from the outer corner of the first cell, to the grid.
    block
        (rows, columns) that are stored, and so best read, together.
    scale, offset, unit_m
        level = (number * scale + offset) * unit_m, metres.
    nodata
        The number that says there is no level, as the band's own type holds it; None without one.
    mask
        The band whose zeros hide levels (an alpha band); 0 for the mask that the file keeps of its bands; None: none.
    overviews
        Factors of the reduced copies in the file.
    overview
        Which of them to read; None for the file's own cells.
    """

    file: Path
    band: int
    width: int
    height: int
    transform: Affine
    block: tuple[int, int]
    scale: float = 1.0
    offset: float = 0.0
    unit_m: float = 1.0
    nodata: float | None = None
    mask: int | None = None
    overviews: tuple[int, ...] = ()
    overview: int | None = None

    @property
    def unit(self) -> tuple[int, int]:
        """(rows, columns) read at a time: a block, or as many of its rows as may be held."""
        rows, columns = min(self.block[0], self.height), min(self.block[1], self.width)
        return min(rows, max(1, UNIT_CELLS // columns)), columns

    def squares(self, row: Cells, column: Cells, wanted: Flags, *, odd: Odd) -> Floats:
        """Levels of n squares of four cells each.

        Parameters
        ----------
        row, column
            (n,) first cell of each square.
        wanted
            (2, 2, n) over row and column in the square, and square: which cells to read. These must be in the tile.

        Returns
        -------
        (2, 2, n) metres; NaN where there is none, any number where none is wanted. Each block is read once, in about
        the order of need.

        Raises
        ------
        InputError
            A damaged block, or, unless such are dropped, a level outside -500..9000 m.
        """
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), self._opened() as source:
            numbers, shown = self._gather(source, row, column, wanted)
        level = self._decoded(numbers)
        if shown is not None:
            level[~shown] = np.nan
        wrong = wanted & ((level < LOWEST_M) | (level > HIGHEST_M))
        if wrong.any():
            if odd == "refuse":
                down, right, place = (int(part[0]) for part in np.nonzero(wrong))
                number, found = float(numbers[down, right, place]), float(level[down, right, place])
                raise self._odd_level(int(row[place]) + down, int(column[place]) + right, number, found)
            level[wrong] = np.nan
        return level

    def _gather(self, source: Any, row: Cells, column: Cells, wanted: Flags) -> tuple[NDArray[Any], Flags | None]:
        """Numbers of wanted cells, and what the mask lets through; see :meth:`squares`.

        Most squares lie in one unit and are taken whole; the others cell by cell.
        """
        rows, columns = self.unit
        whole = (row % rows < rows - 1) & (column % columns < columns - 1) & wanted.all(axis=(0, 1))
        squares = np.flatnonzero(whole)
        corners = [(down, right, np.flatnonzero(wanted[down, right] & ~whole)) for down, right in CORNERS]
        singles = np.concatenate([place + (2 * down + right) * len(row) for down, right, place in corners])
        r = np.concatenate([row[squares], *(row[place] + np.int32(down) for down, _, place in corners)])
        c = np.concatenate([column[squares], *(column[place] + np.int32(right) for _, right, place in corners)])
        numbers = np.zeros(wanted.shape, dtype=source.dtypes[self.band - 1])
        shown = None if self.mask is None else np.ones(wanted.shape, dtype=bool)
        buffer = np.empty(rows * columns, dtype=numbers.dtype)
        for entries in groups((r // rows) * (-(-self.width // columns)) + c // columns):
            top, left = int(r[entries[0]]) // rows * rows, int(c[entries[0]]) // columns * columns
            block, mask = self._read(source, top, left, buffer)
            cut = np.searchsorted(entries, len(squares))
            cell = (r[entries] - top) * block.shape[1] + (c[entries] - left)
            for target, values in ((numbers, block), (shown, mask)):
                if target is None or values is None:
                    continue
                below = values.shape[1]
                for down, right in CORNERS:
                    target[down, right, squares[entries[:cut]]] = values.take(cell[:cut] + (below * down + right))
                target.reshape(-1)[singles[entries[cut:] - len(squares)]] = values.take(cell[cut:])
        return numbers, shown

    def is_empty(self) -> bool:
        """Whether no cell has a level; reads until it finds one."""
        rows, columns = self.unit
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), self._opened() as source:
            buffer = np.empty(rows * columns, dtype=source.dtypes[self.band - 1])
            for top, left in product(range(0, self.height, rows), range(0, self.width, columns)):
                numbers, shown = self._read(source, top, left, buffer)
                known = np.isfinite(self._decoded(numbers))
                if np.any(known if shown is None else known & shown):
                    return False
        return True

    def reduced(self, factor: float) -> Tile:
        """The tile as the coarsest reduced copy in its file with cells of at most ``factor`` of its own, or itself."""
        fitting = [level for level, each in enumerate(self.overviews) if each <= factor]
        if not fitting:
            return self
        coarse = replace(self, overview=max(fitting, key=lambda level: self.overviews[level]), overviews=())
        with coarse._opened() as source:
            return replace(
                coarse,
                width=source.width,
                height=source.height,
                transform=source.transform,
                block=source.block_shapes[self.band - 1],
            )

    def _opened(self) -> Any:
        options = {} if self.overview is None else {"overview_level": self.overview}
        try:
            return rasterio.open(self.file, **options)
        except RasterioError as error:
            raise InputError("the file can no longer be opened", file=self.file, remedy="Put it back.") from error

    def _read(self, source: Any, row: int, column: int, buffer: NDArray[Any]) -> tuple[NDArray[Any], Flags | None]:
        """Numbers, and what the mask lets through, of the unit whose first cell is (row, column); in the buffer."""
        rows, columns = min(self.unit[0], self.height - row), min(self.unit[1], self.width - column)
        window = Window(column, row, columns, rows)
        try:
            numbers = source.read(self.band, window=window, out=buffer[: rows * columns].reshape(rows, columns))
            if self.mask is None:
                return numbers, None
            mask = source.read(self.mask, window=window) if self.mask else source.read_masks(self.band, window=window)
            return numbers, mask > 0
        except RasterioError as error:
            raise InputError(
                "the cells cannot be read: the file is cut short or damaged, or a file it refers to is not there",
                file=self.file,
                place=f"block from row {row}, column {column}",
                remedy="Copy or download the file again, with all that belongs to it.",
            ) from error

    def _decoded(self, numbers: NDArray[Any]) -> Floats:
        """Levels in metres, NaN where the number says there is none."""
        level = numbers.astype(np.float64)
        if numbers.dtype.kind == "f":
            level[~np.isfinite(level)] = np.nan
        if self.nodata is not None:
            level[level == self.nodata] = np.nan
        if self.scale != 1.0 or self.offset != 0.0:
            level *= self.scale
            level += self.offset
        if self.unit_m != 1.0:
            level *= self.unit_m
        return level

    def _odd_level(self, row: int, column: int, number: float, level: float) -> InputError:
        return InputError(
            "a level that no ground has",
            file=self.file,
            place=f"row {row}, column {column} (from 0)",
            value=f"{level:.6g}",
            limit=f"{LOWEST_M:.0f} to {HIGHEST_M:.0f}",
            unit="m",
            remedy=(
                f"If {number:.9g} marks missing levels, say so in the file: rio edit-info --nodata {number:.9g} "
                f'{self.file.name}. If the unit is another, set level_unit ("m", "ft" or "ftUS") in [ground]. '
                "Otherwise the file is damaged: copy it again."
            ),
        )


def groups(key: NDArray[Any]) -> Iterator[NDArray[np.int64]]:
    """Entries of each key, keys in the order in which they first occur.

    A line stays in a block for long, so keys come in runs: only the runs are sorted.

    >>> [group.tolist() for group in groups(np.array([7, 7, 3, 7, 3]))]
    [[0, 1, 3], [2, 4]]
    """
    if len(key) == 0:
        return
    begin = np.concatenate([[0], np.flatnonzero(key[1:] != key[:-1]) + 1])
    length = np.diff(begin, append=len(key))
    _, first, group = np.unique(key[begin], return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))[group.reshape(-1)]
    run = np.argsort(rank, kind="stable")
    begin, length, rank = begin[run], length[run], rank[run]
    end = np.cumsum(length)
    entries = np.arange(len(key)) + np.repeat(begin - (end - length), length)
    yield from np.split(entries, end[:-1][np.diff(rank) > 0])
