"""A plan's findings as drawings number them: in the order of the fence, so that those at one post follow each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Finding
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.strips import Strip
from geofence.placed_findings import FindingPlace, worst_first
from geofence.plan import FencePlan

__all__ = ["NumberedFinding", "numbered_findings", "numbers_in_short", "place_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberedFinding:
    """A finding with its number, from 1, and its place; None for one of the whole plan.

    It is listed at the post at or before its place; a run's row in the plan is that of its :class:`FenceLine`.
    """

    number: int
    finding: Finding
    place: FindingPlace | None = None

    def on(self, strip: Strip, line: FenceLine) -> bool:
        """Whether its sign stands on a strip of a line: at a post of two strips, on the one that begins there."""
        if self.place is None or self.place.run != strip.line:
            return False
        return strip.first <= self.place.nth < strip.last + (strip.last == len(line) - 1)


def numbered_findings(plan: FencePlan) -> list[NumberedFinding]:
    """Every finding; those of the whole plan first."""
    placed = worst_first(plan)
    placed.sort(key=lambda pair: (-1, -1) if pair[1] is None else (pair[1].run, pair[1].nth))
    return [
        NumberedFinding(number=number, finding=finding, place=place)
        for number, (finding, place) in enumerate(placed, start=1)
    ]


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
