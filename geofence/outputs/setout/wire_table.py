"""Strains of wire as the set-out sheet has them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geofence.numeric import COINCIDENT_M
from geofence.outputs.finding_words import with_brackets
from geofence.outputs.setout.parts import Column, Line, Table
from geofence.outputs.setout.tables import DONE, MEASURED
from geofence.outputs.setout.units import Units
from geofence.plan import FencePlan

__all__ = ["wire_table"]


def wire_table(plan: FencePlan, units: Units) -> Table:
    """Strains of wire."""
    return Table(
        title="Strains of wire",
        hint=f"{_heights(plan, units)}One wire: along the slope, from strainer to strainer, without knots and ties."
        f"{_temperatures(plan, units)}",
        columns=(
            DONE,
            Column(head=("From", "to"), width=26, kind="text"),
            Column(head=("Wires", ""), width=16),
            Column(head=("One wire", "all wires"), width=30),
            Column(head=("Strain to", ""), width=26),
            Column(head=("Coldest", "hottest"), width=26),
            Column(head=("Droppers", ""), width=22),
            MEASURED,
        ),
        rows=tuple(_strain(plan, units, row, inside) for row, inside in enumerate(_bays_of_strains(plan))),
    )


def _strain(plan: FencePlan, units: Units, row: int, inside: NDArray[np.int64]) -> Line:
    strains, names, droppers = plan.fence.strains, plan.post_names, plan.fence.bays.droppers[inside]
    wires, length = int(strains.wires[row]), float(strains.wire_length_m[row])
    strained, cold, hot = (
        units.force(float(pull[row])) for pull in (strains.tension_kn, strains.tension_cold_kn, strains.tension_hot_kn)
    )
    return Line(
        cells=(
            (names[int(strains.from_post[row])], f"to {names[int(strains.to_post[row])]}"),
            (str(wires), ""),
            (units.length(length), units.length(wires * length)),
            (strained, ""),
            (cold, hot),
            (f"{np.nansum(droppers):.0f}", ""),
        )
    )


def _temperatures(plan: FencePlan, units: Units) -> str:
    """At which each wire has the pulls of the table."""
    told = [plan.value(f"wire.temperature{part}_c") for part in ("", "_min", "_max")]
    if None in told:
        return ""
    strained, coldest, hottest = told
    text = (
        f" Strain to: the pull of each wire at {strained:g} °C; coldest at {coldest:g} °C, hottest at {hottest:g} °C."
    )
    return with_brackets(text, units.in_brackets)


def _bays_of_strains(plan: FencePlan) -> list[NDArray[np.int64]]:
    """Of each strain the rows of the bays between its ends. Strains follow each other run by run, as bays do."""
    strains, bays, found, at, last_m = plan.fence.strains, plan.fence.bays, [], 0, -math.inf
    for row in range(len(strains)):
        start_m, end_m = float(strains.start_m[row]), float(strains.end_m[row])
        ends = {int(strains.from_post[row]), int(strains.to_post[row])}
        while start_m < last_m - COINCIDENT_M or not ends <= set(plan.runs[at].posts.tolist()):
            at, last_m = at + 1, -math.inf
        own = plan.runs[at].bays
        inside = (bays.start_m[own] >= start_m - COINCIDENT_M) & (bays.end_m[own] <= end_m + COINCIDENT_M)
        found.append(own[inside])
        last_m = end_m
    return found


def _heights(plan: FencePlan, units: Units) -> str:
    given = plan.value("wire.heights_m")
    if not given:
        return ""
    *others, last = given
    heights = ", ".join([*map(units.length, others), units.said(last)])
    return f"Wires above the ground at each post, the lowest first: {heights}. "
