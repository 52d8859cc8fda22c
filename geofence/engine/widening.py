"""The widest narrowest bay of a layout of which it is known which posts stay, which bays are full, and between which
barred stretches each post stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geofence.engine.barred import TOLERANCE_M, Interval, Task

__all__ = ["Route", "widened"]

HALVINGS = 48
"""Of a bay's width: to 1e-14 of it, where float64 has no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A layout in outline.

    ``post_m``: (n + 1,) posts, where each can stand; ``kept``: whether each stays there; ``full``: (n,) whether each
    bay is a full one.
    """

    post_m: Sequence[float]
    kept: Sequence[bool]
    full: Sequence[bool]


def widened(task: Task, route: Route) -> list[float]:
    """Posts such that between any two kept ones the narrowest bay is as wide as the outline allows."""
    posts = [route.post_m[0]]
    first = 0
    for last in range(1, len(route.post_m)):
        if route.kept[last]:
            posts += _block(task, route.post_m[first : last + 1], route.full[first:last])[1:]
            first = last
    return posts


def _block(task: Task, post_m: Sequence[float], full: Sequence[bool]) -> list[float]:
    """The posts from one kept post to the next, both with them."""
    if all(full) or len(post_m) == 2:
        return list(post_m)
    rooms = [task.barred_at(post) or task.free_around(post) for post in post_m[1:-1]]
    rooms.append((post_m[-1], post_m[-1]))
    narrow, wide = task.min_bay_m, task.module_m
    best = _places(task, post_m[0], rooms, full, narrow)
    for _ in range(HALVINGS):
        middle = (narrow + wide) / 2
        places = _places(task, post_m[0], rooms, full, middle)
        if places is None:
            wide = middle
        else:
            narrow, best = middle, places
    return list(post_m) if best is None else _chosen(task, best, full, narrow)


def _places(
    task: Task, start_m: float, rooms: Sequence[Interval], full: Sequence[bool], narrowest_m: float
) -> list[Interval] | None:
    """Where each post can stand if no bay is narrower than this; None where one cannot stand anywhere."""
    places = [(start_m, start_m)]
    for is_full, (room_start, room_end) in zip(full, rooms, strict=True):
        start, end = places[-1]
        first = task.ruler.ahead(start, task.module_m if is_full else narrowest_m)
        last = task.ruler.ahead(end, task.module_m if is_full else task.widest_m)
        if first > room_end + TOLERANCE_M or last < room_start - TOLERANCE_M:
            return None
        places.append((min(max(first, room_start), room_end), max(min(last, room_end), room_start)))
    return places


def _chosen(task: Task, places: Sequence[Interval], full: Sequence[bool], narrowest_m: float) -> list[float]:
    """Posts in these places, from the last one back, each in the middle of what is open to it."""
    posts = [places[-1][0]]
    for is_full, (start, end) in zip(full[::-1], places[-2::-1], strict=True):
        first = task.ruler.behind(posts[-1], task.module_m if is_full else task.widest_m)
        last = first if is_full else task.ruler.behind(posts[-1], narrowest_m)
        posts.append((min(max(first, start), end) + max(min(last, end), start)) / 2)
    return posts[::-1]
