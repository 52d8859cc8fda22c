"""From a profile and a path to a fence. (a) Every number follows from the ground and the sentence beside it."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from geofence.engine.fence import build_fence
from geofence.engine.joined import join
from geofence.engine.records import (
    Bays,
    Fence,
    Gate,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Posts,
    Profile,
)
from geofence.engine.stepped import choose_levels
from geofence.errors import LayoutError
from tests.engine.lines import path

LAYOUT = LayoutRules(module_m=2.4, min_bay_m=0.4)
LEVELS = LevelRules(
    increment_m=0.05,
    gap_max_m=0.15,
    dig_max_m=0.10,
    step_min_m=0.05,
    step_max_m=0.60,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=25.0,
    rise_cost=10.0,
)
POSTS = PostRules(post_reveal_m=0.05, embedment_m=0.6)
PANEL = PanelRules(height_m=1.8, gate_clearance_m=0.05)
GATE = Gate(name="G1", chainage_m=4.8, width_m=3.6)


def build(
    profile: Profile,
    line: Path,
    *gates: Gate,
    levels: LevelRules = LEVELS,
    posts: PostRules = POSTS,
    from_m: float = 0.0,
) -> Fence:
    return build_fence(
        profile, line, gates=gates, layout=LAYOUT, levels=levels, posts=posts, panel=PANEL, from_m=from_m
    )


def ground(*points: tuple[float, float]) -> Profile:
    chainage, level = zip(*points, strict=True)
    return Profile(chainage_m=list(chainage), level_m=list(level))


def flat(length_m: float, level_m: float = 10.0) -> Profile:
    return ground((0.0, level_m), (length_m, level_m))


def waves(length_m: float, rng: np.random.Generator, *, closed: bool = False) -> Profile:
    chainage = np.linspace(0.0, length_m, round(length_m / 0.25) + 1)
    level = 50 + 0.6 * np.cumsum(rng.uniform(-0.1, 0.1, len(chainage)))
    if closed:
        level += (level[0] - level[-1]) * chainage / length_m
    return Profile(chainage_m=chainage, level_m=level)


class TestColumns:
    def test_bays_lie_between_their_posts(self) -> None:
        fence = build(flat(20.0), path([20.0]), GATE)
        assert fence.bays.start_m.tolist() == fence.posts.chainage_m[fence.bays.from_post].tolist()
        assert fence.bays.end_m.tolist() == fence.posts.chainage_m[fence.bays.to_post].tolist()
        assert fence.bays.kind == ("full", "full", "gate", "full", "full", "full", "full", "cut")

    def test_a_ring_closes_at_its_first_post(self) -> None:
        fence = build(flat(20.0), path([5.0] * 4, [90.0] * 4, closed=True))
        assert (fence.bays.to_post[-1], fence.bays.end_m[-1]) == (0, 20.0)
        assert len(fence.posts) == len(fence.bays)

    def test_tops_are_undersides_and_the_height(self) -> None:
        bays = build(waves(20.0, np.random.default_rng(0)), path([20.0])).bays
        assert bays.top_from_m - bays.underside_from_m == pytest.approx([1.8] * len(bays))
        assert bays.top_to_m - bays.underside_to_m == pytest.approx([1.8] * len(bays))

    def test_what_is_measured_is_under_the_undersides(self) -> None:
        rng = np.random.default_rng(1)
        profile = waves(30.0, rng)
        fence = build(profile, path([30.0]), GATE)
        at = np.linspace(0, 30, 120_001)
        level = profile.level_at(at)
        for row in range(len(fence.bays)):
            here = (at >= fence.bays.start_m[row] - 1e-9) & (at <= fence.bays.end_m[row] + 1e-9)
            gap = fence.bays.underside_from_m[row] - level[here]
            assert fence.bays.gap_max_m[row] == pytest.approx(gap.max(), abs=1e-4)
            assert fence.bays.dig_max_m[row] == pytest.approx(-gap.min(), abs=1e-4)
            area = np.trapezoid if hasattr(np, "trapezoid") else np.trapz
            assert fence.bays.gap_area_m2[row] == pytest.approx(area(np.maximum(gap, 0), at[here]), abs=1e-3)
            assert fence.bays.dig_area_m2[row] == pytest.approx(area(np.maximum(-gap, 0), at[here]), abs=1e-3)

    def test_the_cost_is_that_of_the_columns(self) -> None:
        bays, cost = (fence := build(waves(60.0, np.random.default_rng(2)), path([60.0]), GATE)).bays, fence.cost
        panel = np.array(bays.kind) != "gate"
        assert cost.gap == pytest.approx(40.0 * bays.gap_area_m2[panel].sum())
        assert cost.dig == pytest.approx(90.0 * bays.dig_area_m2[panel].sum())
        assert cost.step == 25.0 * np.count_nonzero(bays.step_m)
        assert cost.rise == pytest.approx(10.0 * np.abs(bays.step_m).sum())


class TestGates:
    @pytest.mark.parametrize(
        ("level_m", "underside_m"), [(10.0, 10.05), (10.01, 10.1), (10.05, 10.1), (10.0500001, 10.15), (-3.02, -2.95)]
    )
    def test_hang_at_the_lowest_multiple_that_clears_the_ground(self, level_m: float, underside_m: float) -> None:
        fence = build(flat(20.0, level_m), path([20.0]), GATE)
        row = fence.bays.kind.index("gate")
        assert fence.bays.underside_from_m[row] == pytest.approx(underside_m, abs=1e-9)

    def test_in_any_order_keep_what_is_their_own(self) -> None:
        """Over ground at 10.0: a clearance of 0.2 m, and a leaf that passes ground at 10.31 by 0.05 m."""
        low = Gate(name="A", chainage_m=2.0, width_m=1.2, clearance_m=0.2)
        high = Gate(name="B", chainage_m=9.0, width_m=1.2, passes_m=10.31)
        for gates in ((low, high), (high, low)):
            bays = build(flat(20.0), path([20.0]), *gates).bays
            rows = np.flatnonzero(np.array(bays.kind) == "gate")
            assert bays.underside_from_m[rows] == pytest.approx([10.2, 10.4])

    def test_the_highest_ground_may_lie_between_the_posts(self) -> None:
        fence = build(ground((0, 10), (6.0, 10), (6.6, 10.08), (7.2, 10), (20, 10)), path([20.0]), GATE)
        row = fence.bays.kind.index("gate")
        assert fence.bays.underside_from_m[row] == pytest.approx(10.15)
        assert fence.bays.gap_max_m[row] == pytest.approx(0.15)
        assert fence.bays.dig_max_m[row] == pytest.approx(-0.07)
        # 3.6 m x 0.15 m less a triangle of 1.2 m x 0.08 m.
        assert fence.bays.gap_area_m2[row] == pytest.approx(0.54 - 0.048)
        assert fence.bays.dig_area_m2[row] == pytest.approx(0.0, abs=1e-12)
        assert not fence.findings

    def test_a_gap_over_the_limit_is_a_finding(self) -> None:
        fence = build(ground((0, 10), (4.8, 10), (8.4, 10.4), (20, 10.4)), path([20.0]), GATE)
        (finding,) = [item for item in fence.findings if item.code == "gate-gap-over-limit"]
        assert finding.bay == fence.bays.kind.index("gate")
        assert (finding.severity, finding.chainage_m, finding.chainage_to_m) == ("warn", 4.8, pytest.approx(8.4))
        assert (finding.value, finding.limit) == pytest.approx((0.45, 0.15))

    def test_neither_it_nor_the_bay_after_it_steps(self) -> None:
        rng = np.random.default_rng(3)
        for _ in range(5):
            bays = build(waves(30.0, rng), path([30.0]), GATE).bays
            row = bays.kind.index("gate")
            assert bays.step_m[[0, row, row + 1]].tolist() == [0.0, 0.0, 0.0]

    def test_other_bays_step_from_the_bay_before(self) -> None:
        bays = build(waves(60.0, np.random.default_rng(4)), path([60.0]), GATE).bays
        change = np.diff(bays.underside_from_m, prepend=bays.underside_from_m[0])
        gate = np.array(bays.kind) == "gate"
        change[gate | np.roll(gate, 1)] = 0.0
        assert bays.step_m == pytest.approx(change, abs=1e-9)
        assert np.count_nonzero(bays.step_m) > 3

    def test_cut_the_fence_into_sections_that_do_not_know_of_each_other(self) -> None:
        profile = waves(40.0, np.random.default_rng(5))
        bays = build(profile, path([40.0]), GATE).bays
        row = bays.kind.index("gate")
        for part in (slice(0, row), slice(row + 1, None)):
            alone = choose_levels(profile, bays.start_m[part], bays.end_m[part], LEVELS)
            assert bays.underside_from_m[part].tolist() == alone.underside_from_m.tolist()

    def test_posts_at_it_reach_the_higher_side(self) -> None:
        fence = build(flat(20.0), path([20.0]), GATE)
        row = fence.bays.kind.index("gate")
        # The gate hangs at 10.05, its panels' neighbours at 10.00: top 10.05 + 1.80 + 0.05.
        assert fence.posts.top_level_m[[row, row + 1]] == pytest.approx([11.9, 11.9])
        assert fence.posts.support_ahead_m[row] == pytest.approx(1.85)
        assert fence.posts.support_back_m[row] == pytest.approx(1.9)

    def test_a_fence_that_is_all_gate(self) -> None:
        fence = build(flat(3.6), path([3.6]), Gate(name="G1", chainage_m=0.0, width_m=3.6))
        assert fence.bays.kind == ("gate",)
        assert fence.cost.total == 0.0


class TestRings:
    RING = path([12.0] * 4, [90.0] * 4, closed=True)

    def test_the_first_bay_steps_from_the_last(self) -> None:
        bays = build(waves(48.0, np.random.default_rng(6), closed=True), self.RING).bays
        change = bays.underside_from_m - np.roll(bays.underside_from_m, 1)
        assert bays.step_m == pytest.approx(change, abs=1e-9)

    def test_with_a_gate_the_section_runs_over_the_first_post(self) -> None:
        profile = waves(48.0, np.random.default_rng(7), closed=True)
        gate = Gate(name="G1", chainage_m=16.8, width_m=2.4)
        bays = build(profile, self.RING, gate).bays
        row = bays.kind.index("gate")
        turn = 12.0  # The same ring begun at its second corner.
        at = np.sort(np.append(profile.chainage_m[profile.chainage_m >= turn], profile.chainage_m[1:] + 48.0))
        at = at[at <= turn + 48.0]
        begun_later = Profile(chainage_m=at - turn, level_m=profile.level_at(np.where(at > 48.0, at - 48.0, at)))
        other = build(begun_later, self.RING, replace(gate, chainage_m=16.8 - turn)).bays
        there = other.kind.index("gate")
        assert np.roll(bays.underside_from_m, -row) == pytest.approx(np.roll(other.underside_from_m, -there), abs=1e-9)
        assert np.roll(bays.step_m, -row) == pytest.approx(np.roll(other.step_m, -there), abs=1e-9)
        assert bays.step_m[0] == pytest.approx(bays.underside_from_m[0] - bays.underside_from_m[-1], abs=1e-9)


class TestFindings:
    def test_from_every_part_in_order_with_their_rows(self) -> None:
        # A leg of 0.3 m, a bank of 1 m in half a metre, and stock for all posts but one.
        profile = ground((0, 10), (12.8, 10), (13.3, 11), (20, 11))
        posts = replace(POSTS, stock_lengths_m=(3.0,))
        fence = build(profile, path([9.6, 0.3, 10.1], [90.0, 90.0]), posts=posts)
        codes = [item.code for item in fence.findings]
        assert {"bay-under-minimum", "post-extended"} < set(codes)
        assert codes.count("gap-over-limit") + codes.count("dig-over-limit") >= 1
        chainages = [item.chainage_m for item in fence.findings if item.chainage_m is not None]
        assert chainages == sorted(chainages)
        for item in fence.findings:
            if item.bay is not None:
                assert item.chainage_m == pytest.approx(fence.bays.start_m[item.bay])
            if item.post is not None:
                assert item.chainage_m == pytest.approx(fence.posts.chainage_m[item.post])

    def test_rows_of_levels_after_a_gate(self) -> None:
        profile = ground((0, 10), (14.0, 10), (14.5, 11), (20, 11))
        fence = build(profile, path([20.0]), GATE)
        broken = [item for item in fence.findings if item.code in ("gap-over-limit", "dig-over-limit")]
        assert broken
        for item in broken:
            assert item.chainage_m == pytest.approx(fence.bays.start_m[item.bay])
            assert fence.bays.start_m[item.bay] < 14.5 < fence.bays.end_m[item.bay] + 0.5


class TestSeveralRuns:
    def runs(self) -> list[Fence]:
        rng = np.random.default_rng(9)
        bank = ground((0, 10), (5.0, 10), (5.5, 11.5), (12, 11.5))
        return [
            build(waves(20.0, rng), path([20.0]), GATE),
            build(bank, path([12.0]), from_m=20.0),
            build(flat(9.6), path([2.4] * 4, [90.0] * 4, closed=True), from_m=32.0),
        ]

    def test_chainages_begin_where_asked(self) -> None:
        here, there = build(flat(20.0), path([20.0]), GATE), build(flat(20.0), path([20.0]), GATE, from_m=100.0)
        assert there.posts.chainage_m == pytest.approx(here.posts.chainage_m + 100.0)
        assert there.bays.start_m == pytest.approx(here.bays.start_m + 100.0)
        assert there.bays.end_m == pytest.approx(here.bays.end_m + 100.0)
        assert there.bays.underside_from_m.tolist() == here.bays.underside_from_m.tolist()

    def test_findings_and_refusals_begin_there_too(self) -> None:
        bank = ground((0, 10), (5.0, 10), (5.5, 11.5), (12, 11.5))
        here, there = build(bank, path([12.0])), build(bank, path([12.0]), from_m=100.0)
        assert here.findings
        for near, far in zip(here.findings, there.findings, strict=True):
            assert far.chainage_m == pytest.approx((near.chainage_m or 0.0) + 100.0)
            assert (near.chainage_to_m is None) == (far.chainage_to_m is None)
        with pytest.raises(LayoutError) as caught:
            build(flat(20.0), path([20.0]), Gate(name="G1", chainage_m=18.0, width_m=3.6), from_m=100.0)
        assert caught.value.span_m == pytest.approx((118.0, 121.6))

    def test_joined_rows_follow_each_other(self) -> None:
        runs = self.runs()
        whole = join(runs)
        assert len(whole.posts) == sum(len(run.posts) for run in runs)
        for table in (Posts, Bays):
            name = table.__name__.lower()
            for item in fields(table):
                if item.name not in ("from_post", "to_post"):
                    parts = [getattr(getattr(run, name), item.name) for run in runs]
                    assert list(getattr(getattr(whole, name), item.name)) == pytest.approx(
                        [value for part in parts for value in part], nan_ok=True
                    )

    def test_joined_bays_and_findings_point_at_their_own_posts_and_bays(self) -> None:
        whole = join(self.runs())
        assert whole.bays.start_m == pytest.approx(whole.posts.chainage_m[whole.bays.from_post])
        ends = whole.posts.chainage_m[whole.bays.to_post]
        assert whole.bays.end_m[:-1] == pytest.approx(ends[:-1])
        assert whole.bays.to_post[-1] == len(whole.posts) - 4
        assert any(item.bay for item in whole.findings)
        for item in whole.findings:
            if item.bay is not None:
                assert item.chainage_m == pytest.approx(whole.bays.start_m[item.bay])

    def test_joined_costs_add_up(self) -> None:
        runs = self.runs()
        assert join(runs).cost.total == pytest.approx(sum(run.cost.total for run in runs))

    def test_one_run_is_itself(self) -> None:
        run = self.runs()[0]
        assert join([run]) is run
