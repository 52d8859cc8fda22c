"""The steepest ground along a line."""

from __future__ import annotations

import numpy as np
import pytest

from geofence.engine.slope import steepest_deg


def test_a_plane_is_as_steep_as_it_is() -> None:
    chainage = np.arange(0, 20, 0.2)
    assert steepest_deg(chainage, 50 - 0.3 * chainage) == pytest.approx(np.degrees(np.arctan(0.3)))  # closed form


def test_a_seam_within_a_millimetre_is_no_cliff() -> None:
    level = np.array([50.0, 50.0, 50.02, 50.02])
    assert steepest_deg(np.array([0.0, 5.0, 5.001, 10.0]), level) == pytest.approx(
        np.degrees(np.arctan(0.02 / 0.25)), abs=0.01
    )


def test_where_one_run_ends_and_the_next_begins_is_no_slope() -> None:
    chainage, level = np.array([0.0, 5.0, 5.0, 9.0]), np.array([50.0, 50.5, 80.0, 80.0])
    assert steepest_deg(chainage, level) == pytest.approx(np.degrees(np.arctan(0.1)))


def test_gaps_make_no_slope_and_nothing_known_is_not_flat() -> None:
    chainage = np.arange(6.0)
    assert steepest_deg(chainage, np.array([1.0, 1.0, np.nan, 90.0, 90.0, 90.1])) == pytest.approx(
        np.degrees(np.arctan(0.1))
    )
    assert np.isnan(steepest_deg(chainage, np.full(6, np.nan)))
