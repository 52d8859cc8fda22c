"""Posts that are in the ground already: what is kept of them, and what is told. Expected numbers are sums on paper."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from geofence.engine.fence import build_fence
from geofence.engine.records import (
    Fence,
    Finding,
    FixedPost,
    Gate,
    KeepClear,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
)
from geofence.engine.wire import WireRules
from geofence.engine.wired import StrainRules
from tests.engine.lines import path

LEVELS = LevelRules(
    increment_m=0.05, gap_max_m=0.15, dig_max_m=0.05, step_min_m=0.05, step_max_m=0.6,
    gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0,
)  # fmt: skip
WIRE = WireRules(
    heights_m=(0.2, 0.5, 0.9), diameter_m=0.0025, density_kg_per_m3=7850.0, modulus_kpa=2.1e8, expansion_per_k=1.2e-5,
    tension_kn=1.1, temperature_c=15.0, temperature_min_c=-15.0, temperature_max_c=45.0, tension_max_kn=3.5,
    uplift_max_kn=0.4, dropper_spacing_m=1.5,
)  # fmt: skip
POSTS = PostRules(post_reveal_m=0.005, embedment_m=0.55, stock_lengths_m=(2.5, 2.75))


def existing(at_m: float, *, name: str = "E1", off_m: float = 0.0, top_m: float = math.nan) -> FixedPost:
    return FixedPost(chainage_m=at_m, kind="existing", name=name, off_m=off_m, top_level_m=top_m)


def fence(
    *fixed: FixedPost,
    line: Path | None = None,
    rules: LayoutRules | None = None,
    gates: tuple[Gate, ...] = (),
    keep_clear: tuple[KeepClear, ...] = (),
) -> Fence:
    """Level ground at 50, panels of 1.8 m, bays of 2.4 m."""
    line = line or path([12.0])
    return build_fence(
        Profile(chainage_m=[0.0, line.length_m], level_m=[50.0, 50.0]),
        line,
        gates=gates,
        keep_clear=keep_clear,
        fixed=fixed,
        layout=rules or LayoutRules(module_m=2.4, min_bay_m=0.4),
        levels=LEVELS,
        posts=POSTS,
        panel=PanelRules(height_m=1.8),
        from_m=100.0,
    )


def wires(*fixed: FixedPost, line: Path, strain_max_m: float = 100.0) -> Fence:
    """On level ground, posts 4 m apart at most."""
    return build_fence(
        Profile(chainage_m=[0.0, line.length_m], level_m=[50.0, 50.0]),
        line,
        fixed=fixed,
        layout=LayoutRules(module_m=4.0, min_bay_m=1.0),
        levels=LevelRules(
            increment_m=0.05, gap_max_m=0.3, dig_max_m=-0.05, step_min_m=0.0, step_max_m=0.0,
            gap_cost=40.0, dig_cost=90.0, step_cost=0.0, rise_cost=0.0,
        ),
        posts=PostRules(post_reveal_m=0.05, embedment_m=0.6),
        panel=PanelRules(height_m=0.9),
        slope="strained",
        strain=StrainRules(post_spacing_max_m=4.0, strain_max_m=strain_max_m),
        wire=WIRE,
    )  # fmt: skip


def told(fence: Fence, code: str) -> list[Finding]:
    return [finding for finding in fence.findings if finding.code == code]


def only(fence: Fence, code: str) -> Finding:
    (found,) = told(fence, code)
    return found


class TestKept:
    def test_nothing_is_dug_or_ordered_for_it(self) -> None:
        posts = fence(existing(4.8)).posts
        row = posts.kind.index("existing")
        assert posts.chainage_m[row] == pytest.approx(104.8)
        assert np.isnan([posts.toe_level_m[row], posts.embedment_m[row], posts.stock_length_m[row]]).all()
        others = np.arange(len(posts)) != row
        assert posts.stock_length_m[others].tolist() == [2.5] * 5
        assert np.isfinite(posts.toe_level_m[others]).all()

    def test_without_its_top_it_is_planned_as_tall_as_the_others(self) -> None:
        posts = fence(existing(4.8)).posts
        assert posts.top_level_m == pytest.approx(51.805)
        assert posts.support_back_m[2] == posts.support_ahead_m[2] == pytest.approx(1.805)

    def test_supports_are_measured_from_its_own_top(self) -> None:
        """Panels from 50.00 to 51.80: a top at 51.83 is 1.83 m above their undersides."""
        posts = fence(existing(4.8, top_m=51.83)).posts
        assert posts.top_level_m[2] == 51.83
        assert (posts.support_back_m[2], posts.support_ahead_m[2]) == pytest.approx((1.83, 1.83))
        assert posts.height_m[2] == pytest.approx(1.83)
        assert posts.support_ahead_m[1] == pytest.approx(1.805)

    def test_no_extension_is_asked_for(self) -> None:
        """A cliff of 1.2 m between two bays: the post there must be longer than any stock, unless it exists."""
        ground = Profile(chainage_m=[0.0, 4.799, 4.801, 12.0], level_m=[50.0, 50.0, 51.2, 51.2])

        def built(*fixed: FixedPost) -> Fence:
            return build_fence(
                ground, path([12.0]), fixed=fixed, layout=LayoutRules(module_m=2.4, min_bay_m=0.4), levels=LEVELS,
                posts=POSTS, panel=PanelRules(height_m=1.8),
            )  # fmt: skip

        assert told(built(), "post-extended")
        assert not told(built(existing(4.8)), "post-extended")

    def test_rows_of_two_runs(self) -> None:
        line = path([12.0, 7.2], [90.0])
        built = fence(existing(12.0, name="C"), existing(14.4, name="D"), line=line)
        assert [built.posts.chainage_m[item.post] - 100 for item in told(built, "existing-post")] == pytest.approx(
            [12.0, 14.4]
        )


class TestTold:
    def test_where_it_stands(self) -> None:
        found = only(fence(existing(4.8, off_m=0.013)), "existing-post")
        assert (found.severity, found.value, found.limit) == ("note", 0.013, 0.02)
        assert found.message == "Existing post E1 is kept; it stands 0.013 m from its place in the plan"
        assert found.chainage_m == pytest.approx(104.8)

    def test_farther_than_the_lines_tolerance_is_a_warning(self) -> None:
        assert only(fence(existing(4.8, off_m=0.02)), "existing-post").severity == "note"
        assert only(fence(existing(4.8, off_m=0.021)), "existing-post").severity == "warn"

    def test_exactly_there(self) -> None:
        message = only(fence(existing(4.8, name="")), "existing-post").message
        assert message == "Existing post is kept; it stands at its place in the plan"

    @pytest.mark.parametrize(("top_m", "codes"), [
        (51.799, ["existing-post-short"]), (51.8, []), (51.805, []), (51.854, []), (51.856, ["existing-post-tall"]),
    ])  # fmt: skip
    def test_whether_the_panels_fit_on_it(self, top_m: float, codes: list[str]) -> None:
        """The panels end at 51.80, a new post would at 51.805."""
        found = [item for item in fence(existing(4.8, top_m=top_m)).findings if item.code != "existing-post"]
        assert [item.code for item in found] == codes
        for item in found:
            assert (item.value, item.post) == (top_m, 2)
            assert item.limit == pytest.approx(51.8 if item.code == "existing-post-short" else 51.805)

    def test_a_gate_hangs_on_it(self) -> None:
        gate = Gate(name="G1", chainage_m=4.8, width_m=3.0)
        found = only(fence(existing(4.8), gates=(gate,)), "existing-post-loaded")
        assert "gate" in found.message
        assert found.severity == "warn"
        assert not told(fence(existing(2.4), gates=(gate,)), "existing-post-loaded")

    def test_a_keep_clear_does_not_move_it(self) -> None:
        built = fence(existing(4.8), keep_clear=(KeepClear(name="main", from_m=4.5, to_m=5.5, source="plan 7"),))
        assert 104.8 in built.posts.chainage_m.round(6).tolist()
        found = only(built, "existing-post-in-keep-clear")
        assert found.severity == "warn"
        assert "clear 0.300 m back or 0.700 m on" in found.remedy
        assert "main (plan 7)" in found.message
        assert not told(built, "post-in-keep-clear")


class TestNoBayFits:
    def test_the_smallest_change_comes_first(self) -> None:
        """2.7 m: too long for a bay of 2.4 m, too short for two of 1.4 m. 1.35 m or 2.7 m would do."""
        built = fence(existing(7.2), existing(9.9, name="E2"), rules=LayoutRules(module_m=2.4, min_bay_m=1.4))
        found = told(built, "bay-under-minimum")[0]
        assert found.message == (
            "2.700 m between existing post E1 and existing post E2 are too long for 1 of the module and too short for "
            "2 of the narrowest bay"
        )
        assert found.remedy == (
            "Any of these makes a way: a narrowest bay (layout.min_bay_m) of 1.350 m; a module (layout.module_m) of "
            "2.700 m; or do without E1 or E2: draw it, and leave it out of the file."
        )
        assert (found.severity, found.value, found.limit) == ("stop", pytest.approx(1.35), 1.4)

    def test_nearer_than_the_narrowest_bay(self) -> None:
        found = only(fence(existing(4.8), existing(5.1, name="E2")), "bay-under-minimum")
        assert found.message == "0.300 m between existing post E1 and existing post E2 are less than the narrowest bay"
        assert "a narrowest bay (layout.min_bay_m) of 0.300 m" in found.remedy

    def test_beside_a_corner(self) -> None:
        found = only(fence(existing(11.7), line=path([12.0, 7.2], [90.0])), "bay-under-minimum")
        assert "between existing post E1 and a post that must be where it is" in found.message

    def test_round_a_ring(self) -> None:
        """The last span of a ring ends at its first post."""
        ring = path([12.0] * 4, [90.0] * 4, closed=True)
        found = only(fence(existing(47.7), existing(0.0, name="E2"), line=ring), "bay-under-minimum")
        assert "between existing post E1 and existing post E2" in found.message

    @pytest.mark.parametrize(("length_m", "narrowest_m"), [(2.7, 1.4), (5.0, 1.9), (7.9, 2.1)])
    def test_each_remedy_makes_a_way_and_a_millimetre_less_does_not(self, length_m: float, narrowest_m: float) -> None:
        def broken(module_m: float, min_bay_m: float) -> bool:
            rules = LayoutRules(module_m=module_m, min_bay_m=min_bay_m)
            return bool(
                told(fence(existing(length_m), line=path([length_m, 4.8], [90.0]), rules=rules), "bay-under-minimum")
            )

        rules = LayoutRules(module_m=2.4, min_bay_m=narrowest_m)
        built = fence(existing(length_m), line=path([length_m + 4.8]), rules=rules)
        remedy = told(built, "bay-under-minimum")[0].remedy
        narrower, wider = (
            float(re.search(rf"{key}\) of (\d+\.\d+) m", remedy)[1]) for key in ("min_bay_m", "module_m")
        )
        assert not broken(2.4, narrower)
        assert broken(2.4, narrower + 0.002)
        assert not broken(wider, narrowest_m)
        assert broken(wider - 0.002, narrowest_m)


class TestWires:
    def test_go_on_past_it(self) -> None:
        built = wires(existing(9.0), line=path([30.0]))
        assert built.posts.kind.count("existing") == 1
        assert "strainer" not in built.posts.kind
        assert built.strains.start_m.tolist() == [0.0]
        assert built.strains.end_m.tolist() == [30.0]
        assert built.bays.start_m[built.bays.start_m < 9.0].tolist() == [0.0, 3.0, 6.0]
        assert not told(built, "existing-post-loaded")

    def test_end_at_a_junction_and_at_a_corner(self) -> None:
        line = path([30.0, 30.0], [90.0])
        built = wires(existing(30.0), FixedPost(chainage_m=12.0, kind="junction"), line=line)
        assert built.strains.end_m.tolist() == [12.0, 30.0, 60.0]
        found = only(built, "existing-post-loaded")
        assert "strained wires end at it" in found.message
        assert built.posts.chainage_m[found.post] == 30.0

    def test_end_at_another_post_where_that_makes_no_more_strains(self) -> None:
        """30 m in two strains: the middle post is the most even end, but where it exists a neighbour is as good."""
        plain = wires(line=path([32.0]), strain_max_m=20.0)
        assert plain.strains.end_m.tolist() == [16.0, 32.0]
        built = wires(existing(16.0), line=path([32.0]), strain_max_m=20.0)
        assert len(built.strains) == 2
        assert built.strains.end_m[0] in (12.0, 20.0)
        assert built.posts.kind.count("strainer") == 1

    def test_end_at_it_where_no_other_post_will_do(self) -> None:
        """Posts at 4 m: two strains of at most 18 m can only meet at 14 to 18, where 16 exists."""
        built = wires(existing(16.0), line=path([32.0]), strain_max_m=18.0)
        assert built.strains.end_m.tolist() == [16.0, 32.0]
        assert "strainer" not in built.posts.kind
        assert only(built, "existing-post-loaded").chainage_m == 16.0

    def test_on_a_ring(self) -> None:
        ring = path([12.0] * 4, [90.0] * 4, closed=True)
        built = wires(existing(0.0), existing(18.0, name="E2"), line=ring)
        assert built.posts.kind[0] == "existing"
        assert len(built.strains) == 4
        assert [item.chainage_m for item in told(built, "existing-post-loaded")] == [0.0]

    def test_two_nearer_than_the_narrowest_bay(self) -> None:
        found = only(wires(existing(9.0), existing(9.6), line=path([30.0])), "bay-under-minimum")
        assert found.remedy.startswith("A min_bay_m of 0.600 m would fit, or do without the post that exists")

    def test_widths_and_pull_are_as_if_the_post_were_planned_there(self) -> None:
        plain = wires(line=path([32.0]))
        built = wires(existing(8.0), line=path([32.0]))
        assert built.bays.end_m.tolist() == plain.bays.end_m.tolist()
        assert built.posts.uplift_kn == pytest.approx(plain.posts.uplift_kn)
        assert built.strains.tension_cold_kn == pytest.approx(plain.strains.tension_cold_kn)
