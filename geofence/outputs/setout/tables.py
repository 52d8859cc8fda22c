"""Tables of the set-out sheet that come before the posts: what is set first, and what checks it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from geofence.numeric import COINCIDENT_M
from geofence.outputs.plain_text import one_line
from geofence.outputs.post_sizes import Sizes
from geofence.outputs.setout.checks import CUT_MIN_DEG, Chord, Diagonal, Straight, Tie, weakly_tied
from geofence.outputs.setout.existing import PLACE_DECIMALS, beside_notes
from geofence.outputs.setout.parts import Band, Cell, Column, Line, Table
from geofence.outputs.setout.posts import Note, Stretch
from geofence.outputs.setout.units import Units, bearing, degrees_minutes_seconds
from geofence.plan import FencePlan, MarkKind, PlannedGate

__all__ = [
    "corner_table",
    "gate_table",
    "held_table",
    "mark_table",
    "ordered",
    "stretch_table",
    "tie_table",
    "wire_table",
]

DONE = Column(head=("done", ""), width=11, kind="tick")
MEASURED = Column(head=("Measured", ""), width=30, kind="blank")

NAME_LETTERS = 16
KIND_WORDS: Mapping[MarkKind, str] = {"boundary": "boundary mark", "control": "control point"}


def mark_table(plan: FencePlan, units: Units, holes: Mapping[int, int], used: Sequence[int]) -> Table:
    """The marks that ties start from."""
    marks, names = plan.marks, plan.post_names
    rows = []
    for row in used:
        rows.append(
            Line(
                cells=(
                    (one_line(marks.name[row]), KIND_WORDS[marks.kind[row]]),
                    (_place(float(marks.easting[row])), ""),
                    (_place(float(marks.northing[row])), ""),
                    (units.level(float(marks.level_m[row])), ""),
                    (f"hole of {names[holes[row]]}" if row in holes else "", ""),
                ),
            )
        )
    return Table(
        title="Marks to start from",
        hint=f"Eastings and northings on the grid, in {one_line(plan.grid.unit)}; a control point's level is its own, "
        "a boundary mark's that of the ground. Find each and look whether it was moved. One that stands in a hole goes "
        "with the soil: set pegs clear of it first, and ask a licensed surveyor before, since to move a mark may be an "
        "offence.",
        columns=(
            DONE,
            Column(head=("Mark", "what"), width=47, kind="text"),
            Column(head=("Easting", ""), width=33),
            Column(head=("Northing", ""), width=33),
            Column(head=("Level", ""), width=26),
            Column(head=("Stands in", ""), width=36),
        ),
        rows=tuple(rows),
    )


def held_table(plan: FencePlan, along: Sequence[Stretch], units: Units) -> Table:
    """The posts that must be where they are."""
    posts, places, names = plan.fence.posts, plan.places, plan.post_names
    beside = beside_notes(plan, units)
    held = dict.fromkeys(post.row for stretch in along for post in (stretch.start, stretch.end))
    rows = [
        Line(
            cells=(
                (names[row], posts.kind[row]),
                (_place(float(places.easting[row])), ""),
                (_place(float(places.northing[row])), ""),
                (units.level(float(posts.ground_level_m[row])), units.level(float(posts.top_level_m[row]))),
                (units.length(float(posts.chainage_m[row])), ""),
            ),
            notes=(beside[row],) if row in beside else (),
        )
        for row in held
    ]
    return Table(
        title="Posts to set first",
        hint="Set these by instrument, or tape them from the marks by the ties; the others are taped from them. "
        f"Eastings and northings on the grid, in {one_line(plan.grid.unit)}.",
        columns=(
            DONE,
            Column(head=("Post", "kind"), width=30, kind="text"),
            Column(head=("Easting", ""), width=38),
            Column(head=("Northing", ""), width=38),
            Column(head=("Ground", "top level"), width=28),
            Column(head=("Chainage", ""), width=28),
        ),
        rows=tuple(rows),
    )


def tie_table(plan: FencePlan, units: Units, ties: Sequence[Tie]) -> Table:
    """From marks to posts."""
    names, weak, beside = plan.post_names, weakly_tied(ties), beside_notes(plan, units)
    last = {tie.row: at for at, tie in enumerate(ties)}
    return Table(
        title="Ties from marks to posts",
        hint="Two ties fix a post, where they cross well. Rise: the ground at the post above the mark.",
        columns=(
            DONE,
            Column(head=("Post", "kind"), width=23, kind="text"),
            Column(head=("From mark", "what"), width=42, kind="text"),
            Column(head=("Distance", ""), width=26),
            Column(head=("Bearing", "grid"), width=29),
            Column(head=("Rise", ""), width=21),
            MEASURED,
        ),
        rows=tuple(
            _tie(plan, units, tie, tuple(_of_ties(names, tie.row, weak, beside)) if at == last[tie.row] else ())
            for at, tie in enumerate(ties)
        ),
    )


def _of_ties(names: Sequence[str], row: int, weak: set[int], beside: Mapping[int, Note]) -> Iterator[Note]:
    """What is told below the last tie of a post."""
    if row in weak:
        text = f"No two ties of {names[row]} cross at {CUT_MIN_DEG:g}° or more: check it by its stretches as well."
        yield Note(word="CHECK", text=text)
    if row in beside:
        yield beside[row]


def _tie(plan: FencePlan, units: Units, tie: Tie, notes: tuple[Note, ...]) -> Line:
    marks = plan.marks
    on_it = tie.distance_m < COINCIDENT_M
    return Line(
        cells=(
            (plan.post_names[tie.row], plan.fence.posts.kind[tie.row]),
            (one_line(marks.name[tie.mark]), KIND_WORDS[marks.kind[tie.mark]]),
            (units.length(tie.distance_m), "on the mark" if on_it else ""),
            ("", "") if on_it else (bearing(tie.bearing_deg), degrees_minutes_seconds(tie.bearing_deg)),
            (units.rise(tie.rise_m), ""),
        ),
        notes=notes,
    )


def stretch_table(
    along: Sequence[Stretch], whole: Sequence[Straight], units: Units, chords: Mapping[tuple[int, int], Chord]
) -> Table:
    """From each post that is set first to the next, then from corner to corner past those in between."""
    rows: list[Line | Band] = [
        _stretch(item, units, chords, line=item.line) for item in along if item.bays > 1 and not item.bent
    ]
    if whole:
        rows.append(Band(text="From corner to corner, past the posts in between"))
        rows += [_stretch(item, units, chords, line=item.stretches[0].line) for item in whole]
    return Table(
        title="Stretches from post to post",
        hint="Check each before the posts in between are dug: centre to centre, level tape.",
        columns=(
            DONE,
            Column(head=("From", "kind"), width=26, kind="text"),
            Column(head=("To", "kind"), width=26, kind="text"),
            Column(head=("Length", "line" if any(item.line for item in along) else ""), width=30),
            Column(head=("Bearing", "grid"), width=30),
            Column(head=("Bays", ""), width=15),
            MEASURED,
        ),
        rows=tuple(rows),
    )


def _stretch(item: Stretch | Straight, units: Units, chords: Mapping[tuple[int, int], Chord], *, line: str) -> Line:
    bearing_deg = chords[item.start.row, item.end.row].bearing_deg
    return Line(
        cells=(
            (item.start.name, item.start.kind),
            (item.end.name, item.end.kind),
            (units.length(item.length_m), _short(line)),
            (bearing(bearing_deg), degrees_minutes_seconds(bearing_deg)),
            (str(item.bays), ""),
        )
    )


def corner_table(
    plan: FencePlan, units: Units, found: Sequence[Diagonal], across: Mapping[tuple[int, int], Chord]
) -> Table:
    """Where the fence turns."""
    names = plan.post_names
    return Table(
        title="Diagonals where the fence turns",
        hint="Peg A on the line of the fence toward the one post and B toward the other, each at the setback from the "
        "corner post's centre; A to B must be as stated. Where it says past, A stands on the same line prolonged past "
        "the corner post, since the fence turns but little there. The pegs also give the corner back after its hole "
        "is dug. Post to post: between the two neighbours' centres.",
        columns=(
            DONE,
            Column(head=("Post", "angle"), width=22, kind="text"),
            Column(head=("Peg A", ""), width=27, kind="text"),
            Column(head=("Peg B", ""), width=27, kind="text"),
            Column(head=("Setback", ""), width=24),
            Column(head=("A to B", "post to post"), width=30),
            MEASURED,
        ),
        rows=tuple(_corner(names, units, item, across[item.toward]) for item in found),
    )


def _corner(names: Sequence[str], units: Units, found: Diagonal, across: Chord) -> Line:
    one, other = (names[row] for row in found.toward)
    return Line(
        cells=(
            (names[found.row], f"{found.angle_deg:.2f}°"),
            (f"toward {one}", "") if not found.prolonged else (f"from {one}", "past the post"),
            (f"toward {other}", ""),
            (units.length(found.setback_m), ""),
            (units.length(found.diagonal_m), units.length(across.distance_m)),
        )
    )


def gate_table(plan: FencePlan, units: Units) -> Table:
    """Openings."""
    bays, names, bay_names, sizes = plan.fence.bays, plan.post_names, plan.bay_names, Sizes.of(plan)
    called = {gate.bay: gate for gate in plan.gates}
    rows = []
    for row in np.flatnonzero(np.array([kind == "gate" for kind in bays.kind], dtype=bool)).tolist():
        ends = [int(bays.from_post[row]), int(bays.to_post[row])]
        tops = [float(plan.fence.posts.top_level_m[end]) for end in ends]
        width, gate = float(bays.width_m[row]), called.get(row)
        cells: tuple[Cell, ...] = (
            (bay_names[row] if gate is None else one_line(gate.name), bay_names[row]),
            (f"{names[ends[0]]} to {names[ends[1]]}", _opens(gate)),
            (_leaves(gate), _hung(gate, names)),
            (units.length(width), units.length(width - sizes.between(*ends))),
            (units.level(tops[0]), units.level(tops[1])),
            (units.level(float(bays.underside_from_m[row])), _clearance(gate, units)),
        )
        rows.append(Line(cells=cells))
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
        rows=tuple(rows),
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


def wire_table(plan: FencePlan, units: Units) -> Table:
    """Strains of wire."""
    strains, names = plan.fence.strains, plan.post_names
    droppers = plan.fence.bays.droppers
    rows = []
    for row, inside in enumerate(_bays_of_strains(plan)):
        count = float(np.nansum(droppers[inside])) if np.isfinite(droppers[inside]).any() else 0.0
        wires, length = int(strains.wires[row]), float(strains.wire_length_m[row])
        rows.append(
            Line(
                cells=(
                    (names[int(strains.from_post[row])], f"to {names[int(strains.to_post[row])]}"),
                    (str(wires), ""),
                    (units.length(length), units.length(wires * length)),
                    (f"{strains.tension_kn[row]:.2f} kN", ""),
                    (f"{strains.tension_cold_kn[row]:.2f} kN", f"{strains.tension_hot_kn[row]:.2f} kN"),
                    (f"{count:.0f}", ""),
                )
            )
        )
    return Table(
        title="Strains of wire",
        hint=_heights(plan, units) + "One wire: along the slope, from strainer to strainer, without knots and ties.",
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
        rows=tuple(rows),
    )


def _heights(plan: FencePlan, units: Units) -> str:
    given = plan.value("wire.heights_m")
    if not given:
        return ""
    *others, last = given
    heights = ", ".join([*map(units.length, others), units.said(last)])
    return f"Wires above the ground at each post, the lowest first: {heights}. "


def _short(line: str) -> str:
    """As much of a line's name as stands below a figure."""
    name = one_line(line)
    return name if len(name) <= NAME_LETTERS else name[: NAME_LETTERS - 1].rstrip() + "…"


def _place(value: float) -> str:
    return f"{value:.{PLACE_DECIMALS}f}"


def ordered(ties: Sequence[Sequence[Tie]]) -> Iterator[Tie]:
    """Ties of several kinds of mark, post by post."""
    every = [tie for kind in ties for tie in kind]
    yield from sorted(every, key=lambda tie: tie.row)
