"""The set-out sheet of a plan: its tables in the order of the work, and what is to be known before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from geofence.engine.records import Finding
from geofence.outputs.facts import facts
from geofence.outputs.plain_text import one_line
from geofence.outputs.setout.checks import (
    TAPE_REACH_M,
    Diagonal,
    chord,
    diagonals,
    in_holes,
    straights,
    ties,
)
from geofence.outputs.setout.figure import post_figure
from geofence.outputs.setout.gate_table import gate_table
from geofence.outputs.setout.parts import Sheet, Table
from geofence.outputs.setout.pegs import peg_texts
from geofence.outputs.setout.post_table import legend, post_table
from geofence.outputs.setout.posts import WORDS, Note, Stretch, stretches, whole_plan_notes
from geofence.outputs.setout.strings import tape_of
from geofence.outputs.setout.style import SetoutStyle
from geofence.outputs.setout.tables import (
    corner_table,
    held_table,
    mark_table,
    ordered,
    stretch_table,
    tie_table,
)
from geofence.outputs.setout.units import Units
from geofence.outputs.setout.wire_table import wire_table
from geofence.outputs.setout.zones import zone_texts
from geofence.placed_findings import worst_first
from geofence.plan import FencePlan
from geofence.site.tape import Tape

__all__ = ["setout_sheet"]

MOST_TOLD = 12
"""Findings of the whole plan, or of stretches of it, that the first page tells; stops come before warnings."""

MOST_NAMED = 24
"""Posts and bays named on the first page as ones to look at; the rest are counted, and marked where they stand."""


def setout_sheet(plan: FencePlan, style: SetoutStyle) -> Sheet:
    """What stands on the sheet."""
    units, tape = Units.of(plan, style.units), tape_of(plan)
    along = list(stretches(plan, units.in_brackets))
    turns = list(diagonals(plan, units, setback_m=style.setback_m))
    return Sheet(
        name=one_line(plan.name) or "Fence",
        fence=one_line(plan.system.title),
        facts=tuple(_facts(plan, units)),
        cautions=plan.cautions,
        zones=(*zone_texts(plan, units), *peg_texts(plan, units, turns)),
        look=(*_told(whole_plan_notes(plan, units.in_brackets)), *_marked(plan)),
        legend=legend(plan, units),
        figure=post_figure(wires=plan.system.slope == "strained"),
        tables=tuple(table for table in _tables(plan, style, units, tape, along, turns) if table.rows),
    )


def _tables(
    plan: FencePlan,
    style: SetoutStyle,
    units: Units,
    tape: Tape,
    along: Sequence[Stretch],
    turns: Sequence[Diagonal],
) -> Iterator[Table]:
    boundary = ties(plan, tape, "boundary", reach_m=style.reach_m, second_reach_m=TAPE_REACH_M)
    control = ties(plan, tape, "control", reach_m=style.reach_m, second_reach_m=style.reach_m)
    tied = list(ordered((boundary, control)))
    whole = list(straights(plan, along))
    ends = [(item.start.row, item.end.row) for item in along] + [(item.start.row, item.end.row) for item in whole]
    chords = {key: chord(plan, tape, *key) for key in dict.fromkeys(ends)}
    across = {item.toward: chord(plan, tape, *item.toward) for item in turns}
    used = sorted({tie.mark for tie in tied})
    yield mark_table(plan, units, in_holes(plan, tape), used)
    yield held_table(plan, along, units)
    yield tie_table(plan, units, tied)
    yield stretch_table(along, whole, units, chords)
    yield corner_table(plan, units, turns, across)
    yield gate_table(plan, units)
    yield wire_table(plan, units)
    yield post_table(plan, along, units, chords)


def _facts(plan: FencePlan, units: Units) -> Iterator[tuple[str, str]]:
    told = facts(plan, places=f"easting, northing, in {one_line(plan.grid.unit)}", levels=units.level_words)
    yield from (fact for fact in told if fact[0] in ("grid", "levels"))
    factor = plan.grid.combined_factor
    yield "lengths", f"{units.words}, level tape on the ground"
    yield (
        "scale",
        f"100 {units.staff} on the ground is {100 * factor:.4f} {units.staff} on the grid: every distance on this "
        "sheet is a ground distance; lengths worked out from coordinates are not",
    )
    if units.in_brackets:
        yield "findings", "in metres, as in findings.csv, and in brackets in the units of this sheet"
    yield "posts", f"{len(plan.fence.posts)}, {units.said(plan.system.post_width_m)} wide"
    yield "planned", f"{one_line(plan.provenance.planned_at)}; a newer plan makes this sheet void"


def _told(notes: Sequence[Note]) -> Iterator[Note]:
    """The worst of what concerns no single post, and how many more there are."""
    yield from notes[:MOST_TOLD]
    if left := notes[MOST_TOLD:]:
        yield Note(word=left[0].word, text=f"{len(left)} more are told in findings.csv.")


def _marked(plan: FencePlan) -> Iterator[Note]:
    """How many posts and bays have something to look at, and which."""
    posts, bays, found = plan.post_names, plan.bay_names, worst_first(plan)
    for severity, word in WORDS.items():
        told = [finding for finding, _ in found if finding.severity == severity]
        named = dict.fromkeys(name for finding in told for name in _names(posts, bays, finding))
        if named:
            names = list(named)
            more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
            yield Note(word=word, text=f"Marked where they stand: {', '.join(names[:MOST_NAMED])}{more}.")


def _names(posts: Sequence[str], bays: Sequence[str], finding: Finding) -> Iterator[str]:
    """The post or bay that a finding concerns."""
    if finding.post is not None:
        yield posts[finding.post]
    elif finding.bay is not None:
        yield bays[finding.bay]
