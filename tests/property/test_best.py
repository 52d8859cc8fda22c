"""Rules that layouts chosen with their levels keep, whatever the line, the ground and the limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geofence.engine.best import BestFit
from geofence.engine.hung import hang
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    Profile,
    RakeRules,
)
from geofence.numeric import LEVEL_TOLERANCE_M

quick = settings(max_examples=50, deadline=None)
SAME_M = 1e-5

costs = st.sampled_from([0.0, 1.0, 10.0, 25.0, 90.0])
levels = st.builds(
    LevelRules,
    increment_m=st.sampled_from([0.05, 0.1, 0.3]),
    gap_max_m=st.sampled_from([0.0, 0.1, 0.15, 0.4]),
    dig_max_m=st.sampled_from([-0.05, 0.0, 0.1, 0.4]),
    step_min_m=st.sampled_from([0.0, 0.05, 0.2]),
    step_max_m=st.sampled_from([0.0, 0.1, 0.3, 0.6]),
    gap_cost=costs,
    dig_cost=costs,
    step_cost=costs,
    rise_cost=costs,
)
rakes = st.one_of(
    st.none(),
    st.builds(RakeRules, rake_max_deg=st.sampled_from([3.0, 12.0]), steps=st.sampled_from(["never", "allowed"])),
)


@dataclass(frozen=True)
class Place:
    """A line with its ground, and what is to be planned on it."""

    path: Path
    profile: Profile
    rules: LayoutRules
    levels: LevelRules
    rake: RakeRules | None

    def laid(self, fit: str, keep_clear: tuple[KeepClear, ...] = ()) -> Layout:
        best = BestFit(profile=self.profile, levels=self.levels, rake=self.rake, closed=self.path.closed)
        rules = replace(self.rules, fit=fit)  # type: ignore[arg-type]
        return lay_out(self.path, [], rules, keep_clear=keep_clear, choose=best if fit == "best" else None)

    def rank(self, layout: Layout) -> tuple[int, float]:
        """Broken bays and cost; more than one limit may break a bay."""
        hung = hang(
            self.profile,
            layout,
            levels=self.levels,
            panel=PanelRules(height_m=1.8),
            rake=self.rake,
            closed=self.path.closed,
        )
        return len({finding.bay for finding in hung.findings if finding.severity == "stop"}), hung.cost.total


@st.composite
def places(draw: st.DrawFn, *, bent: bool = False) -> Place:
    module = draw(st.sampled_from([1.885, 2.4]))
    legs = draw(st.lists(st.floats(0.6, 14.0), min_size=1, max_size=3))
    turn = st.floats(-3.0, 3.0) if bent else st.just(90.0)
    closed = not bent and len(legs) > 1 and draw(st.booleans())
    turns = [draw(turn) for _ in range(len(legs) + 1)]
    if not closed:
        turns[0] = turns[-1] = 0.0
    length = sum(legs)
    station = np.linspace(0, length, 2 + int(length / 0.4))
    rough = draw(st.sampled_from([0.01, 0.05, 0.15]))
    change = np.random.default_rng(draw(st.integers(0, 10**6))).normal(0, rough, len(station))
    level = 80.0 + np.cumsum(change)
    if closed:
        level = level - (level[-1] - level[0]) * station / length
    return Place(
        path=Path(vertex_m=np.append(0.0, np.cumsum(legs)), deflection_deg=turns, closed=closed),
        profile=Profile(chainage_m=station, level_m=level),
        rules=LayoutRules(module_m=module, min_bay_m=round(module * draw(st.floats(0.1, 0.8)), 3), fit="best"),
        levels=draw(levels),
        rake=draw(rakes),
    )


@st.composite
def bars(draw: st.DrawFn) -> tuple[KeepClear, ...]:
    pairs = draw(st.lists(st.tuples(st.floats(0.0, 30.0), st.floats(0.05, 1.5)), max_size=3))
    return tuple(KeepClear(name="x", from_m=at, to_m=at + wide) for at, wide in pairs)


def burden(layout: Layout, keep_clear: tuple[KeepClear, ...] = ()) -> tuple[object, ...]:
    """What every fit makes the least of, stretch by stretch: limits broken, bays, cut bays."""
    inside = sum(
        any(each.from_m + SAME_M < post < each.to_m - SAME_M for each in keep_clear) for post in layout.post_m.tolist()
    )
    codes = sorted({finding.code for finding in layout.findings if finding.code != "keep-clear-avoided"})
    return codes, inside, len(layout.bay_kind), layout.bay_kind.count("cut")


def moved(layout: Layout) -> float:
    """How many posts keep-clears move."""
    return sum(finding.value or 0.0 for finding in layout.findings if finding.code == "keep-clear-avoided")


def turned(place: Place) -> Place:
    """The same from its other end."""
    path, length = place.path, place.path.length_m
    return replace(
        place,
        path=Path(vertex_m=length - path.vertex_m[::-1], deflection_deg=-path.deflection_deg[::-1], closed=path.closed),
        profile=Profile(chainage_m=length - place.profile.chainage_m[::-1], level_m=place.profile.level_m[::-1]),
    )


class TestNoDearerThanOtherFits:
    @quick
    @given(places(), st.sampled_from(["end", "start"]))
    def test_on_lines_with_corners(self, place: Place, fit: str) -> None:
        best, other = place.laid("best"), place.laid(fit)
        assert burden(best) == burden(other)
        self.no_dearer(place, best, other)

    @quick
    @given(places(bent=True), st.sampled_from(["end", "start"]))
    def test_on_lines_that_bend(self, place: Place, fit: str) -> None:
        best, other = place.laid("best"), place.laid(fit)
        if burden(best) == burden(other):
            self.no_dearer(place, best, other)
        else:
            assert burden(best)[0] == [] or burden(other)[0] != []
            assert burden(other)[0] != [] or burden(best) <= burden(other)

    @quick
    @given(places(), bars(), st.sampled_from(["end", "start"]))
    def test_with_keep_clears_in_no_post_s_way(self, place: Place, keep_clear: tuple[KeepClear, ...], fit: str) -> None:
        best, other = place.laid("best", keep_clear), place.laid(fit, keep_clear)
        assume(moved(best) == moved(other) == 0)
        if burden(best, keep_clear) == burden(other, keep_clear):
            self.no_dearer(place, best, other)

    @staticmethod
    def no_dearer(place: Place, best: Layout, other: Layout) -> None:
        (broken, cost), (other_broken, other_cost) = place.rank(best), place.rank(other)
        assert broken <= other_broken
        if broken == other_broken:
            assert cost <= other_cost + 1e-7 * max(1.0, other_cost)


class TestKeepClears:
    @quick
    @given(places(), bars(), st.sampled_from(["end", "start"]))
    def test_move_no_more_posts_than_for_other_fits(
        self, place: Place, keep_clear: tuple[KeepClear, ...], fit: str
    ) -> None:
        """They count as moved against one layout, those of ``best`` against all that have as few bays."""
        best, other = place.laid("best", keep_clear), place.laid(fit, keep_clear)
        codes, inside, bays, _ = burden(best, keep_clear)
        assert (codes, inside, bays) == burden(other, keep_clear)[:3]
        if "keep-clear-no-layout" not in codes:  # type: ignore[operator]
            assert moved(best) <= moved(other)

    @quick
    @given(places(bent=True), bars(), st.sampled_from(["end", "start"]))
    def test_add_no_more_bays_than_for_other_fits_on_lines_that_bend(
        self, place: Place, keep_clear: tuple[KeepClear, ...], fit: str
    ) -> None:
        best, other = place.laid("best", keep_clear), place.laid(fit, keep_clear)
        if burden(other, keep_clear)[0] == []:
            assert burden(best, keep_clear)[0] == []
            assert len(best.bay_kind) <= len(other.bay_kind)

    @quick
    @given(places(), bars())
    def test_cost_the_same_from_the_other_end(self, place: Place, keep_clear: tuple[KeepClear, ...]) -> None:
        self.costs_the_same(place, keep_clear)

    @quick
    @given(places(bent=True), bars())
    def test_cost_the_same_from_the_other_end_of_a_line_that_bends(
        self, place: Place, keep_clear: tuple[KeepClear, ...]
    ) -> None:
        self.costs_the_same(place, keep_clear)

    @staticmethod
    def costs_the_same(place: Place, keep_clear: tuple[KeepClear, ...]) -> None:
        length = place.path.length_m
        keep_clear = tuple(each for each in keep_clear if each.from_m > 0 and each.to_m < length)
        mirrored = tuple(replace(each, from_m=length - each.to_m, to_m=length - each.from_m) for each in keep_clear)
        one, other = place.laid("best", keep_clear), turned(place).laid("best", mirrored)
        codes = burden(one, keep_clear)[0]
        assume("layout-windowed" not in codes and "keep-clear-no-layout" not in codes)  # type: ignore[operator]
        assert burden(one, keep_clear) == burden(other, mirrored)
        broken, cost = place.rank(one)
        assume(not broken)  # a step that is out of limits breaks the bay after it: from the other end, the other bay
        assert turned(place).rank(other) == (0, pytest.approx(cost, rel=1e-6, abs=1e-6))


class TestWhatIsLaid:
    @quick
    @given(places(), bars())
    def test_bays_make_up_their_line_and_keep_their_widths(
        self, place: Place, keep_clear: tuple[KeepClear, ...]
    ) -> None:
        layout = place.laid("best", keep_clear)
        assert layout.width_m.sum() == pytest.approx(place.path.length_m)
        assert (layout.width_m <= place.rules.module_m + 5.1e-4).all()
        if not any(finding.code == "bay-under-minimum" for finding in layout.findings):
            assert (layout.width_m >= place.rules.min_bay_m - 5e-6).all()
        assert all(a < b for a, b in pairwise(layout.post_m))

    @quick
    @given(places(), bars())
    def test_no_post_stands_in_a_keep_clear_without_a_stop(
        self, place: Place, keep_clear: tuple[KeepClear, ...]
    ) -> None:
        layout = place.laid("best", keep_clear)
        told = {finding.post for finding in layout.findings if finding.code == "post-in-keep-clear"}
        for row, post in enumerate(layout.post_m):
            if any(each.from_m + SAME_M < post < each.to_m - SAME_M for each in keep_clear):
                assert row in told


class TestSymmetry:
    @quick
    @given(places())
    def test_reversing_the_line_keeps_the_cost_of_an_unbroken_fence(self, place: Place) -> None:
        """A broken step belongs to the bay after it, so only fences without broken bays mirror exactly."""
        length = place.path.length_m
        mirrored = replace(
            place,
            path=Path(
                vertex_m=length - place.path.vertex_m[::-1],
                deflection_deg=-place.path.deflection_deg[::-1],
                closed=place.path.closed,
            ),
            profile=Profile(chainage_m=length - place.profile.chainage_m[::-1], level_m=place.profile.level_m[::-1]),
        )
        there, back = place.rank(place.laid("best")), mirrored.rank(mirrored.laid("best"))
        assert (there[0] == 0) == (back[0] == 0)
        if there[0] == 0:
            assert there[1] == pytest.approx(back[1], rel=1e-7, abs=1e-7)

    @quick
    @given(places(), st.integers(-50, 50))
    def test_raising_the_ground_keeps_the_cost(self, place: Place, increments: int) -> None:
        by = increments * place.levels.increment_m
        raised = replace(
            place, profile=Profile(chainage_m=place.profile.chainage_m, level_m=place.profile.level_m + by)
        )
        before, after = place.rank(place.laid("best")), raised.rank(raised.laid("best"))
        assert before[0] == after[0]
        assert before[1] == pytest.approx(after[1], rel=1e-7, abs=1e-6)


class TestMoreConstraints:
    @quick
    @given(places(), bars())
    def test_keeping_clear_by_shifting_alone_is_never_cheaper(
        self, place: Place, keep_clear: tuple[KeepClear, ...]
    ) -> None:
        """Round a keep-clear with other widths, or more bays, a fence can be cheaper; but that is told."""
        free, clear = place.laid("best"), place.laid("best", keep_clear)
        assume(not any(finding.code.startswith("keep-clear") for finding in clear.findings))
        assert place.rank(free) <= (place.rank(clear)[0], place.rank(clear)[1] + 1e-6)

    @quick
    @given(places())
    def test_a_tighter_gap_never_breaks_fewer_bays_nor_costs_less(self, place: Place) -> None:
        tighter = replace(place, levels=replace(place.levels, gap_max_m=place.levels.gap_max_m / 2 - LEVEL_TOLERANCE_M))
        loose, tight = place.rank(place.laid("best")), tighter.rank(tighter.laid("best"))
        assert loose[0] <= tight[0]
        if loose[0] == tight[0] == 0:
            assert loose[1] <= tight[1] + 1e-6
