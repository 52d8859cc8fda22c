"""Places on the grid, against pyproj (independent) and closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pyproj import CRS, Transformer

from geofence.engine.records import Finding
from geofence.outputs import on_grid
from tests.outputs.drawn import in_grid
from tests.outputs.runs import in_two_runs, on_a_square
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


def test_findings_have_the_way_that_they_are_about() -> None:
    plan = in_two_runs()
    along = on_grid.chains(plan)
    at = np.column_stack([plan.places.easting, plan.places.northing])

    def path(**where: Any) -> np.ndarray | None:
        return on_grid.finding_path(plan, along, Finding(code="c", severity="note", message="m", **where))

    np.testing.assert_allclose(path(post=7), at[[7]])
    np.testing.assert_allclose(path(bay=30), at[[31, 32]])  # one bay is missing before it
    np.testing.assert_allclose(path(chainage_m=2.5 * MODULE_M), [(at[2] + at[3]) / 2])
    np.testing.assert_allclose(
        path(chainage_m=25.5 * MODULE_M, chainage_to_m=27 * MODULE_M), [(at[25] + at[26]) / 2, at[26], at[27]]
    )
    assert path() is None
    assert path(chainage_m=2.5 * MODULE_M, line="south") is None
    np.testing.assert_allclose(path(chainage_m=25 * MODULE_M, line="south"), at[[25]], atol=1e-6)
    assert path(chainage_m=1e6) is None


def test_half_way() -> None:
    assert on_grid.middle(np.array([(0.0, 0.0), (3.0, 0.0), (3.0, 5.0)])) == pytest.approx((3.0, 1.0))
    assert on_grid.middle(np.array([(4.0, 5.0)])) == pytest.approx((4.0, 5.0))


def test_legs_end_where_the_ground_was_taken() -> None:
    plan = made_up_plan()
    at = np.column_stack([plan.places.easting, plan.places.northing])
    np.testing.assert_allclose(on_grid.leg_ends(plan), np.hstack([at[[0, 20]], at[[20, 39]]]), rtol=0, atol=1e-6)
