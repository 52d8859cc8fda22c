"""Profiles on small made-up grounds, whose levels and bends are known in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer

from geofence.engine.records import Finding, Floats
from geofence.errors import GroundError
from geofence.numeric import STATION_SPACING_M
from geofence.site import grids
from geofence.site.ground import Levels, Relief, State
from geofence.site.line import Line
from geofence.site.profile import GroundLine, Stretch, bridged, check_steepness, sample, stretches_without_level

GRID = CRS(32633)
EAST, NORTH = 500_000.0, 5_200_000.0


@dataclass(frozen=True, kw_only=True)
class MadeUpGround:
    """A ground by formula of metres east and north of the place; ``bend_at`` are eastings at which it bends."""

    level: Callable[[Floats, Floats], Floats]
    state: Callable[[Floats, Floats], NDArray[np.uint8]] = lambda x, _: np.zeros(len(x), dtype=np.uint8)
    bend_at: tuple[float, ...] = ()
    crs: CRS = GRID
    files: tuple[Path, ...] = ()
    findings: tuple[Finding, ...] = ()

    def levels(self, x: Floats, y: Floats) -> Levels:
        east, north = x - EAST, y - NORTH
        state = self.state(east, north)
        return Levels(level_m=np.where(state == State.LEVEL, self.level(east, north), np.nan), state=state)

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
        del y
        found = [
            (row, (EAST + at - x[row]) / (x[row + 1] - x[row]))
            for at in self.bend_at
            for row in range(len(x) - 1)
            if min(x[row], x[row + 1]) < EAST + at < max(x[row], x[row + 1])
        ]
        found.sort()
        return np.array([row for row, _ in found], dtype=np.int64), np.array([share for _, share in found])

    def relief(self, *_box: float, cells: int) -> Relief | None:
        del cells
        return None


def level_ground(level_m: float, **options: object) -> MadeUpGround:
    return MadeUpGround(level=lambda x, _: np.full(len(x), level_m), **options)  # type: ignore[arg-type]


def line_through(*corners: tuple[float, float]) -> Line:
    east, north = np.array(corners, dtype=float).T
    lon, lat = grids.cross(GRID, grids.geographic(GRID)).transformer.transform(EAST + east, NORTH + north)
    return Line.through(np.array(lon), np.array(lat), geod=grids.ellipsoid(GRID))


def along(ground: MadeUpGround, *corners: tuple[float, float], separation_m: float = 0.0) -> GroundLine:
    to_ground = grids.cross(grids.geographic(GRID), GRID).transformer
    return sample(line_through(*corners), ground, to_ground, geoid_separation_m=separation_m)


def hole(first: float, last: float, kind: State) -> Callable[[Floats, Floats], NDArray[np.uint8]]:
    return lambda x, _: np.where((x > first) & (x < last), kind, State.LEVEL).astype(np.uint8)


def hand_made(level: list[float], *, spacing_m: float = 1.0, from_m: float = 0.0) -> GroundLine:
    """Stations every metre along some line, without sampling."""
    place = np.arange(len(level)) * spacing_m
    levels = np.array(level, dtype=float)
    state = np.where(np.isfinite(levels), State.LEVEL, State.NO_DATA).astype(np.uint8)
    line = line_through((0, 0), (float(place[-1]), 0))
    return GroundLine(line=line, distance_m=place, chainage_m=place, level_m=levels, state=state, from_m=from_m)


NAN = float("nan")


class TestStations:
    @pytest.mark.parametrize("level_m", [-400.0, 0.0, 900.0, 9000.0])
    def test_never_further_apart_than_promised(self, level_m: float) -> None:
        run = along(level_ground(level_m), (0, 0), (100, 0), (100.3, 7), (130, 40))
        assert np.diff(run.chainage_m).max() <= STATION_SPACING_M
        assert np.diff(run.chainage_m).min() > 0.1
        assert run.chainage_m[0] == 0

    @pytest.mark.parametrize("level_m", [0.0, 9000.0])
    def test_nor_on_legs_of_whole_spacings(self, level_m: float) -> None:
        """A hair under 100 m on the ellipsoid are 400 spacings; 9000 m up they are 0.14 % longer on the ground."""
        lon, lat, _ = Geod(ellps="WGS84").fwd(15.0, 46.9, 90.0, 99.9999)
        line = Line.through(np.array([15.0, lon]), np.array([46.9, lat]), geod=Geod(ellps="WGS84"))
        to_ground = grids.cross(grids.geographic(GRID), GRID).transformer
        run = sample(line, level_ground(level_m), to_ground, geoid_separation_m=0.0)
        assert np.diff(run.chainage_m).max() <= STATION_SPACING_M

    def test_every_vertex_is_a_station(self) -> None:
        run = along(level_ground(50.0), (0, 0), (33.3, 0), (33.3, 0.007), (90, 12))
        assert np.isin(run.line.vertex_distance_m, run.distance_m).all()
        assert np.isin(run.vertex_m, run.chainage_m).all()

    def test_every_bend_is_a_station_too(self) -> None:
        """A ridge: rises to easting 10.1 by 0.2, then falls by 0.3; its top is met to the micrometre."""
        ridge = MadeUpGround(
            level=lambda x, _: 100 + np.where(x < 10.1, 0.2 * x, 2.02 - 0.3 * (x - 10.1)), bend_at=(10.1,)
        )
        run = along(ridge, (0, 0), (20, 0))
        assert run.level_m.max() == pytest.approx(102.02, abs=1e-6)
        assert len(run.level_m) == len(along(level_ground(1.0), (0, 0), (20, 0)).level_m) + 1
        assert np.all(np.diff(run.distance_m) > 0)

    @pytest.mark.parametrize("aside", [-1e-8, 1e-8])
    def test_a_bend_on_a_vertex_leaves_the_vertex(self, aside: float) -> None:
        ground = level_ground(50.0, bend_at=(30 + aside, 60 + aside, 0 + aside))
        run = along(ground, (0, 0), (30, 0), (60, 0))
        assert np.isin(run.line.vertex_distance_m, run.distance_m).all()
        assert len(run.level_m) == len(along(level_ground(50.0), (0, 0), (30, 0), (60, 0)).level_m)

    def test_two_bends_in_one_place_are_one_station(self) -> None:
        plain = along(level_ground(50.0), (0, 0), (30, 0))
        bent = along(level_ground(50.0, bend_at=(10.1, 10.1 + 1e-7)), (0, 0), (30, 0))
        assert len(bent.level_m) == len(plain.level_m) + 1

    def test_a_plane_is_read_exactly(self) -> None:
        plane = MadeUpGround(level=lambda x, y: 80 + 0.1 * x - 0.25 * y)
        run = along(plane, (0, 0), (40, 0), (40, 30))
        at_vertex = np.interp(run.vertex_m, run.chainage_m, run.level_m)
        assert at_vertex == pytest.approx([80, 84, 76.5], abs=1e-6)

    def test_profile_for_the_engine(self) -> None:
        run = along(level_ground(50.0), (0, 0), (10, 0))
        assert run.profile.level_at(5.0) == 50.0


class TestChainage:
    def test_is_on_the_ground(self) -> None:
        """At level 1000 m, 47 N, eastward: R = a / sqrt(1 - e2 sin2), so 1000 m are 0.1565 m longer."""
        run = along(level_ground(1000.0), (0, 0), (1000, 0))
        geod = Geod(ellps="WGS84")
        radius = geod.a / np.sqrt(1 - geod.es * np.sin(np.radians(run.line.lat_deg[0])) ** 2)
        want = run.line.length_m.sum() * (1 + 1000 / radius)
        assert run.chainage_m[-1] == pytest.approx(want, abs=1e-6)

    def test_the_geoid_counts(self) -> None:
        low, high = (along(level_ground(100.0), (0, 0), (1000, 0), separation_m=n) for n in (0.0, 50.0))
        assert high.chainage_m[-1] - low.chainage_m[-1] == pytest.approx(1000 * 50 / 6.38e6, rel=2e-3)

    def test_places_come_back(self) -> None:
        run = along(level_ground(700.0), (0, 0), (100, 0), (100, 50))
        lon, lat = run.places(run.vertex_m)
        assert lon == pytest.approx(run.line.lon_deg, abs=1e-12)
        assert lat == pytest.approx(run.line.lat_deg, abs=1e-12)

    def test_a_gap_is_reckoned_at_the_levels_beside_it(self) -> None:
        holed = along(level_ground(500.0, state=hole(10, 30, State.NO_DATA)), (0, 0), (100, 0))
        whole = along(level_ground(500.0), (0, 0), (100, 0))
        assert holed.chainage_m == pytest.approx(whole.chainage_m, abs=1e-12)

    def test_without_any_level_it_is_the_ellipsoid(self) -> None:
        run = along(level_ground(500.0, state=hole(-1e9, 1e9, State.OUTSIDE)), (0, 0), (100, 0))
        assert run.chainage_m == pytest.approx(run.distance_m, abs=1e-12)


class TestStretches:
    def test_none(self) -> None:
        assert stretches_without_level(hand_made([1, 2, 3])) == []

    def test_from_the_last_level_to_the_next(self) -> None:
        found = stretches_without_level(hand_made([1, NAN, NAN, 2, NAN, 3]))
        assert found == [
            Stretch(from_m=0.0, to_m=3.0, reason="no data"),
            Stretch(from_m=3.0, to_m=5.0, reason="no data"),
        ]
        assert str(found[0]) == "0.00 to 3.00 m (no data)"

    def test_at_the_ends(self) -> None:
        found = stretches_without_level(hand_made([NAN, 1, 2, NAN, NAN], from_m=100.0))
        assert [(gap.from_m, gap.to_m) for gap in found] == [(100.0, 101.0), (102.0, 104.0)]

    def test_everywhere(self) -> None:
        assert [(gap.from_m, gap.to_m) for gap in stretches_without_level(hand_made([NAN] * 4))] == [(0.0, 3.0)]

    def test_the_reason(self) -> None:
        run = along(level_ground(5.0, state=hole(10, 12, State.NO_DATA)), (0, 0), (20, 0))
        assert [gap.reason for gap in stretches_without_level(run)] == ["no data"]
        run = along(level_ground(5.0, state=hole(10, 12, State.OUTSIDE)), (0, 0), (20, 0))
        (gap,) = stretches_without_level(run)
        assert gap.reason == "outside the data"
        assert gap.from_m == pytest.approx(10, abs=STATION_SPACING_M)
        assert gap.to_m == pytest.approx(12, abs=STATION_SPACING_M)
        assert gap.from_m <= 10.01  # the grid is 0.04 % short of the ground here
        assert gap.to_m >= 12


class TestBridging:
    def test_whole_ground_stays(self) -> None:
        run = hand_made([1, 2, 3])
        assert bridged(run, bridge_m=0.0, place="dtm.tif") == (run, [])

    def test_straight_from_side_to_side_with_a_finding(self) -> None:
        whole, findings = bridged(hand_made([10, NAN, NAN, 13, 14], from_m=50.0), bridge_m=3.5, place="dtm.tif")
        assert whole.level_m.tolist() == [10, 11, 12, 13, 14]
        (finding,) = findings
        assert (finding.code, finding.severity) == ("ground-bridged", "warn")
        assert (finding.chainage_m, finding.chainage_to_m, finding.value, finding.limit) == (50.0, 53.0, 3.0, 3.5)
        assert finding.message == "The ground gives no level here (no data); it is bridged straight from side to side"

    def test_next_to_the_ends_it_is_still_an_inner_gap(self) -> None:
        whole, findings = bridged(hand_made([10, NAN, 12, NAN, 14]), bridge_m=2.0, place="dtm.tif")
        assert whole.level_m.tolist() == [10, 11, 12, 13, 14]
        assert len(findings) == 2

    @pytest.mark.parametrize(("spacing_m", "fits"), [(0.7, True), (0.7 + 1e-9, True), (0.7 + 1e-5, False)])
    def test_exactly_at_the_limit(self, spacing_m: float, fits: bool) -> None:
        """Three spacings wide: 2.1 m, a few nanometres more (no difference on any site), and 0.03 mm more."""
        run = hand_made([1, 1, 1, NAN, NAN, 1, 1], spacing_m=spacing_m)
        if fits:
            assert len(bridged(run, bridge_m=2.1, place="dtm.tif")[1]) == 1
        else:
            with pytest.raises(GroundError):
                bridged(run, bridge_m=2.1, place="dtm.tif")

    @pytest.mark.parametrize(
        ("level", "chainages"),
        [
            ([NAN, 1, 1, 1], [(0.0, 1.0)]),
            ([1, 1, 1, NAN], [(2.0, 3.0)]),
            ([NAN, 1, NAN, 1, NAN], [(0.0, 1.0), (3.0, 4.0)]),
            ([NAN, NAN, NAN], [(0.0, 2.0)]),
        ],
    )
    def test_at_an_end_never(self, level: list[float], chainages: list[tuple[float, float]]) -> None:
        with pytest.raises(GroundError) as caught:
            bridged(hand_made(level), bridge_m=100.0, place="dtm.tif")
        assert list(caught.value.chainages_m) == chainages

    def test_text(self) -> None:
        with pytest.raises(GroundError) as caught:
            bridged(hand_made([1, NAN, 1, 1, NAN, NAN, 1]), bridge_m=0.0, place="dtm.tif")
        assert str(caught.value) == (
            "dtm.tif: the ground gives no level on 2 stretches, by chainage 0.00 to 2.00 m (no data); "
            "3.00 to 6.00 m (no data): 3.0 m, limit 0.0 m. Add ground data there, fence fewer legs (line.legs), "
            "or bridge inner gaps (ground.bridge_m)."
        )

    def test_many_are_counted(self) -> None:
        with pytest.raises(GroundError) as caught:
            bridged(hand_made([1, NAN] * 20 + [1]), bridge_m=0.0, place="dtm.tif")
        assert "on 20 stretches" in str(caught.value)
        assert "; and 14 more: 2.0 m" in str(caught.value)
        assert len(caught.value.chainages_m) == 20


class TestSteepness:
    def test_a_bank_passes(self) -> None:
        """A 4.9 m wall between two stations, and 44 degrees on average, are steep and no mistake."""
        check_steepness(hand_made([0, 4.9, 4.9, 4.9, 4.9, 4.9]), place="dtm.tif")
        check_steepness(hand_made([0.25 * 0.97 * row for row in range(40)], spacing_m=0.25), place="dtm.tif")

    def test_a_void_that_is_not_marked(self) -> None:
        with pytest.raises(GroundError) as caught:
            check_steepness(hand_made([80, 80.5, -32768, 81], from_m=1000.0), place="dtm.tif")
        assert str(caught.value) == (
            "dtm.tif: the level jumps between chainage 1002.00 and 1003.00 m, from -32768.00 to 81.00: 32849.0 m, "
            "limit 5.0 m. Is that level a void? Mark it as no-data in the file. Or is the vertical unit another? "
            "Set ground.level_unit."
        )
        assert caught.value.chainages_m == ((1002.0, 1003.0),)

    def test_either_side_of_the_highest_bank(self) -> None:
        check_steepness(hand_made([0, 5, 5, 5, 5, 5]), place="dtm.tif")
        with pytest.raises(GroundError, match="jumps"):
            check_steepness(hand_made([0, 5.01, 5, 5, 5, 5]), place="dtm.tif")

    def test_the_vertical_unit(self) -> None:
        with pytest.raises(GroundError) as caught:
            check_steepness(hand_made([0.25 * 1.03 * row for row in range(40)], spacing_m=0.25), place="dtm.tif")
        assert str(caught.value) == (
            "dtm.tif: the ground along the line is steeper on average than any fence line: 45.8 deg, limit 45 deg. "
            'Is the vertical unit another? Set ground.level_unit ("m", "ft" or "ftUS").'
        )

    def test_gaps_have_no_slope(self) -> None:
        check_steepness(hand_made([0, NAN, 100, NAN, 0]), place="dtm.tif")
        check_steepness(hand_made([NAN, NAN, NAN]), place="dtm.tif")


def test_runs_carry_their_chainage() -> None:
    run = replace(along(level_ground(5.0, state=hole(10, 12, State.NO_DATA)), (0, 0), (20, 0)), from_m=300.0)
    (gap,) = stretches_without_level(run)
    assert gap.from_m == pytest.approx(310, abs=0.3)
    assert run.vertex_m[0] == 0, "vertices are within the run"


def test_a_ground_on_another_datum_is_met_where_it_is() -> None:
    """Sampled by way of PROJ's transformation: the plane's level tells where it was read."""
    national = CRS(31468)
    line = line_through((0, 0), (50, 0))
    crossing = grids.cross(grids.geographic(GRID), national)
    seen = MadeUpGround(level=lambda x, y: 0.001 * x + 0.01 * y, crs=national)
    run = sample(line, seen, crossing.transformer, geoid_separation_m=0.0)
    x, y = Transformer.from_crs(4326, 31468, always_xy=True).transform(line.lon_deg[0], line.lat_deg[0])
    assert run.level_m[0] == pytest.approx(0.001 * (x - EAST) + 0.01 * (y - NORTH), abs=1e-4)
