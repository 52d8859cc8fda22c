"""Bilinear levels against sources that are not ours.

Sources
-------
Wikipedia, "Bilinear interpolation", section "Application in image processing": the worked example of grey values
91, 210 / 162, 95 read at row 20.2, column 14.5, which gives 146.1.
R Core Team, data set ``volcano`` (Maunga Whau, digitised by Ross Ihaka): four neighbouring values 190, 189, 184, 183.
matplotlib, sample data ``jacksboro_fault_dem.npz`` (elevations, 3 seconds of arc). Its ``ymin`` is the northern edge
and ``ymax`` the southern: row 0 is north.
SciPy, ``scipy.ndimage.map_coordinates`` with ``order=1``. GDAL, warping with bilinear resampling, through rasterio.
tifffile, a TIFF writer and reader that shares no code with GDAL.
OGC 19-008r4, GeoTIFF 1.1: where the model tie point lies for ``PixelIsArea`` and ``PixelIsPoint``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from matplotlib import cbook
from rasterio import Affine
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT
from scipy.ndimage import map_coordinates

from geofence.site.ground import State
from tests.rasters import METRE, ground, places, write


@pytest.fixture(scope="module")
def model() -> Iterator[dict[str, np.ndarray]]:
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as sample:
        yield {name: sample[name] for name in sample.files}


@pytest.fixture(scope="module")
def transform(model: dict[str, np.ndarray]) -> Affine:
    north = float(max(model["ymin"], model["ymax"]))
    return Affine(float(model["dx"]), 0, float(model["xmin"]), 0, -float(model["dy"]), north)


@pytest.fixture(scope="module")
def file(model: dict[str, np.ndarray], transform: Affine, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("jacksboro") / "dem.tif"
    return write(
        file, model["elevation"], transform=transform, crs="EPSG:4326", tiled=True, blockxsize=64, blockysize=64
    )


class TestPublished:
    def test_wikipedia(self, tmp_path: Path) -> None:
        level = np.zeros((22, 16))
        level[20:22, 14:16] = [[91, 210], [162, 95]]
        found = ground(write(tmp_path / "t.tif", level)).levels(*places(METRE, [20.2], [14.5]))
        assert found.level_m == pytest.approx([146.1], abs=1e-9)

    def test_volcano(self, tmp_path: Path) -> None:
        level = np.array([[190.0, 189.0], [184.0, 183.0]])
        found = ground(write(tmp_path / "t.tif", level)).levels(*places(METRE, [0.5], [0.5]))
        assert found.level_m == pytest.approx([186.5], abs=1e-9)

    def test_saddle(self, tmp_path: Path) -> None:
        """Closed form: levels 0, 0 / 0, 1 make u v. Either triangulation of the square would give 0 or 0.5."""
        level = np.array([[0.0, 0.0], [0.0, 1.0]])
        found = ground(write(tmp_path / "t.tif", level)).levels(*places(METRE, [0.5, 0.25], [0.5, 0.8]))
        assert found.level_m == pytest.approx([0.25, 0.2], abs=1e-9)


class TestJacksboro:
    """A real elevation model: Jacksboro fault, Tennessee."""

    @pytest.mark.parametrize(
        ("row", "column", "level"), [(0, 0, 483), (0, 402, 444), (343, 0, 545), (343, 402, 272), (172, 201, 583)]
    )
    def test_published_cells(self, file: Path, transform: Affine, row: int, column: int, level: int) -> None:
        """Values of the file's array as numpy prints them."""
        assert ground(file).levels(*places(transform, [row], [column])).level_m.tolist() == [level]

    def test_map_coordinates(self, model: dict[str, np.ndarray], transform: Affine, file: Path) -> None:
        """Positions carry rounding of 1e-10 of a cell, and neighbours differ by up to 100 m."""
        rng = np.random.default_rng(11)
        at = rng.uniform(0, 343, 20_000), rng.uniform(0, 402, 20_000)
        found = ground(file).levels(*places(transform, *at))
        expected = map_coordinates(model["elevation"].astype(float), at, order=1)
        assert np.all(found.state == State.LEVEL)
        np.testing.assert_allclose(found.level_m, expected, rtol=0, atol=1e-6)

    def test_along_a_line(self, model: dict[str, np.ndarray], transform: Affine, file: Path) -> None:
        at = np.linspace(3, 340, 50_000), np.linspace(400, 2, 50_000)
        found = ground(file).levels(*places(transform, *at))
        expected = map_coordinates(model["elevation"].astype(float), at, order=1)
        np.testing.assert_allclose(found.level_m, expected, rtol=0, atol=1e-6)

    @pytest.mark.parametrize(("down", "right"), [(0.25, 0.5), (0.9, 0.1), (0.5, 0.5)])
    def test_gdal(self, transform: Affine, file: Path, down: float, right: float) -> None:
        """GDAL's warp onto cells shifted by part of a cell; it works in float32 weights, hence a millimetre."""
        a, _, x, _, e, y = transform[:6]
        shifted = Affine(a, 0, x + a * right, 0, e, y + e * down)
        with (
            rasterio.open(file) as source,
            WarpedVRT(
                source, transform=shifted, width=402, height=343, resampling=Resampling.bilinear, dtype="float64"
            ) as warped,
        ):
            expected = warped.read(1)
        row, column = np.mgrid[0:342, 0:401]
        found = ground(file).levels(*places(shifted, row.ravel(), column.ravel()))
        np.testing.assert_allclose(found.level_m.reshape(row.shape), expected[:342, :401], rtol=0, atol=1e-3)

    def test_nearest_at_centres(self, transform: Affine, file: Path) -> None:
        """At centres ``rasterio.sample``, which takes the nearest cell, must agree."""
        rng = np.random.default_rng(5)
        x, y = places(transform, rng.integers(0, 344, 500), rng.integers(0, 403, 500))
        with rasterio.open(file) as source:
            expected = [value[0] for value in source.sample(zip(x, y, strict=True), 1)]
        np.testing.assert_allclose(ground(file).levels(x, y).level_m, expected, rtol=0, atol=1e-6)


class TestTifffile:
    """Files written without GDAL; the tie point is the first cell's corner, or its centre where cells are points."""

    LEVEL = np.random.default_rng(2).uniform(0, 100, (37, 53)).astype(np.float32)

    def _written(self, file: Path, *, cells: int, **options: object) -> Path:
        keys = (1, 1, 0, 3, 1024, 0, 1, 1, 1025, 0, 1, cells, 3072, 0, 1, 27700)
        geo = [
            (33550, "d", 3, (2.0, 2.0, 0.0), True),
            (33922, "d", 6, (0.0, 0.0, 0.0, 400_000.0, 100_000.0, 0.0), True),
            (34735, "H", len(keys), keys, True),
            (42113, "s", 0, "-9999", True),
        ]
        tifffile.imwrite(file, self.LEVEL, extratags=geo, metadata=None, **options)
        return file

    @pytest.mark.parametrize("options", [{}, {"rowsperstrip": 5}, {"tile": (16, 32)}], ids=["one", "strips", "tiles"])
    @pytest.mark.parametrize(("cells", "first"), [(1, 1.0), (2, 0.0)], ids=["PixelIsArea", "PixelIsPoint"])
    def test_cells_lie_where_the_tie_point_says(
        self, tmp_path: Path, cells: int, first: float, options: dict[str, object]
    ) -> None:
        file = self._written(tmp_path / "t.tif", cells=cells, **options)
        row, column = (part.ravel() for part in np.mgrid[0:37, 0:53])
        found = ground(file).levels(400_000 + first + 2.0 * column, 100_000 - first - 2.0 * row)
        np.testing.assert_array_equal(found.level_m, tifffile.imread(file).astype(float).ravel())

    def test_between_cells(self, tmp_path: Path) -> None:
        file = self._written(tmp_path / "t.tif", cells=2, byteorder=">")
        rng = np.random.default_rng(4)
        r, c = rng.uniform(0, 36, 500), rng.uniform(0, 52, 500)
        found = ground(file).levels(400_000 + 2 * c, 100_000 - 2 * r)
        expected = map_coordinates(tifffile.imread(file).astype(float), (r, c), order=1)
        np.testing.assert_allclose(found.level_m, expected, rtol=0, atol=1e-6)

    def test_bigtiff(self, tmp_path: Path) -> None:
        file = self._written(tmp_path / "t.tif", cells=1, bigtiff=True)
        assert ground(file).levels(np.array([400_001.0]), np.array([99_999.0])).level_m.tolist() == [self.LEVEL[0, 0]]
