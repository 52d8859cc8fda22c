"""Decimals: closed form, from what one unit of the last place is on the ground."""

from __future__ import annotations

from dataclasses import replace

import pytest

from geofence.outputs.digits import coordinate_decimals, decimals_of
from tests.plans import made_up_plan

GRID = made_up_plan(relief=False).grid


@pytest.mark.parametrize(
    ("unit_m", "decimals"),
    [(1.0, 4), (0.3048, 4), (1200 / 3937, 4), (1000.0, 7), (20.1168, 6), (1.0000001, 4), (1e-4, 0), (1e-6, 0)],
)
def test_coordinates_resolve_a_tenth_of_a_millimetre(unit_m: float, decimals: int) -> None:
    assert coordinate_decimals(replace(GRID, unit_m=unit_m)) == decimals


@pytest.mark.parametrize(
    ("column", "decimals"),
    [("easting", 4), ("top_level_m", 4), ("gap_area_m2", 4), ("bearing_deg", 6), ("chainage_m", 4)],
)
def test_decimals_follow_the_unit_in_the_name(column: str, decimals: int) -> None:
    assert decimals_of(column, GRID) == decimals
