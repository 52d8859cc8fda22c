"""A survey over another ground. Expected levels are those of two planes, 0.25 m apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS
from rasterio import Affine

from geofence.site.ground import State
from geofence.site.patched import PatchedGround
from geofence.site.raster import RasterGround
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround
from tests.rasters import ground, write
from tests.sites import carried

EAST, NORTH = 560_000.0, 5_800_000.0
OVER_M = 0.25
HOME = CRS(32630)


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 100 + 0.1 * (x - EAST) + 0.2 * (y - NORTH)


@pytest.fixture
def base(tmp_path: Path) -> RasterGround:
    """100 m square of one-metre cells with the plane."""
    column, row = np.meshgrid(np.arange(100) + 0.5, np.arange(100) + 0.5)
    levels = plane(EAST + column, NORTH + 100 - row)
    return ground(
        write(tmp_path / "dtm.tif", levels, transform=Affine(1, 0, EAST, 0, -1, NORTH + 100), crs="EPSG:32630")
    )


def patch(crs: CRS = HOME) -> TinGround:
    """A lattice of points of 5 m over the square 20 to 60 m, 0.25 m above the plane."""
    x, y = (part.ravel() for part in np.meshgrid(EAST + np.arange(20, 61, 5.0), NORTH + np.arange(20, 61, 5.0)))
    places = carried(np.column_stack([x, y]), CRS(32630), crs)
    return TinGround(
        SurveyPoints(
            x=places[:, 0], y=places[:, 1], level_m=plane(x, y) + OVER_M, crs=crs, files=(Path("yard.csv"),),
            source="yard.csv",
        )
    )  # fmt: skip


X = EAST + np.array([10.0, 30.0, 59.0, 61.0, 200.0])
Y = NORTH + np.array([40.0, 40.0, 33.0, 33.0, 40.0])


def test_the_survey_counts_within_its_hull_and_the_raster_beyond(base):
    found = PatchedGround.of(patch(), base).levels(X, Y)
    expected = plane(X, Y) + OVER_M * np.array([0, 1, 1, 0, 0])
    np.testing.assert_allclose(found.level_m[:4], expected[:4], atol=1e-9)
    assert found.state.tolist() == [State.LEVEL] * 4 + [State.OUTSIDE]
    assert np.isnan(found.level_m[4])


@pytest.mark.parametrize("crs", [CRS(32631), CRS(4326)], ids=["the next zone", "degrees"])
def test_the_survey_may_be_in_another_grid(base, crs):
    """A lattice carried into another grid bends a little: its edges by millimetres."""
    patched = PatchedGround.of(patch(crs), base)
    np.testing.assert_allclose(
        patched.levels(X[:4], Y[:4]).level_m, PatchedGround.of(patch(), base).levels(X[:4], Y[:4]).level_m, atol=1e-3
    )
    assert patched.crs.equals(CRS(32630))


def test_bends_are_those_of_both_in_order(base):
    x, y = EAST + np.array([10.0, 70.0]), NORTH + np.array([40.3, 40.3])
    over, under = patch(), base
    index, fraction = PatchedGround.of(over, under).bends(x, y)
    both = np.concatenate([over.bends(x, y)[1], under.bends(x, y)[1]])
    assert (index == 0).all()
    np.testing.assert_array_equal(fraction, np.sort(both))


def test_the_nearest_point_counts_only_where_the_survey_does(base):
    """From (30, 40) a point is at the place; from (59, 33) the nearest is (60, 35), 2.236 grid metres away."""
    away = PatchedGround.of(patch(), base).support_m(X, Y)
    np.testing.assert_allclose(away[1:3], [0, np.hypot(1, 2)], rtol=1e-3, atol=1e-6)
    assert np.isnan(away[[0, 3, 4]]).all()


def test_the_seam_is_where_the_two_disagree(base):
    """The raster lies 0.25 m below the survey all along, so mean and root mean square are exact."""
    seam = PatchedGround.of(patch(), base).seam()
    assert seam.mean_m == pytest.approx(-OVER_M, abs=1e-9)
    assert seam.rmse_m == pytest.approx(OVER_M, abs=1e-9)
    assert len(seam) >= 160, "a square of 40 m, at places at most a metre apart"
    assert ((np.abs(seam.x - EAST - 40) <= 20.001) & (np.abs(seam.y - NORTH - 40) <= 20.001)).all()


def test_files_are_those_of_both(base):
    assert [file.name for file in PatchedGround.of(patch(), base).files] == ["dtm.tif", "yard.csv"]


def test_a_picture_is_that_of_the_raster(base):
    box = (-2.1191, 52.3470, -2.1180, 52.3479)
    own, patched = base.relief(*box, cells=400), PatchedGround.of(patch(), base).relief(*box, cells=400)
    assert own is not None
    assert patched is not None
    np.testing.assert_array_equal(own.level_m, patched.level_m)
