"""Cheapest level for every bay of a row, by dynamic programming over a lattice of levels.

A :class:`Chain` is a row of bays, each with candidate levels and their prices;
:class:`~geofence.engine.steps.StepPrices` says what a change of level costs and which changes are allowed. A bay is
*broken* where its level is out of its limits or where the change from the bay before is. Two searches find the path
with the fewest broken bays and then the least cost:

:func:`unbroken_path`
    knows no broken bays. Three array operations a bay: allowed changes x candidates.
:func:`best_path`
    knows broken bays. A broken bay may take any level and any step, so the fewest broken bays to reach the levels of
    a bay differ by one at most: two rows of costs a bay (with that count, with one more) hold the whole state.

Levels are whole numbers of increments throughout. Among equal costs, seen from the last bay backwards, the level is
kept rather than changed, and else the lower level is taken.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from geofence.engine.records import Floats, Ints
from geofence.engine.steps import FAR_LEVEL, Arrivals, StepPrices

__all__ = [
    "FAR_LEVEL",
    "AnyPath",
    "Chain",
    "Path",
    "StepPrices",
    "best_path",
    "closed_path",
    "largest_change",
    "preference",
    "tie_price",
    "unbroken_path",
]

Flags = NDArray[np.bool_]


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


AnyPath = TypeVar("AnyPath", bound=Path)


def largest_change(low: Ints, high: Ints) -> int:
    """The largest change between levels of neighbouring bays, given the (n,) lowest and highest level of each."""
    return int(max((high[1:] - low[:-1]).max(initial=0), (high[:-1] - low[1:]).max(initial=0)))


def closed_path(search: Callable[[int, int], AnyPath | None], low: int, high: int) -> AnyPath | None:
    """The best path that ends at the level where it begins, on a chain whose last bay is its first once more.

    ``search`` finds the best path that begins and ends between two levels, None where there is none.

    Branch and bound on that level: the best path with both ends in a range is a bound for the range. A path whose ends
    differ splits its range between them, so that neither half contains it; a path whose ends agree is the answer as
    soon as no range has a better bound.
    """
    heap: list[tuple[int, float, int, int, AnyPath]] = []

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
    price = steps.allowed_price(reach)
    count, offset = chain.high - chain.low + 1, chain.offset
    base = offset[:-1] + 2 * reach * np.arange(1, len(count) + 1)
    values = np.full(int(base[-1] + count[-1]) + 2 * reach, np.inf)
    arrivals = sliding_window_view(values, 2 * reach + 1)
    by_change, price_column = arrivals.T, price[:, None]
    begin = (base[:-1] + np.diff(chain.low) - reach).tolist()
    bays = base.tolist()

    ends = _range(chain, 0, low, high)
    values[bays[0] + ends.start : bays[0] + ends.stop] = chain.price[ends]
    work = np.empty((2 * reach + 1, int(count.max())))
    for come, here, own, width in zip(begin, bays[1:], offset[1:].tolist(), count[1:].tolist(), strict=False):
        costs, best = work[:, :width], values[here : here + width]
        np.add(by_change[:, come : come + width], price_column, costs)
        np.minimum.reduce(costs, axis=0, out=best)
        np.add(best, chain.price[own : own + width], best)

    ends = _range(chain, len(count) - 1, low, high)
    last = values[bays[-1] + ends.start : bays[-1] + ends.stop]
    cost = float(last.min(initial=np.inf))
    if cost == np.inf:
        return None
    tie = tie_price(cost, len(count), reach)
    at = ends.start + int((last + tie * np.arange(len(last))).argmin())
    picks, price = [at], price + tie * preference(reach)
    for come, before in zip(reversed(begin), reversed(bays[:-1]), strict=True):
        at += come
        at += int((arrivals[at] + price).argmin()) - before
        picks.append(at)
    return Path(broken=0, cost=cost, level=chain.low + np.array(picks[::-1]))


def best_path(chain: Chain, steps: StepPrices, low: int, high: int) -> Path:
    """The path with the fewest broken bays, then the least cost, whose ends lie between two levels.

    The first bay is broken only by its own limits. Leaving the candidates costs a bay its ``outside_price``, breaks it
    unless ``outside_fits``, and makes its steps free and allowed: no true path is better than its image among these.
    """
    search = _Search.of(chain, steps)
    fronts = [search.first(low, high)]
    for bay in range(1, len(chain.low)):
        fronts.append(search.advance(fronts[-1], bay))
    return search.trace(fronts, low, high)


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """The least costs of reaching each candidate of a bay, and, as the last entry, of being outside them.

    ``cost`` (2, k + 1): with ``broken`` broken bays, and with one more; infinite where there is no such way. Some entry
    of the first row is finite. ``raised``: 1 where no entry could be reached with the count of the bay before.
    """

    cost: Floats
    broken: int
    raised: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Search:
    chain: Chain
    steps: StepPrices
    price: Floats
    offset: list[int]
    shift: list[int]
    fit: list[tuple[int, int]]
    fits_outside: list[bool]
    reach: int
    arrivals: Arrivals

    @classmethod
    def of(cls, chain: Chain, steps: StepPrices) -> _Search:
        width = chain.high - chain.low + 1
        fit_low = np.clip(chain.fit_low - chain.low, 0, width)
        fit_high = np.clip(chain.fit_high - chain.low + 1, fit_low, width)
        longest = chain.reach + 2 * int(width.max())
        return cls(
            chain=chain,
            steps=steps,
            price=np.insert(chain.price, chain.offset[1:], chain.outside_price),
            offset=(chain.offset + np.arange(len(width) + 1)).tolist(),
            shift=[0, *np.diff(chain.low).tolist()],
            fit=list(zip(fit_low.tolist(), fit_high.tolist(), strict=True)),
            fits_outside=chain.outside_fits.tolist(),
            reach=chain.reach,
            arrivals=Arrivals.of(steps, longest=longest),
        )

    def first(self, low: int, high: int) -> _Front:
        price = self.price[: self.offset[1]]
        cost = np.full((2, len(price)), np.inf)
        ends, fits = _range(self.chain, 0, low, high), slice(*self.fit[0])
        cost[1, ends] = price[ends]
        cost[0, fits] = cost[1, fits]
        if high > self.chain.high[0]:
            cost[0 if self.fits_outside[0] else 1, -1] = price[-1]
        return _settled(cost, 0)

    def advance(self, front: _Front, bay: int) -> _Front:
        inside, outside = front.cost[:, :-1], front.cost[:, -1:]
        price = self.price[self.offset[bay] : self.offset[bay + 1]]
        width, shift = len(price) - 1, self.shift[bay]
        cost = np.full((2, width + 1), np.inf)
        np.minimum(self.arrivals.by_any(inside[0], shift, width), outside[0], out=cost[1, :-1])
        a, b = self.fit[bay]
        if a < b:
            np.minimum(cost[:, a:b], self.arrivals.by_allowed(inside, shift + a, b - a), out=cost[:, a:b])
            np.minimum(cost[:, a:b], outside, out=cost[:, a:b])
        cost[0 if self.fits_outside[bay] else 1, -1] = np.minimum.reduce(front.cost[0])
        cost += price
        return _settled(cost, front.broken)

    def trace(self, fronts: list[_Front], low: int, high: int) -> Path:
        last = fronts[-1]
        ends = np.full_like(last.cost, np.inf)
        inside = _range(self.chain, len(fronts) - 1, low, high)
        ends[:, inside] = last.cost[:, inside]
        if high > self.chain.high[-1]:
            ends[:, -1] = last.cost[:, -1]
        late = int(ends[0].min() == np.inf)
        cost, reach = float(ends[late].min()), self.reach
        tie = tie_price(cost, len(fronts), reach)
        at = int((ends[late] + tie * np.arange(ends.shape[1])).argmin())
        path = Path(broken=last.broken + late, cost=cost, level=self.chain.low.copy())
        path.level[-1] += at
        prefer = tie * preference(reach)
        before = partial(
            self._before,
            any_price=self.steps.any_price(reach) + prefer,
            allowed_price=self.steps.allowed_price(reach) + prefer,
            slack=2 * float(prefer.max()),
        )
        for bay in range(len(fronts) - 1, 0, -1):
            at, late = before(fronts[bay - 1], bay, at, max(late, fronts[bay].raised))
            path.level[bay - 1] += at
        return path

    def _before(
        self, front: _Front, bay: int, at: int, late: int, *, any_price: Floats, allowed_price: Floats, slack: float
    ) -> tuple[int, int]:
        """Entry and row of the bay before from which an entry of a bay is best reached.

        ``late``: the entry counts one broken bay more than the first row of the bay before. ``slack``: how much cheaper
        it must be to come from outside.
        """
        if at == self.offset[bay + 1] - self.offset[bay] - 1:
            return int(front.cost[0].argmin()), 0
        cost, outside = front.cost[:, :-1], front.cost[:, -1].tolist()
        width = cost.shape[1]
        a, b = self.fit[bay]
        start = self.reach - at - self.shift[bay]
        ways = []
        if late:
            ways.append((cost[0] + any_price[start : start + width], 0))
        if a <= at < b:
            ways.append((cost[late] + allowed_price[start : start + width], late))
        best = min((float(way[pick := int(way.argmin())]), pick, row) for way, row in ways)
        away = min((outside[row], width, row) for _, row in ways)
        return (best if best[0] <= away[0] + slack else away)[1:]


def _settled(cost: Floats, broken: int) -> _Front:
    """A front whose first row has a finite entry."""
    if np.minimum.reduce(cost[0]) < np.inf:
        return _Front(cost, broken, 0)
    return _Front(np.array([cost[1], cost[0]]), broken + 1, 1)


def tie_price(cost: float, count: int, reach: int) -> float:
    """The cost of preferring a change to another: all bays' choices together keep the least cost to 1e-10."""
    return max(1.0, abs(cost)) * min(1e-12, 1e-10 / count) / (2 * reach + 1)


def preference(reach: int) -> Floats:
    """(2 reach + 1,) the order of arrivals of equal cost: from the same level first, then from the lowest up."""
    order = np.arange(1.0, 2 * reach + 2)
    order[reach] = 0.0
    return order


def _range(chain: Chain, bay: int, low: int, high: int) -> slice:
    """The candidates of a bay between two levels, counted from its lowest."""
    count = int(chain.high[bay] - chain.low[bay]) + 1
    first = min(max(low - int(chain.low[bay]), 0), count)
    return slice(first, max(first, min(high - int(chain.low[bay]) + 1, count)))
