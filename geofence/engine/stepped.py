"""Levels of a stepped fence: the cheapest undersides that keep every limit, and proof of it.

The underside of a bay is level, at a multiple of ``increment_m`` from the datum. With g the ground in the bay, its gap
area is the integral of max(0, b - g) and its dig area that of max(0, g - b). The sum of

    gap_cost * gap area + dig_cost * dig area                 over the bays
    step_cost * [the level changes] + rise_cost * |change|    over the posts between two bays

is the least possible while gap <= ``gap_max_m``, dig <= ``dig_max_m`` and each step is 0 or within ``step_min_m`` and
``step_max_m``. A bay that breaks one of these is *broken*. Where the ground allows no fence without broken bays, their
number is the least possible, and the cost is the least with that number.

Which levels are looked at, and why that is enough, is said in :mod:`geofence.engine.candidates`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.candidates import BayRow, Proof
from geofence.engine.records import Cost, Finding, Floats, LevelRules, Profile
from geofence.numeric import LEVEL_TOLERANCE_M, snap_ceil, snap_floor

__all__ = ["Levels", "choose_levels", "level_findings"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Undersides of a row of bays. Row i of each array is bay i.

    Attributes
    ----------
    underside_m
        (m,) levels, multiples of the increment.
    gap_max_m, dig_max_m
        (m,) the largest underside above ground, and ground above underside, anywhere in the bay; negative where the
        whole bay lies on the other side.
    gap_area_m2, dig_area_m2
        (m,) areas between underside and ground, above and below it.
    step_m
        (m,) change of level from the bay before, up positive. 0 for the first bay; on a ring the first bay's is from
        the last.
    cost
        What is minimised, by parts.
    broken
        (m,) bool: the bay's gap, dig, or step from the bay before is out of limits.
    proven
        ``exact``: no levels break fewer bays, nor as few at less cost. ``windowed``: that is known only of levels near
        the ground, because there were too many levels to look at.
    """

    underside_m: Floats
    gap_max_m: Floats
    dig_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    step_m: Floats
    cost: Cost
    broken: Flags
    proven: Proof

    def __post_init__(self) -> None:
        for item in fields(self):
            if isinstance(values := getattr(self, item.name), np.ndarray):
                values.flags.writeable = False

    def __len__(self) -> int:
        return len(self.underside_m)


def choose_levels(
    profile: Profile, start_m: Floats, end_m: Floats, rules: LevelRules, *, closed: bool = False
) -> Levels:
    """Choose the underside of every bay of a row.

    Parameters
    ----------
    profile
        The ground along the line.
    start_m, end_m
        (m,) chainages of the bays, in order along the fence.
    rules
        Limits and prices.
    closed
        True for a ring: the last bay and the first meet at a post too.

    Returns
    -------
    Levels
        Among equal costs, seen from the last bay backwards, a level is kept rather than changed, and else the lower one
        is taken.

    Raises
    ------
    ValueError
        A bay of no width, an increment of nothing, a negative or unusable price.

    Examples
    --------
    Ground that rises 0.5 m over two bays of 2 m; digging is dear, so each bay clears its highest ground:

    >>> rules = LevelRules(increment_m=0.05, gap_max_m=0.4, dig_max_m=0.0, step_min_m=0.05, step_max_m=0.6,
    ...                    gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0)
    >>> ground = Profile(chainage_m=[0.0, 4.0], level_m=[100.0, 100.5])
    >>> levels = choose_levels(ground, np.array([0.0, 2.0]), np.array([2.0, 4.0]), rules)
    >>> levels.underside_m.round(3).tolist(), levels.proven
    ([100.25, 100.5], 'exact')
    """
    start_m, end_m = np.asarray(start_m, dtype=np.float64), np.asarray(end_m, dtype=np.float64)
    _check(start_m, end_m, rules)
    bays = len(start_m)
    if bays == 0:
        nothing = np.empty(0)
        return _measured(nothing, nothing, nothing, (nothing, nothing), rules, closed=False, proven="exact")
    ground = BayGround.under(profile, start_m, end_m)
    row = BayRow.of(ground, rules)
    order = np.arange(bays)
    if closed:
        order = (np.arange(bays + 1) + row.tightest()) % bays
        row = BayRow.of(BayGround.under(profile, start_m[order], end_m[order]), rules, closed=True)
    solved, proven = row.solve()
    level = np.empty(bays, dtype=np.int64)
    level[order] = solved
    areas = ground.areas(level, level, rules.increment_m)
    underside = np.asarray(level * rules.increment_m, dtype=np.float64)
    return _measured(underside, ground.lowest_m, ground.highest_m, areas, rules, closed=closed, proven=proven)


def level_findings(levels: Levels, start_m: Floats, end_m: Floats, rules: LevelRules) -> tuple[Finding, ...]:
    """One finding of severity ``stop`` for each limit that a bay breaks; ``bay`` is the row in ``levels``.

    Codes: ``gap-over-limit``, ``dig-over-limit`` (``clearance-under-limit`` where the rules ask for a clearance),
    ``step-over-limit``, ``step-under-limit``. The remedy says what would cure the limit in this plan, and what would
    make room for another level.
    """
    over = _breaches(levels.gap_max_m, levels.dig_max_m, levels.step_m, rules)
    found: list[Finding] = []
    for bay in np.flatnonzero(levels.broken).tolist():
        start, end = float(start_m[bay]), float(end_m[bay])
        gap, dig, step = (float(column[bay]) for column in (levels.gap_max_m, levels.dig_max_m, levels.step_m))
        finding = partial(Finding, severity="stop", bay=bay, chainage_m=start, unit="m")
        room = _room_remedy(float(levels.underside_m[bay]), gap, dig, end - start, rules)
        if over["gap"][bay]:
            found.append(_gap_finding(partial(finding, chainage_to_m=end), gap, rules, room))
        if over["dig"][bay]:
            found.append(_dig_finding(partial(finding, chainage_to_m=end), dig, rules, room))
        if over["step-over"][bay]:
            found.append(_step_over_finding(finding, abs(step), rules))
        if over["step-under"][bay]:
            found.append(_step_under_finding(finding, abs(step), rules))
    return tuple(found)


def _check(start_m: Floats, end_m: Floats, rules: LevelRules) -> None:
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


def _measured(
    underside: Floats,
    lowest: Floats,
    highest: Floats,
    areas: tuple[Floats, Floats],
    rules: LevelRules,
    *,
    closed: bool,
    proven: Proof,
) -> Levels:
    before = np.roll(underside, 1) if closed else np.append(underside[:1], underside[:-1])
    step, gap, dig = underside - before, underside - lowest, highest - underside
    step[np.abs(step) <= LEVEL_TOLERANCE_M] = 0.0
    over = _breaches(gap, dig, step, rules)
    return Levels(
        underside_m=underside,
        gap_max_m=gap,
        dig_max_m=dig,
        gap_area_m2=areas[0],
        dig_area_m2=areas[1],
        step_m=step,
        cost=Cost(
            gap=rules.gap_cost * float(areas[0].sum()),
            dig=rules.dig_cost * float(areas[1].sum()),
            step=rules.step_cost * int(np.count_nonzero(step)),
            rise=rules.rise_cost * float(np.abs(step).sum()),
        ),
        broken=np.logical_or.reduce(list(over.values())),
        proven=proven,
    )


def _breaches(gap: Floats, dig: Floats, step: Floats, rules: LevelRules) -> dict[str, Flags]:
    """Which bays break which limit."""
    by = np.abs(step)
    return {
        "gap": gap > rules.gap_max_m + LEVEL_TOLERANCE_M,
        "dig": dig > rules.dig_max_m + LEVEL_TOLERANCE_M,
        "step-over": by > max(0.0, rules.step_max_m) + LEVEL_TOLERANCE_M,
        "step-under": (by > 0) & (by < rules.step_min_m - LEVEL_TOLERANCE_M),
    }


def _gap_finding(finding: partial[Finding], gap: float, rules: LevelRules, room: str) -> Finding:
    return finding(
        code="gap-over-limit",
        message=f"The underside stands up to {gap:.3f} m above the ground, {rules.gap_max_m:.3f} m is allowed.",
        remedy=f"Raise levels.gap_max_m to at least {_up_to_mm(gap)}, {room}.",
        value=gap,
        limit=rules.gap_max_m,
    )


def _dig_finding(finding: partial[Finding], dig: float, rules: LevelRules, room: str) -> Finding:
    remedy = f"Raise levels.dig_max_m to at least {_up_to_mm(dig)}, {room}."
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


def _step_over_finding(finding: partial[Finding], step: float, rules: LevelRules) -> Finding:
    return finding(
        code="step-over-limit",
        message=f"The fence steps by {step:.3f} m at the post before this bay, {rules.step_max_m:.3f} m is allowed.",
        remedy=f"Raise levels.step_max_m to at least {_up_to_mm(step)}, or use a narrower module.",
        value=step,
        limit=rules.step_max_m,
    )


def _step_under_finding(finding: partial[Finding], step: float, rules: LevelRules) -> Finding:
    return finding(
        code="step-under-limit",
        message=f"The fence steps by {step:.3f} m at the post before this bay, less than {rules.step_min_m:.3f} m.",
        remedy=f"Lower levels.step_min_m to at most {snap_floor(step * 1000) / 1000:g}.",
        value=step,
        limit=rules.step_min_m,
    )


def _room_remedy(underside: float, gap: float, dig: float, width: float, rules: LevelRules) -> str:
    """What would make room for a level within limits, as the end of a sentence."""
    relief, room = gap + dig, rules.gap_max_m + rules.dig_max_m
    if relief > room + LEVEL_TOLERANCE_M:
        narrower = f" of about {width * room / relief:.2f} m" if room > 0 else ""
        return (
            f"or use a narrower module{narrower}: the ground rises {relief:.3f} m within the bay, "
            f"gap_max_m and dig_max_m leave {max(room, 0.0):.3f} m"
        )
    lowest = snap_ceil((underside + dig - rules.dig_max_m - LEVEL_TOLERANCE_M) / rules.increment_m, 0.0)
    highest = snap_floor((underside - gap + rules.gap_max_m + LEVEL_TOLERANCE_M) / rules.increment_m, 0.0)
    if lowest > highest:
        finer = snap_floor((room - relief) * 1000) / 1000
        return f"or set levels.increment_m to at most {finer:g}" if finer > 0 else "or use a finer levels.increment_m"
    return "or widen levels.step_min_m to levels.step_max_m, for the step limits keep the bay from a level that fits"


def _up_to_mm(value: float) -> str:
    return f"{snap_ceil(value * 1000) / 1000:g}"
