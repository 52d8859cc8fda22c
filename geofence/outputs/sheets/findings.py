"""A plan's findings as drawings number them: in the order of the fence, so that those at one post follow each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Finding
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.plan import SEVERITIES, FencePlan

__all__ = ["NumberedFinding", "numbered_findings", "numbers_in_short", "place_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberedFinding:
    """A finding with its number, from 1; ``line`` and ``post`` say at which post of which line it is listed.

    Both are None for a finding of the whole plan.
    """

    number: int
    finding: Finding
    line: int | None = None
    post: int | None = None


def numbered_findings(plan: FencePlan, lines: Sequence[FenceLine]) -> list[NumberedFinding]:
    """Every finding; those of the whole plan first."""
    posts = {row: (number, at) for number, line in reversed(list(enumerate(lines))) for at, row in _first_rows(line)}
    bays = {row: (number, at) for number, line in enumerate(lines) for at, row in enumerate(line.bays)}
    placed = [(_place(item, posts, bays, lines), item) for item in plan.fence.findings]
    placed.sort(key=lambda pair: (pair[0] or (-1, -1), SEVERITIES.index(pair[1].severity)))
    return [
        NumberedFinding(number=number, finding=item, line=place[0] if place else None, post=place[1] if place else None)
        for number, (place, item) in enumerate(placed, start=1)
    ]


def _first_rows(line: FenceLine) -> list[tuple[int, int]]:
    """Places in a line with the plan's rows of their posts; a ring's first post at its start, not at its end."""
    return [(at, row) for at, row in reversed(list(enumerate(line.chain.rows)))]


def _place(
    item: Finding, posts: dict[int, tuple[int, int]], bays: dict[int, tuple[int, int]], lines: Sequence[FenceLine]
) -> tuple[int, int] | None:
    if item.post is not None:
        return posts.get(item.post)
    if item.bay is not None:
        return bays.get(item.bay)
    if item.chainage_m is None or not np.isfinite(item.chainage_m):
        return None
    for number, line in enumerate(lines):
        at = line.chainage_m
        if item.line and item.line != line.chain.run.line:
            continue
        if at[0] - 1e-6 <= item.chainage_m <= at[-1] + 1e-6:
            return number, max(0, int(np.searchsorted(at, item.chainage_m + 1e-6, side="right")) - 1)
    return None


def numbers_in_short(numbers: Sequence[int]) -> str:
    """Growing numbers, in short where they follow each other.

    >>> numbers_in_short([7]), numbers_in_short([7, 8, 9]), numbers_in_short([7, 8]), numbers_in_short([7, 9, 10])
    ('7', '7–9', '7, 8', '7, 9, 10')
    """
    if len(numbers) < 3 or numbers[-1] - numbers[0] >= len(numbers):
        return ", ".join(map(str, numbers))
    return f"{numbers[0]}–{numbers[-1]}"


def place_words(plan: FencePlan, item: Finding) -> str:
    """Where a finding is, in words; empty for one of the whole plan."""
    words = [item.line] if item.line else []
    if item.post is not None:
        words.append(plan.post_names[item.post])
    if item.bay is not None:
        words.append(plan.bay_names[item.bay])
    if item.chainage_m is not None and np.isfinite(item.chainage_m):
        to = "" if item.chainage_to_m is None else f" to {item.chainage_to_m:.2f}"
        words.append(f"chainage {item.chainage_m:.2f}{to}")
    return one_line(", ".join(words))
