"""Tables of the set-out sheet that come before the posts: what is set first, and what checks it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from geofence.numeric import COINCIDENT_M
from geofence.outputs.plain_text import one_line
from geofence.outputs.setout.checks import CUT_MIN_DEG, Chord, Diagonal, Straight, Tie, weakly_tied
from geofence.outputs.setout.existing import PLACE_DECIMALS, beside_notes
from geofence.outputs.setout.parts import Band, Column, Line, Table
from geofence.outputs.setout.posts import Note, Stretch
from geofence.outputs.setout.units import Units, bearing, degrees_minutes_seconds
from geofence.plan import FencePlan, MarkKind

__all__ = [
    "corner_table",
    "held_table",
    "mark_table",
    "ordered",
    "stretch_table",
    "tie_table",
]

DONE = Column(head=("done", ""), width=11, kind="tick")
MEASURED = Column(head=("Measured", ""), width=30, kind="blank")

NAME_LETTERS = 16
KIND_WORDS: Mapping[MarkKind, str] = {"boundary": "boundary mark", "control": "control point"}


def mark_table(plan: FencePlan, units: Units, holes: Mapping[int, int], used: Sequence[int]) -> Table:
    """The marks that ties start from."""
    return Table(
        title="Marks to start from",
        hint=f"{_in_grid(plan)}; a control point's level is its own, a boundary mark's that of the ground. Find each "
        "and look whether it was moved. One that stands in a hole goes with the soil: set pegs clear of it first, and "
        "ask a licensed surveyor before, since to move a mark may be an offence.",
        columns=(
            DONE,
            Column(head=("Mark", "what"), width=47, kind="text"),
            Column(head=("Easting", ""), width=33),
            Column(head=("Northing", ""), width=33),
            Column(head=("Level", ""), width=26),
            Column(head=("Stands in", ""), width=36),
        ),
        rows=tuple(_mark(plan, units, holes, row) for row in used),
    )


def _mark(plan: FencePlan, units: Units, holes: Mapping[int, int], row: int) -> Line:
    marks = plan.marks
    return Line(
        cells=(
            (one_line(marks.name[row]), KIND_WORDS[marks.kind[row]]),
            (_place(float(marks.easting[row])), ""),
            (_place(float(marks.northing[row])), ""),
            (units.level(float(marks.level_m[row])), ""),
            (f"hole of {plan.post_names[holes[row]]}" if row in holes else "", ""),
        ),
    )


def held_table(plan: FencePlan, along: Sequence[Stretch], units: Units) -> Table:
    """The posts that must be where they are."""
    beside = beside_notes(plan, units)
    held = dict.fromkeys(post.row for stretch in along for post in (stretch.start, stretch.end))
    return Table(
        title="Posts to set first",
        hint="Set these by instrument, or tape them from the marks by the ties; the others are taped from them. "
        f"{_in_grid(plan)}.",
        columns=(
            DONE,
            Column(head=("Post", "kind"), width=30, kind="text"),
            Column(head=("Easting", ""), width=38),
            Column(head=("Northing", ""), width=38),
            Column(head=("Ground", "top level"), width=28),
            Column(head=("Chainage", ""), width=28),
        ),
        rows=tuple(_held(plan, units, row, (beside[row],) if row in beside else ()) for row in held),
    )


def _held(plan: FencePlan, units: Units, row: int, notes: tuple[Note, ...]) -> Line:
    posts, places = plan.fence.posts, plan.places
    return Line(
        cells=(
            (plan.post_names[row], posts.kind[row]),
            (_place(float(places.easting[row])), ""),
            (_place(float(places.northing[row])), ""),
            (units.level(float(posts.ground_level_m[row])), units.level(float(posts.top_level_m[row]))),
            (units.length(float(posts.chainage_m[row])), ""),
        ),
        notes=notes,
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
        "is dug; have services located before any is driven. Post to post: between the two neighbours' centres.",
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


def _short(line: str) -> str:
    """As much of a line's name as stands below a figure."""
    name = one_line(line)
    return name if len(name) <= NAME_LETTERS else name[: NAME_LETTERS - 1].rstrip() + "…"


def _in_grid(plan: FencePlan) -> str:
    return f"Eastings and northings are those of the grid (unit: {one_line(plan.grid.unit)})"


def _place(value: float) -> str:
    return f"{value:.{PLACE_DECIMALS}f}"


def ordered(ties: Sequence[Sequence[Tie]]) -> Iterator[Tie]:
    """Ties of several kinds of mark, post by post."""
    every = [tie for kind in ties for tie in kind]
    yield from sorted(every, key=lambda tie: tie.row)
