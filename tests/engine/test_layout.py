"""Where posts stand. Optima against other solvers are in tests/validation/test_layout_optimum.py."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from geofence.engine.layout import lay_out
from geofence.engine.records import Fit, Gate, LayoutRules, Path
from geofence.errors import LayoutError
from tests.engine.lines import arc, chords_m, departures_m, path

RULES = LayoutRules(module_m=2.4, min_bay_m=0.4)
FITS: tuple[Fit, ...] = ("end", "start", "both-ends", "equal")
SQUARE = path([5.0] * 4, [90.0] * 4, closed=True)


def straight(length_m: float) -> Path:
    return path([length_m])


def gate(at_m: float, width_m: float, name: str = "G1") -> Gate:
    return Gate(name=name, chainage_m=at_m, width_m=width_m)


def widths(length_m: float, rules: LayoutRules = RULES, **changes: object) -> list[float]:
    return lay_out(straight(length_m), [], replace(rules, **changes)).width_m.tolist()  # type: ignore[arg-type]


class TestStraightSpans:
    """(a) Sums of bays, done on paper."""

    def test_whole_modules_are_not_a_bay_too_many(self) -> None:
        layout = lay_out(straight(16.8), [], RULES)
        assert layout.bay_kind == ("full",) * 7
        assert layout.width_m == pytest.approx([2.4] * 7, abs=1e-9)
        assert layout.post_m == pytest.approx(2.4 * np.arange(8), abs=1e-9)

    @pytest.mark.parametrize("fit", FITS)
    @pytest.mark.parametrize("off_m", [-0.00049, -0.0003, 0.0003, 0.00049])
    def test_half_a_millimetre_is_shared_among_full_bays(self, fit: Fit, off_m: float) -> None:
        layout = lay_out(straight(16.8 + off_m), [], replace(RULES, fit=fit))
        assert set(layout.bay_kind) == {"full"}
        assert layout.width_m == pytest.approx([2.4 + off_m / 7] * 7, abs=1e-9)

    def test_more_than_half_a_millimetre_is_not(self) -> None:
        assert widths(16.8 + 0.0006) == pytest.approx([2.4] * 6 + [1.2003] * 2)
        assert widths(16.8 - 0.0006) == pytest.approx([2.4] * 6 + [2.3994])

    def test_one_cut_bay_takes_the_rest(self) -> None:
        assert widths(8.0) == pytest.approx([2.4, 2.4, 2.4, 0.8])

    def test_a_rest_as_wide_as_the_narrowest_bay(self) -> None:
        assert widths(7.6) == pytest.approx([2.4, 2.4, 2.4, 0.4])

    def test_a_rest_narrower_than_that_is_shared_by_the_last_two(self) -> None:
        assert widths(7.59) == pytest.approx([2.4, 2.4, 1.395, 1.395])

    def test_more_than_two_share_where_two_would_be_too_narrow(self) -> None:
        # 12.1 m is 6 bays; of 6 x 2.0 = 12.0 m, 0.1 m is left, which no bay can take to 2.4 m: all are cut.
        assert widths(12.1, min_bay_m=2.0) == pytest.approx([12.1 / 6] * 6)
        # Of 13.0 m, 1.0 m is left: two bays go to 2.4 m, four share 8.2 m.
        assert widths(13.0, min_bay_m=2.0) == pytest.approx([2.4] * 2 + [2.05] * 4)

    def test_where_cut_bays_go(self) -> None:
        assert widths(8.0, fit="start") == pytest.approx([0.8, 2.4, 2.4, 2.4])
        assert widths(7.4, fit="start") == pytest.approx([1.3, 1.3, 2.4, 2.4])
        assert widths(8.0, fit="both-ends") == pytest.approx([1.6, 2.4, 2.4, 1.6])
        assert widths(8.0, fit="equal") == pytest.approx([2.0] * 4)

    def test_both_ends_of_three_bays_that_all_must_be_cut(self) -> None:
        assert widths(6.1, min_bay_m=2.0, fit="both-ends") == pytest.approx([6.1 / 3] * 3)

    def test_one_bay(self) -> None:
        for fit in FITS:
            layout = lay_out(straight(1.0), [], replace(RULES, fit=fit))
            assert (layout.width_m.tolist(), layout.bay_kind, layout.findings) == ([1.0], ("cut",), ())

    def test_equal_bays_are_cut_unless_whole(self) -> None:
        assert set(lay_out(straight(8.0), [], replace(RULES, fit="equal")).bay_kind) == {"cut"}
        assert set(lay_out(straight(7.2), [], replace(RULES, fit="equal")).bay_kind) == {"full"}

    def test_a_narrowest_bay_of_the_module_never_cuts_whole_spans(self) -> None:
        layout = lay_out(straight(7.2), [], replace(RULES, min_bay_m=2.4))
        assert (layout.bay_kind, layout.findings) == (("full",) * 3, ())


class TestUnderMinimum:
    def test_a_span_shorter_than_the_narrowest_bay(self) -> None:
        layout = lay_out(path([5.0, 0.3, 5.0], [90, 90]), [], RULES)
        (finding,) = layout.findings
        assert (finding.code, finding.severity, finding.unit) == ("bay-under-minimum", "stop", "m")
        assert (finding.chainage_m, finding.chainage_to_m) == pytest.approx((5.0, 5.3))
        assert (finding.value, finding.limit) == pytest.approx((0.3, 0.4))
        assert layout.width_m[finding.bay] == pytest.approx(0.3)
        assert finding.remedy == (
            "A min_bay_m of 0.300 m would fit, or move one of the two posts 0.100 m away from the other, "
            "or move both to one place."
        )

    def test_a_span_between_one_bay_and_two(self) -> None:
        layout = lay_out(straight(2.6), [], replace(RULES, min_bay_m=2.0))
        (finding,) = layout.findings
        assert layout.width_m == pytest.approx([1.3, 1.3])
        assert finding.message == (
            "2.600 m between two posts that must be where they are is too long for 1 of the module "
            "and too short for 2 of the narrowest bay"
        )
        assert finding.remedy == (
            "A min_bay_m of 1.300 m would fit, or move one of the two posts 1.400 m away from the other, "
            "or 0.200 m nearer."
        )

    @pytest.mark.parametrize(("length_m", "least_m"), [(0.3, 0.4), (2.6, 2.0), (5.01, 2.1), (0.4113, 0.5)])
    @pytest.mark.parametrize("fit", FITS)
    def test_each_remedy_cures(self, length_m: float, least_m: float, fit: Fit) -> None:
        rules = replace(RULES, min_bay_m=least_m, fit=fit)
        (finding,) = lay_out(straight(length_m), [], rules).findings
        words = finding.remedy.split()
        lower, longer = float(words[3]), float(words[words.index("posts") + 1])
        assert not lay_out(straight(length_m), [], replace(rules, min_bay_m=lower)).findings
        assert not lay_out(straight(length_m + longer), [], rules).findings
        if words[-1] == "nearer.":
            assert not lay_out(straight(length_m - float(words[-3])), [], rules).findings

    def test_the_row_is_that_of_the_whole_layout(self) -> None:
        layout = lay_out(path([5.0, 5.0, 0.2], [90, 90]), [], RULES)
        (finding,) = layout.findings
        assert finding.bay == len(layout.bay_kind) - 1


class TestFixedPosts:
    def test_kinds(self) -> None:
        layout = lay_out(path([4.8, 2.4, 5.0], [90, 3]), [gate(9.0, 1.0)], RULES)
        assert list(zip(layout.post_m.round(3).tolist(), layout.post_kind, strict=True)) == [
            (0.0, "end"), (2.4, "line"), (4.8, "corner"), (7.2, "line"),
            (9.0, "gate"), (10.0, "gate"), (12.2, "end"),
        ]  # fmt: skip

    def test_turns_are_given_where_posts_stand_on_vertices(self) -> None:
        layout = lay_out(path([4.8, 2.4, 5.0], [90, -0.5]), [], RULES)
        assert layout.deflection_deg.tolist() == [0.0, 0.0, 90.0, -0.5, 0.0, 0.0, 0.0]

    @pytest.mark.parametrize(
        ("turn_deg", "kind"), [(10.0, "corner"), (-10.0, "corner"), (9.9999995, "corner"), (9.999, "bend")]
    )
    def test_a_corner_turns_by_the_limit_or_more(self, turn_deg: float, kind: str) -> None:
        layout = lay_out(path([6.0, 6.0], [turn_deg]), [], RULES)
        assert layout.post_kind[layout.post_m.tolist().index(6.0)] == kind

    def test_corners_within_a_millimetre_are_one(self) -> None:
        layout = lay_out(path([4.8, 0.0004, 4.8], [45, 45]), [], RULES)
        assert Counter(layout.post_kind) == {"end": 2, "corner": 1, "line": 2}
        assert layout.deflection_deg.max() == 90.0

    def test_bends_within_a_millimetre_make_a_corner_together(self) -> None:
        assert "corner" in lay_out(path([4.8, 0.0005, 4.8], [6, 6]), [], RULES).post_kind

    def test_a_line_of_no_length(self) -> None:
        with pytest.raises(LayoutError, match="no length"):
            lay_out(path([0.0004]), [], RULES)

    @pytest.mark.parametrize("least_m", [0.0, -1.0, 2.5, float("nan")])
    def test_rules_that_contradict_each_other(self, least_m: float) -> None:
        with pytest.raises(LayoutError, match="narrowest bay") as caught:
            lay_out(straight(10.0), [], replace(RULES, min_bay_m=least_m))
        assert caught.value.rule == "min_bay_m"


class TestRings:
    def test_the_first_post_is_shared(self) -> None:
        layout = lay_out(SQUARE, [], RULES)
        assert len(layout.post_m) == len(layout.bay_kind)
        assert layout.bay_end_m[-1] == 20.0
        assert (layout.post_kind[0], layout.deflection_deg[0]) == ("corner", 90.0)

    @pytest.mark.parametrize(("turn_deg", "kind"), [(90.0, "corner"), (4.0, "bend"), (0.0, "line")])
    def test_its_kind(self, turn_deg: float, kind: str) -> None:
        ring = path([10.0] * 4, [90.0, 90.0, 90.0, turn_deg], closed=True)
        assert lay_out(ring, [], RULES).post_kind[0] == kind

    def test_a_gate_at_it(self) -> None:
        assert lay_out(SQUARE, [gate(0.0, 3.0)], RULES).post_kind[:2] == ("gate", "gate")
        assert lay_out(SQUARE, [gate(17.0, 3.0)], RULES).post_kind[0] == "gate"

    def test_a_gate_over_it(self) -> None:
        with pytest.raises(LayoutError, match="over the first post of the ring") as caught:
            lay_out(SQUARE, [gate(18.0, 3.0)], RULES)
        assert caught.value.rule == "gate-within-ring"
        assert "start the ring at another vertex" in caught.value.remedy


class TestGates:
    def test_it_is_one_bay_between_its_posts(self) -> None:
        layout = lay_out(straight(20.0), [gate(5.0, 3.6)], RULES)
        row = layout.bay_kind.index("gate")
        assert (layout.post_m[row], layout.bay_end_m[row], layout.width_m[row]) == pytest.approx((5.0, 8.6, 3.6))
        assert layout.post_kind[row : row + 2] == ("gate", "gate")

    def test_gates_that_touch_share_a_post(self) -> None:
        layout = lay_out(straight(20.0), [gate(8.4, 1.2, "foot"), gate(4.8, 3.6)], RULES)
        assert Counter(layout.post_kind)["gate"] == 3
        assert layout.bay_kind.index("gate") == 2

    def test_a_gate_from_corner_to_corner(self) -> None:
        layout = lay_out(SQUARE, [gate(5.0004, 5.0)], RULES)
        row = layout.bay_kind.index("gate")
        assert (layout.post_m[row], layout.bay_end_m[row], layout.width_m[row]) == (5.0, 10.0, 5.0)
        assert layout.post_kind[row : row + 2] == ("gate", "gate")
        assert layout.deflection_deg[row : row + 2].tolist() == [90.0, 90.0]
        assert not layout.findings

    def test_across_a_slight_bend_its_width_is_the_chord(self) -> None:
        line = path([10.0, 10.0], [1.0])
        layout = lay_out(line, [gate(8.0, 4.0)], RULES)
        row = layout.bay_kind.index("gate")
        assert chords_m(line, layout)[row] == pytest.approx(4.0, abs=1e-9)
        assert layout.width_m[row] == 4.0

    def test_the_whole_line(self) -> None:
        layout = lay_out(straight(3.6), [gate(0.0, 3.6)], RULES)
        assert (layout.bay_kind, layout.post_kind) == (("gate",), ("gate", "gate"))

    def test_a_gate_too_near_a_corner_for_a_bay(self) -> None:
        (finding,) = lay_out(SQUARE, [gate(5.1, 3.0)], RULES).findings
        assert (finding.code, finding.value) == ("bay-under-minimum", pytest.approx(0.1))

    @pytest.mark.parametrize(
        ("line", "gates", "rule", "words"),
        [
            (straight(20), [gate(-0.5, 3)], "gate-within-line", "gate G1 starts before the start of the line: 0.500 m"),
            (straight(20), [gate(20.5, 3)], "gate-within-line", "gate G1 starts beyond the end of the line: 0.500 m"),
            (straight(20), [gate(18, 3.6)], "gate-within-line",
             "gate G1 reaches past the end of the line: there is room for 2.000 m from its first post: "
             "3.6 m, limit 2.0 m. Move it back by 1.600 m, or make it 1.600 m narrower."),
            (SQUARE, [gate(6, 4.5)], "gate-within-leg", "gate G1 reaches round a corner: there is room for 4.000 m"),
            (SQUARE, [gate(5, 5.5)], "gate-within-leg", "limit 5.0 m"),
            (straight(20), [gate(5, 3.6), gate(8, 1, "foot")], "gates-apart",
             "gates G1 and foot overlap: 0.6 m, limit 0.0 m. Move foot on by 0.600 m or more"),
            (straight(20), [gate(5, 3.6), gate(5, 3.6, "twin")], "gates-apart", "gates G1 and twin overlap"),
            (path([10, 10], [5]), [gate(8, 4)], "gate-on-line", "gate G1 stands across a bend and leaves the line"),
            (straight(20), [gate(5, 0)], "gate-width", "gate G1 has no width"),
            (straight(20), [gate(5, -1)], "gate-width", "gate G1 has no width"),
            (straight(20), [gate(float("nan"), 1)], "gate-within-line", "gate G1"),
        ],
    )  # fmt: skip
    def test_refused(self, line: Path, gates: list[Gate], rule: str, words: str) -> None:
        with pytest.raises(LayoutError) as caught:
            lay_out(line, gates, RULES)
        assert caught.value.rule == rule
        assert words in str(caught.value)
        assert caught.value.span_m is not None

    def test_the_tolerance_that_a_refusal_names_is_enough(self) -> None:
        line = path([10, 10], [5])
        with pytest.raises(LayoutError) as caught:
            lay_out(line, [gate(8, 4)], RULES)
        enough = float(caught.value.remedy.split()[-2])
        assert lay_out(line, [gate(8, 4)], replace(RULES, line_tolerance_m=enough)).bay_kind.count("gate") == 1


class TestBends:
    @pytest.mark.parametrize("fit", FITS)
    @pytest.mark.parametrize("radius_m", [4.0, 10.0, 22.0, 22.5, 60.0])
    def test_a_curve_of_short_legs_keeps_every_limit(self, radius_m: float, fit: Fit) -> None:
        line = arc(radius_m, 0.3, 150)
        rules = LayoutRules(module_m=1.885, min_bay_m=0.4, fit=fit)
        layout = lay_out(line, [], rules)
        assert not layout.findings
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-8)
        assert layout.width_m.min() >= 0.4 - 1e-6
        assert layout.width_m.max() <= 1.885 + 1e-6
        assert departures_m(line, layout).max() <= 0.02 + 1e-6
        full = np.array(layout.bay_kind) == "full"
        assert layout.width_m[full] == pytest.approx(np.full(full.sum(), 1.885), abs=1e-9)

    def test_posts_on_vertices_only_where_bays_would_leave_the_line(self) -> None:
        # (a) A bay of 2.4 m across a turn t leaves it by 1.2 sin(t / 2) at most: 20 mm at 1.91 degrees.
        gentle = lay_out(path([10.0] * 4, [1.9, -1.9, 1.9]), [], RULES)
        assert Counter(gentle.post_kind) == {"end": 2, "line": 16}
        sharp = lay_out(path([10.0] * 4, [6.0, -6.0, 6.0]), [], RULES)
        assert Counter(sharp.post_kind)["bend"] == 3

    def test_no_tolerance_puts_a_post_on_every_vertex(self) -> None:
        layout = lay_out(path([10.0] * 4, [1.0, -1.0, 1.0]), [], replace(RULES, line_tolerance_m=0.0))
        assert {10.0, 20.0, 30.0} <= set(layout.post_m.tolist())

    def test_vertices_that_do_not_turn_change_nothing(self) -> None:
        layout = lay_out(path([3.0, 3.7, 10.1], [0.0, 1e-8]), [], RULES)
        assert layout.post_m == pytest.approx(lay_out(straight(16.8), [], RULES).post_m, abs=1e-9)

    def test_two_bends_too_close_for_posts_on_both(self) -> None:
        line = path([10.0, 0.3, 10.0], [8.0, 8.0])
        layout = lay_out(line, [], RULES)
        (finding,) = layout.findings
        assert (finding.code, finding.severity, finding.limit) == ("bay-off-line", "warn", 0.02)
        assert finding.value == pytest.approx(departures_m(line, layout)[finding.bay])
        assert layout.width_m.min() >= 0.4
        enough = float(finding.remedy.split()[4])
        assert not lay_out(line, [], replace(RULES, line_tolerance_m=enough)).findings

    def test_a_piece_that_cannot_keep_the_narrowest_bay_shares_it(self) -> None:
        # 2.6 m with a slight bend, module 2.4 and at least 2.0 m: two bays alike, as on a straight span.
        layout = lay_out(path([1.2, 1.4], [0.5]), [], replace(RULES, min_bay_m=2.0))
        assert [item.code for item in layout.findings] == ["bay-under-minimum"]
        assert layout.width_m == pytest.approx([1.3, 1.3], abs=1e-3)
        assert layout.width_m[0] == pytest.approx(layout.width_m[1], abs=1e-8)

    def test_whole_modules_round_a_bend(self) -> None:
        # (a) Legs of 1 m on a circle, three to a bay: 6 bays of one chord, though 0.2 mm is left over.
        chord = np.sin(np.radians(1.5)) / np.sin(np.radians(0.5))
        rules = LayoutRules(module_m=chord - 0.0002 / 6, min_bay_m=0.4, line_tolerance_m=0.05)
        layout = lay_out(path([1.0] * 18, [1.0] * 17), [], rules)
        assert layout.bay_kind == ("full",) * 6
        assert layout.width_m == pytest.approx([chord] * 6, abs=1e-8)

    def test_a_hairpin_does_not_crash(self) -> None:
        line = path([6.0, *[0.08] * 20, 6.0], [9.0] * 21)
        layout = lay_out(line, [], RULES)
        assert {item.code for item in layout.findings} == {"bay-off-line"}
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-8)
        assert layout.width_m.max() <= 2.4 + 1e-6
        assert layout.width_m.min() >= 0.4

    def test_a_curve_with_a_gate_and_corners(self) -> None:
        line = path([10.0, *[0.5] * 40, 10.0], [30.0, *[2.0] * 39, 30.0])
        layout = lay_out(line, [gate(2.0, 3.0)], RULES)
        assert Counter(layout.post_kind)["corner"] == 2
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-8)
        assert departures_m(line, layout).max() <= 0.02 + 1e-6

    def test_a_long_line_of_many_bends(self) -> None:
        rng = np.random.default_rng(5)
        line = path(rng.uniform(0.3, 25.0, 400), rng.uniform(-9, 9, 399))
        layout = lay_out(line, [], RULES)
        off = departures_m(line, layout) > 0.02 + 1e-6
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-7)
        assert set(np.flatnonzero(off)) == {item.bay for item in layout.findings if item.code == "bay-off-line"}
        # Only a leg shorter than the narrowest bay may force a bay off the line.
        assert off.sum() <= 2 * np.count_nonzero(np.diff(line.vertex_m) < 0.4)

    def test_start_on_a_long_curve_is_end_from_the_other_side(self) -> None:
        line = arc(25.0, 0.7, 120)
        there = lay_out(line, [], LayoutRules(module_m=2.4, min_bay_m=0.4, fit="start"))
        back = lay_out(line, [], LayoutRules(module_m=2.4, min_bay_m=0.4, fit="end"))
        assert there.width_m[::-1] == pytest.approx(back.width_m, abs=1e-7)

    def test_a_stretch_that_must_leave_the_line_is_done_again(self) -> None:
        # (d) Not independent: what the first look alone leaves is 7.4 mm beyond the tolerance in all.
        legs = [0.4, 1.7, 1.2, 2.0, 2.3, 1.4, 3.0, 1.8, 0.5, 2.5, 2.5, 2.4, 1.4, 2.6, 2.3, 2.3, 2.0, 2.9, 2.6, 2.1, 0.3]
        legs += [1.7, 1.5, 2.1, 1.8, 1.8, 2.3, 1.3, 1.6, 1.5, 1.8, 2.7, 2.9]
        turns = [3, -1, -3, 8, 9, -1, -4, 7, -4, -5, -3, 6, -2, -5, 1, -7, 2, -7, -2, 6, -8, 5, 2, 5, -1, 3, -6, -6, -3]
        layout = lay_out(path(legs, [*turns, 8, 5, -4]), [], replace(RULES, min_bay_m=0.6))
        beyond = [(item.value or 0) - 0.02 for item in layout.findings if item.code == "bay-off-line"]
        assert sum(beyond) < 0.0059
