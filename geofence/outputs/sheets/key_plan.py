"""The key plan: the whole fence with north up, and which sheet shows which part of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import LabelRoom, Spot
from geofence.outputs.paper.label_spots import around, beside_sides, running
from geofence.outputs.paper.page import BLACK, GREY, LETTERING_MM, WHITE, Box, Page, Pen, text_width_mm
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets import drawing_signs as signs
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.grid_lines import crossings, grid_step, line_name
from geofence.outputs.sheets.options import SCALES
from geofence.outputs.sheets.strips import Strip, turned
from geofence.outputs.sheets.zones import DrawnZone
from geofence.plan import FencePlan

__all__ = ["KeyPlan", "key_plan"]

CAP = LETTERING_MM[0]
FENCE, SHEET, CROSS = Pen(0.5), Pen(0.18, GREY), Pen(0.18, GREY)
GATE = Pen(1.2, WHITE)
MARGIN_MM, OUTLINE_MARGIN_MM = 14.0, 2.0
"""What the frame keeps of the fence, whose ends are named, and of the outlines."""
GATE_MM = 2.4
"""The strokes beside a gate's opening are so long."""
EXISTING_APART_MM = 2.0
"""Of existing posts that stand closer on paper one is drawn."""
LONGEST = 40
"""Letters of a name in the drawing; the list of zones has the whole."""
THINNED_MM = 0.05
"""Bends of the fence smaller than this on paper are not drawn here."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeyPlan:
    """The whole fence at a scale that fits.

    ``sheets`` are the outlines of what is on each sheet, on the grid in metres; ``gate_names`` go by row of the bay.
    """

    lines: Sequence[FenceLine]
    zones: Sequence[DrawnZone]
    unit_m: float
    scale: float
    middle_m: Floats
    gate_names: Mapping[int, str]
    sheets: tuple[tuple[str, Floats], ...]

    def draw(self, page: Page, box: tuple[float, float, float, float]) -> None:
        """Draw it into a box of the page."""
        room = LabelRoom(page, (box[0] + 1, box[1] + 1, box[2] - 1, box[3] - 1))
        window = shapely.box(*(np.array(box).reshape(2, 2)).ravel())
        self._draw_zones(page, room, box, window)
        crosses = self._draw_crosses(page, box)
        for (x, y), *_ in crosses:
            room.take_line(np.array([(x - 2.5, y), (x + 2.5, y)]), wide_mm=0.2)
            room.take_line(np.array([(x, y - 2.5), (x, y + 2.5)]), wide_mm=0.2)
        outlines = [(name, self._on_paper(ring, box)) for name, ring in self.sheets]
        for _, ring in outlines:
            page.line(ring, SHEET, end="closed")
        ways = [self._on_paper(line.xy_m, box) for line in self.lines]
        for way in ways:
            thin = shapely.get_coordinates(shapely.LineString(way).simplify(THINNED_MM))
            page.line(thin, FENCE)
            room.take_line(thin, wide_mm=1.2)
        gates = self._draw_gates(page, room, ways)
        self._draw_existing(page, room, box)
        self._name_ends(room, ways)
        for name, ring in outlines:
            self._name_sheet(room, name, ring)
        for name, place in gates:
            room.letter(name, _near(*place))
        self._name_zones(room, box, window)
        self._name_crosses(room, crosses)

    def _on_paper(self, xy_m: Floats, box: tuple[float, float, float, float]) -> Floats:
        middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
        return np.asarray(middle + (xy_m - self.middle_m) * 1000 / self.scale)

    def _draw_zones(
        self, page: Page, room: LabelRoom, box: tuple[float, float, float, float], window: shapely.Geometry
    ) -> None:
        for zone in self.zones:
            pen = Pen(0.18, zone.look.outline.ink, zone.look.outline.dash_mm)
            for way in self._zone_ways(zone, box, window):
                page.line(way, pen)
                room.take_line(way, wide_mm=0.4)
            for x, y in self._zone_points(zone, box):
                signs.place_sign(page, x, y, pen.ink)
                room.take(Box.upright(x - 0.8, y - 0.8, x + 0.8, y + 0.8))

    def _zone_points(self, zone: DrawnZone, box: tuple[float, float, float, float]) -> list[tuple[float, float]]:
        """What is drawn of a zone as mere places, on paper, where these lie in the box."""
        points = [shape for shape in shapely.get_parts(zone.outlines) if shape.geom_type == "Point"]
        places = self._on_paper(shapely.get_coordinates(points), box).tolist()
        return [(x, y) for x, y in places if box[0] < x - 1 and x + 1 < box[2] and box[1] < y - 1 and y + 1 < box[3]]

    def _zone_ways(
        self, zone: DrawnZone, box: tuple[float, float, float, float], window: shapely.Geometry
    ) -> Iterator[Floats]:
        for shape in shapely.get_parts(zone.outlines):
            on_paper = shapely.transform(shape, lambda xy: self._on_paper(xy, box))
            yield from _lines(shapely.intersection(on_paper, window))

    def _name_zones(self, room: LabelRoom, box: tuple[float, float, float, float], window: shapely.Geometry) -> None:
        """Each zone's name along what is drawn of it; beside it where that is a place."""
        for zone in self.zones:
            ways = list(self._zone_ways(zone, box, window))
            along = [spot for way in ways for spot in beside_sides(way)]
            places = [*self._zone_points(zone, box), *(tuple(way[0].tolist()) for way in ways)]
            upright = [spot for x, y in places for spot in _near(x, y)]
            room.letter(_short(zone.name), [*along, *upright], ink=zone.look.outline.ink)

    def _draw_gates(self, page: Page, room: LabelRoom, ways: Sequence[Floats]) -> list[tuple[str, tuple[float, float]]]:
        """Openings in the fence between two strokes across it; gives the gates' names and middles."""
        found = []
        for line, way in zip(self.lines, ways, strict=True):
            for bay in (bay for bay, kind in enumerate(line.bay_kinds) if kind == "gate"):
                one, two = way[bay : bay + 2]
                page.line([one, two], GATE)
                along = (two - one) / np.hypot(*(two - one))
                across = np.array([-along[1], along[0]]) * GATE_MM / 2
                for post in (one, two):
                    page.line([post - across, post + across], Pen(0.25))
                room.take_line(np.array([one, two]), wide_mm=GATE_MM)
                x, y = ((one + two) / 2).tolist()
                name = _short(one_line(self.gate_names.get(line.bays[bay], "")))
                found.append((f"Gate {name}".strip(), (x, y)))
        return found

    def _draw_existing(self, page: Page, room: LabelRoom, box: tuple[float, float, float, float]) -> None:
        for line in self.lines:
            stands, last = self._on_paper(line.stands_m, box), np.array([np.inf, np.inf])
            for at in (at for at, kind in enumerate(line.kinds) if kind == "existing"):
                if np.hypot(*(stands[at] - last)) >= EXISTING_APART_MM:
                    last = stands[at]
                    x, y = last.tolist()
                    signs.post_sign(page, x, y, "existing")
                    room.take(Box.upright(x - 0.9, y - 0.9, x + 0.9, y + 0.9))

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
            half = np.array([text_width_mm(name, cap_mm=cap, weight="bold"), cap]) / 2
            places = [
                middle + (up + beyond * (float(np.abs(beyond) @ half) + far)) * side + along * share
                for far in (1.0, 3.0, 6.0)
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
    plan: FencePlan,
    *,
    beside_m: float,
    box: tuple[float, float, float, float],
) -> KeyPlan:
    """The key plan for a box, at the largest scale with which every fence and every outline fits.

    ``strips`` come with their sheets' names; their outlines keep ``beside_m`` off the fence.
    """
    outlines = tuple((name, _outline(lines[strip.line], strip, beside_m)) for name, strip in strips)
    fences = np.concatenate([line.xy_m for line in lines])
    drawn = np.concatenate([fences, *(ring for _, ring in outlines)])
    middle = (drawn.min(axis=0) + drawn.max(axis=0)) / 2
    size_mm = np.array([box[2] - box[0], box[3] - box[1]])
    least = max(
        float(np.max(np.abs(places - middle) * 2000 / (size_mm - 2 * margin)))
        for places, margin in ((fences, MARGIN_MM), (drawn, OUTLINE_MARGIN_MM))
    )
    return KeyPlan(
        lines=lines, zones=zones, unit_m=plan.grid.unit_m, scale=next((one for one in SCALES if one >= least), least),
        middle_m=middle, gate_names={gate.bay: gate.name for gate in plan.gates}, sheets=outlines,
    )  # fmt: skip


def _outline(line: FenceLine, strip: Strip, beside_m: float) -> Floats:
    """(4, 2) corners, on the grid in metres, of a box round a strip's posts that lies as its plan does."""
    laid = strip.laid(line.xy_m[strip.first : strip.last + 1])
    (left, low), (right, high) = laid.min(axis=0) - beside_m, laid.max(axis=0) + beside_m
    corners = np.array([(left, low), (right, low), (right, high), (left, high)])
    return np.asarray(np.array(strip.middle_m) + turned(corners, -strip.turn_rad))


def _near(x: float, y: float) -> list[Spot]:
    """Spots round a sign for its name, out to where it would no longer be taken for that of the sign."""
    return [*around(x, y, 1.8), *around(x, y, 6.0)][:40]


def _short(name: str) -> str:
    return name if len(name) <= LONGEST else f"{name[: LONGEST - 1]}…"


def _lines(shape: shapely.Geometry) -> list[Floats]:
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [shapely.get_coordinates(part) for part in parts if part.geom_type in ("LineString", "LinearRing")]
