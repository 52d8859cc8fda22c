from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from geofence.engine import candidates
from geofence.engine.records import LevelRules, Profile
from geofence.engine.stepped import Levels, choose_levels, level_findings

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
MODULE_M = 2.0
POST_M = 1e-9


def row_of_bays(count: int) -> tuple[np.ndarray, np.ndarray]:
    edges = np.arange(count + 1) * MODULE_M
    return edges[:-1] + POST_M * (edges[:-1] > 0), edges[1:]


def ground(*points: tuple[float, float]) -> Profile:
    chainage, level = zip(*points, strict=True)
    return Profile(chainage_m=list(chainage), level_m=list(level))


def flat_bays(*level: float) -> Profile:
    """Level ground in each bay of :func:`row_of_bays`; it changes in the width of a post."""
    points = [(0.0, level[0])]
    for bay, (before, after) in enumerate(pairwise(level), 1):
        points += [(bay * MODULE_M, before), (bay * MODULE_M + POST_M, after)]
    return ground(*points, (len(level) * MODULE_M, level[-1]))


def plan(profile: Profile, count: int, rules: LevelRules = RULES, *, closed: bool = False) -> Levels:
    return choose_levels(profile, *row_of_bays(count), rules, closed=closed)


class TestClosedForms:
    """(a) Every number follows from the sentence beside it."""

    @pytest.mark.parametrize("level", [0.0, -3.25, 9000.0, 87.3])
    def test_flat_ground_on_the_lattice_costs_nothing(self, level: float) -> None:
        levels = plan(ground((0, level), (20, level)), 10)
        assert levels.underside_from_m == pytest.approx(np.full(10, level), abs=1e-9)
        assert levels.cost.total == pytest.approx(0.0, abs=1e-9)
        assert (levels.proven, levels.broken.any(), levels.step_m.any()) == ("exact", False, False)

    def test_areas_of_one_bay_on_a_slope(self) -> None:
        # 0.2 m over 2 m; dig at most 0.1 and gap at most 0.15, digging dearer: the underside that minimises
        # 40 b^2 / (2 s) + 90 (0.2 - b)^2 / (2 s) is b = 0.138, on the lattice 0.15: areas 0.15^2 / 0.2, 0.05^2 / 0.2.
        levels = plan(ground((0, 0), (2, 0.2)), 1)
        assert levels.underside_from_m[0] == pytest.approx(0.15)
        assert (levels.gap_max_m[0], levels.dig_max_m[0]) == (pytest.approx(0.15), pytest.approx(0.05))
        assert levels.gap_area_m2[0] == pytest.approx(0.1125)
        assert levels.dig_area_m2[0] == pytest.approx(0.0125)
        assert levels.cost.total == pytest.approx(40 * 0.1125 + 90 * 0.0125)

    def test_the_cost_is_the_sum_of_its_parts(self) -> None:
        levels = plan(flat_bays(1.0, 1.3, 1.3), 3)
        assert levels.underside_from_m == pytest.approx([1.0, 1.3, 1.3])
        assert levels.step_m == pytest.approx([0.0, 0.3, 0.0])
        assert (levels.cost.step, levels.cost.rise) == (25.0, pytest.approx(3.0))
        assert levels.cost.total == pytest.approx(28.0, abs=1e-4)

    def test_a_post_saved_is_worth_a_little_gap(self) -> None:
        # A dip of 0.1 m under one bay: following it costs two steps, 52; bridging it 40 * 0.1 * 2 = 8.
        levels = plan(flat_bays(1.0, 0.9, 1.0), 3)
        assert levels.underside_from_m == pytest.approx([1.0, 1.0, 1.0])
        assert levels.cost.gap == pytest.approx(8.0, abs=1e-4)

    def test_a_clearance_stays_open(self) -> None:
        levels = plan(ground((0, 0.0), (4, 0.02)), 2, replace(RULES, dig_max_m=-0.05))
        assert levels.underside_from_m == pytest.approx([0.1, 0.1])
        assert levels.dig_max_m == pytest.approx([-0.09, -0.08])

    def test_limits_met_exactly_are_kept(self) -> None:
        # In floating point 0.1 + 0.2 > 0.3: a gap of exactly the limit is within it.
        levels = plan(ground((0, 0.0), (2, 0.3)), 1, replace(RULES, gap_max_m=0.3, dig_max_m=0.0))
        assert levels.underside_from_m[0] == pytest.approx(0.3)
        assert not levels.broken.any()


class TestSteps:
    def test_no_step_is_allowed_below_one_increment(self) -> None:
        slope = ground((0, 0.0), (8, 0.1))
        levels = plan(slope, 4, replace(RULES, step_max_m=0.04))
        assert not levels.step_m.any()
        assert not levels.broken.any()

    def test_least_step_beyond_the_increment(self) -> None:
        rising = ground((0, 0.0), (20, 1.0))
        levels = plan(rising, 10, replace(RULES, step_min_m=0.17))
        steps = np.abs(levels.step_m[levels.step_m != 0])
        assert len(steps)
        assert np.all(steps >= 0.2 - 1e-9)
        assert not levels.broken.any()

    def test_limits_need_not_be_multiples_of_the_increment(self) -> None:
        cliff = flat_bays(0.0, 0.0, 0.6, 0.6)
        levels = plan(cliff, 4, replace(RULES, step_max_m=0.47))
        assert np.abs(levels.step_m).max() == pytest.approx(0.45)
        assert not levels.broken.any()

    def test_a_cliff_breaks_one_bay_only(self) -> None:
        levels = plan(flat_bays(0.0, 0.0, 5.0, 5.0), 4)
        assert levels.broken.tolist() == [False, False, True, False]
        assert levels.step_m[2] == pytest.approx(5.0)
        assert levels.proven == "exact"


class TestRings:
    def test_first_step_is_from_the_last_bay(self) -> None:
        levels = plan(flat_bays(0.0, 0.3, 0.3), 3, closed=True)
        assert levels.step_m == pytest.approx([-0.3, 0.3, 0.0])
        assert (levels.cost.step, levels.cost.rise) == (50.0, pytest.approx(6.0))

    def test_a_cliff_at_the_seam_is_seen(self) -> None:
        open_row, ring = (plan(flat_bays(0.0, 0.5, 1.0, 1.5), 4, closed=closed) for closed in (False, True))
        assert open_row.broken.sum() == 0
        assert ring.broken.sum() == 1

    def test_where_a_ring_starts_does_not_matter(self) -> None:
        level = [0.0, 0.3, 0.35, 0.9, 0.62, 0.31, 0.07]
        costs = [plan(flat_bays(*np.roll(level, by)), 7, closed=True).cost.total for by in range(7)]
        assert costs == pytest.approx([costs[0]] * 7, rel=1e-6)

    @pytest.mark.parametrize("count", [1, 2])
    def test_rings_of_one_and_two_bays(self, count: int) -> None:
        levels = plan(flat_bays(*[0.2, 0.5][:count]), count, closed=True)
        assert levels.underside_from_m == pytest.approx([0.2, 0.5][:count])
        assert levels.cost.step == 25.0 * (2 if count == 2 else 0)


class TestGroundThatAllowsNoFence:
    def test_relief_within_a_bay(self) -> None:
        levels = plan(ground((0, 0), (2, 0), (4, 1.0), (6, 1.0)), 3)
        assert levels.broken.tolist() == [False, True, False]
        assert levels.proven == "exact"

    def test_no_multiple_of_the_increment_fits(self) -> None:
        levels = plan(ground((0, 0.5), (20, 0.5)), 10, replace(RULES, increment_m=1.0))
        assert levels.broken.all()
        # A gap of 0.5 m costs 40 a bay, digging as deep 90.
        assert levels.cost.total == pytest.approx(400.0)

    def test_sinkhole(self) -> None:
        levels = plan(ground((0, 0), (9, 0), (10, -80), (11, 0), (20, 0)), 10)
        assert levels.broken.sum() == 2
        assert levels.proven == "exact"

    def test_ten_kilometres_of_steep_ground(self) -> None:
        levels = plan(ground((0, 0), (10_000, 6_000)), 5_000)
        assert levels.broken.all()
        assert levels.proven == "exact"

    def test_limits_without_end(self) -> None:
        endless = replace(RULES, gap_max_m=np.inf, dig_max_m=np.inf, step_max_m=np.inf)
        levels = plan(ground((0, 0), (10, 30), (40, -30)), 20, endless)
        assert not levels.broken.any()
        assert levels.proven == "exact"

    def test_too_many_levels_are_owned_up_to(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(candidates, "MOST_STATES", 2_000)
        free = replace(RULES, gap_cost=0.0)
        levels = plan(ground((0, 0), (200, 120)), 100, free)
        assert levels.proven == "windowed"
        assert levels.broken.all()


class TestTies:
    def test_a_level_is_kept_rather_than_changed_and_else_the_lower_taken(self) -> None:
        free = replace(RULES, gap_cost=0.0, dig_cost=0.0, step_cost=0.0, rise_cost=0.0)
        levels = plan(ground((0, 0.0), (20, 0.0)), 10, free)
        assert levels.underside_from_m == pytest.approx(np.full(10, -0.1))

    def test_both_searches_agree(self, monkeypatch: pytest.MonkeyPatch) -> None:
        s = np.linspace(0, 100, 401)
        rolling = Profile(chainage_m=s, level_m=3 * np.sin(s / 12) + 0.02 * np.sin(7 * s))
        rules = replace(RULES, gap_max_m=0.6, dig_max_m=0.4)
        quick = plan(rolling, 50, rules)
        monkeypatch.setattr(candidates, "MOST_ARRIVALS", 0)
        general = plan(rolling, 50, rules)
        assert not quick.broken.any()
        assert general.underside_from_m.tolist() == quick.underside_from_m.tolist()


class TestRecord:
    def test_arrays_are_read_only(self) -> None:
        levels = plan(ground((0, 0), (4, 0)), 2)
        with pytest.raises(ValueError, match="read-only"):
            levels.underside_from_m[0] = 1.0

    def test_no_bays(self) -> None:
        levels = choose_levels(ground((0, 0), (4, 0)), np.empty(0), np.empty(0), RULES)
        assert len(levels) == 0
        assert levels.cost.total == 0

    def test_bays_need_not_cover_the_profile(self) -> None:
        levels = choose_levels(ground((0, 0), (4, 0), (5, 9)), np.array([1.3]), np.array([3.1]), RULES)
        assert levels.gap_area_m2.tolist() == [0.0]

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"increment_m": 0.0}, "increment of 0.0 m"),
            ({"gap_cost": -1.0}, "gap_cost of -1.0"),
            ({"rise_cost": float("nan")}, "rise_cost of nan"),
            ({"dig_max_m": float("nan")}, "dig_max_m is not a number"),
        ],
    )
    def test_unusable_rules(self, change: dict[str, float], message: str) -> None:
        with pytest.raises(ValueError, match=message):
            plan(ground((0, 0), (4, 0)), 2, replace(RULES, **change))

    def test_a_bay_of_no_width(self) -> None:
        with pytest.raises(ValueError, match="each end beyond its start"):
            choose_levels(ground((0, 0), (4, 0)), np.array([1.0]), np.array([1.0]), RULES)


HILL = ground((0, 0), (2, 0), (4, 1.0), (6, 1.0))


class TestFindings:
    def findings(self, profile: Profile, count: int, rules: LevelRules = RULES) -> list[tuple[str, int | None, str]]:
        levels = plan(profile, count, rules)
        found = level_findings(levels, *row_of_bays(count), rules)
        assert {finding.bay for finding in found} == set(np.flatnonzero(levels.broken).tolist())
        assert {finding.severity for finding in found} <= {"stop"}
        return [(finding.code, finding.bay, finding.remedy) for finding in found]

    def test_none_where_nothing_is_broken(self) -> None:
        assert self.findings(ground((0, 0), (8, 0.2)), 4) == []

    def test_gap_and_step_name_what_cures_them(self) -> None:
        # The middle bay is broken at any level, and cheapest at that of the bay after it. 1 m of relief against the
        # 0.25 m that the limits leave: a quarter of the 2 m module would do.
        room = "or use a narrower module of about 0.50 m: the ground rises 1.000 m within the bay, "
        assert self.findings(HILL, 3) == [
            (
                "gap-over-limit",
                1,
                f"Raise levels.gap_max_m to at least 1, {room}gap_max_m and dig_max_m leave 0.250 m.",
            ),
            ("step-over-limit", 1, "Raise levels.step_max_m to at least 1, or use a narrower module."),
        ]

    def test_gap_and_dig_name_what_cures_them(self) -> None:
        # Without a price on steps the least of 40 b^2 + 90 (1 - b)^2 on the lattice: b = 0.7.
        free = replace(RULES, step_cost=0.0)
        remedies = {code: remedy for code, _, remedy in self.findings(HILL, 3, free)}
        assert remedies["gap-over-limit"].startswith("Raise levels.gap_max_m to at least 0.7, or ")
        assert remedies["dig-over-limit"].startswith("Raise levels.dig_max_m to at least 0.3, or ")

    @pytest.mark.parametrize("change", [{"gap_max_m": 1.0, "step_max_m": 1.0}, {"gap_max_m": 0.7, "dig_max_m": 0.4}])
    def test_the_cure_cures(self, change: dict[str, float]) -> None:
        assert self.findings(HILL, 3, replace(RULES, **change)) == []

    def test_a_narrower_module_cures(self) -> None:
        levels = choose_levels(HILL, np.arange(0, 6, 0.5), np.arange(0.5, 6.5, 0.5), RULES)
        assert not levels.broken.any()

    def test_a_coarse_increment_is_named(self) -> None:
        coarse = replace(RULES, increment_m=1.0)
        assert self.findings(ground((0, 0.5), (2, 0.5)), 1, coarse) == [
            ("gap-over-limit", 0, "Raise levels.gap_max_m to at least 0.5, or set levels.increment_m to at most 0.25.")
        ]
        assert self.findings(ground((0, 0.5), (2, 0.5)), 1, replace(coarse, increment_m=0.25)) == []

    def test_clearance(self) -> None:
        rules = replace(RULES, dig_max_m=-0.05, gap_max_m=0.06, gap_cost=90.0, dig_cost=40.0)
        levels = plan(ground((0, 0), (2, 0.1)), 1, rules)
        codes = {finding.code: finding for finding in level_findings(levels, *row_of_bays(1), rules)}
        assert codes["clearance-under-limit"].limit == 0.05
        assert "0.050 m must stay open" in codes["clearance-under-limit"].message

    def test_steps(self) -> None:
        assert self.findings(flat_bays(0.0, 0.0, 5.0, 5.0), 4) == [
            ("step-over-limit", 2, "Raise levels.step_max_m to at least 5, or use a narrower module.")
        ]
        steep = replace(RULES, step_min_m=0.5, gap_max_m=0.02, dig_max_m=0.02)
        assert self.findings(flat_bays(0.0, 0.0, 0.3, 0.3), 4, steep) == [
            ("step-under-limit", 2, "Lower levels.step_min_m to at most 0.3.")
        ]
