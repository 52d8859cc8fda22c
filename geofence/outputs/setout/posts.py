"""What a crew measures at each post, in the order in which it walks along a run.

Distances run from the last post that must be where it is (an end, a corner, a gate post, ...), so that the errors of
one stretch stop at its end.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from geofence.engine.records import Finding, Floats
from geofence.numeric import SAW_CUT_M
from geofence.outputs.finding_words import Said, chainage_words, sentences
from geofence.outputs.plain_text import one_line
from geofence.outputs.post_sizes import Sizes
from geofence.outputs.setout.strings import HELD, held_along, tape_of
from geofence.placed_findings import worst_first
from geofence.plan import FencePlan, Run

__all__ = ["Note", "SetOutPost", "Stretch", "notes_of_plan", "stretches", "whole_plan_notes"]

BEND_BAYS = 3
"""Stretches of so few bays, between posts that are held for the bend alone, are told together."""

WORDS = {"stop": "STOP", "warn": "CHECK"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something to look at before a post or the bay ahead of it is made: ``STOP`` or ``CHECK``, and what to do."""

    word: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOutPost:
    """A post as a crew meets it on its way along a run; metres, NaN where a value does not exist.

    Attributes
    ----------
    row
        Of the plan's posts.
    name, kind
        As everywhere.
    held
        Whether it is set by itself, and others are taped from it.
    running_m
        From the last held post; at a held post from the one before it, which checks the stretch.
    chainage_m
        In this line.
    to_next_m, clear_m
        To the next post, centre to centre and between faces.
    behind_name, ahead_name, ahead
        Names of the bays on either side, and the kind of the one ahead; empty where there is none.
    width_m, hole_m
        Of the post, and the diameter of its hole.
    depth_m, length_m, stock_m, extension_m, height_m, top_level_m
        Of the hole; of the post, from top to toe; of what it is cut from; of what is joined to it where the longest
        stock is too short, else 0; out of the ground; level.
    support_back_m, support_ahead_m
        From the post's top down to the underside in the bay behind and ahead, along this run.
    step_m
        Change of the undersides' level at the post, up positive.
    cut_angle_deg, slope_length_m, droppers
        Of the bay ahead.
    uplift_kn
        How hard wires pull the post up.
    met
        ``first``; ``again`` where the post was listed before, in another run; ``closes`` where a ring comes back to it.
    notes
        What to look at.
    """

    row: int
    name: str
    kind: str
    held: bool
    running_m: float
    chainage_m: float
    to_next_m: float
    clear_m: float
    behind_name: str
    ahead_name: str
    ahead: str
    width_m: float
    hole_m: float
    depth_m: float
    length_m: float
    stock_m: float
    extension_m: float
    height_m: float
    top_level_m: float
    support_back_m: float
    support_ahead_m: float
    step_m: float
    cut_angle_deg: float
    slope_length_m: float
    droppers: float
    uplift_kn: float
    met: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """From one held post to the next.

    ``posts`` has those after the first, the last one among them; in a run's first stretch all of them. A string
    from the one to the other runs through all of them.
    """

    line: str
    start: SetOutPost
    end: SetOutPost
    posts: tuple[SetOutPost, ...]
    bays: int

    @property
    def bent(self) -> bool:
        """Whether it is so short because the line bends."""
        return self.bays <= BEND_BAYS and not {self.start.kind, self.end.kind} <= HELD

    @property
    def length_m(self) -> float:
        """Along the line."""
        return self.end.running_m


def stretches(plan: FencePlan, said: Said | None = None) -> Iterator[Stretch]:
    """The stretches of all runs, in order; ``said`` writes the lengths of findings in another unit than metres."""
    tape, walk = tape_of(plan), _Walk.of(plan, said)
    for run in plan.runs:
        held = held_along(plan, tape, run)
        posts = list(walk.along(run, held))
        for start, end in pairwise(held):
            yield Stretch(
                line=run.line,
                start=posts[start],
                end=posts[end],
                posts=tuple(posts[start + 1 if start else 0 : end + 1]),
                bays=end - start,
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Walk:
    """The way of a crew along the runs of a plan; ``seen`` has the rows of the posts that it met in runs before."""

    plan: FencePlan
    names: tuple[str, ...]
    bay_names: tuple[str, ...]
    bay_words: tuple[str, ...]
    sizes: Sizes
    notes: Mapping[int, list[Note]]
    seen: set[int]

    @classmethod
    def of(cls, plan: FencePlan, said: Said | None) -> _Walk:
        return cls(
            plan=plan,
            names=plan.post_names,
            bay_names=plan.bay_names,
            bay_words=plan.bay_words,
            sizes=Sizes.of(plan),
            notes=notes_of_plan(plan, said),
            seen=set(),
        )

    def along(self, run: Run, held: Sequence[int]) -> Iterator[SetOutPost]:
        """The posts of a run; the first one once more at the end of a ring. ``held`` are places of held posts."""
        rows, chainage, count = run.posts.tolist(), run.chainage_m.tolist(), len(run.posts)
        if run.closed:
            rows, chainage = [*rows, rows[0]], [*chainage, float(self.plan.fence.bays.end_m[run.bays[-1]])]
        since, posts_held = chainage[0], set(held)
        for at, row in enumerate(rows):
            behind = int(run.bays[at - 1]) if at or run.closed else None
            ahead = int(run.bays[at % count]) if at < count - 1 or run.closed else None
            met = "closes" if at == count else "again" if row in self.seen else "first"
            following = rows[at + 1] if at + 1 < len(rows) else None
            yield SetOutPost(
                row=row,
                name=self.names[row],
                held=at in posts_held,
                running_m=chainage[at] - since,
                chainage_m=chainage[at],
                met=met,
                notes=self._notes(row, ahead) if met != "closes" else (),
                **self._stands(row),
                **self._hangs(row, behind, ahead),
                **self._ahead(row, ahead, following),
            )
            if at in posts_held:
                since = chainage[at]
        self.seen.update(rows)

    def _notes(self, row: int, ahead: int | None) -> tuple[Note, ...]:
        return (*self.notes[row], *(() if ahead is None else self.notes[~ahead]))

    def _stands(self, row: int) -> dict[str, Any]:
        """The post and its hole."""
        posts = self.plan.fence.posts
        extension = float(posts.length_m[row] - posts.stock_length_m[row])
        return {
            "kind": posts.kind[row],
            "width_m": float(self.sizes.width_m[row]),
            "hole_m": float(self.sizes.hole_m[row]),
            "depth_m": float(posts.embedment_m[row]),
            "length_m": float(posts.length_m[row]),
            "stock_m": float(posts.stock_length_m[row]),
            "extension_m": extension if extension > SAW_CUT_M else 0.0,
            "height_m": float(posts.height_m[row]),
            "top_level_m": float(posts.top_level_m[row]),
            "uplift_kn": float(posts.uplift_kn[row]),
        }

    def _hangs(self, row: int, behind: int | None, ahead: int | None) -> dict[str, Any]:
        """What hangs on either side of it in this run."""
        bays, top = self.plan.fence.bays, float(self.plan.fence.posts.top_level_m[row])
        return {
            "behind_name": "" if behind is None else self.bay_names[behind],
            "ahead_name": "" if ahead is None else self.bay_names[ahead],
            "support_back_m": top - _value(bays.underside_to_m, behind),
            "support_ahead_m": top - _value(bays.underside_from_m, ahead),
            "step_m": _value(bays.step_m, ahead),
        }

    def _ahead(self, row: int, ahead: int | None, following: int | None) -> dict[str, Any]:
        """The bay ahead, to the post that follows; none where a ring has closed."""
        bays = self.plan.fence.bays
        width = float("nan") if following is None else _value(bays.width_m, ahead)
        return {
            "ahead": "" if ahead is None else self.bay_words[ahead],
            "to_next_m": width,
            "clear_m": width if following is None else width - self.sizes.between(row, following),
            "cut_angle_deg": _value(bays.cut_angle_deg, ahead),
            "slope_length_m": _value(bays.slope_length_m, ahead),
            "droppers": _value(bays.droppers, ahead),
        }


def _value(column: Floats, row: int | None) -> float:
    return float("nan") if row is None else float(column[row])


class _Notes(dict[int, list[Note]]):
    """Notes by row: of post ``row``, and of bay ``row`` under ``~row``; none where there are none."""

    def __missing__(self, _row: int) -> list[Note]:
        return []


def notes_of_plan(plan: FencePlan, said: Said | None = None) -> Mapping[int, list[Note]]:
    """What to look at, under each post's row, and for a bay under ``~row``."""
    found, names, bays = _Notes(), plan.post_names, plan.bay_names
    for finding in _told(plan):
        key, where = None, ""
        if finding.post is not None:
            key = finding.post
        elif finding.bay is not None:
            ends = [names[rows[finding.bay]] for rows in (plan.fence.bays.from_post, plan.fence.bays.to_post)]
            key, where = ~finding.bay, f"{bays[finding.bay]}, {ends[0]} to {ends[1]}: "
        if key is not None:
            text = where + sentences(finding, said)
            found.setdefault(key, []).append(Note(word=WORDS[finding.severity], text=text))
    return found


def whole_plan_notes(plan: FencePlan, said: Said | None = None) -> list[Note]:
    """What to look at that concerns no single post or bay, with where it is; ``said`` as in :func:`stretches`."""
    found = []
    for finding in _told(plan):
        if finding.post is None and finding.bay is None:
            found.append(Note(word=WORDS[finding.severity], text=_where(finding, said) + sentences(finding, said)))
    return found


def _told(plan: FencePlan) -> list[Finding]:
    """Stops, then warnings."""
    return [finding for finding, _ in worst_first(plan) if finding.severity in WORDS]


def _where(finding: Finding, said: Said | None) -> str:
    along = chainage_words(finding, said)
    parts = (finding.line and f"line {one_line(finding.line)}", along and f"chainage {along}")
    where = ", ".join(filter(None, parts))
    return f"{where[0].upper()}{where[1:]}: " if where else ""
