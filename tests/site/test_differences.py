"""A ground held against known levels. Expected numbers by hand, from the five differences below."""

from __future__ import annotations

import numpy as np
import pytest
from rasterio import Affine

from geofence.site.differences import held_against
from tests.rasters import ground, write

OFF = np.array([0.1, -0.2, 0.3, 0.0, 0.05])


@pytest.fixture
def found(tmp_path):
    """A level ground of 50 m, held against levels that differ by OFF, and at a sixth place outside."""
    flat = ground(
        write(tmp_path / "flat.tif", np.full((20, 20), 50.0), transform=Affine(1, 0, 400_000, 0, -1, 100_020))
    )
    x = 400_000 + np.array([5.0, 6, 7, 0, 8, 9])
    x[3] = 300_000
    level = 50 - np.insert(OFF, 3, 9.9)
    return held_against(flat, x, np.full(6, 100_010.0), level)


def test_places_without_level_are_counted_and_no_more(found):
    assert (len(found), found.without_level) == (5, 1)
    assert found.row.tolist() == [0, 1, 2, 4, 5]
    np.testing.assert_allclose(found.difference_m, OFF, atol=1e-12)


def test_positive_is_a_ground_that_lies_too_high(found):
    assert found.mean_m == pytest.approx(0.05, abs=1e-12)


def test_root_mean_square(found):
    """(0.01 + 0.04 + 0.09 + 0 + 0.0025) / 5 = 0.0285."""
    assert found.rmse_m == pytest.approx(np.sqrt(0.0285), abs=1e-12)


def test_percentile_of_the_differences_without_signs(found):
    """Sorted 0, 0.05, 0.1, 0.2, 0.3: rank 0.95 x 4 = 3.8, so 0.2 + 0.8 x 0.1."""
    assert found.p95_m == pytest.approx(0.28, abs=1e-12)


def test_the_worst_either_way(found):
    assert found.row[found.worst] == 2
