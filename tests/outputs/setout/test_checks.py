"""What checks a set-out fence: diagonals and ties.

(c) geographiclib (C. F. F. Karney) for places and distances on the ellipsoid, raised to the ground by Euler's formula
written out here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS

from geofence.outputs.on_grid import grid_crs
from geofence.outputs.setout.checks import chord, diagonals, held_rows, in_holes, straights, ties, weakly_tied
from geofence.outputs.setout.posts import stretches
from geofence.outputs.setout.strings import tape_of
from geofence.outputs.setout.units import TapeUnit, Units
from geofence.plan import FencePlan, Parameter
from tests.outputs.drawn_plans import plan_of
from tests.outputs.setout.plans import plan_through, square, tee, with_marks

HALF_MM = 5e-4


def ground_m(plan: FencePlan, one: Sequence[float], other: Sequence[float], level_m: float) -> float:
    """(c) between places (longitude, latitude on the grid's datum), at a level."""
    geod = grid_crs(plan).get_geod()
    line = Geodesic(geod.a, geod.f).Inverse(one[1], one[0], other[1], other[0])
    separation = plan.parameters.get("job.geoid_separation_m")
    height = level_m + (separation.value if separation else 0.0)
    flat = 1 - geod.es * math.sin(math.radians(one[1])) ** 2
    azimuth = math.radians(line["azi1"])
    curvature = math.cos(azimuth) ** 2 / (geod.a * (1 - geod.es) / flat**1.5) + math.sin(azimuth) ** 2 / (
        geod.a / math.sqrt(flat)
    )
    return float(line["s12"] * (1 + height * curvature))


def degrees(plan: FencePlan, row: int) -> tuple[float, float]:
    """Where a post stands on the grid's datum; these plans are on WGS 84, as the plan's own degrees are."""
    assert grid_crs(plan).geodetic_crs.ellipsoid.name == "WGS 84"
    return float(plan.places.lon_deg[row]), float(plan.places.lat_deg[row])


def setback_mark(plan: FencePlan, row: int, azimuth_deg: float, ground: float) -> tuple[float, float]:
    """(c) the place at a ground distance from a post."""
    lon, lat = degrees(plan, row)
    level = plan.fence.posts.ground_level_m[row]
    there = Geodesic.WGS84.Direct(lat, lon, azimuth_deg, 1.0)
    scale = ground_m(plan, (lon, lat), (there["lon2"], there["lat2"]), level)
    there = Geodesic.WGS84.Direct(lat, lon, azimuth_deg, ground / scale)
    return there["lon2"], there["lat2"]


class TestDiagonals:
    @pytest.mark.parametrize("name", ["steep", "ring on A4"])
    def test_are_what_a_tape_reads_between_the_pegs(self, name: str) -> None:
        """(c) pegs set by geographiclib on the ways to the neighbouring posts."""
        plan = plan_of(name)
        found = list(diagonals(plan, Units(), setback_m=3.0))
        assert [item.row for item in found] == [
            row for row, kind in enumerate(plan.fence.posts.kind) if kind == "corner"
        ]
        for item in found:
            level = plan.fence.posts.ground_level_m[item.row]
            here = degrees(plan, item.row)
            ways = []
            for toward in item.toward:
                there = degrees(plan, toward)
                ways.append(Geodesic.WGS84.Inverse(here[1], here[0], there[1], there[0])["azi1"])
            if item.prolonged:
                ways[0] += 180
            pegs = [setback_mark(plan, item.row, way, item.setback_m) for way in ways]
            assert item.setback_m == 3.0
            assert item.diagonal_m == pytest.approx(ground_m(plan, *pegs, level), abs=HALF_MM)

    def test_of_a_square_corner_is_that_of_3_4_5_s_kin(self) -> None:
        """(a) two sides of 3 m at a right angle: 3 times the root of 2; the sides are straight for 6 m."""
        found = list(diagonals(square(), Units(), setback_m=3.0))
        assert [item.row for item in found] == [0, 3, 6, 9]
        for item in found:
            assert (item.setback_m, item.prolonged) == (3.0, False)
            assert item.angle_deg == pytest.approx(90, abs=1e-3)
            assert item.diagonal_m == pytest.approx(3 * math.sqrt(2), abs=1e-4)
        assert {frozenset(item.toward) for item in found} == {
            frozenset({11, 1}), frozenset({2, 4}), frozenset({5, 7}), frozenset({8, 10}),
        }  # fmt: skip

    def test_where_the_fence_turns_little_one_peg_is_on_the_line_prolonged(self) -> None:
        """(a) a turn of 20 degrees: 2 x 3 sin 10."""
        turn = math.radians(20)
        places = [(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (10 + 4 * math.cos(turn), 4 * math.sin(turn))]
        plan = plan_through(np.array(places), (("", (0, 1, 2, 3), False),), ("end", "line", "corner", "end"))
        (found,) = diagonals(plan, Units(), setback_m=3.0)
        assert (found.row, found.prolonged) == (2, True)
        assert found.toward == (1, 3)  # the line that is straight for longer is prolonged
        assert found.diagonal_m == pytest.approx(6 * math.sin(turn / 2), abs=1e-4)

    def test_setbacks_keep_within_short_legs(self) -> None:
        places = [(0.0, 0.0), (5.0, 0.0), (5.0, 1.7), (9.0, 1.7)]
        plan = plan_through(np.array(places), (("", (0, 1, 2, 3), False),), ("end", "corner", "corner", "end"))
        found = list(diagonals(plan, Units(), setback_m=3.0))
        assert [(item.row, item.setback_m) for item in found] == [(1, 1.5), (2, 1.5)]
        assert [item.diagonal_m for item in found] == pytest.approx([1.5 * math.sqrt(2)] * 2, abs=1e-4)

    @pytest.mark.parametrize(
        ("tape", "foot_m"), [("ft", 0.3048), ("ft-in", 0.3048), ("ft", 1200 / 3937), ("ft-in", 1200 / 3937)]
    )
    def test_setbacks_in_feet_are_whole_or_half_ones(self, tape: TapeUnit, foot_m: float) -> None:
        """(a) 3 m are 9.84 ft, and a leg of 1.7 m has 5.577: whole and half feet are 10 and 5.5."""
        units = Units(tape=tape, foot_m=foot_m)
        places = [(0.0, 0.0), (5.0, 0.0), (5.0, 4.0), (9.0, 4.0), (9.0, 2.3)]
        kinds = ("end", "corner", "corner", "corner", "end")
        plan = plan_through(np.array(places), (("", (0, 1, 2, 3, 4), False),), kinds)
        found = list(diagonals(plan, units, setback_m=3.0))
        assert [item.setback_m / foot_m for item in found] == pytest.approx([10.0, 10.0, 5.5], abs=1e-9)
        assert found[0].diagonal_m == pytest.approx(10.0 * foot_m * math.sqrt(2), abs=1e-4)
        assert Units(tape="ft-in", foot_m=foot_m).length(found[2].setback_m) == "5'\u00a06\""

    def test_setbacks_in_metres_are_as_asked_or_whole_or_half_ones(self) -> None:
        places = [(0.0, 0.0), (5.0, 0.0), (5.0, 2.7), (7.7, 2.7), (7.7, 2.4)]
        kinds = ("end", "corner", "corner", "corner", "end")
        plan = plan_through(np.array(places), (("", (0, 1, 2, 3, 4), False),), kinds)
        assert [item.setback_m for item in diagonals(plan, Units(), setback_m=2.6)] == pytest.approx(
            [2.6, 2.6, 0.3], abs=1e-4
        )
        assert [item.setback_m for item in diagonals(plan, Units(), setback_m=3.0)][:2] == [2.5, 2.5]

    def test_a_junction_is_checked_on_both_of_its_sides(self) -> None:
        """(a) line B leaves line A at a right angle; straight on along line A there is nothing to check."""
        found = list(diagonals(tee(), Units(), setback_m=3.0))
        assert [(item.row, set(item.toward)) for item in found] == [(2, {3, 5}), (2, {1, 5})]
        assert [item.diagonal_m for item in found] == pytest.approx([3 * math.sqrt(2)] * 2, abs=1e-4)

    @pytest.mark.parametrize("key", ["line.corner_deg", "line[1].corner_deg"])
    def test_a_gate_s_post_is_checked_where_the_line_turns_as_a_corner_does(self, key: str) -> None:
        plan = square()
        kinds = tuple("gate" if kind == "corner" else kind for kind in plan.fence.posts.kind)
        plan = replace(plan, fence=replace(plan.fence, posts=replace(plan.fence.posts, kind=kinds)))
        for corner_deg, count in ((95.0, 0), (85.0, 4)):
            parameters = {**plan.parameters, key: Parameter(value=corner_deg, origin="job")}
            assert len(list(diagonals(replace(plan, parameters=parameters), Units(), setback_m=3.0))) == count

    def test_a_corner_post_is_checked_however_little_it_turns(self) -> None:
        places = [(0.0, 0.0), (10.0, 0.0), (20.0, 0.5)]
        plan = plan_through(np.array(places), (("", (0, 1, 2), False),), ("end", "corner", "end"))
        assert [item.row for item in diagonals(plan, Units(), setback_m=3.0)] == [1]


class TestTies:
    def marked(self) -> FencePlan:
        return with_marks(
            plan_of("steep"),
            [
                ("V1", "boundary", 20.0, -99_970.0, math.nan),
                ("STN1", "control", 10.0, -99_900.0, 112.0),
                ("STN2", "control", 90.0, -99_990.0, 131.5),
                ("STN3", "control", 170.0, -99_800.0, 150.0),
            ],
        )  # fmt: skip

    def test_are_ground_distances(self) -> None:
        """(c) to 0.5 mm, at the mean of the two levels; grid distances are off by some centimetres."""
        plan = self.marked()
        tape = tape_of(plan)
        found = ties(plan, tape, "control", reach_m=500.0, second_reach_m=500.0)
        assert len(found) == 2 * len(held_rows(plan))
        off = []
        for tie in found:
            level = (plan.fence.posts.ground_level_m[tie.row] + plan.marks.level_m[tie.mark]) / 2
            east, north = plan.marks.easting[tie.mark], plan.marks.northing[tie.mark]
            lon, lat = tape.to_degrees.transform(east, north)
            assert tie.distance_m == pytest.approx(
                ground_m(plan, (lon, lat), degrees(plan, tie.row), level), abs=HALF_MM
            )
            ahead = plan.places.easting[tie.row] - east, plan.places.northing[tie.row] - north
            off.append(abs(tie.distance_m - math.hypot(*ahead)))
            assert tie.bearing_deg == pytest.approx(math.degrees(math.atan2(*ahead)) % 360, abs=1e-9)
            assert tie.rise_m == pytest.approx(plan.fence.posts.ground_level_m[tie.row] - plan.marks.level_m[tie.mark])
        assert max(off) > 10 * HALF_MM

    def test_of_a_mark_without_a_level_take_the_posts(self) -> None:
        plan = self.marked()
        tie = ties(plan, tape_of(plan), "boundary", reach_m=500.0, second_reach_m=50.0)[0]
        assert math.isfinite(tie.distance_m)
        assert math.isnan(tie.rise_m)

    def plan(self, *marks: tuple[str, float, float]) -> FencePlan:
        return with_marks(tee(), [(name, "control", x, y, 50.0) for name, x, y in marks])

    def of_first(self, plan: FencePlan, reach_m: float = 100.0) -> list[str]:
        """Marks of the ties of P001, which stands at the corner; ``weak`` last where none of them cross well."""
        found = ties(plan, tape_of(plan), "control", reach_m=reach_m, second_reach_m=reach_m)
        return [*(plan.marks.name[tie.mark] for tie in found if tie.row == 0), *["weak"][: 0 in weakly_tied(found)]]

    def test_are_to_the_nearest_mark_and_to_the_nearest_that_crosses_it_well(self) -> None:
        """(a) in line with the first, though on the other side, a tie fixes nothing across it."""
        plan = self.plan(("near", 0.0, -10.0), ("beyond", 0.0, -20.0), ("opposite", 1.0, 30.0), ("across", 40.0, 0.0))
        assert self.of_first(plan) == ["near", "across"]

    def test_cross_weakly_where_there_is_no_better(self) -> None:
        plan = self.plan(("near", 0.0, -10.0), ("beyond", 1.0, -20.0))
        assert self.of_first(plan) == ["near", "beyond", "weak"]

    def test_of_boundary_and_control_together_are_weak_only_where_no_two_cross_well(self) -> None:
        """(a) seen from P001 the boundary's marks bear 180 and 190 degrees, the control point 218.7 or 195."""
        for bearing_deg, weak in ((218.7, False), (195.0, True)):
            there = [40 * trigonometric(math.radians(bearing_deg)) for trigonometric in (math.sin, math.cos)]
            marks = [("V1", "boundary", 0.0, -10.0, 50.0), ("V2", "boundary", -3.473, -19.696, 50.0)]
            plan = with_marks(tee(), [*marks, ("C1", "control", *there, 50.0)])
            found = [
                tie
                for kind in ("boundary", "control")
                for tie in ties(plan, tape_of(plan), kind, reach_m=100.0, second_reach_m=50.0)
                if tie.row == 0
            ]
            assert len(found) == 3
            assert weakly_tied(found[:2]) == {0}
            assert weakly_tied(found) == ({0} if weak else set())

    def test_reach_no_farther_than_asked(self) -> None:
        plan = self.plan(("near", 0.0, -10.0), ("far", 99.0, 0.0))
        assert self.of_first(plan, reach_m=50.0) == ["near"]
        assert self.of_first(plan, reach_m=5.0) == []

    def test_a_mark_under_the_post_leaves_any_second(self) -> None:
        plan = self.plan(("under", 0.0, 0.0), ("any", 3.0, 3.0))
        assert self.of_first(plan) == ["under", "any"]

    def test_only_posts_that_must_be_where_they_are_have_them(self) -> None:
        assert held_rows(tee()).tolist() == [0, 2, 4, 8]


class TestMarksInHoles:
    def test_are_those_within_the_hole_and_a_hands_breadth(self) -> None:
        """(a) holes of 0.3 m: 0.15 m and 0.05 m more."""
        marks = [(name, "boundary", 4.0 + x, 0.0, math.nan) for name, x in (("in", 0.0), ("edge", 0.19), ("off", 0.21))]
        plan = with_marks(tee(), marks)
        assert in_holes(plan, tape_of(plan)) == {0: 2, 1: 2}


class TestStraights:
    def test_run_past_gates_and_junctions_from_corner_to_corner(self) -> None:
        """(a) line A of the tee, past the junction; the sample's straights by the plan's own chainages."""
        plan = tee()
        (found,) = straights(plan, list(stretches(plan)))
        assert (found.start.name, found.end.name, found.length_m, found.bays) == ("P001", "P005", 8.0, 4)
        sample = plan_of("sample")
        whole = list(straights(sample, list(stretches(sample))))
        assert [[part.kind for part in (item.start, item.end)] for item in whole][:1] == [["corner", "corner"]]
        for item in whole:
            start, end = (sample.fence.posts.chainage_m[post.row] for post in (item.start, item.end))
            assert item.length_m == pytest.approx(end - start, abs=1e-9)
            bearings = [
                chord(sample, tape_of(sample), part.start.row, part.end.row).bearing_deg for part in item.stretches
            ]
            assert np.ptp(bearings) < 0.06
        inner = {part.end.kind for item in whole for part in item.stretches[:-1]}
        assert "gate" in inner
        assert "corner" not in inner

    def test_are_none_where_each_stretch_is_one(self) -> None:
        assert list(straights(square(), list(stretches(square())))) == []


class TestStretches:
    @pytest.mark.parametrize("name", ["steep", "ring on A4"])
    def test_have_the_length_on_the_ground(self, name: str) -> None:
        """(c) geographiclib between their ends, raised to the mean level of the ground under them."""
        plan = plan_of(name)
        stations = plan.stations
        for part in stretches(plan):
            if part.bent:
                continue
            start, end = part.end.chainage_m - part.length_m, part.end.chainage_m
            at = np.linspace(start, end, 2001)
            level = np.interp(at, stations.chainage_m, stations.ground_level_m)
            mean = float(((level[1:] + level[:-1]) / 2).mean())
            taped = ground_m(plan, degrees(plan, part.start.row), degrees(plan, part.end.row), mean)
            assert part.length_m == pytest.approx(taped, abs=HALF_MM)
            assert chord(plan, tape_of(plan), part.start.row, part.end.row).bearing_deg >= 0


def test_the_tape_takes_the_grid_from_its_definition_where_it_has_no_code() -> None:
    plan = tee()
    grid = replace(plan.grid, code=None, wkt=CRS(32630).to_wkt())
    assert chord(replace(plan, grid=grid), tape_of(replace(plan, grid=grid)), 0, 4) == chord(plan, tape_of(plan), 0, 4)
