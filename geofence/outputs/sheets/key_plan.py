"""The key plan: the whole fence with north up, and which sheet shows which part of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import LabelRoom, Spot
from geofence.outputs.paper.label_spots import around, running
from geofence.outputs.paper.page import BLACK, GREY, LETTERING_MM, Page, Pen
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.grid_lines import crossings, grid_step, line_name
from geofence.outputs.sheets.options import SCALES
from geofence.outputs.sheets.strips import Strip, turned
from geofence.outputs.sheets.zones import DrawnZone

__all__ = ["KeyPlan", "key_plan"]

CAP = LETTERING_MM[0]
FENCE, SHEET, CROSS = Pen(0.5), Pen(0.18, GREY), Pen(0.18, GREY)
MARGIN_MM = 14.0
THINNED_MM = 0.05
"""Bends of the fence smaller than this on paper are not drawn here."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeyPlan:
    """The whole fence at a scale that fits. ``sheets`` are the outlines of the strips' plans on the grid, in metres."""

    lines: Sequence[FenceLine]
    zones: Sequence[DrawnZone]
    unit_m: float
    scale: float
    middle_m: Floats
    sheets: tuple[tuple[str, Floats], ...]

    def draw(self, page: Page, box: tuple[float, float, float, float]) -> None:
        """Draw it into a box of the page."""
        room = LabelRoom(page, (box[0] + 1, box[1] + 1, box[2] - 1, box[3] - 1))
        window = shapely.box(*(np.array(box).reshape(2, 2)).ravel())
        self._draw_zones(page, box, window)
        crosses = self._draw_crosses(page, box)
        outlines = [(name, self._on_paper(ring, box)) for name, ring in self.sheets]
        for _, ring in outlines:
            for way in _lines(shapely.intersection(shapely.LinearRing(ring), window)):
                page.line(way, SHEET)
        ways = [self._on_paper(line.xy_m, box) for line in self.lines]
        for way in ways:
            thin = shapely.get_coordinates(shapely.LineString(way).simplify(THINNED_MM))
            page.line(thin, FENCE)
            room.take_line(thin, wide_mm=1.2)
        self._name_ends(room, ways)
        for name, ring in outlines:
            self._name_sheet(room, name, ring)
        self._name_crosses(room, crosses)

    def _on_paper(self, xy_m: Floats, box: tuple[float, float, float, float]) -> Floats:
        middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
        return np.asarray(middle + (xy_m - self.middle_m) * 1000 / self.scale)

    def _draw_zones(self, page: Page, box: tuple[float, float, float, float], window: shapely.Geometry) -> None:
        for zone in self.zones:
            for shape in shapely.get_parts(zone.outlines):
                on_paper = shapely.transform(shape, lambda xy: self._on_paper(xy, box))
                for way in _lines(shapely.intersection(on_paper, window)):
                    page.line(way, Pen(0.18, zone.look.outline.ink, zone.look.outline.dash_mm))

    def _draw_crosses(self, page: Page, box: tuple[float, float, float, float]) -> list[tuple[Floats, float, float]]:
        half = np.array([(box[2] - box[0]) / 2, (box[3] - box[1]) / 2]) * self.scale / 1000
        corners = np.array([self.middle_m - half, self.middle_m + half]) / self.unit_m
        found = []
        for easting, northing in crossings(corners, grid_step(self.scale, self.unit_m)):
            (place,) = self._on_paper(np.array([[easting, northing]]) * self.unit_m, box)
            if box[0] + 3 < place[0] < box[2] - 3 and box[1] + 3 < place[1] < box[3] - 3:
                x, y = place.tolist()
                page.line([(x - 2.5, y), (x + 2.5, y)], CROSS)
                page.line([(x, y - 2.5), (x, y + 2.5)], CROSS)
                found.append((place, easting, northing))
        return found

    def _name_crosses(self, room: LabelRoom, crosses: Sequence[tuple[Floats, float, float]]) -> None:
        """Each line of the grid once, at the lowest or the leftmost of its crosses that has room."""
        step = grid_step(self.scale, self.unit_m)
        named: set[str] = set()
        for (x, y), easting, northing in crosses:
            for value, letter, turn in ((northing, "N", 0.0), (easting, "E", math.pi / 2)):
                text, along = line_name(value, letter, step), np.array([math.cos(turn), math.sin(turn)])
                tries = [
                    running(np.array([x, y]) + along * sense * 3.1, turn if sense > 0 else turn + math.pi)
                    for sense in (1, -1)
                ]
                if text not in named and room.letter(text, tries, ink="#606060"):
                    named.add(text)

    def _name_ends(self, room: LabelRoom, ways: Sequence[Floats]) -> None:
        for line, way in zip(self.lines, ways, strict=True):
            ends = ((0, "start"),) if line.chain.run.closed else ((0, "start"), (-1, "end"))
            for at, word in ends:
                x, y = way[at]
                name = one_line(line.chain.run.line)[:30]
                text = f"{line.names[at]} {name}, {word}".replace(" ,", ",")
                room.letter(text, around(float(x), float(y), 2.2), weight="bold", ink=BLACK)

    @staticmethod
    def _name_sheet(room: LabelRoom, name: str, ring: Floats) -> None:
        """The sheet's number beside the middle of its outline; none where there is no room."""
        middle, up = ring.mean(axis=0), (ring[3] - ring[0]) / 2
        along = (ring[1] - ring[0]) / 2
        beyond = up / np.hypot(*up)
        for cap in (3.5, 2.5, 1.8):
            places = [
                middle + (up + beyond * cap * far) * side + along * share
                for far in (1.0, 1.6, 2.2)
                for share in (0.0, 0.3, -0.3, 0.6, -0.6)
                for side in (1, -1)
            ]
            spots = [Spot(float(x), float(y) - cap / 2, "middle") for x, y in (*places, middle)]
            if room.letter(name, spots, cap_mm=cap, weight="bold"):
                return


def key_plan(
    lines: Sequence[FenceLine],
    zones: Sequence[DrawnZone],
    strips: Sequence[tuple[str, Strip]],
    window_m: tuple[float, float],
    *,
    unit_m: float,
    box: tuple[float, float, float, float],
) -> KeyPlan:
    """The key plan for a box, at the largest scale with which every fence fits; ``strips`` with their sheets' names."""
    low = np.min([line.xy_m.min(axis=0) for line in lines], axis=0)
    high = np.max([line.xy_m.max(axis=0) for line in lines], axis=0)
    room_mm = np.array([box[2] - box[0], box[3] - box[1]]) - 2 * MARGIN_MM
    least = float(np.max((high - low) * 1000 / room_mm))
    scale = next((scale for scale in SCALES if scale >= least), least)
    half = np.array(window_m) / 2
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    outlines = tuple((name, np.array(strip.middle_m) + turned(corners, -strip.turn_rad)) for name, strip in strips)
    return KeyPlan(lines=lines, zones=zones, unit_m=unit_m, scale=scale, middle_m=(low + high) / 2, sheets=outlines)


def _lines(shape: shapely.Geometry) -> list[Floats]:
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [shapely.get_coordinates(part) for part in parts if part.geom_type in ("LineString", "LinearRing")]
