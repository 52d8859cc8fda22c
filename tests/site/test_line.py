"""The line: legs, turns, places, runs. Closed forms on small figures; geographiclib as oracle is in validation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer

from geofence.site import grids
from geofence.site.line import (
    NEAR_VERTEX_M,
    Line,
    joined,
    legs_between,
    merge_near,
    pick_legs,
    straightness,
    turn,
)

GRS80 = Geod(ellps="GRS80")
PLACE = (12.0, 47.0)


def drawn(*corners: tuple[float, float], at: tuple[float, float] = PLACE) -> Line:
    """A line by metres east and north of a place, true to a millimetre within some hundred metres."""
    east, north = np.array(corners, dtype=float).T
    lon, lat, _ = GRS80.fwd(
        np.full(len(east), at[0]), np.full(len(east), at[1]), np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    )
    return Line.through(np.array(lon), np.array(lat), geod=GRS80)


def ring(*corners: tuple[float, float]) -> Line:
    return drawn(*corners, corners[0])


SQUARE = ((0.0, 0.0), (0.0, 10.0), (10.0, 10.0), (10.0, 0.0))


def numbers(runs: Sequence[Line]) -> list[tuple[int, ...]]:
    return [run.leg_number for run in runs]


def ends(line: Line) -> NDArray[np.float64]:
    return np.array([line.lon_deg[[0, -1]], line.lat_deg[[0, -1]]])


class TestTurn:
    @pytest.mark.parametrize(
        ("arriving", "leaving", "right"), [(0, 90, 90), (90, 0, -90), (350, 10, 20), (10, 350, -20), (45, 45, 0)]
    )
    def test_right_is_positive(self, arriving: float, leaving: float, right: float) -> None:
        assert turn(np.array(arriving, float), np.array(leaving, float)) == pytest.approx(right)

    def test_straight_back(self) -> None:
        assert turn(np.array(30.0), np.array(210.0)) == -180


class TestLine:
    def test_legs_turns_and_lengths(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30), (40, 80))
        assert len(line) == 3
        assert line.length_m == pytest.approx([30, 40, 50], abs=1e-3)
        assert line.azimuth_deg == pytest.approx([0, 90, 0], abs=1e-3)
        assert line.deflection_deg == pytest.approx([0, 90, -90, 0], abs=1e-3)
        assert line.vertex_distance_m == pytest.approx([0, 30, 70, 120], abs=1e-3)
        assert not line.closed

    def test_a_ring_turns_at_its_first_vertex_too(self) -> None:
        line = ring(*SQUARE)
        assert line.closed
        assert line.deflection_deg == pytest.approx([90] * 5, abs=1e-3)

    def test_out_and_back_is_no_ring(self) -> None:
        assert not drawn((0, 0), (10, 0), (0, 0)).closed

    def test_a_vertex_belongs_to_the_leg_that_it_starts(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30))
        middle = line.vertex_distance_m[1]
        assert line.leg_at(np.array([-1.0, 0.0, middle - 1e-6, middle, 70.0, 99.0])).tolist() == [0, 0, 0, 1, 1, 1]

    def test_places(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30))
        lon, lat = line.at(np.array([10.0, 50.0]))
        want = drawn((0, 10), (20, 30))
        _, _, apart = GRS80.inv(lon, lat, want.lon_deg, want.lat_deg)
        assert apart == pytest.approx([0, 0], abs=1e-3)

    def test_reversed_keeps_numbers_with_their_legs(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30), (40, 80))
        back = line.reversed()
        assert back.leg_number == (3, 2, 1)
        assert back.length_m == pytest.approx([50, 40, 30], abs=1e-3)
        assert back.deflection_deg == pytest.approx([0, 90, -90, 0], abs=1e-3)

    def test_arrays_are_read_only(self) -> None:
        with pytest.raises(ValueError, match="read-only"):
            drawn((0, 0), (1, 1)).lon_deg[0] = 0

    def test_over_180_degrees_a_leg_is_short(self) -> None:
        """0.002 degree of longitude at 17 degrees south: 0.002 * 111,320 cos 17 = 213 m."""
        for east in (-179.999, 180.001):
            line = Line.through(np.array([179.999, east]), np.array([-17.0, -17.0]), geod=GRS80)
            assert line.length_m[0] == pytest.approx(213, abs=1)
            assert line.lon_deg[1] == pytest.approx(-179.999, abs=1e-12)
            lon, _ = line.at(np.array([0.0, 50.0, 200.0]))
            assert np.all(np.abs(lon) > 179.99)

    def test_beside_the_pole(self) -> None:
        """Between two places 100 m from the pole on opposite meridians the sight line runs over the pole."""
        line = Line.through(np.array([0.0, 180.0]), np.full(2, 90 - 100 / 111_694), geod=GRS80)
        assert line.length_m[0] == pytest.approx(200, abs=0.01)
        _, lat = line.at(line.length_m / 2)
        assert lat == pytest.approx(90, abs=1e-7)


class TestMergeNear:
    def test_nothing_near(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30))
        clean, gone = merge_near(line)
        assert clean is not None
        assert gone == 0
        assert np.array_equal(clean.lon_deg, line.lon_deg)

    @pytest.mark.parametrize(("apart", "kept"), [(NEAR_VERTEX_M * 0.99, 3), (NEAR_VERTEX_M * 1.01, 4)])
    def test_either_side_of_the_tolerance(self, apart: float, kept: int) -> None:
        clean, gone = merge_near(drawn((0, 0), (0, 30), (0, 30 + apart), (40, 30)))
        assert clean is not None
        assert (len(clean.lon_deg), gone) == (kept, 4 - kept)

    def test_many_small_steps_do_not_vanish(self) -> None:
        """A line digitised every 3 mm is thinned to every 6 mm, not to nothing."""
        clean, gone = merge_near(drawn(*((0.003 * row, 0.0) for row in range(101))))
        assert clean is not None
        assert (len(clean), gone) == (50, 50)
        assert clean.length_m.sum() == pytest.approx(0.3, abs=1e-6)

    def test_the_end_stays(self) -> None:
        line = drawn((0, 0), (50, 0), (50.002, 0.0), (50.004, 0))
        clean, gone = merge_near(line)
        assert clean is not None
        assert gone == 2
        assert np.array_equal(ends(clean), ends(line))

    def test_the_end_stays_though_it_turns_back_on_the_vertex_before(self) -> None:
        line = drawn((0, 0), (10, 0), (10.0055, 0), (10.002, 0))
        clean, gone = merge_near(line)
        assert clean is not None
        assert gone == 2
        assert np.array_equal(ends(clean), ends(line))
        assert clean.length_m.min() >= NEAR_VERTEX_M

    def test_a_ring_whose_last_but_one_lies_on_its_start(self) -> None:
        clean, gone = merge_near(ring(*SQUARE, (0.002, 0.001)))
        assert clean is not None
        assert (clean.closed, len(clean), gone) == (True, 4, 1)

    @pytest.mark.parametrize(
        "corners",
        [
            ((0, 0), (0, 0)),
            ((0, 0), (0, 0.002), (0, 0.004)),
            ((0, 0), (0.004, 0), (0, 0)),
        ],
    )
    def test_one_point(self, corners: tuple[tuple[float, float], ...]) -> None:
        assert merge_near(drawn(*corners)) == (None, len(corners) - 1)

    def test_legs_are_numbered_anew(self) -> None:
        clean, _ = merge_near(drawn((0, 0), (0, 0), (0, 30), (40, 30)))
        assert clean is not None
        assert clean.leg_number == (1, 2)


class TestJoined:
    def test_head_to_tail(self) -> None:
        lines = joined([drawn((0, 0), (10, 0)), drawn((10, 0), (10, 10), (20, 10))])
        assert numbers(lines) == [(1, 2, 3)]
        assert lines[0].length_m == pytest.approx([10, 10, 10], abs=1e-3)

    def test_apart(self) -> None:
        lines = joined([drawn((0, 0), (10, 0)), drawn((10.01, 0), (10, 10))])
        assert numbers(lines) == [(1,), (2,)]

    def test_head_to_head_stays_apart(self) -> None:
        assert len(joined([drawn((0, 0), (10, 0)), drawn((20, 0), (10, 0))])) == 2

    def test_sides_drawn_one_by_one_make_a_ring(self) -> None:
        corners = (*SQUARE, SQUARE[0])
        sides = [drawn(corners[row], corners[row + 1]) for row in range(4)]
        (whole,) = joined(sides)
        assert whole.closed
        assert whole.leg_number == (1, 2, 3, 4)

    def test_an_end_that_misses_its_start_by_less_than_the_tolerance_closes(self) -> None:
        (whole,) = joined([drawn(*SQUARE, (0.003, 0.0))])
        assert whole.closed
        (whole,) = joined([drawn(*SQUARE, (0.006, 0.0))])
        assert not whole.closed

    def test_nothing_is_added_to_a_ring(self) -> None:
        lines = joined([ring(*SQUARE), drawn((0, 0), (-10, 0)), ring(*SQUARE)])
        assert [(line.closed, line.leg_number) for line in lines] == [
            (True, (1, 2, 3, 4)),
            (False, (5,)),
            (True, (6, 7, 8, 9)),
        ]


class TestPickLegs:
    OPEN = drawn((0, 0), (10, 0), (20, 0), (30, 0), (40, 0))

    @pytest.mark.parametrize(
        ("wanted", "runs"),
        [
            ([1, 2, 3, 4], [(1, 2, 3, 4)]),
            ([2], [(2,)]),
            ([1, 2, 4], [(1, 2), (4,)]),
            ([4, 1], [(1,), (4,)]),
            ([2, 2, 3], [(2, 3)]),
            ([2, 7], [(2,)]),
            ([7], []),
        ],
    )
    def test_open(self, wanted: list[int], runs: list[tuple[int, ...]]) -> None:
        """Leg 7 is another line's."""
        assert numbers(pick_legs(self.OPEN, wanted)) == runs

    @pytest.mark.parametrize(
        ("wanted", "runs"),
        [([4, 1], [(4, 1)]), ([1, 2, 4], [(4, 1, 2)]), ([1, 3], [(1,), (3,)]), ([3, 4], [(3, 4)])],
    )
    def test_a_ring_goes_on_through_its_start(self, wanted: list[int], runs: list[tuple[int, ...]]) -> None:
        picked = pick_legs(ring(*SQUARE), wanted)
        assert numbers(picked) == runs
        assert not any(run.closed for run in picked)

    def test_all_of_a_ring_is_the_ring(self) -> None:
        (whole,) = pick_legs(ring(*SQUARE), {1, 2, 3, 4})
        assert whole.closed

    def test_a_run_through_the_start_has_its_vertices_in_order(self) -> None:
        square = ring(*SQUARE)
        (run,) = pick_legs(square, [4, 1])
        assert run.lon_deg.tolist() == square.lon_deg[[3, 0, 1]].tolist()
        assert run.deflection_deg == pytest.approx([0, 90, 0], abs=1e-3)


class TestLegsBetween:
    def test_open(self) -> None:
        line = TestPickLegs.OPEN
        assert legs_between(line, 1, 3) == (2, 3)
        assert legs_between(line, 3, 1) == (2, 3)

    @pytest.mark.parametrize(
        ("start", "end", "legs"), [(0, 2, (1, 2)), (2, 0, (3, 4)), (3, 1, (4, 1)), (1, 4, (2, 3, 4)), (4, 1, (1,))]
    )
    def test_a_ring_is_walked_onward(self, start: int, end: int, legs: tuple[int, ...]) -> None:
        assert legs_between(ring(*SQUARE), start, end) == legs

    def test_once_round(self) -> None:
        assert legs_between(ring(*SQUARE), 2, 2) == (3, 4, 1, 2)


class TestStraightness:
    """How far the middle of a straight line in the file's coordinates is from the geodesic, by another road."""

    @staticmethod
    def measured(code: int, x: list[float], y: list[float]) -> float:
        source = CRS(code)
        to_degrees = Transformer.from_crs(source, grids.geographic(source), always_xy=True)
        lon, lat = (np.array(part) for part in to_degrees.transform(np.array(x), np.array(y)))
        line = Line.through(lon, lat, geod=grids.ellipsoid(source))
        return float(straightness(line, to_degrees, np.array(x), np.array(y))[0])

    @pytest.mark.parametrize("lat", [50.0, -50.0])
    def test_a_parallel_in_degrees(self, lat: float) -> None:
        """A parallel leaves the geodesic between two of its places by about s^2 tan(lat) / 8 R."""
        width = 0.02
        geod = grids.ellipsoid(CRS(4326))
        _, _, s = geod.inv(7.0, lat, 7.0 + width, lat)
        sine = np.sin(np.radians(lat))
        prime_vertical = geod.a / np.sqrt(1 - geod.es * sine**2)
        want = s**2 * abs(np.tan(np.radians(lat))) / (8 * prime_vertical)
        assert want > 0.04
        assert self.measured(4326, [7.0, 7.0 + width], [lat, lat]) == pytest.approx(want, rel=2e-3)

    def test_a_diagonal_in_web_mercator(self) -> None:
        """Against the nearest of 20,001 places along the geodesic to the middle of the straight line."""
        x, y = [780_000.0, 790_000.0], [6_445_000.0, 6_452_000.0]
        to_degrees = Transformer.from_crs(3857, 4326, always_xy=True)
        geod = Geod(ellps="WGS84")
        (lon_1, lat_1), (lon_2, lat_2) = (to_degrees.transform(x[end], y[end]) for end in (0, 1))
        middle = to_degrees.transform(sum(x) / 2, sum(y) / 2)
        azimuth, _, length = geod.inv(lon_1, lat_1, lon_2, lat_2)
        steps = np.linspace(0.4, 0.6, 20_001) * length
        ones = np.ones_like(steps)
        lon, lat, _ = geod.fwd(lon_1 * ones, lat_1 * ones, azimuth * ones, steps)
        _, _, apart = geod.inv(lon, lat, middle[0] * ones, middle[1] * ones)
        assert apart.min() > 1.0
        assert self.measured(3857, x, y) == pytest.approx(float(apart.min()), rel=0.01)

    def test_a_survey_grid_is_straight_enough(self) -> None:
        """100 m in UTM, 226 km from the central meridian: 0.03 mm."""
        assert self.measured(32630, [726_000.0, 726_000.0], [5_700_000.0, 5_700_100.0]) < 1e-4

    @pytest.mark.parametrize("east", [-179.99, 180.01])
    def test_over_180_degrees(self, east: float) -> None:
        same_leg = self.measured(4326, [7.0, 7.02], [-50.0, -50.0])
        assert self.measured(4326, [179.99, east], [-50.0, -50.0]) == pytest.approx(same_leg, rel=1e-3)

    def test_grads(self) -> None:
        """0.02 degree are 0.0222 grad, and 50 degrees 55.556 grads."""
        in_grads = self.measured(4807, [1.0, 1.0 + 0.02 / 0.9], [50 / 0.9, 50 / 0.9])
        assert in_grads == pytest.approx(self.measured(4326, [7.0, 7.02], [50.0, 50.0]), rel=1e-3)

    def test_a_leg_without_length(self) -> None:
        assert self.measured(4326, [7.0, 7.0], [50.0, 50.0]) == 0
