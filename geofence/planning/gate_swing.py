"""How the job's gates open over their ground: the ground under each leaf's way, and gates as the engine takes them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from geofence.engine.records import Fence, Gate
from geofence.inputs.gate_rules import GateRules
from geofence.plan import LeafWay, PlannedGate
from geofence.planning.gates import PlacedGate
from geofence.planning.surveyed import SurveyedSite
from geofence.site.profile import GroundLine
from geofence.site.swing import Leaf, Motion, Swept, sweep

__all__ = ["LeafSwing", "Side", "Swings", "SwungGate"]

Side = Literal["left", "right", "slide"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeafSwing:
    """A leaf that opens to one side: the post that it hangs at (0 the gate's first, 1 its second), and its ground."""

    end: int
    side: Side
    swept: Swept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwungGate:
    """A gate and each way in which its leaves open; none where it has no leaf, or nobody said how it opens."""

    placed: PlacedGate
    swings: tuple[LeafSwing, ...]

    @property
    def highest_m(self) -> float:
        """The highest ground that a leaf passes; minus infinity where there is none."""
        return max((swing.swept.highest_m for swing in self.swings), default=-math.inf)

    @property
    def for_engine(self) -> Gate:
        """The gate as the engine takes it: where it is to be raised, with the ground that its leaves pass."""
        rules = self.placed.rules
        return Gate(
            name=rules.name,
            chainage_m=self.placed.chainage_m,
            width_m=rules.width_m,
            clearance_m=rules.clearance_m,
            gap_max_m=rules.gap_max_m,
            passes_m=self.highest_m if rules.swing_level == "raise" else -math.inf,
            posts=rules.posts,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Swings:
    """The gates of a job on its ground.

    Attributes
    ----------
    site
        The site.
    runs
        Its runs with a level at every station.
    geoid_separation_m
        Ellipsoidal height minus level.
    gates
        Run by run, in order of chainage.
    """

    site: SurveyedSite
    runs: Sequence[GroundLine]
    geoid_separation_m: float
    gates: tuple[SwungGate, ...] = ()

    @classmethod
    def over(
        cls,
        placed: Sequence[PlacedGate],
        site: SurveyedSite,
        runs: Sequence[GroundLine],
        *,
        geoid_separation_m: float,
    ) -> Swings:
        """Sample the ground under the ways of all leaves."""
        bare = cls(site=site, runs=runs, geoid_separation_m=geoid_separation_m)
        gates = tuple(SwungGate(placed=gate, swings=bare.of(gate)) for gate in placed)
        return replace(bare, gates=gates)

    def for_engine(self, run: int) -> list[Gate]:
        """The gates of a run."""
        return [gate.for_engine for gate in self.gates if gate.placed.run == run]

    def of(self, gate: PlacedGate) -> tuple[LeafSwing, ...]:
        """Each way in which the leaves of a gate open, with the ground under it."""
        line = self.runs[gate.run].line
        return tuple(
            LeafSwing(end=end, side=side, swept=sweep(leaf, self.site.ground, self.site.to_ground, line.geod))
            for end, side, leaf in self.leaves(gate)
        )

    def leaves(self, gate: PlacedGate) -> Iterator[tuple[int, Side, Leaf]]:
        """Each leaf of a gate and each side to which it opens, with the post that it hangs at: 0 or 1."""
        for end in gate.rules.hung_at:
            for side in sides(gate.rules):
                yield end, side, self._leaf(gate, end, side)

    def _leaf(self, gate: PlacedGate, end: int, side: Side) -> Leaf:
        """A leaf at its post, along the chord from there to the other one."""
        run, rules = self.runs[gate.run], gate.rules
        posts_m = np.minimum(gate.chainage_m + np.array([0.0, rules.width_m]), run.chainage_m[-1])
        lon, lat = run.places(posts_m)
        other = 1 - end
        azimuth, _, _ = run.line.geod.inv(lon[end], lat[end], lon[other], lat[other])
        return Leaf(
            lon_deg=float(lon[end]),
            lat_deg=float(lat[end]),
            height_m=float(run.profile.level_at(posts_m[end])) + self.geoid_separation_m,
            azimuth_deg=float(azimuth),
            length_m=rules.leaf_m,
            motion=_motion(end, side),
            open_deg=rules.open_deg,
        )

    def planned(self, fence: Fence) -> tuple[PlannedGate, ...]:
        """The gates in a plan whose fence is that of all runs."""
        return tuple(self._planned(gate, row, fence) for gate, row in self.in_bays(fence))

    def in_bays(self, fence: Fence) -> Iterator[tuple[SwungGate, int]]:
        """Each gate with the row of its bay."""
        rows = [row for row, kind in enumerate(fence.bays.kind) if kind == "gate"]
        yield from zip(self.gates, rows, strict=True)

    def _planned(self, gate: SwungGate, row: int, fence: Fence) -> PlannedGate:
        rules, posts = gate.placed.rules, (int(fence.bays.from_post[row]), int(fence.bays.to_post[row]))
        return PlannedGate(
            name=rules.name,
            bay=row,
            swing=rules.swing or "not stated",
            leaves=0 if rules.swing == "none" else rules.leaves,
            leaf_kg=rules.leaf_kg,
            post_width_m=rules.post_width_m,
            hole_diameter_m=rules.hole_diameter_m,
            clearance_m=rules.clearance_m,
            ways=tuple(self._way(swing, posts[swing.end], gate.placed.run) for swing in gate.swings),
        )

    def _way(self, swing: LeafSwing, post: int, run: int) -> LeafWay:
        lon, lat = swing.swept.leaf.way(self.runs[run].line.geod)
        easting, northing = self.site.to_grid.carry(lon, lat)
        lon, lat = self.site.to_wgs84.carry(lon, lat)
        return LeafWay(
            post=post,
            side=swing.side,
            length_m=swing.swept.leaf.length_m,
            open_deg=0.0 if swing.side == "slide" else swing.swept.leaf.open_deg,
            lon_deg=lon,
            lat_deg=lat,
            easting=easting,
            northing=northing,
        )


def sides(rules: GateRules) -> tuple[Side, ...]:
    """The sides to which leaves open."""
    if rules.swing == "both":
        return ("left", "right")
    return (rules.swing,) if rules.swing in ("left", "right", "slide") else ()


def _motion(end: int, side: Side) -> Motion:
    """A leaf at the first post that opens to the left turns against the clock; one at the second, with it."""
    if side == "slide":
        return "slides"
    return "anticlockwise" if (side == "left") == (end == 0) else "clockwise"
