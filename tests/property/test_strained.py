"""Rules that any strained wire fence keeps, whatever the ground and the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geofence.engine.chords import BentLine
from geofence.engine.records import LevelRules, Profile
from geofence.engine.stands import Stands, WireLimits
from geofence.engine.strained import SpanBays, choose_posts, stand_posts, strain_ends

quick = settings(max_examples=60, deadline=None)

costs = st.sampled_from([0.0, 20.0, 90.0])
prices = st.builds(
    lambda gap_cost, dig_cost: LevelRules(
        increment_m=0.05,
        gap_max_m=1.0,
        dig_max_m=0.0,
        step_min_m=0.0,
        step_max_m=0.0,
        gap_cost=gap_cost,
        dig_cost=dig_cost,
        step_cost=0.0,
        rise_cost=0.0,
    ),
    costs,
    costs,
)


@st.composite
def limits(draw: st.DrawFn) -> WireLimits:
    height = draw(st.sampled_from([0.1, 0.3]))
    widest = draw(st.sampled_from([2.0, 2.5, 4.0]))
    return WireLimits(
        height_m=height,
        gap_max_m=height + draw(st.sampled_from([0.0, 0.05, 0.3])),
        dig_max_m=-height + draw(st.sampled_from([0.0, 0.05, 0.3])),
        bay_min_m=widest * draw(st.sampled_from([0.2, 0.5])),
        bay_max_m=widest,
    )


@st.composite
def grounds(draw: st.DrawFn) -> Profile:
    count = draw(st.integers(2, 24))
    apart = draw(st.lists(st.floats(0.2, 1.0), min_size=count, max_size=count))
    rough = draw(st.sampled_from([0.0, 0.03, 0.2]))
    changes = draw(st.lists(st.floats(-1, 1), min_size=count, max_size=count))
    chainage = np.concatenate([[0.0], np.cumsum(apart)])
    slope = draw(st.sampled_from([0.0, 0.3]))
    return Profile(chainage_m=chainage, level_m=100 + slope * chainage + rough * np.cumsum([0.0, *changes]))


def plan(
    ground: Profile, limits: WireLimits, prices: LevelRules, barred: list[tuple[float, float]] | None = None
) -> SpanBays:
    length = float(ground.chainage_m[-1])
    line = BentLine.from_turns([0.0, length], [0.0, 0.0])
    return choose_posts(Stands.along(ground, line, 0.0, length, limits, barred or []), limits, prices)


def rank(bays: SpanBays, limits: WireLimits, prices: LevelRules) -> tuple[int, int, float]:
    areas = prices.gap_cost * bays.gap_area_m2.sum() + prices.dig_cost * bays.dig_area_m2.sum()
    uneven = np.square(bays.end_m - bays.start_m).sum()
    return int(bays.broken(limits).sum()), len(bays), float(uneven + 1e-5 * areas / dearer(prices))


def dearer(prices: LevelRules) -> float:
    return max(prices.gap_cost, prices.dig_cost) or 1.0


class TestBays:
    @quick
    @given(grounds(), limits(), prices)
    def test_fill_the_span_within_their_widths(self, ground: Profile, limits: WireLimits, prices: LevelRules) -> None:
        assume(ground.chainage_m[-1] >= limits.bay_min_m)
        bays = plan(ground, limits, prices)
        assert bays.start_m[0] == 0.0
        assert bays.end_m[-1] == ground.chainage_m[-1]
        assert bays.start_m[1:].tolist() == bays.end_m[:-1].tolist()
        assert bays.width_m.sum() == pytest.approx(ground.chainage_m[-1])
        assert np.all(bays.width_m <= limits.bay_max_m + 1e-5)
        assert np.all(bays.width_m >= limits.bay_min_m - 1e-5)

    @quick
    @given(grounds(), limits(), prices)
    def test_are_broken_only_where_they_say_so(self, ground: Profile, limits: WireLimits, prices: LevelRules) -> None:
        """Measured at a thousand places along each bay."""
        bays = plan(ground, limits, prices)
        for row, broken in enumerate(bays.broken(limits)):
            at = np.linspace(bays.start_m[row], bays.end_m[row], 1001)
            wire = np.interp(at, at[[0, -1]], ground.level_at(at[[0, -1]])) + limits.height_m
            clear = wire - ground.level_at(at)
            within = clear.max() <= limits.gap_max_m + 1e-6 and clear.min() >= -limits.dig_max_m - 1e-6
            assert broken or within
            assert bays.gap_max_m[row] >= clear.max() - 1e-9
            assert bays.gap_min_m[row] <= clear.min() + 1e-9

    @quick
    @given(grounds(), limits(), prices, st.floats(0, 1), st.floats(0.05, 0.9))
    def test_no_post_stands_in_a_keep_clear_that_a_bay_can_span(
        self, ground: Profile, limits: WireLimits, prices: LevelRules, share: float, part: float
    ) -> None:
        """Somewhere in the middle of a span of four of the widest bays, up to nine tenths of one."""
        widest = limits.bay_max_m
        limits = replace(limits, bay_min_m=0.2 * widest)
        stretched = ground.chainage_m * 4 * widest / ground.chainage_m[-1]
        start, width = widest + share * (2 - part) * widest, part * widest
        posts = plan(replace(ground, chainage_m=stretched), limits, prices, [(start, start + width)]).end_m[:-1]
        assert not np.any((posts > start + 1e-5) & (posts < start + width - 1e-5))


class TestEvening:
    @quick
    @given(grounds(), limits(), prices)
    def test_makes_nothing_worse(self, ground: Profile, limits: WireLimits, prices: LevelRules) -> None:
        """Broken bays, bays, then squares of widths with areas; the excess of broken ones counts before the bays."""
        length = float(ground.chainage_m[-1])
        line = BentLine.from_turns([0.0, length], [0.0, 0.0])
        once, evened = plan(ground, limits, prices), stand_posts(ground, line, (0.0, length), limits, prices)
        if once.broken(limits).any():
            assert evened.broken(limits).sum() <= once.broken(limits).sum()
            return
        assert not evened.broken(limits).any()
        assert len(evened) <= len(once)
        if len(evened) == len(once):
            assert rank(evened, limits, prices)[2] <= rank(once, limits, prices)[2] + 1e-5

    @quick
    @given(grounds(), limits(), prices, st.floats(0.1, 0.7), st.floats(0.05, 0.2))
    def test_stands_no_post_in_a_keep_clear_that_was_spanned(
        self, ground: Profile, limits: WireLimits, prices: LevelRules, share: float, part: float
    ) -> None:
        length = float(ground.chainage_m[-1])
        barred = [(share * length, (share + part) * length)]
        line = BentLine.from_turns([0.0, length], [0.0, 0.0])

        def inside(bays: SpanBays) -> int:
            return sum(bool(barred[0][0] + 1e-5 < post < barred[0][1] - 1e-5) for post in bays.end_m[:-1].tolist())

        evened = stand_posts(ground, line, (0.0, length), limits, prices, barred_m=barred)
        assert inside(evened) <= inside(plan(ground, limits, prices, barred))


class TestSymmetry:
    @quick
    @given(grounds(), limits(), prices)
    def test_reversing_the_line_keeps_broken_bays_posts_and_evenness(
        self, ground: Profile, limits: WireLimits, prices: LevelRules
    ) -> None:
        back = Profile(chainage_m=(ground.chainage_m[-1] - ground.chainage_m)[::-1], level_m=ground.level_m[::-1])
        there, again = (rank(plan(each, limits, prices), limits, prices) for each in (ground, back))
        assert there[:2] == again[:2]
        assert there[2] == pytest.approx(again[2], abs=1e-4)  # places within 1e-6 m are one

    @quick
    @given(grounds(), limits(), prices, st.sampled_from([-400.0, 0.5, 1234.567]))
    def test_raising_the_ground_moves_no_post(
        self, ground: Profile, limits: WireLimits, prices: LevelRules, by: float
    ) -> None:
        raised = Profile(chainage_m=ground.chainage_m, level_m=ground.level_m + by)
        there, higher = (rank(plan(each, limits, prices), limits, prices) for each in (ground, raised))
        assert there[:2] == higher[:2]
        assert there[2] == pytest.approx(higher[2], abs=1e-4)


class TestConstraints:
    @quick
    @given(grounds(), limits(), prices, st.sampled_from(["gap_max_m", "dig_max_m", "bay_max_m", "bay_min_m"]))
    def test_a_tighter_one_never_does_better(
        self, ground: Profile, limits: WireLimits, prices: LevelRules, which: str
    ) -> None:
        """Posts are compared where no bay is broken, and on the same places: those of the looser limits."""
        tighter = {
            "gap_max_m": max(limits.height_m, limits.gap_max_m - 0.04),
            "dig_max_m": max(-limits.height_m, limits.dig_max_m - 0.04),
            "bay_max_m": max(2 * limits.bay_min_m, limits.bay_max_m - 0.5),
            "bay_min_m": min(limits.bay_max_m / 2, limits.bay_min_m + 0.1),
        }
        tight = replace(limits, **{which: tighter[which]})
        length = float(ground.chainage_m[-1])
        assume(length >= tight.bay_min_m)
        stands = Stands.along(ground, BentLine.from_turns([0.0, length], [0.0, 0.0]), 0.0, length, limits)
        loose_bays, tight_bays = (choose_posts(stands, each, prices) for each in (limits, tight))
        assert tight_bays.broken(tight).sum() >= loose_bays.broken(limits).sum()
        if not tight_bays.broken(tight).any():
            assert len(tight_bays) >= len(loose_bays)


class TestStrains:
    @quick
    @given(st.lists(st.floats(0.5, 8), min_size=1, max_size=60), st.floats(8, 60))
    def test_keep_their_length_and_are_as_few_as_going_on_as_far_as_one_can(
        self, widths: list[float], longest: float
    ) -> None:
        posts = np.concatenate([[0.0], np.cumsum(widths)])
        ends = strain_ends(posts, longest)
        assert ends[0] == 0
        assert ends[-1] == len(posts) - 1
        assert np.all(np.diff(posts[ends]) <= longest + 1e-5)
        greedy, at = 0, 0
        while at < len(posts) - 1:
            at = int(np.flatnonzero(posts <= posts[at] + longest + 1e-6)[-1])
            greedy += 1
        assert len(ends) - 1 == greedy
