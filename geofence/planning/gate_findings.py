"""What is to be known of a plan's gates: how their leaves pass the ground, how it lies under them, what posts hold."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from geofence.engine.joined import Joined
from geofence.engine.records import Fence, Finding, Severity
from geofence.inputs.gate_rules import GateRules
from geofence.numeric import ANGLE_TOLERANCE_DEG, COINCIDENT_M, LEVEL_TOLERANCE_M, millimetres_up, snap_ceil
from geofence.planning.gate_swing import LeafSwing, Swings, SwungGate
from geofence.site.fence_chords import FenceChords
from geofence.site.grids import Crossing
from geofence.site.ground import Ground
from geofence.site.swing import Leaf, first_over, sweep

__all__ = ["gate_findings", "leaf_words", "other_ways"]

STRAIGHT_DEG = 1.0
"""A line that turns by less lets a leaf slide along it: over 5 m it comes 9 cm nearer to the fence."""

AT_POST_M = 0.05
"""What is no farther from the post that a leaf hangs at is that post."""

PLACES_ALONG_BAY = 33
"""Where a bay enters and leaves a leaf's reach, and between, where it may leave the line of the closed leaf."""

RISING_MAX_M = 0.15
"""Hinges are not made to lift a leaf by more. Common practice, no source."""

OTHER_SIDE = {"left": "right", "right": "left"}
SCREENING = "A screening aid, not a design: local codes and a licensed engineer decide"


def gate_findings(swings: Swings, joined: Joined) -> list[Finding]:
    """What is to be said of each gate of a fence, run by run in order of chainage."""
    if not swings.gates:
        return []
    fence, chords = joined.fence, FenceChords.of(swings.runs, joined)
    hung = [_Hung(swings=swings, gate=gate, fence=fence, chords=chords, row=row) for gate, row in swings.in_bays(fence)]
    return [*_unstated(hung), *(finding for gate in hung for finding in gate.findings())]


def _unstated(hung: list[_Hung]) -> Iterator[Finding]:
    silent = [gate.rules.name for gate in hung if gate.rules.swing is None]
    if silent:
        yield Finding(
            code="gate-swing-unstated",
            severity="note",
            message="The job does not say how these gates open, so the ground that leaves pass was not looked at: "
            + ", ".join(silent),
            remedy='Set swing in the [[gate]] or under [gates]: "left", "right", "both", "slide", or "none" without a '
            "leaf.",
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hung:
    """A gate as it hangs, and the row of its bay, in the fence of all runs."""

    swings: Swings
    gate: SwungGate
    fence: Fence
    chords: FenceChords
    row: int

    @property
    def rules(self) -> GateRules:
        return self.gate.placed.rules

    @property
    def underside_m(self) -> float:
        return float(self.fence.bays.underside_from_m[self.row])

    def findings(self) -> Iterator[Finding]:
        for swing in self.gate.swings:
            yield from self._passes(swing)
            yield from self._unknown(swing)
            yield from self._runs_back(swing) if swing.side == "slide" else self._meets_fence(swing)
        yield from self._across()
        yield from self._posts()

    def _passes(self, swing: LeafSwing) -> Iterator[Finding]:
        """Whether a leaf strikes the ground, or passes it too closely."""
        swept, clearance = swing.swept, self.rules.clearance_m
        over = swept.level_m - self.underside_m
        worst = swept.highest_m - self.underside_m
        if not math.isfinite(worst) or worst <= -clearance + LEVEL_TOLERANCE_M:
            return
        strikes = worst > LEVEL_TOLERANCE_M
        limit_m = self.underside_m + LEVEL_TOLERANCE_M - (0.0 if strikes else clearance)
        first = first_over(swept.leaf, limit_m, *self._under)
        at = int(np.nanargmax(over))
        where = f"{swept.reach_m[at]:.2f} m from its post ({self._place(swing, at)})"
        when = f"from {_opened(swing, first)} on; the worst place is {where}, at {_opened(swing, swept.opened[at])}"
        if strikes:
            yield _said(
                self, code="gate-strikes-ground", severity="stop",
                message=f"{self._leaf(swing)} strikes the ground, which is {worst:.3f} m over its underside, {when}",
                remedy=self._cures(swing, worst, first, limit_m), value=worst, limit=0.0,
            )  # fmt: skip
        else:
            yield _said(
                self, code="gate-clearance-under-limit", severity="warn",
                message=f"{self._leaf(swing)} clears the ground by {-worst:.3f} m only, {when}",
                remedy=self._cures(swing, worst, first, limit_m), value=-worst, limit=clearance,
            )  # fmt: skip

    def _leaf(self, swing: LeafSwing) -> str:
        return leaf_words(self.rules, swing)

    def _place(self, swing: LeafSwing, at: int) -> str:
        site = self.swings.site
        easting, northing = site.to_grid.carry(swing.swept.lon_deg[[at]], swing.swept.lat_deg[[at]])
        return f"{easting[0]:.2f} E {northing[0]:.2f} N"

    def _cures(self, swing: LeafSwing, worst_m: float, first: float, limit_m: float) -> str:
        """Everything that would let a leaf pass; what is said to clear was tried."""
        rules, bays = self.rules, self.fence.bays
        short, lift = millimetres_up(worst_m + rules.clearance_m), self._lift_m()
        gap = float(bays.gap_max_m[self.row]) + lift
        beyond = "within" if gap <= rules.gap_max_m + LEVEL_TOLERANCE_M else "over"
        cures = [
            *(f"{words}, which clears" for words, other in other_ways(rules, swing) if self._clears(other)),
            f'hang it {lift:.3f} m higher (swing_level = "raise"): closed it then hangs up to {gap:.3f} m over the '
            f"ground, {beyond} its limit of {rules.gap_max_m:.3f} m",
            f"cut the ground that it passes back by up to {short:.3f} m",
        ]
        if swing.side != "slide" and short <= RISING_MAX_M:
            cures.append(f"fit rising hinges that lift it by {short:.3f} m")
        if swing.side != "slide" and (stop := self._stop_deg(swing, first, limit_m)):
            cures.append(f"stop it at {stop} deg (open_deg)")
        told = "; or ".join(cures)
        return f"{told[0].upper()}{told[1:]}."

    def _lift_m(self) -> float:
        """How much higher the gate hangs where it is raised over all that its leaves pass, at a multiple."""
        increment = self.rules.increment_m
        least = self.gate.highest_m + self.rules.clearance_m
        return snap_ceil(least / increment, LEVEL_TOLERANCE_M / increment) * increment - self.underside_m

    @property
    def _under(self) -> tuple[Ground, Crossing, Geod]:
        """What its leaves pass over."""
        site = self.swings.site
        return site.ground, site.to_ground, self.swings.runs[self.gate.placed.run].line.geod

    def _stop_deg(self, swing: LeafSwing, first: float, limit_m: float) -> int:
        """The most whole degrees that a leaf may open without ground over the limit; 0 where there are none."""
        for stop in range(math.ceil(first) - 1, 0, -1):
            if sweep(replace(swing.swept.leaf, open_deg=float(stop)), *self._under).highest_m <= limit_m:
                return stop
        return 0

    def _clears(self, rules: GateRules) -> bool:
        """Whether leaves by other rules would pass the ground with their clearance, all of it known."""
        swings = self.swings.of(replace(self.gate.placed, rules=rules))
        highest = -rules.clearance_m + LEVEL_TOLERANCE_M
        return all(
            each.swept.highest_m - self.underside_m <= highest and not each.swept.unknown_share for each in swings
        )

    def _unknown(self, swing: LeafSwing) -> Iterator[Finding]:
        share = swing.swept.unknown_share
        if share:
            yield _said(
                self, code="gate-swing-without-ground", severity="warn",
                message=f"on {share:.0%} of the way of {self._leaf(swing)} the ground has no level; the rest was "
                "looked at",
                remedy="Shoot levels there, or look at the place before hanging the gate.",
                value=round(100 * share, 1), limit=0.0, unit="%",
            )  # fmt: skip

    def _meets_fence(self, swing: LeafSwing) -> Iterator[Finding]:
        """Whether the fence itself, beyond a corner or on another line, is in a leaf's way."""
        leaf = swing.swept.leaf
        met = [
            (opened, int(self.chords.run[bay]))
            for bay in self.chords.within(leaf.length_m, lon_deg=leaf.lon_deg, lat_deg=leaf.lat_deg).tolist()
            if (opened := self._opened_to(leaf, bay)) is not None
        ]
        if met:
            opens, run = min(met)
            whose = "" if self._is_of_own_line(run) else f" of {self.swings.site.line_of(run).told}"
            yield _said(
                self, code="gate-strikes-fence", severity="warn",
                message=f"{self._leaf(swing)} meets the fence{whose} once opened {opens:.0f} of {leaf.open_deg:.0f} "
                "deg",
                remedy="Open it to the other side, hang it at its other post, move it away from there, or stop it "
                "there (open_deg).",
                value=opens, limit=leaf.open_deg, unit="deg",
            )  # fmt: skip

    def _opened_to(self, leaf: Leaf, bay: int) -> float | None:
        """How far a leaf has opened as it meets a bay; None where it does not. Along straight fence it lies open."""
        geod = self.swings.runs[self.gate.placed.run].line.geod
        turned, apart = leaf.turned_to(self.chords.lon_deg[bay], self.chords.lat_deg[bay], geod)
        places = _within_circle(*(apart * np.exp(1j * np.radians(turned))).tolist(), radius_m=leaf.length_m)
        turned = np.degrees(np.angle(places[np.abs(places) > AT_POST_M])) % 360
        met = turned[(turned > STRAIGHT_DEG) & (turned < leaf.open_deg - STRAIGHT_DEG)]
        return float(met.min()) if len(met) else None

    def _is_of_own_line(self, run: int) -> bool:
        line = self.swings.site.meetings.line
        return line[run] == line[self.gate.placed.run]

    def _runs_back(self, swing: LeafSwing) -> Iterator[Finding]:
        room, length = self._room_m(swing.end), swing.swept.leaf.length_m
        if room < length - COINCIDENT_M:
            post = ("first", "second")[swing.end]
            yield _said(
                self, code="gate-run-back-short", severity="warn",
                message=f"the leaf slides {length:.3f} m past its {post} post, where the fence runs on straight, "
                f"without another gate or line, for {room:.3f} m",
                remedy="Let it slide the other way (hinge), part it in two (leaves = 2), move the gate, or make sure "
                "that it may stand beyond the corner, the end, the junction or the next gate.",
                value=room, limit=length,
            )  # fmt: skip

    def _room_m(self, end: int) -> float:
        """How far the line runs straight, without a gate or line besides, from one of the gate's posts away from it."""
        run, bays = self.swings.runs[self.gate.placed.run], self.fence.bays
        meetings = self.swings.site.meetings.places(self.swings.runs)
        joins = [along for places in meetings for row, along in places if row == self.gate.placed.run]
        closed, length = run.line.closed, float(run.chainage_m[-1])
        turns = run.vertex_m[np.abs(run.line.deflection_deg) > STRAIGHT_DEG].tolist()
        others = [
            float(chainage[row]) - run.from_m
            for gate, row in self.swings.in_bays(self.fence)
            if gate.placed.run == self.gate.placed.run and row != self.row
            for chainage in (bays.start_m, bays.end_m)
        ]
        stops = [*turns, *joins, *others, *([] if closed else [0.0, length])]
        post = float((bays.start_m if end == 0 else bays.end_m)[self.row]) - run.from_m
        away = [(post - stop) if end == 0 else (stop - post) for stop in stops]
        if closed:
            away = [(distance + COINCIDENT_M) % length - COINCIDENT_M for distance in away]
        return min((distance for distance in away if distance >= -COINCIDENT_M), default=math.inf)

    def _across(self) -> Iterator[Finding]:
        """How steep the ground is from post to post."""
        level = self.fence.posts.ground_level_m
        rise = float(abs(level[self._post(1)] - level[self._post(0)]))
        width = float(self.fence.bays.width_m[self.row])
        slope = math.degrees(math.atan2(rise, width))
        if self.rules.swing != "none" and slope > self.rules.slope_max_deg + ANGLE_TOLERANCE_DEG:
            yield _said(
                self, code="gate-ground-slopes", severity="warn",
                message=f"the ground rises {rise:.3f} m, by {slope:.1f} deg, from one of its posts to the other, and "
                "its leaf is level",
                remedy="Level the opening, move the gate to flatter ground, make it narrower"
                f"{' or of two leaves' if self.rules.leaves == 1 else ''}, or have its leaf made to the slope.",
                value=slope, limit=self.rules.slope_max_deg, unit="deg",
            )  # fmt: skip

    def _posts(self) -> Iterator[Finding]:
        """How deep the posts stand that leaves hang on, where their mass is known."""
        rules = self.rules
        if not rules.weight_depth_m or rules.leaf_kg is None:
            return
        depths = [float(self.fence.posts.embedment_m[self._post(end)]) for end in rules.hung_at]
        least = min((depth for depth in depths if math.isfinite(depth)), default=None)
        planned = [
            *([] if least is None else [f"planned are {least:.2f} m"]),
            *([] if np.isfinite(depths).all() else ["how deep the existing post stands is not known"]),
        ]
        yield _said(
            self, code="gate-post-depth", severity="note",
            message=f"a leaf of {rules.leaf_kg:.0f} kg that reaches {rules.leaf_m:.2f} m asks of its post a depth of "
            f"{rules.weight_depth_m:.2f} m; {', and '.join(planned)}. Wind is not looked at. {SCREENING}",
            remedy="Have the footing designed where the gate is heavy, wide, or solid and in the wind.",
            value=least, limit=rules.weight_depth_m,
        )  # fmt: skip

    def _post(self, end: int) -> int:
        bays = self.fence.bays
        return int((bays.from_post if end == 0 else bays.to_post)[self.row])


def _within_circle(start: complex, end: complex, *, radius_m: float) -> NDArray[np.complex128]:
    """Places along a bay from where it enters a circle about the origin to where it leaves it; none outside."""
    way = end - start
    squared, ahead = abs(way) ** 2, (start * way.conjugate()).real
    inside = ahead**2 - squared * (abs(start) ** 2 - radius_m**2)
    if inside <= 0:
        return np.empty(0, dtype=np.complex128)
    enters, leaves = np.clip((-ahead + np.array([-1, 1]) * math.sqrt(inside)) / squared, 0, 1)
    share = np.linspace(enters, leaves, PLACES_ALONG_BAY if leaves > enters else 0)
    return np.asarray(start + share * way)


def _said(
    hung: _Hung,
    *,
    code: str,
    severity: Severity,
    message: str,
    remedy: str,
    value: float | None,
    limit: float,
    unit: str = "m",
) -> Finding:
    bays = hung.fence.bays
    return Finding(
        code=code,
        severity=severity,
        message=f"Gate {hung.rules.name}: {message}",
        remedy=remedy,
        chainage_m=float(bays.start_m[hung.row]),
        chainage_to_m=float(bays.end_m[hung.row]),
        bay=hung.row,
        value=value,
        limit=limit,
        unit=unit,
    )


def leaf_words(rules: GateRules, swing: LeafSwing) -> str:
    """What to call a leaf of a gate."""
    whose = "the leaf" if rules.leaves == 1 else f"the leaf at its {('first', 'second')[swing.end]} post"
    return f"{whose} that slides" if swing.side == "slide" else f"{whose} that opens to the {swing.side}"


def _opened(swing: LeafSwing, opened: float) -> str:
    return f"{opened:.2f} m slid" if swing.side == "slide" else f"{opened:.0f} deg open"


def other_ways(rules: GateRules, swing: LeafSwing) -> Iterator[tuple[str, GateRules]]:
    """Other ways to hang and open a gate, in words and as rules."""
    other_end = "end" if rules.hinge == "start" else "start"
    if swing.side == "slide":
        if rules.leaves == 1:
            yield f"slide it past its other post (hinge = {other_end!r})", replace(rules, hinge=other_end)
        return
    if rules.swing in OTHER_SIDE:
        side = OTHER_SIDE[rules.swing]
        yield f"open it to the {side} (swing = {side!r})", replace(rules, swing="left" if side == "left" else "right")
    if rules.leaves == 1:
        yield f"hang it at its other post (hinge = {other_end!r})", replace(rules, hinge=other_end)
        yield "part it in two (leaves = 2)", replace(rules, leaves=2)
