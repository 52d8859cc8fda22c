"""Cheapest level for every bay of a row, by dynamic programming over a lattice of levels.

A :class:`Chain` is a row of bays, each with candidate levels and their prices; :class:`StepPrices` says what a change of
level costs and which changes are allowed. A bay is *broken* where its level is out of its limits or where the change
from the bay before is. Two searches find the path with the fewest broken bays and then the least cost:

:func:`unbroken_path`
    knows no broken bays. Three array operations a bay: candidates x allowed changes.
:func:`best_path`
    knows broken bays. A broken bay may take any level and any step, so the fewest broken bays to reach the levels of
    a bay differ by one at most: two rows of costs a bay (with that count, with one more) hold the whole state.

Levels are whole numbers of increments throughout. Ties go to the lower level, seen from the last bay backwards.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from geofence.engine.records import Floats, Ints

__all__ = ["Chain", "Path", "StepPrices", "best_path", "closed_path", "largest_change", "unbroken_path"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPrices:
    """What a change of level at a post costs, in increments.

    No change is free. A change by ``least`` to ``most`` increments is allowed (none is where ``most`` is less than
    ``least``) and costs ``change`` plus ``rise`` for each increment.
    """

    least: int
    most: int
    change: float
    rise: float

    def prices(self, reach: int) -> Floats:
        """(2 reach + 1,) prices of changes from -reach to reach."""
        by = np.abs(np.arange(-reach, reach + 1))
        return np.where(by == 0, 0.0, self.change + self.rise * by)

    def forbidden(self, reach: int) -> Flags:
        """(2 reach + 1,) which of these changes are not allowed."""
        by = np.abs(np.arange(-reach, reach + 1))
        return np.asarray((by > 0) & ((by < self.least) | (by > self.most)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """A row of bays with candidate levels.

    Attributes
    ----------
    low, high
        (n,) int64 lowest and highest candidate of each bay.
    price
        Prices of the candidates, bay after bay.
    fit_low, fit_high
        (n,) int64 levels within the bay's own limits; none where ``fit_low`` is above ``fit_high``.
    outside_price
        (n,) no level outside the candidates is cheaper than this; infinite where no such level need be looked at.
    outside_fits
        (n,) whether some level outside the candidates is within the bay's limits.
    """

    low: Ints
    high: Ints
    price: Floats
    fit_low: Ints
    fit_high: Ints
    outside_price: Floats
    outside_fits: Flags

    @property
    def offset(self) -> Ints:
        """(n + 1,) where each bay's candidates begin in ``price``."""
        return np.concatenate([[0], np.cumsum(self.high - self.low + 1)])

    @property
    def reach(self) -> int:
        """The largest change between candidates of neighbouring bays."""
        return largest_change(self.low, self.high)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path:
    """A level for every bay of a chain, with its number of broken bays and its cost.

    A level just above a bay's highest candidate stands for "somewhere outside the candidates"; then the count and
    the cost are what the true ones cannot be better than.
    """

    broken: int
    cost: float
    level: Ints


Search = Callable[[int, int], Path | None]
"""Finds the best path that begins and ends between two levels, None where there is none."""


def largest_change(low: Ints, high: Ints) -> int:
    """The largest change between levels of neighbouring bays, given the (n,) lowest and highest level of each."""
    return int(max((high[1:] - low[:-1]).max(initial=0), (high[:-1] - low[1:]).max(initial=0)))


def closed_path(search: Search, low: int, high: int) -> Path | None:
    """The best path that ends at the level where it begins, on a chain whose last bay is its first once more.

    Branch and bound on that level: the best path with both ends in a range is a bound for the range. A path whose ends
    differ splits its range between them, so that neither half contains it; a path whose ends agree is the answer as
    soon as no range has a better bound.
    """
    heap: list[tuple[int, float, int, int, Path]] = []

    def look(a: int, b: int) -> None:
        path = search(a, b)
        if path is not None:
            heapq.heappush(heap, (path.broken, path.cost, a, b, path))

    look(low, high)
    while heap:
        *_, a, b, path = heapq.heappop(heap)
        ends = sorted((int(path.level[0]), int(path.level[-1])))
        if ends[0] == ends[1]:
            return path
        middle = sum(ends) // 2
        look(a, middle)
        look(middle + 1, b)
    return None


def unbroken_path(chain: Chain, steps: StepPrices, low: int, high: int) -> Path | None:
    """The cheapest path of allowed steps whose ends lie between two levels, every candidate being within limits.

    Candidates of neighbouring bays must be within ``steps.most`` of each other. None where there is no such path.
    """
    reach = min(max(steps.most, 0), chain.reach)
    band = np.where(steps.forbidden(reach), np.inf, steps.prices(reach))
    count = chain.high - chain.low + 1
    gap = 2 * reach
    base = chain.offset[:-1] + gap * np.arange(1, len(count) + 1)
    values = np.full(int(base[-1] + count[-1]) + gap, np.inf)
    arrivals = sliding_window_view(values, 2 * reach + 1)
    begin = base[:-1] + np.diff(chain.low) - reach

    ends = _range(chain, 0, low, high)
    values[base[0] + ends.start : base[0] + ends.stop] = chain.price[ends]
    work = np.empty((int(count.max()), 2 * reach + 1))
    rows = zip(begin.tolist(), base[1:].tolist(), chain.offset[1:].tolist(), count[1:].tolist(), strict=False)
    for come, here, price, width in rows:
        best = values[here : here + width]
        costs = work[:width]
        np.add(arrivals[come : come + width], band, costs)
        np.minimum.reduce(costs, 1, None, best)
        best += chain.price[price : price + width]

    ends = _range(chain, len(count) - 1, low, high)
    last = values[base[-1] + ends.start : base[-1] + ends.stop]
    if not np.isfinite(last.min(initial=np.inf)):
        return None
    cost = float(last.min())
    tie = _tie(cost, len(count))
    at = ends.start + int((last <= cost + tie).argmax())
    picks = [at]
    for come, before in zip(reversed(begin.tolist()), reversed(base[:-1].tolist()), strict=True):
        row = arrivals[come + at] + band
        at = come + at + int((row <= row.min() + tie).argmax()) - before
        picks.append(at)
    return Path(broken=0, cost=cost, level=chain.low + np.array(picks[::-1]))


def best_path(chain: Chain, steps: StepPrices, low: int, high: int) -> Path:
    """The path with the fewest broken bays, then the least cost, whose ends lie between two levels.

    The first bay is broken only by its own limits. Leaving the candidates costs a bay its ``outside_price``, breaks it
    unless ``outside_fits``, and makes its steps free and allowed: no true path is better than its image among these.
    """
    table = _Table.of(chain, steps)
    fronts = [table.first(low, high)]
    for bay in range(1, len(chain.low)):
        fronts.append(table.advance(fronts[-1], bay))
    return table.trace(fronts, low, high)


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """The best ways to reach each level of a bay: ``broken`` bays, or one more where ``late``.

    The last entry is that of being outside the candidates. An entry that cannot be reached has infinite value.
    """

    value: Floats
    late: Flags
    broken: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Table:
    chain: Chain
    steps: StepPrices
    price: Floats
    offset: list[int]
    shift: list[int]
    fit: list[tuple[int, int]]
    reach: int
    rise: Floats = field(repr=False)

    @classmethod
    def of(cls, chain: Chain, steps: StepPrices) -> _Table:
        width = chain.high - chain.low + 1
        fit_low = np.clip(chain.fit_low - chain.low, 0, width)
        fit_high = np.clip(chain.fit_high - chain.low + 1, fit_low, width)
        return cls(
            chain=chain,
            steps=steps,
            price=np.insert(chain.price, chain.offset[1:], chain.outside_price),
            offset=(chain.offset + np.arange(len(width) + 1)).tolist(),
            shift=[0, *np.diff(chain.low).tolist()],
            fit=list(zip(fit_low.tolist(), fit_high.tolist(), strict=True)),
            reach=chain.reach,
            rise=steps.rise * np.arange(int(chain.reach + width.max()) + 1),
        )

    def first(self, low: int, high: int) -> _Front:
        cost = self._prices(0)
        ends = _range(self.chain, 0, low, high)
        value = np.full(len(cost), np.inf)
        value[ends] = cost[ends]
        if high > self.chain.high[0]:
            value[-1] = cost[-1]
        late = np.ones(len(cost), dtype=bool)
        late[slice(*self.fit[0])] = False
        late[-1] = not self.chain.outside_fits[0]
        return _settled(value, late, 0)

    def advance(self, front: _Front, bay: int) -> _Front:
        both = np.where(front.late == _LATE, front.value, np.inf)
        inside, outside = both[:, :-1], both[:, -1:]
        price = self._prices(bay)
        width, shift = len(price) - 1, self.shift[bay]
        allowed = np.minimum(self._allowed(inside, shift, width), outside)
        a, b = self.fit[bay]
        good = np.full(width + 1, np.inf)
        good[a:b] = allowed[0, a:b]
        bad = np.empty(width + 1)
        np.minimum(self._any(inside[0], shift, width), outside[0], bad[:-1])
        np.minimum(bad[a:b], allowed[1, a:b], bad[a:b])
        bad[-1] = np.inf
        leave = good if self.chain.outside_fits[bay] else bad
        leave[-1] = both[0].min()
        late = good == np.inf
        value = np.where(late, bad, good)
        value += price
        return _settled(value, late, front.broken)

    def _prices(self, bay: int) -> Floats:
        """Prices of the bay's candidates, then that of being outside."""
        return self.price[self.offset[bay] : self.offset[bay + 1]]

    def _allowed(self, value: Floats, shift: int, width: int) -> Floats:
        """(2, width) cheapest arrivals by no step or an allowed one, from (2, n) values ``shift`` levels lower.

        Sliding minima by doubling, from below and from above at once; the rise is paid by tilting the values.
        """
        count, least, change = value.shape[1], self.steps.least, self.steps.change
        result = np.full((2, width), np.inf)
        here, there = _overlap(count, width, shift)
        result[:, here] = value[:, there]
        most = min(self.steps.most, max(shift + width - 1, count - 1 - shift))
        span = most - least + 1
        if span < 1:
            return result
        tilted = np.full((2, 2, width + span - 1), np.inf)
        here, there = _overlap(count, width + span - 1, shift - most)
        np.subtract(value[:, there], self.rise[there], tilted[0][:, here])
        here, there = _overlap(count, width + span - 1, shift + least)
        np.add(value[:, there], self.rise[there], tilted[1][:, here])
        cheapest = _sliding_minimum(tilted, span)
        climb = self.rise[:width] + (change + self.steps.rise * shift)
        cheapest[0] += climb
        cheapest[1] -= climb - 2 * change
        np.minimum(result, cheapest[0], result)
        return np.minimum(result, cheapest[1], result)

    def _any(self, value: Floats, shift: int, width: int) -> Floats:
        """(width,) cheapest arrivals by any step, from (n,) values ``shift`` levels lower."""
        count = len(value)
        ramp = self.rise[:count]
        nearest = np.minimum.accumulate(value - ramp) + ramp
        np.minimum(nearest, np.minimum.accumulate((value + ramp)[::-1])[::-1] - ramp, nearest)
        level = np.arange(shift, shift + width)
        closest = np.minimum(np.maximum(level, 0), count - 1)
        result = nearest[closest]
        result += self.steps.rise * np.abs(level - closest) + self.steps.change
        here, there = _overlap(count, width, shift)
        np.minimum(result[here], value[there], result[here])
        return np.asarray(result)

    def trace(self, fronts: list[_Front], low: int, high: int) -> Path:
        last = fronts[-1]
        ends = _range(self.chain, len(fronts) - 1, low, high)
        reachable = np.zeros(len(last.value), dtype=bool)
        reachable[ends] = True
        reachable[-1] = high > self.chain.high[-1]
        value = np.where(reachable, last.value, np.inf)
        best = _cheapest(value, last.late.astype(np.int64), 0.0)
        cost, broken = float(value[best]), last.broken + int(last.late[best])
        tie = _tie(cost, len(fronts))
        at = _cheapest(value, last.late.astype(np.int64), tie)
        picks = [at]
        prices, forbidden = self.steps.prices(self.reach), self.steps.forbidden(self.reach)
        for bay in range(len(fronts) - 1, 0, -1):
            at = self._before(fronts[bay - 1], bay, at, prices, forbidden, tie)
            picks.append(at)
        return Path(broken=broken, cost=cost, level=self.chain.low + np.array(picks[::-1]))

    def _before(self, front: _Front, bay: int, at: int, prices: Floats, forbidden: Flags, tie: float) -> int:
        """The entry of the bay before from which entry ``at`` of a bay is best reached."""
        value, breaks = front.value.copy(), front.late.astype(np.int64)
        if at < self.offset[bay + 1] - self.offset[bay] - 1:
            start = self.reach - at - self.shift[bay]
            window = slice(start, start + len(value) - 1)
            value[:-1] += prices[window]
            a, b = self.fit[bay]
            if a <= at < b:
                breaks[:-1] += forbidden[window]
            else:
                breaks += 1
        return _cheapest(value, breaks, tie)


_LATE = np.array([[False], [True]])


def _settled(value: Floats, late: Flags, broken: int) -> _Front:
    """A front whose ``broken`` is the count of its best entry."""
    if np.isfinite(value[~late]).any():
        return _Front(value, late, broken)
    return _Front(value, ~late, broken + 1)


def _cheapest(value: Floats, breaks: Ints, tie: float) -> int:
    """Entry with the fewest breaks and then the least value; the first of equal ones."""
    reached = np.isfinite(value)
    value = np.where(reached & (breaks == breaks[reached].min()), value, np.inf)
    return int((value <= value.min() + tie).argmax())


def _tie(cost: float, count: int) -> float:
    """Costs closer than this are equal, so that rounding does not choose; all bays' choices together keep 1e-10."""
    return max(1.0, abs(cost)) * min(1e-12, 1e-10 / count)


def _range(chain: Chain, bay: int, low: int, high: int) -> slice:
    """The candidates of a bay between two levels, counted from its lowest."""
    count = int(chain.high[bay] - chain.low[bay]) + 1
    first = min(max(low - int(chain.low[bay]), 0), count)
    return slice(first, max(first, min(high - int(chain.low[bay]) + 1, count)))


def _overlap(count: int, width: int, shift: int) -> tuple[slice, slice]:
    """Where entries ``shift .. shift + width`` meet entries ``0 .. count``: the slice of each."""
    a, b = max(0, shift), min(count, shift + width)
    return (slice(a - shift, b - shift), slice(a, b)) if a < b else (slice(0, 0), slice(0, 0))


def _sliding_minimum(values: Floats, span: int) -> Floats:
    """Minima of each ``span`` neighbours along the last axis."""
    covered = 1
    while 2 * covered <= span:
        values = np.minimum(values[..., :-covered], values[..., covered:])
        covered *= 2
    rest = span - covered
    return np.minimum(values[..., : values.shape[-1] - rest], values[..., rest:])
