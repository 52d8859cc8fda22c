"""Rules that the levels of any stepped fence keep, whatever the ground and the limits."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.engine.records import LevelRules, Profile
from geofence.engine.stepped import Levels, choose_levels, level_findings

MODULE_M = 2.0
PIECES = 4
quick = settings(max_examples=60, deadline=None)

costs = st.sampled_from([0.0, 1.0, 10.0, 25.0, 90.0])
rules = st.builds(
    LevelRules,
    increment_m=st.sampled_from([0.05, 0.1, 0.3]),
    gap_max_m=st.sampled_from([0.0, 0.1, 0.15, 0.4, 2.0]),
    dig_max_m=st.sampled_from([-0.05, 0.0, 0.1, 0.4, 2.0]),
    step_min_m=st.sampled_from([0.0, 0.05, 0.2]),
    step_max_m=st.sampled_from([0.0, 0.1, 0.3, 0.6]),
    gap_cost=costs,
    dig_cost=costs,
    step_cost=costs,
    rise_cost=costs,
)


@st.composite
def rows(draw: st.DrawFn) -> Profile:
    bays = draw(st.integers(1, 8))
    rough = draw(st.sampled_from([0.02, 0.1, 0.4]))
    changes = draw(st.lists(st.floats(-1, 1), min_size=bays * PIECES, max_size=bays * PIECES))
    level = draw(st.sampled_from([0.0, -7.3, 250.0])) + rough * np.cumsum([0.0, *changes])
    return Profile(chainage_m=np.arange(len(level)) * MODULE_M / PIECES, level_m=level)


def plan(profile: Profile, rules: LevelRules, *, closed: bool) -> Levels:
    edges = profile.chainage_m[::PIECES]
    return choose_levels(profile, edges[:-1], edges[1:], rules, closed=closed)


def rank(levels: Levels) -> tuple[int, float]:
    return int(levels.broken.sum()), levels.cost.total


class TestSymmetry:
    @quick
    @given(rows(), rules, st.booleans())
    def test_reversing_an_unbroken_line_keeps_its_cost(self, profile: Profile, rules: LevelRules, closed: bool) -> None:
        # A broken step belongs to the bay after it, so only fences without broken bays mirror exactly.
        mirrored = Profile(chainage_m=profile.chainage_m, level_m=profile.level_m[::-1])
        there, back = plan(profile, rules, closed=closed), plan(mirrored, rules, closed=closed)
        assert there.broken.any() == back.broken.any()
        if not there.broken.any():
            assert back.cost.total == pytest.approx(there.cost.total, rel=1e-9, abs=1e-9)

    @quick
    @given(rows(), rules, st.booleans(), st.integers(-500, 500))
    def test_raising_the_ground_raises_the_fence(
        self, profile: Profile, rules: LevelRules, closed: bool, by: int
    ) -> None:
        raised = Profile(chainage_m=profile.chainage_m, level_m=profile.level_m + by * rules.increment_m)
        before, after = plan(profile, rules, closed=closed), plan(raised, rules, closed=closed)
        # Two choices of levels can cost the same to the last digit, which rounding at the other level then decides.
        assert rank(after) == pytest.approx(rank(before), rel=1e-9, abs=1e-7)
        moved = after.underside_from_m / rules.increment_m
        assert moved == pytest.approx(np.round(moved), abs=1e-6)

    @pytest.mark.parametrize("by", [-140, -1, 1, 37, 500])
    @pytest.mark.parametrize("closed", [False, True])
    def test_without_ties_every_level_moves_with_the_ground(self, closed: bool, by: int) -> None:
        step = np.arange(25)
        profile = Profile(chainage_m=step * MODULE_M / PIECES, level_m=80 + 0.31 * np.sin(step * 0.7) + 0.013 * step)
        rules = LevelRules(
            increment_m=0.05, gap_max_m=0.4, dig_max_m=0.3, step_min_m=0.05, step_max_m=0.6,
            gap_cost=40.0, dig_cost=90.0, step_cost=2.5, rise_cost=1.0,
        )  # fmt: skip
        raised = Profile(chainage_m=profile.chainage_m, level_m=profile.level_m + by * rules.increment_m)
        before, after = plan(profile, rules, closed=closed), plan(raised, rules, closed=closed)
        assert np.count_nonzero(before.step_m) > 1
        assert after.underside_from_m == pytest.approx(before.underside_from_m + by * rules.increment_m, abs=1e-6)


class TestLimits:
    @quick
    @given(rows(), rules, st.booleans())
    def test_unbroken_bays_keep_every_limit(self, profile: Profile, rules: LevelRules, closed: bool) -> None:
        levels = plan(profile, rules, closed=closed)
        kept = ~levels.broken
        steps = np.abs(levels.step_m[kept])
        assert np.all(levels.gap_max_m[kept] <= rules.gap_max_m + 1e-6)
        assert np.all(levels.dig_max_m[kept] <= rules.dig_max_m + 1e-6)
        assert np.all(steps <= rules.step_max_m + 1e-6)
        assert np.all((steps == 0) | (steps >= rules.step_min_m - 1e-6))
        lattice = levels.underside_from_m / rules.increment_m
        assert lattice == pytest.approx(np.round(lattice), abs=1e-6)

    @quick
    @given(rows(), rules, st.booleans())
    def test_each_broken_bay_has_findings_and_no_other(self, profile: Profile, rules: LevelRules, closed: bool) -> None:
        levels = plan(profile, rules, closed=closed)
        edges = profile.chainage_m[::PIECES]
        found = level_findings(levels, edges[:-1], edges[1:], rules)
        assert {finding.bay for finding in found} == set(np.flatnonzero(levels.broken).tolist())
        assert all(finding.remedy and finding.value is not None and finding.limit is not None for finding in found)

    @quick
    @given(
        rows(),
        rules,
        st.booleans(),
        st.sampled_from([("gap_max_m", -0.1), ("dig_max_m", -0.1), ("step_max_m", -0.2), ("step_min_m", 0.15)]),
    )
    def test_a_tighter_limit_is_never_better(
        self, profile: Profile, rules: LevelRules, closed: bool, change: tuple[str, float]
    ) -> None:
        name, by = change
        tighter = replace(rules, **{name: getattr(rules, name) + by})
        loose, tight = rank(plan(profile, rules, closed=closed)), rank(plan(profile, tighter, closed=closed))
        assert tight[0] >= loose[0]
        if tight[0] == loose[0]:
            assert tight[1] >= loose[1] - 1e-9 * max(1.0, loose[1])

    @quick
    @given(rows(), rules)
    def test_closing_a_row_is_never_better(self, profile: Profile, rules: LevelRules) -> None:
        free, ring = rank(plan(profile, rules, closed=False)), rank(plan(profile, rules, closed=True))
        assert ring[0] >= free[0]
        if ring[0] == free[0]:
            assert ring[1] >= free[1] - 1e-9 * max(1.0, free[1])


class TestFlatGround:
    @quick
    @given(st.integers(-1000, 1000), st.integers(1, 9), rules, st.booleans())
    def test_costs_nothing_where_a_level_lies_on_it(self, at: int, bays: int, rules: LevelRules, closed: bool) -> None:
        rules = replace(rules, dig_max_m=max(0.0, rules.dig_max_m))
        chainage = np.arange(bays * PIECES + 1) * MODULE_M / PIECES
        profile = Profile(chainage_m=chainage, level_m=np.full(len(chainage), at * rules.increment_m))
        levels = plan(profile, rules, closed=closed)
        assert levels.cost.total == pytest.approx(0.0, abs=1e-9)
        assert not levels.broken.any()


class TestOptimality:
    @quick
    @given(rows(), rules, st.booleans(), st.data())
    def test_no_single_bay_can_be_moved_for_the_better(
        self, profile: Profile, rules: LevelRules, closed: bool, data: st.DataObject
    ) -> None:
        levels = plan(profile, rules, closed=closed)
        bay = data.draw(st.integers(0, len(levels) - 1))
        moved = levels.underside_from_m.copy()
        moved[bay] += rules.increment_m * data.draw(st.integers(-12, 12))
        assert priced(profile, moved, rules, closed=closed) >= (rank(levels)[0], rank(levels)[1] - 1e-7)


def priced(profile: Profile, underside: np.ndarray, rules: LevelRules, *, closed: bool) -> tuple[int, float]:
    """Broken bays and cost of given levels, by the midpoints of a fine mesh (exact to the mesh: 1e-7 here)."""
    total, broken = 0.0, np.zeros(len(underside), dtype=bool)
    for bay, level in enumerate(underside):
        at = slice(bay * PIECES, (bay + 1) * PIECES + 1)
        above = level - profile.level_m[at]
        crossing = [
            (profile.chainage_m[at][piece] + MODULE_M / PIECES * a / (a - b), 0.0)
            for piece, (a, b) in enumerate(pairwise(above))
            if a * b < 0
        ]
        points = np.array(sorted([*zip(profile.chainage_m[at], above, strict=True), *crossing]))
        total += rules.gap_cost * np.trapezoid(np.maximum(points[:, 1], 0), points[:, 0])
        total += rules.dig_cost * np.trapezoid(np.maximum(-points[:, 1], 0), points[:, 0])
        broken[bay] = above.max() > rules.gap_max_m + 1e-7 or -above.min() > rules.dig_max_m + 1e-7
    step = np.round((underside - np.roll(underside, 1)) / rules.increment_m) * rules.increment_m
    step = np.abs(step if closed else np.append(0.0, step[1:]))
    broken |= (step > 0) & ((step < rules.step_min_m - 1e-7) | (step > rules.step_max_m + 1e-7))
    total += rules.step_cost * np.count_nonzero(step) + rules.rise_cost * step.sum()
    return int(broken.sum()), float(total)
