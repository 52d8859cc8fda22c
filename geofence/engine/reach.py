"""Where the posts of a layout with the fewest bays can stand, if no more than so many of them are in barred stretches.

A place on such a layout is one that so many bays lead to and no fewer do, and from which so many lead to the end and no
fewer do: else the better way to it, or from it, would make a layout with fewer bays.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from geofence.engine.barred import TOLERANCE_M, Interval, Task, joined, leads_to_end, left_over, parts

__all__ = ["windows"]

_Reached = list[list[Interval]]
"""For each number of posts in barred stretches, from 0 on: where no more of them lead to."""


def windows(task: Task, *, barred: int = 0) -> list[Interval] | None:
    """For each post but the first, the stretch from the first place where it can stand to the last.

    ``barred``: how many posts may stand in barred stretches. None where no bays lead to the end with so few, or a bend
    makes the places that bays lead to jump.
    """
    rows: list[_Reached] = []
    for reached in _walk(task, barred):
        rows.append(reached)
        if leads_to_end(task, reached[barred]):
            break
    else:
        return None
    found = [(task.end_m, task.end_m)]
    for reached, rest in zip(rows[:0:-1], islice(_walk(task.mirrored(), barred), 1, None), strict=False):
        places = list(_both(reached, rest))
        if not places:
            return None
        found.append((min(start for start, _ in places), max(end for _, end in places)))
    return found[::-1] if len(found) == len(rows) else None


def _walk(task: Task, barred: int) -> Iterator[_Reached]:
    """The start, then what one bay leads to, two bays, and so on: each time what no fewer lead to."""
    rows: _Reached = [[(task.start_m, task.start_m)] for _ in range(barred + 1)]
    reached = rows
    while any(rows):
        yield rows
        rows = [
            [left for stretch in joined(found) for left in left_over(*stretch, before)]
            for found, before in zip(_next(task, rows), reached, strict=True)
        ]
        reached = [_so_far(before, row) for before, row in zip(reached, rows, strict=True)]


def _next(task: Task, rows: _Reached) -> _Reached:
    """Where one more bay leads to."""
    found: _Reached = [[] for _ in rows]
    for count, row in enumerate(rows):
        for start, end in row:
            first, last = task.ruler.ahead(start, task.min_bay_m), task.ruler.ahead(end, task.widest_m)
            if first < task.end_m:
                for part_start, part_end, inside in parts(task, first, min(last, task.end_m)):
                    if count + inside < len(rows):
                        found[count + inside].append((part_start, part_end))
    return found


def _so_far(before: Sequence[Interval], row: Sequence[Interval]) -> list[Interval]:
    """What has been reached, without what is behind all that bays lead to from here."""
    return joined([*(stretch for stretch in before if row and stretch[1] >= row[0][0]), *row])


def _both(reached: _Reached, rest: _Reached) -> Iterator[Interval]:
    """Where both lead to. A post there that is in a barred stretch counts in both."""
    most = len(reached) - 1
    for count, row in enumerate(reached):
        for others in {most - count, min(most - count + 1, most)}:
            yield from _common(row, [(-end, -start) for start, end in rest[others][::-1]])


def _common(one: Sequence[Interval], other: Sequence[Interval]) -> Iterator[Interval]:
    row = 0
    for start, end in one:
        while row < len(other) and other[row][1] < start - TOLERANCE_M:
            row += 1
        for other_start, other_end in other[row:]:
            if other_start > end + TOLERANCE_M:
                break
            first, last = max(start, other_start), min(end, other_end)
            yield min(first, last), max(first, last)
