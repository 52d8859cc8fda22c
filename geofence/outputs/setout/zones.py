"""What a crew must know of pipes, cables and other zones before it digs: where they are, and at which posts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.plain_text import one_line
from geofence.outputs.setout.posts import Note
from geofence.outputs.setout.units import Units
from geofence.outputs.zone_reach import away_m, reach_m
from geofence.plan import FencePlan, PlannedZone, ZoneStretch
from geofence.plan_lines import run_at

__all__ = ["zone_notes", "zone_texts"]

RULES: Mapping[str, str] = {
    "keep-clear": "no post may stand",
    "no-fence": "no fence may stand",
    "consult": "ask before anything is dug",
}
"""Rules that a crew must know of before it digs, and what each says of the stretches within reach."""

TOGETHER = 6
"""Stretches told in one sentence."""

LETTERS = 90
"""Of a zone's name and of its source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Beside:
    """A zone, how far each post is from what is drawn, (n,), and the rows of those within reach and a bay more."""

    zone: PlannedZone
    away_m: Floats
    rows: tuple[int, ...]

    @property
    def title(self) -> str:
        return _short(self.zone.name)


def zone_texts(plan: FencePlan, units: Units) -> tuple[str, ...]:
    """Each zone at the fence that a crew must know: what, where on which line, the nearest posts, what says so."""
    return tuple(text for beside in _zones(plan) for text in _told(plan, units, beside))


def zone_notes(plan: FencePlan, units: Units) -> Mapping[int, tuple[Note, ...]]:
    """For the posts beside such zones, by row: which, and how far."""
    found: dict[int, list[Note]] = {}
    for beside in _zones(plan):
        for row in beside.rows:
            away = units.at_least(float(beside.away_m[row]))
            text = f"{beside.title} ({beside.zone.rule}) is {away} from this post as drawn: see it located and marked."
            found.setdefault(row, []).append(Note(word="ZONE", text=text))
    return {row: tuple(notes) for row, notes in found.items()}


def _zones(plan: FencePlan) -> Iterator[_Beside]:
    """Those that the fence crosses, or that come within a bay of a post beyond their reach."""
    for zone in plan.zones:
        if zone.rule in RULES and zone.outlines:
            away = away_m(plan, zone)
            near = away <= reach_m(zone) + plan.system.module_m
            for stretch in zone.stretches:
                near[list(_ends(plan, stretch))] = True
            if near.any():
                yield _Beside(zone=zone, away_m=away, rows=tuple(np.flatnonzero(near).tolist()))


def _told(plan: FencePlan, units: Units, beside: _Beside) -> Iterator[str]:
    zone, names = beside.zone, plan.post_names
    nearest = int(np.argmin(beside.away_m))
    around = f", {units.said(reach_m(zone))} round what is drawn" if reach_m(zone) else ""
    close = f"{names[nearest]} stands nearest, {units.at_least(float(beside.away_m[nearest]))} from what is drawn."
    said = f"{close} Source: {_short(zone.source) or 'none stated'}."
    if not zone.stretches:
        yield f"{beside.title} ({zone.rule}{around}) comes near the fence and does not cross it. {said}"
    for name, stretches in _by_name(zone).items():
        for first in range(0, len(stretches), TOGETHER):
            where = "; ".join(_where(plan, units, stretch) for stretch in stretches[first : first + TOGETHER])
            yield f"{_short(name)} ({zone.rule}{around}): {RULES[zone.rule]} {where}. {said}"


def _by_name(zone: PlannedZone) -> Mapping[str, Sequence[ZoneStretch]]:
    found: dict[str, list[ZoneStretch]] = {}
    for stretch in zone.stretches:
        found.setdefault(stretch.name, []).append(stretch)
    return found


def _where(plan: FencePlan, units: Units, stretch: ZoneStretch) -> str:
    line = f"on line {_short(stretch.line)} " if stretch.line else ""
    first, last = (plan.post_names[row] for row in _ends(plan, stretch))
    posts = f"at {first}" if first == last else f"between {first} and {last}"
    return f"{line}from chainage {units.length(stretch.from_m)} to {units.said(stretch.to_m)}, {posts}"


def _ends(plan: FencePlan, stretch: ZoneStretch) -> tuple[int, int]:
    """Rows of the last post at or before a stretch of a line, and of the first at or after it."""
    run = run_at(plan.runs, stretch.line, stretch.from_m)
    before = int(np.searchsorted(run.chainage_m, stretch.from_m, side="right")) - 1
    after = int(np.searchsorted(run.chainage_m, stretch.to_m))
    if after == len(run.posts):
        after = 0 if run.closed else after - 1
    return int(run.posts[max(before, 0)]), int(run.posts[after])


def _short(text: str) -> str:
    line = one_line(text)
    return line if len(line) <= LETTERS else line[: LETTERS - 1].rstrip() + "…"
