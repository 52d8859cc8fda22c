"""Layouts round places where no post may stand. Expected posts are sums on paper."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from geofence.engine.barred import Task, leads_through, merged, obstacles, parts
from geofence.engine.detour import detour
from geofence.engine.fence import build_fence
from geofence.engine.keep_clear import _Bent, _Straight
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    Finding,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
)
from tests.engine.lines import arc, chords_m, drawn, path

RULES = LayoutRules(module_m=2.4, min_bay_m=0.4)
TEN_MODULES = path([24.0])


def bar(from_m: float, to_m: float, name: str = "gas main", source: str = "drawing 4, 2026") -> KeepClear:
    return KeepClear(name=name, from_m=from_m, to_m=to_m, source=source)


def laid(line: Path, *bars: KeepClear, rules: LayoutRules = RULES, gates: tuple[Gate, ...] = ()) -> Layout:
    return lay_out(line, gates, rules, keep_clear=bars)


def codes(layout: Layout) -> list[str]:
    return [finding.code for finding in layout.findings]


def only(layout: Layout, code: str) -> Finding:
    (found,) = (finding for finding in layout.findings if finding.code == code)
    return found


class TestRoundIt:
    def test_ten_modules_over_a_pipe(self) -> None:
        """One bay more: the two bays beside the one over the pipe share what is left, and the rest stays."""
        layout = laid(TEN_MODULES, bar(11.5, 12.5))
        assert layout.post_m == pytest.approx([0, 2.4, 4.8, 7.2, 9.6, 10.8, 13.2, 14.4, 16.8, 19.2, 21.6, 24.0])
        assert layout.bay_kind == (*["full"] * 4, "cut", "full", "cut", *["full"] * 4)
        found = only(layout, "keep-clear-avoided")
        assert (found.severity, found.value) == ("note", 2.0)
        assert "gas main (drawing 4, 2026), 2 posts stand elsewhere than they would; 2 bays are cut" in found.message
        assert (found.chainage_m, found.chainage_to_m) == pytest.approx((10.8, 13.2))
        assert (found.post, found.posts, found.unit) == (5, (5, 6), "posts")

    def test_the_cut_bay_shifts_where_there_is_one(self) -> None:
        """18.1 m: seven modules and 1.3 m. The cut bay goes before the pipe, and no bay is added."""
        layout = laid(path([18.1]), bar(9.3, 9.9))
        assert layout.post_m == pytest.approx([0, 2.4, 4.8, 7.2, 8.5, 10.9, 13.3, 15.7, 18.1])
        assert layout.bay_kind.count("cut") == 1

    @pytest.mark.parametrize("fit", ["end", "start", "both-ends", "equal"])
    def test_a_layout_that_is_clear_already_stays(self, fit: str) -> None:
        rules = replace(RULES, fit=fit)
        before = laid(path([18.1]), rules=rules)
        gap = (before.post_m[3] + 0.1, before.post_m[4] - 0.1)
        after = laid(path([18.1]), bar(*gap), rules=rules)
        assert np.array_equal(after.post_m, before.post_m)
        assert after.findings == before.findings == ()

    def test_equal_bays_move_no_more_posts_than_stand_in_the_way(self) -> None:
        """9 m in four bays of 2.25 m, the middle post barred from 4.45 to 4.55: 4.45 leaves bays of 2.2 and 2.3."""
        layout = laid(path([9.0]), bar(4.45, 4.56), rules=replace(RULES, fit="equal"))
        assert layout.post_m == pytest.approx([0, 2.25, 4.45, 6.75, 9.0])

    def test_a_post_may_stand_on_the_edge(self) -> None:
        layout = laid(TEN_MODULES, bar(2.4, 4.8), bar(4.8, 7.2))
        assert layout.findings == ()
        assert layout.post_m == pytest.approx(np.arange(11) * 2.4)

    def test_keep_clears_may_overlap_and_come_in_any_order(self) -> None:
        once = laid(TEN_MODULES, bar(11.5, 12.5))
        thrice = laid(TEN_MODULES, bar(12.0, 12.5), bar(11.5, 12.2), bar(11.6, 11.9))
        assert thrice.post_m == pytest.approx(once.post_m)

    def test_whole_modules_that_are_a_fraction_of_a_millimetre_off_stay_so(self) -> None:
        layout = laid(path([24.0003]), bar(11.5, 12.5))
        widths = layout.width_m[np.array(layout.bay_kind) == "full"]
        assert np.abs(widths - 2.4).max() < 5e-4
        assert layout.bay_kind.count("cut") == 2

    def test_a_module_is_barred_where_modules_share_a_fraction_of_a_millimetre(self) -> None:
        """Ten full bays are 0.04 mm narrower than the module there; the one over the pipe need not be."""
        layout = laid(path([23.9996]), bar(10.1, 12.5))
        assert codes(layout) == ["keep-clear-avoided"]
        assert {10.1, 12.5} <= set(layout.post_m.round(6))

    @pytest.mark.parametrize("more_m", [1e-9, 1e-8, 1e-7, 1e-6])
    def test_a_bar_wider_than_the_module_by_less_than_a_tape_can_tell(self, more_m: float) -> None:
        """It is passed as one of the module's width is; the narrowest bay is widened and then left."""
        layout = laid(path([30.0]), bar(10.5, 12.9 + more_m), rules=replace(RULES, fit="start"))
        assert codes(layout) == ["keep-clear-avoided"]
        assert layout.width_m.max() <= 2.4 + 2.1e-6

    def test_a_gate_stands_over_a_pipe(self) -> None:
        layout = laid(TEN_MODULES, bar(10.0, 13.0), gates=(Gate(name="G1", chainage_m=9.9, width_m=3.2),))
        assert codes(layout) == []

    def test_a_ring_is_laid_out_side_by_side(self) -> None:
        ring = path([12.0, 12.0, 12.0, 12.0], [90.0] * 4, closed=True)
        layout = laid(ring, bar(16.0, 17.2))
        assert not np.any((layout.post_m > 16.0) & (layout.post_m < 17.2))
        assert layout.post_m[layout.post_m <= 12.0] == pytest.approx(np.arange(6) * 2.4)
        assert codes(layout) == ["keep-clear-avoided"]

    def test_each_finding_knows_its_posts_among_all(self) -> None:
        """Three legs of ten modules: the pipe of the first test in the second, and one bay on in the third."""
        layout = laid(path([24.0] * 3, [90.0, -90.0]), bar(35.5, 36.5), bar(59.5, 60.5))
        assert [finding.posts for finding in layout.findings] == [(15, 16), (26, 27)]
        for finding in layout.findings:
            rows = [*finding.posts]
            assert finding.post == rows[0]
            assert layout.post_m[rows] == pytest.approx([finding.chainage_m, finding.chainage_to_m])

    def test_many_in_a_row(self) -> None:
        """Each bar is 1.6 m wide, 50 m apart; the layout is checked post by post."""
        bars = [bar(50.0 * i + 0.1, 50.0 * i + 1.7) for i in range(1, 10)]
        layout = laid(path([480.0]), *bars)
        for each in bars:
            assert not np.any((layout.post_m > each.from_m + 1e-6) & (layout.post_m < each.to_m - 1e-6))
        assert layout.width_m.sum() == pytest.approx(480.0)
        assert layout.width_m.min() >= 0.4 - 1e-6
        assert layout.width_m.max() <= 2.4 + 1e-6


class TestBends:
    def test_widths_stay_chords(self) -> None:
        line = arc(60.0, 1.0, 30)
        loose = replace(RULES, line_tolerance_m=0.5)
        plain = laid(line, rules=loose)
        layout = laid(line, bar(float(plain.post_m[5]) - 0.4, float(plain.post_m[5]) + 0.5), rules=loose)
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-6)
        assert layout.width_m.min() >= 0.4 - 1e-5
        assert layout.width_m.max() <= 2.4 + 1e-5
        assert codes(layout) == ["keep-clear-avoided"]

    def test_no_post_is_set_on_a_vertex_that_is_barred(self) -> None:
        line = path([9.0, 9.0], [8.0])
        assert "bend" in laid(line).post_kind
        layout = laid(line, bar(8.5, 9.4))
        assert "bend" not in layout.post_kind
        assert not np.any((layout.post_m > 8.5) & (layout.post_m < 9.4))
        assert "bay-off-line" in codes(layout)

    def test_the_two_rulers_agree_on_a_straight_line(self) -> None:
        bent = _Bent(*(lambda line: (line, line.reversed()))(_line(path([5.0, 7.0, 9.0], [0.0, 0.0]))))
        straight = _Straight()
        for post, width in ((1.0, 2.0), (4.5, 1.2), (13.0, 2.4)):
            assert bent.ahead(post, width) == pytest.approx(straight.ahead(post, width))
            assert bent.behind(post + width, width) == pytest.approx(straight.behind(post + width, width))
            assert bent.width(post, post + width) == pytest.approx(width)

    def test_behind_undoes_ahead_round_bends(self) -> None:
        line = _line(arc(20.0, 0.7, 40))
        bent = _Bent(line, line.reversed())
        for post in np.arange(3.0, 20.0, 0.37):
            assert bent.behind(bent.ahead(float(post), 2.4), 2.4) == pytest.approx(post, abs=1e-9)

    def test_posts_are_outside_in_the_drawing(self) -> None:
        """The barred stretch is what a circle cuts out of the drawing; shapely measures the posts."""
        line = arc(80.0, 2.0, 20)
        picture, centre = drawn(line), drawn(line).interpolate(19.3)
        cut = picture.intersection(centre.buffer(0.8, quad_segs=64))
        ends = [picture.project(shapely.Point(xy)) for xy in (cut.coords[0], cut.coords[-1])]
        layout = laid(line, bar(*ends), rules=replace(RULES, line_tolerance_m=0.3))
        posts = shapely.line_interpolate_point(picture, layout.post_m)
        assert shapely.distance(posts, centre).min() >= 0.8 - 1e-3


def _line(line: Path):
    from geofence.engine.chords import BentLine

    return BentLine.from_turns(line.vertex_m.tolist(), line.deflection_deg.tolist())


class TestNoWay:
    def test_a_keep_clear_wider_than_the_widest_bay(self) -> None:
        layout = lay_out(TEN_MODULES, [], RULES, keep_clear=[bar(10.0, 13.0)], from_m=100.0)
        found = only(layout, "keep-clear-no-layout")
        assert (found.severity, found.chainage_m, found.chainage_to_m) == ("stop", 10.0, 13.0)
        assert "from chainage 110.00 to 113.00 m with its posts clear of gas main (drawing 4, 2026)" in found.message
        # 3.0 m is 0.6 m more than a bay: 0.3 m on each side, or a module of 3.0 m
        assert "a buffer_m of gas main that is 0.300 m less; a module (layout.module_m) of 3.000 m" in found.remedy
        post = only(layout, "post-in-keep-clear")
        assert (post.severity, post.value, post.limit, post.unit) == ("stop", None, None, "")
        assert post.message == "The post stands where none may, near gas main (drawing 4, 2026)"
        assert post.remedy.startswith("Along the line it would be clear 2.000 m back or 1.000 m on;")
        assert layout.post_m[post.post] == pytest.approx(12.0)

    CASES = (
        pytest.param(24.0, 2.2, ((2.0, 2.9), (4.5, 6.0)), id="the first bay ends in one whatever its width"),
        pytest.param(7.0, 1.5, ((1.0, 2.7), (4.1, 4.9)), id="near an end"),
        pytest.param(30.0, 1.2, ((10.0, 12.9), (20.0, 23.0)), id="two too wide"),
    )

    @pytest.mark.parametrize(("length", "narrowest", "bars"), CASES)
    def test_each_remedy_makes_a_way_and_a_millimetre_less_does_not(
        self, length: float, narrowest: float, bars: tuple[tuple[float, float], ...]
    ) -> None:
        rules = replace(RULES, min_bay_m=narrowest)

        layout = laid(path([length]), *(bar(*each) for each in bars), rules=rules)
        remedies = [item.remedy for item in layout.findings if item.code == "keep-clear-no-layout"]
        found = {
            word: max(float(match[1]) for match in matches)  # a buffer is told place by place
            for word, pattern in (
                ("min", r"min_bay_m\) of (\d+\.\d+)"),
                ("module", r"module_m\) of (\d+\.\d+)"),
                ("buffer", r"buffer_m of gas main that is (\d+\.\d+)"),
            )
            if (matches := [match for remedy in remedies if (match := re.search(pattern, remedy))])
        }
        assert {"module", "buffer"} <= set(found)
        if "min" in found:
            assert _leads(length, replace(rules, min_bay_m=found["min"]), bars)
            assert not _leads(length, replace(rules, min_bay_m=found["min"] + 0.002), bars)
        assert _leads(length, replace(rules, module_m=found["module"]), bars)
        assert not _leads(length, replace(rules, module_m=found["module"] - 0.002), bars)
        assert _leads(length, rules, tuple((a + found["buffer"], b - found["buffer"]) for a, b in bars))
        less = found["buffer"] - 0.002
        assert not _leads(length, rules, tuple((a + less, b - less) for a, b in bars))

    def test_as_few_posts_as_can_be_stand_in_it(self) -> None:
        """Two keep-clears of 3 m: one post in each, whatever else moves."""
        layout = laid(path([30.0]), bar(10.0, 13.0), bar(20.0, 23.0), rules=replace(RULES, min_bay_m=1.2))
        inside = [any(a < post < b for a, b in ((10.0, 13.0), (20.0, 23.0))) for post in layout.post_m]
        assert sum(inside) == codes(layout).count("post-in-keep-clear") == 2
        assert codes(layout).count("keep-clear-no-layout") == 2

    def test_posts_that_must_be_where_they_are_are_told_and_nothing_else_breaks(self) -> None:
        line = path([12.0, 12.0], [90.0])
        layout = laid(line, bar(-1.0, 0.5), bar(11.0, 13.0))
        found = [item for item in layout.findings if item.code == "post-in-keep-clear"]
        assert [layout.post_kind[item.post] for item in found] == ["end", "corner"]
        assert ["0.500 m on" in found[0].remedy, "1.000 m back or 1.000 m on" in found[1].remedy] == [True, True]
        assert "The corner post stands where none may" in found[1].message

    def test_a_gate_post_in_it(self) -> None:
        layout = laid(TEN_MODULES, bar(9.0, 10.0), gates=(Gate(name="G1", chainage_m=9.6, width_m=3.0),))
        found = only(layout, "post-in-keep-clear")
        assert layout.post_kind[found.post] == "gate"

    def test_a_span_with_a_trouble_of_its_own_keeps_it(self) -> None:
        """2.6 m with bays of 1.4 m or more has no layout at all; its posts are only told."""
        layout = laid(path([2.6]), bar(1.2, 1.5), rules=replace(RULES, min_bay_m=1.4))
        assert sorted(codes(layout)) == ["bay-under-minimum", "post-in-keep-clear"]


class TestLessBuffer:
    """3.0 m barred where bays have 2.4 m: 0.6 m too much, of one end or of both."""

    @staticmethod
    def ways(*bars: KeepClear) -> list[str]:
        found = [item.remedy for item in laid(TEN_MODULES, *bars).findings if item.code == "keep-clear-no-layout"]
        assert all("layout.module_m" in remedy for remedy in found)
        return [" ".join(re.findall(r"a buffer_m [^;]*", remedy)) for remedy in found]

    @pytest.mark.parametrize(
        ("buffer_m", "told"),
        [(0.0, ""), (0.299, ""), (0.3, "a buffer_m of main that is 0.300 m less")],
        ids=["no buffer at all", "a millimetre short", "just enough"],
    )
    def test_no_more_than_there_is(self, buffer_m: float, told: str) -> None:
        assert self.ways(replace(bar(10.0, 13.0, "main"), buffer_m=buffer_m)) == [told]

    def test_a_zone_is_named_and_all_its_stretches_are_narrower(self) -> None:
        """The oak's other stretch has the same buffer: it is no way of its own."""
        one, other = (replace(bar(*at, "Oak, Oak 1"), zone="Oak", buffer_m=1.0) for at in ((10.0, 13.0), (18.0, 18.1)))
        assert self.ways(one, other) == ["a buffer_m of Oak that is 0.300 m less"]

    def test_either_of_two_that_bar_the_same(self) -> None:
        """A bars 10 to 12.4, B bars 10.6 to 13: A's start comes in by 0.6 m, or B's end."""
        bars = (bar(10.0, 12.4, "A"), bar(10.6, 13.0, "B"))
        assert self.ways(*bars) == ["a buffer_m of A or of B that is 0.600 m less"]

    def test_one_alone_where_the_other_has_none(self) -> None:
        bars = (replace(bar(10.0, 12.6, "A"), buffer_m=1.0), replace(bar(12.0, 13.0, "B"), buffer_m=0.0))
        assert self.ways(*bars) == ["a buffer_m of A that is 0.600 m less"]

    def test_both_where_neither_is_enough(self) -> None:
        """Each may come in by 0.35 m; with 0.2 m less of both a post can stand between them, at 11.4 m."""
        bars = (replace(bar(10.0, 11.6, "A"), buffer_m=0.35), replace(bar(11.2, 13.0, "B"), buffer_m=0.35))
        assert self.ways(*bars) == ["a buffer_m of A and of B that is 0.200 m less"]

    def test_each_place_by_its_own_zone(self) -> None:
        bars = (bar(5.0, 8.0, "A"), bar(15.0, 18.4, "B"))
        assert self.ways(*bars) == [
            "a buffer_m of A that is 0.300 m less",
            "a buffer_m of B that is 0.500 m less",
        ]


class TestAnOpening:
    @staticmethod
    def as_gate(layout: Layout, *, from_m: float = 0.0) -> list[Gate]:
        found = [item.remedy for item in layout.findings if item.code == "keep-clear-no-layout"]
        told = [re.search(r"as a gate \(at_m = (\d+\.\d+), width_m = (\d+\.\d+)\)", remedy) for remedy in found]
        return [
            Gate(name=f"G{row}", chainage_m=float(match[1]) - from_m, width_m=float(match[2]))
            for row, match in enumerate(told)
            if match
        ]

    CASES = (
        pytest.param(24.0, 0.4, ((9.99987, 13.00013),), id="rounded outwards"),
        pytest.param(24.0, 2.2, ((2.0, 2.9), (4.5, 6.0)), id="from the first post"),
        pytest.param(7.0, 1.5, ((1.0, 2.7), (4.1, 4.9)), id="near an end"),
        pytest.param(30.0, 1.2, ((10.0, 12.9), (20.0, 23.0)), id="two places"),
        pytest.param(24.0, 0.4, ((8.0, 13.1),), id="a place wider than two bays"),
        pytest.param(24.0, 2.0, ((10.0, 13.0), (14.2, 15.1)), id="no bay ends right behind"),
        pytest.param(24.0, 0.4, ((20.0, 23.8),), id="less than a bay from the end"),
    )

    @pytest.mark.parametrize(("length", "narrowest", "bars"), CASES)
    @pytest.mark.parametrize("from_m", [0.0, 100.0004])
    def test_makes_a_way_as_told(
        self, length: float, narrowest: float, bars: tuple[tuple[float, float], ...], from_m: float
    ) -> None:
        rules, line, keep = replace(RULES, min_bay_m=narrowest), path([length]), [bar(*each) for each in bars]
        stopped = lay_out(line, [], rules, keep_clear=keep, from_m=from_m)
        gates = self.as_gate(stopped, from_m=from_m)
        assert len(gates) == codes(stopped).count("keep-clear-no-layout")
        before = codes(stopped).count("post-in-keep-clear")
        for gate in gates:
            opened = lay_out(line, [gate], rules, keep_clear=keep, from_m=from_m)
            left = codes(opened).count("post-in-keep-clear")
            assert left == 0 if len(gates) == 1 else left < before
            assert "bay-under-minimum" not in codes(opened)

    def test_two_places_are_two_gates(self) -> None:
        keep = [bar(10.0, 12.9), bar(20.0, 23.0)]
        gates = self.as_gate(laid(path([30.0]), *keep))
        assert [(gate.chainage_m, gate.width_m) for gate in gates] == [(10.0, 2.9), (20.0, 3.0)]
        assert set(codes(laid(path([30.0]), *keep, gates=tuple(gates)))) <= {"keep-clear-avoided"}

    def test_stands_where_bays_lead_on(self) -> None:
        """All bays of 2.0 m to 2.4 m from 13.0 m end between 14.9 m and 15.5 m; one from 13.1 m ends at 15.5 m."""
        bars = (bar(10.0, 13.0), bar(14.9, 15.5))
        (gate,) = self.as_gate(laid(TEN_MODULES, *bars, rules=replace(RULES, min_bay_m=2.0)))
        assert (gate.chainage_m, gate.width_m) == pytest.approx((10.0, 3.1))

    def test_is_not_told_round_a_bend(self) -> None:
        line = path([12.0, 12.0], [8.0])
        layout = laid(line, bar(10.5, 13.5))
        assert "keep-clear-no-layout" in codes(layout)
        assert self.as_gate(layout) == []

    def test_a_place_is_told_once(self) -> None:
        """Wider than two bays: two posts have to stand in it, at one place."""
        layout = laid(TEN_MODULES, bar(8.0, 13.1))
        found = only(layout, "keep-clear-no-layout")
        assert (found.chainage_m, found.chainage_to_m, found.value) == pytest.approx((8.0, 13.1, 5.1))
        assert codes(layout).count("post-in-keep-clear") == 2


class TestHowFarOff:
    """A post at 12 m; 1.5 m off what is drawn, of which 2 m must stay clear."""

    @staticmethod
    def stood(apart_m: float, limit_m: float = 2.0) -> Finding:
        keep = replace(bar(10.0, 13.0), limit_m=limit_m, apart_m=lambda at_m: apart_m + (at_m - 12.0))
        return only(laid(TEN_MODULES, keep), "post-in-keep-clear")

    def test_the_distance_and_the_limit_are_told(self) -> None:
        found = self.stood(1.5)
        assert found.message == (
            "The post stands 1.500 m from gas main (drawing 4, 2026); 2.000 m must stay between that and its centre"
        )
        assert (found.value, found.limit, found.unit) == (pytest.approx(1.5), 2.0, "m")
        assert "clear 2.000 m back or 1.000 m on" in found.remedy

    def test_on_what_is_drawn(self) -> None:
        assert "stands in gas main (drawing 4, 2026) as drawn; 2.000 m must stay" in self.stood(0.0).message
        assert self.stood(0.0, 0.0).message.endswith("as drawn, where none may")

    def test_the_way_out_is_clear_of_all(self) -> None:
        """The corner at 12 m is in A alone; 0.5 m on it would be in B."""
        layout = laid(path([12.0, 12.0], [90.0]), bar(11.0, 12.5, "A"), bar(12.2, 14.0, "B"))
        assert "clear 1.000 m back or 2.000 m on" in only(layout, "post-in-keep-clear").remedy


def _leads(length: float, rules: LayoutRules, bars: tuple[tuple[float, float], ...]) -> bool:
    """Whether bays lead through, by every place in steps of 0.5 mm: not by intervals."""
    step = 2000
    narrow, wide, end = (round(x * step) for x in (rules.min_bay_m, rules.module_m, length))
    free = np.ones(end + 1, dtype=bool)
    for a, b in bars:
        free[round(a * step) + 1 : round(b * step)] = False
    reached = np.zeros(end + 1, dtype=bool)
    reached[0] = True
    total = np.zeros(end + 2, dtype=int)
    for place in range(end + 1):
        if place >= narrow:
            first = max(0, place - wide)
            reached[place] = free[place] and total[place - narrow + 1] > total[first]
        total[place + 1] = total[place] + reached[place]
    return bool(reached[end])


class TestPieces:
    def task(self, *bars: tuple[float, float], length: float = 24.0) -> Task:
        return Task(
            start_m=0.0, end_m=length, module_m=2.4, min_bay_m=0.4, barred=merged(bars), wanted_m=(), cuts_count=1,
            ruler=_Straight(),
        )  # fmt: skip

    def test_a_stretch_is_cut_at_the_edges_and_each_edge_is_free(self) -> None:
        task = self.task((1.0, 2.0), (2.0, 3.0), (5.0, 9.0))
        assert list(parts(task, 0.0, 6.0)) == [
            (0.0, 1.0, False), (1.0, 2.0, True), (2.0, 2.0, False),
            (2.0, 3.0, True), (3.0, 5.0, False), (5.0, 6.0, True),
        ]  # fmt: skip
        assert list(parts(task, 1.0, 1.0)) == [(1.0, 1.0, False)]
        assert list(parts(task, 1.5, 1.5)) == [(1.5, 1.5, True)]

    def test_obstacles_are_told_where_bays_stop(self) -> None:
        assert obstacles(self.task()) == []
        assert obstacles(self.task((10.0, 12.4))) == []
        assert obstacles(self.task((10.0, 12.5))) == [10.0]
        assert obstacles(self.task((10.0, 13.0), (15.0, 18.0))) == [10.0, 15.0]

    def test_nothing_leads_to_a_post_nearer_than_a_bay(self) -> None:
        assert obstacles(self.task(length=0.3)) is None
        assert detour(self.task(length=0.3)) is None
        assert not leads_through(self.task(length=0.3))


def test_the_fence_is_built_round_it() -> None:
    fence = build_fence(
        Profile(chainage_m=[0.0, 24.0], level_m=[50.0, 50.0]),
        TEN_MODULES,
        keep_clear=[bar(11.5, 12.5)],
        layout=RULES,
        levels=LevelRules(
            increment_m=0.05, gap_max_m=0.15, dig_max_m=0.05, step_min_m=0.05, step_max_m=0.6,
            gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0,
        ),
        posts=PostRules(post_reveal_m=0.005, embedment_m=0.55),
        panel=PanelRules(height_m=1.8),
        from_m=100.0,
    )  # fmt: skip
    assert fence.posts.chainage_m[5:7] == pytest.approx([110.8, 113.2])
    assert [item.chainage_m for item in fence.findings] == pytest.approx([110.8])
