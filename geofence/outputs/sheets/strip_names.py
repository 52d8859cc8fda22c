"""The lettering of a strip in plan: what matters most first, each text where there is room for it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.paper import label_spots as spots
from geofence.outputs.paper.label_room import LabelRoom
from geofence.outputs.paper.page import BLACK, GREY, LETTERING_MM, Box, Page, Pen, text_width_mm
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets import drawing_signs as signs
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.findings import NumberedFinding, numbers_in_short
from geofence.outputs.sheets.grid_lines import crossings, grid_step, line_name
from geofence.outputs.sheets.strip_window import StripWindow
from geofence.outputs.sheets.zones import DrawnZone
from geofence.plan import SEVERITIES, FencePlan

__all__ = ["FindingMark", "StripNames"]

CAP = LETTERING_MM[0]
MATCH, CROSS = Pen(0.35, BLACK, (6.0, 1.2, 0.6, 1.2)), Pen(0.18, GREY)
MATCH_MM = 12.0
"""Match lines reach so far to both sides of the fence."""
CROSS_MM = 2.5
NTHS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
NAMES_APART_MM = 3.1
BEYOND_SWINGS_MM = tuple(range(5, 18))
"""How far from a gate's post its name may stand, where leaves swing past it."""
LINE_KINDS = frozenset({"line", "bend"})
QUIET = "#606060"
LONGEST = 60
"""Letters of a name in the drawing; the notes of the first sheet have the whole."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FindingMark:
    """A place on paper at which findings are: their numbers, by severity."""

    x: float
    y: float
    numbers: dict[str, list[int]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripNames:
    """``posts`` are the strip's posts on paper, in order."""

    page: Page
    room: LabelRoom
    window: StripWindow
    line: FenceLine
    posts: Floats
    plan: FencePlan

    def letter_posts(self, which: Literal["special", "line"]) -> None:
        """Names across the fence: of special posts all, of the others every so many, as keep apart."""
        first, nth = self.window.strip.first, self._nth()
        weight = "bold" if which == "special" else "regular"
        for at in range(len(self.posts)):
            in_line = self.line.kinds[first + at] in LINE_KINDS
            if in_line != (which == "line") or (in_line and (self.line.chain.rows[first + at] + 1) % nth):
                continue
            turn = self._direction(at) + math.pi / 2
            x, y = self.posts[at].tolist()
            tries = [*spots.across(self.posts[at], turn)]
            if which == "special":
                tries += [*spots.around(x, y, 1.6), *spots.across(self.posts[at], turn, reaches=BEYOND_SWINGS_MM)]
            self.room.letter(self.line.names[first + at], tries, weight=weight)

    def draw_match_lines(self, before: str, after: str) -> None:
        """Lines across the fence at which two sheets meet."""
        for at, _, across, _ in self._matches(before, after):
            ends = np.array([self.posts[at] - across * MATCH_MM, self.posts[at] + across * MATCH_MM])
            for way in self.window.clipped(ends):
                self.page.line(way, MATCH)
                self.room.take_line(way, wide_mm=0.6)

    def letter_match_lines(self, before: str, after: str) -> None:
        """Beside match lines, their chainage on one side of the fence, the sheet that goes on on the other."""
        for at, out, across, sheet in self._matches(before, after):
            chainage = f"match {self.line.chainage_m[self.window.strip.first + at]:.3f}"
            for words, side in ((chainage, 1), (sheet, -1)):
                tries = [
                    spots.running(self.posts[at] + out * beyond + across * way * 1.8, math.atan2(*(across * way)[::-1]))
                    for beyond in (1.8, 4.4, -1.8, 7.0, -4.4)
                    for way in (side, -side)
                ]
                self.room.letter(words, tries)

    def _matches(self, before: str, after: str) -> Iterator[tuple[int, Floats, Floats, str]]:
        """Of each match line: the post, the ways out of the strip and across the fence, and the sheet beyond."""
        for at, next_to, sheet in ((0, 1, before), (len(self.posts) - 1, -2, after)):
            if sheet:
                out = self.posts[at] - self.posts[next_to]
                out = out / np.hypot(*out)
                yield at, out, np.array([-out[1], out[0]]), sheet

    def letter_gates(self) -> None:
        """Names and widths along the gates."""
        names = {gate.bay: one_line(gate.name) for gate in self.plan.gates}
        for bay in range(len(self.posts) - 1):
            row = self.line.bays[self.window.strip.first + bay]
            if self.plan.fence.bays.kind[row] != "gate":
                continue
            way = self.posts[bay + 1] - self.posts[bay]
            width = f"{self.plan.fence.bays.width_m[row]:.3f}"
            name = f"Gate {names.get(row, '')}".strip()
            for words in (f"{_short(name)} {width}", f"Gate {width}", "Gate"):
                half = text_width_mm(words, weight="bold") / 2
                middle = (self.posts[bay] + self.posts[bay + 1]) / 2
                if self.room.letter(words, spots.along(middle, math.atan2(way[1], way[0]), half), weight="bold"):
                    break

    def draw_findings(self, findings: Sequence[NumberedFinding]) -> list[FindingMark]:
        """Signs where findings are, one at a place."""
        found: dict[tuple[float, float], FindingMark] = {}
        for item in findings:
            if item.place is None or not item.on(self.window.strip, self.line):
                continue
            ((x, y),) = self.window.on_paper(np.array([self.line.chain.place(item.place.at_m)]) * self.plan.grid.unit_m)
            if Box.upright(x - 1.2, y - 1, x + 1.2, y + 1.3).within(*self.window.box):
                mark = found.setdefault((round(x, 1), round(y, 1)), FindingMark(x=x, y=y, numbers={}))
                mark.numbers.setdefault(item.finding.severity, []).append(item.number)
        for mark in found.values():
            signs.finding_sign(self.page, mark.x, mark.y, min(mark.numbers, key=SEVERITIES.index))
            self.room.take(Box.upright(mark.x - 1.2, mark.y - 1.0, mark.x + 1.2, mark.y + 1.3))
        return list(found.values())

    def letter_findings(self, marks: Sequence[FindingMark]) -> None:
        """The numbers of findings beside their signs, those of the gravest first."""
        for mark in marks:
            for severity in sorted(mark.numbers, key=SEVERITIES.index):
                words, ink = numbers_in_short(mark.numbers[severity]), signs.SEVERITY_INKS[severity]
                tries = [*spots.around(mark.x, mark.y, 2.0), *spots.around(mark.x, mark.y, 9.0)]
                self.room.letter(words, tries, weight="bold", ink=ink)

    def letter_marks(self, marks: Sequence[tuple[float, float, str]]) -> None:
        """Names of control points and of vertices of the boundary."""
        for x, y, name in marks:
            self.room.letter(_short(one_line(name)), spots.around(x, y, 2.4))

    def letter_zones(self, zones: Sequence[DrawnZone]) -> None:
        """Names along what is drawn of zones, or along their reach."""
        for zone in zones:
            sides = [*shapely.get_parts(zone.outlines), *([] if zone.reach is None else [zone.reach.boundary])]
            ways = [way for side in sides for way in self.window.ways(side)]
            along = [spot for way in ways for spot in spots.beside_sides(way)]
            upright = [spot for way in ways for x, y in way.tolist() for spot in spots.around(x, y, 1.5)]
            for words, tries in ((zone.title, along), (zone.title, upright), (zone.name, along), (zone.name, upright)):
                if self.room.letter(_short(words), tries, ink=zone.look.outline.ink):
                    break

    def letter_crosses(self) -> None:
        """Crosses of the grid where there is room, each with its coordinates along its own lines."""
        unit_m = self.plan.grid.unit_m
        step = grid_step(self.window.scale, unit_m)
        for easting, northing in crossings(self.window.corners_m / unit_m, step):
            (place,) = self.window.on_paper(np.array([[easting, northing]]) * unit_m)
            turns = (self.window.turn(0.0), self.window.turn(math.pi / 2))
            arms = [np.array([math.cos(turn), math.sin(turn)]) for turn in turns]
            sides = [tuple((place + (arms[0] * i + arms[1] * j) * CROSS_MM).tolist()) for i, j in _CORNERS]
            box = Box(tuple(sides))
            if not self.room.free(box):
                continue
            for arm in arms:
                self.page.line([place - arm * CROSS_MM, place + arm * CROSS_MM], CROSS)
            self.room.take_line(np.array([place - arms[0] * CROSS_MM, place + arms[0] * CROSS_MM]), wide_mm=0.1)
            self.room.take_line(np.array([place - arms[1] * CROSS_MM, place + arms[1] * CROSS_MM]), wide_mm=0.1)
            for value, letter, turn, arm in ((northing, "N", turns[0], arms[0]), (easting, "E", turns[1], arms[1])):
                tries = [
                    spots.running(place + arm * sense * (CROSS_MM + 0.6), turn if sense > 0 else turn + math.pi)
                    for sense in (1, -1)
                ]
                self.room.letter(line_name(value, letter, step), tries, ink=QUIET)

    def _direction(self, at: int) -> float:
        """Which way the fence runs at a post, between its two bays, on paper."""
        ways = np.diff(self.posts[max(0, at - 1) : at + 2], axis=0)
        units = ways / np.hypot(*ways.T)[:, np.newaxis]
        whole = units.sum(axis=0)
        along = whole if np.hypot(*whole) > 1e-6 else units[0]
        return math.atan2(along[1], along[0])

    def _nth(self) -> int:
        """Names of line posts are lettered of every such one."""
        pitch = float(np.median(np.hypot(*np.diff(self.posts, axis=0).T)))
        return next((nth for nth in NTHS if nth * pitch >= NAMES_APART_MM), NTHS[-1])


_CORNERS = ((-1, -1), (1, -1), (1, 1), (-1, 1))


def _short(name: str) -> str:
    return name if len(name) <= LONGEST else f"{name[: LONGEST - 1]}…"
