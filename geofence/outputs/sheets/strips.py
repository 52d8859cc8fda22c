"""A long fence cut into strips, each of which fits a sheet: in plan, in long-section, and in the table under it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.sheets.fence_line import FenceLine

__all__ = ["Room", "Strip", "cut_into_strips"]

Corners = Literal["end there", "go round"]

EVEN_STRIPS, SHARES = 12, (0.55, 0.65, 0.75, 0.85, 0.95)
"""Of up to so many strips the last is not left short, and the shares of the room that are tried to that end."""
CORNER_SHARE = 0.25
"""A strip ends at a corner that lies within this last share of it: a corner reads better where strips meet there.
Where that would take more strips, they go on round their corners as far as they fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a strip may fill: the plan's width and height, the length of the section, and columns of its table."""

    plan_m: tuple[float, float]
    section_m: float
    columns: int

    def narrower(self, share: float) -> Room:
        """A share of its width."""
        wide, high = self.plan_m
        return Room(
            plan_m=(wide * share, high), section_m=self.section_m * share, columns=max(2, int(self.columns * share))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Posts ``first`` to ``last`` of a line, and how the plan is laid for them.

    ``line`` is the number of the line, from 0; ``turn_rad`` what the grid is turned by, counter-clockwise, so that the
    strip runs from left to right; ``middle_m`` the place on the grid, in metres, in the middle of the plan.
    """

    line: int
    first: int
    last: int
    turn_rad: float
    middle_m: tuple[float, float]

    def laid(self, xy_m: Floats) -> Floats:
        """(n, 2) places on the grid, in metres, as metres right of and above the middle of the plan."""
        return turned(xy_m - np.array(self.middle_m), self.turn_rad)


def turned(xy: Floats, turn_rad: float) -> Floats:
    """Places turned counter-clockwise about the origin."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.column_stack([xy[:, 0] * cos - xy[:, 1] * sin, xy[:, 0] * sin + xy[:, 1] * cos])


def cut_into_strips(line: FenceLine, number: int, room: Room) -> list[Strip]:
    """The strips of a line in their order; neighbours share the post at which they meet.

    Each is as long as fits, unless that would leave a short rest: then they share the length about evenly, as few as
    before. A strip is laid along its chord or a side of its hull: another turn may fit a few more posts of a line that
    bends.
    """
    corners, strips = _fewest(line, number, room)
    lengths_m = [line.chainage_m[strip.last] - line.chainage_m[strip.first] for strip in strips]
    if len(strips) <= EVEN_STRIPS and lengths_m[-1] < max(lengths_m) / 2:
        for share in SHARES:
            even = _as_long_as_fit(line, number, room.narrower(share), corners)
            if len(even) == len(strips):
                return even
    return strips


def _fewest(line: FenceLine, number: int, room: Room) -> tuple[Corners, list[Strip]]:
    """Strips that end at corners, unless strips that go round them are fewer."""
    ending = _as_long_as_fit(line, number, room, "end there")
    passing = _as_long_as_fit(line, number, room, "go round") if "corner" in line.kinds else ending
    return ("go round", passing) if len(passing) < len(ending) else ("end there", ending)


def _as_long_as_fit(line: FenceLine, number: int, room: Room, corners: Corners) -> list[Strip]:
    found: list[Strip] = []
    first, end = 0, len(line) - 1
    while first < end:
        last = _longest(line, first, room)
        if last < end and corners == "end there":
            last = _at_a_corner(line, first, last)
        turn, middle = _laying(line.xy_m[first : last + 1], room) or _as_it_lies(line.xy_m[first : last + 1])
        found.append(Strip(line=number, first=first, last=last, turn_rad=turn, middle_m=middle))
        first = last
    return found


def _longest(line: FenceLine, first: int, room: Room) -> int:
    """The last post that fits with this first one; at least the next, whose bay cannot be cut."""
    low, high = first + 1, min(len(line) - 1, first + room.columns - 1)
    reach_m = line.chainage_m[first] + room.section_m * (1 + 1e-9)
    high = max(low, min(high, int(np.searchsorted(line.chainage_m, reach_m, side="right")) - 1))
    while low < high:
        middle = (low + high + 1) // 2
        if _laying(line.xy_m[first : middle + 1], room):
            low = middle
        else:
            high = middle - 1
    return low


def _at_a_corner(line: FenceLine, first: int, last: int) -> int:
    least = first + max(1, math.ceil((last - first) * (1 - CORNER_SHARE)))
    return next((post for post in range(last, least - 1, -1) if line.kinds[post] == "corner"), last)


def _laying(xy_m: Floats, room: Room) -> tuple[float, tuple[float, float]] | None:
    """A turn with which places fit the plan, along their chord if they do so, and their middle; None if none does."""
    chord = xy_m[-1] - xy_m[0]
    along = -math.atan2(chord[1], chord[0]) if np.any(chord) else 0.0
    for turn in (along, *_hull_turns(xy_m, along)):
        laid = turned(xy_m, turn)
        low, high = laid.min(axis=0), laid.max(axis=0)
        if np.all(high - low <= np.array(room.plan_m) * (1 + 1e-9)):
            return turn, _unturned((low + high) / 2, turn)
    return None


def _as_it_lies(xy_m: Floats) -> tuple[float, tuple[float, float]]:
    """Along the chord, whether it fits or not: a single bay wider than the paper."""
    chord = xy_m[-1] - xy_m[0]
    turn = -math.atan2(chord[1], chord[0])
    return turn, _unturned(turned(xy_m, turn).mean(axis=0), turn)


def _hull_turns(xy_m: Floats, along: float) -> list[float]:
    """Turns that lay a side of the places' hull level, with the chord still running to the right; flattest first."""
    hull = shapely.get_coordinates(shapely.MultiPoint(xy_m).convex_hull)
    if len(hull) < 4:
        return []
    sides = np.diff(hull, axis=0)
    turns = [-math.atan2(side[1], side[0]) for side in sides]
    turns = [turn + math.pi if math.cos(turn - along) < 0 else turn for turn in turns]
    return sorted(turns, key=lambda turn: float(np.ptp(turned(xy_m, turn)[:, 1])))


def _unturned(place: Floats, turn_rad: float) -> tuple[float, float]:
    x, y = turned(place[np.newaxis, :], -turn_rad)[0]
    return float(x), float(y)
