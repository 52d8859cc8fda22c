"""Marks beside posts, against an independent program for geodesics.

Source
------
GeographicLib (C. F. F. Karney, "Algorithms for geodesics", Journal of Geodesy 87, 2013, 43-55), which shares no code
with PROJ's binding. A distance *s* on the ellipsoid is *s* (1 + h / R) on ground at the height *h*, with *R* the radius
of curvature in its direction (Euler's formula; NOAA Manual NOS NGS 5, section 4). The grids are taken where they are
not true to scale, and the ground high, so that neither factor can be left out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer

from geofence.outputs.stakeout_points import StakeoutPoints, stakeout_points
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from geofence.stakeout_style import StakeoutStyle
from tests.sites import write_line, write_raster

HIGH_M = 2400.0
GRIDS = [
    ("EPSG:32630", -5.9, 52.0),  # UTM, at the edge of its zone
    ("EPSG:27700", -6.9, 57.5),  # British National Grid, at its western edge
    ("EPSG:2229", -114.6, 34.6),  # California zone 5, in US survey feet, at its eastern edge
    ("EPSG:32760", 177.0, -40.0),  # the southern hemisphere, in the middle of a zone
    ("EPSG:2154", 9.4, 42.0),  # France, a conic grid
]
OFFSETS = (0.5, 10.0, -1.5, -30.0)
SQUARE_DEG = 0.01
"""A grid's arc-to-chord and skew: 2 mm in 10 m, along the line; what is set off square by eye is worse."""


@pytest.fixture(scope="module", params=GRIDS, ids=lambda grid: grid[0])
def plan(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> FencePlan:
    folder = tmp_path_factory.mktemp("site")
    code, lon, lat = request.param
    crs = CRS(code)
    unit_m = crs.axis_info[0].unit_conversion_factor
    middle = np.array(Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(lon, lat)).round()
    west, north = middle - np.array([100, -100]) / unit_m
    raster = write_raster(
        folder / "dtm.tif", crs=crs, west=west, north=north, cell=2 / unit_m, shape=(100, 100),
        surface=lambda x, y: HIGH_M + 0.01 * (x - y) * unit_m,
    )  # fmt: skip
    corners = [(30, -30), (90, -45), (150, -40), (160, -120), (60, -170)]
    line = write_line(
        folder / "line.gpkg", [(west + east / unit_m, north + up / unit_m) for east, up in corners], crs=crs
    )
    values = {"ground": {"level_unit": "m"}, "job": {"grid": code}}
    return plan_fence(line=line, ground=raster, system="aac-panel", values=values)


@pytest.fixture(scope="module")
def points(plan: FencePlan) -> StakeoutPoints:
    return stakeout_points(plan, StakeoutStyle(offset_m=OFFSETS))


def _inverse(plan: FencePlan, points: StakeoutPoints, row: int, other: int) -> tuple[float, float]:
    """Ground distance, and azimuth, from one point to another."""
    crs = CRS.from_wkt(plan.grid.wkt)
    assert crs.ellipsoid is not None
    a, f = crs.ellipsoid.semi_major_metre, 1 / crs.ellipsoid.inverse_flattening
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_degrees.transform(points.easting[[row, other]], points.northing[[row, other]])
    found = Geodesic(a, f).Inverse(lat[0], lon[0], lat[1], lon[1])
    sine, azimuth = math.sin(math.radians(lat[0])), math.radians(found["azi1"])
    e2 = f * (2 - f)
    meridian, prime = a * (1 - e2) / (1 - e2 * sine**2) ** 1.5, a / math.sqrt(1 - e2 * sine**2)
    curvature = math.cos(azimuth) ** 2 / meridian + math.sin(azimuth) ** 2 / prime
    level = float(plan.fence.posts.ground_level_m[points.post[row]])
    return found["s12"] * (1 + level * curvature), found["azi1"]


def test_they_stand_as_far_away_as_said(plan: FencePlan, points: StakeoutPoints) -> None:
    """Half a millimetre, at 30 m too."""
    each = 1 + len(OFFSETS)
    for post in range(0, len(plan.fence.posts), 7):
        for mark in range(1, each):
            row = post * each + mark
            distance, _ = _inverse(plan, points, post * each, row)
            assert distance == pytest.approx(abs(points.offset_m[row]), abs=5e-4)


def test_the_scale_matters_here(plan: FencePlan) -> None:
    """Or the test above would prove nothing."""
    assert abs(plan.grid.combined_factor - 1) * 30 > 0.005, "metres in the farthest mark"


def test_square_off_the_line(plan: FencePlan, points: StakeoutPoints) -> None:
    each = 1 + len(OFFSETS)
    straight = [row for row, kind in enumerate(plan.fence.posts.kind) if kind == "line"]
    assert len(straight) > 50
    for post in straight[::9]:
        _, ahead = _inverse(plan, points, post * each, (post + 1) * each)
        for mark in range(1, each):
            row = post * each + mark
            _, aside = _inverse(plan, points, post * each, row)
            expected = -90 if points.offset_m[row] > 0 else 90
            assert (aside - ahead - expected + 180) % 360 - 180 == pytest.approx(0, abs=SQUARE_DEG)


def test_at_corners_they_halve_the_angle(plan: FencePlan, points: StakeoutPoints) -> None:
    each = 1 + len(OFFSETS)
    corners = [row for row, kind in enumerate(plan.fence.posts.kind) if kind == "corner"]
    assert corners
    for post in corners:
        _, ahead = _inverse(plan, points, post * each, (post + 1) * each)
        _, behind = _inverse(plan, points, post * each, (post - 1) * each)
        _, left = _inverse(plan, points, post * each, post * each + 1)
        assert (ahead - left) % 360 == pytest.approx((left - behind) % 360, abs=2 * SQUARE_DEG)
