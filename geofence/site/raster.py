"""Ground from elevation rasters: bilinear between cell centres, read block by block along the line.

A raster's levels belong to the centres of its cells. At (u, v) of the way between four neighbouring centres the level
is ``z00 (1-u) (1-v) + z01 u (1-v) + z10 (1-u) v + z11 u v``, which is exact on a plane. Tiles whose cells continue each
other form one lattice, so that the four neighbours may come from different files and no seam shows. A neighbour without
data gives no level, unless its weight is zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from rasterio import Affine

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.numeric import CELL_TOLERANCE, LATTICE_TOLERANCE
from geofence.site.ground import Levels, Relief, State
from geofence.site.picture import Picture, common
from geofence.site.tile import Flags, Odd, Tile

__all__ = ["RasterGround", "Tile"]

FARTHEST = 1e12
"""No grid reaches so far, in whatever unit."""

States = NDArray[np.uint8]


class _Neighbours:
    """The four cells about each of n places, to be filled from one tile after the other.

    ``row``, ``column`` (n,) are the cell north-west of the place, as the raster is stored; ``down``, ``right`` (n,) the
    way from its centre to the next, 0 to 1. Over (2, 2, n), row and column of the neighbour, and place: ``level``;
    ``bare``, has weight and is in no tile; ``missing``, has weight and no level.
    """

    def __init__(self, row: Floats, column: Floats) -> None:
        whole_row, whole_column = np.floor(row), np.floor(column)
        self.row, self.column = whole_row.astype(np.int32), whole_column.astype(np.int32)
        self.down, self.right = row - whole_row, column - whole_column
        self.bare: Flags = np.ones((2, 2, len(row)), dtype=bool)
        self.bare[1, :] &= self.down > 0
        self.bare[:, 1] &= self.right > 0
        self.missing = self.bare.copy()
        self.level: Floats = np.zeros(self.bare.shape)

    def fill(self, tile: Tile, origin: tuple[int, int], *, odd: Odd) -> None:
        """Fill what a tile knows of the cells still missing; its first cell is at ``origin``."""
        row, column = self.row - np.int32(origin[0]), self.column - np.int32(origin[1])
        near = (row >= -1) & (row < tile.height) & (column >= -1) & (column < tile.width)
        at: slice | NDArray[np.int64] = slice(None) if near.all() else np.flatnonzero(near)
        row, column = row[at], column[at]
        inside = np.stack([row >= 0, row < tile.height - 1])[:, None] & [column >= 0, column < tile.width - 1]
        self.bare[..., at] &= ~inside
        wanted = self.missing[..., at] & inside
        if not wanted.any():
            return
        found = tile.squares(row, column, wanted, odd=odd)
        wanted &= ~np.isnan(found)
        self.missing[..., at] &= ~wanted
        np.copyto(found, 0.0, where=~wanted)
        found += self.level[..., at]
        if isinstance(at, slice):
            self.level = found
        else:
            self.level[..., at] = found

    def blend(self) -> tuple[Floats, States]:
        """Levels (NaN for none) and states of the places."""
        upper, lower = (west + self.right * (east - west) for west, east in self.level)
        level: Floats = upper + self.down * (lower - upper)
        state = np.full(len(level), State.LEVEL, dtype=np.uint8)
        state[self.missing.any(axis=(0, 1))] = State.NO_DATA
        state[self.bare.any(axis=(0, 1))] = State.OUTSIDE
        level[state != State.LEVEL] = np.nan
        return level, state


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lattice:
    """Tiles whose cells continue each other.

    ``origin`` holds each tile's first cell (row, column) here; ``transform`` is from (column, row), counted from the
    centre of cell (0, 0), to the grid; ``turn`` is what a full turn of longitude measures, None in a projected grid.
    """

    tiles: tuple[Tile, ...]
    origin: tuple[tuple[int, int], ...]
    transform: Affine
    width: int
    height: int
    turn: float | None

    @classmethod
    def of(cls, tiles: Sequence[Tile], cells: Sequence[tuple[int, int]], turn: float | None) -> _Lattice:
        """Of tiles whose first cells lie at ``cells`` (row, column), counted from that of the first tile."""
        top, left = min(row for row, _ in cells), min(column for _, column in cells)
        origin = tuple((row - top, column - left) for row, column in cells)
        return cls(
            tiles=tuple(tiles),
            origin=origin,
            transform=_moved(tiles[0].transform, top + 0.5, left + 0.5),
            width=max(column + tile.width for tile, (_, column) in zip(tiles, origin, strict=True)),
            height=max(row + tile.height for tile, (row, _) in zip(tiles, origin, strict=True)),
            turn=turn,
        )

    def positions(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """(row, column) of places, whole where they are within rounding of a line of centres."""
        t = self.transform
        if self.turn is not None:
            middle = _moved(t, self.height / 2, self.width / 2).c
            x = x - self.turn * np.rint((x - middle) / self.turn)
        row, column = _in_cells(t, x - t.c, y - t.f)
        return _settled(row), _settled(column)

    def sample(self, x: Floats, y: Floats, *, odd: Odd) -> tuple[Floats, States]:
        """Levels (NaN for none) and states at places."""
        row, column = self.positions(x, y)
        neighbours = _Neighbours(_held(row, self.height), _held(column, self.width))
        for tile, origin in zip(self.tiles, self.origin, strict=True):
            neighbours.fill(tile, origin, odd=odd)
        return neighbours.blend()


def _moved(transform: Affine, row: float, column: float) -> Affine:
    """A transform whose origin is moved to (row, column)."""
    a, b, x, d, e, y = transform[:6]
    return Affine(a, b, x + a * column + b * row, d, e, y + d * column + e * row)


def _in_cells(transform: Affine, dx: Floats, dy: Floats) -> tuple[Floats, Floats]:
    """(rows, columns) that a way on the grid measures."""
    a, b, _, d, e, _ = transform[:6]
    if b == 0 and d == 0:
        return dy / e, dx / a
    determinant = a * e - b * d
    return (a * dy - d * dx) / determinant, (e * dx - b * dy) / determinant


def _places(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Places as float64; NaN for what is no place, so that the infinity of a failed projection makes no noise."""
    x, y = (np.asarray(part, dtype=np.float64) for part in (x, y))
    near = (np.abs(x) < FARTHEST) & (np.abs(y) < FARTHEST)
    return (x, y) if near.all() else (np.where(near, x, np.nan), np.where(near, y, np.nan))


def _settled(position: Floats) -> Floats:
    """Positions, put on the line of centres that they are within rounding of."""
    whole = np.rint(position)
    return np.where(np.abs(position - whole) < CELL_TOLERANCE, whole, position)


def _held(position: Floats, count: int) -> Floats:
    """Positions at most two cells beyond 0..count-1; NaN is beyond too."""
    return np.fmin(np.fmax(position, -2.0), count + 1.0)


def _lattices(tiles: Sequence[Tile], turn: float | None) -> tuple[_Lattice, ...]:
    """The tiles sorted into lattices, in the order of each one's first tile."""
    families: list[tuple[list[Tile], list[tuple[int, int]]]] = []
    for tile in tiles:
        for members, cells in families:
            cell = _first_cell(tile, members[0])
            if cell is not None:
                members.append(tile)
                cells.append(cell)
                break
        else:
            families.append(([tile], [(0, 0)]))
    return tuple(_Lattice.of(members, cells, turn) for members, cells in families)


def _first_cell(tile: Tile, first: Tile) -> tuple[int, int] | None:
    """(row, column) at which a tile begins, counted in another's cells; None where it does not continue these."""
    rows, columns = _outline(tile, first)
    row, column = round(rows[0]), round(columns[0])
    off = np.abs([rows - row - (0, 0, tile.height, tile.height), columns - column - (0, tile.width, 0, tile.width)])
    return None if off.max() > LATTICE_TOLERANCE else (row, column)


def _outline(tile: Tile, first: Tile) -> tuple[Floats, Floats]:
    """(rows, columns) of a tile's four corners, counted from the first corner of another in its cells."""
    x, y = _corners(tile.transform, tile.height, tile.width)
    return _in_cells(first.transform, x - first.transform.c, y - first.transform.f)


def _corners(transform: Affine, height: int, width: int) -> tuple[Floats, Floats]:
    """Places x, y (4,) of the corners of some rows and columns: (0, 0), right, below, both."""
    corners = [_moved(transform, row, column) for row in (0, height) for column in (0, width)]
    return np.array([corner.c for corner in corners]), np.array([corner.f for corner in corners])


def _crossings(position: Floats, count: int) -> tuple[NDArray[np.int64], Floats]:
    """(index, fraction) at which the way between consecutive positions meets a whole number in 0..count-1."""
    start, way = position[:-1], np.diff(position)
    first = np.maximum(np.floor(np.minimum(start, position[1:])) + 1, 0)
    last = np.minimum(np.ceil(np.maximum(start, position[1:])) - 1, count - 1)
    number = np.fmax(last - first + 1, 0).astype(np.int64)
    index = np.repeat(np.arange(len(start)), number)
    nth = np.arange(len(index)) - np.repeat(np.cumsum(number) - number, number)
    return index, (first[index] + nth - start[index]) / way[index]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterGround:
    """Ground from raster tiles in one grid; where tiles overlap, the earlier gives the level if it has one.

    Tiles that do not continue each other's cells are sampled each on its own, in the order of the first tile of each
    lattice. No file is held open between calls.

    Attributes
    ----------
    tiles
        At least one.
    crs
        Horizontal grid of all tiles.
    files
        What they are read from, for provenance.
    findings
        What the reader of the plan must know about them.
    """

    tiles: tuple[Tile, ...]
    crs: CRS
    files: tuple[Path, ...]
    findings: tuple[Finding, ...] = ()
    lattices: tuple[_Lattice, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        turn = 360.0 if self.crs.is_geographic and self.crs.axis_info[0].unit_name == "degree" else None
        object.__setattr__(self, "lattices", _lattices(self.tiles, turn))

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east and north of all tiles, in the grid."""
        corners = [_corners(tile.transform, tile.height, tile.width) for tile in self.tiles]
        x, y = (np.concatenate(parts) for parts in zip(*corners, strict=True))
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def levels(self, x: Floats, y: Floats) -> Levels:
        """Levels at places x, y (n,) in :attr:`crs` and its unit, best in the order of the line.

        A place less than half a cell from the outer edge is outside: there is no centre beyond it.

        Raises
        ------
        InputError
            A damaged block, a level outside -500..9000 m, or files without any level.
        """
        level, state = self._sample(x, y, odd="refuse")
        if np.any(state == State.NO_DATA) and not np.any(state == State.LEVEL):
            self._refuse_empty()
        level.flags.writeable = state.flags.writeable = False
        return Levels(level_m=level, state=state)

    def _sample(self, x: Floats, y: Floats, *, odd: Odd) -> tuple[Floats, States]:
        x, y = _places(x, y)
        level, state = self.lattices[0].sample(x, y, odd=odd)
        for lattice in self.lattices[1:]:
            rest = np.flatnonzero(state != State.LEVEL)
            level[rest], found = lattice.sample(x[rest], y[rest], odd=odd)
            state[rest] = np.minimum(state[rest], found)
        return level, state

    def _refuse_empty(self) -> None:
        if all(tile.is_empty() for tile in self.tiles):
            raise InputError(
                "there is no level in it, every cell is without data",
                file=self.tiles[0].file,
                place=f"band {self.tiles[0].band}",
                remedy="Pass the elevation raster of the site, or name the band of the levels: band = N in [ground].",
            )

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Where a polyline x, y (n,) crosses the lines through cell centres, at which a bilinear surface has its kinks.

        Returns
        -------
        index, fraction
            On the stretch from place ``index`` to the next, at ``fraction`` in (0, 1) of the way; sorted. A crossing
            of two lines counts once; the places themselves are not repeated.
        """
        x, y = _places(x, y)
        found, cells = [], np.zeros(max(len(x) - 1, 0))
        for lattice in self.lattices:
            for position, count in zip(lattice.positions(x, y), (lattice.height, lattice.width), strict=True):
                found.append(_crossings(position, count))
                np.fmax(cells, np.abs(np.diff(position)), out=cells)
        index, fraction = (np.concatenate(parts) for parts in zip(*found, strict=True))
        order = np.lexsort((fraction, index))
        index, fraction = index[order], fraction[order]
        fresh = np.ones(len(index), dtype=bool)
        fresh[1:] = (np.diff(index) > 0) | (np.diff(fraction) * cells[index[1:]] > CELL_TOLERANCE)
        return index[fresh], fraction[fresh]

    def support_m(self, x: Floats, y: Floats) -> Floats:
        """NaN for each of the places x, y (n,): a raster does not say where it was surveyed."""
        return np.full(np.broadcast(x, y).shape, np.nan)

    def relief(
        self, west_deg: float, south_deg: float, east_deg: float, north_deg: float, *, cells: int
    ) -> Relief | None:
        """A picture of about ``cells`` cells of the box (WGS 84), clipped to the data; None where there is none.

        Rows are evenly spaced in web-Mercator northing. The levels come from the files' reduced copies where the
        picture is coarser than these; a level that no ground has is left out.
        """
        lattices = [_corners(lattice.transform, lattice.height - 1, lattice.width - 1) for lattice in self.lattices]
        parts = [(float(x.min()), float(y.min()), float(x.max()), float(y.max())) for x, y in lattices]
        box = common((west_deg, south_deg, east_deg, north_deg), self.crs, parts)
        if box is None:
            return None
        picture = Picture.over(box, cells=cells)
        x, y = picture.places(self.crs)
        level, _ = self._reduced(x, y)._sample(x.ravel(), y.ravel(), odd="drop")
        return picture.relief(level.reshape(x.shape))

    def _reduced(self, x: Floats, y: Floats) -> RasterGround:
        """This ground from its files' reduced copies, as coarse as a picture's places (rows, columns) are apart."""
        row, column = x.shape[0] // 2, max(x.shape[1] // 2, 1)
        way = (part[row, column - 1 : column + 1] for part in (x, y))
        apart = float(np.hypot(*_in_cells(self.lattices[0].transform, *map(np.diff, way))).sum())
        coarse = replace(self, tiles=tuple(tile.reduced(apart) for tile in self.tiles))
        return coarse if len(coarse.lattices) == len(self.lattices) else self
