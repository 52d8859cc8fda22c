"""Where lines meet, and what is fenced once. Expected places are closed forms: the lines are drawn on axes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from pyproj import Geod

from geofence.site.geodesics import Sights, crossings, feet, plane_about
from geofence.site.line import Line
from geofence.site.network import Network, network

GEOD = Geod(ellps="GRS80")
MIDDLE = (-1.7, 52.2)
TO_PLANE = plane_about(GEOD, *MIDDLE)
"""True in distance and direction from the middle; within 200 m straight lines are sight lines to 0.1 micrometre."""

Corners = Sequence[tuple[float, float]]

SQUARE: Corners = [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0)]
NEIGHBOUR: Corners = [(50, 0), (90, 0), (90, 50), (50, 50), (50, 20), (50, 0)]
"""East of the square; its side on it has a vertex more."""


def line(corners: Corners) -> Line:
    x, y = np.array(corners, dtype=float).T
    lon, lat = (np.array(part) for part in TO_PLANE.transform(x, y, direction="INVERSE"))
    if corners[0] == corners[-1]:
        lon[-1], lat[-1] = lon[0], lat[0]
    return Line.through(lon, lat, geod=GEOD)


def met(*lines: Corners, join_m: float = 0.02, near_m: float = 1.0) -> Network:
    return network([line(corners) for corners in lines], join_m=join_m, near_m=near_m)


def corners_of(run: Line) -> list[tuple[float, float]]:
    return list(zip(*(np.round(part, 4) + 0.0 for part in TO_PLANE.transform(run.lon_deg, run.lat_deg)), strict=True))


def places(found: Network) -> list[tuple[float, float]]:
    """Where the junctions are, to 0.1 mm."""
    at = np.array([(junction.lon_deg, junction.lat_deg) for junction in found.junctions]).reshape(-1, 2)
    return sorted(zip(*(np.round(part, 4) + 0.0 for part in TO_PLANE.transform(*at.T)), strict=True))


def visits(found: Network) -> list[list[tuple[int, float]]]:
    return [[(run, round(along, 4)) for run, along in junction.visits] for junction in found.junctions]


class TestWhereLinesMeet:
    def test_an_end_on_an_end(self):
        found = met([(0, 0), (100, 0)], [(100, 0), (120, 30)])
        assert visits(found) == [[(0, 100.0), (1, 0.0)]]
        assert len(found.runs) == 2

    def test_an_end_on_the_middle_of_a_leg(self):
        found = met([(0, 0), (100, 0)], [(30, 40), (30, 0)])
        assert visits(found) == [[(0, 30.0), (1, 40.0)]]
        assert found.runs[0].leg_number == (1,)  # the through line keeps its leg whole

    def test_a_crossing_with_and_without_vertices(self):
        assert places(met([(0, 0), (100, 0)], [(40, -30), (40, 30)])) == [(40.0, 0.0)]
        assert places(met([(0, 0), (40, 0), (100, 0)], [(40, -30), (40, 0), (40, 30)])) == [(40.0, 0.0)]
        assert places(met([(0, 0), (40, 0), (100, 0)], [(40, -30), (40, 30)])) == [(40.0, 0.0)]

    def test_three_lines_through_one_place_have_one_junction(self):
        found = met([(0, 0), (100, 0)], [(40, -30), (40, 30)], [(20, -20), (60, 20)])
        assert visits(found) == [[(0, 40.0), (1, 30.0), (2, round(20 * 2**0.5, 4))]]

    def test_a_line_that_crosses_itself(self):
        found = met([(0, 0), (50, 0), (50, 50), (25, -25)])
        # the last leg comes down at 3 in 1 and passes the first at x = 25 + 25/3
        assert places(found) == [(33.3333, 0.0)]
        assert [run for run, _ in found.junctions[0].visits] == [0, 0]

    def test_a_line_that_ends_on_itself(self):
        found = met([(0, 0), (60, 0), (60, 40), (20, 40), (20, 0)])
        assert visits(found) == [[(0, 20.0), (0, 180.0)]]

    def test_a_line_that_comes_back_to_its_start_is_a_ring(self):
        found = met([(0, 0), (50, 0), (50, 50), (0.01, 0)])
        assert found.runs[0].closed
        assert not found.junctions

    def test_a_line_that_ends_at_a_ring_s_first_vertex(self):
        found = met(SQUARE, [(-30, 0), (0, 0)])
        assert visits(found) == [[(0, 0.0), (1, 30.0)]]

    def test_a_line_that_meets_nothing_is_as_drawn(self):
        drawn = [line([(0, 0), (100, 0)]), line([(0, 20), (100, 20)])]
        found = network(drawn, join_m=0.02, near_m=1.0)
        assert all(run is one for run, one in zip(found.runs, drawn, strict=True))
        assert (found.junctions, found.shared, found.near, found.moved) == ((), (), (), 0)

    def test_short_legs_of_a_curve_do_not_meet_each_other(self):
        turn = np.radians(np.arange(0, 181, 0.5))
        curve = [(float(x), float(y)) for x, y in np.column_stack([np.cos(turn), np.sin(turn)])]  # chords of 9 mm
        assert met(curve).junctions == ()
        circle = [*curve, *((x, -y) for x, y in curve[-2:0:-1]), curve[0]]
        found = met(circle)
        assert found.junctions == found.shared == ()
        assert found.moved == 0


class TestTheTolerance:
    @pytest.mark.parametrize(("miss_m", "meets"), [(0.0199, True), (0.0201, False)])
    def test_ends_meet_within_it(self, miss_m, meets):
        assert bool(met([(0, 0), (100, 0)], [(100 + miss_m, 0), (130, 30)]).junctions) is meets
        assert bool(met([(0, 0), (100, 0)], [(40, miss_m), (40, 30)]).junctions) is meets

    def test_the_end_goes_to_the_line_that_goes_on_whichever_comes_first(self):
        through, end = [(0, 0), (40, 0.013), (100, 0)], [(40, 30), (39.99, 0)]
        for lines in ([through, end], [end, through]):
            assert places(met(*lines)) == [(40.0, 0.013)]

    def test_what_was_moved_is_told(self):
        found = met([(0, 0), (100, 0)], [(40, 0.012), (40, 30)], [(70, 0.005), (70, 30)])
        assert found.moved == 2
        assert found.moved_m == pytest.approx(0.012, abs=1e-6)

    def test_a_leg_that_passes_a_junction_within_it_is_led_through(self):
        found = met([(0, 0), (100, 0)], [(40, -30), (40, 0), (40, 30)], [(10, -29.99), (70.02, 30)])
        assert places(found) == [(40.0, 0.0)]
        assert corners_of(found.runs[2])[1] == (40.0, 0.0)
        assert found.runs[2].leg_number == (1, 1)


class TestSharedStretches:
    def test_neighbours_are_fenced_once_where_they_touch(self):
        found = met(SQUARE, NEIGHBOUR)
        assert corners_of(found.runs[0]) == SQUARE
        assert corners_of(found.runs[1]) == [(50, 0), (90, 0), (90, 50), (50, 50)]
        assert found.runs[1].leg_number == (1, 2, 3)
        assert places(found) == [(50, 0), (50, 50)]
        (shared,) = found.shared
        assert (shared.owner, shared.other, shared.run) == (0, 1, 0)
        assert (shared.from_m, shared.to_m) == pytest.approx((50, 100), abs=1e-6)

    def test_the_first_line_owns_them(self):
        found = met(NEIGHBOUR, SQUARE)
        assert found.runs[0].closed
        assert corners_of(found.runs[1]) == [(50, 50), (0, 50), (0, 0), (50, 0)]  # on through its own first vertex
        assert found.runs[1].leg_number == (3, 4, 1)

    def test_a_part_of_a_leg(self):
        found = met([(0, 0), (50, 0)], [(30, 0), (80, 0)])
        assert corners_of(found.runs[1]) == [(50, 0), (80, 0)]
        assert visits(found) == [[(0, 50.0), (1, 0.0)]]

    def test_a_part_in_the_middle_leaves_two_runs(self):
        found = met([(30, 0), (50, 0)], [(0, 0), (80, 0)])
        assert [corners_of(run) for run in found.runs[1:]] == [[(0, 0), (30, 0)], [(50, 0), (80, 0)]]
        assert found.line == (0, 1, 1)

    def test_a_line_within_another_has_no_run(self):
        found = met([(0, 0), (50, 0)], [(50, 0), (0, 0)])
        assert found.line == (0,)
        assert not found.junctions
        assert len(found.shared) == 1

    def test_a_third_line_that_ends_on_a_shared_stretch_meets_its_owner(self):
        found = met(SQUARE, NEIGHBOUR, [(50, 30), (20, 30)])
        assert (50.0, 30.0) in places(found)
        assert len(found.junctions) == 3

    def test_every_metre_of_a_grid_of_fields_is_fenced_once(self):
        fields = [
            [(x, y), (x + 50, y), (x + 50, y + 50), (x, y + 50), (x, y)] for x in (0, 50, 100) for y in (0, 50, 100)
        ]
        found = met(*fields)
        # 4 lines of 150 m each way
        assert sum(float(run.length_m.sum()) for run in found.runs) == pytest.approx(1200, abs=1e-3)
        # all crossings of two of the 4 x 4 lines but the corners of the whole, which are corners of one line
        assert len(found.junctions) == 12


class TestALineThatGoesTheSameWayTwice:
    """Each of its metres is fenced once, and told as shared by the line with itself.

    A ring that is parted goes on through its first vertex.
    """

    @pytest.mark.parametrize(
        ("corners", "runs_m", "twice_m", "meet_at"),
        [
            pytest.param([(0, 0), (80, 0), (0, 0)], [80], [(0, 80)], [], id="there and back"),
            pytest.param([(0, 0), (30, 0), (80, 0), (30, 0), (0, 0)], [80], [(0, 80)], [], id="by a vertex"),
            pytest.param([(0, 0), (80, 0), (20, 0)], [80], [(20, 80)], [], id="back a part of the way"),
            pytest.param([(30, 0), (80, 0), (0, 0)], [50, 30], [(0, 50)], [(30.0, 0.0)], id="and beyond"),
            pytest.param(
                [(0, 0), (40, 0), (40, 25), (40, 0), (80, 0)], [65, 40], [(40, 65)], [(40.0, 0.0)], id="a spur"
            ),
            pytest.param([(0, 0), (80, 0), (50, 0), (50, 30)], [80, 30], [(50, 80)], [(50.0, 0.0)], id="too far"),
            pytest.param([*SQUARE, (50, 0), (50, 10)], [200], [(0, 60)], [], id="a ring around once more"),
            pytest.param(
                [*SQUARE[:2], (50, -15), *SQUARE[1:]], [215], [(200, 215)], [(50.0, 0.0)], id="a ring with a spur"
            ),
        ],
    )
    def test_there(
        self, corners: Corners, runs_m: list[float], twice_m: list[tuple[float, float]], meet_at: list[object]
    ) -> None:
        found = met(corners)
        assert [float(run.length_m.sum()) for run in found.runs] == pytest.approx(runs_m, abs=1e-4)
        assert [(round(each.from_m, 4), round(each.to_m, 4)) for each in found.shared] == twice_m
        assert {(each.owner, each.other) for each in found.shared} == {(0, 0)}
        assert places(found) == meet_at

    def test_within_the_tolerance(self) -> None:
        """The way back is drawn 0.015 m beside the way there."""
        found = met([(0, 0), (80, 0), (20, 0.015), (20, 30)])
        assert sum(float(run.length_m.sum()) for run in found.runs) == pytest.approx(110, abs=1e-3)
        assert [(each.from_m, each.to_m) for each in found.shared] == [pytest.approx((20, 80), abs=1e-3)]

    @pytest.mark.parametrize("too_far_m", [0.05, 0.3, 0.6])
    def test_however_short(self, too_far_m: float) -> None:
        found = met([(0, 0), (50 + too_far_m, 0), (50, 0.01), (50, 30)])
        assert [float(run.length_m.sum()) for run in found.runs] == pytest.approx([50 + too_far_m, 30], abs=1e-3)
        assert [each.to_m - each.from_m for each in found.shared] == [pytest.approx(too_far_m, abs=1e-3)]
        spur = met([(0, 0), (50, 0), (50, too_far_m), (50, 0), (80, 0)])
        assert [each.to_m - each.from_m for each in spur.shared] == [pytest.approx(too_far_m, abs=1e-4)]

    @pytest.mark.parametrize("corner", [[(0, -0.3), (0, 0)], [(0, 0), (0, -0.3), (0, 0)]], ids=["too far", "a spur"])
    def test_wherever_a_ring_begins(self, corner: Corners) -> None:
        ring = [*corner, (50, 0), (50, 50), (0, 50)]
        for first in range(len(ring)):
            found = met([*ring[first:], *ring[: first + 1]])
            assert sum(float(run.length_m.sum()) for run in found.runs) == pytest.approx(200.3, abs=1e-3)
            assert [each.to_m - each.from_m for each in found.shared] == [pytest.approx(0.3, abs=1e-4)]
            assert places(found) == [(0.0, 0.0)]

    def test_but_not_within_the_tolerance(self) -> None:
        found = met([(0, 0), (50, 0), (49.985, 0), (80, 0)])
        assert (found.shared, found.junctions) == ((), ())

    def test_but_not_where_it_turns_sharply(self) -> None:
        found = met([(0, 0), (80, 0), (0, 1)])
        assert (found.shared, found.junctions) == ((), ())
        assert float(found.runs[0].length_m.sum()) == pytest.approx(80 + np.hypot(80, 1), abs=1e-4)


class TestNearMisses:
    def test_ends_that_miss_by_less_than_a_metre(self):
        found = met([(0, 0), (100, 0)], [(40, 0.3), (40, 30)], [(100.4, 0), (130, 30)])
        assert [(miss.end, round(miss.apart_m, 3)) for miss in found.near] == [(True, 0.4), (True, 0.3)]

    def test_boundaries_drawn_twice_and_apart(self):
        other = [(50.1, 0), (90, 0), (90, 50), (50.1, 50), (50.1, 0)]
        found = met(SQUARE, other)
        assert {(miss.line, miss.other, miss.end, miss.vertices) for miss in found.near} == {
            (0, 1, False, 2),
            (1, 0, False, 2),
        }

    def test_lines_that_meet_are_near_each_other_without_a_miss(self):
        assert met([(0, 0), (100, 0)], [(40, 0), (40.5, 0.6), (60, 30)]).near == ()


class TestOrder:
    LINES = (SQUARE, NEIGHBOUR, [(-20, 25), (110, 25.01)], [(25, -20), (25.01, 80)], [(90.01, 10), (120, 10)])

    def test_of_lines_does_not_move_junctions(self):
        wanted = places(met(*self.LINES))
        assert (
            len(wanted) == 9
        )  # 4 on the third line, 2 more on the fourth, the two shared corners, the last line's end
        for order in ([4, 3, 2, 1, 0], [2, 0, 4, 1, 3], [1, 4, 0, 3, 2]):
            assert places(met(*(self.LINES[row] for row in order))) == wanted

    def test_of_vertices_does_not_either(self):
        assert places(met(*(corners[::-1] for corners in self.LINES))) == places(met(*self.LINES))


class TestGeodesics:
    def test_a_foot_is_square_to_its_line(self):
        sights = Sights.between(GEOD, *(np.array([value]) for value in (-1.7, 52.2, -1.5, 52.4)))
        lon, lat, ahead = sights.at(np.array([0]), np.array([9000.0]))
        lon, lat, _ = GEOD.fwd(lon, lat, ahead + 90, [25.0])
        along, aside = feet(sights, np.array([0]), np.array(lon), np.array(lat), np.array([8950.0]))
        assert (along[0], aside[0]) == pytest.approx((9000.0, 25.0), abs=1e-7)

    def test_parallel_lines_have_no_crossing(self):
        sights = Sights.between(
            GEOD, *(np.array(values) for values in ([-1.7, -1.69], [52, 52], [-1.7, -1.7], [53, 52]))
        )
        both = np.array([0])
        along, _, _ = crossings(sights, both, both, np.array([5.0]), np.array([9.0]))
        assert np.isnan(along[0])
