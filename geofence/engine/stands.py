"""Places along a span where posts of a wire fence may stand, and which of them a straight wire can join.

The wire is fastened at one height h above the ground at every post. Between posts at chainages a < b it runs h above
the chord of the ground there. With c the chord and g the ground, the wire stands h + c - g above the ground, so

    -dig_max <= h + c - g <= gap_max     or     g - c <= h + dig_max,   c - g <= gap_max - h

must hold at every place in between: the ground is straight there, so that is enough. Seen from b, each place allows
the chord a range of slopes, and a bay holds if its own slope is in the ranges of all places in between. Going back
from b, the ranges are narrowed place by place, for many b at once: the work is that of the pairs within reach.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geofence.engine.chords import BentLine
from geofence.engine.records import Floats, Ints, Profile
from geofence.numeric import LEVEL_TOLERANCE_M, STATION_SPACING_M, WIDTH_TOLERANCE_M, snap_ceil

__all__ = ["Reach", "Stands", "WireLimits"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class WireLimits:
    """What the lowest wire and its bays must keep.

    Attributes
    ----------
    height_m
        The lowest wire above the ground at each post.
    gap_max_m
        The most it may stand above the ground anywhere.
    dig_max_m
        The most the ground may stand above it; negative: a clearance that stays open.
    bay_min_m, bay_max_m
        Narrowest and widest bay.
    line_tolerance_m
        How far a bay may leave a line that bends.
    """

    height_m: float
    gap_max_m: float
    dig_max_m: float
    bay_min_m: float
    bay_max_m: float
    line_tolerance_m: float = 0.02

    def __post_init__(self) -> None:
        if not 0 < self.bay_min_m <= self.bay_max_m / 2:
            raise ValueError(f"narrowest bay {self.bay_min_m} m: needs more than 0, at most half of {self.bay_max_m} m")
        if not -self.dig_max_m <= self.height_m <= self.gap_max_m:
            raise ValueError(f"a wire at {self.height_m} m breaks its limits at the posts themselves")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """Bays that end at some places, by the place and by how many places before it they start.

    All (rows, most): row r is the place ``first + r``, column d the bay from the place ``first + r - d - 1``.

    Attributes
    ----------
    first
        The place of row 0.
    allowed
        The bay's width is within its limits.
    holds
        It also keeps the wire's limits, and the line's tolerance.
    dry
        The wire is nowhere below the ground.
    """

    first: int
    allowed: Flags
    holds: Flags
    dry: Flags


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stands:
    """The places of a span, in order; its two ends are the first and the last.

    Attributes
    ----------
    place_m, level_m
        (n,) chainages, and ground levels there; between two places the ground is straight.
    barred
        (n,) bool: no post should stand there.
    x_m, y_m
        (n,) in a plane of the line's own; empty where the line is straight.
    vertex
        (n,) bool: the line bends there.
    """

    place_m: Floats
    level_m: Floats
    barred: Flags
    x_m: Floats
    y_m: Floats
    vertex: Flags

    @classmethod
    def along(
        cls,
        profile: Profile,
        line: BentLine,
        start_m: float,
        end_m: float,
        limits: WireLimits,
        barred_m: Sequence[tuple[float, float]] = (),
        *,
        also_m: Sequence[float] | Floats = (),
    ) -> Stands:
        """The places of the span between two posts that must be where they are.

        They are the ground's stations; places an equal part of the widest bay apart, at most 0.25 m, counted from the
        one end and from the other, so that no row of widest bays is a little too long; the span in as many equal parts
        as it needs at least; the ends of ``barred_m``, stretches (from, to) within which no post should stand; and
        ``also_m``.
        """
        length, inner = end_m - start_m, profile.chainage_m
        step = limits.bay_max_m / snap_ceil(limits.bay_max_m / STATION_SPACING_M)
        lattice = np.arange(1, int(length / step) + 1) * step
        parts = snap_ceil(length / limits.bay_max_m, WIDTH_TOLERANCE_M / limits.bay_max_m)
        bends = np.array(line.bends_m(start_m, end_m))
        edges = np.array(barred_m, dtype=np.float64).reshape(-1)
        shared = start_m + length * np.arange(1, parts) / max(parts, 1)
        place = np.sort(np.concatenate([bends, shared, inner, start_m + lattice, end_m - lattice, edges, also_m]))
        place = place[(place > start_m + WIDTH_TOLERANCE_M) & (place < end_m - WIDTH_TOLERANCE_M)]
        place = np.concatenate([[start_m], place[np.diff(place, prepend=-np.inf) > WIDTH_TOLERANCE_M], [end_m]])
        x, y = _plane(line, place) if len(bends) else (np.empty(0), np.empty(0))
        return cls(
            place_m=place,
            level_m=profile.level_at(place),
            barred=_within(place, barred_m),
            x_m=x,
            y_m=y,
            vertex=_near(place, bends),
        )

    def __len__(self) -> int:
        return len(self.place_m)

    def reach(self, first: int, last: int, limits: WireLimits) -> Reach:
        """Bays that end at the places ``first`` to ``last``, that one left out."""
        rows = np.arange(first, last)
        at, level = self.place_m[first:last], self.level_m[first:last]
        nearest = np.searchsorted(self.place_m, at - limits.bay_max_m - WIDTH_TOLERANCE_M)
        most = int(np.max(rows - nearest))
        allowed, holds, dry = (np.zeros((most, len(rows)), dtype=bool) for _ in range(3))
        slopes, dry_to = _Range.open(len(rows)), np.full(len(rows), np.inf)
        turn = _Turn.of(self, rows) if len(self.x_m) else None
        with np.errstate(divide="ignore", invalid="ignore"):
            for back in range(1, most + 1):
                before = np.maximum(rows - back, 0)
                width = at - self.place_m[before]
                fall = level - self.level_m[before]
                slope = fall / width
                allowed[back - 1] = (
                    (rows >= back)
                    & (width >= limits.bay_min_m - WIDTH_TOLERANCE_M)
                    & (width <= limits.bay_max_m + WIDTH_TOLERANCE_M)
                )
                holds[back - 1] = allowed[back - 1] & slopes.holds(slope)
                dry[back - 1] = slope <= dry_to
                if turn is not None:
                    holds[back - 1] &= turn.passes(before, limits.line_tolerance_m)
                slopes.narrow(
                    (fall - (limits.gap_max_m - limits.height_m) - LEVEL_TOLERANCE_M) / width,
                    (fall + (limits.height_m + limits.dig_max_m) + LEVEL_TOLERANCE_M) / width,
                )
                np.minimum(dry_to, (fall + limits.height_m + LEVEL_TOLERANCE_M) / width, out=dry_to)
        return Reach(first=first, allowed=allowed.T, holds=holds.T, dry=dry.T)

    def clearance(self, start: Ints, end: Ints, height_m: float) -> tuple[Floats, Floats]:
        """Widths of the pieces of bays, and how high the wire stands above the ground at their ends.

        ``start``, ``end`` (e,) int64 places of the bays' posts. Returns (e, k) widths, 0 beyond the bay, and (e, k + 1)
        heights, where k is the largest number of pieces.
        """
        most = int(np.max(end - start))
        index = np.minimum(start[:, None] + np.arange(most + 1), end[:, None])
        at, level = self.place_m[index], self.level_m[index]
        slope = (level[:, -1] - level[:, 0]) / (at[:, -1] - at[:, 0])
        return np.diff(at, axis=1), height_m + level[:, :1] + slope[:, None] * (at - at[:, :1]) - level

    def width_m(self, start: Ints, end: Ints) -> Floats:
        """Straight distance between these places, (e,)."""
        if not len(self.x_m):
            return np.asarray(self.place_m[end] - self.place_m[start])
        return np.hypot(self.x_m[end] - self.x_m[start], self.y_m[end] - self.y_m[start])

    def departure_m(self, start: Ints, end: Ints) -> Floats:
        """How far the line leaves bays between these places, (e,) each: the farthest of its vertices from the chord."""
        if not len(self.x_m):
            return np.zeros(len(start))
        index = np.minimum(start[:, None] + np.arange(int(np.max(end - start)) + 1), end[:, None])
        east, north = (values[index] - values[start][:, None] for values in (self.x_m, self.y_m))
        length = np.hypot(east[:, -1], north[:, -1])
        aside = np.abs(east * north[:, -1:] - north * east[:, -1:]) / np.maximum(length, WIDTH_TOLERANCE_M)[:, None]
        inner = self.vertex[index] & (index != start[:, None]) & (index != end[:, None])
        return np.asarray(np.where(inner, aside, 0.0).max(axis=1))


@dataclass(slots=True, kw_only=True, eq=False)
class _Range:
    """Ranges that close in, (rows,)."""

    low: Floats
    high: Floats

    @classmethod
    def open(cls, rows: int) -> _Range:
        return cls(low=np.full(rows, -np.inf), high=np.full(rows, np.inf))

    def holds(self, value: Floats) -> Flags:
        return np.asarray((self.low <= value) & (value <= self.high))

    def narrow(self, low: Floats, high: Floats) -> None:
        np.maximum(self.low, low, out=self.low)
        np.minimum(self.high, high, out=self.high)


@dataclass(slots=True, kw_only=True, eq=False)
class _Turn:
    """Directions back from places of a bent line that pass all vertices in between near enough."""

    stands: Stands
    rows: Ints
    heading: Floats
    passed: _Range

    @classmethod
    def of(cls, stands: Stands, rows: Ints) -> _Turn:
        before = np.maximum(rows - 1, 0)
        heading = np.arctan2(stands.x_m[before] - stands.x_m[rows], stands.y_m[before] - stands.y_m[rows])
        return cls(stands=stands, rows=rows, heading=heading, passed=_Range.open(len(rows)))

    def passes(self, before: Ints, tolerance_m: float) -> Flags:
        """Whether the chords from these places do; then their own vertices count too. Called in order, going back."""
        east = self.stands.x_m[before] - self.stands.x_m[self.rows]
        north = self.stands.y_m[before] - self.stands.y_m[self.rows]
        aside = np.arctan2(east, north) - self.heading
        aside -= 2 * np.pi * np.round(aside / (2 * np.pi))
        passes = self.passed.holds(aside)
        play = np.arcsin(np.minimum((tolerance_m + WIDTH_TOLERANCE_M) / np.hypot(east, north), 1.0))
        play[~self.stands.vertex[before]] = np.inf
        self.passed.narrow(aside - play, aside + play)
        return passes


def _plane(line: BentLine, place_m: Floats) -> tuple[Floats, Floats]:
    return np.interp(place_m, line.vertex_m, line.x_m), np.interp(place_m, line.vertex_m, line.y_m)


def _within(place_m: Floats, stretches_m: Sequence[tuple[float, float]]) -> Flags:
    """Places inside a stretch; its two ends are not."""
    inside = np.zeros(len(place_m), dtype=bool)
    for start, end in stretches_m:
        inside |= (place_m > start + WIDTH_TOLERANCE_M) & (place_m < end - WIDTH_TOLERANCE_M)
    return inside


def _near(place_m: Floats, others_m: Floats) -> Flags:
    near = np.zeros(len(place_m), dtype=bool)
    if len(others_m):
        after = np.clip(np.searchsorted(place_m, others_m), 1, len(place_m) - 1)
        nearest = np.where(others_m - place_m[after - 1] <= place_m[after] - others_m, after - 1, after)
        near[nearest] = True
    return near
