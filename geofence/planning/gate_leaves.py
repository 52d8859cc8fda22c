"""Leaves of neighbouring gates that come into each other's way as they open."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from pyproj import Geod

from geofence.engine.records import Fence, Finding
from geofence.inputs.gate_rules import GateRules
from geofence.planning.gate_findings import leaf_words, other_ways
from geofence.planning.gate_swing import LeafSwing, Swings, SwungGate
from geofence.site.fence_chords import DEGREE_M
from geofence.site.leaf_ways import Entry, LeafWay

__all__ = ["leaf_findings"]

TOLD = 3
"""Decimals of degrees and metres within which leaves come into each other's way alike."""


def leaf_findings(swings: Swings, fence: Fence) -> Iterator[Finding]:
    """What is to be said of each pair of gates whose leaves come into each other's way; two of one gate go together."""
    hung = [_Hung(gate=gate, row=row) for gate, row in swings.in_bays(fence) if gate.swings]
    for one, other in _near_each_other(hung):
        pair = _Pair(swings=swings, fence=fence, gates=(hung[one], hung[other]))
        if met := list(pair.met()):
            yield pair.told(met)


def _near_each_other(hung: Sequence[_Hung]) -> Iterator[tuple[int, int]]:
    """Rows of gates whose leaves may reach each other, and some more: leaves reach two widths from a gate's posts."""
    leaves = [each.gate.swings[0].swept.leaf for each in hung]
    lon, lat = np.array([leaf.lon_deg for leaf in leaves]), np.array([leaf.lat_deg for leaf in leaves])
    width = np.array([each.rules.width_m for each in hung])
    for row in range(len(hung)):
        x = ((lon[row + 1 :] - lon[row] + 180) % 360 - 180) * math.cos(math.radians(lat[row])) * DEGREE_M
        y = (lat[row + 1 :] - lat[row]) * DEGREE_M
        near = np.hypot(x, y) <= 2 * (width[row + 1 :] + width[row])
        yield from ((row, row + 1 + int(other)) for other in np.flatnonzero(near))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hung:
    """A gate, and the row of its bay."""

    gate: SwungGate
    row: int

    @property
    def rules(self) -> GateRules:
        return self.gate.placed.rules


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Met:
    """A leaf of each of two gates, and how the one comes into the way of the other."""

    leaves: tuple[LeafSwing, LeafSwing]
    entries: tuple[Entry, Entry]

    @property
    def stays(self) -> bool:
        """Whether one that stands open is in the way of the other."""
        return any(entry.stays for entry in self.entries)

    @property
    def opened(self) -> Iterator[str]:
        """How far each has opened then."""
        for swing, entry in zip(self.leaves, self.entries, strict=True):
            leaf = swing.swept.leaf
            if leaf.motion == "slides":
                yield f"{entry.opened:.2f} of {leaf.length_m:.2f} m slid"
            else:
                yield f"{entry.opened:.0f} of {leaf.open_deg:.0f} deg open"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """Two gates of a fence."""

    swings: Swings
    fence: Fence
    gates: tuple[_Hung, _Hung]

    @property
    def geod(self) -> Geod:
        return self.swings.runs[0].line.geod

    def met(self) -> Iterator[_Met]:
        """The leaves that come into each other's way."""
        for one in self.gates[0].gate.swings:
            for other in self.gates[1].gate.swings:
                leaf, its = one.swept.leaf, other.swept.leaf
                entry = LeafWay.about_itself(leaf, self.geod).into(its)
                back = LeafWay.about_itself(its, self.geod).into(leaf)
                if entry is not None and back is not None:
                    yield _Met(leaves=(one, other), entries=(entry, back))

    def told(self, met: list[_Met]) -> Finding:
        """The worst of it, and everything that would keep all their leaves apart."""
        one, other = self.gates
        worst = min(met, key=lambda each: (not each.stays, round(each.entries[0].opened, TOLD)))
        leaf, bays = worst.leaves[0].swept.leaf, self.fence.bays
        first, second = (
            f"{leaf_words(gate.rules, swing)}, {opened}"
            for gate, swing, opened in zip(self.gates, worst.leaves, worst.opened, strict=True)
        )
        bars = "one that stands open bars the other" if worst.stays else "standing open neither bars the other"
        cures = "; or ".join(self._cures(met))
        shut = "hut the one before the other is opened."
        return Finding(
            code="gate-leaves-meet",
            severity="warn" if worst.stays else "note",
            message=f"Gate {one.rules.name}: {first}, comes into the way of gate {other.rules.name}'s at "
            f"{bays.start_m[other.row]:.2f} m{self._elsewhere()} ({second}); {bars}",
            remedy=f"One of these keeps them apart: {cures}. Else s{shut}" if cures else f"S{shut}",
            chainage_m=float(bays.start_m[one.row]),
            chainage_to_m=float(bays.end_m[one.row]),
            bay=one.row,
            value=worst.entries[0].opened,
            limit=leaf.length_m if leaf.motion == "slides" else leaf.open_deg,
            unit="m" if leaf.motion == "slides" else "deg",
        )

    def _elsewhere(self) -> str:
        """The line of the second gate, where that is another one."""
        site, (run, other) = self.swings.site, (gate.gate.placed.run for gate in self.gates)
        line = site.meetings.line
        return "" if line[run] == line[other] else f" of {site.line_of(other).told}"

    def _cures(self, met: list[_Met]) -> Iterator[str]:
        """What keeps the leaves apart, gate by gate; other ways to hang and open one were tried."""
        for at, gate in enumerate(self.gates):
            ways = dict(way for each in met for way in other_ways(gate.rules, each.leaves[at]))
            cures = [words for words, rules in ways.items() if not self._meet(gate, rules, self.gates[1 - at])]
            stop = math.ceil(round(min(each.entries[at].opened for each in met), TOLD)) - 1
            if stop > 0 and gate.rules.swings:
                cures.append(f"stop it at {stop} deg (open_deg)")
            if cures:
                yield f"at gate {gate.rules.name}, {', or '.join(cures)}"

    def _meet(self, gate: _Hung, rules: GateRules, other: _Hung) -> bool:
        """Whether leaves by other rules would come into the way of another gate's."""
        return any(
            LeafWay.about_itself(leaf, self.geod).into(swing.swept.leaf) is not None
            for _, _, leaf in self.swings.leaves(replace(gate.gate.placed, rules=rules))
            for swing in other.gate.swings
        )
