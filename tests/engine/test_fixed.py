"""Posts that must stand exactly where they are asked. Expected posts are sums on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine.best import BestFit
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    FixedPost,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    Path,
    Profile,
)
from geofence.errors import LayoutError
from tests.engine.lines import arc, chords_m, path

RULES = LayoutRules(module_m=2.4, min_bay_m=0.4)
GATE = Gate(name="G1", chainage_m=6.0, width_m=3.0)


def existing(*chainages_m: float) -> list[FixedPost]:
    return [FixedPost(chainage_m=at, kind="existing", name=f"E{row}") for row, at in enumerate(chainages_m, start=1)]


def junction(chainage_m: float) -> FixedPost:
    return FixedPost(chainage_m=chainage_m, kind="junction")


def laid(line: Path, fixed: list[FixedPost], *, rules: LayoutRules = RULES, gates: tuple[Gate, ...] = ()) -> Layout:
    return lay_out(line, gates, rules, fixed=fixed)


class TestBetweenThem:
    def test_each_stretch_is_laid_out_by_itself(self) -> None:
        """5 m: two modules and 0.2 m, so two bays share 2.6 m. 7.2 m: three modules. 3.8 m: one and 1.4 m."""
        layout = laid(path([16.0]), existing(5.0, 12.2))
        assert layout.post_m == pytest.approx([0, 2.4, 3.7, 5.0, 7.4, 9.8, 12.2, 14.6, 16.0])
        assert layout.post_kind == ("end", "line", "line", "existing", "line", "line", "existing", "line", "end")
        assert layout.bay_kind.count("full") == 5
        assert layout.findings == ()

    @pytest.mark.parametrize("fit", ["end", "start", "both-ends", "equal"])
    def test_the_order_they_come_in_is_nothing(self, fit: str) -> None:
        rules = replace(RULES, fit=fit)
        one, other = (laid(path([30.0]), posts, rules=rules) for posts in (existing(5, 12), existing(5, 12)[::-1]))
        assert one.post_m.tolist() == other.post_m.tolist()

    def test_on_a_curve_widths_stay_chords(self) -> None:
        line = arc(40.0, 0.5, 60)
        rules = replace(RULES, line_tolerance_m=0.05)
        layout = laid(line, existing(11.3, 19.9), rules=rules)
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-7)
        for at in (11.3, 19.9):
            assert layout.post_kind[int(np.flatnonzero(layout.post_m == at)[0])] == "existing"

    def test_best_puts_cut_bays_where_they_are_cheapest_on_either_side(self) -> None:
        """A bank of 1 m over 0.4 m at each side of the post: the cut bay of 0.4 m of each stretch lies on it."""
        ground = Profile(chainage_m=[0.0, 2.4, 2.8, 10.0, 14.8, 15.2, 20.0], level_m=[50, 50, 51, 51, 51, 50, 50])
        levels = LevelRules(
            increment_m=0.05, gap_max_m=0.5, dig_max_m=0.5, step_min_m=0.05, step_max_m=0.6,
            gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0,
        )  # fmt: skip
        rules = replace(RULES, fit="best")
        best = BestFit(profile=ground, levels=levels)
        layout = lay_out(path([20.0]), [], rules, fixed=existing(10.0), choose=best)
        assert layout.post_m == pytest.approx([0, 2.4, 2.8, 5.2, 7.6, 10.0, 12.4, 14.8, 15.2, 17.6, 20.0])


class TestSamePost:
    def test_a_corner_an_end_and_a_gate_post(self) -> None:
        line = path([12.0, 12.0], [90.0])
        layout = laid(line, existing(0.0004, 6.0, 12.0009, 24.0), gates=(GATE,))
        assert [at for at, kind in zip(layout.post_m, layout.post_kind, strict=True) if kind == "existing"] == (
            pytest.approx([0.0, 6.0, 12.0, 24.0], abs=1e-12)
        )
        assert layout.post_kind.count("gate") == 1
        assert layout.deflection_deg[layout.post_m == 12.0] == 90.0
        assert layout.post_m.tolist() == laid(line, [], gates=(GATE,)).post_m.tolist()

    def test_the_first_post_of_a_ring_from_both_sides(self) -> None:
        ring = path([12.0] * 4, [90.0] * 4, closed=True)
        for at in (0.0, 47.9995, 48.0):
            layout = laid(ring, existing(at))
            assert layout.post_kind[0] == "existing"
            assert layout.post_kind.count("existing") == 1
            assert layout.post_m.tolist() == laid(ring, []).post_m.tolist()

    def test_two_at_one_place_are_one_and_the_existing_one_is_named(self) -> None:
        both = [junction(7.0), *existing(7.0006)]
        for posts in (both, both[::-1]):
            layout = laid(path([16.0]), posts)
            assert layout.post_kind.count("existing") == 1
            assert "junction" not in layout.post_kind
            assert layout.findings == ()

    def test_a_gate_stands_before_a_junction_and_a_junction_before_a_corner(self) -> None:
        layout = laid(path([12.0, 12.0], [90.0]), [junction(6.0), junction(12.0)], gates=(GATE,))
        assert layout.post_kind[layout.post_m.tolist().index(6.0)] == "gate"
        assert layout.post_kind[layout.post_m.tolist().index(12.0)] == "junction"

    def test_on_a_bend(self) -> None:
        layout = laid(path([9.0, 9.0], [8.0]), existing(9.0))
        assert "bend" not in layout.post_kind
        assert layout.deflection_deg[layout.post_kind.index("existing")] == 8.0


class TestRefused:
    def test_off_the_end_of_the_line(self) -> None:
        with pytest.raises(LayoutError, match="the existing post E1 is not on the line") as caught:
            laid(path([16.0]), existing(16.5))
        assert caught.value.rule == "fixed-post-on-line"
        assert "0.500 m outside, on a line of 16.000 m" in str(caught.value)

    def test_within_a_gate(self) -> None:
        with pytest.raises(LayoutError, match="the existing post E1 stands in gate G1") as caught:
            laid(path([16.0]), existing(7.0), gates=(GATE,))
        assert (caught.value.rule, caught.value.span_m) == ("gate-without-post", (6.0, 9.0))
        assert "Move the gate 2.000 m back or 1.000 m on" in str(caught.value)


class TestNearEachOther:
    def test_nearer_than_the_narrowest_bay(self) -> None:
        layout = laid(path([16.0]), existing(4.8, 5.1))
        (found,) = layout.findings
        assert (found.code, found.severity, found.limit) == ("bay-under-minimum", "stop", 0.4)
        assert found.value == pytest.approx(0.3)
        assert (found.chainage_m, found.chainage_to_m) == (4.8, 5.1)

    def test_a_keep_clear_moves_the_others_only(self) -> None:
        fixed = existing(12.0)
        layout = lay_out(path([24.0]), [], RULES, fixed=fixed, keep_clear=[KeepClear(name="x", from_m=11.0, to_m=13.0)])
        assert 12.0 in layout.post_m.tolist()
        assert layout.post_m.tolist() == laid(path([24.0]), fixed).post_m.tolist()
