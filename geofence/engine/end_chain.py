"""Cheapest undersides at both ends of every bay of a raked row, by dynamic programming.

The state is the level at a post: at the end of a bay, and after the post at the start of the next. Two tables lead from
one to the next, each a least sum: the post's, by the price of the step, and the bay's, by the prices of its pairs of
ends. A bay is *broken* where it breaks a limit of its own, or where the step from the bay before is not allowed. A
broken bay may have any ends that are looked at, so once every bay may be broken, the fewest broken bays to reach the
levels at a bay's end differ by one at most: two rows of costs (with that count, with one more) hold the whole state.

Where few bays need be broken, few can be: :func:`fewest_broken` counts from both sides, and a bay that is broken in no
best row keeps its few lines within limits. The states of a best row then still have one of the two counts.

Levels are whole increments. Among equal costs, seen from the last bay backwards, the lower level at the second post,
then the flatter line, then no step, and else the lower level is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from geofence.engine.bay_ends import BayEnds, Prices
from geofence.engine.chain import Path, StepPrices
from geofence.engine.records import Floats, Ints

__all__ = ["Links", "cheapest_ends", "fewest_broken"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Links:
    """What a row of bays may do at its posts.

    ``anyhow``, ``within``: prices of steps, allowed or not, as windows over changes of level; row ``reach + d`` holds
    the changes from d upwards.
    """

    anyhow: Floats
    within: Floats
    reach: int

    @classmethod
    def of(cls, row: BayEnds, steps: StepPrices, *, joined: bool) -> Links:
        """Steps by their prices; ``joined``: none at all, not even at a broken bay."""
        ends = row.ends
        before, after = np.roll(np.arange(len(ends.to_low)), 1), np.arange(len(ends.to_low))
        reach = int(
            max(
                (ends.from_high[after] - ends.to_low[before]).max(),
                (ends.to_high[before] - ends.from_low[after]).max(),
                0,
            )
        )
        widest = int(max(ends.from_count.max(), ends.to_count.max(), 1))
        return cls.over(reach, widest, steps, joined=joined)

    @classmethod
    def over(cls, reach: int, widest: int, steps: StepPrices, *, joined: bool) -> Links:
        """Steps of up to ``reach``, between bays of up to ``widest`` levels; see :meth:`of`."""
        allowed = steps.allowed_price(reach)
        if joined:
            allowed = np.where(np.arange(-reach, reach + 1) == 0, 0.0, np.inf)
        padding = np.full(widest, np.inf)
        anyhow = allowed if joined else steps.any_price(reach)
        return cls(
            anyhow=sliding_window_view(np.append(anyhow, padding), widest),
            within=sliding_window_view(np.append(allowed, padding), widest),
            reach=reach,
        )

    def between(self, windows: Floats, low: int, count: int, next_low: int, next_count: int) -> Floats:
        """(count, next_count) prices of the steps from levels from ``low`` up to levels from ``next_low`` up."""
        top = self.reach + next_low - low
        return windows[top - count + 1 : top + 1, :next_count][::-1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stage:
    """One bay on the way.

    Attributes
    ----------
    start
        (r, levels at its first post) least costs there, after an allowed step or none.
    start_anyhow
        (levels at its first post,) the same after any step, from the least count; None where it may not be broken.
    cost
        (r, levels at its second post) least costs with ``broken`` broken bays, and with one more.
    raised
        1 where no level could be reached with the count of the bay before.
    """

    start: Floats
    start_anyhow: Floats | None
    cost: Floats
    broken: int
    raised: int


def fewest_broken(row: BayEnds, steps: StepPrices, *, joined: bool) -> tuple[Ints, Ints]:
    """How many bays must be broken up to and with each bay, and from each bay to the end, of an open row.

    ``row``: the bays with their lines within limits. Two (m,) int64 arrays.
    """
    links = Links.of(row, steps, joined=joined)
    return _resets(row, links, backwards=False), _resets(row, links, backwards=True)


def _resets(row: BayEnds, links: Links, *, backwards: bool) -> Ints:
    """Counts of bays, in one direction, that no level of the bay before leads into."""
    ends, count = row.ends, len(row.breakable)
    near = (ends.to_low, ends.to_count) if not backwards else (ends.from_low, ends.from_count)
    far = (ends.from_low, ends.from_count) if not backwards else (ends.to_low, ends.to_count)
    near_low, near_count, far_low, far_count = (column.tolist() for column in (*near, *far))
    broken, result, reached, last = 0, np.empty(count, dtype=np.int64), None, 0
    for first, beyond in row.chunks()[:: -1 if backwards else 1]:
        tables = row.prices(first, beyond).within
        for bay in range(first, beyond)[:: -1 if backwards else 1]:
            table = tables[bay - first].T if backwards else tables[bay - first]
            start = np.zeros(far_count[bay])
            if reached is not None:
                size = near_count[last], far_low[bay], far_count[bay]
                start = _least(reached, links.between(links.within, near_low[last], *size))
            reached = _least(start, table)
            if not len(reached) or reached.min() == np.inf:
                reached, broken = None, broken + 1
            result[bay], last = broken, bay
    return result


def _least(cost: Floats, table: Floats) -> Floats:
    """Least sums of a cost and a row of a table, for each of its columns; infinite where there are no rows."""
    least: Floats = np.minimum.reduce(cost[:, None] + table, axis=0, initial=np.inf)
    return least


def cheapest_ends(row: BayEnds, links: Links, low: int | None = None, high: int | None = None) -> Path | None:
    """The row with the fewest broken bays, then the least cost; None where there is none.

    Parameters
    ----------
    row
        The bays and what is looked at in each.
    links
        The steps between them.
    low, high
        For a ring: the last bay's end, which the first bay then starts from, lies between these levels both at the
        beginning and at the end of the way. The two need not be equal.

    Returns
    -------
    Path
        Levels bay after bay, at the first post and at the second; on a ring the level that the way began with is before
        them.
    """
    return _Way(row, links, low, high).found()


class _Way:
    def __init__(self, row: BayEnds, links: Links, low: int | None, high: int | None) -> None:
        ends = row.ends
        self.row, self.links, self.closed = row, links, low is not None
        self.from_low, self.from_count = ends.from_low.tolist(), ends.from_count.tolist()
        self.to_low, self.to_count = ends.to_low.tolist(), ends.to_count.tolist()
        self.breakable = row.breakable.tolist()
        self.bays = len(self.breakable)
        self.counts = 2 if row.breakable.any() else 1
        self.reach = max([*self.from_count, *self.to_count])
        self.kept: tuple[int, Prices] = (-1, Prices(anyhow=[], within=[]))
        level = np.arange(self.to_count[-1]) + self.to_low[-1]
        self.seam: Flags = (
            (level >= low) & (level <= high)
            if low is not None and high is not None
            else np.ones(len(level), dtype=bool)
        )

    def found(self) -> Path | None:
        stages: list[_Stage] = []
        for first, beyond in self.row.chunks():
            prices = self._prices(first, beyond)
            for bay in range(first, beyond):
                before = stages[-1] if stages else None
                stage = self._advance(before, bay, prices.within[bay - first], prices.anyhow[bay - first])
                if stage is None:
                    return None
                stages.append(stage)
        last = np.where(self.seam, stages[-1].cost, np.inf)
        late = int(last[0].min(initial=np.inf) == np.inf)
        if late >= self.counts or last[late].min() == np.inf:
            return None
        return self._trace(stages, last[late], late)

    def _prices(self, first: int, beyond: int) -> Prices:
        if self.kept[0] != first:
            self.kept = first, self.row.prices(first, beyond)
        return self.kept[1]

    def _start(self, bay: int) -> Floats:
        """(r, levels at the end of the bay before the first) costs there: nothing, with no broken bay."""
        cost = np.full((self.counts, self.to_count[bay - 1]), np.inf)
        cost[0, self.seam] = 0.0
        return cost

    def _advance(self, before: _Stage | None, bay: int, within: Floats, anyhow: Floats) -> _Stage | None:
        start_anyhow = None
        if before is None and not self.closed:
            start = np.full((self.counts, self.from_count[bay]), np.inf)
            start[0] = 0.0
            if self.breakable[bay]:
                start_anyhow = start[0]
        else:
            come = self._start(bay) if before is None else before.cost
            start = _least_rows(come, self._steps(self.links.within, bay))
            if self.breakable[bay]:
                start_anyhow = _least(come[0], self._steps(self.links.anyhow, bay))
        cost = _least_rows(start, within)
        if start_anyhow is not None:
            np.minimum(cost[1], _least(start_anyhow, anyhow), out=cost[1])
        broken = before.broken if before else 0
        if np.minimum.reduce(cost[0], initial=np.inf) < np.inf:
            return _Stage(start=start, start_anyhow=start_anyhow, cost=cost, broken=broken, raised=0)
        if self.counts == 1 or cost[1].min(initial=np.inf) == np.inf:
            return None
        return _Stage(start=start, start_anyhow=start_anyhow, cost=cost[::-1], broken=broken + 1, raised=1)

    def _steps(self, windows: Floats, bay: int) -> Floats:
        size = self.to_low[bay - 1], self.to_count[bay - 1], self.from_low[bay], self.from_count[bay]
        return self.links.between(windows, *size)

    def _trace(self, stages: list[_Stage], last: Floats, late: int) -> Path:
        cost = float(last.min())
        # Each choice of a path may cost this much more, so that all together keep the least cost to 1e-10.
        tie = max(1.0, abs(cost)) * min(1e-12, 1e-10 / self.bays) / (4 * self.reach)
        at = int((last + tie * np.arange(len(last))).argmin())
        path = Path(broken=stages[-1].broken + late, cost=cost, level=np.empty(2 * self.bays + 1, dtype=np.int64))
        for first, beyond in reversed(self.row.chunks()):
            prices = self._prices(first, beyond)
            for bay in reversed(range(first, beyond)):
                stage = stages[bay]
                path.level[2 * bay + 2] = self.to_low[bay] + at
                late = max(late, stage.raised)
                within, anyhow = prices.within[bay - first], prices.anyhow[bay - first]
                at, late, free = self._first_end(stage, bay, at, late, within, anyhow, tie)
                path.level[2 * bay + 1] = self.from_low[bay] + at
                come = stages[bay - 1].cost if bay else self._start(bay)
                at = self._end_before(come, bay, at, late, tie, free=free)
        path.level[0] = self.to_low[-1] + at
        return path if self.closed else Path(broken=path.broken, cost=path.cost, level=path.level[1:])

    def _first_end(
        self, stage: _Stage, bay: int, at: int, late: int, within: Floats, anyhow: Floats, tie: float
    ) -> tuple[int, int, bool]:
        """The level at the first post from which one at the second is best reached.

        ``late``: it counts one broken bay more than the bay before at the least. With the level: the row of the bay
        before, and whether the bay is broken, so that any step leads to it.
        """
        rise = np.abs(self.to_low[bay] + at - self.from_low[bay] - np.arange(self.from_count[bay]))
        prefer = tie * (rise + np.arange(len(rise)) / (2 * len(rise)))
        ways = stage.start[late] + within[:, at] + prefer
        pick = int(ways.argmin())
        if late and stage.start_anyhow is not None:
            broken = stage.start_anyhow + anyhow[:, at] + prefer
            other = int(broken.argmin())
            if not ways[pick] <= broken[other]:
                return other, 0, True
        return pick, late, False

    def _end_before(self, come: Floats, bay: int, at: int, late: int, tie: float, *, free: bool) -> int:
        """The level at the end of the bay before from which one at the start of this bay is best reached."""
        if bay == 0 and not self.closed:
            return 0
        price = self._steps(self.links.anyhow if free else self.links.within, bay)[:, at]
        step = self.from_low[bay] + at - self.to_low[bay - 1] - np.arange(len(price))
        prefer = tie * np.where(step == 0, 0.0, 1.0 + np.arange(len(price)))
        return int((come[late] + price + prefer).argmin())


def _least_rows(cost: Floats, table: Floats) -> Floats:
    """:func:`_least` of each row of costs."""
    if len(cost) == 1:
        return _least(cost[0], table)[None]
    least: Floats = np.minimum.reduce(cost[:, :, None] + table, axis=1, initial=np.inf)
    return least
