"""Leaves of gates that open over the job's zones."""

from __future__ import annotations

import math
from collections.abc import Iterator

import shapely

from geofence.engine.records import Fence, Finding
from geofence.planning.gate_findings import leaf_words
from geofence.planning.gate_swing import LeafSwing, Swings, SwungGate
from geofence.planning.zoning import PlacedZone, Zoning
from geofence.site.leaf_ways import PLAY_DEG, PLAY_M, Entry, LeafWay
from geofence.site.zones import near_shapes

__all__ = ["opens_over"]

LOOKED_AT = ("keep-clear", "no-fence", "splay")
"""Rules of what may stand up in a leaf's way, and of where no leaf should stand."""


def opens_over(swings: Swings, fence: Fence, zoning: Zoning) -> Iterator[Finding]:
    """A finding for each gate and each zone that one of its leaves comes over; not for shapes under the shut gate."""
    for gate, row in swings.in_bays(fence):
        for zone in zoning.zones:
            if zone.zone.rule in LOOKED_AT:
                found = list(_entries(swings, gate, zone, zoning, float(fence.bays.start_m[row])))
                spanned = {shape for shape, entry, swing in found if not _opens_first(entry, swing)}
                beside = [(entry, swing) for shape, entry, swing in found if shape not in spanned]
                if beside:
                    yield _told(fence, gate, row, zone, *min(beside, key=lambda each: each[0].opened))


def _entries(
    swings: Swings, gate: SwungGate, zone: PlacedZone, zoning: Zoning, chainage_m: float
) -> Iterator[tuple[int, Entry, LeafSwing]]:
    """Rows of a zone's shapes and how leaves come over them, as far as its rule reaches; a keep-clear's as drawn."""
    run, reach = gate.placed.run, 0.0 if zone.zone.rule == "keep-clear" else zone.reach_m
    for stretch in zoning.stretches:
        if stretch.run == run and stretch.chainage_m[0] <= chainage_m < stretch.chainage_m[-1]:
            margin = reach + 2 * gate.placed.rules.width_m
            for row, shape in near_shapes(zone.drawing, stretch, zone.to_degrees, margin_m=margin):
                for swing in gate.swings:
                    geod = swings.runs[run].line.geod
                    way = LeafWay(leaf=swing.swept.leaf, geod=geod, carry=stretch.plane.places)
                    entry = way.over(shapely.buffer(shape, reach) if reach else shape)
                    if entry is not None:
                        yield row, entry, swing


def _opens_first(entry: Entry, swing: LeafSwing) -> bool:
    """Whether a leaf is clear of a shape while it is shut: else the zone's own rule tells what is to be told."""
    return entry.opened > (PLAY_M if swing.side == "slide" else PLAY_DEG)


def _told(fence: Fence, gate: SwungGate, row: int, zone: PlacedZone, entry: Entry, swing: LeafSwing) -> Finding:
    leaf, rules = swing.swept.leaf, gate.placed.rules
    slides, stop = swing.side == "slide", math.ceil(entry.opened) - 1
    opened = f"{entry.opened:.2f} m slid" if slides else f"{entry.opened:.0f} of {leaf.open_deg:.0f} deg open"
    ways = "Let it slide the other way (hinge)" if slides else "Open it to the other side, hang it at its other post"
    if stop > 0 and not slides:
        ways += f", stop it at {stop} deg (open_deg)"
    told = "nothing stands up there" if zone.zone.rule == "keep-clear" else "a leaf may"
    return Finding(
        code="gate-opens-over-zone",
        severity="note" if zone.zone.rule == "keep-clear" else "warn",
        message=f"Gate {rules.name}: {leaf_words(rules, swing)} comes over {zone.title} ({zone.zone.rule}; "
        f"{zone.source}), {opened}{', and stands open over it' if entry.stays else ''}",
        remedy=f"{ways}, or make sure that {told}.",
        chainage_m=float(fence.bays.start_m[row]),
        chainage_to_m=float(fence.bays.end_m[row]),
        bay=row,
        value=entry.opened,
        limit=leaf.length_m if slides else leaf.open_deg,
        unit="m" if slides else "deg",
    )
