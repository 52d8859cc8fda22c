"""The best layout of a web together with the levels of its bays, stepped, and proof of it.

Which levels are looked at, and why that is enough, is said in :mod:`geofence.engine.candidates`: here a layer stands
for a bay, and its levels are those of all the bays in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.candidates import BayRow, Proof, outside_prices, reachable, searched
from geofence.engine.chain import closed_path
from geofence.engine.limits import check_bays
from geofence.engine.records import Ints, LevelRules, Profile
from geofence.engine.steps import FAR_LEVEL
from geofence.engine.web import Web
from geofence.engine.web_chain import Row, WebChain, unbroken_row
from geofence.engine.web_search import best_row

__all__ = ["SteppedWeb"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteppedWeb:
    """A web of bays with their limits, in increments.

    ``bays``: its bays, each by itself; ``layers``: its layers, each with the ground under all its bays, the width of
    its widest and the levels within the limits of any, on a ring the last once more before the first.
    """

    web: Web
    bays: BayRow
    layers: BayRow

    @classmethod
    def of(cls, web: Web, profile: Profile, rules: LevelRules, *, closed: bool = False) -> SteppedWeb:
        check_bays(web.start_m, web.end_m, rules)
        bays = BayRow.of(BayGround.under(profile, web.start_m, web.end_m), rules)
        rows = np.arange(web.layers)
        if closed:
            rows = np.append(rows[-1:], rows)
        begin, (low, high) = web.offset[:-1], _within_any(web, bays)
        first, last = np.minimum.reduceat(web.start_m, begin), np.maximum.reduceat(web.end_m, begin)
        widest = np.maximum.reduceat(web.end_m - web.start_m, begin)
        ground = replace(BayGround.under(profile, first[rows], last[rows]), width_m=widest[rows])
        layers = replace(BayRow.of(ground, rules, closed=closed), fit_low=low[rows], fit_high=high[rows])
        return cls(web=web, bays=bays, layers=layers)

    def room(self) -> Ints:
        """(n,) how many levels each layer has to spare within the limits of any bay; far too many where it has none."""
        levels = (self.layers.fit_high - self.layers.fit_low)[-self.web.layers :]
        return np.where(levels >= 0, levels, 2 * FAR_LEVEL)

    def solve(self) -> tuple[Row, Proof]:
        """The best row, and how far it is proven."""
        row = self._unbroken()
        return (row, "exact") if row is not None else searched(self.layers, self._look)

    def _unbroken(self) -> Row | None:
        """The best row without broken bays. None where there is none, or too many levels to look at them all."""
        layers = self.layers
        if np.any(layers.fit_low > layers.fit_high):
            return None
        low, high = reachable(layers.fit_low, layers.fit_high, layers.steps.most)
        if np.any(low > high) or not layers.can_be_swept(low, high):
            return None
        row: Row | None = self._search(unbroken_row, self._chain(low, high))
        return row

    def _look(self, low: Ints, high: Ints, bottom: int, top: int) -> Row:
        row: Row = self._search(best_row, self._chain(low, high, bottom=bottom, top=top))
        return row

    def _search(self, search: Any, chain: WebChain) -> Any:
        if not chain.closed:
            return search(chain, self.layers.steps, -FAR_LEVEL, FAR_LEVEL)
        return closed_path(partial(search, chain, self.layers.steps), int(chain.low[0]), int(chain.high[0]) + 1)

    def _chain(self, low: Ints, high: Ints, *, bottom: int = FAR_LEVEL, top: int = -FAR_LEVEL) -> WebChain:
        """The bays with candidates from ``low`` to ``high``, and what levels from ``bottom`` to ``top`` would cost."""
        bays, layer = self.bays, self.web.layer
        first, last = low[-self.web.layers :][layer], high[-self.web.layers :][layer]
        gap, dig = bays.ground.areas(first, last, bays.rules.increment_m)
        price = bays.rules.gap_cost * gap + bays.rules.dig_cost * dig
        count = last - first + 1
        row = np.repeat(np.arange(len(layer)), count)
        level = np.arange(len(row)) - (np.cumsum(count) - count - first)[row]
        fits = (level >= bays.fit_low[row]) & (level <= bays.fit_high[row])
        return WebChain(
            web=self.web,
            low=low,
            high=high,
            price=price,
            within=np.where(fits, price, np.inf),
            outside_price=outside_prices(price, first, last, bottom, top),
            outside_fits=(bays.fit_low <= bays.fit_high) & ((bays.fit_low < first) | (bays.fit_high > last)),
            closed=self.layers.closed,
        )


def _within_any(web: Web, bays: BayRow) -> tuple[Ints, Ints]:
    """(n,) lowest and highest level within the limits of any bay of each layer; low above high where there is none."""
    fits, begin = bays.fit_low <= bays.fit_high, web.offset[:-1]
    low = np.minimum.reduceat(np.where(fits, bays.fit_low, FAR_LEVEL), begin)
    return low, np.maximum.reduceat(np.where(fits, bays.fit_high, -FAR_LEVEL), begin)
