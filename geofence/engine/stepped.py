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

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.candidates import BayRow, Proof
from geofence.engine.limits import breaches, check_bays, limit_findings, steps_between
from geofence.engine.records import Cost, Finding, Floats, LevelRules, Profile, seal
from geofence.numeric import LEVEL_TOLERANCE_M, snap_ceil, snap_floor

__all__ = ["Levels", "choose_levels", "level_findings"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Undersides of a row of bays. Row i of each array is bay i.

    Attributes
    ----------
    underside_from_m, underside_to_m
        (m,) levels at the bay's two posts, multiples of the increment; between them the underside is straight.
    gap_max_m, dig_max_m
        (m,) the largest underside above ground, and ground above underside, anywhere in the bay; negative where the
        whole bay lies on the other side.
    gap_area_m2, dig_area_m2
        (m,) areas between underside and ground, above and below it.
    step_m
        (m,) change of level at the post before the bay, up positive. 0 for the first bay; on a ring the first bay's is
        from the last.
    cost
        What is minimised, by parts.
    broken
        (m,) bool: the bay's gap, dig, or step from the bay before is out of limits.
    proven
        ``exact``: no levels break fewer bays, nor as few at less cost. ``windowed``: that is known only of levels near
        the ground, because there were too many levels to look at.
    """

    underside_from_m: Floats
    underside_to_m: Floats
    gap_max_m: Floats
    dig_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    step_m: Floats
    cost: Cost
    broken: Flags
    proven: Proof

    def __post_init__(self) -> None:
        seal(self)

    def __len__(self) -> int:
        return len(self.underside_from_m)


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
    >>> levels.underside_from_m.round(3).tolist(), levels.proven
    ([100.25, 100.5], 'exact')
    """
    start_m, end_m = np.asarray(start_m, dtype=np.float64), np.asarray(end_m, dtype=np.float64)
    check_bays(start_m, end_m, rules)
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
    found: list[Finding] = []
    for bay in np.flatnonzero(levels.broken).tolist():
        start, end = float(start_m[bay]), float(end_m[bay])
        gap, dig, step = (float(column[bay]) for column in (levels.gap_max_m, levels.dig_max_m, levels.step_m))
        room = _room_remedy(float(levels.underside_from_m[bay]), gap, dig, end - start, rules)
        finding = partial(Finding, severity="stop", bay=bay, chainage_m=start, unit="m")
        found += limit_findings(finding, end, gap_m=gap, dig_m=dig, step_m=step, rules=rules, room=room)
    return tuple(found)


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
    step, gap, dig = steps_between(underside, underside, closed=closed), underside - lowest, highest - underside
    over = breaches(gap, dig, step, rules)
    return Levels(
        underside_from_m=underside,
        underside_to_m=underside,
        gap_max_m=gap,
        dig_max_m=dig,
        gap_area_m2=areas[0],
        dig_area_m2=areas[1],
        step_m=step,
        cost=Cost.of(rules, gap_area_m2=areas[0], dig_area_m2=areas[1], step_m=step),
        broken=np.logical_or.reduce(list(over.values())),
        proven=proven,
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
