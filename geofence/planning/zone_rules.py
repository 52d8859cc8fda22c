"""A planned fence held against the rules of its zones: a finding for each place where the line crosses one."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geofence.engine.joined import Joined
from geofence.engine.over_ground import OverGround, bays_over_ground, posts_within
from geofence.engine.records import Fence, Finding, Ints, Severity
from geofence.numeric import COINCIDENT_M, LEVEL_TOLERANCE_M, WIDTH_TOLERANCE_M, kept_down, millimetres_up
from geofence.planning.zoning import PlacedZone, Zoning
from geofence.site import zones
from geofence.site.profile import GroundLine
from geofence.site.zones import Crossing

__all__ = ["zone_findings"]


MOVED_ALONE = "line.offset_m moves all of it"
MOVED_TOGETHER = (
    "in its boundary's file; offset_m of its [[line]] moves all lines of that table, and parts those that share a side"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Built:
    """What is planned on one run of a line; its bays begin at a row of the whole plan, its posts have rows there.

    ``moved_by`` says what moves the line, and what else with it.
    """

    fence: Fence
    ground: GroundLine
    line: str
    first_bay: int
    post_rows: Ints
    open_share: float
    moved_by: str

    def bays(self, crossing: Crossing) -> list[OverGround]:
        """The bays, or parts of them, within a crossing."""
        return list(
            bays_over_ground(
                self.fence.bays,
                self.ground.profile,
                from_m=crossing.from_m,
                to_m=crossing.to_m,
                profile_from_m=self.ground.from_m,
            )
        )

    def posts(self, crossing: Crossing) -> list[int]:
        return posts_within(self.fence.posts, from_m=crossing.from_m, to_m=crossing.to_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """One thing measured against a limit: by how much it is over, and the bay or post (rows of the run) it is.

    ``what`` says it, with the value where its braces are.
    """

    over_m: float
    value: float
    limit: float
    what: str
    bay: int | None = None
    post: int | None = None

    @property
    def told(self) -> str:
        return self.what.format(f"{self.value:.3f} m")


def zone_findings(
    zoning: Zoning, runs: Sequence[GroundLine], joined: Joined, *, lines: Sequence[str], open_share: float
) -> list[Finding]:
    """What is to be said of each crossing of each zone, and of zones that the line does not meet.

    Parameters
    ----------
    zoning
        The zones on the line.
    runs, joined
        What is planned, run by run.
    lines
        Name of the line of each run; empty where lines have no names.
    open_share
        Open share of a panel's face.
    """
    built, bays = [], 0
    for ground, fence, rows, line in zip(runs, joined.runs, joined.rows, lines, strict=True):
        built.append(
            _Built(
                fence=fence,
                ground=ground,
                line=line,
                first_bay=bays,
                post_rows=rows,
                open_share=open_share,
                moved_by=MOVED_ALONE if len(set(lines)) == 1 else MOVED_TOGETHER,
            )
        )
        bays += len(fence.bays)
    found: list[Finding] = []
    for placed in zoning.zones:
        judge = _RULES[placed.zone.rule]
        for crossing in placed.crossings:
            run = built[crossing.run]
            found += [replace(finding, line=run.line) for finding in judge(placed, crossing, run, zoning)]
        if not placed.crossings and placed.astray is None:
            found.append(_not_met(placed))
    return found


def _not_met(placed: PlacedZone) -> Finding:
    how = "and is nowhere near it"
    if math.isfinite(placed.nearest_m):
        how = f"and comes no nearer than {kept_down(placed.nearest_m):.3f} m to what is drawn"
    return Finding(
        code="zone-not-met",
        severity="note",
        message=f"The line does not meet {placed.title} ({placed.zone.rule}, {placed.source}), {how}",
        remedy="None, if that is so; else look at the zone's file and its grid.",
        value=placed.nearest_m if math.isfinite(placed.nearest_m) else None,
        limit=placed.reach_m,
        unit="m",
    )


def _said(
    placed: PlacedZone,
    crossing: Crossing,
    *,
    code: str,
    severity: Severity,
    message: str,
    remedy: str,
    value: float,
    limit: float | None,
    bay: int | None = None,
    post: int | None = None,
) -> Finding:
    return Finding(
        code=code,
        severity=severity,
        message=f"{message} ({placed.source})",
        remedy=remedy,
        chainage_m=crossing.from_m,
        chainage_to_m=crossing.to_m,
        bay=bay,
        post=post,
        value=value,
        limit=limit,
        unit="m",
    )


def _kept(placed: PlacedZone, crossing: Crossing, measure: _Measure) -> Finding:
    return _said(
        placed, crossing, code="zone-kept", severity="note",
        message=f"{placed.named(crossing)}: {measure.told}; the limit is {measure.limit:.3f} m",
        remedy="", value=measure.value, limit=measure.limit,
    )  # fmt: skip


def _no_fence(placed: PlacedZone, crossing: Crossing, _built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    length = crossing.to_m - crossing.from_m
    yield _said(
        placed, crossing, code="zone-no-fence", severity="stop",
        message=f"The line runs through {placed.named(crossing)}, where no fence may stand, over {length:.2f} m",
        remedy="Move the line, or fence other legs (line.legs).", value=length, limit=0.0,
    )  # fmt: skip


def _consult(placed: PlacedZone, crossing: Crossing, _built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    length = crossing.to_m - crossing.from_m
    yield _said(
        placed, crossing, code="zone-consult", severity="note",
        message=f"Someone must agree where the line runs through {placed.named(crossing)}, over {length:.2f} m",
        remedy="Ask before anything is ordered.", value=length, limit=None,
    )  # fmt: skip


def _setback(placed: PlacedZone, crossing: Crossing, built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    apart, limit = max(0.0, crossing.closest_m - placed.zone.buffer_m), placed.zone.limit_m
    if apart >= limit - WIDTH_TOLERANCE_M:
        what = f"the line stays {kept_down(apart):.3f} m from {_limit_of(placed)}"
        yield _kept(placed, crossing, _Measure(over_m=0.0, value=apart, limit=limit, what=what))
        return
    where = f"comes within {kept_down(apart):.3f} m of" if apart else "meets"
    short = f"{millimetres_up(limit - apart):.3f} m"
    move = f"Move the line {short} away there" if apart else f"Move the line out, and {limit:.3f} m away"
    yield _said(
        placed, crossing, code="setback-under-limit", severity="stop",
        message=f"The line {where} {placed.named(crossing)} at chainage {crossing.closest_at_m:.2f} m; {limit:.3f} m "
        "must stay between",
        remedy=f"{move} ({built.moved_by}).", value=apart, limit=limit,
    )  # fmt: skip


def _limit_of(placed: PlacedZone) -> str:
    """To what a setback is measured."""
    buffer_m = placed.zone.buffer_m
    return f"the {buffer_m:.3f} m round what is drawn" if buffer_m else "what is drawn"


def _keep_clear(placed: PlacedZone, crossing: Crossing, built: _Built, zoning: Zoning) -> Iterator[Finding]:
    """Measured anew from the posts as planned, not from the stretches that the layout went round."""
    inside_m = built.fence.posts.chainage_m[built.posts(crossing)]
    if np.any((inside_m > crossing.from_m + WIDTH_TOLERANCE_M) & (inside_m < crossing.to_m - WIDTH_TOLERANCE_M)):
        return  # told of each post
    near = posts_within(built.fence.posts, from_m=crossing.from_m - 20.0, to_m=crossing.to_m + 20.0)
    apart = zones.distances(
        placed.drawing, crossing, zoning.stretches, placed.to_degrees, built.fence.posts.chainage_m[near],
        reach_m=placed.reach_m,
    )  # fmt: skip
    if len(near) and apart.min() >= placed.reach_m - COINCIDENT_M:
        nearest = float(apart.min())
        what = f"the nearest post's centre stands {kept_down(nearest):.3f} m from what is drawn"
        yield _kept(placed, crossing, _Measure(over_m=0.0, value=nearest, limit=placed.reach_m, what=what))


def _heights(placed: PlacedZone, crossing: Crossing, built: _Built) -> Iterator[_Measure]:
    """Heights over the ground, bay by bay and post by post, each with the limit that holds for it."""
    zone = placed.zone
    for part in built.bays(crossing):
        lower, higher = float(part.height_m.max()), float(part.height_m.min())
        if zone.measured_from == "step" and zone.step_limit_m is not None:
            at_step = zone.step_limit_m if part.stepped else zone.limit_m
            yield _high(lower, at_step, "over lower ground", bay=part.bay)
            yield _high(higher, zone.limit_m, "over higher ground", bay=part.bay)
        else:
            value = {"lower": lower, "higher": higher}.get(zone.measured_from, part.mean_height_m)
            yield _high(value, zone.limit_m, f"over the {zone.measured_from} ground", bay=part.bay)
    if zone.measured_from in ("lower", "step"):
        for post in built.posts(crossing):
            limit = zone.limit_m if zone.step_limit_m is None else zone.step_limit_m
            yield _high(float(built.fence.posts.height_m[post]), limit, "at a post", post=post)


def _high(value: float, limit: float, where: str, *, bay: int | None = None, post: int | None = None) -> _Measure:
    return _Measure(
        over_m=value - limit, value=value, limit=limit, what=f"the fence stands {{}} {where}", bay=bay, post=post
    )


def _judged(
    placed: PlacedZone, crossing: Crossing, built: _Built, measures: Sequence[_Measure], *, code: str, remedy: str
) -> Iterator[Finding]:
    """One finding for the worst of some measures: of how many it is the worst, or that the limit is kept."""
    if not measures:
        return
    worst = max(measures, key=lambda measure: (round(measure.over_m, 6), measure.value))
    if worst.over_m <= LEVEL_TOLERANCE_M:
        yield _kept(placed, crossing, worst)
        return
    over = {each.bay for each in measures if each.bay is not None and each.over_m > LEVEL_TOLERANCE_M}
    also = f", and {len(over)} bays are over it" if len(over) > 1 else ""
    yield _said(
        placed, crossing, code=code, severity="stop",
        message=f"In {placed.named(crossing)} {worst.told}; {worst.limit:.3f} m is allowed{also}",
        remedy=remedy, value=worst.value, limit=worst.limit,
        bay=None if worst.bay is None else worst.bay + built.first_bay,
        post=None if worst.post is None else int(built.post_rows[worst.post]),
    )  # fmt: skip


def _max_height(placed: PlacedZone, crossing: Crossing, built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    yield from _judged(
        placed, crossing, built, list(_heights(placed, crossing, built)), code="height-over-limit",
        remedy="A lower fence.height_m, a finer levels.increment_m or a narrower module brings it down; or ask whoever "
        "set the limit.",
    )  # fmt: skip


def _splay(placed: PlacedZone, crossing: Crossing, built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    zone = placed.zone
    banded = zone.level_m is not None or zone.band_from_m is not None or zone.band_to_m is not None
    measures = list(_in_band(placed, crossing, built) if banded else _heights(placed, crossing, built))
    yield from _judged(
        placed, crossing, built, measures, code="splay-obstructed",
        remedy="Lower the fence there, or move the line out of the triangle.",
    )  # fmt: skip


def _in_band(placed: PlacedZone, crossing: Crossing, built: _Built) -> Iterator[_Measure]:
    """How far bays and posts reach into the heights that must stay open, above the ground or a level."""
    zone = placed.zone
    low = zone.limit_m if zone.band_from_m is None else zone.band_from_m
    high = math.inf if zone.band_to_m is None else zone.band_to_m
    where = "above the ground" if zone.level_m is None else f"above the level {zone.level_m:.2f}"
    for part in built.bays(crossing):
        base = part.ground_m if zone.level_m is None else zone.level_m
        top, underside = part.top_m - base, part.underside_m - base
        inside = underside < high - LEVEL_TOLERANCE_M
        value = float(np.max(top, where=inside, initial=-math.inf)) if inside.any() else low
        yield _high(value, low, where, bay=part.bay)
    posts = built.fence.posts
    for post in built.posts(crossing):
        base_m = float(posts.ground_level_m[post]) if zone.level_m is None else zone.level_m
        yield _high(float(posts.top_level_m[post]) - base_m, low, f"{where}, at a post", post=post)


def _flood(placed: PlacedZone, crossing: Crossing, built: _Built, _zoning: Zoning) -> Iterator[Finding]:
    """Enough is open under each bay, or enough of the bay itself."""
    zone, short = placed.zone, []
    for part in built.bays(crossing):
        base = part.ground_m if zone.level_m is None else zone.level_m
        clear = float(np.min(part.underside_m - base))
        share = part.open_share(face=built.open_share, water_m=zone.level_m)
        enough = zone.open_share_min is not None and share >= zone.open_share_min
        what = (
            f"{share:.0%} is open and the underside is {{}} above the {'ground' if zone.level_m is None else 'water'}"
        )
        over = -math.inf if enough else zone.limit_m - clear
        short.append(_Measure(over_m=over, value=clear, limit=zone.limit_m, what=what, bay=part.bay))
    if not short:
        return
    worst = max(short, key=lambda measure: (measure.over_m, -measure.value))
    if worst.over_m <= LEVEL_TOLERANCE_M:
        yield _kept(placed, crossing, worst)
        return
    or_open = "" if zone.open_share_min is None else f", or {zone.open_share_min:.0%} of it open"
    count = sum(measure.over_m > LEVEL_TOLERANCE_M for measure in short)
    yield _said(
        placed, crossing, code="flood-obstructed", severity="stop",
        message=f"In {placed.named(crossing)} {worst.told}; {worst.limit:.3f} m is needed{or_open}"
        + (f", and {count} bays have less" if count > 1 else ""),
        remedy="Raise the fence there (a negative levels.dig_max_m keeps a clearance), or take an open one.",
        value=worst.value, limit=worst.limit, bay=None if worst.bay is None else worst.bay + built.first_bay,
    )  # fmt: skip


_Judge = Callable[[PlacedZone, Crossing, _Built, Zoning], Iterator[Finding]]
_RULES: Mapping[str, _Judge] = {
    "keep-clear": _keep_clear,
    "no-fence": _no_fence,
    "setback": _setback,
    "max-height": _max_height,
    "splay": _splay,
    "flood": _flood,
    "consult": _consult,
}
