"""Posts between two that must be where they are, round the stretches where none may stand.

Where a post can stand after so many bays is a set of intervals, and what the posts up to there cost is the same all
over each. These costs are carried from bay to bay: an interval [a, b] leads to [a + M, b + M] by a full bay and to
[a + m, b + M] by a cut one, cut where the cost of standing there changes. Nothing is sampled and nothing left out, so
the least cost is the least of all layouts. It counts, in this order: posts in barred stretches, bays, posts that stand
elsewhere than they would without these stretches, cut bays. Then :mod:`~geofence.engine.widening` widens the narrowest
bay; a wider one is looked for among other layouts of the same cost until there is none.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from geofence.engine.barred import TOLERANCE_M, Interval, Task, joined, left_over, obstacles, parts
from geofence.engine.reach import windows
from geofence.engine.widening import Route, widened

__all__ = ["GAIN_M", "Detour", "Prices", "Stand", "detour", "stands_by_bay"]

GAIN_M = 10 * TOLERANCE_M
"""A narrowest bay that could be wider by less than a hundredth of a millimetre is wide enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Detour:
    """A layout round barred stretches.

    ``post_m``: all posts, the two ends with them; ``stopped_at_m``: for each post that has to stand in a barred stretch
    the last place before.
    """

    post_m: list[float]
    stopped_at_m: list[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What a barred post, a moved one and a cut bay cost: so much apart that no number of one makes up for another."""

    barred: int
    moved: int
    cut: int

    @classmethod
    def of(cls, bays: int, task: Task) -> Prices:
        """For a layout with so many bays."""
        return cls(barred=(bays + 1) ** 2, moved=bays + 1, cut=task.cuts_count)


@dataclass(frozen=True, slots=True, order=True)
class Stand:
    """Where a post can stand: all the way at the one cost of the posts up to it, of which ``own`` is its own."""

    cost: int
    start_m: float
    end_m: float
    own: int


def detour(task: Task) -> Detour | None:
    """The layout of least cost; None where no bays of allowed widths lead from one post to the other."""
    stopped_at = obstacles(task)
    if stopped_at is None:
        return None
    found = _route(task, barred=len(stopped_at))
    if found is None:
        return None
    cost, route = found
    return Detour(post_m=_widest(task, cost, route, barred=len(stopped_at)), stopped_at_m=stopped_at)


def _widest(task: Task, cost: int, route: Route, *, barred: int) -> list[float]:
    """The posts of the layout of this cost whose narrowest bay is the widest, to :data:`GAIN_M`."""
    widest, post_m = 0.0, widened(task, route)
    while (narrowest := min(task.ruler.width(*bay) for bay in pairwise(post_m))) > widest:
        widest, best = narrowest + GAIN_M, post_m
        wider = _route(replace(task, min_bay_m=widest), barred=barred) if widest <= task.module_m else None
        if wider is None or len(wider[1].full) > len(route.full) or wider[0] > cost:
            break
        post_m = widened(task, wider[1])
    return best


def _route(task: Task, *, barred: int) -> tuple[int, Route] | None:
    """The cheapest way by the fewest bays, and its cost; None where there is none with so few barred posts."""
    found = windows(task, barred=barred)
    if found is None:
        return None
    prices = Prices.of(len(found), task)
    rows = stands_by_bay(task, found, prices, most=(barred + 1) * prices.barred - 1)
    if not rows[-1]:
        return None
    route = _traced(task, rows, prices)
    return None if route is None else (rows[-1][0].cost, route)


def stands_by_bay(task: Task, within: Sequence[Interval], prices: Prices, *, most: int) -> list[list[Stand]]:
    """Where each post can stand at least cost, up to a most: the first, and one in each window."""
    rows = [[Stand(0, task.start_m, task.start_m, 0)]]
    for window in within:
        rows.append(_next(task, rows[-1], prices, window=window, most=most))
    return rows


def _next(task: Task, stands: Sequence[Stand], prices: Prices, *, window: Interval, most: int) -> list[Stand]:
    """Where the next post can stand, at least cost; nowhere twice."""
    found: list[Stand] = []
    for stand in stands:
        for first, last, cost in _steps(task, stand, prices):
            start, end = max(first, window[0]), min(last, window[1])
            if start <= end + TOLERANCE_M:
                found += _priced(task, min(start, end), end, cost, prices)
    return _lowest([stand for stand in found if stand.cost <= most])


def _steps(task: Task, stand: Stand, prices: Prices) -> Iterator[tuple[float, float, int]]:
    """Where a full bay leads to, and a cut one, and at what cost."""
    if prices.cut:
        first, last = (task.ruler.ahead(end, task.module_m) for end in (stand.start_m, stand.end_m))
        yield first, last, stand.cost
    first, last = task.ruler.ahead(stand.start_m, task.min_bay_m), task.ruler.ahead(stand.end_m, task.widest_m)
    yield first, last, stand.cost + prices.cut


def _priced(task: Task, start_m: float, end_m: float, cost: int, prices: Prices) -> Iterator[Stand]:
    """What standing in a stretch costs. The task's end costs nothing."""
    if start_m >= task.end_m - TOLERANCE_M:
        yield Stand(cost, task.end_m, task.end_m, 0)
        return
    for start, end, barred in parts(task, start_m, end_m):
        own = prices.moved + (prices.barred if barred else 0)
        yield Stand(cost + own, start, end, own)
    if end_m >= task.end_m - TOLERANCE_M:
        yield Stand(cost, task.end_m, task.end_m, 0)
    if prices.moved:
        first = bisect_left(task.wanted_m, start_m - TOLERANCE_M)
        last = bisect_right(task.wanted_m, end_m + TOLERANCE_M)
        for wanted in task.wanted_m[first:last]:
            own = prices.barred if task.barred_at(wanted) else 0
            yield Stand(cost + own, wanted, wanted, own)


def _lowest(stands: Sequence[Stand]) -> list[Stand]:
    """The least cost of each place; where two stretches meet, both hold the place."""
    groups: dict[tuple[int, int], list[Interval]] = {}
    for stand in stands:
        groups.setdefault((stand.cost, stand.own), []).append((stand.start_m, stand.end_m))
    kept: list[Stand] = []
    taken: list[Interval] = []
    for (cost, own), stretches in sorted(groups.items()):
        stretches = joined(stretches)
        kept += [Stand(cost, *left, own) for stretch in stretches for left in left_over(*stretch, taken)]
        taken = joined([*taken, *stretches])
    return kept


def _traced(task: Task, rows: Sequence[Sequence[Stand]], prices: Prices) -> Route | None:
    """One of the cheapest ways, from its end; None where a bend makes the places that bays lead to jump."""
    stand, post_m, full, kept = rows[-1][0], [task.end_m], [], [True]
    for row in rows[-2::-1]:
        before = _before(task, row, post_m[-1], stand.cost - stand.own, prices)
        if before is None:
            return None
        stand, post, is_full = before
        post_m.append(post)
        full.append(is_full)
        kept.append(stand.own % prices.barred == 0)
    return Route(post_m=post_m[::-1], kept=kept[::-1], full=full[::-1])


def _before(
    task: Task, row: Sequence[Stand], post_m: float, cost: int, prices: Prices
) -> tuple[Stand, float, bool] | None:
    """Where the post before stood for the bay to end here at this cost, and whether the bay is a full one."""
    module, widest, latest = (
        task.ruler.behind(post_m, width) for width in (task.module_m, task.widest_m, task.min_bay_m)
    )
    for is_full in (True, False) if prices.cut else (False,):
        earliest = module if is_full else widest
        for stand in row:
            first, last = max(stand.start_m, earliest), min(stand.end_m, module if is_full else latest)
            if stand.cost + (0 if is_full else prices.cut) == cost and first <= last + TOLERANCE_M:
                return stand, min(max(earliest, stand.start_m), stand.end_m), is_full
    return None
