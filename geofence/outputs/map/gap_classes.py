"""The classes by which bays are coloured: the gap under the panel, up to its limit; and the bays beyond limits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geofence.numeric import LEVEL_TOLERANCE_M
from geofence.plan import FencePlan

__all__ = ["bays_over_limit", "gap_edges_m", "stated_limit_m"]

MOST_GAP_CLASSES = 4


def bays_over_limit(plan: FencePlan) -> NDArray[np.int64]:
    """Rows of the bays not to be built as they are: over the job's limits, or with a finding that says stop."""
    bays = plan.fence.bays
    over = np.zeros(len(bays), dtype=bool)
    for name, value_m in (("gap_max_m", bays.gap_max_m), ("dig_max_m", bays.dig_max_m)):
        limit_m = stated_limit_m(plan, name)
        if limit_m is not None:
            over |= (value_m > limit_m + LEVEL_TOLERANCE_M) & (np.array(bays.kind) != "gate")
    over[[item.bay for item in plan.fence.findings if item.bay is not None and item.severity == "stop"]] = True
    return np.flatnonzero(over)


def gap_edges_m(plan: FencePlan) -> tuple[float, ...]:
    """Upper edges of the classes that bays are coloured by, from 0 (the panel meets the ground) to the limit.

    Round steps, at most four of them. Without a stated limit the classes reach the largest gap within limits.
    """
    top_m = stated_limit_m(plan, "gap_max_m")
    if top_m is None:
        within = np.ones(len(plan.fence.bays), dtype=bool)
        within[bays_over_limit(plan)] = False
        top_m = float(np.max(plan.fence.bays.gap_max_m, where=within, initial=0.0))
    if top_m <= 0:
        return (0.0,)
    least = top_m / MOST_GAP_CLASSES * (1 - 1e-9)
    power = 10.0 ** math.floor(math.log10(least))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= least)
    count = math.ceil(top_m / step * (1 - 1e-9))
    return (*(round(step * number, 6) for number in range(count)), top_m)


def stated_limit_m(plan: FencePlan, name: str) -> float | None:
    """A limit of the plan's levels (``gap_max_m``), metres; None where the plan states none."""
    limit_m: float | None = plan.value(f"levels.{name}")
    return limit_m
