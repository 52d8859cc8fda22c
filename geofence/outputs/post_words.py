"""A post in a line of words, for devices that show a point's description and nothing else."""

from __future__ import annotations

from geofence.outputs.digits import fixed
from geofence.outputs.marks import marks
from geofence.plan import FencePlan

__all__ = ["post_words"]


def post_words(plan: FencePlan, *, unit: str = "m", unit_m: float = 1.0) -> list[str]:
    """Of each post what the crew needs beside its place, and what to look at before it is set.

    Parameters
    ----------
    unit, unit_m
        The unit of lengths and levels, and one of it in metres.
    """
    posts = plan.fence.posts
    columns = (posts.chainage_m, posts.ground_level_m, posts.top_level_m, posts.length_m, posts.embedment_m)
    figures = zip(*(fixed(column / unit_m, 3, missing="?") for column in columns), strict=True)
    words = f"chainage %s, ground %s, top %s, length %s, embedded %s {unit}"
    return [f"{words % row}; {mark}" if mark else words % row for row, mark in zip(figures, marks(plan), strict=True)]
