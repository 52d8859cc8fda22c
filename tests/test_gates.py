"""Gates from a job to the plan: how their leaves pass the ground, what stands under them, what their posts are.

(a) Closed forms on planes, banks and hollows, drawn as rasters of 0.25 m.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from geofence.engine.records import Finding, Floats
from geofence.errors import JobError, LayoutError
from geofence.outputs.gis.layers import all_layers
from geofence.outputs.setout.html import write
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from tests.sites import write_line, write_raster

UTM = CRS.from_epsg(32630)
WEST, NORTH = 500_000.0, 5_900_060.0
"""On the central meridian, where a metre of the ground is 0.9996 of the grid."""
K = 0.9996
Surface = Callable[[Floats, Floats], Floats]
Plan = Callable[..., FencePlan]


@pytest.fixture
def planned(tmp_path: Path) -> Plan:
    """Plans a fence of 40 m due east over a surface of (metres east of its start, metres north of it).

    A row of the raster's cell centres lies on the line.
    """

    def plan(
        surface: Surface,
        *gates: dict[str, Any],
        corners: Sequence[tuple[float, float]] = ((0, 0), (40, 0)),
        **tables: Any,
    ) -> FencePlan:
        raster = write_raster(
            tmp_path / "ground.tif", crs=UTM, west=WEST - 20.125, north=NORTH + 0.125, cell=0.25, shape=(240, 320),
            surface=lambda x, y: surface((x - 20.125) / K, (30.125 - y) / K),
        )  # fmt: skip
        at = [(WEST + x * K, NORTH - 30 + y * K) for x, y in corners]
        line = write_line(tmp_path / "boundary.gpkg", at, crs=UTM)
        values = {"ground": {"level_unit": "m"}, "gate": list(gates), **tables}
        return plan_fence(line=line, ground=raster, system="aac-panel", values=values)

    return plan


def gate(**keys: Any) -> dict[str, Any]:
    return {"name": "Yard", "at_m": 12.0, "width_m": 3.6, "swing": "left", **keys}


def found(plan: FencePlan, code: str) -> list[Finding]:
    return [finding for finding in plan.fence.findings if finding.code == code]


def underside_m(plan: FencePlan, row: int = 0) -> float:
    return float(plan.fence.bays.underside_from_m[plan.gates[row].bay])


def flat(x: Floats, y: Floats) -> Floats:  # noqa: ARG001
    return np.full_like(x, 100.0)


def bank(x: Floats, y: Floats) -> Floats:  # noqa: ARG001
    """Level south of the line, to the right; north of it the ground rises 0.1 m in each metre."""
    return 100 + 0.1 * np.maximum(y, 0)


class TestLeaf:
    def test_over_rising_ground_strikes_it(self, planned: Plan) -> None:
        """The underside is 0.05 m over the line; open by a the tip is over 100 + 0.1 x 3.6 sin(a)."""
        plan = planned(bank, gate())
        (finding,) = found(plan, "gate-strikes-ground")
        assert (finding.severity, finding.limit, finding.unit) == ("stop", 0.0, "m")
        assert underside_m(plan) == pytest.approx(100.05)
        assert finding.value == pytest.approx(0.36 - 0.05, abs=1e-3)
        assert "from 8 deg open on" in finding.message  # arcsin(0.05 / 0.36) = 7.98 degrees
        assert "Gate Yard: the leaf that opens to the left" in finding.message
        assert "3.60 m from its post" in finding.message
        assert "at 90 deg open" in finding.message
        assert (finding.chainage_m, finding.chainage_to_m) == pytest.approx((12.0, 15.6))
        assert finding.bay == plan.gates[0].bay

    def test_names_the_worst_place_in_the_grid(self, planned: Plan) -> None:
        (finding,) = found(planned(bank, gate()), "gate-strikes-ground")
        assert f"{WEST + 12 * K:.2f} E {NORTH - 30 + 3.6 * K:.2f} N" in finding.message

    def test_that_opens_the_other_way_clears_and_the_remedy_says_so(self, planned: Plan) -> None:
        (finding,) = found(planned(bank, gate()), "gate-strikes-ground")
        assert finding.remedy.startswith("Open it to the right (swing = 'right'), which clears; or ")
        plan = planned(bank, gate(swing="right"))
        assert not [item for item in plan.fence.findings if item.code.startswith("gate-")]

    def test_what_the_remedy_cuts_and_stops_is_enough(self, planned: Plan) -> None:
        (finding,) = found(planned(bank, gate()), "gate-strikes-ground")
        assert "cut the ground that it passes back by up to 0.361 m" in finding.remedy or "0.360 m" in finding.remedy
        assert not found(planned(bank, gate(open_deg=7.0)), "gate-strikes-ground")

    @pytest.mark.parametrize(("length_m", "stop"), [(3.6, 7), (2.4, 12), (1.2, 24)])
    def test_the_angle_that_the_remedy_stops_it_at_is_tried(self, planned: Plan, length_m: float, stop: int) -> None:
        """0.1 x length x sin(a) = 0.05 m at 7.98, 12.02 and 24.62 degrees."""
        (finding,) = found(planned(bank, gate(width_m=length_m)), "gate-strikes-ground")
        assert f"stop it at {stop} deg (open_deg)" in finding.remedy
        assert not found(planned(bank, gate(width_m=length_m, open_deg=float(stop))), "gate-strikes-ground")
        assert found(planned(bank, gate(width_m=length_m, open_deg=stop + 1.0)), "gate-strikes-ground")

    def test_it_is_stopped_before_a_mound(self, planned: Plan) -> None:
        """The lines that are looked at shift with the angle: whatever is said to clear must do so when it is asked."""
        mound = lambda x, y: 100 + 0.3 * np.exp(-((x - 14.4) ** 2 + (y - 2.4) ** 2) / 0.16)  # noqa: E731
        (finding,) = found(planned(mound, gate()), "gate-strikes-ground")
        told = re.search(r"stop it at (\d+) deg", finding.remedy)
        assert told
        stop = float(told[1])
        assert 20 < stop < 45
        assert not found(planned(mound, gate(open_deg=stop)), "gate-strikes-ground")
        assert found(planned(mound, gate(open_deg=stop + 1)), "gate-strikes-ground")

    def test_both_ways_is_looked_at_both_ways(self, planned: Plan) -> None:
        plan = planned(bank, gate(swing="both"))
        assert [way.side for way in plan.gates[0].ways] == ["left", "right"]
        (finding,) = found(plan, "gate-strikes-ground")
        assert "to the left" in finding.message
        assert "to the right" not in finding.remedy

    def test_the_crew_is_told_how_it_hangs(self, planned: Plan, tmp_path: Path) -> None:
        """Leaves, the post with hinges, side, angle, and the clearance asked for, on the sheet and in the layer."""
        plan = planned(flat, gate(swing="both", hinge="end", open_deg=100.0, clearance_m=0.08))
        second = plan.post_names[plan.fence.bays.to_post[plan.gates[0].bay]]
        write(plan, tmp_path / "setout.html")
        text = (tmp_path / "setout.html").read_text(encoding="utf-8")
        for words in ("both ways, 100°", f"<b>1 leaf</b> <span>{second}</span>", "<span>0.080</span>"):
            assert words in text
        (layer,) = (layer for layer in all_layers(plan) if layer.name == "gates")
        row = {name: values[0] for name, values in layer.columns.items()}
        assert (row["hinge"], row["open_deg"], row["clearance_m"], row["leaves"]) == (second, 100.0, 0.08, 1)

    def test_two_leaves_reach_half_as_far(self, planned: Plan) -> None:
        plan = planned(bank, gate(leaves=2))
        findings = found(plan, "gate-strikes-ground")
        assert [finding.value for finding in findings] == pytest.approx([0.18 - 0.05] * 2, abs=1e-3)
        assert ["first" in finding.message for finding in findings] == [True, False]
        bays = plan.fence.bays
        assert [way.post for way in plan.gates[0].ways] == [
            bays.from_post[plan.gates[0].bay],
            bays.to_post[plan.gates[0].bay],
        ]

    def test_that_passes_too_close_is_told(self, planned: Plan) -> None:
        """Ground up to 0.036 m higher leaves 0.014 m of 0.05 m."""
        (finding,) = found(planned(lambda _, y: 100 + 0.01 * np.maximum(y, 0), gate()), "gate-clearance-under-limit")
        assert (finding.severity, finding.limit) == ("warn", 0.05)
        assert finding.value == pytest.approx(0.014, abs=1e-3)

    def test_of_its_own_clearance(self, planned: Plan) -> None:
        assert underside_m(planned(flat, gate(clearance_m=0.12))) == pytest.approx(100.15)
        assert underside_m(planned(flat, gate(), gates={"clearance_m": 0.2})) == pytest.approx(100.2)
        assert underside_m(planned(flat, gate(clearance_m=0.1), gates={"clearance_m": 0.2})) == pytest.approx(100.1)

    def test_over_ground_without_a_level_is_told_and_planned(self, planned: Plan) -> None:
        plan = planned(lambda _, y: np.where(y > 1.5, -9999.0, 100.0), gate())
        (finding,) = found(plan, "gate-swing-without-ground")
        assert finding.severity == "warn"
        assert 20 < (finding.value or 0) < 80
        assert not found(plan, "gate-strikes-ground")

    def test_an_opening_without_a_leaf_has_no_such_findings(self, planned: Plan) -> None:
        steep = planned(lambda x, y: 100 + 0.2 * x + 0.3 * y, gate(swing="none"))
        assert not [item for item in steep.fence.findings if item.code.startswith("gate-")]
        assert (steep.gates[0].leaves, steep.gates[0].ways) == (0, ())

    def test_nobody_said_how_it_opens(self, planned: Plan) -> None:
        plan = planned(bank, {"at_m": 4.0, "width_m": 1.0}, {"name": "B", "at_m": 20.0, "width_m": 3.0})
        (finding,) = found(plan, "gate-swing-unstated")
        assert finding.severity == "note"
        assert finding.message.endswith("G1, B")
        assert [each.swing for each in plan.gates] == ["not stated"] * 2


class TestRaise:
    def test_hangs_high_enough_for_all_ground_that_it_passes(self, planned: Plan) -> None:
        """100.36 and 0.05 of clearance, at the next multiple of 0.05: 100.45; 0.45 over the ground below."""
        plan = planned(bank, gate(swing_level="raise"))
        assert underside_m(plan) == pytest.approx(100.45)
        assert not found(plan, "gate-strikes-ground")
        (finding,) = found(plan, "gate-gap-over-limit")
        assert finding.value == pytest.approx(0.45, abs=1e-6)
        assert "that its leaf passes as it opens, gate Yard" in finding.message

    def test_the_check_foretells_it(self, planned: Plan) -> None:
        (finding,) = found(planned(bank, gate()), "gate-strikes-ground")
        assert "hang it 0.400 m higher" in finding.remedy.replace("Hang", "hang")
        assert "up to 0.450 m over the ground, over its limit of 0.150 m" in finding.remedy

    def test_the_check_foretells_it_for_all_leaves(self, planned: Plan) -> None:
        """To the right the ground rises by a third: what lets that leaf pass is still too low for the other one."""
        both = lambda _, y: 100 + 0.1 * np.maximum(y, 0) + 0.03 * np.maximum(-y, 0)  # noqa: E731
        found_of = found(planned(both, gate(swing="both")), "gate-strikes-ground")
        assert [finding.value for finding in found_of] == pytest.approx([0.31, 0.058], abs=1e-3)
        raised = underside_m(planned(both, gate(swing="both", swing_level="raise"))) - 100.05
        assert raised == pytest.approx(0.4)
        assert all("hang it 0.400 m higher" in finding.remedy.replace("Hang", "hang") for finding in found_of)

    def test_over_falling_ground_changes_nothing(self, planned: Plan) -> None:
        plans = [planned(bank, gate(swing="right", swing_level=word)) for word in ("check", "raise")]
        assert underside_m(plans[0]) == underside_m(plans[1])

    def test_posts_rise_with_it(self, planned: Plan) -> None:
        low, high = (planned(bank, gate(swing_level=word)) for word in ("check", "raise"))
        post = low.fence.bays.from_post[low.gates[0].bay]
        rise = high.fence.posts.top_level_m[post] - low.fence.posts.top_level_m[post]
        assert rise == pytest.approx(0.4)


class TestFenceInTheWay:
    """The line turns a corner of so many degrees at the gate's second post, or some way on."""

    def cornered(self, planned: Plan, turn_deg: float, beyond_m: float = 0.0, **keys: Any) -> list[Finding]:
        turn, corner = np.radians(turn_deg), 15.6 + beyond_m
        ends = [(0, 0), (corner, 0), (corner + 8 * np.cos(turn), -8 * np.sin(turn))]
        return found(planned(flat, gate(hinge="end", **keys), corners=ends), "gate-strikes-fence")

    @pytest.mark.parametrize(
        ("turn_deg", "swing", "opens"),
        [(120, "right", 60), (120, "left", None), (-120, "left", 60), (80, "right", None), (60, "right", None)],
    )
    def test_at_the_corner_post(self, planned: Plan, turn_deg: float, swing: str, opens: float | None) -> None:
        """The fence leaves the corner at 180 degrees less the turn from the closed leaf."""
        findings = self.cornered(planned, turn_deg, swing=swing)
        assert [finding.value for finding in findings] == ([] if opens is None else [pytest.approx(opens, abs=0.1)])

    def test_that_opens_less_far_is_none(self, planned: Plan) -> None:
        assert not self.cornered(planned, 120.0, swing="right", open_deg=59.0)

    def test_beyond_the_corner(self, planned: Plan) -> None:
        """A corner of 150 degrees 1 m beyond the post: the fence comes back within reach of the leaf.

        In metres from the post, x along the closed leaf and y to the right, it runs from (-1, 0) through
        (-1 + s cos 30, s sin 30). It leaves the tip's circle of 3.6 m, at the least angle, where
        s = cos 30 + sqrt(3.6^2 - sin^2 30) = 4.431: at (2.838, 2.216), 37.98 degrees.
        """
        (finding,) = self.cornered(planned, 150.0, 1.0, swing="right")
        assert finding.value == pytest.approx(37.98, abs=0.01)

    def test_of_the_same_line_far_on(self, planned: Plan) -> None:
        """It comes back 2 m beside the gate, 50 m on: met where 3.6 m x sin(a) = 2 m, at 33.749 degrees."""
        lane = [(0, 0), (40, 0), (40, 2), (0, 2)]
        (finding,) = found(planned(flat, gate(), corners=lane), "gate-strikes-fence")
        assert finding.value == pytest.approx(33.749, abs=0.01)
        assert "meets the fence once opened 34 of 90 deg" in finding.message
        assert not found(planned(flat, gate(open_deg=32.0), corners=lane), "gate-strikes-fence")
        assert not found(planned(flat, gate(swing="right"), corners=lane), "gate-strikes-fence")

    def test_that_ends_beside_the_gate(self, planned: Plan) -> None:
        """From the second post, at 15.6 m, its end is 1.6 m along the closed leaf and 2 m aside: 51.340 degrees."""
        lane = [(0, 0), (40, 0), (40, 2), (14, 2)]
        (finding,) = found(planned(flat, gate(hinge="end"), corners=lane), "gate-strikes-fence")
        assert finding.value == pytest.approx(51.340, abs=0.01)

    def test_of_another_line(self, planned: Plan, tmp_path: Path) -> None:
        """It leaves from the gate's first post, 60 degrees to the left of the closed leaf.

        On ground at 100 m the post is 0.2 mm from the junction, which turns what is 0.05 m away by 0.2 degrees.
        """
        turn = np.radians(60)
        planned(flat)
        at = np.array([(12, 0), (12 + 9 * np.cos(turn), 9 * np.sin(turn))]) * K + (WEST, NORTH - 30)
        lines = [
            {"file": str(tmp_path / "boundary.gpkg"), "name": "Main"},
            {"file": str(write_line(tmp_path / "spur.gpkg", at, crs=UTM)), "name": "Spur"},
        ]
        ground = {"files": [str(tmp_path / "ground.tif")], "level_unit": "m"}

        def strikes(**keys: Any) -> list[Finding]:
            values = {"line": lines, "ground": ground, "gate": [gate(line="Main", **keys)]}
            return found(plan_fence(values=values, system="aac-panel"), "gate-strikes-fence")

        (finding,) = strikes()
        assert finding.value == pytest.approx(60.0, abs=0.2)
        assert "the leaf that opens to the left meets the fence of Spur once opened 60 of 90" in finding.message
        assert not strikes(open_deg=58.0)
        assert not strikes(swing="right")

    def test_a_straight_fence_is_in_no_leafs_way(self, planned: Plan) -> None:
        plan = planned(flat, gate(swing="both", open_deg=180.0), gate(name="B", at_m=22.0, leaves=2, open_deg=180.0))
        assert not found(plan, "gate-strikes-fence")


class TestLeavesOfTwoGates:
    """(a) Closed forms; the ways themselves are in ``tests/site/test_leaf_ways.py``."""

    def met(self, plan: FencePlan) -> list[Finding]:
        return found(plan, "gate-leaves-meet")

    def test_that_hang_at_one_post_meet_past_back_to_back(self, planned: Plan) -> None:
        """Opened 100 degrees each they meet where their angles are 180 degrees together, from 80 on."""
        pond = gate(name="Pond", at_m=15.6, open_deg=100.0)
        plan = planned(flat, gate(hinge="end", open_deg=100.0), pond)
        (finding,) = self.met(plan)
        assert (finding.severity, finding.limit, finding.unit) == ("warn", 100.0, "deg")
        assert finding.value == pytest.approx(80.0, abs=1e-3)
        assert (finding.chainage_m, finding.chainage_to_m) == pytest.approx((12.0, 15.6))
        assert finding.bay == plan.gates[0].bay
        assert finding.message == (
            "Gate Yard: the leaf that opens to the left, 80 of 100 deg open, comes into the way of gate Pond's at "
            "15.60 m (the leaf that opens to the left, 80 of 100 deg open); one that stands open bars the other"
        )
        assert not self.met(planned(flat, gate(hinge="end"), gate(name="Pond", at_m=15.6)))

    @pytest.mark.parametrize("cure", [{"swing": "right"}, {"hinge": "start"}, {"open_deg": 79.0}])
    def test_are_kept_apart_by_what_the_remedy_says(self, planned: Plan, cure: dict[str, Any]) -> None:
        pond = gate(name="Pond", at_m=15.6, open_deg=100.0)
        (finding,) = self.met(planned(flat, gate(hinge="end", open_deg=100.0), pond))
        told = re.search(
            r"at gate Yard, open it to the right \(swing = 'right'\), or hang it at its other post "
            r"\(hinge = 'start'\), or stop it at 79 deg \(open_deg\); or at gate Pond, ",
            finding.remedy,
        )
        assert told
        assert finding.remedy.endswith("Else shut the one before the other is opened.")
        assert not self.met(planned(flat, gate(**{"hinge": "end", "open_deg": 100.0, **cure}), pond))

    def test_across_a_lane_only_pass_each_other(self, planned: Plan) -> None:
        """The fence comes back 4 m beside itself; the other gate hangs 1 m past the first one's second post."""
        lane = [(0, 0), (40, 0), (40, 4), (0, 4)]
        (finding,) = self.met(planned(flat, gate(), gate(name="Pond", at_m=84 - 16.6), corners=lane))
        assert finding.severity == "note"
        assert finding.message.endswith("standing open neither bars the other")
        assert not self.met(planned(flat, gate(), gate(name="Pond", at_m=84 - 16.6, swing="right"), corners=lane))

    def test_of_one_gate_go_together(self, planned: Plan) -> None:
        assert not self.met(planned(flat, gate(leaves=2, swing="both", open_deg=180.0)))

    def test_each_pair_of_gates_is_told_once(self, planned: Plan) -> None:
        """Both ways, two leaves each: the first gate's second leaf and the second's first, to either side."""
        keys = {"swing": "both", "leaves": 2, "open_deg": 120.0}
        (finding,) = self.met(planned(flat, gate(**keys), gate(name="Pond", at_m=15.6, **keys)))
        assert finding.value == pytest.approx(60.0, abs=1e-3)
        assert "the leaf at its second post that opens to the left" in finding.message
        assert "(the leaf at its first post" in finding.message

    def test_that_slide_over_the_same_stretch(self, planned: Plan) -> None:
        """Leaves of 3.6 m with 4.4 m between the gates: each may slide 0.8 m."""
        pond = gate(name="Pond", at_m=20.0, swing="slide")
        (finding,) = self.met(planned(flat, gate(swing="slide", hinge="end"), pond))
        assert (finding.severity, finding.limit, finding.unit) == ("warn", pytest.approx(3.6), "m")
        assert finding.value == pytest.approx(0.8, abs=1e-3)
        assert "0.80 of 3.60 m slid" in finding.message

    def test_names_the_line_of_the_other_gate(self, planned: Plan, tmp_path: Path) -> None:
        planned(flat)
        beside = np.array([(40, 4), (0, 4)]) * K + (WEST, NORTH - 30)
        lines = [
            {"file": str(tmp_path / "boundary.gpkg"), "name": "Main"},
            {"file": str(write_line(tmp_path / "beside.gpkg", beside, crs=UTM)), "name": "Lane"},
        ]
        gates = [gate(line="Main"), gate(name="Pond", at_m=40 - 15.6, line="Lane")]
        ground = {"files": [str(tmp_path / "ground.tif")], "level_unit": "m"}
        plan = plan_fence(values={"line": lines, "ground": ground, "gate": gates}, system="aac-panel")
        (finding,) = self.met(plan)
        assert "gate Pond's at 24.40 m of Lane (" in finding.message
        assert finding.line == "Main"


class TestZones:
    """Shapes in metres east and north of the line's start; a raster's level 100 makes the ground 1.0000157 as long."""

    def over(self, planned: Plan, shape: Any, rule: str, **keys: Any) -> list[Finding]:
        moved = [shapely.transform(one, lambda xy: xy * K + (WEST, NORTH - 30)) for one in np.atleast_1d(shape)]
        file = self.folder / "zone.geojson"
        gpd.GeoDataFrame(geometry=moved, crs=UTM).to_crs(4326).to_file(file, engine="pyogrio", COORDINATE_PRECISION=9)
        zone = {"file": str(file), "rule": rule, "name": "Green", "source": "drawing 7", **keys.pop("zone", {})}
        return found(planned(flat, gate(**keys), zone=[zone]), "gate-opens-over-zone")

    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path) -> None:
        self.folder = tmp_path

    def test_a_tree_is_met_where_it_stands(self, planned: Plan) -> None:
        """2 m along the shut leaf and 1.5 m aside: arctan(1.5 / 2) = 36.87 degrees."""
        (finding,) = self.over(planned, shapely.Point(14, 1.5), "keep-clear")
        assert (finding.severity, finding.limit, finding.unit) == ("note", 90.0, "deg")
        assert finding.value == pytest.approx(36.870, abs=0.01)
        assert finding.message == (
            "Gate Yard: the leaf that opens to the left comes over Green (keep-clear; drawing 7), 37 of 90 deg open"
        )
        assert "stop it at 36 deg (open_deg), or make sure that nothing stands up there." in finding.remedy

    @pytest.mark.parametrize("keys", [{"swing": "right"}, {"open_deg": 36.0}, {"swing": "slide"}, {"width_m": 2.4}])
    def test_and_not_by_another_leaf(self, planned: Plan, keys: dict[str, Any]) -> None:
        assert not self.over(planned, shapely.Point(14, 1.5), "keep-clear", **keys)

    @pytest.mark.parametrize(("rule", "zone"), [("no-fence", {}), ("splay", {"limit_m": 0.6})])
    def test_a_road_is_met_by_the_tip(self, planned: Plan, rule: str, zone: dict[str, Any]) -> None:
        """Its edge 3 m from the line: arcsin(3 / 3.6) = 56.44 degrees; the leaf stands open over it."""
        (finding,) = self.over(planned, shapely.box(0, 3, 40, 9), rule, zone=zone)
        assert finding.severity == "warn"
        assert finding.value == pytest.approx(56.443, abs=0.01)
        assert finding.message.endswith("56 of 90 deg open, and stands open over it")

    def test_as_far_as_the_rule_reaches(self, planned: Plan) -> None:
        """1 m wider: arcsin(2 / 3.6) = 33.75 degrees."""
        (finding,) = self.over(planned, shapely.box(0, 3, 40, 9), "no-fence", zone={"buffer_m": 1.0})
        assert finding.value == pytest.approx(33.749, abs=0.01)

    def test_what_the_gate_spans_is_told_by_the_zone_alone(self, planned: Plan) -> None:
        pipe, tree = shapely.LineString([(13, -20), (13, 20)]), shapely.Point(14, 1.5)
        assert not self.over(planned, pipe, "keep-clear")
        assert not self.over(planned, pipe, "keep-clear", leaves=2)
        (finding,) = self.over(planned, [pipe, tree], "keep-clear")
        assert finding.value == pytest.approx(36.870, abs=0.01)

    def test_a_setback_is_the_fences(self, planned: Plan) -> None:
        assert not self.over(planned, shapely.box(0, 3, 40, 9), "setback", zone={"limit_m": 1.0})


class TestSlides:
    def test_past_its_post_along_the_ground_beside_the_fence(self, planned: Plan) -> None:
        """Ground that rises 0.1 m in each metre west of chainage 11.5: by 0.31 m at 8.4, 0.26 m over the underside."""
        west = lambda x, _: 100 + 0.1 * np.maximum(11.5 - x, 0)  # noqa: E731
        plan = planned(west, gate(swing="slide"))
        (finding,) = found(plan, "gate-strikes-ground")
        assert finding.value == pytest.approx(0.26, abs=1e-3)
        assert "the leaf that slides" in finding.message
        assert "from 1.00 m slid on" in finding.message  # 0.05 m over the line at chainage 11
        assert finding.remedy.startswith("Slide it past its other post (hinge = 'end'), which clears")
        assert not found(planned(west, gate(swing="slide", hinge="end")), "gate-strikes-ground")

    @pytest.mark.parametrize(
        ("at_m", "hinge", "room"), [(2.0, "start", 2.0), (35.0, "end", 1.4), (12.0, "start", None)]
    )
    def test_needs_room_to_run_back(self, planned: Plan, at_m: float, hinge: str, room: float | None) -> None:
        findings = found(planned(flat, gate(at_m=at_m, swing="slide", hinge=hinge)), "gate-run-back-short")
        assert [finding.value for finding in findings] == ([] if room is None else [pytest.approx(room, abs=1e-3)])

    def test_a_corner_or_another_gate_is_in_its_way(self, planned: Plan) -> None:
        bent = planned(flat, gate(at_m=22.0, swing="slide"), corners=[(0, 0), (20, 0), (30, 10)])
        assert [finding.value for finding in found(bent, "gate-run-back-short")] == [pytest.approx(2.0, abs=1e-3)]
        other = {"name": "B", "at_m": 9.0, "width_m": 1.0, "swing": "none"}
        beside = planned(flat, gate(swing="slide"), other)
        assert [finding.value for finding in found(beside, "gate-run-back-short")] == [pytest.approx(2.0, abs=1e-3)]

    @pytest.mark.parametrize(("spur_m", "room"), [(9.5, [2.5]), (8.0, [])])
    def test_another_line_is_in_its_way(self, planned: Plan, tmp_path: Path, spur_m: float, room: list[float]) -> None:
        """A fence leads off from chainage 9.5: whichever side the leaf slides on may be that one."""
        planned(flat)
        spur = np.array([(spur_m, 0), (spur_m, 9)]) * K + (WEST, NORTH - 30)
        lines = [
            {"file": str(tmp_path / "boundary.gpkg"), "name": "Main"},
            {"file": str(write_line(tmp_path / "spur.gpkg", spur, crs=UTM)), "name": "Spur"},
        ]
        ground = {"files": [str(tmp_path / "ground.tif")], "level_unit": "m"}
        values = {"line": lines, "ground": ground, "gate": [gate(line="Main", swing="slide")]}
        findings = found(plan_fence(values=values, system="aac-panel"), "gate-run-back-short")
        assert [finding.value for finding in findings] == pytest.approx(room, abs=1e-3)

    def test_stands_open_beside_the_fence(self, planned: Plan) -> None:
        (way,) = planned(flat, gate(swing="slide", hinge="end")).gates[0].ways
        assert way.easting == pytest.approx([WEST + 15.6 * K, WEST + 19.2 * K], abs=1e-3)
        assert way.northing == pytest.approx([NORTH - 30] * 2, abs=1e-3)


class TestOpening:
    def test_sloping_ground_across_it_is_told(self, planned: Plan) -> None:
        """0.1 in 1 is 5.71 degrees."""
        (finding,) = found(planned(lambda x, _: 100 + 0.1 * x, gate()), "gate-ground-slopes")
        assert finding.value == pytest.approx(5.7106, abs=1e-3)
        assert finding.limit == 5.0
        assert "rises 0.360 m" in finding.message
        assert not found(planned(lambda x, _: 100 + 0.08 * x, gate()), "gate-ground-slopes")

    def test_the_gap_under_a_closed_leaf_has_its_own_limit(self, planned: Plan) -> None:
        hollow = lambda x, _: 100 - 0.2 * (np.abs(x - 13.8) < 1)  # noqa: E731
        (finding,) = found(planned(hollow, gate()), "gate-gap-over-limit")
        assert finding.value == pytest.approx(0.25, abs=1e-5)  # levels are written as float32
        assert "gate Yard hangs 0.250 m over the lowest under it" in finding.message
        assert not found(planned(hollow, gate(gap_max_m=0.2501)), "gate-gap-over-limit")
        (finding,) = found(planned(flat, gate(gap_max_m=0.04)), "gate-gap-over-limit")
        assert finding.limit == 0.04


class TestPosts:
    def test_are_as_deep_as_half_their_height(self, planned: Plan) -> None:
        """0.05 + 1.8 + 0.005 m out of the ground; other posts of this system are 0.55 m deep."""
        plan = planned(flat, gate())
        kinds = np.array(plan.fence.posts.kind)
        assert plan.fence.posts.embedment_m[kinds == "gate"] == pytest.approx([0.9275] * 2)
        assert set(plan.fence.posts.embedment_m[kinds != "gate"]) == {0.55}

    def test_have_their_own_depth_reveal_and_stock(self, planned: Plan) -> None:
        own = {"post_embedment_m": 1.1, "post_reveal_m": 0.1, "post_stock_lengths_m": [2.4, 3.6]}
        plan = planned(flat, gate(post_embedment_m=1.2), {**gate(), "name": "B", "at_m": 25.0}, gates=own)
        posts, bays = plan.fence.posts, plan.fence.bays
        rows = [bays.from_post[each.bay] for each in plan.gates]
        assert posts.embedment_m[rows] == pytest.approx([1.2, 1.1])
        assert posts.height_m[rows] == pytest.approx([1.95] * 2)
        assert posts.stock_length_m[rows].tolist() == [3.6, 3.6]

    def test_a_heavier_leaf_asks_for_more_of_the_post_that_it_hangs_on(self, planned: Plan) -> None:
        """100 kg: (7.6518 x 1.765197 / (15.7 x 0.3)) ^ 1/3 = 1.42 m, in steps of 0.05 m; the other post as before."""
        plan = planned(flat, gate(leaf_kg=100.0))
        bay = plan.gates[0].bay
        first, second = (int(rows[bay]) for rows in (plan.fence.bays.from_post, plan.fence.bays.to_post))
        assert plan.fence.posts.embedment_m[[first, second]] == pytest.approx([1.45, 0.9275])
        (finding,) = found(plan, "gate-post-depth")
        assert (finding.severity, finding.limit) == ("note", 1.45)
        assert finding.value == pytest.approx(1.45)
        assert "not a design" in finding.message

    @pytest.mark.parametrize(
        ("leaves", "value", "says"),
        [
            (1, None, "of 1.45 m; how deep the existing post stands is not known. Wind"),
            (2, 1.15, "of 1.15 m; planned are 1.15 m, and how deep the existing post stands is not known. Wind"),
        ],
    )
    def test_one_that_exists_is_of_a_depth_that_nobody_knows(
        self, planned: Plan, tmp_path: Path, leaves: int, value: float | None, says: str
    ) -> None:
        """As above; with half the leaf half the moment: (7.6518 x 0.882599 / (15.7 x 0.3)) ^ 1/3 = 1.13 m."""
        (tmp_path / "posts.csv").write_text(f"name,easting,northing\nold,{WEST + 12 * K},{NORTH - 30}\n")
        existing = {"file": str(tmp_path / "posts.csv"), "grid": "EPSG:32630"}
        plan = planned(flat, gate(leaf_kg=100.0, leaves=leaves), existing=existing)
        assert plan.fence.posts.kind[plan.fence.bays.from_post[plan.gates[0].bay]] == "existing"
        (finding,) = found(plan, "gate-post-depth")
        assert finding.value == value
        assert says in finding.message

    @pytest.mark.parametrize("swing", ["slide", "none"])
    def test_a_leaf_that_does_not_hang_asks_for_nothing(self, planned: Plan, swing: str) -> None:
        plan = planned(flat, gate(swing=swing, leaf_kg=400.0))
        assert not found(plan, "gate-post-depth")
        assert plan.fence.posts.embedment_m.max() < 1.0

    def test_a_hole_narrower_than_the_post_is_refused(self, planned: Plan) -> None:
        with pytest.raises(JobError, match=r"gate\[1\]\.post_hole_diameter_m: is too narrow.* 0.3 m, limit 0.4 m"):
            planned(flat, gate(post_width_m=0.4))


class TestRuns:
    """Legs 1 and 3 are fenced; on ground at 100 m a leg of 20 m is 20.0003 m long."""

    @pytest.mark.parametrize(("at_m", "starts_m"), [(20.0, 20.000313), (16.4, 16.4), (20.0009, 20.000313)])
    def test_a_gate_where_one_ends_and_the_next_begins(self, planned: Plan, at_m: float, starts_m: float) -> None:
        corners = [(0, 0), (20, 0), (20, 10), (40, 10)]
        plan = planned(flat, gate(at_m=at_m), corners=corners, line={"legs": [1, 3]})
        assert plan.fence.bays.start_m[plan.gates[0].bay] == pytest.approx(starts_m, abs=2e-6)


class TestRing:
    RING = ((0, 0), (20, 0), (20, -20), (0, -20), (0, 0))

    @pytest.mark.parametrize(("east", "room"), [(0.0, 1.8), (1.0, 0.8)])
    def test_near_its_first_post_is_told_what_to_do(self, planned: Plan, east: float, room: float) -> None:
        """A gate of 3.6 m whose middle is there starts on the last leg."""
        near = [WEST + east * K, NORTH - 30]
        with pytest.raises(LayoutError, match=r"or start the ring at another vertex\.$") as told:
            planned(flat, {"name": "A", "near": near, "width_m": 3.6}, corners=self.RING)
        assert told.value.rule == "gate-within-ring"
        assert told.value.limit == pytest.approx(room, abs=2e-3)

    def test_near_its_first_post_and_within_its_leg(self, planned: Plan) -> None:
        plan = planned(flat, {"name": "A", "near": [WEST + 1.8 * K, NORTH - 30], "width_m": 3.6}, corners=self.RING)
        assert plan.gates[0].bay == 0

    @pytest.mark.parametrize(("at_m", "hinge", "fits"), [(0.0, "start", False), (0.0, "end", True)])
    def test_a_leaf_slides_from_its_corner(self, planned: Plan, at_m: float, hinge: str, fits: bool) -> None:
        plan = planned(flat, gate(at_m=at_m, swing="slide", hinge=hinge), corners=self.RING)
        assert [finding.value for finding in found(plan, "gate-run-back-short")] == ([] if fits else [0.0])


class TestPlan:
    def test_holds_each_leafs_way_in_both_grids(self, planned: Plan) -> None:
        plan = planned(flat, gate(hinge="end", open_deg=110.0))
        (way,) = plan.gates[0].ways
        assert way.post == plan.fence.bays.to_post[plan.gates[0].bay]
        post = np.array([plan.places.easting[way.post], plan.places.northing[way.post]])
        tips = (np.column_stack([way.easting, way.northing]) - post) / K
        assert np.hypot(*tips.T) == pytest.approx(np.full(len(tips), 3.6), abs=1e-3)
        assert tips[0] == pytest.approx([-3.6, 0.0], abs=1e-3)
        # The second post's leaf turns clockwise to the left: from west by north.
        assert tips[-1] == pytest.approx([-3.6 * np.cos(np.radians(110)), 3.6 * np.sin(np.radians(110))], abs=1e-3)
        lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(way.easting, way.northing)
        assert way.lon_deg == pytest.approx(lon, abs=1e-9)
        assert way.lat_deg == pytest.approx(lat, abs=1e-9)
        _, _, apart = Geod(ellps="WGS84").inv(
            np.full(len(lon), plan.places.lon_deg[way.post]), np.full(len(lon), plan.places.lat_deg[way.post]), lon, lat
        )
        assert apart * (1 + 100 / 6.38e6) == pytest.approx(np.full(len(lon), 3.6), abs=1e-4)

    def test_names_its_gates_in_posts_and_bays(self, planned: Plan) -> None:
        plan = planned(flat, gate(), {**gate(), "name": "Pond", "at_m": 15.6, "width_m": 1.2})
        assert [name for name in plan.bay_columns()["gate"] if name] == ["Yard", "Pond"]
        assert [name for name in plan.post_columns()["gate"] if name] == ["Yard", "Yard; Pond", "Pond"]
        assert "gate" not in planned(flat).bay_columns()

    def test_rows_are_those_of_all_runs(self, planned: Plan) -> None:
        """Two runs, as legs 1 and 3 are fenced; the second gate is in the second run."""
        corners = [(0, 0), (20, 0), (20, 10), (40, 10)]
        gates = [gate(at_m=25.0, name="B"), gate(at_m=5.0, name="A")]
        line = {"legs": [1, 3]}
        plan = planned(flat, *gates, corners=corners, line=line)
        assert [each.name for each in plan.gates] == ["A", "B"]
        assert [plan.fence.bays.kind[each.bay] for each in plan.gates] == ["gate", "gate"]
        assert plan.fence.bays.start_m[[each.bay for each in plan.gates]] == pytest.approx([5.0, 25.0], abs=1e-6)
        ways = [each.ways[0] for each in plan.gates]
        for way, name in zip(ways, "AB", strict=True):
            apart = np.hypot(
                way.easting[0] - plan.places.easting[way.post], way.northing[0] - plan.places.northing[way.post]
            )
            assert apart == pytest.approx(3.6 * K, abs=1e-3), name
