"""Levels of a stepped fence: the cheapest undersides that keep every limit, and proof of it.

The underside of a bay is level, at a multiple of ``increment_m`` from the datum. With g the ground in the bay, its gap
area is the integral of max(0, b - g) and its dig area that of max(0, g - b). The sum of

    gap_cost * gap area + dig_cost * dig area                 over the bays
    step_cost * [the level changes] + rise_cost * |change|    over the posts between two bays

is the least possible while gap <= ``gap_max_m``, dig <= ``dig_max_m`` and each step is 0 or within ``step_min_m`` and
``step_max_m``. A bay that breaks one of these is *broken*. Where the ground allows no fence without broken bays, their
number is the least possible, and the cost is the least with that number.

Which levels must be looked at
------------------------------
Without broken bays, those within a bay's limits, less those that no chain of allowed steps reaches.

Otherwise a broken bay may stand at any level. Let T be a level at or above all ground and all levels within limits,
and T' = T plus the least step. Lowering every level above T' to T' breaks no further bay and costs no more: the bays
lowered were broken and stay so; their gap areas shrink; changes between levels shrink or stay; and an allowed step
from above T' down to a bay that is within its limits, so at T or lower, keeps at least the least step. The same holds
below the ground, mirrored. Between these two levels the answer is exact.

That can be thousands of levels a bay. So each bay starts with a few around its ground, and everything outside them is
one more state whose price is a lower bound: the areas are convex in the level, so they grow outside at least as fast
as at the edge, and steps to and from outside are taken as free and allowed. If the best path never goes outside, no
path that does is better. Where it does, those bays get more levels, and the search is repeated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import partial
from itertools import count
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.chain import (
    Chain,
    Path,
    StepPrices,
    best_path,
    closed_path,
    largest_change,
    unbroken_path,
)
from geofence.engine.records import Cost, Finding, Floats, Ints, LevelRules, Profile
from geofence.numeric import LEVEL_TOLERANCE_M, snap_ceil, snap_floor

__all__ = ["Levels", "choose_levels", "level_findings"]

Flags = NDArray[np.bool_]
Proof = Literal["exact", "windowed"]

MOST_STATES = 10_000_000
"""Levels of all bays together: about 250 MB. Beyond it the answer is the best within the levels looked at."""

MOST_ARRIVALS = 1 << 15
"""Levels of a bay times allowed changes up to which looking at all pairs is quicker than sliding minima."""

LOCAL_TRIALS = 6
"""Searches after which every bay gets more levels, not only those that wanted more."""

NEAR_LEVELS = 256
"""Levels first looked at beyond a bay's ground, however generous its limits are."""

FAR_LEVEL = 1 << 40
"""No limit reaches further than this many increments, so that limits 'without end' stay whole numbers."""


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
        Among levels of equal cost the lower, seen from the last bay backwards.

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
    rows = np.arange(bays + closed) % bays
    row = _Row.of(BayGround.under(profile, start_m[rows], end_m[rows]), rules, closed=closed)
    level, proven = row.solve()
    areas = row.ground.areas(level, level, rules.increment_m)
    return _measured(
        level[:bays] * rules.increment_m,
        row.ground.lowest_m[:bays],
        row.ground.highest_m[:bays],
        (areas[0][:bays], areas[1][:bays]),
        rules,
        closed=closed,
        proven=proven,
    )


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """A row of bays with their limits, in increments. A ring's first bay is there once more, as its last."""

    ground: BayGround
    rules: LevelRules
    steps: StepPrices
    fit_low: Ints
    fit_high: Ints
    closed: bool

    @classmethod
    def of(cls, ground: BayGround, rules: LevelRules, *, closed: bool) -> _Row:
        increment = rules.increment_m
        lowest = (ground.highest_m - rules.dig_max_m - LEVEL_TOLERANCE_M) / increment
        highest = (ground.lowest_m + rules.gap_max_m + LEVEL_TOLERANCE_M) / increment
        least = np.ceil((rules.step_min_m - LEVEL_TOLERANCE_M) / increment)
        most = np.floor((rules.step_max_m + LEVEL_TOLERANCE_M) / increment)
        steps = StepPrices(
            least=max(1, int(_whole(least))),
            most=int(_whole(most)),
            change=rules.step_cost,
            rise=rules.rise_cost * increment,
        )
        return cls(
            ground=ground,
            rules=rules,
            steps=steps,
            fit_low=_whole(np.ceil(lowest)),
            fit_high=_whole(np.floor(highest)),
            closed=closed,
        )

    def solve(self) -> tuple[Ints, Proof]:
        """(n,) levels in increments, and how far they are proven."""
        path = self._unbroken()
        return (path.level, "exact") if path is not None else self._fewest_broken()

    def _unbroken(self) -> Path | None:
        """The best path without broken bays. None where there is none, or too many levels to look at them all."""
        if np.any(self.fit_low > self.fit_high):
            return None
        low, high = _reachable(self.fit_low, self.fit_high, self.steps.most)
        if np.any(low > high):
            return None
        reach = min(max(self.steps.most, 0), largest_change(low, high))
        states = int((high - low + 1 + 2 * reach).sum())
        arrivals = int((high - low).max() + 1) * (2 * reach + 1)
        if states > MOST_STATES or arrivals > MOST_ARRIVALS:
            return None
        return self._search(unbroken_path, self._chain(low, high))

    def _fewest_broken(self) -> tuple[Ints, Proof]:
        """The best path with broken bays, looking at more levels until none outside them can be better."""
        bottom, top = self._extremes()
        low, high = self._first_window(bottom, top)
        for trial in count(1):
            path = self._search(best_path, self._chain(low, high, bottom=bottom, top=top))
            wanting = path.level > high
            if not wanting.any():
                return path.level, "exact"
            more = np.where(wanting | (trial > LOCAL_TRIALS), (high - low) // 2 + 1, 0)
            wider = np.maximum(low - more, bottom), np.minimum(high + more, top)
            if int((wider[1] - wider[0] + 1).sum()) > MOST_STATES:
                break
            low, high = wider
        return self._search(best_path, self._chain(low, high)).level, "windowed"

    def _search(self, search: Callable[[Chain, StepPrices, int, int], Any], chain: Chain) -> Any:
        if not self.closed:
            return search(chain, self.steps, -FAR_LEVEL, FAR_LEVEL)
        return closed_path(partial(search, chain, self.steps), int(chain.low[0]), int(chain.high[0]) + 1)

    def _chain(self, low: Ints, high: Ints, *, bottom: int = FAR_LEVEL, top: int = -FAR_LEVEL) -> Chain:
        """The bays with candidates from ``low`` to ``high``, and what levels from ``bottom`` to ``top`` would cost."""
        gap, dig = self.ground.areas(low, high, self.rules.increment_m)
        price = self.rules.gap_cost * gap + self.rules.dig_cost * dig
        offset = np.cumsum(high - low + 1)
        first, last, beside = np.append(0, offset[:-1]), offset - 1, (high > low).astype(np.int64)
        below = np.where(low > bottom, _outside_price(price[first], price[first + beside], beside), np.inf)
        above = np.where(high < top, _outside_price(price[last], price[last - beside], beside), np.inf)
        outside = np.minimum(below, above)
        fit_low, fit_high = self.fit_low, self.fit_high
        if self.closed:
            price[: offset[0]] = 0.0
            outside[:1] *= 0.0 if np.isfinite(outside[0]) else 1.0
            fit_low, fit_high = _with_first(fit_low, -FAR_LEVEL), _with_first(fit_high, FAR_LEVEL)
        return Chain(
            low=low,
            high=high,
            price=price,
            fit_low=fit_low,
            fit_high=fit_high,
            outside_price=outside,
            outside_fits=(fit_low <= fit_high) & ((fit_low < low) | (fit_high > high)),
        )

    def _extremes(self) -> tuple[int, int]:
        """The levels between which the answer lies, whatever the prices."""
        increment, fits = self.rules.increment_m, self.fit_low <= self.fit_high
        margin = self.steps.least if self.steps.least <= self.steps.most else 0
        bottom = min(
            int(np.floor(self.ground.lowest_m.min() / increment)), int(self.fit_low[fits].min(initial=FAR_LEVEL))
        )
        top = max(
            int(np.ceil(self.ground.highest_m.max() / increment)), int(self.fit_high[fits].max(initial=-FAR_LEVEL))
        )
        return bottom - margin, top + margin

    def _first_window(self, bottom: int, top: int) -> tuple[Ints, Ints]:
        """Levels around the ground of each bay that usually are enough.

        Beyond the ground so far that the areas of one bay alone cost more than its two steps.
        """
        increment, rules = self.rules.increment_m, self.rules
        ground_low = np.floor(self.ground.lowest_m / increment).astype(np.int64)
        ground_high = np.ceil(self.ground.highest_m / increment).astype(np.int64)
        fits = self.fit_low <= self.fit_high
        low = np.where(fits, np.clip(self.fit_low, ground_low - NEAR_LEVELS, ground_low), ground_low)
        high = np.where(fits, np.clip(self.fit_high, ground_high, ground_high + NEAR_LEVELS), ground_high)

        jump = np.abs(np.diff(ground_low + ground_high)) / 2
        jump = np.maximum(np.append(jump, 0.0), np.append(0.0, jump))
        steps = 2 * (rules.step_cost + rules.rise_cost * increment * jump)
        area = self.ground.width_m * increment
        low = low - _levels_worth(steps, rules.dig_cost * area)
        high = high + _levels_worth(steps, rules.gap_cost * area)

        half = max(1, (MOST_STATES // len(low) - 1) // 2)
        if int((high - low + 1).sum()) > MOST_STATES:
            middle = (low + high) // 2
            low, high = np.maximum(low, middle - half), np.minimum(high, middle + half)
        if self.closed:
            low, high = low.copy(), high.copy()
            low[[0, -1]], high[[0, -1]] = low[[0, -1]].min(), high[[0, -1]].max()
        return np.maximum(low, bottom), np.minimum(high, top)


def _with_first(values: Ints, first: int) -> Ints:
    return np.append(first, values[1:])


def _outside_price(edge: Floats, inner: Floats, beside: Ints) -> Floats:
    """What levels beyond an edge cost at least: prices are convex in the level, and none is negative."""
    return np.where((beside > 0) & (edge >= inner), 2 * edge - inner, 0.0)


def _levels_worth(cost: Floats, level_cost: Floats) -> Ints:
    """How many levels cost that much, within reason."""
    few, many = 4.0, 64.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.ceil(np.clip(np.nan_to_num(cost / level_cost, nan=few, posinf=many), few, many)).astype(np.int64)


def _whole(values: Any) -> Any:
    """Floats as whole numbers, cut at the furthest level."""
    return np.clip(values, -FAR_LEVEL, FAR_LEVEL).astype(np.int64)


def _reachable(low: Ints, high: Ints, most: int) -> tuple[Ints, Ints]:
    """Ranges of levels cut down to what steps of at most ``most`` can reach from every other bay's range."""
    most = min(max(most, 0), int(high.max() - low.min()))
    drift = most * np.arange(len(low))
    ahead, back = np.maximum.accumulate(low + drift) - drift, np.maximum.accumulate((low - drift)[::-1])[::-1] + drift
    lowest = np.maximum(ahead, back)
    ahead, back = np.minimum.accumulate(high - drift) + drift, np.minimum.accumulate((high + drift)[::-1])[::-1] - drift
    return lowest, np.minimum(ahead, back)


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
        message=f"The underside stands {gap:.3f} m above the lowest ground of the bay, {rules.gap_max_m:.3f} m is allowed.",
        remedy=f"Raise levels.gap_max_m to at least {_up_to_mm(gap)}, {room}.",
        value=gap,
        limit=rules.gap_max_m,
    )


def _dig_finding(finding: partial[Finding], dig: float, rules: LevelRules, room: str) -> Finding:
    remedy = f"Raise levels.dig_max_m to at least {_up_to_mm(dig)}, {room}."
    if rules.dig_max_m >= 0:
        message = f"The ground stands {dig:.3f} m above the underside, {rules.dig_max_m:.3f} m is allowed."
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
        message=f"The fence steps by {step:.3f} m at the post before this bay, the least step is {rules.step_min_m:.3f} m.",
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
