"""All layouts round barred stretches that are as good as any, as a web.

As good as any: of the layouts with no post in a barred stretch these have the fewest bays, of those the fewest posts
that stand where none is wanted, and of those the fewest cut bays. What :mod:`~geofence.engine.detour` knows of the
least costs, carried from both ends, tells at which wanted places such layouts have posts. There a post *stays*.

From one post that stays to the next the cut bays are alike. Where no order of alike ones is clear, they are alike from
there to an end of a barred stretch, where a post then stands, or from one such end to another. Of the ways from one
post that stays to the next those are taken whose narrowest bay is the widest. No other layout has a wider one: a post
between unlike cut bays that stands at no such end could be shifted, with full bays beside it, to make them more alike.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from math import inf

import numpy as np
from numpy.typing import NDArray

from geofence.engine.barred import TOLERANCE_M, Interval, Task
from geofence.engine.detour import GAIN_M, Prices, Stand, stands_by_bay
from geofence.engine.orders import every_order
from geofence.engine.reach import windows
from geofence.engine.weaving import Weaver
from geofence.engine.web import Template, Web

__all__ = ["ways_round"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, order=True)
class _Place:
    """Where such layouts have a post: after so many bays, at a cost of the posts up to it, its ``own`` with them."""

    bays: int
    at_m: float
    cost: int
    own: int

    @property
    def stays(self) -> bool:
        return not self.own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Leg:
    """The bays from one place to another; ``web``: their layouts, None of a bay alone."""

    come: _Place
    go: _Place
    narrowest_m: float
    web: Web | None


def ways_round(task: Task, template: Template) -> Web | None:
    """The layouts of a task, bays on the line of a template, by what the task wants.

    None where every layout has a post in a barred stretch, or a bend makes the places that bays lead to jump.
    """
    within = windows(task)
    if within is None:
        return None
    prices = Prices.of(len(within), task)
    places = _places(task, within, prices)
    if places is None:
        return None
    legs = _through(list(_legs(task, places, prices, template)), places[-1])
    if not legs:
        return None
    weaver = Weaver(template, len(within))
    for block in _blocks(legs):
        _weave(weaver, block)
    return weaver.web()


def _places(task: Task, within: Sequence[Interval], prices: Prices) -> list[list[_Place]] | None:
    """Where each post of a layout of least cost is wanted or at the end of a barred stretch, the two ends with them.

    None where a bend makes the places that bays lead to jump.
    """
    bays = len(within)
    mirrored = [(-end, -start) for start, end in (*within[-2::-1], (task.start_m, task.start_m))]
    ahead = stands_by_bay(task, within, prices, most=prices.barred - 1)
    back = stands_by_bay(task.mirrored(), mirrored, prices, most=prices.barred - 1)[::-1]
    if not ahead[-1]:
        return None
    total = ahead[-1][0].cost
    edges = np.array([edge for stretch in task.barred for edge in stretch if task.barred_at(edge) is None])
    places = [[_Place(0, task.start_m, 0, 0)]]
    for post in range(1, bays):
        found: dict[float, _Place] = {}
        for stand in ahead[post]:
            for at in _candidates(stand, edges):
                if at not in found or stand.cost < found[at].cost:
                    found[at] = _Place(post, at, stand.cost, stand.own)
        on_way = (place for place in found.values() if place.cost - place.own + _rest(back[post], place) == total)
        places.append(sorted(on_way))
    return [*places, [_Place(bays, task.end_m, total, 0)]]


def _candidates(stand: Stand, edges: np.ndarray) -> list[float]:
    if not stand.own:
        return [stand.start_m]
    inside = slice(*np.searchsorted(edges, [stand.start_m - TOLERANCE_M, stand.end_m + TOLERANCE_M]))
    found: list[float] = edges[inside].tolist()
    return found


def _rest(back: Sequence[Stand], place: _Place) -> float:
    """The least cost from a place to the end, its own with it."""
    at = -place.at_m
    return min(
        (each.cost for each in back if each.start_m - TOLERANCE_M <= at <= each.end_m + TOLERANCE_M), default=inf
    )


def _legs(task: Task, places: Sequence[Sequence[_Place]], prices: Prices, template: Template) -> Iterator[_Leg]:
    """All bays between two places that fit their costs, from those that others lead to."""
    most = _most_moved(places, prices)
    led_to = {places[0][0]}
    for row in places[:-1]:
        for come in filter(led_to.__contains__, row):
            moved = come.cost // prices.moved
            for bays in range(1, len(places) - come.bays):
                if moved + bays - 1 > most[come.bays + bays]:
                    break
                for go in places[come.bays + bays]:
                    cuts = go.cost - go.own - come.cost - (bays - 1) * prices.moved
                    leg = _leg(task, places, come, go, cuts, template) if 0 <= cuts <= bays else None
                    if leg is not None:
                        led_to.add(go)
                        yield leg


def _most_moved(places: Sequence[Sequence[_Place]], prices: Prices) -> list[float]:
    """With how many moved posts before its end, at the most, a leg may still end after so many bays or more.

    All posts in a leg are moved, so one that is longer by a bay needs a place before which one more is. A leg that
    needs more than this ends nowhere, and nor does a longer one from the same place.
    """
    most: list[float] = [-inf]
    for row in reversed(places):
        most.append(max([most[-1] - 1, *(place.cost // prices.moved - (0 if place.stays else 1) for place in row)]))
    return most[:0:-1]


def _leg(
    task: Task, places: Sequence[Sequence[_Place]], come: _Place, go: _Place, cuts: int, template: Template
) -> _Leg | None:
    """The bays between two places, so many of them cut; None where no order of them is allowed and clear."""
    bays, ends_m = go.bays - come.bays, (come.at_m, go.at_m)
    narrowest, module = task.min_bay_m, task.module_m
    if bays == 1:
        width = task.ruler.width(*ends_m)
        least, most = (narrowest, task.widest_m) if cuts else (module, module)
        allowed = least - 2 * TOLERANCE_M <= width <= most + 2 * TOLERANCE_M
        return _Leg(come=come, go=go, narrowest_m=width, web=None) if allowed else None
    web = every_order(template, ends_m, cuts=cuts, full=bays - cuts, full_m=module, narrowest_m=narrowest)
    web = None if web is None else web.clear_of(task.barred)
    web = None if web is None else web.through(_past(web, places[come.bays + 1 : go.bays]))
    return None if web is None else _Leg(come=come, go=go, narrowest_m=float(web.width_m.min()), web=web)


def _past(web: Web, places: Sequence[Sequence[_Place]]) -> Flags:
    """Which bays of a leg end at none of the places after so many bays: what ends at one is a leg of its own."""
    past = np.ones(len(web.layer), dtype=bool)
    for layer, row in enumerate(places):
        for place in row:
            past &= (web.layer != layer) | (np.abs(web.end_m - place.at_m) > TOLERANCE_M)
    return past


def _through(legs: Sequence[_Leg], end: Sequence[_Place]) -> list[_Leg]:
    """Those on a way to the end, in the order of where they come from."""
    leads = set(end)
    kept = []
    for leg in reversed(legs):
        if leg.go in leads:
            leads.add(leg.come)
            kept.append(leg)
    return kept[::-1]


def _blocks(legs: Sequence[_Leg]) -> Iterator[list[_Leg]]:
    """The legs of the widest ways from each post that stays to each that is the next."""
    onward: dict[_Place, list[_Leg]] = defaultdict(list)
    for leg in legs:
        onward[leg.come].append(leg)
    for place in list(onward):
        if place.stays:
            widest = _widest(place, onward)
            for last in filter(lambda each: each.stays and each is not place, widest):
                yield _as_wide(place, last, onward, widest[last] - GAIN_M)


def _widest(first: _Place, onward: Mapping[_Place, Sequence[_Leg]]) -> dict[_Place, float]:
    """The widest narrowest bay of the ways to each place that is reached with no post that stays in between."""
    widest, todo = {first: inf}, [first]
    while todo:
        place = heappop(todo)
        for leg in onward[place]:
            if leg.go not in widest and not leg.go.stays:
                heappush(todo, leg.go)
            widest[leg.go] = max(widest.get(leg.go, 0.0), min(widest[place], leg.narrowest_m))
    return widest


def _as_wide(first: _Place, last: _Place, onward: Mapping[_Place, Sequence[_Leg]], width_m: float) -> list[_Leg]:
    """The legs of the ways between two posts that stay on which no bay is narrower than this."""
    led_to, todo, found = {first}, [first], []
    while todo:
        for leg in onward[heappop(todo)]:
            if leg.narrowest_m >= width_m and (leg.go == last or not leg.go.stays):
                found.append(leg)
                if leg.go not in led_to and leg.go != last:
                    heappush(todo, leg.go)
                led_to.add(leg.go)
    return _through(found, [last])


def _weave(weaver: Weaver, block: Sequence[_Leg]) -> None:
    """Add the ways between two posts that stay; the posts between them are theirs alone."""
    own = object()
    for leg in block:
        come, go = (
            weaver.post(place.bays, place if place.stays else (place, own), place.at_m) for place in (leg.come, leg.go)
        )
        if leg.web is None:
            weaver.bay(leg.come.bays, come, go, leg.narrowest_m)
        else:
            weaver.part(leg.web, leg.come.bays, come, go)
