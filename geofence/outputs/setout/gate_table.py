"""Gates as the set-out sheet has them."""

from __future__ import annotations

from collections.abc import Sequence

from geofence.outputs.plain_text import one_line
from geofence.outputs.post_sizes import Sizes
from geofence.outputs.setout.parts import Column, Line, Table
from geofence.outputs.setout.tables import DONE
from geofence.outputs.setout.units import Units
from geofence.plan import FencePlan, PlannedGate

__all__ = ["gate_table"]


def gate_table(plan: FencePlan, units: Units) -> Table:
    """Openings."""
    called, sizes = {gate.bay: gate for gate in plan.gates}, Sizes.of(plan)
    rows = [row for row, kind in enumerate(plan.fence.bays.kind) if kind == "gate"]
    return Table(
        title="Gates",
        hint="Measure the clear opening at the top and at the foot of the posts before the concrete sets. Left and "
        "right are those of somebody who walks along the fence. Foot: the level of the leaves' undersides; under: how "
        "much is asked for between the ground and them.",
        columns=(
            DONE,
            Column(head=("Gate", "bay"), width=26, kind="text"),
            Column(head=("Posts", "opens"), width=33, kind="text"),
            Column(head=("Leaves", "hung at"), width=33, kind="text"),
            Column(head=("Centres", "clear"), width=20),
            Column(head=("Tops, first", "second"), width=22),
            Column(head=("Foot level", "under"), width=21),
            Column(head=("Measured", ""), width=20, kind="blank"),
        ),
        rows=tuple(_gate(plan, units, sizes, row, called.get(row)) for row in rows),
    )


def _gate(plan: FencePlan, units: Units, sizes: Sizes, row: int, gate: PlannedGate | None) -> Line:
    bays, names, name = plan.fence.bays, plan.post_names, plan.bay_names[row]
    ends = [int(bays.from_post[row]), int(bays.to_post[row])]
    tops = [units.level(float(plan.fence.posts.top_level_m[end])) for end in ends]
    width = float(bays.width_m[row])
    return Line(
        cells=(
            (name if gate is None else one_line(gate.name), name),
            (f"{names[ends[0]]} to {names[ends[1]]}", _opens(gate)),
            (_leaves(gate), _hung(gate, names)),
            (units.length(width), units.length(width - sizes.between(*ends))),
            (tops[0], tops[1]),
            (units.level(float(bays.underside_from_m[row])), _clearance(gate, units)),
        )
    )


def _opens(gate: PlannedGate | None) -> str:
    """To which side, and how far."""
    if gate is None or gate.swing in ("none", "not stated"):
        return "" if gate is None else {"none": "no leaf", "not stated": "way not stated"}[gate.swing]
    if gate.swing == "slide":
        return "slides"
    angles = ", ".join(f"{angle:g}°" for angle in dict.fromkeys(way.open_deg for way in gate.ways))
    return f"{'both ways' if gate.swing == 'both' else gate.swing}, {angles}" if angles else gate.swing


def _leaves(gate: PlannedGate | None) -> str:
    return "" if gate is None else {0: "none", 1: "1 leaf"}.get(gate.leaves, f"{gate.leaves} leaves")


def _hung(gate: PlannedGate | None, names: Sequence[str]) -> str:
    """The posts with hinges, or past which a leaf slides."""
    rows = dict.fromkeys(way.post for way in gate.ways) if gate is not None else ()
    return " and ".join(names[row] for row in rows)


def _clearance(gate: PlannedGate | None, units: Units) -> str:
    if gate is None or gate.clearance_m is None or not gate.leaves:
        return ""
    return units.length(gate.clearance_m)
