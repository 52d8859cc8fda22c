"""Where no bays lead past keep-clears: a finding for each such place, with what would let bays through there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from geofence.engine.barred import TOLERANCE_M, Interval, Task, leads_through, merged, obstacles
from geofence.engine.records import Finding, KeepClear
from geofence.engine.relaxing import least_change, relaxations
from geofence.numeric import COINCIDENT_M, WIDTH_TOLERANCE_M, millimetres_down, millimetres_up

__all__ = ["named", "no_layout"]

GATE_STEP_M = 0.01
"""Where bays do not lead to the nearest post of an opening, it is looked for in steps of this."""


def named(keep_clear: Sequence[KeepClear]) -> str:
    """What is kept clear of, each with what says so, once."""
    words = (f"{each.name} ({each.source})" if each.source else each.name for each in keep_clear)
    return ", ".join(dict.fromkeys(words))


def no_layout(
    task: Task,
    post_m: Sequence[float],
    stopped_at_m: Sequence[float],
    keep_clear: Sequence[KeepClear],
    *,
    from_m: float,
) -> list[Finding]:
    """A finding for each place that bays do not lead past; places that overlap are one.

    ``post_m`` are all posts of a layout of the task, ``stopped_at_m`` the last places before those that have to stand
    in a barred stretch, ``keep_clear`` what bars the task's stretches, and ``from_m`` is the chainage that messages
    give to the line's start.
    """
    stood_m = [post for post in post_m[1:-1] if task.barred_at(post)]
    stops = [(start, _way_out(task, start)) for start in stopped_at_m]
    places = merged([_place(task, post, stops) for post in stood_m])
    return [_stop(task, place, stood_m, keep_clear, from_m) for place in places]


def _way_out(task: Task, start_m: float) -> float:
    """Where the barred stretch ends that comes next."""
    ahead = (end for _, end in task.barred if end > start_m + WIDTH_TOLERANCE_M)
    return min(next(ahead, task.end_m), task.end_m)


def _place(task: Task, post_m: float, stops: Sequence[Interval]) -> Interval:
    """From where bays do not lead on past a barred post, and to where."""
    own = task.barred_at(post_m) or (post_m, post_m)
    return next((stop for stop in stops if stop[0] < post_m < stop[1]), own)


def _stop(
    task: Task, place: Interval, stood_m: Sequence[float], keep_clear: Sequence[KeepClear], from_m: float
) -> Finding:
    start, end = place
    between = [each for each in keep_clear if each.to_m > start and each.from_m < end] or list(keep_clear)
    ways = "; ".join(relaxations(task, _less_buffer(task, place, len(stood_m), keep_clear, between)))
    return Finding(
        code="keep-clear-no-layout",
        severity="stop",
        message=f"No bay of {task.min_bay_m:.3f} m or more, up to {task.module_m:.3f} m, leads on from "
        f"chainage {from_m + start:.2f} to {from_m + end:.2f} m with its posts clear of {named(between)}",
        remedy=f"Any of these makes a way here: {ways}{_as_gate(task, place, stood_m, from_m)}.",
        chainage_m=start,
        chainage_to_m=end,
        value=end - start,
        limit=task.module_m,
        unit="m",
    )


def _zone(keep_clear: KeepClear) -> str:
    return keep_clear.zone or keep_clear.name


def _less_buffer(
    task: Task, place: Interval, stops: int, keep_clear: Sequence[KeepClear], between: Sequence[KeepClear]
) -> list[tuple[float, str]]:
    """How much less buffer of one zone, or else of all zones that are here, lets bays past a place."""

    less = partial(_less_of, task, place, stops, keep_clear)
    zones = list(dict.fromkeys(map(_zone, between)))
    alone: dict[float, list[str]] = {}
    for zone in zones:
        by = less([zone])
        if by is not None:
            alone.setdefault(by, []).append(zone)
    if alone:
        return [(by, f"a buffer_m of {' or of '.join(either)} that is {by:.3f} m less") for by, either in alone.items()]
    some = [zone for zone in zones if any(each.buffer_m > 0 for each in between if _zone(each) == zone)]
    by = less(some) if len(some) > 1 else None
    return [] if by is None else [(by, f"a buffer_m of {' and of '.join(some)} that is {by:.3f} m less")]


def _less_of(
    task: Task, place: Interval, stops: int, keep_clear: Sequence[KeepClear], zones: Sequence[str]
) -> float | None:
    """How much less buffer of some zones, in millimetres up, lets bays past a place; None where they have not enough.

    So much that nothing stops bays any more, or else that they stop less often, and no longer here.
    """
    own = [each for each in keep_clear if _zone(each) in zones]
    most = min(each.buffer_m for each in own)
    deepest = min(most, max(each.to_m - each.from_m for each in own) / 2)

    def through(by_m: float) -> bool:
        return leads_through(_narrowed(task, keep_clear, zones, by_m))

    def past(by_m: float) -> bool:
        return _leads_past(_narrowed(task, keep_clear, zones, by_m), place, stops)

    changes = (least_change(through, deepest), least_change(past, deepest))
    found = (millimetres_up(by) for by in changes if by is not None)
    return next((by for by in found if by <= most + WIDTH_TOLERANCE_M), None)


def _narrowed(task: Task, keep_clear: Sequence[KeepClear], zones: Sequence[str], by_m: float) -> Task:
    """The same with each stretch of some zones shorter by so much at both ends."""
    ends = ((each, by_m if _zone(each) in zones else 0.0) for each in keep_clear)
    return replace(task, barred=merged([(each.from_m + by, each.to_m - by) for each, by in ends]))


def _leads_past(task: Task, place: Interval, stops: int) -> bool:
    """Whether bays stop less often than before, and no longer here."""
    left = obstacles(task)
    here = (place[0] - TOLERANCE_M, place[1] + TOLERANCE_M)
    return left is not None and len(left) < stops and not any(here[0] <= stop <= here[1] for stop in left)


def _as_gate(task: Task, place: Interval, stood_m: Sequence[float], from_m: float) -> str:
    """An opening over a place, in words; empty where bays do not lead up to one and on from it, straight across."""
    first = _gate_post(task, place[0], sum(post < place[0] for post in stood_m), from_m, way=-1)
    last = _gate_post(task, place[1], sum(post > place[1] for post in stood_m), from_m, way=1)
    if first is None or last is None:
        return ""
    width = last - first
    if task.ruler.width(first, last) < width - WIDTH_TOLERANCE_M:
        return ""
    return f"; or have an opening here as a gate (at_m = {from_m + first:.3f}, width_m = {width:.3f})"


def _gate_post(task: Task, place_m: float, stood: int, from_m: float, *, way: int) -> float | None:
    """The nearest whole millimetre before a place (``way`` -1) or after it (1) for a gate's post; None for none near.

    Bays lead to it from the task's end on that side, clear of all; or else with no more posts in barred stretches than
    stood there before.
    """
    rounded = millimetres_up if way > 0 else millimetres_down
    places = [
        rounded(from_m + place_m + way * step * GATE_STEP_M) for step in range(round(task.module_m / GATE_STEP_M))
    ]
    for allowed in dict.fromkeys((0, stood)):
        for post in (place - from_m for place in places):
            if abs(post - (task.end_m if way > 0 else task.start_m)) <= COINCIDENT_M:
                return post
            if not task.start_m < post < task.end_m:
                break
            beside = replace(task, start_m=post) if way > 0 else replace(task, end_m=post)
            left = None if task.barred_at(post) else obstacles(beside)
            if left is not None and len(left) <= allowed:
                return post
    return None
