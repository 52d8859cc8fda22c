"""Where posts that are in the ground already stand, in words: the plan has each on its line."""

from __future__ import annotations

from collections.abc import Callable

from geofence.plan import FencePlan

__all__ = ["beside_their_places", "measured_tops"]

SHOWN_M = 5e-4
"""Less than this is not told: lengths are written to the millimetre."""


def beside_their_places(plan: FencePlan, length: Callable[[float], str]) -> dict[int, str]:
    """Of each post that stands elsewhere than planned, by row: ``0.200 m left and 0.030 m ahead``.

    Left and ahead are those of somebody who walks along the fence; ``length`` writes a length.
    """
    found = {}
    existing = plan.existing
    for row, left_m, ahead_m in zip(
        existing.post.tolist(), existing.left_m.tolist(), existing.ahead_m.tolist(), strict=True
    ):
        ways = ((left_m, "left", "right"), (ahead_m, "ahead", "back"))
        told = [f"{length(abs(by))} {more if by > 0 else less}" for by, more, less in ways if abs(by) >= SHOWN_M]
        if told:
            found[row] = " and ".join(told)
    return found


def measured_tops(plan: FencePlan) -> set[int]:
    """Rows of the posts that exist and whose tops somebody measured; those of the others are what is wanted."""
    existing = plan.existing
    rows = zip(existing.post.tolist(), existing.top_level_m.tolist(), strict=True)
    return {row for row, top_m in rows if top_m == top_m}
