"""Where strings are stretched: between posts that are set by themselves, so that all others stand along one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import PostKind
from geofence.outputs.on_grid import grid_crs
from geofence.plan import FencePlan, Run
from geofence.site.tape import Spots, Tape

__all__ = ["HELD", "STRING_M", "held_along", "spots", "tape_of"]

HELD: frozenset[PostKind] = frozenset({"end", "corner", "gate", "junction", "existing", "strainer"})
"""Kinds of post that are set first, each by itself; the others are taped from them."""

STRING_M = 0.010
"""How far a post may stand off the string: a fifth of a thin post, and what wind does to a string."""


def tape_of(plan: FencePlan) -> Tape:
    """The tape of a plan's grid and job."""
    return Tape.on(grid_crs(plan), geoid_separation_m=plan.value("job.geoid_separation_m", 0.0))


def spots(plan: FencePlan, rows: NDArray[np.int64]) -> Spots:
    """Where some posts stand."""
    places = plan.places
    return Spots(
        easting=places.easting[rows],
        northing=places.northing[rows],
        level_m=plan.fence.posts.ground_level_m[rows],
    )


def held_along(plan: FencePlan, tape: Tape, run: Run) -> list[int]:
    """Places along a run of the posts that are set by themselves; a ring's first post is once more at its end.

    They are the run's ends, the posts of the kinds in :data:`HELD`, and where the line bends between those as many more
    as keep every post within :data:`STRING_M` of a string (Ramer 1972, Douglas and Peucker 1973).
    """
    rows = np.append(run.posts, run.posts[0]) if run.closed else run.posts
    kinds = plan.fence.posts.kind
    last = len(rows) - 1
    fixed = [at for at, row in enumerate(rows.tolist()) if at in (0, last) or kinds[row] in HELD]
    held, waiting = set(fixed), list(pairwise(fixed))
    while waiting:
        start, end = waiting.pop()
        if end - start < 2:
            continue
        first, inner = spots(plan, rows[[start]]), spots(plan, rows[start + 1 : end])
        if rows[start] == rows[end]:  # a ring without a corner comes back to where it began
            off = tape.between(first, inner)
        else:
            off = np.abs(tape.aside(first, spots(plan, rows[[end]]), inner))
        worst = start + 1 + int(np.argmax(off))
        if off[worst - start - 1] > STRING_M:
            held.add(worst)
            waiting += [(start, worst), (worst, end)]
    return sorted(held)
