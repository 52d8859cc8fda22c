"""What changes of level at posts cost, and the cheapest way to arrive at levels by one.

Levels are whole numbers of increments throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats, LevelRules
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["FAR_LEVEL", "Arrivals", "StepPrices", "overlap"]

FAR_LEVEL = 1 << 40
"""No limit reaches further than this many increments, so that limits 'without end' stay whole numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPrices:
    """What a change of level at a post costs, in increments.

    No change is free. A change by ``least`` to ``most`` increments is allowed (none is where ``most`` is less than
    ``least``) and costs ``change`` plus ``rise`` for each increment.
    """

    least: int
    most: int
    change: float
    rise: float

    @classmethod
    def of(cls, rules: LevelRules) -> StepPrices:
        """The rules' limits of steps, met to the tolerance, and their prices."""
        least = np.ceil((rules.step_min_m - LEVEL_TOLERANCE_M) / rules.increment_m)
        most = np.floor((rules.step_max_m + LEVEL_TOLERANCE_M) / rules.increment_m)
        return cls(
            least=int(np.clip(least, 1, FAR_LEVEL)),
            most=int(np.clip(most, -FAR_LEVEL, FAR_LEVEL)),
            change=rules.step_cost,
            rise=rules.rise_cost * rules.increment_m,
        )

    def any_price(self, reach: int) -> Floats:
        """(2 reach + 1,) prices of changes from -reach to reach, allowed or not."""
        by = np.abs(np.arange(-reach, reach + 1))
        return np.where(by == 0, 0.0, self.change + self.rise * by)

    def allowed_price(self, reach: int) -> Floats:
        """(2 reach + 1,) prices of changes from -reach to reach, infinite where not allowed."""
        by = np.abs(np.arange(-reach, reach + 1))
        return np.where((by == 0) | ((by >= self.least) & (by <= self.most)), self.any_price(reach), np.inf)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrivals:
    """Least costs of levels that a step leads to, from the costs of levels before it.

    ``rise``: what 0, 1, 2... increments of change cost, up to beyond the largest change.
    """

    steps: StepPrices
    rise: Floats

    @classmethod
    def of(cls, steps: StepPrices, *, longest: int) -> Arrivals:
        """Of prices of steps; ``longest`` is the largest change of level, in increments, and one."""
        return cls(steps=steps, rise=np.asarray(steps.rise * np.arange(longest), dtype=np.float64))

    def by_allowed(self, cost: Floats, shift: int, width: int) -> Floats:
        """(r, width) least costs of arriving by no step or an allowed one, from (r, n) costs ``shift`` levels lower.

        Sliding minima from below and from above at once; the rise is paid by tilting the costs.
        """
        rows, count, least = *cost.shape, self.steps.least
        result = np.full((rows, width), np.inf)
        here, there = overlap(count, width, shift)
        result[:, here] = cost[:, there]
        most = min(self.steps.most, max(shift + width - 1, count - 1 - shift))
        span = most - least + 1
        if span < 1:
            return result
        tilted = np.full((2, rows, width + span - 1), np.inf)
        here, there = overlap(count, width + span - 1, shift - most)
        np.subtract(cost[:, there], self.rise[there], tilted[0, :, here])
        here, there = overlap(count, width + span - 1, shift + least)
        np.add(cost[:, there], self.rise[there], tilted[1, :, here])
        cheapest = _sliding_minimum(tilted, span)
        climb = self.rise[:width] + self.steps.rise * shift
        cheapest[0] += self.steps.change + climb
        cheapest[1] += self.steps.change - climb
        np.minimum(result, cheapest[0], out=result)
        np.minimum(result, cheapest[1], out=result)
        return result

    def by_any(self, cost: Floats, shift: int, width: int) -> Floats:
        """(..., width) least costs of arriving by any step, from (..., n) costs ``shift`` levels lower."""
        count, start = cost.shape[-1], min(0, shift)
        length = max(count, shift + width) - start
        here = slice(-start, count - start)
        rise = self.rise[:length]
        tilted = np.full((2, *cost.shape[:-1], length), np.inf)
        np.subtract(cost, rise[here], tilted[0, ..., here])
        np.add(cost, rise[here], tilted[1, ..., here])
        np.minimum.accumulate(tilted[0], -1, None, tilted[0])
        np.minimum.accumulate(tilted[1, ..., ::-1], -1, None, tilted[1, ..., ::-1])
        there = slice(shift - start, shift - start + width)
        result: Floats = np.minimum(tilted[0, ..., there] + rise[there], tilted[1, ..., there] - rise[there])
        result += self.steps.change
        here, there = overlap(count, width, shift)
        np.minimum(result[..., here], cost[..., there], out=result[..., here])
        return result


def overlap(count: int, width: int, shift: int) -> tuple[slice, slice]:
    """Where entries ``shift .. shift + width`` meet entries ``0 .. count``: the slice of each."""
    a, b = max(0, shift), min(count, shift + width)
    return (slice(a - shift, b - shift), slice(a, b)) if a < b else (slice(0, 0), slice(0, 0))


def _sliding_minimum(values: Floats, span: int) -> Floats:
    """Minima of each ``span`` neighbours along the last axis."""
    covered = 1
    while 2 * covered <= span:
        values = np.minimum(values[..., :-covered], values[..., covered:])
        covered *= 2
    rest = span - covered
    return np.minimum(values[..., : values.shape[-1] - rest], values[..., rest:])
