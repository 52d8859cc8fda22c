"""Where the posts of a layout with the fewest bays can stand, none of them in a barred stretch.

A place on such a layout is one that so many bays lead to and no fewer do, and from which so many lead to the end and no
fewer do: else the better way to it, or from it, would make a layout with fewer bays.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from geofence.engine.barred import TOLERANCE_M, Interval, Task, joined, leads_to_end, left_over, parts

__all__ = ["clear_places"]


def clear_places(task: Task) -> list[list[Interval]] | None:
    """Where each post but the two ends can stand: intervals in order and apart, one list a post.

    None where every layout has a post in a barred stretch.
    """
    rows: list[list[Interval]] = []
    walk = _walk(task)
    row = next(walk)
    while not leads_to_end(task, row):
        row = next(walk)
        if not row:
            return None
        rows.append(row)
    back = _walk(task.mirrored())
    next(back)
    for post in reversed(range(len(rows))):
        rows[post] = list(_common(rows[post], [(-end, -start) for start, end in next(back)[::-1]]))
    return rows


def _walk(task: Task) -> Iterator[list[Interval]]:
    """The start, then what one bay leads to, two bays, and so on: each time what no fewer lead to."""
    row = reached = [(task.start_m, task.start_m)]
    while True:
        yield row
        found = joined(list(_next(task, row)))
        row = [left for stretch in found for left in left_over(*stretch, reached)]
        reached = joined([*(stretch for stretch in reached if row and stretch[1] >= row[0][0]), *row])


def _next(task: Task, places: Sequence[Interval]) -> Iterator[Interval]:
    """Where one more bay leads to."""
    for start, end in places:
        first, last = task.ruler.ahead(start, task.min_bay_m), task.ruler.ahead(end, task.module_m)
        if first < task.end_m:
            for part_start, part_end, barred in parts(task, first, min(last, task.end_m)):
                if not barred:
                    yield part_start, part_end


def _common(one: Sequence[Interval], other: Sequence[Interval]) -> Iterator[Interval]:
    """Where both are."""
    row = 0
    for start, end in one:
        while row < len(other) and other[row][1] < start - TOLERANCE_M:
            row += 1
        for other_start, other_end in other[row:]:
            if other_start > end + TOLERANCE_M:
                break
            first, last = max(start, other_start), min(end, other_end)
            yield min(first, last), max(first, last)
