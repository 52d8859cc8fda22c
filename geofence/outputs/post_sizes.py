"""How wide each post is, and the hole that it stands in: gate posts may have sizes of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.plan import FencePlan

__all__ = ["Sizes"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sizes:
    """Widths of posts and diameters of their holes, (n,) metres each."""

    width_m: Floats
    hole_m: Floats

    @classmethod
    def of(cls, plan: FencePlan) -> Sizes:
        """The system's, and for gate posts those of their gate; of two gates at a post the larger.

        Of a post that exists already nobody knows the width: it is taken for the system's, and has no hole to be dug.
        """
        count, bays = len(plan.fence.posts), plan.fence.bays
        width, hole = np.full(count, plan.system.post_width_m), np.full(count, plan.system.hole_diameter_m)
        stands = np.array([kind == "existing" for kind in plan.fence.posts.kind], dtype=bool)
        hole[stands] = 0.0
        own = np.zeros(count, dtype=bool)
        for gate in plan.gates:
            for row in (int(bays.from_post[gate.bay]), int(bays.to_post[gate.bay])):
                if stands[row]:
                    continue
                width[row] = max(gate.post_width_m, width[row] if own[row] else 0.0)
                hole[row] = max(gate.hole_diameter_m, hole[row] if own[row] else 0.0)
                own[row] = True
        return cls(width_m=width, hole_m=hole)

    def between(self, one: int, other: int) -> float:
        """What the two posts take off the distance between their centres."""
        return float(self.width_m[one] + self.width_m[other]) / 2
