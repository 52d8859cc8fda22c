"""The best layout of a web together with the undersides of its bays, raked, and proof of it.

What counts at a post is the level at which the bay that ends there ends; whichever bay that is, what follows costs the
same. Each post holds, for each of these levels, the fewest broken bays that lead to it and the least cost with so many.
From there a step leads to the level at which the next bay starts, and the bay to the level at which it ends, by the
prices of :mod:`geofence.engine.bay_ends`. First only lines within their limits are looked at; where no row of bays has
such lines throughout, every bay may be broken.

Among equal costs, seen from the last bay backwards, the narrower bay is taken, so that cut bays come late.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from geofence.engine.areas import Stations
from geofence.engine.bay_ends import BayEnds, Prices
from geofence.engine.candidates import Proof
from geofence.engine.chain import closed_path
from geofence.engine.end_chain import Links
from geofence.engine.limits import check_bays
from geofence.engine.records import Floats, Ints, LevelRules, Profile, RakeRules
from geofence.engine.steps import FAR_LEVEL, StepPrices
from geofence.engine.web import Web
from geofence.engine.web_chain import Row

__all__ = ["SlopedWeb"]

TIE = 1e-12
"""Costs that differ by less than this share are equal: float64 keeps 1e-16 of them."""

CHUNK_PAIRS = 1 << 21
"""Pairs of ends priced at a time: 16 MB an array. Longer webs are priced once more when the row is traced back."""

MANY = FAR_LEVEL
"""More broken bays than any row has."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlopedWeb:
    """A web of bays with their limits; ``joined``: undersides meet at every post; ``closed``: it is a ring."""

    web: Web
    bays: BayEnds
    rules: LevelRules
    joined: bool
    closed: bool

    @classmethod
    def of(cls, web: Web, profile: Profile, rules: LevelRules, rake: RakeRules, *, closed: bool = False) -> SlopedWeb:
        check_bays(web.start_m, web.end_m, rules)
        bays = BayEnds.within_limits(Stations.under(profile, web.start_m, web.end_m), web.width_m, rules, rake)
        return cls(web=web, bays=bays, rules=rules, joined=rake.steps == "never", closed=closed)

    def room(self) -> Ints:
        """(n,) how many levels each layer's bays may end at within their limits; far too many where there is none."""
        count = np.maximum.reduceat(self.bays.ends.to_count, self.web.offset[:-1])
        return np.where(count > 0, count, 2 * FAR_LEVEL)

    def solve(self) -> tuple[Row, Proof]:
        """The best row, and how far it is proven. Of its levels only those that a ring is closed by are given."""
        bays = self.bays
        row = self._best(bays)
        if row is None:
            bays = bays.with_broken(np.ones(len(bays.breakable), dtype=bool), joined=False, closed=False)
            row = self._best(bays)
        assert row is not None  # a broken bay may have any ends, and neighbours share some at their post
        return row, "windowed" if bays.clipped else "exact"

    def _best(self, bays: BayEnds) -> Row | None:
        search = _Search(self, bays)
        if not self.closed:
            return search.found(-FAR_LEVEL, FAR_LEVEL)
        low = search.low[-1]
        return closed_path(search.found, low, low + search.count[-1] - 1)


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """Levels, with the fewest broken bays that lead to each, and the least cost with so many; infinite where none."""

    broken: Ints
    cost: Floats

    @classmethod
    def free(cls, count: int) -> _States:
        return cls(np.zeros(count, dtype=np.int64), np.zeros(count))

    @classmethod
    def none(cls, count: int) -> _States:
        return cls(np.full(count, MANY), np.full(count, np.inf))

    def only(self, first: int, last: int) -> _States:
        """These levels from one row to another, the others not reached."""
        row = np.arange(len(self.cost))
        held = (row >= first) & (row <= last)
        return _States(np.where(held, self.broken, MANY), np.where(held, self.cost, np.inf))

    def plus(self, price: Floats, *, broken: int = 0) -> _States:
        """These levels, each dearer by a price, with so many more broken bays."""
        cost = self.cost + price
        return _States(np.where(cost < np.inf, self.broken + broken, MANY), cost)

    def by(self, table: Floats, *, broken: int = 0) -> _States:
        """What a table of prices leads to, (these levels, others), with so many more broken bays."""
        sums = self.cost[:, None] + table
        counts = np.where(sums < np.inf, self.broken[:, None] + broken, MANY)
        fewest = np.minimum.reduce(counts, axis=0, initial=MANY)
        least = np.minimum.reduce(np.where(counts == fewest, sums, np.inf), axis=0, initial=np.inf)
        return _States(fewest, least)

    def or_better(self, other: _States) -> _States:
        """The better of two, level by level."""
        better = (other.broken < self.broken) | ((other.broken == self.broken) & (other.cost < self.cost))
        return _States(np.where(better, other.broken, self.broken), np.where(better, other.cost, self.cost))

    def take(self, at: int, other: _States) -> None:
        """Take what is better in others, from a row on."""
        rows = slice(at, at + len(other.cost))
        better = _States(self.broken[rows], self.cost[rows]).or_better(other)
        self.broken[rows], self.cost[rows] = better.broken, better.cost

    def best(self) -> tuple[int, float, int]:
        """The fewest broken bays, the least cost with so many, and the row of it."""
        row = int(np.where(self.broken == self.broken.min(), self.cost, np.inf).argmin())
        return int(self.broken[row]), float(self.cost[row]), row


class _Search:
    """Looks for the best row of bays, with the lines that ``bays`` has.

    ``low``, ``count``: the lowest level at which the bays of each layer end, and how many there are up to the highest;
    ``starts``, ``ends``: the same of each bay, at its first post and at its second.
    """

    def __init__(self, sloped: SlopedWeb, bays: BayEnds) -> None:
        self.web, self.bays, self.closed = sloped.web, bays, sloped.closed
        self.layers = list(pairwise(sloped.web.offset.tolist()))
        self.used = (bays.ends.pairs > 0).tolist()
        self.starts = list(zip(bays.ends.from_low.tolist(), bays.ends.from_count.tolist(), strict=True))
        self.ends = list(zip(bays.ends.to_low.tolist(), bays.ends.to_count.tolist(), strict=True))
        low, high = self._windows()
        self.low, self.count = low.tolist(), (high - low + 1).tolist()
        reach, widest = self._spread(low, high)
        self.links = Links.over(reach, widest, StepPrices.of(sloped.rules), joined=sloped.joined)
        self.chunks = self._chunks()
        self.kept: tuple[int, Prices] = (-1, Prices(anyhow=[], within=[]))

    def _windows(self) -> tuple[Ints, Ints]:
        """(n,) lowest and highest level at which a bay of each layer ends; the lowest one above where none does."""
        ends, begin = self.bays.ends, self.web.offset[:-1]
        low = np.minimum.reduceat(np.where(self.used, ends.to_low, FAR_LEVEL), begin)
        high = np.maximum.reduceat(np.where(self.used, ends.to_high, -FAR_LEVEL), begin)
        return np.where(low > high, 1, low), np.where(low > high, 0, high)

    def _spread(self, low: Ints, high: Ints) -> tuple[int, int]:
        """The largest change of level at a post, and the most levels at one."""
        ends, before = self.bays.ends, self.web.layer - 1
        change = np.maximum(ends.from_high - low[before], high[before] - ends.from_low)
        met = np.array(self.used) & (high >= low)[before] & ((before >= 0) | self.closed)
        widest = max(int(ends.from_count.max()), int((high - low).max()) + 1, 1)
        return int(change[met].max(initial=0)), widest

    def _chunks(self) -> Ints:
        """(n,) which layers are priced together."""
        pairs = np.add.reduceat(self.bays.ends.pairs, self.web.offset[:-1])
        return np.asarray(np.cumsum(pairs) // CHUNK_PAIRS)

    def _tables(self, row: int, bay: int) -> tuple[Floats, Floats]:
        """Prices of a bay's ends within its limits, and of all."""
        first = int(self.web.offset[np.searchsorted(self.chunks, self.chunks[row])])
        if self.kept[0] != first:
            beyond = int(self.web.offset[np.searchsorted(self.chunks, self.chunks[row], side="right")])
            self.kept = first, self.bays.prices(first, beyond)
        return self.kept[1].within[bay - first], self.kept[1].anyhow[bay - first]

    def found(self, low: int, high: int) -> Row | None:
        """The best row; on a ring one that begins and ends between two levels, which need not be equal."""
        ends = [low - self.low[-1], high - self.low[-1]]
        posts = [[_States.free(self.count[-1]).only(*ends)]]
        for row, bays in enumerate(self.layers):
            posts.append([_States.none(self.count[row]) for _ in range(int(self.web.posts[row + 1]))])
            for bay in range(*bays):
                if self.used[bay]:
                    into = posts[row + 1][int(self.web.go[bay])]
                    into.take(self.ends[bay][0] - self.low[row], self._reached(posts[row], row, bay))
        last = posts[-1][0].only(*ends) if self.closed else posts[-1][0]
        return self._traced(posts, last) if last.cost.min(initial=np.inf) < np.inf else None

    def _starts(self, posts: Sequence[_States], row: int, bay: int) -> tuple[_States, _States]:
        """What leads to the levels at which a bay starts: allowed steps, and any."""
        if row == 0 and not self.closed:
            free = _States.free(self.starts[bay][1])
            return free, free
        come, size = posts[int(self.web.come[bay])], (self.low[row - 1], self.count[row - 1], *self.starts[bay])
        within = come.by(self.links.between(self.links.within, *size))
        return within, come.by(self.links.between(self.links.anyhow, *size)) if self.bays.breakable[bay] else within

    def _reached(self, posts: Sequence[_States], row: int, bay: int, at: slice = slice(None)) -> _States:
        """What leads to the levels at which a bay ends, or to some of them."""
        allowed, anyhow = self._starts(posts, row, bay)
        within, whatever = self._tables(row, bay)
        found = allowed.by(within[:, at])
        return found.or_better(anyhow.by(whatever[:, at], broken=1)) if self.bays.breakable[bay] else found

    def _traced(self, posts: Sequence[Sequence[_States]], last: _States) -> Row:
        broken, cost, at = last.best()
        top, bays, post = self.low[-1] + at, [], 0
        for row in reversed(range(len(self.layers))):
            bay = self._bay_to(posts[row], row, post, at, cost)
            bays.append(bay)
            at, post = self._before(posts[row], row, bay, at), int(self.web.come[bay])
        first = self.low[-1] + at if self.closed else top
        return Row(broken=broken, cost=cost, level=np.array([first, top]), bay=np.array(bays[::-1]))

    def _bay_to(self, posts: Sequence[_States], row: int, post: int, at: int, cost: float) -> int:
        """The bay that leads best to a post at a level; among equals the first."""
        tie = TIE * max(1.0, abs(cost))
        best: tuple[int, float, int] | None = None
        for bay in range(*self.layers[row]):
            level = at + self.low[row] - self.ends[bay][0]
            if self.web.go[bay] != post or not self.used[bay] or not 0 <= level < self.ends[bay][1]:
                continue
            broken, price, _ = self._reached(posts, row, bay, slice(level, level + 1)).best()
            if best is None or (broken, price) < (best[0], best[1] - tie):
                best = broken, price, bay
        assert best is not None  # the level was reached
        return best[2]

    def _before(self, posts: Sequence[_States], row: int, bay: int, at: int) -> int:
        """The level before a bay, counted from the lowest there, from which its end at a level is best reached."""
        if row == 0 and not self.closed:
            return 0
        level = at + self.low[row] - self.ends[bay][0]
        allowed, anyhow = self._starts(posts, row, bay)
        within, whatever = (table[:, level] for table in self._tables(row, bay))
        ways = [(allowed.plus(within), self.links.within)]
        if self.bays.breakable[bay]:
            ways.append((anyhow.plus(whatever, broken=1), self.links.anyhow))
        (_, _, start), windows = min(((way.best(), windows) for way, windows in ways), key=lambda way: way[0])
        price = self.links.between(windows, self.low[row - 1], self.count[row - 1], *self.starts[bay])[:, start]
        return posts[int(self.web.come[bay])].plus(price).best()[2]
