"""The layout of a web, and the levels of its bays, with the fewest broken bays and then the least cost.

Each post holds two rows of costs: with the fewest broken bays by which it can be reached at any level, and with one
more. A broken bay may take any level and any step, so with one more every level is reached. The counts differ from post
to post, and a bay that brings two more to a post than another is no part of a best row.

Among equal costs choices are made as in :mod:`geofence.engine.web_chain`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.chain import preference, tie_price
from geofence.engine.records import Floats, Ints
from geofence.engine.steps import Arrivals, StepPrices
from geofence.engine.web_chain import Layer, Row, WebChain, ends_between

__all__ = ["best_row"]


def best_row(chain: WebChain, steps: StepPrices, low: int, high: int) -> Row | None:
    """The row with the fewest broken bays, then the least cost; None where no levels are asked for.

    Leaving the candidates costs a bay its ``outside_price``, breaks it unless ``outside_fits``, and makes its steps
    free and allowed: no true row is better than its image among these. A level just above a layer's highest candidate
    stands for it. ``low`` and ``high`` as for :func:`unbroken_row`.
    """
    search = _Search(chain, steps)
    fronts = [search.first(low, high)]
    for layer in search.layers:
        fronts.append(search.advance(fronts[-1], layer))
    return search.traced(fronts, low, high)


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """Least costs of arriving at each post at each candidate, and, as the last entry, outside them.

    ``cost`` (posts, 2, levels + 1): with ``broken`` (posts,) broken bays, and with one more; infinite where there is no
    such way. Some entry of the first row of each post is finite.
    """

    cost: Floats
    broken: Ints


class _Search:
    def __init__(self, chain: WebChain, steps: StepPrices) -> None:
        self.chain, self.layers, self.reach = chain, chain.by_layer(), chain.reach
        widest = max(layer.width for layer in self.layers)
        self.arrivals = Arrivals.of(steps, longest=self.reach + 2 * widest)
        self.any_price, self.allowed_price = steps.any_price(self.reach), steps.allowed_price(self.reach)

    def first(self, low: int, high: int) -> _Front:
        """Before the first bay: on a ring at a level of the last; else outside, from where all is free."""
        inside = np.empty((1, 0))
        outside = 0.0
        if self.chain.closed:
            inside = ends_between(self.chain, 0, low, high)
            within_reach = high > self.chain.high[0] and np.isfinite(self.layers[-1].outside_price).any()
            outside = 0.0 if within_reach else np.inf
        cost = np.full((1, 2, inside.shape[1] + 1), np.inf)
        cost[0, 0] = np.append(inside, outside)
        return _Front(cost, np.zeros(1, dtype=np.int64))

    def advance(self, front: _Front, layer: Layer) -> _Front:
        inside, outside = front.cost[:, :, :-1], front.cost[:, :, -1:]
        posts, _, levels = inside.shape
        anyhow = self.arrivals.by_any(inside[:, 0], layer.shift, layer.width)
        allowed = self.arrivals.by_allowed(inside.reshape(2 * posts, levels), layer.shift, layer.width)
        anyhow = np.minimum(anyhow, outside[:, 0])[layer.come] + layer.price
        allowed = np.minimum(allowed.reshape(posts, 2, -1), outside)[layer.come] + layer.within[:, None]
        cost = np.full((len(layer.come), 2, layer.width + 1), np.inf)
        cost[:, 0, :-1] = allowed[:, 0]
        np.minimum(allowed[:, 1], anyhow, out=cost[:, 1, :-1])
        away = np.minimum.reduce(front.cost[:, 0], axis=1)[layer.come] + layer.outside_price
        cost[np.arange(len(cost)), layer.outside_row, -1] = away
        return _met(cost, front.broken[layer.come], layer)

    def traced(self, fronts: Sequence[_Front], low: int, high: int) -> Row | None:
        chain, last = self.chain, fronts[-1]
        ends = last.cost[0]
        if chain.closed:
            outside = 0.0 if high > chain.high[-1] else np.inf
            ends = ends + np.append(ends_between(chain, -1, low, high), outside)
        late = int(ends[0].min() == np.inf)
        cost = float(ends[late].min())
        if cost == np.inf:
            return None
        tie = tie_price(cost, len(fronts), self.reach) / int(np.diff(chain.web.offset).max())
        way = _Back(self, tie)
        at, post, broken = int((ends[late] + tie * np.arange(ends.shape[1])).argmin()), 0, int(last.broken[0]) + late
        total, bays, levels = broken, [], []
        for front, layer in zip(fronts[-2::-1], self.layers[::-1], strict=True):
            levels.append(layer.low + at)
            bay, at, broken = way.step(front, layer, post, at, broken)
            bays.append(layer.first_bay + bay)
            post = int(layer.come[bay])
        if chain.closed:
            levels.append(int(chain.low[0]) + at)
        return Row(broken=total, cost=cost, level=np.array(levels[::-1]), bay=np.array(bays[::-1]))


def _met(cost: Floats, broken: Ints, layer: Layer) -> _Front:
    """Costs at the posts after a layer, from those of its bays, whose first rows count ``broken`` broken bays."""
    count = broken + (np.minimum.reduce(cost[:, 0], axis=1) == np.inf)
    least = layer.least(count)
    late = broken - least[layer.go]
    if late.any():
        counted = np.full_like(cost, np.inf)
        counted[late == 0] = cost[late == 0]
        counted[late == 1, 1] = cost[late == 1, 0]
        counted[late == -1, 0] = cost[late == -1, 1]
        cost = counted
    return _Front(layer.least(cost), least)


class _Back:
    """Finds the way back from the level of a bay; equal costs are told apart by multiples of ``tie``."""

    def __init__(self, search: _Search, tie: float) -> None:
        self.reach, self.tie = search.reach, tie
        self.prefer = tie * preference(search.reach)
        self.any_price = search.any_price + self.prefer
        self.allowed_price = search.allowed_price + self.prefer

    def step(self, front: _Front, layer: Layer, post: int, at: int, broken: int) -> tuple[int, int, int]:
        """The bay of the layer by which a post is best reached at a level with so many broken bays.

        With it the level before, counted from the lowest candidate there, and the broken bays up to there.
        """
        bays = layer.bays_to(post)
        ways: list[tuple[float, int, int, int]] = []
        for rank, bay in enumerate(range(bays.start, bays.stop)):
            cost, counted = front.cost[layer.come[bay]], int(front.broken[layer.come[bay]])
            dear = self.tie * (4 * self.reach + 4) * rank
            if at == layer.width:
                if counted + int(layer.outside_row[bay]) == broken:
                    ways.append(
                        (float(cost[0].min() + layer.outside_price[bay]) + dear, bay, int(cost[0].argmin()), counted)
                    )
                continue
            start = self.reach - at - layer.shift
            if counted == broken - 1:
                ways.append((*self._from(cost[0], self.any_price, start, layer.price[bay, at] + dear, bay), counted))
            if 0 <= broken - counted <= 1 and layer.within[bay, at] < np.inf:
                price = layer.within[bay, at] + dear
                ways.append((*self._from(cost[broken - counted], self.allowed_price, start, price, bay), broken))
        _, bay, before, counted = min(ways)
        return bay, before, counted

    def _from(self, cost: Floats, price: Floats, start: int, own: float, bay: int) -> tuple[float, int, int]:
        """The cheapest level before: cost, bay, level; outside only where that is cheaper than a tie."""
        levels = len(cost) - 1
        ways = np.append(cost[:-1] + price[start : start + levels], cost[-1] + 2 * self.prefer.max())
        pick = int(ways.argmin())
        return float(ways[pick]) + own, bay, pick
