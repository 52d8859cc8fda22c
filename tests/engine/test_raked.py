from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine import bay_ends
from geofence.engine.fence import build_fence
from geofence.engine.raked import RakedLevels, choose_rakes
from geofence.engine.raked_limits import rake_findings
from geofence.engine.records import (
    Fence,
    Finding,
    Gate,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
    RakeRules,
)

RULES = LevelRules(
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
NEVER = RakeRules(rake_max_deg=15.0, steps="never")
ALLOWED = RakeRules(rake_max_deg=15.0, steps="allowed")
MODULE_M = 2.0


def ends(count: int) -> tuple[np.ndarray, np.ndarray]:
    edges = np.arange(count + 1) * MODULE_M
    return edges[:-1], edges[1:]


def ground(*points: tuple[float, float]) -> Profile:
    chainage, level = zip(*points, strict=True)
    return Profile(chainage_m=list(chainage), level_m=list(level))


def plan(
    profile: Profile, count: int, rules: LevelRules = RULES, rake: RakeRules = NEVER, *, closed: bool = False
) -> RakedLevels:
    return choose_rakes(profile, *ends(count), rules, rake, closed=closed)


class TestClosedForms:
    """(a) Every number follows from the sentence beside it."""

    @pytest.mark.parametrize("rake", [NEVER, ALLOWED])
    @pytest.mark.parametrize("level", [0.0, -3.25, 9000.0, 87.3])
    def test_an_even_slope_through_the_lattice_costs_nothing(self, level: float, rake: RakeRules) -> None:
        levels = plan(ground((0, level), (20, level + 4.0)), 10, rake=rake)
        assert levels.underside_from_m == pytest.approx(level + 0.4 * np.arange(10), abs=1e-9)
        assert levels.underside_to_m == pytest.approx(level + 0.4 * np.arange(1, 11), abs=1e-9)
        assert levels.cost.total == pytest.approx(0.0, abs=1e-9)
        assert (levels.proven, levels.broken.any(), levels.step_m.any()) == ("exact", False, False)

    def test_areas_of_one_bay_over_a_ridge(self) -> None:
        # A ridge of 0.2 m in the middle of 2 m. Both ends at 0.15: two triangles of gap 0.75 x 0.15, one of dig
        # 0.5 x 0.05, 40 * 0.1125 + 90 * 0.0125 = 5.625. At 0.10: 40 * 0.05 + 90 * 0.05 = 6.5. From 0.10 to 0.15 the
        # line meets the ridge at 4/7 and 4/3 m: gap 0.1 * 2/7 + 0.05, dig 0.075 * 8/21, 5.714.
        levels = plan(ground((0, 0), (1, 0.2), (2, 0)), 1)
        assert (levels.underside_from_m[0], levels.underside_to_m[0]) == (pytest.approx(0.15), pytest.approx(0.15))
        assert (levels.gap_area_m2[0], levels.dig_area_m2[0]) == (pytest.approx(0.1125), pytest.approx(0.0125))
        assert (levels.gap_max_m[0], levels.dig_max_m[0]) == (pytest.approx(0.15), pytest.approx(0.05))
        assert levels.cost.total == pytest.approx(5.625)

    def test_a_sloping_line_over_a_ridge(self) -> None:
        # The same ridge, where one end may not be at 0.15: the ground falls away by 0.1 m just beside that post.
        levels = plan(ground((0, 0), (1, 0.2), (2 - 1e-9, 0), (2, -0.05)), 1)
        assert (levels.underside_from_m[0], levels.underside_to_m[0]) == (pytest.approx(0.15), pytest.approx(0.1))
        assert levels.gap_area_m2[0] == pytest.approx(0.1 * 2 / 7 + 0.05, abs=1e-8)
        assert levels.dig_area_m2[0] == pytest.approx(0.075 * 8 / 21, abs=1e-8)

    def test_slope_length_and_cut_angle(self) -> None:
        # 0.4 m over 2 m, up and then down.
        levels = plan(ground((0, 0), (2, 0.4), (4, 0)), 2)
        assert levels.slope_length_m == pytest.approx([np.sqrt(4.16)] * 2)
        assert levels.cut_angle_deg == pytest.approx([np.degrees(np.arctan(0.2)), -np.degrees(np.arctan(0.2))])

    def test_width_is_measured_between_posts_where_the_line_bends(self) -> None:
        start, end = ends(1)
        levels = choose_rakes(ground((0, 0), (2, 0.4)), start, end, RULES, NEVER, width_m=np.array([1.6]))
        assert levels.slope_length_m[0] == pytest.approx(np.hypot(1.6, 0.4))
        assert levels.cut_angle_deg[0] == pytest.approx(np.degrees(np.arctan(0.25)))

    def test_a_clearance_stays_open(self) -> None:
        levels = plan(ground((0, 0.0), (4, 0.4)), 2, replace(RULES, dig_max_m=-0.05))
        assert levels.underside_from_m == pytest.approx([0.05, 0.25])
        assert levels.dig_max_m == pytest.approx([-0.05, -0.05])


class TestRakeLimit:
    def test_a_limit_met_exactly_is_kept(self) -> None:
        exactly = replace(NEVER, rake_max_deg=float(np.degrees(np.arctan(0.125))))
        assert not plan(ground((0, 0), (8, 1.0)), 4, rake=exactly).broken.any()

    def test_just_below_it_the_bays_are_broken(self) -> None:
        # Rises of 0.2 m a bay are within it, on ground that rises 0.25: from 0.05 over the ground to 0.05 under it in
        # two bays, a third that is too steep, and one more.
        below = replace(NEVER, rake_max_deg=float(np.degrees(np.arctan(0.125))) - 1e-5)
        tight = replace(RULES, gap_max_m=0.05, dig_max_m=0.05)
        levels = plan(ground((0, 0), (8, 1.0)), 4, tight, below)
        assert levels.broken.sum() == levels.steep.sum() == 1
        assert levels.proven == "exact"

    def test_of_no_slope_at_all_it_is_a_stepped_fence(self) -> None:
        level = RakeRules(rake_max_deg=0.0, steps="allowed")
        levels = plan(ground((0, 0), (8, 0.8)), 4, rake=level)
        assert levels.underside_from_m.tolist() == levels.underside_to_m.tolist()
        assert np.count_nonzero(levels.step_m) == 3


class TestSteps:
    STEEP = ground((0, 0), (8, 3.2))  # 0.8 m a bay: 21.8 degrees
    ROOMY = replace(RULES, gap_max_m=0.30, dig_max_m=0.25)

    def test_rake_and_step_where_the_rake_limit_is_passed(self) -> None:
        # Of 0.8 m a bay may rake 0.5 (15 degrees: 0.536 m), so each post steps by 0.3; no bay is broken.
        levels = plan(self.STEEP, 4, self.ROOMY, ALLOWED)
        assert not levels.broken.any()
        assert levels.underside_to_m - levels.underside_from_m == pytest.approx([0.5] * 4)
        assert levels.step_m == pytest.approx([0.0, 0.3, 0.3, 0.3])
        assert (levels.cost.step, levels.cost.rise) == (75.0, pytest.approx(9.0))

    def test_never_means_never(self) -> None:
        levels = plan(self.STEEP, 4, self.ROOMY, NEVER)
        assert not levels.step_m.any()
        assert levels.broken.any()
        assert levels.steep[levels.broken].all()

    def test_steps_keep_their_limits(self) -> None:
        levels = plan(self.STEEP, 4, replace(self.ROOMY, step_min_m=0.32, step_max_m=0.37), ALLOWED)
        assert not levels.broken.any()
        assert np.abs(levels.step_m[1:]) == pytest.approx([0.35] * 3)

    def test_a_cliff_is_raked_over_in_one_bay(self) -> None:
        cliff = ground((0, 0), (3, 0), (3.1, 5), (8, 5))
        for rake in (NEVER, ALLOWED):
            levels = plan(cliff, 4, rake=rake)
            assert levels.broken.tolist() == [False, True, False, False]
            assert levels.underside_to_m[1] - levels.underside_from_m[1] >= 4.75

    def test_a_bank_right_after_a_post_is_stepped_over_at_the_cost_of_one_bay(self) -> None:
        # At the post the ground is at 0, so the bay after it is broken wherever it begins: a step of 1 m, over its
        # limit, for 25 + 10, or a line from 0 up to 1 m with 1 m2 of dig, for 90.
        levels = plan(ground((0, 0), (4, 0), (4 + 1e-6, 1.0), (8, 1.0)), 4, rake=ALLOWED)
        assert levels.broken.tolist() == [False, False, True, False]
        assert levels.step_m == pytest.approx([0.0, 0.0, 1.0, 0.0])
        assert levels.cost.total == pytest.approx(35.0, abs=1e-3)


class TestRings:
    SAW = (0.0, 0.3, 0.35, 0.5, 0.42, 0.31, 0.07)

    def ring(self, *level: float, rake: RakeRules = NEVER, rules: LevelRules = RULES) -> RakedLevels:
        points = [(post * MODULE_M, at) for post, at in enumerate((*level, level[0]))]
        return plan(ground(*points), len(level), rules, rake, closed=True)

    def test_undersides_meet_at_the_seam(self) -> None:
        levels = self.ring(*self.SAW)
        assert levels.underside_from_m.tolist() == np.roll(levels.underside_to_m, 1).tolist()
        assert not levels.broken.any()

    @pytest.mark.parametrize("rake", [NEVER, ALLOWED, replace(ALLOWED, rake_max_deg=2.0)])
    def test_where_a_ring_starts_does_not_matter(self, rake: RakeRules) -> None:
        found = [self.ring(*np.roll(self.SAW, by), rake=rake) for by in range(7)]
        assert [levels.cost.total for levels in found] == pytest.approx([found[0].cost.total] * 7, rel=1e-9)
        assert [int(levels.broken.sum()) for levels in found] == [int(found[0].broken.sum())] * 7

    def test_a_spiral_is_broken_at_one_bay(self) -> None:
        # Ground that has risen 2 m when the ring comes back: its last bay falls by all of that.
        profile = ground((0, 0), (8, 2.0), (9.9, 2.0), (10, 0))
        assert plan(profile, 5, closed=True).broken.sum() == 1
        assert plan(profile, 5).broken.sum() == 1

    def test_ground_that_does_not_come_back_is_no_crash(self) -> None:
        # Every bay is broken, for a clearance of 0.05 m leaves no room under a gap of 0; the seam lies on a cliff.
        none = replace(RULES, gap_max_m=0.0, dig_max_m=-0.05)
        levels = plan(ground((0, 0), (8, 0), (10, 4)), 5, none, closed=True)
        assert levels.broken.all()
        assert levels.underside_from_m[0] == levels.underside_to_m[-1]

    @pytest.mark.parametrize("rake", [NEVER, ALLOWED])
    @pytest.mark.parametrize("count", [1, 2])
    def test_rings_of_one_and_two_bays(self, count: int, rake: RakeRules) -> None:
        levels = self.ring(*[0.2, 0.5][:count], rake=rake)
        assert levels.underside_from_m == pytest.approx([0.2, 0.5][:count])
        assert levels.underside_to_m == pytest.approx([0.5, 0.2][-count:])
        assert levels.cost.total == pytest.approx(0.0, abs=1e-9)


class TestGroundThatAllowsNoFence:
    def test_a_bump_breaks_its_own_bay(self) -> None:
        levels = plan(ground((0, 0), (2.5, 0), (3, 0.6), (3.5, 0), (8, 0)), 4)
        assert levels.broken.tolist() == [False, True, False, False]
        assert levels.proven == "exact"

    def test_no_multiple_of_the_increment_fits(self) -> None:
        # Undersides at 0 or at 1 m over ground at 0.5 m: a gap of 0.5 m costs 40 a bay, digging as deep 90, and from
        # the one to the other (40 + 90) / 4.
        levels = plan(ground((0, 0.5), (20, 0.5)), 10, replace(RULES, increment_m=1.0), RakeRules(rake_max_deg=40.0))
        assert levels.broken.all()
        assert levels.cost.total == pytest.approx(325.0)

    def test_two_kilometres_of_steep_ground(self) -> None:
        levels = plan(ground((0, 0), (2_000, 1_200)), 1_000)
        assert levels.proven == "exact"
        assert not levels.step_m.any()

    def test_limits_without_end_are_owned_up_to(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(bay_ends, "NEAR_PAIRS", 20_000)
        endless = replace(RULES, gap_max_m=np.inf, dig_max_m=np.inf, step_max_m=np.inf)
        levels = plan(ground((0, 0), (10, 2), (40, -2)), 20, endless)
        assert not levels.broken.any()
        assert levels.proven == "windowed"

    @pytest.mark.parametrize("rake", [NEVER, ALLOWED])
    def test_too_many_ends_of_broken_bays_are_owned_up_to(
        self, rake: RakeRules, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        rough = ground(*((s, 8 * np.sin(s)) for s in np.arange(0, 40.1, 0.5)))
        exact = plan(rough, 20, rake=rake)
        monkeypatch.setattr(bay_ends, "MOST_PAIRS", 5_000)
        monkeypatch.setattr(bay_ends, "NEAR_PAIRS", 5_000)
        levels = plan(rough, 20, rake=rake)
        assert (exact.proven, levels.proven) == ("exact", "windowed")
        assert levels.broken.sum() >= exact.broken.sum()


class TestTies:
    def test_the_lower_and_flatter_is_taken(self) -> None:
        free = replace(RULES, gap_cost=0.0, dig_cost=0.0, step_cost=0.0, rise_cost=0.0)
        for rake in (NEVER, ALLOWED):
            levels = plan(ground((0, 0.0), (20, 0.0)), 10, free, rake)
            assert levels.underside_from_m == pytest.approx(np.full(10, -0.1))
            assert levels.underside_to_m == pytest.approx(np.full(10, -0.1))


class TestRecord:
    def test_arrays_are_read_only(self) -> None:
        with pytest.raises(ValueError, match="read-only"):
            plan(ground((0, 0), (4, 0)), 2).underside_to_m[0] = 1.0

    def test_no_bays(self) -> None:
        levels = choose_rakes(ground((0, 0), (4, 0)), np.empty(0), np.empty(0), RULES, NEVER)
        assert (len(levels), levels.cost.total) == (0, 0)

    @pytest.mark.parametrize("limit", [-1.0, 89.5, float("nan")])
    def test_unusable_rake_limits(self, limit: float) -> None:
        with pytest.raises(ValueError, match="rake_max_deg"):
            plan(ground((0, 0), (4, 0)), 2, rake=RakeRules(rake_max_deg=limit))

    def test_unusable_rules(self) -> None:
        with pytest.raises(ValueError, match="gap_cost"):
            plan(ground((0, 0), (4, 0)), 2, replace(RULES, gap_cost=-1.0))


class TestFindings:
    BUMP = ground((0, 0), (2.5, 0), (3, 0.6), (3.5, 0), (8, 0))
    SLOPE = ground((0, 0), (8, 3.2))

    def found(
        self, profile: Profile, rules: LevelRules = RULES, rake: RakeRules = NEVER, count: int = 4
    ) -> tuple[Finding, ...]:
        levels = plan(profile, count, rules, rake)
        found = rake_findings(levels, profile, *ends(count), rules, rake)
        assert {finding.bay for finding in found} == set(np.flatnonzero(levels.broken).tolist())
        assert {finding.severity for finding in found} <= {"stop"}
        return found

    def test_none_where_nothing_is_broken(self) -> None:
        assert self.found(ground((0, 0), (8, 0.8))) == ()

    def test_ground_that_no_line_fits_asks_for_a_narrower_module(self) -> None:
        # About a bump of 0.6 m in the middle of level ground every straight line has 0.6 m of relief.
        (finding,) = (finding for finding in self.found(self.BUMP) if finding.code == "dig-over-limit")
        assert finding.remedy.endswith(
            "or use a narrower module: the ground strays 0.600 m about a straight line, gap_max_m and dig_max_m leave "
            "0.250 m."
        )
        assert (finding.chainage_m, finding.chainage_to_m) == (2.0, 4.0)

    def test_too_steep_a_bay_says_by_how_much(self) -> None:
        found = self.found(self.SLOPE, replace(RULES, gap_max_m=0.0, dig_max_m=0.0))
        steep = [finding for finding in found if finding.code == "rake-over-limit"]
        assert [finding.bay for finding in steep] == [0, 1, 2, 3]
        # 0.8 m in 2 m is atan 0.4 = 21.8014 degrees.
        assert steep[0].message == "The bay rises at 21.80 deg, 15 deg is allowed."
        assert steep[0].remedy == "Raise levels.rake_max_deg to at least 21.81, or let it step at posts (levels.steps)."
        assert (steep[0].value, steep[0].limit, steep[0].unit) == (pytest.approx(21.8014, abs=1e-4), 15.0, "deg")

    @pytest.mark.parametrize(
        "rake", [RakeRules(rake_max_deg=21.81), RakeRules(rake_max_deg=15.0, steps="allowed")], ids=["raked", "stepped"]
    )
    def test_the_cures_of_too_steep_a_bay_cure(self, rake: RakeRules) -> None:
        roomy = replace(RULES, gap_max_m=0.3, dig_max_m=0.25)
        assert self.found(self.SLOPE, roomy)
        assert not self.found(self.SLOPE, roomy, rake)

    def test_a_steeper_rake_is_named_where_it_would_do(self) -> None:
        # One bay on a slope of 0.8 in 2 m, where level lines are kept within the rake limit of 0 by its price: with the
        # room of 0.25 m the line must rise by 0.8 - 0.25 = 0.55 m, atan 0.275 = 15.376 degrees.
        rules, rake = replace(RULES, gap_max_m=0.15), RakeRules(rake_max_deg=10.0)
        levels = plan(ground((0, 0), (2, 0.8)), 1, rules, rake)
        found = rake_findings(levels, ground((0, 0), (2, 0.8)), *ends(1), rules, rake)
        assert [finding.code for finding in found] == ["rake-over-limit"]
        flat = replace(levels, underside_to_m=levels.underside_from_m.copy(), gap_max_m=np.array([0.4]))
        (finding, *_) = rake_findings(flat, ground((0, 0), (2, 0.8)), *ends(1), rules, rake)
        assert finding.remedy == (
            "Raise levels.gap_max_m to at least 0.4, or raise levels.rake_max_deg to at least 15.38."
        )

    def test_a_coarse_increment_is_named(self) -> None:
        coarse = replace(RULES, increment_m=1.0, dig_cost=1e3)
        found = self.found(ground((0, 0.5), (2, 0.5)), coarse, RakeRules(rake_max_deg=0.0), count=1)
        assert [finding.remedy for finding in found] == [
            "Raise levels.gap_max_m to at least 0.5, or use a finer levels.increment_m."
        ]

    @pytest.mark.parametrize(("step", "code"), [(0.7, "step-over-limit"), (-0.02, "step-under-limit")])
    def test_steps_are_told_as_those_of_stepped_fences(self, step: float, code: str) -> None:
        flat = ground((0, 0), (8, 0))
        broken = np.array([False, False, True, False])
        levels = replace(plan(flat, 4, rake=ALLOWED), step_m=step * broken, broken=broken)
        (finding,) = rake_findings(levels, flat, *ends(4), RULES, ALLOWED)
        assert (finding.code, finding.bay, finding.chainage_m) == (code, 2, 4.0)
        assert finding.value == pytest.approx(abs(step))

    def test_neighbours_that_keep_a_bay_from_fitting_are_named(self) -> None:
        flat = ground((0, 0), (8, 0))
        broken = np.array([False, True, False, False])
        levels = replace(plan(flat, 4), gap_max_m=np.where(broken, 0.2, 0.0), broken=broken)
        remedy = {rake: rake_findings(levels, flat, *ends(4), RULES, rake)[0].remedy for rake in (NEVER, ALLOWED)}
        assert "let it step at posts (levels.steps), for the neighbours keep the bay" in remedy[NEVER]
        assert "widen levels.step_min_m to levels.step_max_m" in remedy[ALLOWED]

    def test_clearance(self) -> None:
        rules = replace(RULES, dig_max_m=-0.05, gap_max_m=0.06, gap_cost=90.0, dig_cost=40.0)
        codes = {finding.code for finding in self.found(ground((0, 0), (1, 0.1), (2, 0)), rules, count=1)}
        assert "clearance-under-limit" in codes


def fence(profile: Profile, *, gates: tuple[Gate, ...] = (), rake: RakeRules | None = NEVER) -> Fence:
    return build_fence(
        profile,
        Path(vertex_m=[0.0, 8.0], deflection_deg=[0.0, 0.0]),
        gates=gates,
        layout=LayoutRules(module_m=2.0, min_bay_m=0.5),
        levels=RULES,
        posts=PostRules(post_reveal_m=0.05, embedment_m=0.6),
        panel=PanelRules(height_m=1.8),
        slope="rake" if rake else "step",
        rake=rake,
    )


class TestFence:
    SLOPE = ground((0, 10.0), (8, 11.6))  # 0.4 m a bay

    def test_posts_reach_over_the_panels_as_they_are_at_the_post(self) -> None:
        made = fence(self.SLOPE)
        assert made.bays.underside_from_m == pytest.approx([10.0, 10.4, 10.8, 11.2])
        assert made.bays.top_to_m == pytest.approx([12.2, 12.6, 13.0, 13.4])
        assert made.posts.top_level_m == pytest.approx([11.85, 12.25, 12.65, 13.05, 13.45])
        assert made.posts.support_ahead_m == pytest.approx([1.85] * 4 + [np.nan], nan_ok=True)
        assert made.posts.support_back_m == pytest.approx([np.nan] + [1.85] * 4, nan_ok=True)

    def test_where_bays_step_the_higher_top_counts_and_each_support_is_its_own(self) -> None:
        # 0.8 m a bay, of which 0.55 may be raked (16 degrees: 0.573 m); 0.25 is what gap and dig leave, and the step.
        made = fence(ground((0, 10.0), (8, 13.2)), rake=RakeRules(rake_max_deg=16.0, steps="allowed"))
        assert made.bays.step_m == pytest.approx([0.0, 0.25, 0.25, 0.25])
        assert made.posts.support_ahead_m[:-1] == pytest.approx([1.85] * 4)
        assert made.posts.support_back_m[1:] == pytest.approx([2.10, 2.10, 2.10, 1.85])

    def test_a_gate_stays_level_and_is_not_raked(self) -> None:
        made = fence(self.SLOPE, gates=(Gate(name="G", chainage_m=4.0, width_m=2.0),))
        (row,) = (row for row, kind in enumerate(made.bays.kind) if kind == "gate")
        # It clears the highest ground of its opening, 11.2 m, by 0.05 m.
        assert made.bays.underside_from_m[row] == made.bays.underside_to_m[row] == pytest.approx(11.25)
        assert np.isnan(made.bays.slope_length_m).tolist() == [False, False, True, False]
        assert made.bays.cut_angle_deg[[0, 1, 3]] == pytest.approx([np.degrees(np.arctan(0.2))] * 3)
        assert made.cost.total == pytest.approx(0.0, abs=1e-9)

    def test_a_stepped_fence_has_neither_slope_nor_cut(self) -> None:
        made = fence(self.SLOPE, rake=None)
        assert np.isnan(made.bays.slope_length_m).all()
        assert np.isnan(made.bays.cut_angle_deg).all()

    def test_slope_and_rake_go_together(self) -> None:
        rules = {
            "layout": LayoutRules(module_m=2.0, min_bay_m=0.5),
            "levels": RULES,
            "posts": PostRules(post_reveal_m=0.0, embedment_m=0.6),
            "panel": PanelRules(height_m=1.8),
        }
        line = Path(vertex_m=[0.0, 8.0], deflection_deg=[0.0, 0.0])
        with pytest.raises(ValueError, match="slope='rake' does not go with rake=None"):
            build_fence(self.SLOPE, line, **rules, slope="rake")
        with pytest.raises(ValueError, match="slope='step' does not go with"):
            build_fence(self.SLOPE, line, **rules, rake=NEVER)
