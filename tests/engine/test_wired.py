"""A wire fence through the engine's front door: posts and their kinds, strains, uplift, droppers, findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.engine.fence import build_fence
from geofence.engine.joined import join
from geofence.engine.records import (
    Fence,
    Floats,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
)
from geofence.engine.wire import WireRules
from geofence.engine.wired import StrainRules
from tests.engine import lines

WIRE = WireRules(
    heights_m=(0.2, 0.5, 0.9),
    diameter_m=0.0025,
    density_kg_per_m3=7850.0,
    modulus_kpa=2.1e8,
    expansion_per_k=1.2e-5,
    tension_kn=1.1,
    temperature_c=15.0,
    temperature_min_c=-15.0,
    temperature_max_c=45.0,
    tension_max_kn=3.5,
    uplift_max_kn=0.4,
    dropper_spacing_m=1.5,
)
LEVELS = LevelRules(
    increment_m=0.05,
    gap_max_m=0.3,
    dig_max_m=-0.05,
    step_min_m=0.0,
    step_max_m=0.0,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=0.0,
    rise_cost=0.0,
)


def fence(
    level_m: list[float] | Floats,
    path: Path,
    *,
    gates: tuple[Gate, ...] = (),
    keep_clear: tuple[KeepClear, ...] = (),
    wire: WireRules = WIRE,
    strain_max_m: float = 100.0,
    from_m: float = 0.0,
) -> Fence:
    """On ground through these levels, evenly spaced along the path."""
    return build_fence(
        Profile(chainage_m=np.linspace(0, path.length_m, len(level_m)), level_m=level_m),
        path,
        gates=gates,
        keep_clear=keep_clear,
        layout=LayoutRules(module_m=4.0, min_bay_m=1.0),
        levels=LEVELS,
        posts=PostRules(post_reveal_m=0.05, embedment_m=0.7),
        panel=PanelRules(height_m=0.7),
        slope="strained",
        strain=StrainRules(post_spacing_max_m=4.0, strain_max_m=strain_max_m),
        wire=wire,
        from_m=from_m,
    )


class TestPosts:
    def test_kinds_and_strains_of_a_line_with_corner_and_gate(self) -> None:
        """40 m, a corner at 20 m, a gate of 3 m at 28 m: strains end at each."""
        found = fence(
            [50.0, 50.0], lines.path([20.0, 20.0], [60.0]), gates=(Gate(name="G", chainage_m=28.0, width_m=3.0),)
        )
        fixed = {
            kind: found.posts.chainage_m[[k == kind for k in found.posts.kind]].tolist()
            for kind in set(found.posts.kind)
        }
        assert fixed["end"] == [0.0, 40.0]
        assert fixed["corner"] == [20.0]
        assert fixed["gate"] == [28.0, 31.0]
        assert found.posts.deflection_deg[list(found.posts.kind).index("corner")] == 60.0
        assert found.strains.start_m.tolist() == [0.0, 20.0, 31.0]
        assert found.strains.end_m.tolist() == [20.0, 28.0, 40.0]
        assert [found.posts.kind[row] for row in found.strains.from_post] == ["end", "corner", "gate"]
        assert [found.posts.kind[row] for row in found.strains.to_post] == ["corner", "gate", "end"]
        assert list(found.bays.kind).count("gate") == 1

    def test_strainers_stand_between(self) -> None:
        found = fence([50.0, 50.0], lines.path([250.0]), strain_max_m=100.0)
        strainers = found.posts.chainage_m[[kind == "strainer" for kind in found.posts.kind]]
        assert len(strainers) == 2
        assert np.all(np.diff([0.0, *strainers, 250.0]) <= 100.0 + 1e-6)
        assert len(found.strains) == 3

    def test_a_ring_without_corners_is_strained_from_its_first_post(self) -> None:
        """A circle of 60 legs of 2 m, 6 degrees each: a bay of 4 m would leave it by 0.1 m; a post at each."""
        ring = lines.path([2.0] * 60, [6.0] * 60, closed=True)
        found = fence([50.0] * 9, ring)
        assert found.posts.kind[0] == "strainer"
        assert set(found.posts.kind[1:]) <= {"bend", "line", "strainer"}
        assert found.posts.deflection_deg[0] == 6.0
        assert len(found.posts) == 60
        assert found.bays.to_post[-1] == 0
        assert found.strains.to_post[-1] == 0
        assert np.max(lines.departures_m(ring, laid(found))) <= 0.02 + 1e-6

    def test_top_is_the_highest_wire_and_the_reveal(self) -> None:
        found = fence([50.0, 52.0], lines.path([20.0]))
        assert found.posts.height_m == pytest.approx(np.full(len(found.posts), 0.95))
        assert found.posts.support_ahead_m[:-1] == pytest.approx(np.full(len(found.posts) - 1, 0.75))

    def test_a_gate_hangs_level_at_its_own_height(self) -> None:
        found = fence([50.0, 50.0], lines.path([20.0]), gates=(Gate(name="G", chainage_m=8.0, width_m=3.0),))
        row = list(found.bays.kind).index("gate")
        assert found.bays.underside_from_m[row] == pytest.approx(50.05)
        assert np.isnan(found.bays.sag_m[row])
        assert np.isnan(found.bays.droppers[row])

    def test_keep_clears_are_kept(self) -> None:
        found = fence([50.0, 50.0], lines.path([40.0]), keep_clear=(KeepClear(name="main", from_m=7.5, to_m=9.0),))
        posts = found.posts.chainage_m
        assert not np.any((posts > 7.5) & (posts < 9.0))
        assert "post-in-keep-clear" not in codes(found)

    def test_a_keep_clear_wider_than_a_bay_is_told(self) -> None:
        found = fence([50.0, 50.0], lines.path([40.0]), keep_clear=(KeepClear(name="main", from_m=7.5, to_m=12.5),))
        assert codes(found).count("post-in-keep-clear") == 1


class TestWires:
    def test_lengths_are_along_the_slope(self) -> None:
        """3 in 4: 20 m of line are 25 m of wire, three wires."""
        found = fence([50.0, 65.0], lines.path([20.0]))
        assert found.bays.slope_length_m.sum() == pytest.approx(25.0)
        assert found.strains.wire_length_m.tolist() == pytest.approx([25.0])
        assert found.strains.wires.tolist() == [3]

    def test_droppers_keep_their_spacing(self) -> None:
        """Bays of 4 m with droppers at most 1.5 m apart: two, at 1.33 m."""
        found = fence([50.0, 50.0], lines.path([20.0]))
        assert found.bays.droppers.tolist() == [2.0] * 5
        none = fence([50.0, 50.0], lines.path([20.0]), wire=replace(WIRE, dropper_spacing_m=0.0))
        assert none.bays.droppers.tolist() == [0.0] * 5

    def test_sag_is_that_of_the_hottest_day(self) -> None:
        """1.1 kN less 30 degrees at 12.37 N is 0.729 kN; 0.3779 N/m x 16 m2 / (8 x 729 N) = 1.037 mm."""
        found = fence([50.0, 50.0], lines.path([20.0]))
        assert found.strains.tension_hot_kn.tolist() == pytest.approx([0.729], abs=5e-4)
        assert found.bays.sag_m * 1e3 == pytest.approx(np.full(5, 1.037), abs=2e-3)


class TestUplift:
    def test_of_a_post_in_a_hollow(self) -> None:
        """Both neighbours 4 m away and 1 m higher: three wires of 1.1 + 0.371 kN, 2 / sqrt(17) each: 2.141 kN."""
        found = fence([51.0, 50.0, 51.0], lines.path([8.0]))
        assert found.posts.uplift_kn[1] == pytest.approx(3 * 1.4711 * 2 / np.sqrt(17), abs=1e-3)
        (finding,) = [each for each in found.findings if each.code == "post-uplift"]
        assert (finding.severity, finding.post, finding.unit, finding.limit) == ("warn", 1, "kN", 0.4)
        assert finding.value == pytest.approx(found.posts.uplift_kn[1])
        for words in ("deeper", "tie it down", "soil"):
            assert words in finding.remedy
        assert "screening aid" in finding.message
        assert "licensed engineer" in finding.message

    def test_on_an_even_slope_only_the_ends_are_pulled(self) -> None:
        """From the lower end wires rise at 3 in 5, to the upper they come from below; between them the pulls cancel."""
        found = fence([50.0, 65.0], lines.path([20.0]))
        tension = float(found.strains.tension_cold_kn[0])
        assert found.posts.uplift_kn[0] == pytest.approx(3 * tension * 0.6)
        assert found.posts.uplift_kn[-1] == pytest.approx(-3 * tension * 0.6)
        assert found.posts.uplift_kn[1:-1] == pytest.approx(np.zeros(len(found.posts) - 2), abs=1e-9)

    def test_a_gate_does_not_pull(self) -> None:
        found = fence([52.0, 50.0, 52.0], lines.path([20.0]), gates=(Gate(name="G", chainage_m=8.5, width_m=3.0),))
        rows = [row for row, kind in enumerate(found.posts.kind) if kind == "gate"]
        rise = found.posts.ground_level_m[rows[0] - 1] - found.posts.ground_level_m[rows[0]]
        length = found.bays.slope_length_m[rows[0] - 1]
        expected = 3 * found.strains.tension_cold_kn[0] * rise / length
        assert found.posts.uplift_kn[rows[0]] == pytest.approx(expected)

    def test_pulls_of_all_posts_cancel(self) -> None:
        """Whatever one end of a bay is pulled up by, the other is pulled down."""
        level = 50 + np.cumsum(np.random.default_rng(1).normal(0, 0.3, 80))
        found = fence(level, lines.path([60.0, 60.0], [30.0]))
        assert found.posts.uplift_kn.sum() == pytest.approx(0.0, abs=1e-9)


class TestFindings:
    def test_each_line_says_what_its_wires_carry(self) -> None:
        found = fence([50.0, 50.0], lines.path([20.0]))
        (finding,) = found.findings
        assert (finding.code, finding.severity) == ("wire-strained", "note")
        assert finding.message.startswith(
            "Each wire is strained to 1.10 kN at 15 °C. It carries up to 1.47 kN at -15 °C and down to "
            "0.73 kN at 45 °C."
        )
        assert "stores energy" in finding.remedy

    def test_more_tension_than_a_wire_should_carry(self) -> None:
        found = fence([50.0, 50.0], lines.path([20.0]), wire=replace(WIRE, tension_max_kn=1.4))
        (finding,) = [each for each in found.findings if each.code == "wire-tension-over-limit"]
        assert (finding.severity, finding.limit, finding.unit) == ("warn", 1.4, "kN")
        assert finding.value == pytest.approx(1.471, abs=1e-3)

    def test_a_ditch_that_no_posts_span_is_a_stop_with_limit_value_and_remedy(self) -> None:
        """0.6 m wide, 1 m deep; the wire is 1.2 m above its bottom, less what a post some way down its bank saves."""
        chainage = np.array([0.0, 9.7, 10.0, 10.3, 20.0])
        profile = Profile(chainage_m=chainage, level_m=[50.0, 50.0, 49.0, 50.0, 50.0])
        level = profile.level_at(np.linspace(0, 20, 2001))
        found = fence(level, lines.path([20.0]), from_m=100.0)
        (finding,) = [each for each in found.findings if each.severity == "stop"]
        assert finding.code == "gap-over-limit"
        assert (finding.limit, finding.unit) == (0.3, "m")
        assert finding.chainage_m is not None
        assert 105.7 < finding.chainage_m < 110.0
        assert "levels.gap_max_m" in finding.remedy
        assert "layout.min_bay_m" in finding.remedy
        assert finding.bay is not None
        assert finding.value == found.bays.gap_max_m[finding.bay]
        assert 1.0 < finding.value <= 1.2

    def test_ground_that_comes_too_near_is_told_by_its_clearance(self) -> None:
        chainage = np.linspace(0, 20, 2001)
        level = 50 + np.where(np.abs(chainage - 10) < 0.3, 1 - np.abs(chainage - 10) / 0.3, 0)
        found = fence(level, lines.path([20.0]))
        stops = [each.code for each in found.findings if each.severity == "stop"]
        assert stops
        assert set(stops) <= {"clearance-under-limit", "gap-over-limit"}

    def test_two_fixed_posts_closer_than_the_narrowest_bay(self) -> None:
        found = fence([50.0, 50.0], lines.path([20.0]), gates=(Gate(name="G", chainage_m=0.5, width_m=3.0),))
        (finding,) = [each for each in found.findings if each.severity == "stop"]
        assert finding.code == "bay-under-minimum"
        assert (finding.value, finding.limit) == (pytest.approx(0.5), 1.0)
        assert "0.500 m away" in finding.remedy

    def test_bends_closer_than_the_narrowest_bay(self) -> None:
        found = fence([50.0, 50.0], lines.path([2.0, 0.5, 2.0], [9.0, 9.0]))
        (finding,) = [each for each in found.findings if each.code == "bay-off-line"]
        assert finding.severity == "warn"
        assert finding.limit == 0.02


class TestRuns:
    def test_follow_each_other(self) -> None:
        first, second = (fence([50.0, 50.0], lines.path([20.0]), from_m=start) for start in (0.0, 20.0))
        both = join([first, second])
        assert both.strains.start_m.tolist() == [0.0, 20.0]
        assert both.strains.from_post.tolist() == [0, len(first.posts)]
        assert both.posts.chainage_m[both.strains.to_post].tolist() == [20.0, 40.0]
        assert both.findings[-1].chainage_m == 20.0

    def test_panels_have_no_strains(self) -> None:
        panels = build_fence(
            Profile(chainage_m=[0.0, 9.6], level_m=[50.0, 50.0]),
            lines.path([9.6]),
            layout=LayoutRules(module_m=2.4, min_bay_m=0.5),
            levels=replace(LEVELS, dig_max_m=0.1),
            posts=PostRules(post_reveal_m=0.0, embedment_m=0.5),
            panel=PanelRules(height_m=1.8),
        )
        assert len(panels.strains) == 0
        assert np.isnan(panels.posts.uplift_kn).all()
        assert np.isnan(panels.bays.droppers).all()

    @pytest.mark.parametrize("missing", ["strain", "wire", "slope"])
    def test_slope_strain_and_wire_go_together(self, missing: str) -> None:
        rules = {"slope": "strained", "strain": StrainRules(post_spacing_max_m=4.0, strain_max_m=50.0), "wire": WIRE}
        del rules[missing]
        with pytest.raises(ValueError, match="does not go with"):
            build_fence(
                Profile(chainage_m=[0.0, 9.6], level_m=[50.0, 50.0]),
                lines.path([9.6]),
                layout=LayoutRules(module_m=4.0, min_bay_m=0.5),
                levels=LEVELS,
                posts=PostRules(post_reveal_m=0.0, embedment_m=0.5),
                panel=PanelRules(height_m=0.7),
                **rules,  # type: ignore[arg-type]
            )


def codes(found: Fence) -> list[str]:
    return [finding.code for finding in found.findings]


def laid(found: Fence) -> Layout:
    """The layout of a fence, as the drawing takes it."""
    return Layout(
        post_m=found.posts.chainage_m,
        post_kind=found.posts.kind,
        deflection_deg=found.posts.deflection_deg,
        bay_kind=found.bays.kind,
        bay_end_m=found.bays.end_m,
        width_m=found.bays.width_m,
    )
