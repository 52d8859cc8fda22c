"""Where a plan's findings stand, and in which order they are told: the same in every file, drawing and list."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Finding, Floats
from geofence.numeric import WIDTH_TOLERANCE_M
from geofence.plan import SEVERITIES, FencePlan
from geofence.plan_lines import posts_in_order, run_at

__all__ = ["FindingPlace", "finding_places", "worst_first"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingPlace:
    """Where along the fence a finding stands.

    Attributes
    ----------
    run
        Row of the plan's runs.
    at_m
        Chainage of its sign: that of its post, of the middle of its bay, or of the middle of its stretch; the nearest
        of the run where that is beyond an end of the fence.
    from_m, to_m
        The stretch of the run that it is about; twice ``at_m`` where it is about one place.
    nth
        Which of the run's posts the sign is at, or follows, from 0; a ring's first post is its last one too.
    behind, ahead, share
        Rows of the posts between which the sign is, and its part of the way from one to the other.
    """

    run: int
    at_m: float
    from_m: float
    to_m: float
    nth: int
    behind: int
    ahead: int
    share: float

    @property
    def reaches(self) -> bool:
        """Whether the finding is about a stretch, and not about one place."""
        return self.to_m > self.from_m

    def of(self, values: Floats) -> float:
        """What a column of the plan's posts has at the sign."""
        return float(values[self.behind] * (1 - self.share) + values[self.ahead] * self.share)


def finding_places(plan: FencePlan) -> list[FindingPlace | None]:
    """Of each finding in the plan's order; None for one of the whole plan, and of a line that has no fence."""
    places = _Places(plan)
    return [places.of(finding) for finding in plan.fence.findings]


def worst_first(plan: FencePlan) -> list[tuple[Finding, FindingPlace | None]]:
    """Findings with their places, by severity and then along the fence; those of the whole plan before their like."""
    return sorted(zip(plan.fence.findings, finding_places(plan), strict=True), key=_rank)


def _rank(placed: tuple[Finding, FindingPlace | None]) -> tuple[int, int, float]:
    finding, place = placed
    along = (-1, 0.0) if place is None else (place.run, place.at_m)
    return SEVERITIES.index(finding.severity), *along


class _Places:
    """What is looked up for every finding: the runs' posts in order, and on which run each post and bay is."""

    def __init__(self, plan: FencePlan) -> None:
        self.runs, self.bays = plan.runs, plan.fence.bays
        self.in_order = [posts_in_order(run, self.bays) for run in plan.runs]
        self.run_of_bay: dict[int, int] = {}
        self.post: dict[tuple[str, int], tuple[int, float]] = {}
        for number, run in enumerate(plan.runs):
            self.run_of_bay |= dict.fromkeys(run.bays.tolist(), number)
            for row, chainage_m in zip(run.posts.tolist(), run.chainage_m.tolist(), strict=True):
                self.post.setdefault((run.line, row), (number, chainage_m))
                self.post.setdefault(("", row), (number, chainage_m))

    def of(self, finding: Finding) -> FindingPlace | None:
        stretch = self._stretch(finding)
        if finding.post is not None:
            run, at_m = self.post.get((finding.line, finding.post)) or self.post["", finding.post]
        elif finding.bay is not None:
            run = self.run_of_bay[finding.bay]
            at_m = float(self.bays.start_m[finding.bay] + self.bays.end_m[finding.bay]) / 2
        elif stretch is not None and any(finding.line in ("", each.line) for each in self.runs):
            at_m = sum(stretch) / 2
            run = self.runs.index(run_at(self.runs, finding.line, at_m))
        else:
            return None
        return self._placed(run, at_m, stretch or (at_m, at_m))

    def _stretch(self, finding: Finding) -> tuple[float, float] | None:
        """From where to where a finding says it is; else its bay; its chainage twice; None where it is at a post."""
        from_m, to_m = (math.nan if at is None else at for at in (finding.chainage_m, finding.chainage_to_m))
        if math.isfinite(from_m) and math.isfinite(to_m):
            return from_m, to_m
        if finding.bay is not None:
            return float(self.bays.start_m[finding.bay]), float(self.bays.end_m[finding.bay])
        return (from_m, from_m) if finding.post is None and math.isfinite(from_m) else None

    def _placed(self, run: int, at_m: float, stretch: tuple[float, float]) -> FindingPlace:
        rows, chainage_m = self.in_order[run]
        at_m, from_m, to_m = np.clip((at_m, *stretch), chainage_m[0], chainage_m[-1]).tolist()
        nth = int(np.searchsorted(chainage_m, at_m + WIDTH_TOLERANCE_M, side="right")) - 1
        after = min(nth + 1, len(rows) - 1)
        way_m = float(chainage_m[after] - chainage_m[nth])
        return FindingPlace(
            run=run, at_m=at_m, from_m=from_m, to_m=to_m, nth=nth, behind=int(rows[nth]), ahead=int(rows[after]),
            share=max((at_m - float(chainage_m[nth])) / way_m, 0.0) if way_m else 0.0,
        )  # fmt: skip
