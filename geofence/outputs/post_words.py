"""A post in a line of words, for devices that show a point's description and nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from geofence.outputs.digits import fixed
from geofence.outputs.existing_words import beside_their_places
from geofence.outputs.marks import marks
from geofence.outputs.plain_text import one_line
from geofence.plan import FencePlan
from geofence.plan_lines import meetings, own_lines

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
    figures = zip(*(fixed(column / unit_m, 3, missing="") for column in columns), strict=True)
    return [
        "".join(
            (
                f"chainage {chainage}",
                line and f" of {line}",
                f", ground {ground}, top {top}",
                f", length {length}, embedded {depth} {unit}" if length else f" {unit}, in the ground already",
                meets and f"; meets {meets} {unit}",
                gate and f"; gate {gate}",
                beside and f"; stands {beside} of here",
                mark and f"; {mark}",
            )
        )
        for (chainage, ground, top, length, depth), line, meets, gate, beside, mark in zip(
            figures,
            _lines(plan),
            _meets(plan, unit_m),
            _single_lines(plan.gate_names("post")),
            _beside(plan, unit, unit_m),
            marks(plan),
            strict=True,
        )
    ]


def _beside(plan: FencePlan, unit: str, unit_m: float) -> list[str]:
    """Of each post that exists how far from its place it stands; empty where it stands there, and for others."""
    found = beside_their_places(plan, lambda by_m: f"{by_m / unit_m:.3f} {unit}")
    return [found.get(row, "") for row in range(len(plan.fence.posts))]


def _lines(plan: FencePlan) -> list[str]:
    """Of each post its line; empty where the job has no named lines."""
    return _single_lines(own_lines(plan.runs, "post", len(plan.fence.posts)))


def _meets(plan: FencePlan, unit_m: float) -> list[str]:
    """Of each post the named lines that meet it there, with their chainages; empty where none does."""
    return [
        "; ".join(f"{one_line(line)} {chainage_m / unit_m:.3f}" for line, chainage_m in met if line)
        for met in meetings(plan.runs, len(plan.fence.posts))
    ]


def _single_lines(words: Sequence[str]) -> list[str]:
    known = {word: one_line(word) for word in set(words)}
    return [known[word] for word in words]
