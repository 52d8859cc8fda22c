"""Gap and dig areas between an underside and the ground, for many undersides at once.

The ground is straight between stations, so a bay is a row of straight pieces. Under a level b a piece of width w
between ground levels l <= h adds to the gap area

    0                        for b <= l
    w (b - l)^2 / (2 (h - l))  for l < b < h
    w (b - (l + h) / 2)       for h <= b

and the dig area follows from it: gap minus dig is the integral of b - g. Undersides are multiples of an increment;
a piece is partly covered at the few multiples between its ends only, and the fully covered pieces are summed once
for all multiples, so the work grows with the stations and the levels, not with their product.

A sloping underside over the ground is a level one over the ground as it stands above a line of that slope.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats, Ints, Profile

__all__ = ["BayGround", "Stations"]

CHUNK = 1 << 18
"""Levels and partly covered pieces handled at a time: 2 MB an array, and running sums stay short enough to keep
1e-13 m2."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BayGround:
    """The ground in a row of bays, cut into straight pieces.

    Attributes
    ----------
    lowest_m, highest_m
        (m,) extreme ground levels in each bay, its two ends included.
    width_m
        (m,) width of each bay along the chainage.
    piece_count
        (m,) int64 pieces in each bay.
    pieces
        The pieces, bay after bay.
    """

    lowest_m: Floats
    highest_m: Floats
    width_m: Floats
    piece_count: Ints
    pieces: Pieces

    @classmethod
    def under(cls, profile: Profile, start_m: Floats, end_m: Floats) -> BayGround:
        """Cut the ground at the bays' ends, (m,) chainages with ``end_m`` beyond ``start_m``."""
        return Stations.under(profile, start_m, end_m).ground()

    def areas(self, first: Ints, last: Ints, increment_m: float) -> tuple[Floats, Floats]:
        """Gap and dig areas of every bay under a range of levels.

        Parameters
        ----------
        first, last
            (m,) int64 lowest and highest level of each bay, both included, in increments.

        Returns
        -------
        tuple
            Gap areas and dig areas in m2, bay after bay, each from its ``first`` to its ``last`` level.
        """
        count = last - first + 1
        offset, piece_offset = _offsets(count), _offsets(self.piece_count)
        bay = np.repeat(np.arange(len(count)), count)
        height = (first[bay] + np.arange(offset[-1]) - offset[bay]) * increment_m - self.lowest_m[bay]
        covered = self._lattice(first, last, increment_m)
        gap = np.empty(offset[-1])
        for a, b in _chunks(count + np.add.reduceat(covered.partial, piece_offset[:-1])):
            levels, rows = slice(offset[a], offset[b]), slice(piece_offset[a], piece_offset[b])
            at = offset[self.pieces.bay[rows]] - offset[a]
            gap[levels] = _gap_areas(self.pieces, covered, rows, at, height[levels], offset[a : b + 1] - offset[a])
        mean = np.add.reduceat(self.pieces.width_m * self.pieces.mean_m, piece_offset[:-1])
        dig = gap - height * self.width_m[bay] + mean[bay]
        return np.maximum(gap, 0.0), np.maximum(dig, 0.0)

    def _lattice(self, first: Ints, last: Ints, increment_m: float) -> Covered:
        bay = self.pieces.bay
        base = self.lowest_m[bay]
        beyond = last[bay] + 1 - first[bay]
        full = np.ceil((base + self.pieces.high_m) / increment_m) - first[bay]
        start = np.floor((base + self.pieces.low_m) / increment_m) + 1 - first[bay]
        full = np.clip(full, 0, beyond).astype(np.int64)
        start = np.clip(start, 0, beyond).astype(np.int64)
        return Covered(full=full, start=start, partial=np.maximum(full - start, 0), beyond=beyond)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations:
    """The ground in a row of bays, station by station; a bay's first and last stations are at its posts.

    Attributes
    ----------
    bay
        (q,) int64 row of each station's bay, increasing.
    along_m
        (q,) distance from the bay's first post.
    level_m
        (q,) ground levels.
    offset
        (m + 1,) int64 where each bay's stations begin.
    """

    bay: Ints
    along_m: Floats
    level_m: Floats
    offset: Ints

    @classmethod
    def under(cls, profile: Profile, start_m: Floats, end_m: Floats) -> Stations:
        """Cut the ground at the bays' ends, (m,) chainages with ``end_m`` beyond ``start_m``."""
        station = profile.chainage_m
        inner = np.searchsorted(station, start_m, side="right")
        offset = _offsets(np.searchsorted(station, end_m, side="left") - inner + 2)
        bay = np.repeat(np.arange(len(inner)), np.diff(offset))
        index = np.clip(inner[bay] + np.arange(offset[-1]) - offset[bay] - 1, 0, len(station) - 1)
        along, level = station[index] - start_m[bay], profile.level_m[index]
        for row, end in ((offset[:-1], start_m), (offset[1:] - 1, end_m)):
            along[row], level[row] = end - start_m, profile.level_at(end)
        return cls(bay=bay, along_m=along, level_m=level, offset=offset)

    @property
    def width_m(self) -> Floats:
        """(m,) width of each bay along the chainage."""
        return self.along_m[self.offset[1:] - 1]

    def from_lines(self, row: Ints, rise_m: Floats) -> Stations:
        """The ground as it stands above lines that rise evenly within the bay and start at level 0.

        A level underside over that ground is a sloping one over this. ``row`` (k,) int64 bays, each as often as there
        are lines in it; ``rise_m`` (k,) rise of each line, which becomes a bay of the answer.
        """
        offset = _offsets(np.diff(self.offset)[row])
        bay = np.repeat(np.arange(len(row)), np.diff(offset))
        index = self.offset[row][bay] + np.arange(offset[-1]) - offset[bay]
        along = self.along_m[index]
        slope = rise_m / self.width_m[row]
        return Stations(bay=bay, along_m=along, level_m=self.level_m[index] - slope[bay] * along, offset=offset)

    def ground(self) -> BayGround:
        """The straight pieces between the stations."""
        lowest = np.minimum.reduceat(self.level_m, self.offset[:-1])
        within = self.bay[1:] == self.bay[:-1]
        above = self.level_m - lowest[self.bay]
        pieces = Pieces(
            bay=self.bay[1:][within],
            width_m=np.diff(self.along_m)[within],
            low_m=np.minimum(above[1:], above[:-1])[within],
            high_m=np.maximum(above[1:], above[:-1])[within],
        )
        return BayGround(
            lowest_m=lowest,
            highest_m=np.maximum.reduceat(self.level_m, self.offset[:-1]),
            width_m=self.width_m,
            piece_count=np.diff(self.offset) - 1,
            pieces=pieces,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Straight pieces of ground: ``bay`` (p,) int64 row, ``width_m``, and ground levels above the bay's lowest."""

    bay: Ints
    width_m: Floats
    low_m: Floats
    high_m: Floats

    @property
    def mean_m(self) -> Floats:
        """(p,) mean level of each piece above its bay's lowest."""
        return (self.low_m + self.high_m) / 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covered:
    """Which levels of its bay cover a piece, counted from the bay's first level.

    ``full``: the first that covers all of it; ``start``: the first that covers part of it; ``partial``: how many cover
    part of it; ``beyond``: how many levels the bay has. All (p,) int64.
    """

    full: Ints
    start: Ints
    partial: Ints
    beyond: Ints


def _gap_areas(pieces: Pieces, covered: Covered, rows: slice, at: Ints, height: Floats, offset: Ints) -> Floats:
    """Gap areas of one chunk: ``height`` (q,) levels above each bay's lowest ground, ``at`` a piece's first level."""
    width, low, high = pieces.width_m[rows], pieces.low_m[rows], pieces.high_m[rows]
    whole = covered.full[rows] < covered.beyond[rows]
    first_full, width_full = (at + covered.full[rows])[whole], width[whole]
    sums = _running(first_full, width_full, offset)
    moments = _running(first_full, width_full * pieces.mean_m[rows][whole], offset)

    partial = covered.partial[rows]
    piece = np.repeat(np.arange(len(partial)), partial)
    position = (at + covered.start[rows])[piece] + np.arange(len(piece)) - _offsets(partial)[piece]
    into = height[position] - low[piece]
    share = width[piece] * into * into / (2 * (high - low)[piece])
    return height * sums - moments + np.bincount(position, share, minlength=len(height))


def _running(position: Ints, weight: Floats, offset: Ints) -> Floats:
    """Sums of the weights at or before each level, started anew in each bay."""
    total = np.cumsum(np.bincount(position, weight, minlength=int(offset[-1])))
    before = np.concatenate([[0.0], total])[offset[:-1]]
    return np.asarray(total - np.repeat(before, np.diff(offset)))


def _offsets(count: NDArray[np.int64]) -> Ints:
    return np.concatenate([[0], np.cumsum(count)])


def _chunks(work: Ints) -> Iterator[tuple[int, int]]:
    """Ranges of bays whose work adds up to about a chunk, at least one bay each."""
    block = np.cumsum(work) // CHUNK
    cuts = [0, *(np.flatnonzero(np.diff(block)) + 1).tolist(), len(work)]
    yield from pairwise(cuts)
