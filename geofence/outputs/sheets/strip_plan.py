"""A strip of the fence in plan, on the grid, turned so that it runs from left to right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import LabelRoom
from geofence.outputs.paper.page import BLACK, GREY, Box, Page, Pen
from geofence.outputs.sheets import drawing_signs as signs
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.findings import NumberedFinding
from geofence.outputs.sheets.strip_names import StripNames
from geofence.outputs.sheets.strip_window import StripWindow
from geofence.outputs.sheets.strips import Strip
from geofence.outputs.sheets.zones import DrawnZone
from geofence.plan import FencePlan

__all__ = ["LABELS_MM", "PlanDrawing"]

LABELS_MM = (14.0, 13.0)
"""Room kept free left and right, and above and below, of the fence for match lines and names."""
BAND_MM = 1.8
FRAME, FENCE, BESIDE, ASIDE = Pen(0.18), Pen(0.5), Pen(0.25, GREY), Pen(0.18)
GATE, SWING = Pen(0.25, BLACK, (1.2, 0.8)), Pen(0.13, BLACK, (0.8, 0.6))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanDrawing:
    """What the plans of all strips are drawn from."""

    plan: FencePlan
    lines: Sequence[FenceLine]
    zones: Sequence[DrawnZone]
    findings: Sequence[NumberedFinding]
    scale: float

    def draw(
        self, page: Page, box: tuple[float, float, float, float], strip: Strip, *, before: str, after: str
    ) -> None:
        """Draw a strip into a box of the page; ``before`` and ``after`` name the sheets that it meets, or are empty."""
        x0, y0, x1, y1 = box
        page.line([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], FRAME, end="closed")
        window = StripWindow(box=box, strip=strip, scale=self.scale)
        room = LabelRoom(page, (x0 + 0.5, y0 + 0.5, x1 - 0.5, y1 - 0.5))
        posts = window.on_paper(self.lines[strip.line].xy_m[strip.first : strip.last + 1])
        room.take_line(posts, wide_mm=1.8)
        stands = window.on_paper(self.lines[strip.line].stands_m[strip.first : strip.last + 1])
        for x, y in stands.tolist():
            room.take(Box.upright(x - 0.9, y - 0.9, x + 0.9, y + 0.9))
        self._draw_zones(page, window)
        marks = self._draw_marks(page, window, room)
        self._draw_neighbours(page, window, room)
        self._draw_stretches(page, window)
        for at in np.flatnonzero(np.any(stands != posts, axis=1)):
            stroke = np.array([posts[at], stands[at]])
            page.line(stroke, ASIDE)
            room.take_line(stroke, wide_mm=0.4)
        self._draw_fence(page, window, posts, stands)
        self._draw_leaves(page, window, room)
        names = StripNames(
            page=page, room=room, window=window, line=self.lines[strip.line], posts=posts, plan=self.plan
        )  # fmt: skip
        names.draw_match_lines(before, after)
        signs_of = names.draw_findings(self.findings)
        names.letter_posts("special")
        names.letter_match_lines(before, after)
        names.letter_gates()
        names.letter_findings(signs_of)
        names.letter_marks(marks)
        names.letter_posts("line")
        names.letter_zones(self.zones)
        names.letter_crosses()

    def _draw_zones(self, page: Page, window: StripWindow) -> None:
        """Tints first, so that no reach hides what is drawn of another zone."""
        reaching = [zone for zone in self.zones if zone.reach is not None]
        for zone in reaching:
            for rings in window.areas(zone.reach):
                page.area(*rings, fill=zone.look.tint)
        for zone in reaching:
            for way in window.ways(zone.reach.boundary):
                page.line(way, zone.look.reach)
        for zone in self.zones:
            for shape in shapely.get_parts(zone.outlines):
                for way in window.ways(shape):
                    page.line(way, zone.look.outline)

    def _draw_marks(self, page: Page, window: StripWindow, room: LabelRoom) -> list[tuple[float, float, str]]:
        """Draw control points and vertices of the boundary; gives their places and names."""
        marks, unit_m = self.plan.marks, self.plan.grid.unit_m
        if not len(marks):
            return []
        x0, y0, x1, y1 = window.box
        places = window.on_paper(np.column_stack([marks.easting, marks.northing]) * unit_m)
        inside = np.all((places > (x0 + 2, y0 + 2)) & (places < (x1 - 2, y1 - 2)), axis=1)
        found = []
        for row in np.flatnonzero(inside).tolist():
            x, y = places[row].tolist()
            signs.mark_sign(page, x, y, marks.kind[row])
            room.take(Box.upright(x - 1.6, y - 1.6, x + 1.6, y + 1.8))
            found.append((x, y, marks.name[row]))
        return found

    def _draw_neighbours(self, page: Page, window: StripWindow, room: LabelRoom) -> None:
        """The rest of this fence, and other fences, where they pass through the window."""
        strip = window.strip
        for number, line in enumerate(self.lines):
            whole = number != strip.line
            stretches = [(0, len(line) - 1)] if whole else [(0, strip.first), (strip.last, len(line) - 1)]
            for first, last in stretches:
                if last > first:
                    for way in window.ways(shapely.LineString(line.xy_m[first : last + 1])):
                        page.line(way, BESIDE)
                        room.take_line(way, wide_mm=0.5)

    def _draw_stretches(self, page: Page, window: StripWindow) -> None:
        """Bands along the fence where findings to stop or decide at reach from one chainage to another."""
        strip, line = window.strip, self.lines[window.strip.line]
        first_m, last_m = line.chainage_m[[strip.first, strip.last]]
        for item in self.findings:
            place, ink = item.place, signs.SEVERITY_BANDS.get(item.finding.severity)
            if ink is None or place is None or place.run != strip.line:
                continue
            if max(place.from_m, first_m) < min(place.to_m, last_m):
                path = line.chain.path(max(place.from_m, first_m), min(place.to_m, last_m))
                page.line(window.on_paper(path * self.plan.grid.unit_m), Pen(BAND_MM, ink))

    def _draw_fence(self, page: Page, window: StripWindow, posts: Floats, stands: Floats) -> None:
        """Bays along the line, and posts where they stand."""
        strip, line = window.strip, self.lines[window.strip.line]
        stretch: list[Floats] = [posts[0]]
        for bay, kind in enumerate(line.bay_kinds[strip.first : strip.last]):
            if kind == "gate":
                page.line(np.array(stretch), FENCE)
                page.line(posts[bay : bay + 2], GATE)
                stretch = []
            stretch.append(posts[bay + 1])
        page.line(np.array(stretch), FENCE)
        for at, (x, y) in enumerate(stands.tolist(), start=strip.first):
            signs.post_sign(page, x, y, line.kinds[at])

    def _draw_leaves(self, page: Page, window: StripWindow, room: LabelRoom) -> None:
        """The ways in which gates of this strip open; no text goes across them."""
        strip, places, unit_m = window.strip, self.plan.places, self.plan.grid.unit_m
        shown = set(self.lines[strip.line].bays[strip.first : strip.last])
        for gate in self.plan.gates:
            for leaf in gate.ways if gate.bay in shown else ():
                tips = np.column_stack([leaf.easting, leaf.northing])
                hinge = np.array([[places.easting[leaf.post], places.northing[leaf.post]]])
                way = tips if leaf.side == "slide" else np.vstack([hinge, tips, hinge])
                for part in window.ways(shapely.LineString(way * unit_m)) if len(way) > 1 else ():
                    page.line(part, SWING)
                    room.take_line(part, wide_mm=0.4)
