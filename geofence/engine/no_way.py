"""Where no bays lead past keep-clears: a finding for each such place, with what would let bays through there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from geofence.engine.barred import Interval, Task, leads_through, merged
from geofence.engine.records import Finding, KeepClear
from geofence.engine.relaxing import Relaxation, least_change, relaxations
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
    everywhere = relaxations(task)
    found = []
    for place in merged([_place(task, post, stops) for post in stood_m]):
        here = _here(task, place, stood_m)
        between = [each for each in keep_clear if each.to_m > place[0] and each.from_m < place[1]]
        ways = sorted([*everywhere, *_less_buffer(here, keep_clear, between)])
        gate = _as_gate(here, place, from_m)
        found.append(_stop(task, place, between, [*(way for _, way in ways), *gate], from_m))
    return found


def _way_out(task: Task, start_m: float) -> float:
    """Where the barred stretch ends that comes next."""
    ahead = (end for _, end in task.barred if end > start_m + WIDTH_TOLERANCE_M)
    return min(next(ahead, task.end_m), task.end_m)


def _place(task: Task, post_m: float, stops: Sequence[Interval]) -> Interval:
    """From where bays do not lead on past a barred post, and to where."""
    own = task.barred_at(post_m) or (post_m, post_m)
    return next((stop for stop in stops if stop[0] < post_m < stop[1]), own)


def _here(task: Task, place: Interval, stood_m: Sequence[float]) -> Task:
    """The task between the barred posts before and after a place: a way through it leaves all other posts alone."""
    before = [post for post in stood_m if post < place[0]]
    after = [post for post in stood_m if post > place[1]]
    return replace(task, start_m=before[-1] if before else task.start_m, end_m=after[0] if after else task.end_m)


def _stop(task: Task, place: Interval, between: Sequence[KeepClear], ways: Sequence[str], from_m: float) -> Finding:
    start, end = place
    return Finding(
        code="keep-clear-no-layout",
        severity="stop",
        message=f"No bay of {task.min_bay_m:.3f} m or more, up to {task.module_m:.3f} m, leads on from "
        f"chainage {from_m + start:.2f} to {from_m + end:.2f} m with its posts clear of {named(between)}",
        remedy=f"Any of these makes a way here: {'; '.join(ways[:-1])}; or {ways[-1]}."
        if len(ways) > 1
        else f"This makes a way here: {ways[0]}.",
        chainage_m=start,
        chainage_to_m=end,
        value=end - start,
        limit=task.module_m,
        unit="m",
    )


def _zone(keep_clear: KeepClear) -> str:
    return keep_clear.zone or keep_clear.name


def _less_buffer(here: Task, keep_clear: Sequence[KeepClear], between: Sequence[KeepClear]) -> list[Relaxation]:
    """How much less buffer of one of the zones at a place, or else of all of them, lets bays past it."""
    zones = list(dict.fromkeys(map(_zone, between)))
    alone: dict[float, list[str]] = {}
    for zone in zones:
        by = _less_of([zone], here, keep_clear)
        if by is not None:
            alone.setdefault(by, []).append(zone)
    if alone:
        return [(by, f"a buffer_m of {' or of '.join(either)} that is {by:.3f} m less") for by, either in alone.items()]
    some = [zone for zone in zones if any(each.buffer_m > 0 for each in between if _zone(each) == zone)]
    by = _less_of(some, here, keep_clear) if len(some) > 1 else None
    return [] if by is None else [(by, f"a buffer_m of {' and of '.join(some)} that is {by:.3f} m less")]


def _less_of(zones: Sequence[str], here: Task, keep_clear: Sequence[KeepClear]) -> float | None:
    """How much less buffer of some zones, in millimetres up, makes a way; None where they have not enough of it."""
    own = [each for each in keep_clear if _zone(each) in zones]
    most = min(each.buffer_m for each in own)
    deepest = max(each.to_m - each.from_m for each in own) / 2
    by = least_change(lambda by: leads_through(_narrowed(here, keep_clear, zones, by)), min(most, deepest))
    by = None if by is None else millimetres_up(by)
    return None if by is None or by > most + WIDTH_TOLERANCE_M else by


def _narrowed(task: Task, keep_clear: Sequence[KeepClear], zones: Sequence[str], by_m: float) -> Task:
    """The same with each stretch of some zones shorter by so much at both ends."""
    ends = ((each, by_m if _zone(each) in zones else 0.0) for each in keep_clear)
    return replace(task, barred=merged([(each.from_m + by, each.to_m - by) for each, by in ends]))


def _as_gate(here: Task, place: Interval, from_m: float) -> Iterator[str]:
    """An opening over a place, in words; none where bays do not lead up to one and on from it, straight across."""
    first, last = _gate_post(here, place[0], from_m, way=-1), _gate_post(here, place[1], from_m, way=1)
    if first is None or last is None:
        return
    width = last - first
    if here.ruler.width(first, last) >= width - WIDTH_TOLERANCE_M:
        yield f"have an opening here as a gate (at_m = {from_m + first:.3f}, width_m = {width:.3f})"


def _gate_post(here: Task, place_m: float, from_m: float, *, way: int) -> float | None:
    """The nearest whole millimetre before a place (``way`` -1) or after it (1) for a gate's post; None for none near.

    Bays lead to it, clear of all, from the task's end on that side.
    """
    end_m, rounded = (here.end_m, millimetres_up) if way > 0 else (here.start_m, millimetres_down)
    for step in range(round(here.module_m / GATE_STEP_M)):
        post = rounded(from_m + place_m + way * step * GATE_STEP_M) - from_m
        if abs(post - end_m) <= COINCIDENT_M:
            return post
        if not here.start_m < post < here.end_m:
            return None
        beside = replace(here, start_m=post) if way > 0 else replace(here, end_m=post)
        if not here.barred_at(post) and leads_through(beside):
            return post
    return None
