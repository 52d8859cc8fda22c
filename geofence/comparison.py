"""Several fence systems, or ways to place cut bays, planned on one job and set side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from geofence.errors import GeofenceError, JobError
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from geofence.planning.surveyed import Progress

__all__ = ["Candidate", "compare", "dearer_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What one system or fit comes to on the job; ``refused`` says why there is no plan, and the rest is then 0.

    Attributes
    ----------
    name
        What was asked for: the system, the fit, or both.
    system, fit
        Those it is planned with: name or path of a TOML file, and word; empty where they are the job's and there is no
        plan. A fence of wires has no fit.
    posts, bays, cut_bays, broken_bays, steps
        Counts; broken bays break a limit of their levels.
    moved_posts
        Posts that stand elsewhere than they would, clear of what must be kept clear.
    post_length_m
        Sum of the lengths of the posts to be set.
    gap_area_m2, dig_area_m2, gap_max_m, dig_max_m
        Under panels, gates left out: areas in all, and the worst.
    cost_gap, cost_dig, cost_step, cost_rise, cost
        Of the levels, in the weights of that system or the job: its parts, and their sum.
    stop, warn, note
        Findings.
    """

    name: str
    system: str = ""
    fit: str = ""
    posts: int = 0
    moved_posts: int = 0
    bays: int = 0
    cut_bays: int = 0
    broken_bays: int = 0
    steps: int = 0
    post_length_m: float = 0.0
    gap_area_m2: float = 0.0
    dig_area_m2: float = 0.0
    gap_max_m: float = 0.0
    dig_max_m: float = 0.0
    cost_gap: float = 0.0
    cost_dig: float = 0.0
    cost_step: float = 0.0
    cost_rise: float = 0.0
    cost: float = 0.0
    stop: int = 0
    warn: int = 0
    note: int = 0
    refused: str = ""

    def as_values(self) -> dict[str, Any]:
        """As plain values for JSON."""
        return {key: round(value, 6) if isinstance(value, float) else value for key, value in asdict(self).items()}


def compare(
    job: Path | str,
    systems: Sequence[str] = (),
    fits: Sequence[str] = (),
    *,
    origin: str = "call",
    progress: Progress = lambda _stage: None,
) -> tuple[Candidate, ...]:
    """Plan a job with each of several systems in place of its own, or each of several fits; given both, with all pairs.

    Raises
    ------
    GeofenceError
        Nothing can be planned; the first reason.
    """
    found: list[Candidate] = []
    reasons: list[GeofenceError] = []
    for system, fit in product(systems or ("",), fits or ("",)):
        name = ", ".join(filter(None, (system, fit)))
        progress(f"Planning {name}")
        try:
            found.append(_candidate(name, system, _planned(job, system, fit, origin)))
        except GeofenceError as reason:
            reasons.append(reason)
            found.append(Candidate(name=name, system=system, fit=fit, refused=str(reason)))
    if len(reasons) == len(found) and reasons:
        raise reasons[0]
    return tuple(found)


def _planned(job: Path | str, system: str, fit: str, origin: str) -> FencePlan:
    """The plan with a system and a fit, empty: the job's own.

    Raises
    ------
    JobError
        A fit is asked of a fence of wires.
    """
    values = {"layout": {"fit": fit}} if fit else None
    plan = plan_fence(job, system=system or None, values=values, origin=origin)
    if fit and plan.system.slope == "strained":
        raise JobError(
            f"{plan.system.name} has wires, which have no cut bays: no fit makes a difference to it",
            place="layout.fit",
            remedy="Compare it by --systems alone.",
        )
    return plan


def _candidate(name: str, system: str, plan: FencePlan) -> Candidate:
    bays, posts, cost, summary = plan.fence.bays, plan.fence.posts, plan.fence.cost, plan.summary()
    panels = np.array(bays.kind) != "gate"
    return Candidate(
        name=name,
        system=system or plan.system.name,
        fit=plan.value("layout.fit", "") if plan.system.slope != "strained" else "",
        posts=len(posts),
        moved_posts=sum(len(item.posts) for item in plan.fence.findings if item.code == "keep-clear-avoided"),
        bays=len(bays),
        cut_bays=plan.bay_words.count("cut"),
        broken_bays=len(plan.broken_bays),
        steps=summary["steps"],
        post_length_m=float(np.nansum(posts.length_m)),
        gap_area_m2=float(bays.gap_area_m2[panels].sum()),
        dig_area_m2=float(bays.dig_area_m2[panels].sum()),
        gap_max_m=float(bays.gap_max_m[panels].max(initial=0.0)),
        dig_max_m=float(bays.dig_max_m[panels].max(initial=0.0)),
        cost_gap=cost.gap,
        cost_dig=cost.dig,
        cost_step=cost.step,
        cost_rise=cost.rise,
        cost=cost.total,
        **summary["findings"],
    )


BEFORE_COST = {"bays": "bay", "moved_posts": "moved post", "cut_bays": "cut bay", "broken_bays": "broken bay"}
"""What ``best`` has the fewest of before it looks at cost, and what one of them is called."""


def dearer_for(candidates: Sequence[Candidate]) -> Iterator[str]:
    """What ``best`` has for its cost where another fit of the same system costs less, a sentence for each such fit."""
    for best in candidates:
        others = [other for other in candidates if other.system == best.system and not other.refused]
        for other in others if best.fit == "best" and not best.refused else ():
            fewer = _fewer(best, other)
            if other.cost < best.cost and fewer:
                more = f"{best.cost - other.cost:.2f} more than {other.name}"
                yield f"{best.name} costs {more} and has {fewer}: counted before cost"


def _fewer(best: Candidate, other: Candidate) -> str:
    """What one has fewer of than the other: ``1 broken bay fewer (0, not 1)``."""
    counts = {word: (getattr(best, key), getattr(other, key)) for key, word in BEFORE_COST.items()}
    return ", ".join(
        f"{theirs - own} {word if theirs - own == 1 else f'{word}s'} fewer ({own}, not {theirs})"
        for word, (own, theirs) in counts.items()
        if own < theirs
    )
