"""Which undersides at the two ends of each bay of a raked fence are looked at, and what they cost.

The underside of a bay is a straight line, told by its level at the bay's first post and its rise to the second, both
whole increments. Seen from lines of one rise the ground is another ground under level undersides (see
:class:`geofence.engine.areas.Stations`): its extremes say which lines of that rise are within the limits, and its areas
are theirs. So each bay has a :class:`Lines` row for each rise, with a range of levels at the first post.

A bay keeps its limits on few lines: at its posts they stand between the ground less ``dig_max_m`` and the ground plus
``gap_max_m``. A bay that may be broken is given every line whose ends lie between the lowest ground in the bay, less
``dig_max_m``, and its highest, plus ``gap_max_m``: whatever else a bay breaks, no post holds it higher or lower than
the limits ask for somewhere in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import Stations
from geofence.engine.records import Floats, Ints, LevelRules, RakeRules
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["BayEnds", "Ends", "Lines", "Prices"]

Flags = NDArray[np.bool_]

CHUNK_PAIRS = 1 << 21
"""Pairs of ends priced at a time: 16 MB an array. Longer rows are priced once more when the path is traced back."""

CHUNK_STATIONS = 1 << 20
"""Stations seen from lines at a time."""

MOST_PAIRS = 400_000_000
"""Pairs of ends of all bays together: about half a minute."""

NEAR_PAIRS = 20_000_000
"""Where there would be more than :data:`MOST_PAIRS`, only about so many, near the ground, are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ends:
    """(m,) int64 lowest and highest levels of each bay at its first post and its second, in increments."""

    from_low: Ints
    from_high: Ints
    to_low: Ints
    to_high: Ints

    @property
    def from_count(self) -> Ints:
        return _counts(self.from_low, self.from_high)

    @property
    def to_count(self) -> Ints:
        return _counts(self.to_low, self.to_high)

    @property
    def pairs(self) -> Ints:
        """(m,) pairs of a level at the first post and one at the second."""
        return self.from_count * self.to_count

    def where(self, rows: Flags, other: Ends) -> Ends:
        """These ends, and another's in some rows."""
        return Ends(**{name: np.where(rows, getattr(other, name), getattr(self, name)) for name in _names(Ends)})

    def near(self, from_level: Ints, to_level: Ints, reach: int) -> Ends:
        """Cut down to within ``reach`` of two levels of each bay."""
        return Ends(
            from_low=np.maximum(self.from_low, from_level - reach),
            from_high=np.minimum(self.from_high, from_level + reach),
            to_low=np.maximum(self.to_low, to_level - reach),
            to_high=np.minimum(self.to_high, to_level + reach),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Straight undersides: one row a bay and rise, with the levels at the bay's first post that are looked at.

    ``bay`` (k,) int64 increasing; ``rise``, ``low``, ``high`` (k,) int64 in increments, ``low`` at most ``high``;
    ``fit_low``, ``fit_high``: which of the levels keep every limit of the bay, none where ``fit_low`` is above.
    """

    bay: Ints
    rise: Ints
    low: Ints
    high: Ints
    fit_low: Ints
    fit_high: Ints

    def __getitem__(self, rows: Flags | slice) -> Lines:
        return Lines(**{name: getattr(self, name)[rows] for name in _names(Lines)})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prices:
    """Prices of the pairs of ends of some bays: one (levels at the first post, levels at the second) table a bay.

    ``anyhow``: of every pair looked at; ``within``: infinite where the bay breaks a limit of its own.
    """

    anyhow: list[Floats]
    within: list[Floats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BayEnds:
    """A row of bays with what is looked at in each.

    Attributes
    ----------
    stations
        The ground.
    rules, rise_most
        Limits and prices; (m,) int64 the largest rise within the rake limit, in increments.
    ends, lines
        What is looked at.
    breakable
        (m,) bool bays that may break a limit; the others have only lines within their limits.
    clipped
        Whether lines were left out because there were too many.
    """

    stations: Stations
    rules: LevelRules
    rise_most: Ints
    ends: Ends
    lines: Lines
    breakable: Flags
    clipped: bool

    @classmethod
    def within_limits(cls, stations: Stations, width_m: Floats, rules: LevelRules, rake: RakeRules) -> BayEnds:
        """The bays with the lines that keep their limits; ``width_m`` (m,) centre to centre of the posts."""
        steepest = width_m * np.tan(np.radians(np.clip(rake.rake_max_deg, 0.0, 89.0)))
        rise_most = np.floor((steepest + LEVEL_TOLERANCE_M) / rules.increment_m).astype(np.int64)
        at_posts = _ends_at_posts(stations, rules)
        ends, clipped = _affordable(at_posts, at_posts, stations, rules)
        lines = _lines(stations, ends, rules, rise_most, np.zeros(len(width_m), dtype=bool))
        return cls(
            stations=stations,
            rules=rules,
            rise_most=rise_most,
            ends=_ends_of(lines, len(width_m)),
            lines=lines,
            breakable=np.zeros(len(width_m), dtype=bool),
            clipped=clipped,
        )

    def with_broken(self, breakable: Flags, *, joined: bool, closed: bool) -> BayEnds:
        """The same row where some bays may break their limits.

        ``joined``: undersides meet at every post, on a ring (``closed``) at its seam too, so that what one neighbour
        leaves out the other need not look at.
        """
        ends = self.ends.where(breakable, _ends_in_bays(self.stations, self.rules))
        ends, clipped = _affordable(ends, _ends_at_posts(self.stations, self.rules), self.stations, self.rules)
        if joined:
            ends = _met(ends, breakable, closed=closed)
        lines = _lines(self.stations, ends, self.rules, self.rise_most, breakable)
        return replace(self, ends=ends, lines=lines, breakable=breakable, clipped=self.clipped or clipped)

    def chunks(self) -> list[tuple[int, int]]:
        """Ranges of bays that are priced together."""
        block = np.cumsum(self.ends.pairs) // CHUNK_PAIRS
        return list(pairwise([0, *(np.flatnonzero(np.diff(block)) + 1).tolist(), len(block)]))

    def prices(self, first: int, beyond: int) -> Prices:
        """Prices of the bays from ``first`` up to but not with ``beyond``."""
        rows = slice(*np.searchsorted(self.lines.bay, [first, beyond]).tolist())
        lines, ends, increment = self.lines[rows], self.ends, self.rules.increment_m
        offset = np.concatenate([[0], np.cumsum(ends.pairs[first:beyond])])
        anyhow = np.full(int(offset[-1]), np.inf)
        within = anyhow if not self.breakable[first:beyond].any() else anyhow.copy()
        if len(lines.bay):
            ground = self.stations.from_lines(lines.bay, np.asarray(lines.rise * increment, dtype=np.float64)).ground()
            gap, dig = ground.areas(lines.low, lines.high, increment)
            row, level = _levels(lines)
            bay = lines.bay[row]
            into = (level - ends.from_low[bay]) * ends.to_count[bay] + level + lines.rise[row] - ends.to_low[bay]
            into += offset[bay - first]
            price = self.rules.gap_cost * gap + self.rules.dig_cost * dig
            anyhow[into] = price
            if within is not anyhow:
                fits = (level >= lines.fit_low[row]) & (level <= lines.fit_high[row])
                within[into[fits]] = price[fits]
        shapes = zip(
            pairwise(offset.tolist()),
            ends.from_count[first:beyond].tolist(),
            ends.to_count[first:beyond].tolist(),
            strict=True,
        )
        tables = [(slice(a, b), (levels, -1) if levels else (0, to)) for (a, b), levels, to in shapes]
        return Prices(
            anyhow=[anyhow[at].reshape(shape) for at, shape in tables],
            within=[within[at].reshape(shape) for at, shape in tables],
        )


def _names(record: type) -> list[str]:
    return [item.name for item in fields(record)]


def _counts(low: Ints, high: Ints) -> Ints:
    return np.asarray(np.maximum(high - low + 1, 0), dtype=np.int64)


def _ends_at_posts(stations: Stations, rules: LevelRules) -> Ends:
    """The levels within gap and dig at the posts themselves: a bay that keeps its limits has no others."""
    first, last = stations.level_m[stations.offset[:-1]], stations.level_m[stations.offset[1:] - 1]
    up, down = rules.gap_max_m + LEVEL_TOLERANCE_M, rules.dig_max_m + LEVEL_TOLERANCE_M
    return Ends(
        from_low=_ceil((first - down) / rules.increment_m),
        from_high=_floor((first + up) / rules.increment_m),
        to_low=_ceil((last - down) / rules.increment_m),
        to_high=_floor((last + up) / rules.increment_m),
    )


def _ends_in_bays(stations: Stations, rules: LevelRules) -> Ends:
    """The levels between the lowest ground in each bay, less dig, and its highest, plus gap; at least one."""
    ground = stations.ground()
    up, down = max(rules.gap_max_m, -rules.dig_max_m, 0.0), max(rules.dig_max_m, 0.0)
    low = _floor((ground.lowest_m - down + LEVEL_TOLERANCE_M) / rules.increment_m)
    high = _ceil((ground.highest_m + up - LEVEL_TOLERANCE_M) / rules.increment_m)
    return Ends(from_low=low, from_high=high, to_low=low, to_high=high)


def _affordable(ends: Ends, at_posts: Ends, stations: Stations, rules: LevelRules) -> tuple[Ends, bool]:
    """The ends, cut down to those near the ground, as far as it is within the limits, if there are too many pairs."""
    if float(ends.from_count.astype(float) @ ends.to_count.astype(float)) <= MOST_PAIRS:
        return ends, False
    reach = max(1, (int(np.sqrt(NEAR_PAIRS / len(ends.from_low))) - 1) // 2)
    first, last = (
        _floor(stations.level_m[at] / rules.increment_m + 0.5) for at in (stations.offset[:-1], stations.offset[1:] - 1)
    )
    first = np.clip(first, at_posts.from_low, np.maximum(at_posts.from_low, at_posts.from_high))
    last = np.clip(last, at_posts.to_low, np.maximum(at_posts.to_low, at_posts.to_high))
    return ends.near(first, last, reach), True


def _met(ends: Ends, breakable: Flags, *, closed: bool) -> Ends:
    """Where a bay that may be broken meets another, only the levels that both look at.

    A ring whose ground does not come back to where it began may leave the two bays at its seam none: then those of both
    and all between.
    """
    before = np.arange(len(breakable) if closed else len(breakable) - 1)
    after = (before + 1) % len(breakable)
    low, high = (
        np.maximum(ends.to_low[before], ends.from_low[after]),
        np.minimum(ends.to_high[before], ends.from_high[after]),
    )
    apart = low > high
    low, high = np.where(apart, high, low), np.where(apart, low, high)
    some, both = breakable[before] | breakable[after], breakable[before] & breakable[after]
    meets = np.where(apart, both, some)
    met = {name: getattr(ends, name).copy() for name in _names(Ends)}
    for name, rows, values in (
        ("to_low", before, low),
        ("to_high", before, high),
        ("from_low", after, low),
        ("from_high", after, high),
    ):
        met[name][rows[meets]] = values[meets]
    return Ends(**met)


def _lines(stations: Stations, ends: Ends, rules: LevelRules, rise_most: Ints, breakable: Flags) -> Lines:
    """Every line between the ends; in bays that may not be broken only those within their limits."""
    least, most = ends.to_low - ends.from_high, ends.to_high - ends.from_low
    least = np.where(breakable, least, np.maximum(least, -rise_most))
    most = np.where(breakable, most, np.minimum(most, rise_most))
    count = np.where(ends.pairs > 0, np.maximum(most - least + 1, 0), 0)
    found = []
    for a, b in _runs(count * np.diff(stations.offset)):
        bay = np.repeat(np.arange(a, b), count[a:b])
        rise = least[bay] + np.arange(len(bay)) - (np.cumsum(count[a:b]) - count[a:b])[bay - a]
        if len(bay):
            lines = _lines_of(stations, ends, rules, bay, rise)
            fits = (np.abs(rise) <= rise_most[bay]) & (lines.fit_low <= lines.fit_high)
            lines = replace(lines, fit_high=np.where(fits, lines.fit_high, lines.fit_low - 1))
            free = breakable[bay]
            low, high = np.where(free, lines.low, lines.fit_low), np.where(free, lines.high, lines.fit_high)
            found.append(replace(lines, low=low, high=high)[low <= high])
    if not found:
        return Lines(**dict.fromkeys(_names(Lines), np.empty(0, dtype=np.int64)))
    return Lines(**{name: np.concatenate([getattr(part, name) for part in found]) for name in _names(Lines)})


def _lines_of(stations: Stations, ends: Ends, rules: LevelRules, bay: Ints, rise: Ints) -> Lines:
    """Lines of given rises with all their levels, and which of these keep gap and dig."""
    ground = stations.from_lines(bay, np.asarray(rise * rules.increment_m, dtype=np.float64)).ground()
    low = np.maximum(ends.from_low[bay], ends.to_low[bay] - rise)
    high = np.minimum(ends.from_high[bay], ends.to_high[bay] - rise)
    lowest = _ceil((ground.highest_m - rules.dig_max_m - LEVEL_TOLERANCE_M) / rules.increment_m)
    highest = _floor((ground.lowest_m + rules.gap_max_m + LEVEL_TOLERANCE_M) / rules.increment_m)
    fit_low, fit_high = np.maximum(low, lowest), np.minimum(high, highest)
    return Lines(bay=bay, rise=rise, low=low, high=high, fit_low=fit_low, fit_high=fit_high)


def _ends_of(lines: Lines, count: int) -> Ends:
    """The ranges of levels that some line has at each end; an empty range where a bay has no line."""
    far = np.iinfo(np.int64).max // 4
    ranges = [np.full(count, far), np.full(count, -far), np.full(count, far), np.full(count, -far)]
    np.minimum.at(ranges[0], lines.bay, lines.low)
    np.maximum.at(ranges[1], lines.bay, lines.high)
    np.minimum.at(ranges[2], lines.bay, lines.low + lines.rise)
    np.maximum.at(ranges[3], lines.bay, lines.high + lines.rise)
    empty = ranges[0] > ranges[1]
    for row, nothing in enumerate((0, -1, 0, -1)):
        ranges[row][empty] = nothing
    return Ends(from_low=ranges[0], from_high=ranges[1], to_low=ranges[2], to_high=ranges[3])


def _levels(lines: Lines) -> tuple[Ints, Ints]:
    """Every level of every line: the line's row, and the level at the first post."""
    count = lines.high - lines.low + 1
    row = np.repeat(np.arange(len(count)), count)
    return row, lines.low[row] + np.arange(len(row)) - (np.cumsum(count) - count)[row]


def _runs(work: Ints) -> Iterator[tuple[int, int]]:
    """Ranges of bays whose stations, seen from all their lines, add up to about a chunk."""
    block = np.cumsum(work) // CHUNK_STATIONS
    yield from pairwise([0, *(np.flatnonzero(np.diff(block)) + 1).tolist(), len(work)])


def _floor(values: Floats) -> Ints:
    return np.floor(np.clip(values, -1e12, 1e12)).astype(np.int64)


def _ceil(values: Floats) -> Ints:
    return np.ceil(np.clip(values, -1e12, 1e12)).astype(np.int64)
