"""The runs of a plan as the map has them: which posts and bays follow each other, on which line, at which chainages."""

from __future__ import annotations

from typing import Any

import numpy as np

from geofence.outputs.map.columns import packed
from geofence.plan import FencePlan, Run

__all__ = ["lines_data"]


def lines_data(plan: FencePlan) -> dict[str, Any]:
    """Names of the lines, and the runs in order; chainages of posts only where they are not the posts' own."""
    names = list(dict.fromkeys(run.line for run in plan.runs))
    return {"names": names, "runs": [_run(plan, run) | {"line": names.index(run.line)} for run in plan.runs]}


def _run(plan: FencePlan, run: Run) -> dict[str, Any]:
    other = np.flatnonzero(np.abs(run.chainage_m - plan.fence.posts.chainage_m[run.posts]) > 5e-4)
    return {
        "closed": run.closed,
        "count": len(run.posts),
        "posts": packed(run.posts),
        "chainages": [[int(place), round(float(run.chainage_m[place]), 3)] for place in other],
        "first_bay": int(run.bays[0]),
        "bays": len(run.bays),
        "end_m": round(float(plan.fence.bays.end_m[run.bays[-1]]), 3),
    }
