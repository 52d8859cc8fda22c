"""The ground under a leaf's way.

(a) Closed forms on planes and steps. Independent programs are in ``tests/validation/test_gate_swing.py``.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS, Transformer

from geofence.engine.records import Floats
from geofence.inputs.rasters import RasterReader
from geofence.site import grids
from geofence.site.ground import Ground, GroundOptions
from geofence.site.swing import Leaf, Swept, sweep
from tests.grounds import FunctionGround
from tests.sites import write_raster

LON, LAT = 15.25, 46.5
LOCAL = CRS.from_proj4(f"+proj=tmerc +lat_0={LAT} +lon_0={LON} +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
DEGREES = grids.geographic(LOCAL)
GEOD = grids.ellipsoid(LOCAL)
EAST = Leaf(lon_deg=LON, lat_deg=LAT, height_m=0.0, azimuth_deg=90.0, length_m=3.6, motion="anticlockwise")
"""At the origin of a plane that is true to scale there; opens from east to north."""


def swept(leaf: Leaf, ground: Ground) -> Swept:
    return sweep(leaf, ground, grids.cross(DEGREES, ground.crs), GEOD)


def local(lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
    return Transformer.from_crs(DEGREES, LOCAL, always_xy=True).transform(lon, lat)


def level(value: float) -> FunctionGround:
    return FunctionGround(LOCAL, lambda x, _: np.full_like(x, value))


class TestPlaces:
    @pytest.mark.parametrize(("motion", "side"), [("anticlockwise", 1.0), ("clockwise", -1.0)])
    def test_lie_in_the_sector_between_closed_and_open(self, motion: str, side: float) -> None:
        under = swept(replace(EAST, motion=motion), level(50.0))
        x, y = local(under.lon_deg, under.lat_deg)
        assert np.hypot(x, y) == pytest.approx(under.reach_m, abs=1e-6)
        angle = np.degrees(np.arctan2(side * y, x))
        away = under.reach_m > 0
        assert angle[away] == pytest.approx(under.opened[away], abs=1e-4)
        assert (under.opened.min(), under.opened.max()) == (0.0, 90.0)
        assert under.reach_m.max() == 3.6

    def test_are_at_most_a_quarter_of_a_metre_apart(self) -> None:
        under = swept(replace(EAST, open_deg=137.0), level(50.0))
        reaches, angles = np.unique(under.reach_m), np.unique(under.opened)
        assert np.diff(reaches).max() <= 0.25
        assert np.radians(np.diff(angles)).max() * 3.6 <= 0.25
        assert len(under.reach_m) == len(reaches) * len(angles)

    def test_a_leaf_slides_past_its_post_away_from_the_opening(self) -> None:
        under = swept(replace(EAST, motion="slides"), level(50.0))
        x, y = local(under.lon_deg, under.lat_deg)
        assert x == pytest.approx(-under.reach_m, abs=1e-6)
        assert y == pytest.approx(np.zeros_like(y), abs=1e-6)
        assert under.opened.tolist() == under.reach_m.tolist() == np.linspace(0, 3.6, 16).tolist()

    def test_a_metre_of_leaf_is_a_metre_on_high_ground(self) -> None:
        """(a) At 2000 m a metre on the ground is 1 - 2000/R on the ellipsoid, R from 6,334 to 6,400 km."""
        x, y = local(*replace(EAST, height_m=2000.0, length_m=100.0).way(GEOD))
        assert np.hypot(x, y) == pytest.approx(np.full_like(x, 100 * (1 - 2000 / 6.367e6)), abs=2e-4)


class TestWay:
    def test_of_the_tip_runs_from_closed_to_open(self) -> None:
        x, y = local(*EAST.way(GEOD))
        assert (x[0], y[0]) == pytest.approx((3.6, 0.0), abs=1e-6)
        assert (x[-1], y[-1]) == pytest.approx((0.0, 3.6), abs=1e-6)
        assert np.hypot(np.diff(x), np.diff(y)).max() <= 0.25

    def test_of_a_leaf_that_slides_is_where_it_stands_open(self) -> None:
        x, y = local(*replace(EAST, motion="slides").way(GEOD))
        assert x == pytest.approx([0.0, -3.6], abs=1e-6)
        assert y == pytest.approx([0.0, 0.0], abs=1e-6)


class TestLevels:
    def test_a_bank_is_met_where_it_is(self) -> None:
        """A bank 0.4 m high begins 2 m north of the line: met at asin(2 / 3.6) = 33.7 degrees, or the next line."""
        under = swept(EAST, FunctionGround(LOCAL, lambda _, y: np.where(y >= 2.0, 50.4, 50.0)))
        first = under.opened[under.level_m > 50.1].min()
        assert under.highest_m == 50.4
        assert np.degrees(np.arcsin(2 / 3.6)) <= first <= np.degrees(np.arcsin(2 / 3.6) + 0.25 / 3.6)

    def test_what_has_no_level_is_told_and_the_rest_counts(self) -> None:
        under = swept(EAST, FunctionGround(LOCAL, lambda x, y: np.where(x < 0.5 * y, np.nan, 50 + x)))
        assert under.highest_m == pytest.approx(53.6)
        assert under.unknown_share == pytest.approx(np.degrees(np.arctan(0.5)) / 90, abs=0.03)

    def test_no_level_at_all(self) -> None:
        under = swept(EAST, level(np.nan))
        assert (under.highest_m, under.unknown_share) == (-np.inf, 1.0)

    def test_ground_that_bends_between_places_is_sampled_at_the_bend(self, tmp_path: Path) -> None:
        """A ridge of a raster, half a metre high and two cells of 0.1 m wide, between two places along the lines."""
        file = write_raster(
            tmp_path / "g.tif", crs=LOCAL, west=-5.0, north=5.0, cell=0.1, shape=(100, 100),
            surface=lambda x, _: 50 + np.maximum(0.0, 0.5 - 5 * np.abs(x - 5 - 1.35)),
        )  # fmt: skip
        ground = RasterReader().open([file], GroundOptions(level_unit="m"))
        under = swept(EAST, ground)
        at_closed = under.opened == 0.0
        assert under.level_m[at_closed].max() == pytest.approx(50.5, abs=1e-4)
