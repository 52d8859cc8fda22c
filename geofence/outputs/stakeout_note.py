"""``stakeout.txt``: what the crew reads before it loads ``stakeout.csv``, whose first line must be its header."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from geofence.numeric import kept_down
from geofence.outputs import stakeout
from geofence.outputs.existing_words import beside_their_places, measured_tops
from geofence.outputs.finding_words import Said, said_in, told
from geofence.outputs.mark_ways import CLEAR_M
from geofence.outputs.plain_text import one_line
from geofence.outputs.stakeout_points import StakeoutPoints, stakeout_points
from geofence.placed_findings import worst_first
from geofence.plan import FencePlan, Output
from geofence.stakeout_style import OFFSET, StakeoutStyle
from geofence.units import same_unit, unit_word

__all__ = ["ABOUT", "FINGERPRINT", "OUTPUT", "SOURCE", "write"]

FINGERPRINT = "SHA-256      "
"""Begins the line with the fingerprint of the file that a note goes with."""

SOURCE = re.compile(r"^From the plan made at (.+): a newer plan makes these points void$", re.MULTILINE)
"""The line of a note of a file apart from the plan that says when that plan was made."""

ABOUT = re.compile(r"^THE NUMBERS IN (.+)$", re.MULTILINE)
"""The line that says which file a note is about."""

_MOST_FINDINGS = 40
"""Findings told one by one: what fits a printed page beside the rest; ``findings.csv`` has them all."""

_MOST_PEGS = 24
"""Marks in keep-clears told with where they stand; the others are named all the same."""

_MOST_LINES = 20
_MOST_NAMES = 12

_LEVELS = {
    "ground": "the ground at the post, as planned",
    "top": "the top of the post",
    "toe": "the toe of the post, the bottom of its hole",
}


def write(plan: FencePlan, path: Path, *, style: StakeoutStyle | None = None, about: str | None = None) -> None:
    """Write what the numbers are in, a check of the first and last post, what must be looked at, and the cautions.

    ``style`` is that of the stake-out file, None as the plan's job has it. ``about`` is the name of a file apart from
    the plan, whose note says besides which plan it comes from; None for the plan's own.
    """
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\r\n") as file:
        file.writelines(f"{line}\n" for line in _lines(plan, style or StakeoutStyle.of(plan), about))


def _lines(plan: FencePlan, style: StakeoutStyle, about: str | None) -> Iterator[str]:
    points = stakeout_points(plan, style)
    yield f"Stake-out of {one_line(plan.name)}"
    if about is not None:
        yield f"From the plan made at {one_line(plan.provenance.planned_at)}: a newer plan makes these points void"
    yield ""
    yield "BEFORE STAKING"
    yield from (f"- {caution}" for caution in plan.cautions)
    yield "- Check the set-up on a control point that this file does not hold."
    yield from (f"- {text}" for text in _pegs(plan, style, points))
    yield ""
    yield f"THE NUMBERS IN {one_line(about or stakeout.OUTPUT.filename)}"
    yield from _grid(plan, style)
    yield from _layout(plan, style)
    yield from _points(plan, style, points)
    yield f"{FINGERPRINT}{stakeout.digest(plan, style)}"
    yield ""
    yield "FIRST AND LAST POST"
    yield from _first_and_last(plan, style, points)
    yield ""
    if len(plan.existing):
        yield "POSTS IN THE GROUND ALREADY"
        yield from _existing(plan, style, points)
        yield ""
    yield "TO LOOK AT"
    yield from _findings(plan, said_in(style.unit_m(plan), style.unit_name(plan)))


def _grid(plan: FencePlan, style: StakeoutStyle) -> Iterator[str]:
    grid = plan.grid
    factor = grid.combined_factor
    yield f"Grid         {one_line(grid.name)} ({one_line(grid.code or 'no code: its definition is in plan.json')})"
    own = f"{one_line(grid.unit)} = {grid.unit_m:.12g} m"
    if style.unit == "grid":
        yield f"Unit         {own}, levels too"
    else:
        stated = f"{style.unit_name(plan)} = {style.unit_m(plan):.12g} m"
        yield f"Unit         {stated}, levels too; the grid's own: {own}"
    yield f"Level datum  {one_line(grid.level_datum) or 'not stated'}"
    off = f"{abs(factor - 1) * 1e6:.0f} mm in 1 km"
    if not same_unit(style.unit_m(plan), 1.0):
        word = _unit_word(plan, style)
        off = f"{abs(factor - 1) * 1000:.3f} {word} in 1000 {word}"
    yield f"Scale        grid distance = {factor:.8f} x ground distance ({off});"
    yield "             a tape reads ground distance, and bay widths are ground distances"


def _unit_word(plan: FencePlan, style: StakeoutStyle) -> str:
    """The unit of the file in short, where it has a short word."""
    return unit_word(style.unit_m(plan)) or one_line(style.unit_name(plan))


def _layout(plan: FencePlan, style: StakeoutStyle) -> Iterator[str]:
    """How the file is written, and whose levels its columns have."""
    yield f"Order        {', '.join(style.order)}"
    first = "names the columns" if style.header == "names" else "is a point: there is no header"
    decimals = stakeout.decimals_of(plan, style)
    yield f"Written      {style.delimiter} between fields, decimal {style.decimal}, {decimals} decimals; line 1 {first}"
    if "level" in style.order:
        yield f"level        {_LEVELS[style.level]}"
    for name, meaning in _LEVELS.items():
        if name in style.order:
            yield f"{name:12} {meaning}"
    if "chainage" in style.order:
        yield "chainage     along the line, on the ground; where lines meet, along the first of them"
    if "description" in style.order:
        yield f"description  {one_line(style.description)}; top, toe and ground are levels"
    codes = ", ".join(f"{kind} {one_line(code)}" for kind, code in style.codes.items())
    if codes:
        yield f"Codes        {codes}"


def _points(plan: FencePlan, style: StakeoutStyle, points: StakeoutPoints) -> Iterator[str]:
    """How many points there are, how they are named, and where marks beside posts stand."""
    posts, marks = len(plan.fence.posts), len(points.name) - len(plan.fence.posts)
    yield f"Points       {posts} posts" + (f" and {marks} marks beside them" if marks else "")
    if points.name[0] != plan.post_names[0]:
        yield f"Names        {points.name[0]} is post {plan.post_names[0]} of the other files, and so on by number"
    if marks:
        unit_m = style.unit_m(plan)
        ends = zip(points.name[1:], points.offset_m[1 : len(style.offset_m) + 1].tolist(), strict=False)
        sides = (
            f"{name.removeprefix(points.name[0])}: {abs(beside) / unit_m:.3f} {'left' if beside > 0 else 'right'}"
            for name, beside in ends
        )
        yield f"Marks        {'; '.join(sides)} of the direction of travel; code {one_line(style.code(OFFSET))}"
        yield "             measured on the ground from the middle of the post, square off the line; at a turn"
        yield "             along what halves its angle; turned about the post together where one would stand in a"
        yield f"             keep-clear or within {CLEAR_M / unit_m:.3f} of a fence. Levels are those of the post, not"
        yield "             of the ground there"
        yield from _crowded(points)


def _crowded(points: StakeoutPoints) -> Iterator[str]:
    """The marks that stand nearer to a fence all the same."""
    names = [name for name, clear in zip(points.name, points.clear.tolist(), strict=True) if clear < 1.0]
    if names:
        more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
        yield f"             No way is clear at {', '.join(names[:_MOST_NAMES])}{more}: look where their pegs go"


def _pegs(plan: FencePlan, style: StakeoutStyle, points: StakeoutPoints) -> Iterator[str]:
    """What to know before a peg is driven: first in general, then each mark that would stand in a keep-clear."""
    if points.offset_m.any():
        yield "Have services located before pegs are driven, too: a mark beside a post is a peg in the ground."
    unit_m, word = style.unit_m(plan), _unit_word(plan, style)
    found = [(name, no_peg) for name, no_peg in zip(points.name, points.no_peg, strict=True) if no_peg]
    for name, no_peg in found[:_MOST_PEGS]:
        away = f"{kept_down(no_peg.away_m, unit_m / 1e3) / unit_m:.3f} {word}"
        wanted, zone = f"{no_peg.wanted_m / unit_m:.3f} {word}", one_line(no_peg.zone)
        yield f"DRIVE NO PEG AT {name}: it is {away} from what is drawn of {zone} (keep-clear), and must be {wanted}."
    if left := [name for name, _ in found[_MOST_PEGS:]]:
        yield f"DRIVE NO PEG EITHER AT {', '.join(left)}: they are in keep-clears."


def _first_and_last(plan: FencePlan, style: StakeoutStyle, points: StakeoutPoints) -> Iterator[str]:
    """The first and the last post, of each line where lines have names."""
    if not plan.line_names:
        yield from (_place(plan, style, points, row) for row in (0, len(plan.fence.posts) - 1))
        return
    for name in plan.line_names[:_MOST_LINES]:
        runs = [run for run in plan.runs if run.line == name]
        yield f"Line {one_line(name)}"
        for run, at in ((runs[0], 0), (runs[-1], -1)):
            yield _place(plan, style, points, int(run.posts[at]), float(run.chainage_m[at]))
    if len(plan.line_names) > _MOST_LINES:
        yield f"and {len(plan.line_names) - _MOST_LINES} more lines"


def _place(plan: FencePlan, style: StakeoutStyle, points: StakeoutPoints, row: int, at_m: float | None = None) -> str:
    decimals, places = stakeout.decimals_of(plan, style), plan.places
    own, at_m = row * (1 + len(style.offset_m)), plan.fence.posts.chainage_m[row] if at_m is None else at_m
    easting, northing = (stakeout.in_units(values, plan, style)[row] for values in (places.easting, places.northing))
    coordinates = f"easting {easting:.{decimals}f}  northing {northing:.{decimals}f}"
    along = f"{at_m / style.unit_m(plan):.3f} {_unit_word(plan, style)}"
    return f"{points.name[own]}  {coordinates}  chainage {along} on the ground"


def _existing(plan: FencePlan, style: StakeoutStyle, points: StakeoutPoints) -> Iterator[str]:
    """Where each really stands: its point is its place on the line."""
    decimals, unit_m, existing = stakeout.decimals_of(plan, style), style.unit_m(plan), plan.existing
    beside, measured = beside_their_places(plan, lambda by_m: f"{by_m / unit_m:.3f}"), measured_tops(plan)
    places = (stakeout.in_units(values, plan, style) for values in (existing.easting, existing.northing))
    yield "Their points are their places on the line. In the unit of the file:"
    for row, easting, northing in zip(existing.post.tolist(), *places, strict=True):
        where = f"{beside[row]} of its point" if row in beside else "at its point"
        top = "" if row in measured else "; its top was not measured: top is the wanted one"
        name = points.name[row * (1 + len(style.offset_m))]
        yield f"{name} stands {where}, easting {easting:.{decimals}f}  northing {northing:.{decimals}f}{top}"


def _findings(plan: FencePlan, said: Said | None) -> Iterator[str]:
    own = one_line(plan.grid.unit)
    if said:
        yield f"Sentences have lengths in m, in brackets in the unit of the file; coordinates in the grid's own, {own}."
    elif not same_unit(plan.grid.unit_m, 1.0):
        yield f"Here lengths and levels are in m, and coordinates in the grid's own unit, {own}."
    found = [finding for finding, _ in worst_first(plan)]
    if not found:
        yield "Nothing was found."
    yield from (told(plan, finding, said) for finding in found[:_MOST_FINDINGS])
    if len(found) > _MOST_FINDINGS:
        yield f"and {len(found) - _MOST_FINDINGS} more in findings.csv"


OUTPUT = Output(filename="stakeout.txt", title="What to know before staking (text)", write=write)
