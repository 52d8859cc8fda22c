"""A strip of the fence in long-section: ground, undersides, tops, posts down to their toes, and steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import LabelRoom, Spot
from geofence.outputs.paper.page import BLACK, GREY, LETTERING_MM, Box, Page, Pen, text_width_mm
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.section_pieces import Piece, level_step_m, pieces
from geofence.outputs.sheets.strips import Strip
from geofence.plan import FencePlan

__all__ = ["SectionDrawing"]

CAP = LETTERING_MM[0]
GROUND, PANEL, POST, BURIED = Pen(0.5, "#5c4a32"), Pen(0.25), Pen(0.35), Pen(0.25, BLACK, (1.0, 0.6))
LEVEL, DROP, DATUM = Pen(0.13, "#c8c8c8"), Pen(0.13, "#b0b0b0"), Pen(0.35)
MATCH, BREAK = Pen(0.35, BLACK, (6.0, 1.2, 0.6, 1.2)), Pen(0.25, BLACK, (3.0, 1.0))
SOIL = "#efe9df"
STEP_MM = 0.5
"""Labels of steps start so far above the posts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionDrawing:
    """What the long-sections of all strips are drawn from. ``gate_names`` are by the rows of their bays."""

    plan: FencePlan
    lines: list[FenceLine]
    gate_names: dict[int, str]
    section_scale: float
    level_scale: float

    def draw(
        self, page: Page, box: tuple[float, float, float, float], strip: Strip, *, before: str, after: str
    ) -> Floats:
        """Draw a strip above the lower side of a box, which is its datum line; gives where its posts are along it."""
        return _Section(self, page, box, strip).draw(before, after)


class _Section:
    def __init__(
        self, drawing: SectionDrawing, page: Page, box: tuple[float, float, float, float], strip: Strip
    ) -> None:
        self._of, self._page, self._box, self._strip = drawing, page, box, strip
        self._line = drawing.lines[strip.line]
        self._room = LabelRoom(page, (box[0] - 20, box[1], box[2] + 6, box[3]))
        self._from_m = float(self._line.chainage_m[strip.first])
        length_mm = (self._line.chainage_m[strip.last] - self._from_m) * 1000 / drawing.section_scale
        self._x0 = box[0]
        self._x1 = box[0] + length_mm
        self._pieces = pieces(
            self._line, strip.first, strip.last, level_scale=drawing.level_scale, height_mm=box[3] - box[1]
        )

    def draw(self, before: str, after: str) -> Floats:
        for piece in self._pieces:
            self._draw_levels(piece)
            self._draw_ground(piece)
        for piece in self._pieces:
            self._draw_fence(piece)
        y = self._box[1]
        self._page.line([(self._x0, y), (self._x1, y)], DATUM)
        for number, piece in enumerate(self._pieces):
            self._name_datum(piece, first=number == 0)
        self._ends(before, after)
        for piece in self._pieces:
            self._name_steps(piece)
            self._name_gates(piece)
        for number, piece in enumerate(self._pieces):
            self._name_levels(piece, first=number == 0)
        return self._x(self._line.chainage_m[self._strip.first : self._strip.last + 1])

    def _x(self, chainage_m: Floats) -> Floats:
        return np.asarray(self._x0 + (chainage_m - self._from_m) * 1000 / self._of.section_scale)

    def _y(self, piece: Piece, level_m: Floats) -> Floats:
        return np.asarray(self._box[1] + (level_m - piece.datum_m) * 1000 / self._of.level_scale)

    def _sides(self, piece: Piece) -> tuple[float, float]:
        x = self._x(self._line.chainage_m[[piece.first, piece.last]])
        return float(x[0]), float(x[1])

    def _levels(self, piece: Piece) -> Iterator[tuple[float, float]]:
        """(level, y) of the lines of equal level above the datum."""
        step_m = level_step_m(self._of.level_scale)
        level, y = piece.datum_m + step_m, self._box[1] + step_m * 1000 / self._of.level_scale
        while y <= self._box[3]:
            yield level, y
            level, y = level + step_m, y + step_m * 1000 / self._of.level_scale

    def _draw_levels(self, piece: Piece) -> None:
        left, right = self._sides(piece)
        for _, y in self._levels(piece):
            self._page.line([(left, y), (right, y)], LEVEL)

    def _ground(self, piece: Piece) -> Floats:
        line = self._line
        ground = line.ground_between(float(line.chainage_m[piece.first]), float(line.chainage_m[piece.last]))
        return np.column_stack([self._x(ground[:, 0]), self._y(piece, ground[:, 1])])

    def _draw_ground(self, piece: Piece) -> None:
        way = self._ground(piece)
        below = way[::-1] - np.array([0.0, 1.6])
        self._page.area(np.vstack([way, below]), fill=SOIL)
        self._page.line(way, GROUND)
        self._room.take_line(way, wide_mm=0.8)

    def _draw_fence(self, piece: Piece) -> None:
        line, bays = self._line, self._of.plan.fence.bays
        xs = self._x(line.chainage_m)
        tops, grounds, toes = (self._y(piece, level) for level in (line.top_m, line.ground_m, line.toe_m))
        for at in range(piece.first, piece.last):
            row, x = line.bays[at], xs[[at, at + 1]]
            low = self._y(piece, np.array([bays.underside_from_m[row], bays.underside_to_m[row]]))
            high = self._y(piece, np.array([bays.top_from_m[row], bays.top_to_m[row]]))
            self._page.line(np.column_stack([x, low]), PANEL)
            self._page.line(np.column_stack([x, high]), PANEL)
            if line.bay_kinds[at] == "gate":
                self._page.line([(x[0], low[0]), (x[1], high[1])], Pen(0.13))
                self._page.line([(x[0], high[0]), (x[1], low[1])], Pen(0.13))
            self._room.take(Box.upright(x[0], min(low.min(), *grounds[[at, at + 1]]), x[1], high.max()))
        for at in range(piece.first, piece.last + 1):
            self._page.line([(xs[at], grounds[at]), (xs[at], tops[at])], POST)
            self._page.line([(xs[at], grounds[at]), (xs[at], toes[at])], BURIED)
            self._page.line([(xs[at], toes[at]), (xs[at], self._box[1])], DROP)
            self._page.line([(xs[at] - 0.5, toes[at]), (xs[at] + 0.5, toes[at])], PANEL)
            self._room.take(Box.upright(xs[at] - 0.3, toes[at], xs[at] + 0.3, tops[at]))

    def _ends(self, before: str, after: str) -> None:
        """Match lines, with the sheets beyond them, and breaks between pieces."""
        low, high = self._box[1], self._box[3]
        for x, sheet, out in ((self._x0, before, -1), (self._x1, after, 1)):
            if sheet:
                self._page.line([(x, low), (x, high)], MATCH)
                text = f"Match, {sheet}"
                at = x - 10.0 if out < 0 else x + 0.9 + CAP
                self._room.letter(text, [Spot(at, high, "end", 90.0)])
                self._room.take(Box.upright(x - 0.3, low, x + 0.3, high))
        for piece in self._pieces[1:]:
            x, _ = self._sides(piece)
            self._page.line([(x, low), (x, high)], BREAK)
            self._room.take(Box.upright(x - 0.3, low, x + 0.3, high))

    def _name_datum(self, piece: Piece, *, first: bool) -> None:
        """The level of the datum line: left of it for the first piece, above it for those after a break."""
        left, right = self._sides(piece)
        text = f"{piece.datum_m:.2f}"
        if first:
            self._room.letter(text, [Spot(left - 1.5, self._box[1] + 0.7, "end")], weight="bold")
            return
        low = self._box[1] + 0.9
        fits = [words for words in (f"Datum {text}", text) if text_width_mm(words, weight="bold") < right - left - 2]
        upright = [Spot(left + shift + CAP, low, "start", 90.0) for shift in (0.6, -CAP - 0.6)]
        for words, spots in (*((words, [Spot(left + 1, low)]) for words in fits), (text, upright)):
            if self._room.letter(words, spots, weight="bold"):
                return

    def _name_levels(self, piece: Piece, *, first: bool) -> None:
        left, right = self._sides(piece)
        step_m = level_step_m(self._of.level_scale)
        decimals = 0 if step_m >= 1 else 1 if step_m >= 0.1 else 2
        for level, y in self._levels(piece):
            text = f"{level:.{decimals}f}"
            if first:
                self._page.line([(left - 1.2, y), (left, y)], PANEL)
                spots = [Spot(left - 1.5, y - CAP / 2, "end"), Spot(left - 4.0, y - CAP / 2, "end")]
            else:
                spots = [Spot(left + 0.8, y + 0.4), Spot(right - 0.8, y + 0.4, "end")]
            self._room.letter(text, spots, ink=BLACK if first else GREY)

    def _name_steps(self, piece: Piece) -> None:
        """How much the underside changes at a post, above it; where two labels are too near, the larger step's."""
        line = self._line
        first = piece.first if piece is self._pieces[0] else piece.first + 1
        steps = [at for at in range(first, piece.last + 1) if line.step_m[at]]
        for at in sorted(steps, key=lambda post: (-abs(line.step_m[post]), post)):
            x = float(self._x(line.chainage_m[[at]])[0])
            y = float(self._y(piece, line.top_m[[at]])[0]) + STEP_MM
            self._room.letter(f"{line.step_m[at]:+.3f}", [Spot(x + CAP / 2, y, "start", 90.0)])

    def _name_gates(self, piece: Piece) -> None:
        line = self._line
        for at in range(piece.first, piece.last):
            if line.bay_kinds[at] != "gate":
                continue
            x = self._x(line.chainage_m[[at, at + 1]])
            top = float(self._y(piece, line.top_m[[at, at + 1]]).max())
            name = one_line(self._of.gate_names.get(line.bays[at], ""))[:40]
            for words in (f"Gate {name}".strip(), "Gate"):
                spots = [Spot(float(x.mean()), top + reach, "middle") for reach in (1.2, 4.0, 7.0)]
                if self._room.letter(words, spots, weight="bold"):
                    break
