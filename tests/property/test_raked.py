"""Rules that the levels of any raked fence keep, whatever the ground and the limits."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.engine.raked import RakedLevels, choose_rakes
from geofence.engine.raked_limits import rake_findings
from geofence.engine.records import LevelRules, Profile, RakeRules
from geofence.engine.stepped import choose_levels

MODULE_M = 2.0
PIECES = 3
quick = settings(max_examples=50, deadline=None)

costs = st.sampled_from([0.0, 1.0, 10.0, 25.0, 90.0])
rules = st.builds(
    LevelRules,
    increment_m=st.sampled_from([0.1, 0.3]),
    gap_max_m=st.sampled_from([0.0, 0.1, 0.15, 0.4]),
    dig_max_m=st.sampled_from([-0.05, 0.0, 0.1, 0.4]),
    step_min_m=st.sampled_from([0.0, 0.1, 0.2]),
    step_max_m=st.sampled_from([0.0, 0.1, 0.3, 0.6]),
    gap_cost=costs,
    dig_cost=costs,
    step_cost=costs,
    rise_cost=costs,
)
rakes = st.builds(
    RakeRules, rake_max_deg=st.sampled_from([0.0, 3.0, 8.0, 20.0]), steps=st.sampled_from(["never", "allowed"])
)


@st.composite
def rows(draw: st.DrawFn, *, ring: bool = False) -> Profile:
    """Ground of some bays; of a ``ring``, it comes back to where it began."""
    bays = draw(st.integers(1, 6))
    rough = draw(st.sampled_from([0.02, 0.1, 0.3]))
    changes = draw(st.lists(st.floats(-1, 1), min_size=bays * PIECES, max_size=bays * PIECES))
    level = draw(st.sampled_from([0.0, -7.3, 250.0])) + rough * np.cumsum([0.0, *changes])
    if ring:
        level = level - np.linspace(0, level[-1] - level[0], len(level))
    return Profile(chainage_m=np.arange(len(level)) * MODULE_M / PIECES, level_m=level)


Line = tuple[Profile, bool]
lines = st.booleans().flatmap(lambda closed: st.tuples(rows(ring=closed), st.just(closed)))
"""Ground, and whether it is that of a ring."""


def ends(profile: Profile) -> tuple[np.ndarray, np.ndarray]:
    return profile.chainage_m[:-1:PIECES], profile.chainage_m[PIECES::PIECES]


def plan(profile: Profile, rules: LevelRules, rake: RakeRules, *, closed: bool = False) -> RakedLevels:
    return choose_rakes(profile, *ends(profile), rules, rake, closed=closed)


def rank(levels: RakedLevels) -> tuple[int, float]:
    return int(levels.broken.sum()), levels.cost.total


def no_better(one: tuple[int, float], than: tuple[int, float]) -> bool:
    """Whether a rank is no better than another, costs to rounding."""
    return one[0] > than[0] or (one[0] == than[0] and one[1] >= than[1] - 1e-9 * max(1.0, than[1]))


class TestSymmetry:
    @quick
    @given(lines, rules, rakes)
    def test_reversing_the_line_keeps_its_cost(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        # A broken step belongs to the bay after it, so with steps only fences without broken bays mirror exactly.
        mirrored = Profile(chainage_m=profile.chainage_m, level_m=profile.level_m[::-1])
        there, back = plan(profile, rules, rake, closed=closed), plan(mirrored, rules, rake, closed=closed)
        assert there.broken.any() == back.broken.any()
        if rake.steps == "never" or not there.broken.any():
            assert rank(back) == pytest.approx(rank(there), rel=1e-9, abs=1e-9)

    @quick
    @given(lines, rules, rakes, st.integers(-500, 500))
    def test_raising_the_ground_keeps_the_cost(self, line: Line, rules: LevelRules, rake: RakeRules, by: int) -> None:
        profile, closed = line
        raised = Profile(chainage_m=profile.chainage_m, level_m=profile.level_m + by * rules.increment_m)
        before, after = plan(profile, rules, rake, closed=closed), plan(raised, rules, rake, closed=closed)
        assert rank(after) == pytest.approx(rank(before), rel=1e-9, abs=1e-7)


class TestLimits:
    @quick
    @given(lines, rules, rakes)
    def test_unbroken_bays_keep_every_limit(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        levels = plan(profile, rules, rake, closed=closed)
        kept = ~levels.broken
        steps = np.abs(levels.step_m[kept])
        assert np.all(levels.gap_max_m[kept] <= rules.gap_max_m + 1e-6)
        assert np.all(levels.dig_max_m[kept] <= rules.dig_max_m + 1e-6)
        assert np.all(np.abs(levels.cut_angle_deg[kept]) <= rake.rake_max_deg + 1e-4)
        assert np.all(steps <= rules.step_max_m + 1e-6)
        assert np.all((steps == 0) | (steps >= rules.step_min_m - 1e-6))
        for underside in (levels.underside_from_m, levels.underside_to_m):
            assert underside / rules.increment_m == pytest.approx(np.round(underside / rules.increment_m), abs=1e-6)

    @quick
    @given(lines, rules, rakes)
    def test_undersides_meet_where_there_are_never_steps(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        levels = plan(profile, rules, replace(rake, steps="never"), closed=closed)
        assert levels.underside_from_m[1:].tolist() == levels.underside_to_m[:-1].tolist()
        if closed:
            assert levels.underside_from_m[0] == levels.underside_to_m[-1]

    @quick
    @given(lines, rules, rakes)
    def test_no_post_holds_a_bay_beyond_its_ground(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        levels = plan(profile, rules, rake, closed=closed)
        ground = np.array([profile.level_m[at * PIECES : (at + 1) * PIECES + 1] for at in range(len(levels))])
        above, below = max(rules.gap_max_m, -rules.dig_max_m), max(rules.dig_max_m, 0.0)
        for underside in (levels.underside_from_m, levels.underside_to_m):
            assert np.all(underside <= ground.max(axis=1) + above + rules.increment_m)
            assert np.all(underside >= ground.min(axis=1) - below - rules.increment_m)

    @quick
    @given(lines, rules, rakes)
    def test_each_broken_bay_has_findings_and_no_other(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        levels = plan(profile, rules, rake, closed=closed)
        found = rake_findings(levels, profile, *ends(profile), rules, rake)
        assert {finding.bay for finding in found} == set(np.flatnonzero(levels.broken).tolist())
        assert all(finding.remedy and finding.value is not None and finding.limit is not None for finding in found)

    @quick
    @given(
        lines,
        rules,
        rakes,
        st.sampled_from([("step_max_m", -0.2), ("step_min_m", 0.15), ("rake_max_deg", -2.0)]),
    )
    def test_a_tighter_limit_is_never_better(
        self, line: Line, rules: LevelRules, rake: RakeRules, change: tuple[str, float]
    ) -> None:
        profile, closed = line
        name, by = change
        tight_rules, tight_rake = rules, rake
        if name == "rake_max_deg":
            tight_rake = replace(rake, rake_max_deg=max(0.0, rake.rake_max_deg + by))
        else:
            tight_rules = replace(rules, **{name: getattr(rules, name) + by})
        loose = rank(plan(profile, rules, rake, closed=closed))
        assert no_better(rank(plan(profile, tight_rules, tight_rake, closed=closed)), loose)

    @quick
    @given(lines, rules, rakes)
    def test_forbidding_steps_is_never_better(self, line: Line, rules: LevelRules, rake: RakeRules) -> None:
        profile, closed = line
        never, allowed = (
            rank(plan(profile, rules, replace(rake, steps=word), closed=closed)) for word in ("never", "allowed")
        )
        assert no_better(never, allowed)

    @quick
    @given(rows(ring=True), rules, rakes)
    def test_closing_a_row_is_never_better(self, profile: Profile, rules: LevelRules, rake: RakeRules) -> None:
        free, ring = (rank(plan(profile, rules, rake, closed=closed)) for closed in (False, True))
        assert no_better(ring, free)


class TestAgainstSteppedFences:
    @quick
    @given(lines, rules)
    def test_without_slopes_and_broken_bays_it_is_one(self, line: Line, rules: LevelRules) -> None:
        """(c) Another search, of level undersides only."""
        profile, closed = line
        stepped = choose_levels(profile, *ends(profile), rules, closed=closed)
        raked = plan(profile, rules, RakeRules(rake_max_deg=0.0, steps="allowed"), closed=closed)
        assert raked.broken.any() == stepped.broken.any()
        if not stepped.broken.any():
            assert raked.cost.total == pytest.approx(stepped.cost.total, rel=1e-9, abs=1e-9)


class TestOptimality:
    @quick
    @given(lines, rules, rakes, st.data())
    def test_no_single_post_can_be_moved_for_the_better(
        self, line: Line, rules: LevelRules, rake: RakeRules, data: st.DataObject
    ) -> None:
        """Within what a bay that keeps its limits may do, so that broken bays stay as they are."""
        profile, closed = line
        levels = plan(profile, rules, rake, closed=closed)
        first, last = levels.underside_from_m.copy(), levels.underside_to_m.copy()
        bay = data.draw(st.integers(0, len(levels) - 1))
        by = rules.increment_m * data.draw(st.integers(-3, 3))
        first[bay] += by
        if bay or closed:
            last[bay - 1] += by
        before = priced(profile, levels.underside_from_m, levels.underside_to_m, rules, rake, closed=closed)
        assert before == pytest.approx(rank(levels), rel=1e-6, abs=1e-6)
        moved = priced(profile, first, last, rules, rake, closed=closed)
        if moved[0] == 0:
            assert moved[1] >= before[1] - 1e-6 or before[0] > 0
            assert before[0] == 0


def priced(
    profile: Profile, first: np.ndarray, last: np.ndarray, rules: LevelRules, rake: RakeRules, *, closed: bool
) -> tuple[int, float]:
    """Broken bays and cost of given undersides, piece by piece between stations and crossings."""
    total, broken = 0.0, np.zeros(len(first), dtype=bool)
    for bay in range(len(first)):
        at = slice(bay * PIECES, (bay + 1) * PIECES + 1)
        above = np.linspace(first[bay], last[bay], PIECES + 1) - profile.level_m[at]
        along = profile.chainage_m[at]
        crossing = [
            (along[piece] + (along[piece + 1] - along[piece]) * a / (a - b), 0.0)
            for piece, (a, b) in enumerate(pairwise(above))
            if a * b < 0
        ]
        points = np.array(sorted([*zip(along, above, strict=True), *crossing]))
        total += rules.gap_cost * np.trapezoid(np.maximum(points[:, 1], 0), points[:, 0])
        total += rules.dig_cost * np.trapezoid(np.maximum(-points[:, 1], 0), points[:, 0])
        broken[bay] = above.max() > rules.gap_max_m + 1e-7 or -above.min() > rules.dig_max_m + 1e-7
    broken |= np.abs(last - first) > MODULE_M * np.tan(np.radians(rake.rake_max_deg)) + 1e-7
    step = np.round((first - np.roll(last, 1)) / rules.increment_m) * rules.increment_m
    step = np.abs(step if closed else np.append(0.0, step[1:]))
    broken |= (step > 0) & ((step < rules.step_min_m - 1e-7) | (step > max(0.0, rules.step_max_m) + 1e-7))
    total += rules.step_cost * np.count_nonzero(step) + rules.rise_cost * step.sum()
    return int(broken.sum()), float(total)
