"""The posts of a plan as the rows of the set-out sheet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, groupby

from geofence.numeric import SAW_CUT_M
from geofence.outputs.plain_text import one_line
from geofence.outputs.setout.checks import Chord
from geofence.outputs.setout.existing import standing_notes
from geofence.outputs.setout.parts import Band, Cell, Column, Kind, Line, Table
from geofence.outputs.setout.posts import Note, SetOutPost, Stretch
from geofence.outputs.setout.units import Units, bearing
from geofence.outputs.setout.zones import zone_notes
from geofence.plan import FencePlan

__all__ = ["legend", "post_table"]

DIAMETER = "Ø"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """A column, what a post has in it, and what the legend says of its two lines."""

    head: Cell
    width: float
    cell: Callable[[SetOutPost], Cell]
    means: tuple[str, str] = ("", "")
    kind: Kind = "number"


TICKS = (Column(head=("dug", ""), width=7.5, kind="tick"), Column(head=("set", ""), width=7.5, kind="tick"))


def post_table(
    plan: FencePlan, along: Sequence[Stretch], units: Units, chords: Mapping[tuple[int, int], Chord]
) -> Table:
    """Every post, stretch by stretch."""
    entries = _entries(plan, units)
    told = _Told(standing=standing_notes(plan, units), zones=zone_notes(plan, units))
    columns = [Column(head=entry.head, width=entry.width, kind=entry.kind) for entry in entries]
    return Table(
        title="The posts",
        hint="Stretch a string between the two posts that head each part, and tape every post between them from the "
        "first: the last running chainage must come out at the second. Where a part is longer than the tape, set marks "
        "in between by instrument.",
        columns=(*TICKS, *columns),
        rows=tuple(_rows(along, units, chords, entries, told)),
    )


def legend(plan: FencePlan, units: Units) -> tuple[tuple[str, str], ...]:
    """What the columns of the posts mean."""
    found = []
    for entry in _entries(plan, units):
        found += [(head, means) for head, means in zip(entry.head, entry.means, strict=True) if means]
    return tuple(found)


def _rows(
    along: Sequence[Stretch],
    units: Units,
    chords: Mapping[tuple[int, int], Chord],
    entries: Sequence[_Entry],
    told: _Told,
) -> Iterator[Band | Line]:
    for band, posts in _parts(along, units, chords):
        yield Band(text=band)
        for post in posts:
            yield Line(
                cells=tuple(entry.cell(post) for entry in entries),
                weight="strong" if post.held else "plain",
                notes=(*told.of(post), *post.notes),
            )


def _parts(
    along: Sequence[Stretch], units: Units, chords: Mapping[tuple[int, int], Chord]
) -> Iterator[tuple[str, Iterable[SetOutPost]]]:
    """What heads each part of the posts, and its posts: a straight stretch, or all those short ones of a bend."""
    for (_, bent), group in groupby(along, key=lambda stretch: (stretch.line, stretch.bent)):
        parts = list(group)
        if bent and len(parts) > 1:
            yield _bend(parts), chain.from_iterable(part.posts for part in parts)
        else:
            yield from ((_band(part, units, chords[part.start.row, part.end.row]), part.posts) for part in parts)


def _bend(parts: Sequence[Stretch]) -> str:
    line = f"Line {one_line(parts[0].line)}: " if parts[0].line else ""
    return (
        f"{line}{parts[0].start.name} to {parts[-1].end.name}, where the line bends: set each underlined post by its "
        "own place, those between them on a string"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What is told of posts, by row: that they exist, and which zones are beside them."""

    standing: Mapping[int, Note]
    zones: Mapping[int, tuple[Note, ...]]

    def of(self, post: SetOutPost) -> tuple[Note, ...]:
        """Why there is no hole to dig, where there is none; and what may be in the ground."""
        if post.met == "closes":
            return (Note(word="RING", text="The ring comes back to its first post: running and chainage check it."),)
        if post.met == "again":
            return (Note(word="SET", text="This post belongs to another line too and is listed there."),)
        standing = (self.standing[post.row],) if post.row in self.standing else ()
        return (*standing, *self.zones.get(post.row, ()))


def _band(stretch: Stretch, units: Units, chord: Chord) -> str:
    line = f"Line {one_line(stretch.line)}: " if stretch.line else ""
    ends = " to ".join(f"{post.name} ({post.kind})" for post in (stretch.start, stretch.end))
    way = f"{units.said(stretch.length_m)}, grid bearing {bearing(chord.bearing_deg)}°"
    return f"{line}{ends}: {way}"


def _entries(plan: FencePlan, units: Units) -> tuple[_Entry, ...]:
    return (
        *_along_entries(plan, units),
        *_sunk_entries(units),
        _Entry(
            head=("Sticks out", "top level"),
            width=19.5 if units.inches else 20,
            cell=lambda post: _once(post, units.length(post.height_m), units.level(post.top_level_m)),
            means=("height of the top above the ground at the post's centre", "the top's level on the level datum"),
        ),
        *_hung_entries(plan, units),
    )


def _along_entries(plan: FencePlan, units: Units) -> tuple[_Entry, ...]:
    """Where a post stands along the line."""
    length = units.length
    return (
        _Entry(
            head=("Post", "kind"),
            width=13 if units.inches else 21,
            cell=lambda post: (post.name, post.kind),
            kind="text",
        ),
        _Entry(
            head=("Running", "chainage"),
            width=24 if units.inches else 21,
            cell=lambda post: (length(post.running_m), length(post.chainage_m)),
            means=(
                "from the post at the start of the stretch, along the line on the ground",
                "from the start of the line",
            ),
        ),
        _Entry(
            head=("To next", "clear"),
            width=22.5 if units.inches else 18,
            cell=lambda post: _once(post, length(post.to_next_m), _clear(post, units)),
            means=(
                "centre to centre of the posts; also from a face to the like face of the next, so from the outside "
                "of one to the inside of the other",
                f"between the posts' faces; a post is {units.said(plan.system.post_width_m)} wide",
            ),
        ),
    )


def _sunk_entries(units: Units) -> tuple[_Entry, ...]:
    """What is dug, and what is cut."""
    return (
        _Entry(
            head=("Hole", "wide"),
            width=18 if units.inches else 17,
            cell=lambda post: _hole(post, units),
            means=("depth below the ground at the post's centre", "diameter"),
        ),
        _Entry(
            head=("Post long", "cut from"),
            width=19.5 if units.inches else 21,
            cell=lambda post: _post(post, units),
            means=(
                "from top to toe",
                "stock length, where it is not as long; + what is joined on where no stock reaches",
            ),
        ),
    )


def _hung_entries(plan: FencePlan, units: Units) -> tuple[_Entry, ...]:
    """What hangs on the post: panels, rails or wires."""
    wires = plan.system.slope == "strained"
    width = 19.25 if units.inches else 16.5
    what = "lowest wire" if wires else "underside of the panel"
    drops = (
        _Entry(
            head=("Drop", "back"),
            width=width,
            cell=lambda post: (units.length(post.support_back_m), post.behind_name),
            means=(f"from the post's top down to the {what}", "on the side that you come from"),
        ),
        _Entry(
            head=("Drop", "ahead"),
            width=width,
            cell=lambda post: _once(post, units.length(post.support_ahead_m), post.ahead_name),
            means=("", "on the side that you go to"),
        ),
    )
    if wires:
        return (*drops, _wire_entry(units))
    return (*drops, _rake_entry(plan, units) if plan.system.slope == "rake" else _step_entry(units))


def _wire_entry(units: Units) -> _Entry:
    return _Entry(
        head=("Droppers", "pull up"),
        width=15 if units.inches else 17,
        cell=lambda post: _once(
            post,
            "" if post.droppers != post.droppers else f"{post.droppers:.0f}",
            units.force(post.uplift_kn) if post.uplift_kn > 0 else "",
        ),
        means=("in the bay ahead", "of the wires on the post when it is coldest"),
    )


def _step_entry(units: Units) -> _Entry:
    return _Entry(
        head=("Step", ""),
        width=20.5 if units.inches else 16,
        kind="signed",
        cell=lambda post: _once(post, units.signed(post.step_m), ""),
        means=("of the undersides from the bay behind to the bay ahead, up +", ""),
    )


def _rake_entry(plan: FencePlan, units: Units) -> _Entry:
    """Of bays that slope; their steps too, where there are any."""
    cut = "how far off square the ends in the bay ahead are cut to stand plumb, rising +"
    if plan.fence.bays.step_m.any():
        return _Entry(
            head=("Step", "cut"),
            width=21 if units.inches else 17,
            kind="signed",
            cell=lambda post: _once(post, units.signed(post.step_m), _cut(post)),
            means=("of the undersides from the bay behind to the bay ahead, up +", cut),
        )
    return _Entry(
        head=("Cut", "on slope"),
        width=17,
        cell=lambda post: _once(post, _cut(post), units.length(post.slope_length_m)),
        means=(cut, "centre to centre of the posts along the slope"),
    )


def _cut(post: SetOutPost) -> str:
    return "" if post.cut_angle_deg != post.cut_angle_deg else f"{round(post.cut_angle_deg, 1) + 0.0:+.1f}°"


def _clear(post: SetOutPost, units: Units) -> str:
    """The clear width to the next post, and whether the bay is cut or a gate."""
    return f"{units.length(post.clear_m)} {post.ahead if post.ahead in ('cut', 'gate') else ''}".strip()


def _once(post: SetOutPost, main: str, second: str) -> Cell:
    """A cell that is left empty where a ring comes back to its first post."""
    return ("", "") if post.met == "closes" else (main, second)


def _dug(post: SetOutPost) -> bool:
    """Whether a hole is dug here, and not before, nor ever."""
    return post.met == "first" and post.kind != "existing"


def _hole(post: SetOutPost, units: Units) -> Cell:
    if not _dug(post):
        return ("", "")
    return (units.length(post.depth_m), f"{DIAMETER} {units.length(post.hole_m)}")


def _post(post: SetOutPost, units: Units) -> Cell:
    if not _dug(post):
        return ("", "")
    if post.extension_m:
        return (units.length(post.length_m), f"{units.length(post.stock_m)} + {units.length(post.extension_m)}")
    whole = abs(post.stock_m - post.length_m) <= SAW_CUT_M
    return (units.length(post.length_m), "" if whole else units.length(post.stock_m))
