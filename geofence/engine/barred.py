"""Stretches of the line where no post may stand, and where posts can stand beside them.

Widths are anything from the narrowest bay m to the module M, so the places that posts can reach are intervals: from
[a, b] a bay leads to [a + m, b + M].
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import heapify, heappop, heappush
from typing import Protocol

from geofence.numeric import WIDTH_TOLERANCE_M

__all__ = [
    "Interval",
    "Ruler",
    "Task",
    "bar_at",
    "joined",
    "leads_through",
    "leads_to_end",
    "left_over",
    "merged",
    "obstacles",
    "parts",
]

Interval = tuple[float, float]
TOLERANCE_M = WIDTH_TOLERANCE_M


class Ruler(Protocol):
    """Lays off bays along the line."""

    def width(self, from_m: float, to_m: float) -> float:
        """Width of the bay between posts at two chainages."""
        ...

    def ahead(self, post_m: float, width_m: float) -> float:
        """Chainage of the post this width ahead."""
        ...

    def behind(self, post_m: float, width_m: float) -> float:
        """Chainage of the post this width behind."""
        ...


@dataclass(frozen=True, slots=True)
class _Mirrored:
    """A ruler laid from the other end."""

    ruler: Ruler

    def width(self, from_m: float, to_m: float) -> float:
        return self.ruler.width(-to_m, -from_m)

    def ahead(self, post_m: float, width_m: float) -> float:
        return -self.ruler.behind(-post_m, width_m)

    def behind(self, post_m: float, width_m: float) -> float:
        return -self.ruler.ahead(-post_m, width_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """What is to be laid out between two posts that must be where they are.

    Attributes
    ----------
    start_m, end_m
        The two posts.
    module_m, min_bay_m
        The width of full bays, and of the narrowest bay.
    barred
        Stretches where no post may stand, in order and apart; at their ends one may. See :func:`merged`.
    wanted_m
        Where posts would stand without them, in order, the two ends left out.
    cuts_count
        1 where a bay narrower than the module costs something, 0 where all bays may be alike.
    ruler
        Lays off bays.
    slack_m
        By how much cut bays may be wider than full ones: where these are modules less a fraction of a millimetre.
    """

    start_m: float
    end_m: float
    module_m: float
    min_bay_m: float
    barred: tuple[Interval, ...]
    wanted_m: tuple[float, ...]
    cuts_count: int
    ruler: Ruler
    slack_m: float = 0.0

    @property
    def widest_m(self) -> float:
        """The widest bay."""
        return self.module_m + self.slack_m

    def mirrored(self) -> Task:
        """The same from its other end: a chainage c becomes -c."""
        return replace(
            self,
            start_m=-self.end_m,
            end_m=-self.start_m,
            barred=tuple((-end, -start) for start, end in self.barred[::-1]),
            wanted_m=tuple(-post for post in self.wanted_m[::-1]),
            ruler=_Mirrored(self.ruler),
        )

    def barred_at(self, post_m: float) -> Interval | None:
        """The barred stretch that a place is in; None where a post may stand."""
        return bar_at(self.barred, post_m)

    def free_around(self, post_m: float) -> Interval:
        """The stretch up to the next barred ones at both sides of a place where a post may stand."""
        after = bisect_left(self.barred, post_m - TOLERANCE_M, key=lambda stretch: stretch[0])
        before = bisect_right(self.barred, post_m + TOLERANCE_M, key=lambda stretch: stretch[1]) - 1
        return (
            self.barred[before][1] if before >= 0 else self.start_m,
            self.barred[after][0] if after < len(self.barred) else self.end_m,
        )


def bar_at(barred: Sequence[Interval], post_m: float) -> Interval | None:
    """The stretch that a place is in, of some in order and apart; at their ends a place is in none.

    >>> bar_at([(1.0, 2.0), (2.0, 3.0)], 2.5), bar_at([(1.0, 2.0), (2.0, 3.0)], 2.0)
    ((2.0, 3.0), None)
    """
    row = bisect_right(barred, post_m, key=lambda stretch: stretch[0]) - 1
    if row < 0 or not barred[row][0] + TOLERANCE_M < post_m < barred[row][1] - TOLERANCE_M:
        return None
    return barred[row]


def merged(stretches: Sequence[Interval]) -> tuple[Interval, ...]:
    """Stretches in order, those that overlap made one. Two that only touch stay two: a post may stand between.

    >>> merged([(3.0, 4.0), (0.0, 1.0), (0.5, 2.0), (2.0, 3.0)])
    ((0.0, 2.0), (2.0, 3.0), (3.0, 4.0))
    """
    found: list[Interval] = []
    for start, end in sorted(stretches):
        if end - start <= 2 * TOLERANCE_M:
            continue
        if found and start < found[-1][1] - TOLERANCE_M:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return tuple(found)


def joined(stretches: Sequence[Interval]) -> list[Interval]:
    """Stretches in order, those that overlap or touch made one."""
    found: list[Interval] = []
    for start, end in sorted(stretches):
        if found and start <= found[-1][1] + TOLERANCE_M:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def left_over(start_m: float, end_m: float, taken: Sequence[Interval]) -> Iterator[Interval]:
    """The parts of a stretch that others do not take up; the others in order and apart."""
    row = bisect_left(taken, start_m - TOLERANCE_M, key=lambda stretch: stretch[1])
    if end_m - start_m <= TOLERANCE_M:
        if row == len(taken) or taken[row][0] > end_m + TOLERANCE_M:
            yield start_m, end_m
        return
    for taken_start, taken_end in taken[row:]:
        if taken_start >= end_m:
            break
        if taken_start > start_m + TOLERANCE_M:
            yield start_m, taken_start
        start_m = max(start_m, taken_end)
    if start_m < end_m - TOLERANCE_M:
        yield start_m, end_m


def parts(task: Task, start_m: float, end_m: float) -> Iterator[tuple[float, float, bool]]:
    """A stretch cut at the ends of barred ones: (from, to, whether barred). A place at such an end is not."""
    if end_m - start_m <= TOLERANCE_M:
        yield start_m, end_m, task.barred_at(start_m) is not None
        return
    first = bisect_right(task.barred, start_m + TOLERANCE_M, key=lambda stretch: stretch[1])
    last = bisect_left(task.barred, end_m - TOLERANCE_M, key=lambda stretch: stretch[0])
    for barred_start, barred_end in task.barred[first:last]:
        if start_m <= barred_start + TOLERANCE_M:
            yield start_m, max(start_m, barred_start), False
        yield max(start_m, barred_start), min(end_m, barred_end), True
        start_m = barred_end
    if start_m <= end_m + TOLERANCE_M:
        yield start_m, max(start_m, end_m), False


def leads_through(task: Task) -> bool:
    """Whether bays lead to the end without a post in a barred stretch."""
    return leads_to_end(task, _spread(task, [(task.start_m, task.start_m)])[0])


def obstacles(task: Task) -> list[float] | None:
    """Where bays lead no farther without a post in a barred stretch: the last place before each such post.

    The fewest such posts by which bays lead to the end; None where no bays do at all.
    """
    seeds: list[Interval] = [(task.start_m, task.start_m)]
    found: list[float] = []
    while seeds:
        reached, blocked = _spread(task, seeds)
        if leads_to_end(task, reached):
            return found
        found.append(reached[-1][1])
        seeds = blocked
    return None


def leads_to_end(task: Task, reached: Sequence[Interval]) -> bool:
    """Whether one bay more leads to the end."""
    latest = task.ruler.behind(task.end_m, task.min_bay_m) + TOLERANCE_M
    earliest = task.ruler.behind(task.end_m, task.widest_m) - TOLERANCE_M
    return any(start <= latest and end >= earliest for start, end in reached)


def _spread(task: Task, seeds: Sequence[Interval]) -> tuple[list[Interval], list[Interval]]:
    """All that is reached from some stretches without a barred post, themselves with it; and the barred places next.

    Stretches come in the order of their starts. One longer than the narrowest bay overlaps what it leads to, so all
    is reached up to the next barred stretch.
    """
    reached: list[Interval] = []
    blocked: list[Interval] = []
    queue = list(seeds)
    heapify(queue)
    while queue:
        start, end = heappop(queue)
        if end - start >= task.min_bay_m and task.barred_at(end) is None:
            end = max(end, task.free_around(end)[1])
        if reached and start <= reached[-1][1] + TOLERANCE_M:
            if end <= reached[-1][1] + TOLERANCE_M:
                continue
            reached[-1] = (reached[-1][0], end)
        else:
            reached.append((start, end))
        first, last = task.ruler.ahead(start, task.min_bay_m), task.ruler.ahead(end, task.widest_m)
        if first < task.end_m:
            for part_start, part_end, barred in parts(task, first, min(last, task.end_m)):
                heappush(blocked if barred else queue, (part_start, part_end))
    return reached, blocked
