"""Which levels of each bay of a stepped fence are looked at, so that the answer is proven and the work small.

Without broken bays, those within a bay's limits, less those that no chain of allowed steps reaches.

Otherwise a broken bay may stand at any level. Let T be a level at or above all ground and all levels within limits,
and T' = T plus the least step. Lowering every level above T' to T' breaks no further bay and costs no more: the bays
lowered were broken and stay so; their gap areas shrink; changes between levels shrink or stay; and an allowed step
from above T' down to a bay that is within its limits, so at T or lower, keeps at least the least step. The same holds
below the ground, mirrored. Between these two levels the answer is exact.

That can be thousands of levels a bay. So each bay starts with a few around its ground, and everything outside them is
one more state whose price is a lower bound: the areas are convex in the level, so they grow outside at least as fast
as at the edge, and steps to and from outside are taken as free and allowed. If the best path never goes outside, no
path that does is better. Where it does, those bays get more levels, and the search is repeated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import count
from typing import Any, Literal

import numpy as np

from geofence.engine.areas import BayGround
from geofence.engine.chain import (
    FAR_LEVEL,
    AnyPath,
    Chain,
    Path,
    StepPrices,
    best_path,
    closed_path,
    largest_change,
    unbroken_path,
)
from geofence.engine.records import Floats, Ints, LevelRules
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["BayRow", "Proof", "outside_prices", "reachable", "searched"]

Proof = Literal["exact", "windowed"]

MOST_STATES = 5_000_000
"""Levels of all bays together: about 300 MB. Beyond it the answer is the best within the levels looked at."""

MOST_ARRIVALS = 1 << 15
"""Levels of a bay times allowed changes up to which looking at all pairs is quicker than sliding minima."""

LOCAL_TRIALS = 6
"""Searches after which every bay gets more levels, not only those that wanted more."""

NEAR_LEVELS = 256
"""Levels first looked at beyond a bay's ground where the limits of all bays leave too many."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BayRow:
    """A row of bays with their limits, in increments. A ring's first bay is there once more, as its last."""

    ground: BayGround
    rules: LevelRules
    steps: StepPrices
    fit_low: Ints
    fit_high: Ints
    closed: bool

    @classmethod
    def of(cls, ground: BayGround, rules: LevelRules, *, closed: bool = False) -> BayRow:
        """The row over the ground of its bays; ``closed`` where it is a ring."""
        increment = rules.increment_m
        lowest = (ground.highest_m - rules.dig_max_m - LEVEL_TOLERANCE_M) / increment
        highest = (ground.lowest_m + rules.gap_max_m + LEVEL_TOLERANCE_M) / increment
        return cls(
            ground=ground,
            rules=rules,
            steps=StepPrices.of(rules),
            fit_low=_whole(np.ceil(lowest)),
            fit_high=_whole(np.floor(highest)),
            closed=closed,
        )

    def tightest(self) -> int:
        """The bay with the fewest levels within its limits, but some: where a ring is best cut open."""
        levels = self.fit_high - self.fit_low
        return int(np.where(levels >= 0, levels, 2 * FAR_LEVEL).argmin())

    def solve(self) -> tuple[Ints, Proof]:
        """(n,) levels in increments, and how far they are proven."""
        path = self._unbroken()
        if path is not None:
            return path.level, "exact"
        found, proven = searched(self, self._look)
        return found.level, proven

    def _unbroken(self) -> Path | None:
        """The best path without broken bays. None where there is none, or too many levels to look at them all."""
        if np.any(self.fit_low > self.fit_high):
            return None
        low, high = reachable(self.fit_low, self.fit_high, self.steps.most)
        if np.any(low > high) or not self.can_be_swept(low, high):
            return None
        path: Path | None = self._search(unbroken_path, self._chain(low, high))
        return path

    def can_be_swept(self, low: Ints, high: Ints) -> bool:
        """Whether few enough levels lie in these ranges, and are near enough to each other, to look at all pairs."""
        reach = min(max(self.steps.most, 0), largest_change(low, high))
        states = int((high - low + 1 + 2 * reach).sum())
        arrivals = int((high - low).max() + 1) * (2 * reach + 1)
        return states <= MOST_STATES and arrivals <= MOST_ARRIVALS

    def _look(self, low: Ints, high: Ints, bottom: int, top: int) -> Path:
        path: Path = self._search(best_path, self._chain(low, high, bottom=bottom, top=top))
        return path

    def _search(self, search: Callable[[Chain, StepPrices, int, int], Any], chain: Chain) -> Any:
        if not self.closed:
            return search(chain, self.steps, -FAR_LEVEL, FAR_LEVEL)
        return closed_path(partial(search, chain, self.steps), int(chain.low[0]), int(chain.high[0]) + 1)

    def _chain(self, low: Ints, high: Ints, *, bottom: int = FAR_LEVEL, top: int = -FAR_LEVEL) -> Chain:
        """The bays with candidates from ``low`` to ``high``, and what levels from ``bottom`` to ``top`` would cost."""
        gap, dig = self.ground.areas(low, high, self.rules.increment_m)
        price = self.rules.gap_cost * gap + self.rules.dig_cost * dig
        offset = np.cumsum(high - low + 1)
        outside = outside_prices(price, low, high, bottom, top)
        fit_low, fit_high = self.fit_low, self.fit_high
        if self.closed:
            price[: offset[0]] = 0.0
            outside[:1] *= 0.0 if np.isfinite(outside[0]) else 1.0
            fit_low, fit_high = _with_first(fit_low, -FAR_LEVEL), _with_first(fit_high, FAR_LEVEL)
        return Chain(
            low=low,
            high=high,
            price=price,
            fit_low=fit_low,
            fit_high=fit_high,
            outside_price=outside,
            outside_fits=(fit_low <= fit_high) & ((fit_low < low) | (fit_high > high)),
        )

    def extremes(self) -> tuple[int, int]:
        """The levels between which the answer lies, whatever the prices."""
        increment, fits = self.rules.increment_m, self.fit_low <= self.fit_high
        margin = self.steps.least if self.steps.least <= self.steps.most else 0
        bottom = min(
            int(np.floor(self.ground.lowest_m.min() / increment)), int(self.fit_low[fits].min(initial=FAR_LEVEL))
        )
        top = max(
            int(np.ceil(self.ground.highest_m.max() / increment)), int(self.fit_high[fits].max(initial=-FAR_LEVEL))
        )
        return bottom - margin, top + margin

    def first_window(self, bottom: int, top: int) -> tuple[Ints, Ints]:
        """Levels around the ground of each bay that usually are enough.

        Beyond the ground so far that the areas of one bay alone cost more than its two steps.
        """
        increment, rules = self.rules.increment_m, self.rules
        ground_low = np.floor(self.ground.lowest_m / increment).astype(np.int64)
        ground_high = np.ceil(self.ground.highest_m / increment).astype(np.int64)
        low, high = self._with_fitting(ground_low, ground_high, FAR_LEVEL)
        if _total(low, high) > MOST_STATES * 3 // 4:
            low, high = self._with_fitting(ground_low, ground_high, NEAR_LEVELS)

        jump = np.abs(np.diff(ground_low + ground_high)) / 2
        jump = np.maximum(np.append(jump, 0.0), np.append(0.0, jump))
        steps = 2 * (rules.step_cost + rules.rise_cost * increment * jump)
        area = self.ground.width_m * increment
        low = np.maximum(low - _levels_worth(steps, rules.dig_cost * area), bottom)
        high = np.minimum(high + _levels_worth(steps, rules.gap_cost * area), top)
        if _total(low, high) > MOST_STATES:
            middle, half = (low + high) // 2, max(1, (MOST_STATES // len(low) - 1) // 2)
            low, high = np.maximum(low, middle - half), np.minimum(high, middle + half)
        if self.closed:
            low, high = low.copy(), high.copy()
            low[[0, -1]], high[[0, -1]] = low[[0, -1]].min(), high[[0, -1]].max()
        return low, high

    def _with_fitting(self, low: Ints, high: Ints, most: int) -> tuple[Ints, Ints]:
        """Ranges of levels, widened by up to ``most`` to take in those within the bay's limits."""
        fits = self.fit_low <= self.fit_high
        wide_low = np.where(fits, np.clip(self.fit_low, low - most, low), low)
        wide_high = np.where(fits, np.clip(self.fit_high, high, high + most), high)
        return wide_low, wide_high


def _total(low: Ints, high: Ints) -> int:
    return int((high - low + 1).sum())


def _with_first(values: Ints, first: int) -> Ints:
    return np.append(first, values[1:])


def searched(row: BayRow, look: Callable[[Ints, Ints, int, int], AnyPath]) -> tuple[AnyPath, Proof]:
    """The best path with broken bays, looking at more levels of a row until none outside them can be better.

    ``look`` finds it among levels from one to another, (n,) each; levels outside them, down to a bottom and up to a
    top, count as one more, and with a bottom above the top none do.
    """
    bottom, top = row.extremes()
    low, high = row.first_window(bottom, top)
    for trial in count(1):
        path = look(low, high, bottom, top)
        wanting = path.level > high
        if not wanting.any():
            return path, "exact"
        more = np.where(wanting | (trial > LOCAL_TRIALS), (high - low) // 2 + 1, 0)
        wider = np.maximum(low - more, bottom), np.minimum(high + more, top)
        if _total(*wider) > MOST_STATES:
            break
        low, high = wider
    return look(low, high, FAR_LEVEL, -FAR_LEVEL), "windowed"


def outside_prices(price: Floats, low: Ints, high: Ints, bottom: int, top: int) -> Floats:
    """(n,) what levels outside ``low`` to ``high`` cost each bay at least.

    Infinite where none is left down to ``bottom`` and up to ``top``. ``price``: of the levels between, bay after bay.
    """
    offset = np.cumsum(high - low + 1)
    first, last, beside = np.append(0, offset[:-1]), offset - 1, (high > low).astype(np.int64)
    below = np.where(low > bottom, _outside_price(price[first], price[first + beside], beside), np.inf)
    above = np.where(high < top, _outside_price(price[last], price[last - beside], beside), np.inf)
    return np.minimum(below, above)


def _outside_price(edge: Floats, inner: Floats, beside: Ints) -> Floats:
    """What levels beyond an edge cost at least: prices are convex in the level, and none is negative."""
    return np.where((beside > 0) & (edge >= inner), 2 * edge - inner, 0.0)


def _levels_worth(cost: Floats, level_cost: Floats) -> Ints:
    """How many levels cost that much, within reason, and a fair number where levels cost nothing."""
    with np.errstate(divide="ignore", invalid="ignore"):
        levels = np.nan_to_num(cost / level_cost, nan=4.0, posinf=64.0)
    return np.ceil(np.clip(levels, 4.0, 64.0)).astype(np.int64)


def _whole(values: Any) -> Any:
    """Floats as whole numbers, cut at the furthest level."""
    return np.clip(values, -FAR_LEVEL, FAR_LEVEL).astype(np.int64)


def reachable(low: Ints, high: Ints, most: int) -> tuple[Ints, Ints]:
    """Ranges of levels cut down to what steps of at most ``most`` can reach from every other bay's range."""
    most = min(max(most, 0), int(high.max() - low.min()))
    drift = most * np.arange(len(low))
    ahead, back = np.maximum.accumulate(low + drift) - drift, np.maximum.accumulate((low - drift)[::-1])[::-1] + drift
    lowest = np.maximum(ahead, back)
    ahead, back = np.minimum.accumulate(high - drift) + drift, np.minimum.accumulate((high + drift)[::-1])[::-1] - drift
    return lowest, np.minimum(ahead, back)
