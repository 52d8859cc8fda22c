"""The parts of sheets by themselves: strips, pieces of sections, room for labels, columns of a table, flowing text."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from geofence.engine.records import Floats
from geofence.outputs.paper.label_room import LabelRoom, Spot
from geofence.outputs.paper.label_spots import readable_deg
from geofence.outputs.paper.page import LETTERING_MM, Box, Page, text_width_mm
from geofence.outputs.paper.text_flow import Column, Paragraph, fitted, flowed, lines_of
from geofence.outputs.sheets.drawing_signs import round_steps
from geofence.outputs.sheets.fence_line import FenceLine, fence_lines
from geofence.outputs.sheets.findings import numbered_findings, numbers_in_short
from geofence.outputs.sheets.grid_lines import crossings, grid_step
from geofence.outputs.sheets.options import SCALES, sheet_options
from geofence.outputs.sheets.section_pieces import (
    ABOVE_MM,
    BELOW_MM,
    fitting_exaggeration,
    level_step_m,
    levels_of_bays,
    pieces,
)
from geofence.outputs.sheets.strip_table import spread
from geofence.outputs.sheets.strips import Room, Strip, cut_into_strips
from tests.outputs.drawn_plans import plan_of
from tests.plans import HOSTILE, made_up_plan


def line(count: int = 200) -> FenceLine:
    (found,) = fence_lines(made_up_plan(count))
    return found


class TestStrips:
    @pytest.mark.parametrize(
        ("plan_m", "section_m", "columns"), [((90, 12), 85, 500), ((90, 12), 85, 20), ((30, 3), 500, 500)]
    )
    def test_each_fits_and_they_are_as_few_as_can_be(
        self, plan_m: tuple[float, float], section_m: float, columns: int
    ) -> None:
        """(a) Taking as many posts as fit by any of 181 turns, again and again, takes no fewer strips."""
        room, fence = Room(plan_m=plan_m, section_m=section_m, columns=columns), line()
        strips = cut_into_strips(fence, 0, room)
        assert (strips[0].first, strips[-1].last) == (0, len(fence) - 1)
        assert all(one.last == two.first for one, two in pairwise(strips))
        assert all(self.fits(fence, strip, room) for strip in strips)
        first, count = 0, 0
        while first < len(fence) - 1:
            ends = range(min(len(fence) - 1, first + columns - 1), first, -1)
            first = next(end for end in ends if self.some_turn_fits(fence, first, end, room))
            count += 1
        assert len(strips) == count

    @pytest.mark.parametrize("long_m", range(40, 200, 8))
    def test_corners_cost_no_sheet(self, long_m: float) -> None:
        """(a) As many as strips take that run on round corners of which nothing is known."""
        (fence,) = fence_lines(plan_of("steep"))
        room = Room(plan_m=(long_m, 30), section_m=long_m, columns=500)
        plain = replace(fence, kinds=("line",) * len(fence))
        assert len(cut_into_strips(fence, 0, room)) <= len(cut_into_strips(plain, 0, room))

    def test_none_is_left_short(self) -> None:
        fence = line()
        strips = cut_into_strips(fence, 0, Room(plan_m=(120, 20), section_m=110, columns=500))
        lengths = [fence.chainage_m[strip.last] - fence.chainage_m[strip.first] for strip in strips]
        assert fence.chainage_m[-1] % 110 < 50
        assert min(lengths) > max(lengths) / 2

    def some_turn_fits(self, fence: FenceLine, first: int, last: int, room: Room) -> bool:
        if fence.chainage_m[last] - fence.chainage_m[first] > room.section_m:
            return False
        if np.hypot(*(fence.xy_m[last] - fence.xy_m[first])) > np.hypot(*room.plan_m):
            return False
        turns = np.linspace(0, math.pi, 181)
        tries = (Strip(line=0, first=first, last=last, turn_rad=turn, middle_m=(0, 0)) for turn in turns)
        return any(self.fits(fence, strip, room, middle="any") for strip in tries)

    @staticmethod
    def fits(fence: FenceLine, strip: Strip, room: Room, *, middle: str = "own") -> bool:
        laid = strip.laid(fence.xy_m[strip.first : strip.last + 1])
        size = np.ptp(laid, axis=0) if middle == "any" else 2 * np.abs(laid).max(axis=0)
        length = fence.chainage_m[strip.last] - fence.chainage_m[strip.first]
        fits = bool(np.all(size <= np.array(room.plan_m) + 1e-6))
        return fits and length <= room.section_m + 1e-6 and strip.last - strip.first + 1 <= room.columns

    def test_runs_from_left_to_right(self) -> None:
        fence = line()
        for strip in cut_into_strips(fence, 0, Room(plan_m=(40, 10), section_m=40, columns=99)):
            laid = strip.laid(fence.xy_m[[strip.first, strip.last]])
            assert laid[1, 0] > laid[0, 0]

    def test_a_bay_wider_than_the_paper_has_a_strip_to_itself(self) -> None:
        strips = cut_into_strips(line(5), 0, Room(plan_m=(1, 1), section_m=1, columns=1))
        assert [(strip.first, strip.last) for strip in strips] == [(0, 1), (1, 2), (2, 3), (3, 4)]

    def test_ends_at_a_corner_that_is_near(self) -> None:
        """(a) Corners at 133.5 and 237.9 of 361.6 m: three strips of up to 136 m, with corners between them."""
        (fence,) = fence_lines(plan_of("steep"))
        strips = cut_into_strips(fence, 0, Room(plan_m=(138, 12), section_m=136, columns=200))
        assert [fence.kinds[strip.last] for strip in strips] == ["corner", "corner", "end"]

    def test_goes_round_a_corner_where_ending_there_takes_a_sheet_more(self) -> None:
        """(a) 361.6 m in strips of 88 m are five; of 88, 45.5, 88, 16.4, 88 and 35.7 m six."""
        (fence,) = fence_lines(plan_of("steep"))
        strips = cut_into_strips(fence, 0, Room(plan_m=(90, 12), section_m=88, columns=200))
        assert len(strips) == 5
        assert "corner" not in {fence.kinds[strip.last] for strip in strips}


class TestPieces:
    @pytest.mark.parametrize("name", ["steep", "sample", "wires"])
    @pytest.mark.parametrize("height_mm", [60.0, 90.0])
    def test_each_fits_its_height_and_they_share_posts(self, name: str, height_mm: float) -> None:
        (fence,) = fence_lines(plan_of(name))
        found = pieces(fence, 0, 100, level_scale=125, height_mm=height_mm)
        assert (found[0].first, found[-1].last) == (0, 100)
        levels = levels_of_bays(fence)
        for piece in found:
            low, high = levels[piece.first : piece.last, 0].min(), levels[piece.first : piece.last, 1].max()
            assert (low - piece.datum_m) * 8 >= BELOW_MM - 1e-6
            if piece.last > piece.first + 1:
                assert (high - piece.datum_m) * 8 + ABOVE_MM <= height_mm + 1e-6
            assert piece.datum_m % level_step_m(125) == pytest.approx(0)
        assert all(one.last == two.first for one, two in pairwise(found))

    def test_bays_hold_the_ground_between_their_posts(self) -> None:
        (fence,) = fence_lines(plan_of("sample"))
        levels = levels_of_bays(fence)
        for bay in range(0, len(levels), 7):
            ground = fence.ground_between(fence.chainage_m[bay], fence.chainage_m[bay + 1])[:, 1]
            assert levels[bay, 0] <= ground.min() + 1e-9
            assert levels[bay, 1] >= ground.max() - 1e-9

    @pytest.mark.parametrize(("level_scale", "step"), [(125, 1.0), (100, 1.0), (250, 2.0), (50, 0.5), (20, 0.2)])
    def test_level_lines_are_7_to_18_mm_apart(self, level_scale: float, step: float) -> None:
        assert level_step_m(level_scale) == pytest.approx(step)

    def test_exaggeration_is_lowered_until_bays_fit(self) -> None:
        lines = fence_lines(plan_of("steep"))
        wide = fitting_exaggeration(lines, 20, section_scale=250, height_mm=400, widest="bay")
        assert wide == 20
        low = fitting_exaggeration(lines, 20, section_scale=250, height_mm=40, widest="bay")
        assert 1 <= low < 20
        assert fitting_exaggeration(lines, 20, section_scale=250, height_mm=40, widest="piece") <= low


class TestSpread:
    @settings(max_examples=60, deadline=None)
    @given(st.lists(st.floats(0, 40), min_size=1, max_size=12))
    def test_is_the_least_sum_of_squared_moves(self, places: list[float]) -> None:
        """(c) SLSQP of scipy on the same convex programme."""
        wanted = np.array(sorted(places))
        found = spread(wanted, 2.75, 0.0, 40.0)
        assert np.all(np.diff(found) >= 2.75 - 1e-9)
        assert found[0] >= -1e-9
        assert found[-1] <= 40 + 1e-9
        start = np.linspace(0, 40, len(wanted)) if len(wanted) > 1 else wanted
        apart = np.diff(np.eye(len(wanted)), axis=0)
        rules = [LinearConstraint(apart, lb=2.75)] if len(wanted) > 1 else []
        best = minimize(
            lambda at: np.sum((at - wanted) ** 2), start, jac=lambda at: 2 * (at - wanted), constraints=rules,
            bounds=[(0, 40)] * len(wanted), method="SLSQP", options={"ftol": 1e-12, "maxiter": 500},
        )  # fmt: skip
        assert np.sum((found - wanted) ** 2) <= best.fun + 1e-4

    def test_leaves_alone_what_has_room(self) -> None:
        wanted = np.array([3.0, 8.0, 12.0])
        assert spread(wanted, 2.75, 0.0, 40.0) == pytest.approx(wanted)


class TestLabelRoom:
    def test_takes_the_first_spot_that_is_free(self) -> None:
        page = Page(100, 100)
        room = LabelRoom(page, (0, 0, 100, 100))
        room.take(Box.upright(10, 10, 30, 20))
        box = room.letter("P001", [Spot(12, 12), Spot(95, 50), Spot(50, 50, turn_deg=90.0)])
        assert box is not None
        assert page.letterings[0].turn_deg == 90
        assert room.letter("P002", [Spot(50, 52, turn_deg=90.0)]) is None
        assert len(page.letterings) == 1

    def test_keeps_off_lines(self) -> None:
        room = LabelRoom(Page(100, 100), (0, 0, 100, 100))
        room.take_line(np.array([[0.0, 0.0], [100.0, 100.0]]), wide_mm=1.0)
        assert room.letter("on it", [Spot(48, 49)]) is None
        assert room.letter("off it", [Spot(60, 40)])

    @pytest.mark.parametrize("degrees", range(0, 360, 15))
    def test_texts_are_never_upside_down(self, degrees: int) -> None:
        lean = readable_deg(math.radians(degrees))
        assert -55 < lean % 360 - 360 * (lean % 360 > 180) <= 125
        assert (lean - degrees) % 180 == pytest.approx(0, abs=1e-6) or (lean - degrees) % 180 == pytest.approx(180)


class TestTextFlow:
    def test_nothing_is_lost_and_lines_stay_in_their_columns(self) -> None:
        told = [
            Paragraph(f"{word} " * 40, f"{number}") for number, word in enumerate(HOSTILE[0].split() + ["Zaun"] * 30)
        ]
        lines = lines_of([Paragraph("Findings", kind="heading"), *told], 80)
        columns = [Column(0, 0, 80, 60), Column(90, 0, 170, 60)]
        placed = []
        rest = lines
        while rest:
            on_sheet, rest = flowed(rest, columns)
            placed += [line for _, part in on_sheet for line in part]
        assert placed == lines
        assert all(text_width_mm(line.text) + line.indent_mm <= 80 for line in lines)
        assert " ".join(line.text for line in lines).split().count("Zaun") == 30 * 40

    def test_a_heading_does_not_end_a_column(self) -> None:
        lines = lines_of([*[Paragraph("text")] * 5, Paragraph("Heading", kind="heading"), Paragraph("after")], 80)
        for height in range(3, 40):
            (placed,), rest = flowed(lines, [Column(0, 0, 80, height)])
            if placed[1] and rest:
                assert placed[1][-1].text != "Heading"

    def test_a_short_paragraph_is_not_cut(self) -> None:
        lines = lines_of([Paragraph("word " * 30, str(number)) for number in range(8)], 80)
        for height in range(20, 60):
            (placed,), rest = flowed(lines, [Column(0, 0, 80, height)])
            assert placed[1]
            assert not rest or rest[0].label

    @pytest.mark.parametrize("text", ["Short", "Alder Down, north and east sides", "x" * 300, "Zaun " * 60, ""])
    def test_fitted_text_fits(self, text: str) -> None:
        lines, cap = fitted(text, 60, 12, largest_mm=5.0)
        assert cap in LETTERING_MM
        assert all(text_width_mm(one, cap_mm=cap) <= 60 for one in lines)
        whole = " ".join(text.split())
        assert " ".join(lines) == whole or lines[-1].endswith("…") or "".join(lines) == whole


class TestOptions:
    def test_defaults_draw_bays_5_mm_wide_and_the_fence_12_mm_high(self) -> None:
        """(a) 1.885 m: 1:250 draws 7.5 mm, 1:500 only 3.8 mm. 1.8 m high: 7.2 mm as it is, 14.4 mm at twice."""
        options = sheet_options(made_up_plan())
        assert (options.scale, options.section_scale, options.exaggeration) == (250, 250, 2)
        assert options.level_scale == 125

    @pytest.mark.parametrize(("most", "steps"), [(9.99, 5.0), (10.0, 10.0), (0.031, 0.02), (2.5, 2.0)])
    def test_round_steps(self, most: float, steps: float) -> None:
        assert round_steps(most) == pytest.approx(steps)

    @pytest.mark.parametrize("scale", SCALES)
    def test_grid_lines_are_20_to_50_mm_apart(self, scale: float) -> None:
        assert 19.9 <= grid_step(scale, 1.0) * 1000 / scale <= 50.1

    def test_crossings_are_all_those_in_the_box(self) -> None:
        corners: Floats = np.array([[95.0, -12.0], [121.0, 3.0]])
        assert list(crossings(corners, 10.0)) == [(100, -10), (100, 0), (110, -10), (110, 0), (120, -10), (120, 0)]


class TestNumberedFindings:
    def test_run_from_one_in_the_order_of_the_fence(self) -> None:
        plan = plan_of("dense at 1:500")
        found = numbered_findings(plan)
        assert [item.number for item in found] == list(range(1, len(plan.fence.findings) + 1))
        assert {id(item.finding) for item in found} == {id(item) for item in plan.fence.findings}
        posts = [item.place.nth for item in found if item.place is not None]
        assert posts == sorted(posts)
        assert found[0].place is None

    def test_numbers_in_short_hold_all(self) -> None:
        assert [numbers_in_short(list(range(4, 4 + count))) for count in range(4)] == ["", "4", "4, 5", "4–6"]
        assert numbers_in_short([4, 5, 7]) == "4, 5, 7"
