"""The limits of undersides: which bays break which, and what the reader of the plan is told of it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Finding, Floats, LevelRules
from geofence.numeric import LEVEL_TOLERANCE_M, millimetres_down, millimetres_up

__all__ = ["breaches", "check_bays", "limit_findings", "steps_between"]

Flags = NDArray[np.bool_]


def check_bays(start_m: Floats, end_m: Floats, rules: LevelRules) -> None:
    """Raise ValueError on bays of no width and on rules that cannot be used."""
    if start_m.ndim != 1 or start_m.shape != end_m.shape or not np.all(end_m > start_m):
        raise ValueError("bays need as many ends as starts, each end beyond its start")
    if not rules.increment_m > 10 * LEVEL_TOLERANCE_M:
        raise ValueError(f"an increment of {rules.increment_m} m: needs more than {10 * LEVEL_TOLERANCE_M} m")
    for name in ("gap_cost", "dig_cost", "step_cost", "rise_cost"):
        if not 0 <= getattr(rules, name) < np.inf:
            raise ValueError(f"{name} of {getattr(rules, name)}: needs a finite price of 0 or more")
    for name in ("gap_max_m", "dig_max_m", "step_min_m", "step_max_m"):
        if np.isnan(getattr(rules, name)):
            raise ValueError(f"{name} is not a number")


def steps_between(from_m: Floats, to_m: Floats, *, closed: bool) -> Floats:
    """(m,) changes of level at the posts before bays, up positive, from the undersides at the two posts of each.

    0 for the first bay; ``closed``: on a ring the first bay's is from the last.
    """
    step_m = from_m - np.append(to_m[-1:] if closed else from_m[:1], to_m[:-1])
    step_m[np.abs(step_m) <= LEVEL_TOLERANCE_M] = 0.0
    return step_m


def breaches(gap_m: Floats, dig_m: Floats, step_m: Floats, rules: LevelRules) -> dict[str, Flags]:
    """Which bays break which limit: (m,) flags each, from the largest gap and dig of each and its step."""
    by = np.abs(step_m)
    return {
        "gap": gap_m > rules.gap_max_m + LEVEL_TOLERANCE_M,
        "dig": dig_m > rules.dig_max_m + LEVEL_TOLERANCE_M,
        "step-over": by > max(0.0, rules.step_max_m) + LEVEL_TOLERANCE_M,
        "step-under": (by > 0) & (by < rules.step_min_m - LEVEL_TOLERANCE_M),
    }


def limit_findings(
    finding: partial[Finding], end_m: float, *, gap_m: float, dig_m: float, step_m: float, rules: LevelRules, room: str
) -> Iterator[Finding]:
    """A ``stop`` for each limit that one bay breaks.

    Parameters
    ----------
    finding
        What its findings have in common: severity, bay, the chainage at which the bay starts.
    end_m
        Chainage at which it ends.
    gap_m, dig_m, step_m
        The largest gap and dig in it, and its step from the bay before.
    rules
        The limits.
    room
        What would make room for other levels, as the end of a sentence.
    """
    over = breaches(np.array([gap_m]), np.array([dig_m]), np.array([step_m]), rules)
    if over["gap"][0]:
        yield _gap(partial(finding, chainage_to_m=end_m), gap_m, rules, room)
    if over["dig"][0]:
        yield _dig(partial(finding, chainage_to_m=end_m), dig_m, rules, room)
    if over["step-over"][0]:
        yield _step_over(finding, abs(step_m), rules)
    if over["step-under"][0]:
        yield _step_under(finding, abs(step_m), rules)


def _gap(finding: partial[Finding], gap: float, rules: LevelRules, room: str) -> Finding:
    return finding(
        code="gap-over-limit",
        message=f"The underside stands up to {gap:.3f} m above the ground, {rules.gap_max_m:.3f} m is allowed.",
        remedy=f"Raise levels.gap_max_m to at least {millimetres_up(gap):g}, {room}.",
        value=gap,
        limit=rules.gap_max_m,
    )


def _dig(finding: partial[Finding], dig: float, rules: LevelRules, room: str) -> Finding:
    remedy = f"Raise levels.dig_max_m to at least {millimetres_up(dig):g}, {room}."
    if rules.dig_max_m >= 0:
        message = f"The ground stands up to {dig:.3f} m above the underside, {rules.dig_max_m:.3f} m is allowed."
        return finding(code="dig-over-limit", message=message, remedy=remedy, value=dig, limit=rules.dig_max_m)
    clear = f"clears the highest ground of the bay by {-dig:.3f} m" if dig <= 0 else f"lies {dig:.3f} m in the ground"
    return finding(
        code="clearance-under-limit",
        message=f"The underside {clear}, {-rules.dig_max_m:.3f} m must stay open.",
        remedy=remedy,
        value=-dig,
        limit=-rules.dig_max_m,
    )


def _step_over(finding: partial[Finding], step: float, rules: LevelRules) -> Finding:
    return finding(
        code="step-over-limit",
        message=f"The fence steps by {step:.3f} m at the post before this bay, {rules.step_max_m:.3f} m is allowed.",
        remedy=f"Raise levels.step_max_m to at least {millimetres_up(step):g}, or use a narrower module.",
        value=step,
        limit=rules.step_max_m,
    )


def _step_under(finding: partial[Finding], step: float, rules: LevelRules) -> Finding:
    return finding(
        code="step-under-limit",
        message=f"The fence steps by {step:.3f} m at the post before this bay, less than {rules.step_min_m:.3f} m.",
        remedy=f"Lower levels.step_min_m to at most {millimetres_down(step):g}.",
        value=step,
        limit=rules.step_min_m,
    )
