"""Where cut bays go for the least cost. Expected numbers are (a), sums on paper, where nothing else is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine import candidates
from geofence.engine.best import BestFit
from geofence.engine.fence import build_fence
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    Fence,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
    RakeRules,
)

LEVELS = LevelRules(
    increment_m=0.05,
    gap_max_m=0.15,
    dig_max_m=0.30,
    step_min_m=0.05,
    step_max_m=0.60,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=25.0,
    rise_cost=10.0,
)
RULES = LayoutRules(module_m=2.4, min_bay_m=0.4, fit="best")


def walls(length_m: float, *at: tuple[float, float]) -> Profile:
    """Level ground with walls a millimetre wide that end at a chainage, each up by so much."""
    station, level = [0.0], [50.0]
    for chainage, rise in at:
        station += [chainage - 0.001, chainage]
        level += [level[-1], level[-1] + rise]
    return Profile(chainage_m=[*station, length_m], level_m=[*level, level[-1]])


def line(*legs_m: float, turn_deg: float = 90.0, closed: bool = False) -> Path:
    turns = np.full(len(legs_m) + 1, turn_deg)
    if not closed:
        turns[[0, -1]] = 0.0
    return Path(vertex_m=np.append(0.0, np.cumsum(legs_m)), deflection_deg=turns, closed=closed)


def laid(
    profile: Profile,
    path: Path,
    *,
    gates: tuple[Gate, ...] = (),
    keep_clear: tuple[KeepClear, ...] = (),
    rules: LayoutRules = RULES,
    levels: LevelRules = LEVELS,
    rake: RakeRules | None = None,
) -> Layout:
    best = BestFit(profile=profile, levels=levels, rake=rake, closed=path.closed)
    return lay_out(path, gates, rules, keep_clear=keep_clear, choose=best)


def built(profile: Profile, path: Path, *, fit: str = "best", slope: str = "step", **more: object) -> Fence:
    return build_fence(
        profile,
        path,
        layout=replace(RULES, fit=fit),  # type: ignore[arg-type]
        levels=LEVELS,
        posts=PostRules(post_reveal_m=0.0, embedment_m=0.6),
        panel=PanelRules(height_m=1.8),
        slope=slope,  # type: ignore[arg-type]
        **more,  # type: ignore[arg-type]
    )


class TestOneStretch:
    def test_a_post_stands_at_the_wall(self) -> None:
        """8.5 m is three modules and 1.3 m; 3.7 m is one module and 1.3 m."""
        layout = laid(walls(8.5, (3.7, 0.3)), line(8.5))
        assert layout.width_m == pytest.approx([2.4, 1.3, 2.4, 2.4])
        assert layout.bay_kind == ("full", "cut", "full", "full")

    def test_its_levels_cost_one_step(self) -> None:
        fence = built(walls(8.5, (3.7, 0.3)), line(8.5))
        assert fence.cost.step + fence.cost.rise == pytest.approx(25 + 3)
        assert fence.cost.total == pytest.approx(28 + 90 * 0.3 * 0.0005)  # half a millimetre of wall is dug

    @pytest.mark.parametrize("length_m", [8.5, 7.4, 16.8, 2.0])
    def test_level_ground_has_cut_bays_at_the_end(self, length_m: float) -> None:
        end = lay_out(line(length_m), [], replace(RULES, fit="end"))
        assert laid(walls(length_m), line(length_m)).post_m == pytest.approx(end.post_m, abs=1e-9)

    def test_cut_bays_need_not_stand_side_by_side(self) -> None:
        """12.2 m is four modules and two bays of 1.3 m; walls at 1.3 m and at 10.9 m, which is 12.2 m less 1.3 m."""
        layout = laid(walls(12.2, (1.3, 0.3), (10.9, 0.3)), line(12.2))
        assert layout.width_m == pytest.approx([1.3, 2.4, 2.4, 2.4, 2.4, 1.3])

    def test_a_stretch_that_cannot_be_divided_is_told_of(self) -> None:
        layout = laid(walls(2.6), line(2.6), rules=replace(RULES, min_bay_m=1.4))
        assert [finding.code for finding in layout.findings] == ["bay-under-minimum"]
        assert layout.width_m == pytest.approx([1.3, 1.3])

    def test_fewest_broken_bays_come_before_cost(self) -> None:
        """A wall of 0.6 m is more than gap and dig leave within a bay; only a post on it breaks nothing."""
        layout = laid(walls(8.5, (6.1, 0.6)), line(8.5))
        assert 6.1 in layout.post_m.round(6)

    def test_raked_bays_meet_where_the_slope_begins(self) -> None:
        """The ground rises by 0.1 from 3.7 m on: straight bays follow it without a gap if a post stands there."""
        profile = Profile(chainage_m=[0.0, 3.7, 8.5], level_m=[50.0, 50.0, 50.48])
        levels = replace(LEVELS, increment_m=0.01)
        layout = laid(profile, line(8.5), levels=levels, rake=RakeRules(rake_max_deg=10.0))
        assert 3.7 in layout.post_m.round(6)

    def test_the_front_door_rakes_too(self) -> None:
        profile = Profile(chainage_m=[0.0, 3.7, 8.5], level_m=[50.0, 50.0, 50.48])
        rake = RakeRules(rake_max_deg=10.0)
        best, end = (built(profile, line(8.5), fit=fit, slope="rake", rake=rake) for fit in ("best", "end"))
        assert 3.7 in best.posts.chainage_m.round(6)
        assert best.cost.total < end.cost.total


class TestSections:
    def test_stretches_are_chosen_together_across_a_corner(self) -> None:
        """Walls at 3.7 m, and at 3.7 m from the corner: each stretch has a post at its own."""
        layout = laid(walls(17.0, (3.7, 0.3), (12.2, 0.3)), line(8.5, 8.5))
        assert {3.7, 8.5, 12.2} <= set(layout.post_m.round(6))
        assert layout.bay_kind.count("cut") == 2

    def test_a_gate_parts_them(self) -> None:
        gate = Gate(name="G1", chainage_m=8.5, width_m=3.0)
        fence = built(walls(20.0, (3.7, 0.3), (15.2, 0.3)), line(20.0), gates=(gate,))
        assert {3.7, 8.5, 11.5, 15.2} <= set(fence.posts.chainage_m.round(6))
        assert fence.bays.kind.count("gate") == 1

    def test_the_step_at_a_ring_s_first_post_counts(self) -> None:
        """Level but for a hump around 3.7 m to 13.3 m; four stretches of 8.5 m, the first and second with a wall."""
        profile = Profile(
            chainage_m=[0.0, 3.699, 3.7, 12.2, 12.201, 34.0], level_m=[50.0, 50.0, 50.3, 50.3, 50.0, 50.0]
        )
        ring = line(8.5, 8.5, 8.5, 8.5, closed=True)
        layout = laid(profile, ring)
        assert {3.7, 12.2} <= set(layout.post_m.round(6))
        assert len(layout.post_m) == len(layout.bay_kind) == 16
        assert built(profile, ring).cost.step == pytest.approx(50.0)

    @pytest.mark.parametrize("at_m", [2.0, 10.0, 30.5])
    def test_a_ring_with_a_gate_goes_on_through_its_first_post(self, at_m: float) -> None:
        ring = line(8.5, 8.5, 8.5, 8.5, closed=True)
        gates = (Gate(name="G1", chainage_m=at_m, width_m=3.0),)
        fence = built(walls(34.0), ring, gates=gates)
        assert fence.bays.width_m.sum() == pytest.approx(34.0)
        assert fence.cost.total == 0.0
        assert (np.diff(fence.posts.chainage_m) > 0).all()


class TestBends:
    PATH = Path(vertex_m=[0.0, 7.0, 11.0, 17.4], deflection_deg=[0.0, 0.8, -0.8, 0.0])
    """17.4 m is seven modules and 0.6 m."""

    def test_cut_bays_move_on_a_line_that_bends(self) -> None:
        """The wall is two modules and 0.6 m from the start, where the line has not bent yet."""
        layout = laid(walls(17.4, (5.4, 0.3)), self.PATH)
        assert layout.post_m[3] == pytest.approx(5.4, abs=2e-4)  # the bends take 0.1 mm off the cut bay
        assert layout.bay_kind.index("cut") <= 2
        assert layout.bay_kind.count("cut") == 1
        assert np.delete(layout.width_m, layout.bay_kind.index("cut")) == pytest.approx([2.4] * 7, abs=1e-9)
        end = lay_out(self.PATH, [], replace(RULES, fit="end"))
        assert end.bay_kind == ("full",) * 7 + ("cut",)

    def test_no_bay_leaves_the_line_that_did_not(self) -> None:
        sharp = Path(vertex_m=[0.0, 6.0, 12.0, 17.2], deflection_deg=[0.0, 2.4, -2.4, 0.0])
        rules = replace(RULES, line_tolerance_m=0.012)
        for at in np.arange(1.0, 17.0, 1.3):
            assert not laid(walls(17.2, (float(at), 0.3)), sharp, rules=rules).findings

    def test_a_bend_beyond_the_tolerance_keeps_its_post(self) -> None:
        sharp = Path(vertex_m=[0.0, 6.1, 14.6], deflection_deg=[0.0, 8.0, 0.0])
        layout = laid(walls(14.6, (9.8, 0.3)), sharp)  # 3.7 m from the bend
        assert {6.1, 9.8} <= set(layout.post_m.round(6))
        assert layout.post_kind[layout.post_m.round(6).tolist().index(6.1)] == "bend"


class TestKeepClears:
    def test_layouts_with_a_post_in_one_are_left_out(self) -> None:
        pipe = KeepClear(name="pipe", from_m=3.6, to_m=3.8)
        layout = laid(walls(8.5, (3.7, 0.3)), line(8.5), keep_clear=(pipe,))
        assert layout.width_m == pytest.approx([2.4, 2.4, 2.4, 1.3])
        assert not layout.findings

    def test_where_none_is_clear_the_fewest_posts_move(self) -> None:
        """As without ``best``: ten modules, and the post in their middle is barred."""
        pipe = KeepClear(name="pipe", from_m=11.5, to_m=12.5)
        layout = laid(walls(24.0), line(24.0), keep_clear=(pipe,))
        end = lay_out(line(24.0), [], replace(RULES, fit="end"), keep_clear=(pipe,))
        assert layout.post_m == pytest.approx(end.post_m)
        (found,) = layout.findings
        assert (found.code, found.value, found.unit, found.posts) == ("keep-clear-avoided", 2.0, "posts", (5, 6))

    def test_a_detour_in_one_stretch_leaves_the_others_free(self) -> None:
        pipe = KeepClear(name="pipe", from_m=11.5, to_m=12.5)
        layout = laid(walls(32.5, (27.7, 0.3)), line(24.0, 8.5), keep_clear=(pipe,))  # 3.7 m after the corner
        assert 27.7 in layout.post_m.round(6)


class TestTelling:
    def test_too_many_levels_are_told_of(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(candidates, "MOST_STATES", 12)
        rough = np.random.default_rng(1).normal(50, 0.4, 80)
        layout = laid(Profile(chainage_m=np.linspace(0, 8.5, 80), level_m=rough), line(8.5))
        assert [finding.code for finding in layout.findings] == ["layout-windowed"]

    def test_nothing_that_chooses(self) -> None:
        with pytest.raises(ValueError, match="needs something that chooses"):
            lay_out(line(8.5), [], RULES)

    def test_prices_that_cannot_be_used(self) -> None:
        with pytest.raises(ValueError, match="gap_cost"):
            laid(walls(8.5), line(8.5), levels=replace(LEVELS, gap_cost=-1.0))
