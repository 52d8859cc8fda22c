"""Several fence systems planned on one job, set side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from geofence.errors import GeofenceError
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from geofence.planning.surveyed import Progress

__all__ = ["Candidate", "compare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What one system comes to on the job; ``refused`` says why there is no plan, and the rest is then 0.

    Attributes
    ----------
    system
        Name, or path of a TOML file.
    posts, bays, cut_bays, steps
        Counts.
    post_length_m
        Sum of the lengths of the posts to be set.
    gap_area_m2, dig_area_m2, gap_max_m, dig_max_m
        Under panels, gates left out: areas in all, and the worst.
    cost
        Of the levels, in the weights of that system or the job.
    stop, warn, note
        Findings.
    """

    system: str
    posts: int = 0
    bays: int = 0
    cut_bays: int = 0
    steps: int = 0
    post_length_m: float = 0.0
    gap_area_m2: float = 0.0
    dig_area_m2: float = 0.0
    gap_max_m: float = 0.0
    dig_max_m: float = 0.0
    cost: float = 0.0
    stop: int = 0
    warn: int = 0
    note: int = 0
    refused: str = ""

    def as_values(self) -> dict[str, Any]:
        """As plain values for JSON."""
        return {key: round(value, 6) if isinstance(value, float) else value for key, value in asdict(self).items()}


def compare(
    job: Path | str, systems: Sequence[str], *, origin: str = "call", progress: Progress = lambda _stage: None
) -> tuple[Candidate, ...]:
    """Plan a job with each of several systems in place of its own.

    Raises
    ------
    GeofenceError
        None of the systems can be planned; the first reason.
    """
    found: list[Candidate] = []
    reasons: list[GeofenceError] = []
    for system in systems:
        progress(f"Planning {system}")
        try:
            found.append(_candidate(system, plan_fence(job, system=system, origin=origin)))
        except GeofenceError as reason:
            reasons.append(reason)
            found.append(Candidate(system=system, refused=str(reason)))
    if len(reasons) == len(found) and reasons:
        raise reasons[0]
    return tuple(found)


def _candidate(system: str, plan: FencePlan) -> Candidate:
    bays, posts, summary = plan.fence.bays, plan.fence.posts, plan.summary()
    panels = np.array(bays.kind) != "gate"
    return Candidate(
        system=system,
        posts=len(posts),
        bays=len(bays),
        cut_bays=plan.bay_words.count("cut"),
        steps=summary["steps"],
        post_length_m=float(np.nansum(posts.length_m)),
        gap_area_m2=float(bays.gap_area_m2[panels].sum()),
        dig_area_m2=float(bays.dig_area_m2[panels].sum()),
        gap_max_m=float(bays.gap_max_m[panels].max(initial=0.0)),
        dig_max_m=float(bays.dig_max_m[panels].max(initial=0.0)),
        cost=plan.fence.cost.total,
        **summary["findings"],
    )
