"""Places on the grid, against pyproj (independent) and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pyproj import CRS, Transformer

from geofence.outputs import on_grid
from tests.outputs.drawn import in_grid
from tests.outputs.runs import on_a_square
from tests.plans import MODULE_M, made_up_plan

ODD = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +k=1 +x_0=1000 +y_0=2000 +datum=WGS84 +units=us-ft +type=crs")


def test_degrees_come_back_as_pyproj_has_them() -> None:
    plan = in_grid(made_up_plan(), ODD)
    lon, lat = plan.places.lon_deg + 1e-3, plan.places.lat_deg - 1e-3
    expected = Transformer.from_crs(4326, ODD, always_xy=True).transform(lon, lat)
    np.testing.assert_allclose(on_grid.from_degrees(plan)(lon, lat), expected, rtol=0, atol=1e-4)


def test_what_the_way_is_off_at_the_posts_is_taken_away() -> None:
    """Posts whose degrees came by another way between the datums, 1.5 m off, still come back to where they stand."""
    plan = made_up_plan()
    moved = replace(plan, places=replace(plan.places, easting=plan.places.easting + 1.5))
    easting, northing = on_grid.from_degrees(moved)(moved.places.lon_deg, moved.places.lat_deg)
    np.testing.assert_allclose(easting, moved.places.easting, rtol=0, atol=1e-6)
    np.testing.assert_allclose(northing, moved.places.northing, rtol=0, atol=1e-6)


def test_a_ring_ends_where_it_begins() -> None:
    plan = on_a_square(10)
    (chain,) = on_grid.chains(plan)
    assert chain.rows[0] == chain.rows[-1] == 0
    assert chain.place(39.5 * MODULE_M) == pytest.approx((560_000 + MODULE_M / 2, 5_900_000), abs=1e-6)
    np.testing.assert_allclose(
        chain.path(9.5 * MODULE_M, 10.5 * MODULE_M) - (560_000, 5_900_000),
        np.array([(0, 9.5), (0, 10), (0.5, 10)]) * MODULE_M,
        atol=1e-6,
    )


def test_a_way_from_a_place_to_itself_is_the_place() -> None:
    (chain,) = on_grid.chains(made_up_plan())
    np.testing.assert_array_equal(chain.path(5.0, 5.0), [chain.place(5.0)])


def test_legs_end_where_the_ground_was_taken() -> None:
    plan = made_up_plan()
    at = np.column_stack([plan.places.easting, plan.places.northing])
    np.testing.assert_allclose(on_grid.leg_ends(plan), np.hstack([at[[0, 20]], at[[20, 39]]]), rtol=0, atol=1e-6)
