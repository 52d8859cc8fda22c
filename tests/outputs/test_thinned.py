from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.outputs.thinned import BLOCK, kept, stretch_starts


@given(st.integers(0, 2**32 - 1), st.integers(2, 400), st.sampled_from([0.0, 0.005, 0.1, 5.0]))
@settings(max_examples=40)
def test_every_row_lies_within_the_tolerance_of_the_lines(seed: int, count: int, tolerance_m: float) -> None:
    random = np.random.default_rng(seed)
    chainage_m = np.cumsum(random.uniform(0.05, 0.5, count))
    level_m = np.cumsum(random.normal(0, 0.05, count))
    rows = kept(chainage_m, level_m, tolerance_m=tolerance_m)
    assert (rows[0], rows[-1]) == (0, count - 1)
    drawn_m = np.interp(chainage_m, chainage_m[rows], level_m[rows])
    assert np.abs(drawn_m - level_m).max() <= tolerance_m + 1e-12


def test_a_slope_keeps_its_ends_only() -> None:
    chainage_m = np.linspace(0, 20, BLOCK)
    assert kept(chainage_m, 3 + 0.2 * chainage_m, tolerance_m=1e-9).tolist() == [0, BLOCK - 1]


def test_few_more_rows_stay_than_a_library_keeps() -> None:
    """(c) shapely's Douglas-Peucker, which measures square to the lines: on gentle ground nearly the same."""
    chainage_m = np.arange(4000) * 0.25
    level_m = 80 + 6 * np.sin(chainage_m / 45) + 0.4 * np.sin(chainage_m / 3)
    rows = kept(chainage_m, level_m, tolerance_m=0.02)
    theirs = shapely.LineString(np.column_stack([chainage_m, level_m])).simplify(0.02).coords
    assert len(rows) == pytest.approx(len(theirs), rel=0.15)


def test_a_cliff_between_two_stretches_stays_a_cliff() -> None:
    chainage_m = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0])
    level_m = np.array([10.0, 10.0, 10.0, 3.0, 3.0, 3.0])
    assert stretch_starts(chainage_m).tolist() == [0, 3]
    assert kept(chainage_m, level_m, tolerance_m=0.01).tolist() == [0, 2, 3, 5]


def test_chainages_may_begin_anew_with_each_line():
    """Each stretch as if it were alone, but for the rows that stay anyway."""
    rng = np.random.default_rng(7)
    chainage = np.cumsum(rng.uniform(0.1, 1.0, 60))
    level = np.round(np.cumsum(rng.normal(0, 0.02, 60)), 3)
    alone = kept(chainage, level, tolerance_m=0.01)
    together = kept(np.tile(chainage, 2), np.tile(level, 2), tolerance_m=0.01)
    assert together[together < 60].tolist() == alone.tolist()
    assert set(alone) <= {row - 60 for row in together if row >= 60}
