"""Posts of a layout. (a) Sums of heights, done on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine.layout import lay_out
from geofence.engine.posts import place_posts
from geofence.engine.records import Bays, Finding, Gate, Layout, LayoutRules, PostRules, Posts
from tests.engine.lines import path

RULES = PostRules(post_reveal_m=0.05, embedment_m=0.6)
LINE = lay_out(path([4.8]), [], LayoutRules(module_m=2.4, min_bay_m=0.4))
RING = lay_out(path([2.4] * 3, [120.0] * 3, closed=True), [], LayoutRules(module_m=2.4, min_bay_m=0.4))


def place(
    underside_m: list[float], ground_m: list[float], rules: PostRules = RULES, layout: Layout = LINE
) -> tuple[Posts, tuple[Finding, ...]]:
    bays = level_bays(layout, underside_m)
    return place_posts(layout, bays, ground_level_m=np.array(ground_m), rules=rules)


def level_bays(layout: Layout, underside_m: list[float]) -> Bays:
    underside, nothing = np.array(underside_m), np.zeros(len(underside_m))
    rows = np.arange(len(underside_m))
    return Bays(
        kind=layout.bay_kind,
        from_post=rows,
        to_post=(rows + 1) % len(layout.post_m),
        start_m=layout.bay_start_m,
        end_m=layout.bay_end_m,
        width_m=layout.width_m,
        underside_from_m=underside,
        underside_to_m=underside,
        top_from_m=underside + 1.8,
        top_to_m=underside + 1.8,
        step_m=nothing,
        gap_max_m=nothing,
        dig_max_m=nothing,
        gap_area_m2=nothing,
        dig_area_m2=nothing,
    )


class TestLevels:
    def test_the_top_is_that_of_the_higher_neighbour_and_the_reveal(self) -> None:
        posts, _ = place([10.1, 10.4], [10.0, 10.2, 10.3])
        assert posts.top_level_m == pytest.approx([11.95, 12.25, 12.25])
        assert posts.height_m == pytest.approx([1.95, 2.05, 1.95])

    def test_the_toe_is_below_the_ground(self) -> None:
        posts, _ = place([10.1, 10.4], [10.0, 10.2, 10.3])
        assert posts.toe_level_m == pytest.approx([9.4, 9.6, 9.7])
        assert posts.length_m == pytest.approx([2.55, 2.65, 2.55])

    def test_supports_are_measured_down_from_the_top(self) -> None:
        posts, _ = place([10.1, 10.4], [10.0, 10.2, 10.3])
        assert posts.support_ahead_m == pytest.approx([1.85, 1.85, np.nan], nan_ok=True)
        assert posts.support_back_m == pytest.approx([np.nan, 2.15, 1.85], nan_ok=True)

    def test_a_ring_has_a_panel_on_both_sides_of_every_post(self) -> None:
        posts, _ = place([10.1, 10.4, 10.2], [10.0, 10.0, 10.0], layout=RING)
        assert posts.top_level_m == pytest.approx([12.05, 12.25, 12.25])
        assert posts.support_back_m == pytest.approx([1.85, 2.15, 1.85])
        assert posts.support_ahead_m == pytest.approx([1.95, 1.85, 2.05])

    def test_the_deeper_of_depth_and_share_of_the_height(self) -> None:
        posts, _ = place([10.0, 10.6], [10.0, 10.0, 10.0], replace(RULES, embedment_ratio=0.3))
        assert posts.embedment_m == pytest.approx([0.6, 0.735, 0.735])

    def test_kinds_and_places_are_the_layouts(self) -> None:
        posts, _ = place([10.0, 10.0], [10.0] * 3)
        assert posts.kind == LINE.post_kind
        assert posts.chainage_m.tolist() == LINE.post_m.tolist()


class TestStock:
    @pytest.mark.parametrize(("over_m", "stock_m"), [(0.0001, 2.55), (0.0009, 2.55), (0.0011, 3.0)])
    def test_a_stock_length_reaches_by_a_saw_cut(self, over_m: float, stock_m: float) -> None:
        """(a) lengths are 2.55, 2.65 and 2.55 m, and so much more: up to 1 mm the stock of 2.55 m is as long."""
        rules = replace(RULES, embedment_m=0.6 + over_m, stock_lengths_m=(2.55, 3.0))
        posts, findings = place([10.1, 10.4], [10.0, 10.2, 10.3], rules)
        assert posts.stock_length_m.tolist() == [stock_m, 3.0, stock_m]
        assert not findings

    def test_without_stock_the_length_itself(self) -> None:
        posts, findings = place([10.1, 10.4], [10.0, 10.2, 10.3])
        assert posts.stock_length_m == pytest.approx(posts.length_m)
        assert findings == ()

    def test_the_shortest_that_reaches(self) -> None:
        # Lengths 2.55, 2.65, 2.55, the first and last met to the last bit or nearly so.
        posts, findings = place([10.1, 10.4], [10.0, 10.2, 10.3], replace(RULES, stock_lengths_m=(2.4, 2.55, 3.0)))
        assert posts.stock_length_m.tolist() == [2.55, 3.0, 2.55]
        assert findings == ()

    def test_an_extension_where_none_reaches(self) -> None:
        posts, findings = place([10.1, 10.4], [10.0, 10.2, 10.3], replace(RULES, stock_lengths_m=(2.4, 2.6)))
        assert posts.stock_length_m.tolist() == [2.6, 2.6, 2.6]
        (finding,) = findings
        assert (finding.code, finding.severity, finding.post, finding.unit) == ("post-extended", "warn", 1, "m")
        assert (finding.value, finding.limit, finding.chainage_m) == pytest.approx((2.65, 2.6, 2.4))
        assert finding.remedy


class TestGatePosts:
    OWN = PostRules(post_reveal_m=0.1, embedment_m=0.9, embedment_ratio=0.5, stock_lengths_m=(3.0, 3.5))

    def placed(self, *gates: Gate, rules: PostRules = RULES) -> tuple[Posts, tuple[Finding, ...]]:
        """Bays of 2.4 m but for the gates', level at 10.1 over ground at 10.0."""
        layout = lay_out(path([9.6]), gates, LayoutRules(module_m=2.4, min_bay_m=0.4))
        bays = level_bays(layout, [10.1] * len(layout.bay_kind))
        return place_posts(layout, bays, ground_level_m=np.full(len(layout.post_m), 10.0), rules=rules, gates=gates)

    def test_have_rules_of_their_own(self) -> None:
        """Tops at 11.9 and the reveal; out of the ground 2.0 m at the gate, so that half of it is 1.0 m."""
        posts, findings = self.placed(Gate(name="G", chainage_m=2.4, width_m=2.4, posts=(self.OWN, self.OWN)))
        assert posts.height_m == pytest.approx([1.95, 2.0, 2.0, 1.95, 1.95])
        assert posts.embedment_m == pytest.approx([0.6, 1.0, 1.0, 0.6, 0.6])
        assert posts.stock_length_m == pytest.approx([2.55, 3.0, 3.0, 2.55, 2.55])
        assert findings == ()

    def test_without_any_are_as_others(self) -> None:
        posts, _ = self.placed(Gate(name="G", chainage_m=2.4, width_m=2.4))
        assert set(posts.embedment_m.tolist()) == {0.6}

    def test_between_two_gates_the_deeper_counts(self) -> None:
        deep, shallow = replace(self.OWN, embedment_m=1.3), replace(self.OWN, post_reveal_m=0.2)
        posts, _ = self.placed(
            Gate(name="A", chainage_m=2.4, width_m=2.4, posts=(self.OWN, deep)),
            Gate(name="B", chainage_m=4.8, width_m=2.4, posts=(shallow, self.OWN)),
        )
        assert posts.embedment_m == pytest.approx([0.6, 1.0, 1.3, 1.0, 0.6])
        assert posts.height_m[2] == pytest.approx(2.1)

    def test_longer_than_their_own_stock_is_told(self) -> None:
        """Others need 2.55 m and these 3.0 m: each is held against its own stock."""
        short = replace(self.OWN, stock_lengths_m=(2.0, 2.5))
        gate = Gate(name="G", chainage_m=2.4, width_m=2.4, posts=(short, self.OWN))
        posts, findings = self.placed(gate, rules=replace(RULES, stock_lengths_m=(2.4, 2.6)))
        assert posts.stock_length_m == pytest.approx([2.6, 2.5, 3.0, 2.6, 2.6])
        assert [(item.post, item.limit) for item in findings] == [(1, 2.5)]
