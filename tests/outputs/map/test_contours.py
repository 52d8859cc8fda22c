from __future__ import annotations

import contourpy
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.outputs.map.contours import MOST_CROSSINGS, MOST_LEVELS, contours, interval_m, lines_of
from geofence.site.ground import Relief


def relief(level_m: np.ndarray) -> Relief:
    return Relief(level_m=level_m.astype(np.float32), west_deg=0, south_deg=0, east_deg=1, north_deg=1, cell_m=2.0)


def rough(seed: int, rows: int = 12, columns: int = 15) -> np.ndarray:
    return np.random.default_rng(seed).normal(100, 3, (rows, columns))


def as_lines(found: list[np.ndarray]) -> shapely.Geometry:
    """Lines as one geometry in which it does not matter where a ring begins or which way a line runs."""
    return shapely.union_all([shapely.LineString(xy) for xy in found]).normalize()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_lines_are_those_of_another_library(seed: int) -> None:
    """(c) contourpy's serial marching squares, saddles told by the same mean; with holes in the ground."""
    level_m = rough(seed)
    level_m[np.random.default_rng(seed + 1).random(level_m.shape) < 0.04] = np.nan
    theirs = contourpy.contour_generator(z=np.ma.masked_invalid(level_m), name="serial", corner_mask=False).lines(101.0)
    ours = [np.column_stack(line) for line in lines_of(level_m, 101.0)]
    assert as_lines(ours).hausdorff_distance(as_lines(theirs)) < 1e-9
    assert shapely.length(as_lines(ours)) == pytest.approx(shapely.length(as_lines(theirs)))


def test_lines_of_a_plane_are_straight() -> None:
    """(a) level = 2 x + y - 3: the line of level 9 runs from x = 6 at y = 0 to where it leaves the picture."""
    y, x = np.mgrid[0:8, 0:10].astype(float)
    [(column, row)] = lines_of(2 * x + y - 3, 9.0)
    assert 2 * column + row == pytest.approx(np.full(len(row), 12.0))
    assert sorted([(column[0], row[0]), (column[-1], row[-1])]) == [(2.5, 7.0), (6.0, 0.0)]


def test_a_hill_has_closed_contours_at_round_levels() -> None:
    """(a) a cone of slope 1 : 1 per cell: rings of the radius at which it has the level."""
    y, x = np.mgrid[0:121, 0:121].astype(float)
    step, found = contours(relief(100 - 0.5 * np.hypot(x - 60, y - 60)))
    assert step == interval_m(100 - 0.5 * 60 * np.sqrt(2), 100) == 2.0
    rings = {line.level_m: line for line in found if line.column[0] == line.column[-1]}
    assert {90.0, 80.0} <= set(rings)
    for level_m in (90.0, 80.0):
        radius = np.hypot(rings[level_m].column - 60, rings[level_m].row - 60)
        assert radius == pytest.approx((100 - level_m) / 0.5, abs=0.5)
    assert all(line.level_m % step == 0 for line in found)


@pytest.mark.parametrize(("range_m", "step_m"), [(0.4, 0.1), (12.0, 0.5), (25.0, 1.0), (41.2, 2.0), (900.0, 50.0)])
def test_intervals_are_round_and_levels_few(range_m: float, step_m: float) -> None:
    assert interval_m(10.0, 10.0 + range_m) == step_m
    assert range_m / step_m <= MOST_LEVELS


def test_very_rough_ground_gets_fewer_lines_rather_than_a_heavy_file() -> None:
    """(a) no more places on the lines than crossings were allowed for."""
    level_m = rough(3, 400, 400)
    step, found = contours(relief(level_m))
    # A small piece of the same ground has room for more levels.
    assert step > contours(relief(level_m[:80, :80]))[0]
    assert 0 < sum(len(line.row) for line in found) <= 1.1 * MOST_CROSSINGS


def test_level_or_unknown_ground_has_none() -> None:
    assert contours(relief(np.full((6, 7), 50.05)))[1] == ()
    assert contours(relief(np.full((6, 7), np.nan)))[1] == ()
