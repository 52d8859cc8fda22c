"""Which line each row of a plan is of, and which other lines meet it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from geofence.engine.records import Bays, Floats, Ints
from geofence.plan_parts import Run

__all__ = ["meetings", "met_lines", "own_lines", "posts_in_order", "run_at"]


def run_at(runs: Sequence[Run], line: str, chainage_m: float) -> Run:
    """The run of a line that holds a chainage; of all lines where none has that name."""
    own = [run for run in runs if run.line == line] or list(runs)
    return next((run for run in reversed(own) if run.chainage_m[0] <= chainage_m), own[0])


def posts_in_order(run: Run, bays: Bays) -> tuple[Ints, Floats]:
    """Rows of a run's posts and their chainages; a ring comes back to its first post."""
    if not run.closed:
        return run.posts, run.chainage_m
    return np.append(run.posts, run.posts[0]), np.append(run.chainage_m, bays.end_m[run.bays[-1]])


def own_lines(runs: Sequence[Run], part: Literal["post", "bay", "station", "leg"], count: int) -> list[str]:
    """(n,) name of the line of each row; a post that lines share is the first one's."""
    names = [""] * count
    for run in reversed(runs):
        for row in getattr(run, f"{part}s").tolist():
            names[row] = run.line
    return names


def met_lines(runs: Sequence[Run], count: int) -> list[str]:
    """(n,) the other lines that share each post, with its chainage on them; its own where that comes back to it.

    >>> import numpy as np
    >>> def run(line, posts, chainage_m):
    ...     none = np.arange(0)
    ...     return Run(line=line, posts=np.array(posts), chainage_m=np.array(chainage_m), bays=none, stations=none,
    ...                legs=none, closed=False)
    >>> met_lines([run("A", [0, 1, 2], [0.0, 2.0, 4.0]), run("B", [3, 1], [0.0, 3.0])], 4)
    ['', 'B 3.000', '', '']
    """
    return ["; ".join(f"{line} {chainage_m:.3f}".lstrip() for line, chainage_m in met) for met in meetings(runs, count)]


def meetings(runs: Sequence[Run], count: int) -> list[list[tuple[str, float]]]:
    """(n,) the other lines that share each post, each with the post's chainage on it in metres."""
    seen: set[int] = set()
    met: list[list[tuple[str, float]]] = [[] for _ in range(count)]
    for run in runs:
        for row, chainage_m in zip(run.posts.tolist(), run.chainage_m.tolist(), strict=True):
            if row in seen:
                met[row].append((run.line, chainage_m))
            seen.add(row)
    return met
