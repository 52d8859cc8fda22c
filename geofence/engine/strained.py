"""Posts of a strained wire fence: the fewest that keep the lowest wire within its limits, and proof of it.

The lowest wire is straight between posts, at one height above the ground at each. Of all ways to stand posts on the
places of :mod:`~geofence.engine.stands`, the one chosen has, in this order,

1. the fewest posts in stretches where none should stand,
2. the fewest broken bays: those whose wire stands too high or too low somewhere, or which leave a line that bends,
3. the least excess over the limits in them, summed by whole centimetres,
4. the fewest bays,
5. the most even bays: the least sum of the squares of their widths,
6. where that leaves a choice, the least gap_cost * gap area + dig_cost * dig area.

So posts leave even bays only where a limit asks for it. The last two are one sum, by :data:`AREA_WEIGHT`.

It is found by dynamic programming over the places, and is exact. A bay is at least ``bay_min_m`` wide, so places less
than that apart do not lead to each other, and are settled together. Where bays are not alike, places that part the ways
between posts which a limit may hold into equal bays are put among the others, and it is looked for again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geofence.engine.chords import BentLine
from geofence.engine.records import Floats, Ints, LevelRules, Profile, seal
from geofence.engine.stands import Reach, Stands, WireLimits
from geofence.numeric import LEVEL_TOLERANCE_M, WIDTH_TOLERANCE_M

__all__ = ["SpanBays", "choose_posts", "stand_posts", "strain_ends"]

Flags = NDArray[np.bool_]

AREA_WEIGHT = 1e-5
"""What a m2 of gap or dig, whichever is dearer, counts beside a m2 of the squares of bays' widths.

A post that stands d away from even bays adds 2 d2 to the squares. A wire that stood 0.3 m off the ground along 4 m
where another lies on it, 1.2 m2, would move a post 2.5 mm: less than posts can be set to. The roughness that single
precision gives to a ground of even slope, some 1e-4 m2 a bay, would move none by 0.03 mm. Rounding in the squares of
100 km of bays is about 1e-9 m2, so that areas are told apart to 1e-4 m2 even there."""

HELD_M = (0.05, 0.1, 0.15, 0.2, 0.25)
"""A limit may hold a post whose two bays differ by more than one of these: places 0.25 m apart let the widths of even
bays differ by up to that, and hide changes by less."""

EVENINGS = 3
"""How often places are put among the others. Each time evens fewer bays: on 60 lines of four even slopes 927 pairs of
neighbours of 2,007 bays were unlike by more than 2 mm, then 320, 192 and 156."""

# What is counted, packed into one int64, each in units so large that no number of the next makes up for one: a million
# bays, 2.6 km of excess, 65,000 broken bays, 255 barred posts.
_EXCESS_CM = 1 << 20
_BROKEN = 1 << 38
_BARRED = 1 << 54
_NO_WAY = 1 << 62

_CHUNK = 4096
"""Places looked at together: a few MB an array."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanBays:
    """The bays chosen in one span, (m,) each.

    Attributes
    ----------
    start_m, end_m
        Chainages of their posts.
    width_m
        Centre to centre: the chord where the line bends within the bay.
    gap_min_m, gap_max_m
        The least and the most that the lowest wire stands above the ground; negative where it is in the ground.
    gap_area_m2, dig_area_m2
        The area between wire and ground, above and below it.
    departure_m
        How far the line leaves the bay.
    """

    start_m: Floats
    end_m: Floats
    width_m: Floats
    gap_min_m: Floats
    gap_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    departure_m: Floats

    def __post_init__(self) -> None:
        seal(self)

    def __len__(self) -> int:
        return len(self.start_m)

    def broken(self, limits: WireLimits) -> Flags:
        """(m,) bool: the bay breaks a limit of the wire, or leaves the line too far."""
        return np.asarray(
            (self.gap_max_m > limits.gap_max_m + LEVEL_TOLERANCE_M)
            | (self.gap_min_m < -limits.dig_max_m - LEVEL_TOLERANCE_M)
            | (self.departure_m > limits.line_tolerance_m + WIDTH_TOLERANCE_M)
        )


def stand_posts(
    profile: Profile,
    line: BentLine,
    span_m: tuple[float, float],
    limits: WireLimits,
    prices: LevelRules,
    *,
    barred_m: Sequence[tuple[float, float]] = (),
) -> SpanBays:
    """Stand posts from one chainage to another: at the places of :meth:`Stands.along`, and where they part ways evenly.

    Each choice is among the places of the one before and more, so that none is worse.
    """
    bays = choose_posts(Stands.along(profile, line, *span_m, limits, barred_m), limits, prices)
    also: list[float] = []
    for _ in range(EVENINGS):
        if not (parts := _equal_parts(bays)):
            break
        also += parts
        bays = choose_posts(Stands.along(profile, line, *span_m, limits, barred_m, also_m=also), limits, prices)
    return bays


def _equal_parts(bays: SpanBays) -> list[float]:
    """Chainages that part the ways between posts that may be held into as many equal bays; none where all are alike."""
    width, post = bays.end_m - bays.start_m, np.append(bays.start_m, bays.end_m[-1])
    parts: set[float] = set()
    for apart in HELD_M:
        held = np.flatnonzero(np.abs(np.diff(width)) > apart) + 1
        for first, last in pairwise([0, *held.tolist(), len(bays)]):
            even = np.linspace(post[first], post[last], last - first + 1)
            if np.ptp(width[first:last]) > WIDTH_TOLERANCE_M:
                parts.update(even[1:-1].tolist())
    return sorted(parts)


def choose_posts(stands: Stands, limits: WireLimits, prices: LevelRules) -> SpanBays:
    """Stand posts between the two ends of a span.

    A span narrower than ``bay_min_m`` is one bay.

    Examples
    --------
    A crest of 1.2 m in the middle of 12 m; the wire at 0.4 m may come as near as 0.1 m to the ground and bays may be
    6 m wide. A post on the crest, and the wire follows the ground:

    >>> from geofence.engine.chords import BentLine
    >>> from geofence.engine.records import Profile
    >>> ground = Profile(chainage_m=[0.0, 6.0, 12.0], level_m=[50.0, 51.2, 50.0])
    >>> limits = WireLimits(height_m=0.4, gap_max_m=0.6, dig_max_m=-0.1, bay_min_m=1.0, bay_max_m=6.0)
    >>> prices = LevelRules(increment_m=0.05, gap_max_m=0.6, dig_max_m=-0.1, step_min_m=0.0, step_max_m=0.0,
    ...                     gap_cost=1.0, dig_cost=1.0, step_cost=0.0, rise_cost=0.0)
    >>> line = BentLine.from_turns([0.0, 12.0], [0.0, 0.0])
    >>> choose_posts(Stands.along(ground, line, 0.0, 12.0, limits), limits, prices).end_m.tolist()
    [6.0, 12.0]
    """
    narrow = stands.place_m[-1] - stands.place_m[0] < limits.bay_min_m - WIDTH_TOLERANCE_M
    places = np.array([0, len(stands) - 1]) if narrow else _Search.over(stands, limits, prices).way()
    return _measured(stands, places[:-1], places[1:], limits.height_m)


def _measured(stands: Stands, start: Ints, end: Ints, height_m: float) -> SpanBays:
    """The bays between these places."""
    width, clear = stands.clearance(start, end, height_m)
    gap, dig = _areas(width, clear)
    return SpanBays(
        start_m=stands.place_m[start],
        end_m=stands.place_m[end],
        width_m=stands.width_m(start, end),
        gap_min_m=clear.min(axis=1),
        gap_max_m=clear.max(axis=1),
        gap_area_m2=gap,
        dig_area_m2=dig,
        departure_m=stands.departure_m(start, end),
    )


@dataclass(slots=True, kw_only=True, eq=False)
class _Search:
    """The best way to each place: what it counts, what it costs, and the place before."""

    stands: Stands
    limits: WireLimits
    prices: LevelRules
    count: Ints
    cost: Floats
    before: Ints

    @classmethod
    def over(cls, stands: Stands, limits: WireLimits, prices: LevelRules) -> _Search:
        size = len(stands)
        count = np.full(size, _NO_WAY, dtype=np.int64)
        count[0] = 0
        return cls(
            stands=stands,
            limits=limits,
            prices=prices,
            count=count,
            cost=np.zeros(size),
            before=np.zeros(size, dtype=np.int64),
        )

    def way(self) -> Ints:
        """The places of the best way from the first to the last, both with it."""
        for first in range(1, len(self.stands), _CHUNK):
            last = min(first + _CHUNK, len(self.stands))
            reach = self.stands.reach(first, last, self.limits)
            gap = _gap_areas(self.stands, reach)
            for start, end in self._together(first, last):
                self._settle(slice(start, end), reach, gap[start - first : end - first])
        way = [len(self.stands) - 1]
        while way[-1]:
            way.append(int(self.before[way[-1]]))
        return np.array(way[::-1])

    def _together(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Rows of places that no bay joins."""
        place = self.stands.place_m
        reached = np.searchsorted(place, place[first:last] + self.limits.bay_min_m - 2 * WIDTH_TOLERANCE_M).tolist()
        while first < last:
            end = min(max(reached[first - last], first + 1), last)
            yield first, end
            first = end

    def _settle(self, rows: slice, reach: Reach, gap_area: Floats) -> None:
        own = slice(rows.start - reach.first, rows.stop - reach.first)
        allowed, holds = reach.allowed[own], reach.holds[own]
        before = np.maximum(np.arange(rows.start, rows.stop)[:, None] - 1 - np.arange(allowed.shape[1]), 0)
        count = np.where(allowed, self.count[before] + 1, _NO_WAY)
        count[~holds] += _BROKEN
        least_whole = np.where(holds, count, _NO_WAY).min(axis=1)
        doubtful = allowed & ~holds & (count <= least_whole[:, None])
        if doubtful.any():
            row, column = np.nonzero(doubtful)
            count[row, column] += _EXCESS_CM * self._excess_cm(before[row, column], rows.start + row)
        least = count.min(axis=1)
        cost = self._costs(rows, before, count == least[:, None], reach.dry[own], gap_area)
        chosen = cost.argmin(axis=1)
        take = np.arange(len(chosen)), chosen
        self.before[rows] = before[take]
        self.cost[rows] = cost[take]
        self.count[rows] = np.minimum(least + _BARRED * self.stands.barred[rows], _NO_WAY)

    def _costs(self, rows: slice, before: Ints, best: Flags, dry: Flags, gap_area: Floats) -> Floats:
        """Squares and weighted areas of the ways by these bays where they are among the ``best``, else infinite.

        Wherever posts stand, the fence is as long; so the gap area of a wire along the ground need not count.
        """
        end = np.arange(rows.start, rows.stop)
        width = self.stands.place_m[end][:, None] - self.stands.place_m[before]
        gap_weight, dig_weight = _area_weights(self.prices)
        cost = np.asarray(width**2 + gap_weight * gap_area)
        row, column = np.nonzero(best & ~dry)
        if len(row):
            start = before[row, column]
            gap, dig = _areas(*self.stands.clearance(start, end[row], self.limits.height_m))
            wide = width[row, column]
            cost[row, column] = wide**2 + gap_weight * (gap - self.limits.height_m * wide) + dig_weight * dig
        return np.where(best, self.cost[before] + cost, np.inf)

    def _excess_cm(self, start: Ints, end: Ints) -> Ints:
        """By how much bays break their limits, in whole centimetres, rounded up."""
        limits = self.limits
        clear = self.stands.clearance(start, end, limits.height_m)[1]
        excess = np.maximum(clear.max(axis=1) - limits.gap_max_m, -limits.dig_max_m - clear.min(axis=1))
        excess = np.maximum(excess, self.stands.departure_m(start, end) - limits.line_tolerance_m)
        return np.asarray(np.ceil(np.maximum(excess, 0.0) * 100 - 1e-6), dtype=np.int64)


def _area_weights(prices: LevelRules) -> tuple[float, float]:
    """What a m2 of gap and one of dig count: the dearer ``AREA_WEIGHT``, the other in proportion."""
    dearer = max(prices.gap_cost, prices.dig_cost)
    return (AREA_WEIGHT * prices.gap_cost / dearer, AREA_WEIGHT * prices.dig_cost / dearer) if dearer else (0.0, 0.0)


def _gap_areas(stands: Stands, reach: Reach) -> Floats:
    """Area between chord and ground of the bays of a reach, ground above the chord negative."""
    rows, most = reach.allowed.shape
    low = max(reach.first - most, 0)
    place, level = stands.place_m[low : reach.first + rows], stands.level_m[low : reach.first + rows]
    above = level - level[0]  # small numbers, so that the running sum keeps its digits
    under = np.concatenate([[0.0], np.cumsum(np.diff(place) * (above[1:] + above[:-1]) / 2)])
    end = np.arange(reach.first - low, len(place))[:, None]
    start = np.maximum(end - 1 - np.arange(most), 0)
    return np.asarray((place[end] - place[start]) * (above[end] + above[start]) / 2 - (under[end] - under[start]))


def _areas(width: Floats, clear: Floats) -> tuple[Floats, Floats]:
    """Gap and dig areas of bays in pieces, from :meth:`Stands.clearance`."""
    ahead, behind = clear[:, 1:], clear[:, :-1]
    mean = (ahead + behind) / 2
    apart = np.abs(ahead - behind)
    crossing = ahead * behind < 0
    over = np.square(np.maximum(np.maximum(ahead, behind), 0.0))
    gap = np.where(
        crossing, np.divide(over, 2 * apart, out=np.zeros_like(over), where=apart > 0), np.maximum(mean, 0.0)
    )
    return np.asarray((width * gap).sum(axis=1)), np.asarray((width * (gap - mean)).sum(axis=1))


def strain_ends(post_m: Floats, strain_max_m: float, *, unsure: Flags | None = None) -> Ints:
    """Which posts of a row end a strain: rows in ``post_m``, the first and the last with them.

    The fewest strains of at most ``strain_max_m``; then the fewest ends at ``unsure`` posts (n,), of which nobody knows
    what they hold; then the most even: least sum of squares. A bay that is longer on its own is a strain on its own.

    >>> strain_ends(np.arange(0.0, 26.0, 5.0), 15.0).tolist()
    [0, 2, 5]
    """
    size = len(post_m)
    count, square, before = np.zeros(size, dtype=np.int64), np.zeros(size), np.zeros(size, dtype=np.int64)
    own = size + (0 if unsure is None else unsure.astype(np.int64)) + np.zeros(size, dtype=np.int64)
    nearest = np.searchsorted(post_m, post_m - strain_max_m - WIDTH_TOLERANCE_M).tolist()
    for end in range(1, size):
        first = min(nearest[end], end - 1)
        fewest = count[first:end].min()
        length = post_m[end] - post_m[first:end]
        squares = np.where(count[first:end] == fewest, square[first:end] + length**2, np.inf)
        best = int(squares.argmin())
        count[end], square[end], before[end] = fewest + own[end], squares[best], first + best
    ends = [size - 1]
    while ends[-1]:
        ends.append(int(before[ends[-1]]))
    return np.array(ends[::-1])
