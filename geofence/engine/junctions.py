"""The post at which runs of fence meet: how long it must be for all of them, and what does not fit there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import numpy as np

from geofence.engine.records import Fence, Finding, Gate, PostKind, PostRules
from geofence.numeric import LEVEL_TOLERANCE_M, SAW_CUT_M

__all__ = ["JunctionRules", "Member", "merged", "steps_between"]

RANK: tuple[PostKind, ...] = ("existing", "gate", "junction")
"""What a shared post is called where it is several things."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One of the posts that are one: rows of its run, and of the post in it."""

    run: int
    post: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JunctionRules:
    """What holds where runs meet.

    Attributes
    ----------
    posts
        Reveal, embedment and stock lengths.
    gates
        The gates of each run, whose posts may have rules of their own.
    step_max_m
        The most that undersides may differ at a post; None where nothing hangs from post to post at a level.
    uplift_max_kn
        The upward pull that a post holds; None without wires.
    """

    posts: PostRules
    gates: Sequence[Sequence[Gate]]
    step_max_m: float | None = None
    uplift_max_kn: float | None = None

    def of(self, fences: Sequence[Fence], member: Member) -> tuple[PostRules, ...]:
        """The rules of a post: its gates', else those of all posts."""
        gates = sorted(self.gates[member.run], key=lambda gate: gate.chainage_m)
        bays = fences[member.run].bays
        rows = [row for row, kind in enumerate(bays.kind) if kind == "gate"]
        own = []
        for gate, row in zip(gates, rows, strict=True):
            for end, rules in zip((bays.from_post, bays.to_post), gate.posts or (), strict=False):
                if end[row] == member.post:
                    own.append(rules)
        return tuple(own) or (self.posts,)


def merged(
    fences: Sequence[Fence], group: Sequence[Member], rules: JunctionRules
) -> tuple[dict[str, Any], list[Finding]]:
    """Columns of the post that some posts are, and findings whose post is the row in the first one's run."""
    own = [rules.of(fences, member) for member in group]
    reveals = [max(each.post_reveal_m for each in some) for some in own]
    tops = [fences[member.run].posts.top_level_m[member.post] for member in group]
    top = max(level - reveal for level, reveal in zip(tops, reveals, strict=True)) + max(reveals)
    owner = fences[group[0].run].posts
    ground = owner.ground_level_m[group[0].post]
    every = [each for some in own for each in some]
    depth = max(max(each.embedment_m, each.embedment_ratio * (top - ground)) for each in every)
    length = top - ground + depth
    stock = next((each.stock_lengths_m for each in every if each is not rules.posts), rules.posts.stock_lengths_m)
    fitting = [size for size in stock if size >= length - SAW_CUT_M]
    pulls = [fences[member.run].posts.uplift_kn[member.post] for member in group]
    kinds = [fences[member.run].posts.kind[member.post] for member in group]
    values = {
        "kind": _kind(kinds),
        "ground_level_m": ground,
        "top_level_m": top,
        "toe_level_m": ground - depth,
        "embedment_m": depth,
        "stock_length_m": (fitting or stock[-1:] or (length,))[0],
        "uplift_kn": np.nan if np.isnan(pulls).all() else float(np.nansum(pulls)),
    }
    place = {"chainage_m": float(owner.chainage_m[group[0].post]), "post": group[0].post}
    found = [*_pulled(values["uplift_kn"], rules, place)]
    if "existing" in kinds:
        standing = max(level for level, kind in zip(tops, kinds, strict=True) if kind == "existing")
        return values | dict.fromkeys(_NOT_KNOWN, np.nan) | {"top_level_m": standing}, found
    return values, [*_extended(float(length), stock, bool(fitting), place), *found]


_NOT_KNOWN = ("toe_level_m", "embedment_m", "stock_length_m")
"""Of a post that exists already."""


def _kind(kinds: Sequence[PostKind]) -> PostKind:
    return next((kind for kind in RANK if kind in kinds), "junction")


def _undersides(fence: Fence, post: int) -> list[float]:
    """Levels of the undersides at a post, gates left out."""
    bays = fence.bays
    ends = ((bays.from_post, bays.underside_from_m), (bays.to_post, bays.underside_to_m))
    return [float(edge[row]) for side, edge in ends for row in np.flatnonzero(side == post) if bays.kind[row] != "gate"]


def _extended(length_m: float, stock: Sequence[float], fits: bool, place: dict[str, Any]) -> Iterator[Finding]:
    if stock and not fits:
        over = f"{length_m - stock[-1]:.3f} m more than the longest stock length"
        yield Finding(
            code="post-extended",
            severity="warn",
            message=f"The post, at which lines meet, must be {length_m:.3f} m long, {over}",
            remedy="Order an extension or a longer post (posts.stock_lengths_m), or allow a smaller step.",
            value=length_m,
            limit=stock[-1],
            unit="m",
            **place,
        )


def _pulled(uplift_kn: float, rules: JunctionRules, place: dict[str, Any]) -> Iterator[Finding]:
    limit = rules.uplift_max_kn
    if limit is not None and uplift_kn > limit:
        yield Finding(
            code="post-uplift",
            severity="warn",
            message=f"The wires of all lines that meet here pull the post up with {uplift_kn:.2f} kN at their coldest, "
            f"{limit:.2f} kN is held without more. A screening aid, not a design: local codes and a licensed engineer "
            "decide",
            remedy="Set it deeper or in concrete, tie it down to an anchor in the ground, or strain to a lower "
            "wire.tension_kn; what holds it depends on the soil.",
            value=uplift_kn,
            limit=limit,
            unit="kN",
            **place,
        )


def steps_between(fences: Sequence[Fence], group: Sequence[Member], rules: JunctionRules) -> Iterator[Finding]:
    """Where the undersides of bays of different runs, gates left out, differ by more than a step may."""
    if rules.step_max_m is None:
        return
    levels = [_undersides(fences[member.run], member.post) for member in group]
    step = max(
        (max(one) - min(other) for one, other in permutations(levels, 2) if one and other),
        default=0.0,
    )
    if step > rules.step_max_m + LEVEL_TOLERANCE_M:
        owner = group[0]
        yield Finding(
            code="junction-step-over-limit",
            severity="warn",
            message=f"Where lines meet, the undersides of their bays differ by {step:.3f} m, more than a step may",
            remedy="Allow a higher step (levels.step_max_m), or see that the post takes supports so far apart.",
            chainage_m=float(fences[owner.run].posts.chainage_m[owner.post]),
            post=owner.post,
            value=step,
            limit=rules.step_max_m,
            unit="m",
        )
