"""What the reader of the plan is told of bays of a raked fence that break a limit, and what would cure them.

How far the ground in a bay keeps from a straight line depends on the line's slope: the range of ``g - slope * s`` over
the bay, its *relief*, is convex in the slope. Where the least relief is more than the limits leave, no slope helps;
where it is less only on slopes over the rake limit, a steeper limit would.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from geofence.engine.areas import Stations
from geofence.engine.bay_ends import BayEnds
from geofence.engine.limits import limit_findings
from geofence.engine.raked import RakedLevels
from geofence.engine.records import Finding, Floats, Ints, LevelRules, Profile, RakeRules
from geofence.numeric import LEVEL_TOLERANCE_M, snap_ceil

__all__ = ["rake_findings"]

ROUNDS = 56
"""Rounds of a search for a slope: a third of the range is left out each time, so of 2 in 1 less than 1e-9 is left."""


def rake_findings(
    levels: RakedLevels, profile: Profile, start_m: Floats, end_m: Floats, rules: LevelRules, rake: RakeRules
) -> tuple[Finding, ...]:
    """One finding of severity ``stop`` for each limit that a bay breaks; ``bay`` is the row in ``levels``.

    Codes: ``rake-over-limit``, and those of stepped fences: ``gap-over-limit``, ``dig-over-limit``
    (``clearance-under-limit`` where the rules ask for a clearance), ``step-over-limit``, ``step-under-limit``. The
    remedy says what would cure the limit in this plan, and what would make room for another underside.
    """
    broken = np.flatnonzero(levels.broken)
    if not len(broken):
        return ()
    cures = _Cures.of(profile, start_m[broken], end_m[broken], rules, rake)
    found: list[Finding] = []
    for row, bay in enumerate(broken.tolist()):
        start, end = float(start_m[bay]), float(end_m[bay])
        gap, dig, step = (float(column[bay]) for column in (levels.gap_max_m, levels.dig_max_m, levels.step_m))
        finding = partial(Finding, severity="stop", bay=bay, chainage_m=start, unit="m")
        room = cures.room(row)
        found += limit_findings(finding, end, gap_m=gap, dig_m=dig, step_m=step, rules=rules, room=room)
        if levels.steep[bay]:
            found.append(_rake(partial(finding, chainage_to_m=end), float(levels.cut_angle_deg[bay]), rake))
    return tuple(found)


def _rake(finding: partial[Finding], slope: float, rake: RakeRules) -> Finding:
    word = "rises" if slope > 0 else "falls"
    other = "let it step at posts (levels.steps)" if rake.steps == "never" else "allow higher steps (levels.step_max_m)"
    return finding(
        code="rake-over-limit",
        message=f"The bay {word} at {abs(slope):.2f} deg, {rake.rake_max_deg:g} deg is allowed.",
        remedy=f"Raise levels.rake_max_deg to at least {_degrees_up(abs(slope)):g}, or {other}.",
        value=abs(slope),
        limit=rake.rake_max_deg,
        unit="deg",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cures:
    """What would make room for undersides within limits, in some bays of a row.

    ``relief_m``: the least over all slopes; ``raked_relief_m``: over those within the rake limit; ``enough_deg``: the
    rake limit from which on the limits leave room, NaN where none does; ``fits``: whether some underside at multiples
    of the increment is within every limit of the bay.
    """

    rules: LevelRules
    rake: RakeRules
    relief_m: Floats
    raked_relief_m: Floats
    enough_deg: Floats
    fits: Ints

    @classmethod
    def of(cls, profile: Profile, start_m: Floats, end_m: Floats, rules: LevelRules, rake: RakeRules) -> _Cures:
        stations = Stations.under(profile, start_m, end_m)
        room, most = rules.gap_max_m + rules.dig_max_m, float(np.tan(np.radians(rake.rake_max_deg)))
        best = _straightest(stations)
        raked = np.clip(best, -most, most)
        relief, raked_relief = _relief(stations, best), _relief(stations, raked)
        enough = _least_slope(stations, raked, best, room)
        enough[relief > room + LEVEL_TOLERANCE_M] = np.nan
        row = BayEnds.within_limits(stations, stations.width_m, rules, rake)
        return cls(
            rules=rules,
            rake=rake,
            relief_m=relief,
            raked_relief_m=raked_relief,
            enough_deg=np.degrees(np.arctan(np.abs(enough))),
            fits=row.ends.pairs,
        )

    def room(self, bay: int) -> str:
        """The end of a remedy's sentence."""
        room = self.rules.gap_max_m + self.rules.dig_max_m
        leave = f"gap_max_m and dig_max_m leave {max(room, 0.0):.3f} m"
        if self.relief_m[bay] > room + LEVEL_TOLERANCE_M:
            return (
                f"or use a narrower module: the ground strays {self.relief_m[bay]:.3f} m about a straight line, {leave}"
            )
        if self.raked_relief_m[bay] > room + LEVEL_TOLERANCE_M:
            return f"or raise levels.rake_max_deg to at least {_degrees_up(float(self.enough_deg[bay])):g}"
        if not self.fits[bay]:
            return "or use a finer levels.increment_m"
        if self.rake.steps == "never":
            return "or let it step at posts (levels.steps), for the neighbours keep the bay from a line that fits"
        return "or widen levels.step_min_m to levels.step_max_m, for the step limits keep the bay from a line that fits"


def _relief(stations: Stations, slope: Floats) -> Floats:
    """(m,) how far the ground of each bay ranges about lines of these slopes."""
    above = stations.from_lines(np.arange(len(slope)), slope * stations.width_m)
    highest, lowest = (
        reduce(above.level_m, above.offset[:-1]) for reduce in (np.maximum.reduceat, np.minimum.reduceat)
    )
    return np.asarray(highest - lowest)


def _straightest(stations: Stations) -> Floats:
    """(m,) the slope of least relief in each bay."""
    ground = np.diff(stations.level_m) / np.maximum(np.diff(stations.along_m), 1e-12)
    within = stations.bay[1:] == stations.bay[:-1]
    first = np.flatnonzero(np.diff(stations.bay[1:][within], prepend=-1))
    low, high = np.minimum.reduceat(ground[within], first), np.maximum.reduceat(ground[within], first)
    for _ in range(ROUNDS):
        third = (high - low) / 3
        falls = _relief(stations, low + third) > _relief(stations, high - third)
        low, high = np.where(falls, low + third, low), np.where(falls, high, high - third)
    return np.asarray((low + high) / 2)


def _least_slope(stations: Stations, start: Floats, best: Floats, room: float) -> Floats:
    """(m,) the first slope from ``start`` towards ``best`` at which the relief is no more than the room."""
    low, high = np.zeros(len(start)), np.ones(len(start))
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        enough = _relief(stations, start + middle * (best - start)) <= room
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(start + high * (best - start))


def _degrees_up(angle: float) -> float:
    """An angle rounded up to a hundredth, so that the remedy cures."""
    return snap_ceil(angle * 100, 1e-3) / 100
