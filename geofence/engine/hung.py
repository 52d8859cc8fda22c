"""What hangs between the posts: panels, section by section between gates, and the gates themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.openings import bays_of_gates
from geofence.engine.raked import RakedLevels, choose_rakes
from geofence.engine.raked_limits import rake_findings
from geofence.engine.records import (
    Bays,
    Cost,
    Finding,
    Floats,
    Gate,
    Layout,
    LevelRules,
    PanelRules,
    Profile,
    RakeRules,
    Slope,
)
from geofence.engine.stepped import Levels, choose_levels, level_findings
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["Hung", "Slope", "hang", "hang_gates"]

Rows = NDArray[np.int64]


@dataclass(kw_only=True, eq=False)
class Hung:
    """Levels of all bays, row by row with the layout's bays; named as in :class:`~geofence.engine.records.Bays`."""

    underside_from_m: Floats
    underside_to_m: Floats
    gap_max_m: Floats
    dig_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    step_m: Floats
    slope_length_m: Floats
    cut_angle_deg: Floats
    sag_m: Floats
    droppers: Floats
    findings: list[Finding] = field(default_factory=list)
    cost: Cost = field(default_factory=Cost)

    @classmethod
    def unknown(cls, bays: int) -> Hung:
        """So many bays, without steps, all else NaN."""
        columns: dict[str, Any] = {name: np.full(bays, np.nan) for name in (*COLUMNS, *RAKED_COLUMNS, *WIRE_COLUMNS)}
        return cls(**columns | {"step_m": np.zeros(bays)})

    def bays(self, laid: Layout, panel: PanelRules) -> Bays:
        """The table of a layout's bays with these levels."""
        rows = np.arange(len(laid.bay_kind))
        return Bays(
            kind=laid.bay_kind,
            from_post=rows,
            to_post=(rows + 1) % len(laid.post_m),
            start_m=laid.bay_start_m,
            end_m=laid.bay_end_m,
            width_m=laid.width_m,
            top_from_m=self.underside_from_m + panel.height_m,
            top_to_m=self.underside_to_m + panel.height_m,
            **{name: getattr(self, name) for name in (*COLUMNS, *RAKED_COLUMNS, *WIRE_COLUMNS)},
        )


COLUMNS = (
    "underside_from_m",
    "underside_to_m",
    "gap_max_m",
    "dig_max_m",
    "gap_area_m2",
    "dig_area_m2",
    "step_m",
)
RAKED_COLUMNS = ("slope_length_m", "cut_angle_deg")
WIRE_COLUMNS = ("sag_m", "droppers")


def hang(
    profile: Profile,
    laid: Layout,
    *,
    levels: LevelRules,
    panel: PanelRules,
    gates: Sequence[Gate] = (),
    rake: RakeRules | None = None,
    closed: bool = False,
) -> Hung:
    """Hang panels and gates on the posts of a layout: level panels, or by ``rake`` sloping ones.

    ``gates`` are those of the layout; ``closed``: it is that of a ring.
    """
    count = len(laid.bay_kind)
    hung = Hung.unknown(count)
    windowed = False
    for rows in _sections(laid, closed=closed):
        section = _Section(profile=profile, laid=laid, rows=rows, closed=closed and len(rows) == count)
        chosen, findings = section.stepped(levels) if rake is None else section.raked(levels, rake)
        for name in COLUMNS if rake is None else (*COLUMNS, *RAKED_COLUMNS):
            getattr(hung, name)[rows] = getattr(chosen, name)
        hung.findings += [replace(finding, bay=int(rows[finding.bay or 0])) for finding in findings]
        hung.cost += chosen.cost
        windowed |= chosen.proven == "windowed"
    if windowed:
        hung.findings.append(WINDOWED)
    hang_gates(hung, profile, laid, levels, panel, gates)
    return hung


WINDOWED = Finding(
    code="levels-windowed",
    severity="note",
    message="The limits, or the ground that breaks them, leave so many levels that only those near the ground were "
    "looked at; cheaper ones that break as few limits may exist",
    remedy="Loosen the limits that the stop findings name; where there are none, tighten levels.gap_max_m and "
    "levels.dig_max_m, or make levels.increment_m coarser.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Section:
    """A row of bays without a gate: rows of the layout's bays, ``closed`` where they are a whole ring."""

    profile: Profile
    laid: Layout
    rows: Rows
    closed: bool

    @property
    def ends(self) -> tuple[Floats, Floats]:
        return self.laid.bay_start_m[self.rows], self.laid.bay_end_m[self.rows]

    def stepped(self, rules: LevelRules) -> tuple[Levels, tuple[Finding, ...]]:
        levels = choose_levels(self.profile, *self.ends, rules, closed=self.closed)
        return levels, level_findings(levels, *self.ends, rules)

    def raked(self, rules: LevelRules, rake: RakeRules) -> tuple[RakedLevels, tuple[Finding, ...]]:
        width = self.laid.width_m[self.rows]
        levels = choose_rakes(self.profile, *self.ends, rules, rake, width_m=width, closed=self.closed)
        return levels, rake_findings(levels, self.profile, *self.ends, rules, rake)


def _sections(laid: Layout, *, closed: bool) -> list[Rows]:
    """Rows of the bays between gates; on a ring with a gate, on through the ring's first post."""
    gate = np.array(laid.bay_kind) == "gate"
    rows = np.arange(len(gate))
    if closed and gate.any():
        rows = np.roll(rows, -int(np.argmax(gate)))
    pieces = np.split(rows, np.flatnonzero(gate[rows]))
    return [piece[~gate[piece]] for piece in pieces if not gate[piece].all()]


def hang_gates(
    hung: Hung, profile: Profile, laid: Layout, rules: LevelRules, panel: PanelRules, gates: Sequence[Gate]
) -> None:
    """Hang each gate at the lowest level that clears the ground of its opening, and that which its leaf passes."""
    placed = bays_of_gates(laid, gates)
    if not placed:
        return
    rows = np.array([row for row, _ in placed])
    ground = BayGround.under(profile, laid.bay_start_m[rows], laid.bay_end_m[rows])
    highest = np.maximum(ground.highest_m, [gate.passes_m for _, gate in placed])
    under = np.array([panel.gate_clearance_m if gate.clearance_m is None else gate.clearance_m for _, gate in placed])
    clear = (highest + under - LEVEL_TOLERANCE_M) / rules.increment_m
    level = np.ceil(clear).astype(np.int64)
    underside = level * rules.increment_m
    hung.underside_from_m[rows] = hung.underside_to_m[rows] = underside
    hung.gap_max_m[rows] = underside - ground.lowest_m
    hung.dig_max_m[rows] = ground.highest_m - underside
    hung.gap_area_m2[rows], hung.dig_area_m2[rows] = ground.areas(level, level, rules.increment_m)
    for (row, gate), in_opening in zip(placed, ground.highest_m.tolist(), strict=True):
        limit = rules.gap_max_m if gate.gap_max_m is None else gate.gap_max_m
        if hung.gap_max_m[row] > limit + LEVEL_TOLERANCE_M:
            hung.findings.append(_gap_finding(hung, laid, row, gate, limit, swings=gate.passes_m > in_opening))


def _gap_finding(hung: Hung, laid: Layout, row: int, gate: Gate, limit_m: float, *, swings: bool) -> Finding:
    what = "that its leaf passes as it opens" if swings else "in its opening"
    over = f"{hung.gap_max_m[row]:.3f} m over the lowest under it"
    return Finding(
        code="gate-gap-over-limit",
        severity="warn",
        message=f"To clear the highest ground {what}, gate {gate.name} hangs {over}: animals pass beneath",
        remedy="Move the gate to flatter ground, level the ground under it, or hang a sill or a drop board below it.",
        chainage_m=float(laid.bay_start_m[row]),
        chainage_to_m=float(laid.bay_end_m[row]),
        bay=row,
        value=float(hung.gap_max_m[row]),
        limit=limit_m,
        unit="m",
    )
