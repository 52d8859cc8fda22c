"""Rules that every line keeps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pyproj import Geod

from geofence.errors import LayoutError
from geofence.site.line import NEAR_VERTEX_M, Line, joined, legs_between, merge_near, pick_legs
from geofence.site.offset import offset

GEOD = Geod(ellps="WGS84")

places = st.tuples(st.floats(-180, 180), st.floats(-85, 85))
steps = st.tuples(st.floats(0.01, 500), st.floats(0, 360))


@st.composite
def lines(draw: st.DrawFn, *, fewest: int = 1, most: int = 12) -> Line:
    """Legs of 1 cm to 500 m, each in any direction, anywhere but beside the poles."""
    lon, lat = draw(places)
    column = [(lon, lat)]
    for length, azimuth in draw(st.lists(steps, min_size=fewest, max_size=most)):
        lon, lat, _ = GEOD.fwd(lon, lat, azimuth, length)
        column.append((lon, lat))
    return Line.through(*np.array(column).T, geod=GEOD)


@st.composite
def gentle_lines(draw: st.DrawFn) -> Line:
    """Legs of 30 to 300 m that turn by at most 80 degrees and never more than 80 from their first direction."""
    lon, lat = draw(places)
    heading = draw(st.floats(0, 360))
    column = [(lon, lat)]
    for length, aside in draw(st.lists(st.tuples(st.floats(30, 300), st.floats(-40, 40)), min_size=1, max_size=10)):
        lon, lat, _ = GEOD.fwd(lon, lat, heading + aside, length)
        column.append((lon, lat))
    return Line.through(*np.array(column).T, geod=GEOD)


@st.composite
def rings(draw: st.DrawFn) -> Line:
    """Convex rings of 3 to 12 vertices, 40 to 400 m across."""
    lon, lat = draw(places)
    count = draw(st.integers(3, 12))
    radius = draw(st.floats(20, 200))
    azimuth = np.linspace(0, 360, count, endpoint=False) + draw(st.floats(0, 90))
    ones = np.ones(count)
    lons, lats, _ = GEOD.fwd(lon * ones, lat * ones, azimuth[:: draw(st.sampled_from([1, -1]))], radius * ones)
    return Line.through(np.append(lons, lons[0]), np.append(lats, lats[0]), geod=GEOD)


def apart_m(one: Line, other: Line) -> NDArray[np.float64]:
    _, _, apart = GEOD.inv(one.lon_deg, one.lat_deg, other.lon_deg, other.lat_deg)
    return np.asarray(apart)


class TestReversing:
    @given(lines())
    def test_keeps_length_and_mirrors_turns(self, line: Line) -> None:
        back = line.reversed()
        assert back.length_m == pytest.approx(line.length_m[::-1], abs=1e-7)
        turns, mirrored = line.deflection_deg, -back.deflection_deg[::-1]
        assert np.abs((turns - mirrored + 180) % 360 - 180) == pytest.approx(np.zeros(len(turns)), abs=1e-3)

    @given(lines())
    def test_twice_is_the_line(self, line: Line) -> None:
        again = line.reversed().reversed()
        assert np.array_equal(again.lon_deg, line.lon_deg)
        assert np.array_equal(again.lat_deg, line.lat_deg)
        assert again.leg_number == line.leg_number

    @given(rings())
    def test_a_ring_stays_a_ring_and_turns_once_round(self, line: Line) -> None:
        assert line.closed
        assert line.reversed().closed
        assert abs(line.deflection_deg[:-1].sum()) == pytest.approx(360, abs=0.1)


class TestPlaces:
    @given(lines())
    def test_at_the_vertex_distances_are_the_vertices(self, line: Line) -> None:
        lon, lat = line.at(line.vertex_distance_m)
        _, _, apart = GEOD.inv(lon, lat, line.lon_deg, line.lat_deg)
        assert np.max(apart) < 1e-6

    @given(lines(), st.floats(0, 1), st.floats(0, 1))
    def test_never_further_apart_than_along_the_line(self, line: Line, one: float, other: float) -> None:
        total = line.length_m.sum()
        lon, lat = line.at(np.array([one * total, other * total]))
        _, _, apart = GEOD.inv(lon[0], lat[0], lon[1], lat[1])
        assert apart <= abs(one - other) * total + 1e-6


class TestMerging:
    @given(lines(most=6), st.lists(st.tuples(st.integers(0, 6), st.floats(0, 0.004), st.floats(0, 360)), max_size=6))
    def test_takes_out_what_was_put_beside_a_vertex(self, line: Line, extra: list[tuple[int, float, float]]) -> None:
        column = list(zip(line.lon_deg.tolist(), line.lat_deg.tolist(), strict=True))
        for row, aside, azimuth in extra:
            lon, lat, _ = GEOD.fwd(*column[min(row, len(column) - 1)], azimuth, aside)
            column.insert(min(row, len(column) - 1) + 1, (lon, lat))
        clean, gone = merge_near(Line.through(*np.array(column).T, geod=GEOD))
        assume(clean is not None)
        assert clean is not None
        assert clean.length_m.min() >= NEAR_VERTEX_M * (1 - 1e-9)
        assert len(clean.lon_deg) + gone == len(column)
        assert (clean.lon_deg[0], clean.lat_deg[0]) == column[0]
        assert (clean.lon_deg[-1], clean.lat_deg[-1]) == column[-1]
        assert merge_near(clean)[1] == 0


class TestChoosing:
    @given(lines(fewest=2), st.data())
    def test_runs_are_the_legs_asked_for(self, line: Line, data: st.DataObject) -> None:
        wanted = data.draw(st.sets(st.integers(1, len(line)), min_size=1))
        runs = pick_legs(line, wanted)
        assert [number for run in runs for number in run.leg_number] == sorted(wanted)
        for run in runs:
            rows = [number - 1 for number in run.leg_number]
            assert run.length_m == pytest.approx(line.length_m[rows], abs=1e-9)

    @given(rings(), st.data())
    def test_on_a_ring_too_and_never_cut_at_its_start(self, line: Line, data: st.DataObject) -> None:
        wanted = data.draw(st.sets(st.integers(1, len(line)), min_size=1))
        runs = pick_legs(line, wanted)
        assert sorted(number for run in runs for number in run.leg_number) == sorted(wanted)
        breaks = sum(number in wanted and number % len(line) + 1 not in wanted for number in range(1, len(line) + 1))
        assert len(runs) == max(breaks, 1)

    @given(rings(), st.data())
    def test_from_vertex_to_vertex_and_on_is_once_round(self, line: Line, data: st.DataObject) -> None:
        start, end = data.draw(st.integers(0, len(line) - 1)), data.draw(st.integers(0, len(line) - 1))
        assume(start != end)
        both = legs_between(line, start, end) + legs_between(line, end, start)
        assert sorted(both) == list(range(1, len(line) + 1))

    @given(lines(fewest=3), st.data())
    def test_cut_and_joined_is_the_line(self, line: Line, data: st.DataObject) -> None:
        cut = data.draw(st.integers(1, len(line) - 1))
        assume(np.hypot(*(apart_m(line, line.reversed())[:1], 0)) > 1)  # no ring by chance
        halves = [
            Line.through(line.lon_deg[part], line.lat_deg[part], geod=GEOD)
            for part in (slice(0, cut + 1), slice(cut, None))
        ]
        whole = joined(halves)
        assume(len(whole) == 1)  # a half may close by chance
        assert np.array_equal(whole[0].lon_deg, line.lon_deg)
        assert whole[0].leg_number == line.leg_number


class TestOffsetting:
    @settings(deadline=None)
    @given(gentle_lines(), st.floats(-8, 8))
    def test_there_and_back_is_home(self, line: Line, distance_m: float) -> None:
        try:
            home = offset(offset(line, distance_m), -distance_m)
        except LayoutError:
            assume(False)
            return
        assert apart_m(home, line).max() < 1e-3

    @settings(deadline=None)
    @given(rings(), st.floats(-8, 8))
    def test_a_ring_too(self, line: Line, distance_m: float) -> None:
        assume(len(line) > 3)  # inside a small triangle there may be no room
        moved = offset(line, distance_m)
        assert moved.closed
        assert apart_m(offset(moved, -distance_m), line).max() < 1e-3

    @settings(deadline=None)
    @given(gentle_lines(), st.floats(0.5, 8))
    def test_left_is_left(self, line: Line, distance_m: float) -> None:
        try:
            moved = offset(line, distance_m)
        except LayoutError:
            assume(False)
            return
        azimuth, _, apart = GEOD.inv(line.lon_deg[0], line.lat_deg[0], moved.lon_deg[0], moved.lat_deg[0])
        assert apart == pytest.approx(distance_m, abs=1e-6)
        assert (azimuth - line.azimuth_deg[0] + 90 + 180) % 360 - 180 == pytest.approx(0, abs=1e-4)
