"""Levels of a raked fence: the cheapest sloping undersides that keep every limit, and proof of it.

The underside of a bay runs straight from post to post, from one multiple of ``increment_m`` to another. With g the
ground and b the underside in the bay, its gap area is the integral of max(0, b - g) and its dig area that of
max(0, g - b). The sum of

    gap_cost * gap area + dig_cost * dig area                 over the bays
    step_cost * [the level changes] + rise_cost * |change|    over the posts between two bays

is the least possible while gap <= ``gap_max_m``, dig <= ``dig_max_m``, the slope of each bay <= ``rake_max_deg`` and
each step at a post is 0 or within ``step_min_m`` and ``step_max_m``. Where steps are ``never`` to be, undersides meet
at every post, come what may. A bay that breaks one of the limits is *broken*. Where the ground allows no fence without
broken bays, their number is the least possible, and the cost is the least with that number.

Which undersides are looked at is said in :mod:`geofence.engine.bay_ends`, how the best are found in
:mod:`geofence.engine.end_chain`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import Stations
from geofence.engine.bay_ends import BayEnds
from geofence.engine.candidates import Proof
from geofence.engine.chain import Path, StepPrices, closed_path
from geofence.engine.end_chain import Links, cheapest_ends, fewest_broken
from geofence.engine.limits import breaches, check_bays, steps_between
from geofence.engine.records import Cost, Floats, Ints, LevelRules, Profile, RakeRules
from geofence.engine.stepped import Levels
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["RakedLevels", "choose_rakes"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RakedLevels(Levels):
    """Undersides of a row of sloping bays; ``broken`` are those too that slope by more than the rake limit.

    Attributes
    ----------
    slope_length_m
        (m,) from post to post along the slope, centre to centre.
    cut_angle_deg
        (m,) slope of the bay, up positive: how far off square rails are cut to stand plumb at the posts.
    steep
        (m,) bool: the bay slopes by more than the rake limit.
    """

    slope_length_m: Floats
    cut_angle_deg: Floats
    steep: Flags


def choose_rakes(
    profile: Profile,
    start_m: Floats,
    end_m: Floats,
    rules: LevelRules,
    rake: RakeRules,
    *,
    width_m: Floats | None = None,
    closed: bool = False,
) -> RakedLevels:
    """Choose the underside of every bay of a row of sloping bays.

    Parameters
    ----------
    profile
        The ground along the line.
    start_m, end_m
        (m,) chainages of the bays, in order along the fence.
    rules, rake
        Limits and prices.
    width_m
        (m,) centre to centre of the posts, which the slope is measured by; from start to end where left out.
    closed
        True for a ring: the last bay and the first meet at a post too.

    Returns
    -------
    RakedLevels
        Among equal costs, seen from the last bay backwards, the lower level at the second post is taken, then the
        flatter bay, then no step, and else the lower level.

    Raises
    ------
    ValueError
        A bay of no width, an increment of nothing, a negative or unusable price, a rake limit out of 0 to 89 degrees.

    Examples
    --------
    Ground that rises 0.5 m over two bays of 2 m, straight: the fence follows it.

    >>> rules = LevelRules(increment_m=0.05, gap_max_m=0.1, dig_max_m=0.0, step_min_m=0.05, step_max_m=0.6,
    ...                    gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0)
    >>> ground = Profile(chainage_m=[0.0, 4.0], level_m=[100.0, 100.5])
    >>> levels = choose_rakes(ground, np.array([0.0, 2.0]), np.array([2.0, 4.0]), rules, RakeRules(rake_max_deg=15))
    >>> levels.underside_from_m.round(3).tolist(), levels.underside_to_m.round(3).tolist()
    ([100.0, 100.25], [100.25, 100.5])
    >>> levels.cut_angle_deg.round(3).tolist(), levels.proven
    ([7.125, 7.125], 'exact')
    """
    start_m, end_m = np.asarray(start_m, dtype=np.float64), np.asarray(end_m, dtype=np.float64)
    check_bays(start_m, end_m, rules)
    if not 0 <= rake.rake_max_deg <= STEEPEST_DEG:
        raise ValueError(f"rake_max_deg of {rake.rake_max_deg}: needs 0 to {STEEPEST_DEG:g}")
    width_m = end_m - start_m if width_m is None else np.asarray(width_m, dtype=np.float64)
    if len(start_m) == 0:
        return _nothing()
    stations = Stations.under(profile, start_m, end_m)
    row = BayEnds.within_limits(stations, width_m, rules, rake)
    if closed:
        order = np.roll(np.arange(len(start_m)), -1 - _tightest(row))
        turned = Stations.under(profile, start_m[order], end_m[order])
        row = BayEnds.within_limits(turned, width_m[order], rules, rake)
    else:
        order = np.arange(len(start_m))
    path, proven = _Search(row=row, rules=rules, joined=rake.steps == "never", closed=closed).best()
    ends = np.empty((len(start_m), 2), dtype=np.int64)
    ends[order] = path.level[1 if closed else 0 :].reshape(-1, 2)
    return _measured(stations, ends[:, 0], ends[:, 1], width_m, rules, rake, closed=closed, proven=proven)


STEEPEST_DEG = 89.0


def _tightest(row: BayEnds) -> int:
    """The bay with the fewest levels at its second post, for a ring to be cut there."""
    count = row.ends.to_count
    return int(np.where(count > 0, count, np.iinfo(np.int64).max).argmin())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """A row of bays in search of its best undersides; ``joined``: they meet at every post."""

    row: BayEnds
    rules: LevelRules
    joined: bool
    closed: bool

    def best(self) -> tuple[Path, Proof]:
        row, count = self.row, len(self.row.breakable)
        path = None if not row.ends.pairs.all() else self._search(row)
        if path is None:
            ahead, back = fewest_broken(row, self._steps, joined=self.joined)
            # Broken in some row with the fewest: the others' counts before it and after it leave room for it.
            breakable = np.append(0, ahead[:-1]) + 1 + np.append(back[1:], 0) == ahead[-1]
            widened = partial(self.row.with_broken, joined=self.joined, closed=self.closed)
            path = self._search(row := widened(breakable))
            if path is None or path.broken > ahead[-1]:
                path = self._search(row := widened(np.ones(count, dtype=bool)))
        assert path is not None  # a broken bay may have any ends, and neighbours share some at their post
        return path, "windowed" if row.clipped else "exact"

    @property
    def _steps(self) -> StepPrices:
        return StepPrices.of(self.rules)

    def _search(self, row: BayEnds) -> Path | None:
        links = Links.of(row, self._steps, joined=self.joined)
        if not self.closed:
            return cheapest_ends(row, links)
        return closed_path(partial(cheapest_ends, row, links), int(row.ends.to_low[-1]), int(row.ends.to_high[-1]))


def _measured(
    stations: Stations,
    first: Ints,
    last: Ints,
    width: Floats,
    rules: LevelRules,
    rake: RakeRules,
    *,
    closed: bool,
    proven: Proof,
) -> RakedLevels:
    """The record of undersides from ``first`` to ``last``, in increments."""
    start, end, rise = (np.asarray(level * rules.increment_m) for level in (first, last, last - first))
    ground = stations.from_lines(np.arange(len(rise)), rise).ground()
    gap_area, dig_area = ground.areas(first, first, rules.increment_m)
    gap, dig = start - ground.lowest_m, ground.highest_m - start
    step = steps_between(start, end, closed=closed)
    over = breaches(gap, dig, step, rules)
    steep = np.abs(rise) > width * np.tan(np.radians(rake.rake_max_deg)) + LEVEL_TOLERANCE_M
    return RakedLevels(
        underside_from_m=start,
        underside_to_m=end,
        slope_length_m=np.hypot(width, rise),
        cut_angle_deg=np.degrees(np.arctan2(rise, width)),
        gap_max_m=gap,
        dig_max_m=dig,
        gap_area_m2=gap_area,
        dig_area_m2=dig_area,
        step_m=step,
        cost=Cost.of(rules, gap_area_m2=gap_area, dig_area_m2=dig_area, step_m=step),
        steep=steep,
        broken=np.logical_or.reduce([*over.values(), steep]),
        proven=proven,
    )


def _nothing() -> RakedLevels:
    columns = {item.name: np.empty(0) for item in fields(RakedLevels) if item.type == "Floats"}
    none = np.empty(0, dtype=bool)
    return RakedLevels(**columns, cost=Cost(), steep=none, broken=none, proven="exact")
