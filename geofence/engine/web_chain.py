"""The cheapest layout of a web and the cheapest levels of its bays, together, by dynamic programming.

The searches are those of :mod:`geofence.engine.chain`, over a web instead of a row. What counts at a post is the level
of the bay that ends there: whichever bay that is, what follows costs the same. So each post holds the least costs of
arriving at it at each level, the least over the bays that end at it; and a bay's levels are reached from the post that
it starts at.

:func:`unbroken_row` knows no broken bays; :func:`geofence.engine.web_search.best_row` does.

Levels are whole numbers of increments. Among equal costs, seen from the last bay backwards, the narrower bay is taken,
so that cut bays come late; then the level is kept rather than changed, and else the lower one is taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from geofence.engine.chain import Path, largest_change, preference, tie_price
from geofence.engine.records import Floats, Ints
from geofence.engine.steps import StepPrices, overlap
from geofence.engine.web import Web

__all__ = ["Layer", "Row", "WebChain", "ends_between", "unbroken_row"]

Flags = NDArray[np.bool_]
Numbers = TypeVar("Numbers", Floats, Ints)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WebChain:
    """A web of bays with candidate levels: the same for all bays of a layer.

    Attributes
    ----------
    web
        The bays.
    low, high
        (n,) int64 lowest and highest candidate of each layer; on a ring (n + 1,), those of the last layer once more
        before the first: the level from which the first bay steps.
    price
        Prices of the candidates, bay after bay.
    within
        The same, infinite at levels that are not within the bay's own limits.
    outside_price
        (e,) no level outside the candidates is cheaper than this; infinite where no such level need be looked at.
    outside_fits
        (e,) whether some level outside the candidates is within the bay's limits.
    closed
        Whether the web is a ring.
    """

    web: Web
    low: Ints
    high: Ints
    price: Floats
    within: Floats
    outside_price: Floats
    outside_fits: Flags
    closed: bool

    @property
    def reach(self) -> int:
        """The largest change between candidates of neighbouring layers."""
        return largest_change(self.low, self.high)

    def by_layer(self) -> list[Layer]:
        web = self.web
        low, high = self.low[-web.layers :], self.high[-web.layers :]
        before = self.low[: web.layers] if self.closed else np.append(low[:1], low[:-1])
        count = high - low + 1
        states = np.concatenate([[0], np.cumsum(np.diff(web.offset) * count)]).tolist()
        bays, posts = web.offset.tolist(), np.concatenate([[0], np.cumsum(web.posts[1:])]).tolist()
        first, outside = web.first_to_posts, 1 - self.outside_fits.astype(np.int64)
        return [
            Layer(
                first_bay=bays[row],
                come=web.come[bays[row] : bays[row + 1]],
                go=web.go[bays[row] : bays[row + 1]],
                begin=first[posts[row] : posts[row + 1]] - bays[row],
                low=int(low[row]),
                shift=int(low[row] - before[row]),
                price=self.price[states[row] : states[row + 1]].reshape(-1, int(count[row])),
                within=self.within[states[row] : states[row + 1]].reshape(-1, int(count[row])),
                outside_price=self.outside_price[bays[row] : bays[row + 1]],
                outside_row=outside[bays[row] : bays[row + 1]],
            )
            for row in range(web.layers)
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One layer of a chain.

    ``begin``: the first of its bays to each post after it; ``low``: the lowest candidate, ``shift`` levels above the
    lowest before it; ``price``, ``within``: one row a bay; ``outside_row``: 1 where a level outside the candidates
    breaks the bay.
    """

    first_bay: int
    come: Ints
    go: Ints
    begin: Ints
    low: int
    shift: int
    price: Floats
    within: Floats
    outside_price: Floats
    outside_row: Ints

    @property
    def width(self) -> int:
        return int(self.price.shape[1])

    def bays_to(self, post: int) -> slice:
        """Its bays that end at a post."""
        end = self.begin[post + 1] if post + 1 < len(self.begin) else len(self.come)
        return slice(int(self.begin[post]), int(end))

    def least(self, cost: Numbers) -> Numbers:
        """Least costs of each post after it, from those of each bay, along the first axis."""
        if len(self.begin) == len(self.come):
            return cost
        least: Numbers = np.minimum.reduceat(cost, self.begin, axis=0)
        return least


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row(Path):
    """A layout of the web with a level for every bay; ``bay`` (n,) int64 rows of its bays.

    On a ring ``level`` begins with the level from which the first bay steps.
    """

    bay: Ints


def unbroken_row(chain: WebChain, steps: StepPrices, low: int, high: int) -> Row | None:
    """The cheapest row of bays within their limits by allowed steps; None where there is none.

    On a ring the level from which the first bay steps and the last bay's lie between ``low`` and ``high``; the two
    need not be equal.
    """
    return _Unbroken(chain, steps).found(low, high)


class _Unbroken:
    """Costs of the levels at each post, with so many infinite ones at both sides as steps can reach."""

    def __init__(self, chain: WebChain, steps: StepPrices) -> None:
        self.chain, self.layers = chain, chain.by_layer()
        self.reach = min(max(steps.most, 0), chain.reach)
        self.step = steps.allowed_price(self.reach)
        self.padded = [layer.width + 2 * self.reach for layer in self.layers]
        size = chain.web.posts[:-1] * np.array(self.padded)
        self.base = np.concatenate([[0], np.cumsum(size)]).tolist()
        self.values = np.full(self.base[-1] + 2 * self.reach + 1, np.inf)
        self.arrivals = sliding_window_view(self.values, 2 * self.reach + 1)

    def found(self, low: int, high: int) -> Row | None:
        if self.chain.closed:
            self._hold(0, ends_between(self.chain, 0, low, high))
        for row, layer in enumerate(self.layers):
            cost = layer.within if row == 0 and not self.chain.closed else self._least(row)[layer.come] + layer.within
            cost = layer.least(cost)
            if row + 1 < len(self.layers):
                self._hold(row + 1, cost)
        if self.chain.closed:
            cost = cost + ends_between(self.chain, -1, low, high)
        total = float(cost.min(initial=np.inf))
        return None if total == np.inf else self._traced(cost[0], total)

    def _hold(self, row: int, cost: Floats) -> None:
        """Keep the costs of the posts before a layer, (posts, levels of the layer before)."""
        layer, posts, width = self.layers[row], cost.shape[0], self.padded[row]
        here, there = overlap(cost.shape[1], width, layer.shift - self.reach)
        held = self.values[self.base[row] : self.base[row + 1]].reshape(posts, width)
        held[:] = np.inf
        held[:, here] = cost[:, there]

    def _least(self, row: int) -> Floats:
        """(posts, levels) least costs of arriving at a layer's levels from each post before it."""
        width = self.padded[row]
        by_change = self.arrivals.T[:, self.base[row] : self.base[row + 1]].reshape(len(self.step), -1, width)
        costs = by_change[:, :, : self.layers[row].width] + self.step[:, None, None]
        least: Floats = np.minimum.reduce(costs, axis=0)
        return least

    def _traced(self, last: Floats, total: float) -> Row:
        web, reach = self.chain.web, self.reach
        most = int(np.diff(web.offset).max())
        tie = tie_price(total, len(self.layers), reach) / most
        prefer = tie * preference(reach)
        at, post = int((last + tie * np.arange(len(last))).argmin()), 0
        bays, levels = [], []
        for row in reversed(range(len(self.layers))):
            layer = self.layers[row]
            levels.append(layer.low + at)
            bay = layer.bays_to(post)
            come = layer.come[bay]
            ways = (layer.within[bay, at] + tie * (2 * reach + 2) * np.arange(len(come)))[:, None]
            if row or self.chain.closed:
                ways = ways + self.arrivals[self.base[row] + come * self.padded[row] + at] + (self.step + prefer)
            pick, change = divmod(int(ways.argmin()), ways.shape[1])
            bays.append(layer.first_bay + bay.start + pick)
            at, post = at + change - reach + layer.shift, int(come[pick])
        if self.chain.closed:
            levels.append(int(self.chain.low[0]) + at)
        return Row(broken=0, cost=total, level=np.array(levels[::-1]), bay=np.array(bays[::-1]))


def ends_between(chain: WebChain, row: int, low: int, high: int) -> Floats:
    """(1, levels) of one layer: 0 for the candidates between two levels, infinite for the others."""
    level = np.arange(chain.low[row], chain.high[row] + 1)
    return np.where((level >= low) & (level <= high), 0.0, np.inf)[None]
