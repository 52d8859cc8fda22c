"""Posts that were moved, by their names: only the whole plan numbers its posts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from geofence.plan import FencePlan

__all__ = ["named_in_rows", "with_moved_posts"]


def with_moved_posts(plan: FencePlan) -> FencePlan:
    """The plan with the names of the posts in the messages of findings that concern several."""
    names = plan.post_names
    findings = tuple(
        replace(item, message=f"{item.message}; moved: {named_in_rows(item.posts, names)}") if item.posts else item
        for item in plan.fence.findings
    )
    return replace(plan, fence=replace(plan.fence, findings=findings))


def named_in_rows(rows: Sequence[int], names: Sequence[str]) -> str:
    """Names of some rows, in order; of three and more that follow each other the first and the last.

    >>> names = [f"P{number:03d}" for number in range(1, 10)]
    >>> named_in_rows([0, 1], names), named_in_rows([0, 2, 3, 4, 8], names)
    ('P001 and P002', 'P001, P003 to P005 and P009')
    """
    rows_in_a_row: list[list[int]] = []
    for row in rows:
        if rows_in_a_row and row == rows_in_a_row[-1][-1] + 1:
            rows_in_a_row[-1].append(row)
        else:
            rows_in_a_row.append([row])
    words: list[str] = []
    for run in rows_in_a_row:
        words += [names[row] for row in run] if len(run) < 3 else [f"{names[run[0]]} to {names[run[-1]]}"]
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
