from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from geofence.outputs.zone_reach import away_m, reach_rings
from geofence.plan import PlannedZone, ZoneOutline
from tests.plans import made_up_plan

WGS84 = Geod(ellps="WGS84")
LON, LAT = -2.1, 53.25


def outline(east_m: list[float], north_m: list[float], *, area: bool) -> ZoneOutline:
    """Of metres east and north of a place, by geodesics: first north, then east."""
    lon, lat = [], []
    for east, north in zip(east_m, north_m, strict=True):
        x, y, _ = WGS84.fwd(LON, LAT, 0.0, north)
        x, y, _ = WGS84.fwd(x, y, 90.0, east)
        lon.append(x)
        lat.append(y)
    return ZoneOutline(lon_deg=np.array(lon), lat_deg=np.array(lat), area=area)


def area_m2(rings: list[tuple[np.ndarray, np.ndarray]]) -> float:
    """(c) by pyproj on the ellipsoid; holes run the other way and count less."""
    return sum(WGS84.polygon_area_perimeter(lon, lat)[0] for lon, lat in rings)


SQUARE = outline([0, 100, 100, 0, 0], [0, 0, 100, 100, 0], area=True)
HOLE = outline([40, 60, 60, 40, 40], [40, 40, 60, 60, 40], area=True)


def test_round_a_line_is_a_band_with_round_ends() -> None:
    """(a) 2 r l + pi r^2."""
    rings = reach_rings([outline([0, 80], [0, 0], area=False)], 5.0, scale=1.0)
    assert area_m2(rings) == pytest.approx(2 * 5 * 80 + np.pi * 25, rel=2e-3)


def test_round_a_point_is_a_disc_everywhere_as_far() -> None:
    [(lon, lat)] = reach_rings([outline([0], [0], area=False)], 30.0, scale=1.0)
    _, _, reach_m = WGS84.inv(np.full(len(lon), LON), np.full(len(lat), LAT), lon, lat)
    assert reach_m == pytest.approx(np.full(len(lon), 30.0), rel=1e-4)


def test_a_hole_is_narrowed_and_runs_the_other_way() -> None:
    """(a) 100 by 100 with a hole of 20 by 20: 8 m round it."""
    rings = reach_rings([SQUARE, HOLE], 8.0, scale=1.0)
    assert len(rings) == 2
    assert area_m2(rings) == pytest.approx(100**2 + 4 * 100 * 8 + np.pi * 64 - (20 - 16) ** 2, rel=1e-3)
    assert len(reach_rings([SQUARE, HOLE], 10.5, scale=1.0)) == 1


def test_ground_that_lies_high_needs_fewer_degrees() -> None:
    """(a) a scale of 1.0005 makes 30 m on the ground of less on the ellipsoid."""
    [(lon, _)] = reach_rings([outline([0], [0], area=False)], 30.0, scale=1.0)
    [(high, _)] = reach_rings([outline([0], [0], area=False)], 30.0, scale=1.0005)
    assert np.ptp(lon) / np.ptp(high) == pytest.approx(1.0005, abs=1e-6)


def test_without_a_reach_areas_stay_and_lines_have_none() -> None:
    assert area_m2(reach_rings([SQUARE, HOLE], 0.0, scale=1.0)) == pytest.approx(100**2 - 20**2, rel=1e-4)
    assert reach_rings([outline([0, 80], [0, 0], area=False)], 0.0, scale=1.0) == []
    assert reach_rings([], 5.0, scale=1.0) == []


def test_a_ring_that_crosses_itself_is_drawn_all_the_same() -> None:
    crossed = outline([0, 50, 50, 0, 0], [0, 50, 0, 50, 0], area=True)
    assert area_m2(reach_rings([crossed], 0.0, scale=1.0)) == pytest.approx(1250, rel=1e-3)


def test_posts_are_as_far_from_what_is_drawn_as_findings_have_them() -> None:
    """(c) geodesics by pyproj from posts to a place 3 m aside, at the height of the ground there."""
    plan = made_up_plan()
    lon, lat, _ = WGS84.fwd(plan.places.lon_deg[:1], plan.places.lat_deg[:1], [200.0], [3.0])
    zone = PlannedZone(
        name="oak", rule="keep-clear", source="", buffer_m=1.0, limit_m=0.0,
        outlines=(ZoneOutline(lon_deg=lon, lat_deg=lat, area=False),),
    )  # fmt: skip
    count = len(plan.fence.posts)
    _, _, ellipsoid_m = WGS84.inv(
        plan.places.lon_deg, plan.places.lat_deg, np.full(count, lon[0]), np.full(count, lat[0])
    )
    expected = ellipsoid_m * (1 + plan.fence.posts.ground_level_m / 6_371_000)
    assert away_m(plan, zone) == pytest.approx(expected, abs=2e-6)

    within = float(np.sort(expected)[1])
    told = away_m(plan, zone, within_m=within)
    near = expected <= within + 1e-9
    assert told[near] == pytest.approx(expected[near], abs=2e-6)
    assert np.all((told[~near] == np.inf) | (np.abs(told[~near] - expected[~near]) <= 2e-6))


def test_posts_far_from_what_is_drawn_are_not_measured() -> None:
    plan = made_up_plan(1_000)
    lon, lat, _ = WGS84.fwd(plan.places.lon_deg[:1], plan.places.lat_deg[:1], [200.0], [3.0])
    outline = ZoneOutline(lon_deg=lon, lat_deg=lat, area=False)
    zone = PlannedZone(name="oak", rule="keep-clear", source="", buffer_m=1.0, limit_m=0.0, outlines=(outline,))
    told = away_m(plan, zone, within_m=5.0)
    assert np.isinf(told).sum() > 900
    assert np.array_equal(told <= 5.0, away_m(plan, zone) <= 5.0)


def test_of_a_zone_with_nothing_drawn_posts_are_nowhere_near() -> None:
    zone = PlannedZone(name="", rule="consult", source="", buffer_m=1.0, limit_m=0.0, outlines=())
    assert np.isinf(away_m(made_up_plan(), zone)).all()
