"""RasterGround: levels, states, seams, blocks, bends and the relief. Expected levels are closed forms unless said."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from rasterio import Affine

from geofence.errors import InputError
from geofence.site import tile as tile_module
from geofence.site.ground import State
from geofence.site.tile import Tile
from tests.rasters import METRE, centres, ground, places, write

TURN = math.radians(30)
TRANSFORMS = {
    "north-up": METRE,
    "south-up": Affine(1, 0, 400_000, 0, 1, 100_000),
    "west-up": Affine(0, -2, 400_000, -2, 0, 100_000),
    "rotated": Affine(math.cos(TURN), math.sin(TURN), 400_000, math.sin(TURN), -math.cos(TURN), 100_000),
    "sheared": Affine(0.5, 0.2, 400_000, -0.1, -0.7, 100_000),
    "long cells": Affine(25, 0, 400_000, 0, -0.1, 100_000),
}


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 120 + 0.25 * (x - 400_000) - 0.125 * (y - 100_000)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


class TestPlanes:
    """Bilinear levels are exact on a plane, however the raster lies and its numbers are packed."""

    @pytest.mark.parametrize("transform", TRANSFORMS.values(), ids=TRANSFORMS)
    def test_exact(self, tmp_path: Path, rng: np.random.Generator, transform: Affine) -> None:
        file = write(tmp_path / "plane.tif", plane(*centres(transform, (40, 50))), transform=transform)
        x, y = places(transform, rng.uniform(0, 39, 500), rng.uniform(0, 49, 500))
        found = ground(file).levels(x, y)
        assert np.all(found.state == State.LEVEL)
        np.testing.assert_allclose(found.level_m, plane(x, y), rtol=0, atol=1e-8)

    def test_scale_offset_and_unit(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """Centifeet above 100 ft in int16: level = (number / 100 + 100) * 0.3048."""
        row, column = np.mgrid[0:20, 0:30]
        file = write(tmp_path / "packed.tif", (40 * row - 25 * column).astype(np.int16), nodata=-32768)
        with rasterio.open(file, "r+") as target:
            target.scales, target.offsets, target.units = (0.01,), (100.0,), ("ft",)
        r, c = rng.uniform(0, 19, 200), rng.uniform(0, 29, 200)
        found = ground(file).levels(*places(METRE, r, c))
        np.testing.assert_allclose(found.level_m, ((40 * r - 25 * c) / 100 + 100) * 0.3048, rtol=0, atol=1e-9)

    def test_degrees(self, tmp_path: Path, rng: np.random.Generator) -> None:
        transform = Affine(1 / 3600, 0, -3.0, 0, -1 / 3600, 51.0)
        file = write(
            tmp_path / "degrees.tif",
            np.add.outer(np.arange(20.0), 2 * np.arange(30.0)),
            transform=transform,
            crs="EPSG:4326",
        )
        r, c = rng.uniform(0, 19, 200), rng.uniform(0, 29, 200)
        longitude, latitude = places(transform, r, c)
        np.testing.assert_allclose(ground(file).levels(longitude, latitude).level_m, r + 2 * c, rtol=0, atol=1e-8)

    @pytest.mark.parametrize(("west", "longitude"), [(179.5, -179.9), (350.0, -9.5)])
    def test_longitude_a_full_turn_away(self, tmp_path: Path, west: float, longitude: float) -> None:
        """A raster across the antimeridian, or counted from 0 to 360: the place is the same a turn away."""
        transform = Affine(0.1, 0, west, 0, -0.1, -16.0)
        file = write(tmp_path / "turn.tif", np.tile(np.arange(10.0), (10, 1)), transform=transform, crs="EPSG:4326")
        found = ground(file).levels(np.array([longitude]), np.array([-16.5]))
        assert found.level_m == pytest.approx([(longitude + 360 - west) / 0.1 - 0.5], abs=1e-9)


class TestEdges:
    """There is no level less than half a cell from the outer edge: no centre lies beyond."""

    @pytest.mark.parametrize(
        ("row", "column", "state"),
        [
            (0, 0, State.LEVEL),
            (9, 19, State.LEVEL),
            (9, 0, State.LEVEL),
            (0, 19 + 1e-8, State.LEVEL),
            (-1e-8, 0, State.LEVEL),
            (-1e-6, 5, State.OUTSIDE),
            (9 + 1e-6, 5, State.OUTSIDE),
            (5, -1e-6, State.OUTSIDE),
            (5, 19 + 1e-6, State.OUTSIDE),
            (5, -0.49, State.OUTSIDE),
            (5, 1e300, State.OUTSIDE),
            (np.nan, 5, State.OUTSIDE),
        ],
    )
    def test_state(self, tmp_path: Path, row: float, column: float, state: State) -> None:
        transform = Affine(1, 0, 1000, 0, -1, 1000)
        file = write(tmp_path / "t.tif", np.full((10, 20), 7.0), transform=transform)
        found = ground(file).levels(*(np.atleast_1d(part) for part in places(transform, row, column)))
        assert found.state.tolist() == [state]
        np.testing.assert_array_equal(found.level_m, [7.0 if state == State.LEVEL else np.nan])

    def test_infinity_of_a_failed_projection(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", np.full((9, 9), 7.0)))
        x, y = np.array([400_004.0, np.inf, 400_004.0]), np.array([99_996.0, 99_996.0, -np.inf])
        assert opened.levels(x, y).state.tolist() == [State.LEVEL, State.OUTSIDE, State.OUTSIDE]
        assert len(opened.bends(x, y)[0]) == 0

    def test_no_places(self, tmp_path: Path) -> None:
        found = ground(write(tmp_path / "t.tif", np.full((10, 20), 7.0))).levels(np.zeros(0), np.zeros(0))
        assert len(found.level_m) == len(found.state) == 0

    def test_single_cell(self, tmp_path: Path) -> None:
        found = ground(write(tmp_path / "t.tif", np.full((1, 1), 7.0))).levels(*places(METRE, [0, 0], [0, 0.1]))
        assert found.state.tolist() == [State.LEVEL, State.OUTSIDE]

    def test_answer_is_read_only(self, tmp_path: Path) -> None:
        found = ground(write(tmp_path / "t.tif", np.full((9, 9), 7.0))).levels(*places(METRE, [1], [1]))
        assert not found.level_m.flags.writeable
        assert not found.state.flags.writeable


def _voids(tmp_path: Path, kind: str) -> Path:
    """5 x 5 levels of 50 m; the middle one has none, said in one of the ways in which files say it."""
    level = np.full((5, 5), 50.0, dtype=np.float32)
    file = tmp_path / "void.tif"
    number = {"nan": np.nan, "inf": np.inf, "minus inf": -np.inf, "-9999": -9999.0, "lowest": np.finfo("f4").min}
    number["a tenth"] = 0.1
    if kind in number:
        level[2, 2] = number[kind]
        stated = {"-9999": -9999.0, "lowest": -3.4028234663852886e38, "nan": np.nan, "a tenth": 0.1}.get(kind)
        return write(file, level, nodata=stated)
    if kind == "int16":
        level[2, 2] = -32768
        return write(file, level.astype(np.int16), nodata=-32768)
    if kind == "0 of uint16":
        level[2, 2] = 0
        return write(file, level.astype(np.uint16), nodata=0)
    shown = np.full((5, 5), 255, dtype=np.uint8)
    shown[2, 2] = 0
    if kind == "alpha":
        write(file, np.stack([level, shown.astype(np.float32)]), photometric="minisblack", alpha="yes")
        return file
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=kind == "mask inside"):
        write(file, level)
        with rasterio.open(file, "r+") as target:
            target.write_mask(shown)
    return file


KINDS = (
    "nan",
    "inf",
    "minus inf",
    "-9999",
    "lowest",
    "a tenth",
    "int16",
    "0 of uint16",
    "alpha",
    "mask inside",
    "mask beside",
)


class TestVoids:
    """A neighbour without data gives no level, unless it has no weight."""

    @pytest.mark.parametrize("kind", KINDS)
    @pytest.mark.parametrize(
        ("row", "column", "state"),
        [
            (1, 1, State.LEVEL),
            (1, 2, State.LEVEL),
            (1, 1.5, State.LEVEL),
            (1.5, 1, State.LEVEL),
            (2, 3, State.LEVEL),
            (1 + 1e-8, 2, State.LEVEL),
            (2, 2, State.NO_DATA),
            (1 + 1e-6, 2, State.NO_DATA),
            (1.01, 1.01, State.NO_DATA),
            (2.99, 2.99, State.NO_DATA),
            (2, 2.5, State.NO_DATA),
            (3.5, 3.5, State.LEVEL),
        ],
    )
    def test_state(self, tmp_path: Path, kind: str, row: float, column: float, state: State) -> None:
        x, y = places(METRE, [0, row], [0, column])
        found = ground(_voids(tmp_path, kind)).levels(x, y)
        assert found.state.tolist() == [State.LEVEL, state]
        np.testing.assert_array_equal(found.level_m, [50, 50 if state == State.LEVEL else np.nan])

    def test_void_is_not_blended(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """No place near a void of -9999 may be given a level but 50."""
        x, y = places(METRE, rng.uniform(0, 4, 2000), rng.uniform(0, 4, 2000))
        found = ground(_voids(tmp_path, "-9999")).levels(x, y)
        assert set(found.level_m[found.state == State.LEVEL]) == {50.0}
        assert np.count_nonzero(found.state == State.NO_DATA) > 300

    def test_nothing_but_voids(self, tmp_path: Path) -> None:
        file = write(tmp_path / "empty.tif", np.full((5, 5), -9999.0), nodata=-9999)
        with pytest.raises(InputError, match=r"empty\.tif, band 1: there is no level in it"):
            ground(file).levels(*places(METRE, [1.5], [1.5]))

    def test_nothing_but_masked_cells(self, tmp_path: Path) -> None:
        file = write(tmp_path / "empty.tif", np.full((5, 5), 50.0))
        with rasterio.open(file, "r+") as target:
            target.write_mask(np.zeros((5, 5), dtype=np.uint8))
        with pytest.raises(InputError, match="there is no level in it"):
            ground(file).levels(*places(METRE, [1.5], [1.5]))

    def test_line_in_a_void_of_a_good_raster(self, tmp_path: Path) -> None:
        found = ground(_voids(tmp_path, "-9999")).levels(*places(METRE, [2.0], [2.0]))
        assert found.state.tolist() == [State.NO_DATA]

    def test_line_in_a_masked_void_of_a_good_raster(self, tmp_path: Path) -> None:
        found = ground(_voids(tmp_path, "mask inside")).levels(*places(METRE, [2.0], [2.0]))
        assert found.state.tolist() == [State.NO_DATA]


class TestOddLevels:
    """A level that no ground has is refused, even where its weight is small and the blend looks harmless."""

    def test_unmarked_void(self, tmp_path: Path) -> None:
        level = np.full((9, 9), 200.0, dtype=np.float32)
        level[4, 5] = -9999
        file = write(tmp_path / "dtm.tif", level)
        with pytest.raises(InputError) as caught:
            ground(file).levels(*places(METRE, [1.0, 3.01], [1.0, 5.0]))
        assert str(caught.value) == (
            f"{file}, row 4, column 5 (from 0): a level that no ground has: -9999 m, limit -500 to 9000 m. If -9999 "
            "marks missing levels, say so in the file: rio edit-info --nodata -9999 dtm.tif. If the unit is another, "
            'set level_unit ("m", "ft" or "ftUS") in [ground]. Otherwise the file is damaged: copy it again.'
        )

    def test_feet_taken_for_metres(self, tmp_path: Path) -> None:
        """A summit of 9,500 ft is 2,896 m."""
        file = write(tmp_path / "dtm.tif", np.full((9, 9), 9500.0))
        with pytest.raises(InputError, match=r"limit -500 to 9000 m\..*level_unit"):
            ground(file).levels(*places(METRE, [1.0], [1.0]))
        assert ground(file, level_unit="ft").levels(*places(METRE, [1.0], [1.0])).level_m == pytest.approx([2895.6])

    @pytest.mark.parametrize("level", [-500.0, 9000.0])
    def test_limits_themselves(self, tmp_path: Path, level: float) -> None:
        file = write(tmp_path / "dtm.tif", np.full((9, 9), level))
        assert ground(file).levels(*places(METRE, [1.0], [1.0])).level_m.tolist() == [level]

    def test_far_from_the_line_does_not_matter(self, tmp_path: Path) -> None:
        level = np.full((9, 9), 200.0)
        level[8, 8] = 1e6
        assert ground(write(tmp_path / "dtm.tif", level)).levels(*places(METRE, [1.2], [1.2])).level_m.tolist() == [200]


def _cut(folder: Path, level: np.ndarray, row: int, column: int, *, margin: int = 0, **options: object) -> list[Path]:
    """Four tiles of a raster cut at (row, column), each reaching ``margin`` cells over the cut."""
    rows = (slice(0, row + margin), slice(max(row - margin, 0), None))
    columns = (slice(0, column + margin), slice(max(column - margin, 0), None))
    files = []
    for name, (r, c) in enumerate((r, c) for r in rows for c in columns):
        x, y = places(METRE, r.start - 0.5, c.start - 0.5)
        moved = Affine(1, 0, float(x), 0, -1, float(y))
        files.append(write(folder / f"tile{name}.tif", level[r, c], transform=moved, **options))
    return files


class TestTiles:
    """Tiles side by side are one raster."""

    @given(
        seed=st.integers(0, 2**32 - 1),
        row=st.integers(1, 11),
        column=st.integers(1, 14),
        margin=st.integers(0, 2),
        order=st.permutations(range(4)),
    )
    @settings(max_examples=40, deadline=None)
    def test_seam_is_invisible(self, seed: int, row: int, column: int, margin: int, order: list[int]) -> None:
        rng = np.random.default_rng(seed)
        level = rng.uniform(0, 100, (12, 15)).astype(np.float32)
        level[rng.random(level.shape) < 0.05] = -9999
        r, c = rng.uniform(-1, 12, 300), rng.uniform(-1, 15, 300)
        r[::3], c[::5] = np.rint(r[::3]), np.rint(c[::5])
        with tempfile.TemporaryDirectory() as folder:
            whole = ground(write(Path(folder) / "whole.tif", level, nodata=-9999)).levels(*places(METRE, r, c))
            files = _cut(Path(folder), level, row, column, margin=margin, nodata=-9999)
            tiled = ground(*(files[number] for number in order)).levels(*places(METRE, r, c))
        np.testing.assert_array_equal(tiled.state, whole.state)
        np.testing.assert_allclose(tiled.level_m, whole.level_m, rtol=0, atol=1e-9)

    @given(
        slope=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
        angle=st.floats(0, 2 * math.pi),
        cell=st.floats(0.1, 50),
        cut=st.integers(1, 19),
    )
    @settings(max_examples=30, deadline=None)
    def test_plane_over_a_rotated_seam(self, slope: tuple[float, float], angle: float, cell: float, cut: int) -> None:
        a, b = cell * math.cos(angle), cell * math.sin(angle)
        first = Affine(a, b, 300_000, b, -a, 200_000)
        second = Affine(a, b, 300_000 + a * cut, b, -a, 200_000 + b * cut)

        def level(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            return 4000 + slope[0] * (x - 300_000) + slope[1] * (y - 200_000)

        rng = np.random.default_rng(3)
        x, y = places(first, rng.uniform(0, 9, 100), rng.uniform(0, 19, 100))
        with tempfile.TemporaryDirectory() as folder:
            one = write(Path(folder) / "one.tif", level(*centres(first, (10, cut))), transform=first)
            two = write(Path(folder) / "two.tif", level(*centres(second, (10, 20 - cut))), transform=second)
            found = ground(one, two).levels(x, y)
        assert np.all(found.state == State.LEVEL)
        # A place is put on a line of centres from 1e-7 of a cell: 7e-6 m of level on cells of 50 m.
        np.testing.assert_allclose(found.level_m, level(x, y), rtol=0, atol=1e-5)

    def test_each_tile_has_its_own_numbers(self, tmp_path: Path) -> None:
        """Metres in float32 beside US survey feet in float64: one ground."""
        level = np.add.outer(np.arange(6.0), np.arange(8.0))
        files = [
            write(tmp_path / "m.tif", level[:, :4].astype(np.float32)),
            write(tmp_path / "ft.tif", level[:, 4:] * 3937 / 1200, transform=Affine(1, 0, 400_004, 0, -1, 100_000)),
        ]
        for file, unit in zip(files, ("m", "US survey foot"), strict=True):
            with rasterio.open(file, "r+") as target:
                target.units = (unit,)
        found = ground(*files).levels(*places(METRE, [2.5, 2.5, 1.25], [3.5, 3.9, 5.5]))
        np.testing.assert_allclose(found.level_m, [6.0, 6.4, 6.75], rtol=0, atol=1e-9)

    def test_earlier_file_wins_where_tiles_overlap(self, tmp_path: Path) -> None:
        files = [write(tmp_path / f"{level}.tif", np.full((5, 5), float(level))) for level in (10, 20)]
        assert ground(*files).levels(*places(METRE, [1.5], [1.5])).level_m.tolist() == [10]
        assert ground(*files[::-1]).levels(*places(METRE, [1.5], [1.5])).level_m.tolist() == [20]

    def test_later_file_fills_the_void_of_an_earlier(self, tmp_path: Path) -> None:
        files = [_voids(tmp_path, "-9999"), write(tmp_path / "below.tif", np.full((5, 5), 30.0))]
        found = ground(*files).levels(*places(METRE, [2.0, 1.5], [2.0, 1.5]))
        assert found.level_m.tolist() == [30.0, 45.0]

    def test_tiles_on_different_lattices(self, tmp_path: Path) -> None:
        """Two-metre cells before one-metre cells half a cell off: each is sampled on its own, the earlier first."""
        coarse = write(tmp_path / "coarse.tif", np.full((5, 5), 10.0), transform=Affine(2, 0, 400_000, 0, -2, 100_000))
        fine = write(tmp_path / "fine.tif", np.full((9, 9), 20.0), transform=Affine(1, 0, 400_005, 0, -1, 100_000.5))
        both = ground(coarse, fine)
        x, y = np.array([400_004.0, 400_008.9, 400_009.1, 400_013.4, 400_013.6]), np.full(5, 99_997.0)
        found = both.levels(x, y)
        np.testing.assert_array_equal(found.level_m, [10, 10, 20, 20, np.nan])
        assert found.state[-1] == State.OUTSIDE
        assert ground(fine, coarse).levels(x, y).level_m.tolist()[:4] == [10, 20, 20, 20]

    def test_void_in_one_lattice_and_outside_another(self, tmp_path: Path) -> None:
        void = _voids(tmp_path, "-9999")
        other = write(tmp_path / "other.tif", np.full((5, 5), 10.0), transform=Affine(2, 0, 400_100, 0, -2, 100_000))
        for files in ((void, other), (other, void)):
            found = ground(*files).levels(*places(METRE, [1.0, 2.0, -3.0], [1.0, 2.0, 2.0]))
            assert found.state.tolist() == [State.LEVEL, State.NO_DATA, State.OUTSIDE]

    @pytest.mark.parametrize(("off", "state"), [(0.009, State.LEVEL), (0.011, State.OUTSIDE)])
    def test_rounded_corner(self, tmp_path: Path, off: float, state: State) -> None:
        """Cells off by less than a hundredth continue each other; the level is as far off as the ground's slope."""
        one = write(tmp_path / "1.tif", np.tile(np.arange(5.0), (5, 1)))
        moved = Affine(1, 0, 400_005 + off, 0, -1, 100_000)
        two = write(tmp_path / "2.tif", np.tile(np.arange(5.0, 10.0), (5, 1)), transform=moved)
        found = ground(one, two).levels(*places(METRE, [2.0], [4.5]))
        assert found.state.tolist() == [state]
        if state == State.LEVEL:
            assert found.level_m == pytest.approx([4.5], abs=1e-9)


STORAGE = {
    "strips of one row": {"blockysize": 1},
    "strips of seven rows": {"blockysize": 7},
    "one strip": {"blockysize": 100, "compress": "lzw"},
    "tiles": {"tiled": True, "blockxsize": 16, "blockysize": 32},
    "tiles, deflated": {"tiled": True, "blockxsize": 32, "blockysize": 16, "compress": "deflate", "predictor": 3},
}


class TestBlocks:
    """However a raster is stored, the levels are the same and each block is read once."""

    @pytest.fixture
    def reads(self, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[tuple[int, int]]]:
        """(row, column) of each unit that is read."""
        seen: list[tuple[int, int]] = []
        read = Tile._read

        def noted(self: Tile, source: object, row: int, column: int, buffer: np.ndarray) -> object:
            seen.append((row, column))
            return read(self, source, row, column, buffer)

        monkeypatch.setattr(Tile, "_read", noted)
        return seen

    @pytest.mark.parametrize("storage", STORAGE.values(), ids=STORAGE)
    @pytest.mark.parametrize("held", [2**22, 300])
    def test_storage(
        self,
        tmp_path: Path,
        rng: np.random.Generator,
        monkeypatch: pytest.MonkeyPatch,
        reads: list[tuple[int, int]],
        storage: dict[str, object],
        held: int,
    ) -> None:
        monkeypatch.setattr(tile_module, "UNIT_CELLS", held)
        level = rng.uniform(0, 100, (100, 130)).astype(np.float32)
        file = write(tmp_path / "t.tif", level, **storage)
        turn = np.linspace(0, 40, 3000)
        r, c = 50 + 49 * np.sin(turn), 65 + 64 * np.cos(1.3 * turn)
        found = ground(file).levels(*places(METRE, r, c))
        r0, c0 = np.floor(r).astype(int).clip(0, 98), np.floor(c).astype(int).clip(0, 128)
        v, u = r - r0, c - c0
        expected = (
            level[r0, c0].astype(float) * (1 - u) * (1 - v)
            + level[r0, c0 + 1].astype(float) * u * (1 - v)
            + level[r0 + 1, c0].astype(float) * (1 - u) * v
            + level[r0 + 1, c0 + 1].astype(float) * u * v
        )
        np.testing.assert_allclose(found.level_m, expected, rtol=0, atol=1e-7)
        assert len(reads) == len(set(reads))

    def test_large_blocks_are_read_in_parts(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tile,) = ground(write(tmp_path / "t.tif", np.zeros((100, 130)), blockysize=100, compress="lzw")).tiles
        assert tile.unit == (100, 130)
        monkeypatch.setattr(tile_module, "UNIT_CELLS", 300)
        assert tile.unit == (2, 130)
        monkeypatch.setattr(tile_module, "UNIT_CELLS", 100)
        assert tile.unit == (1, 130)

    def test_only_blocks_of_the_line_are_read(self, tmp_path: Path, reads: list[tuple[int, int]]) -> None:
        file = write(tmp_path / "t.tif", np.zeros((128, 128)), tiled=True, blockxsize=16, blockysize=16)
        ground(file).levels(*places(METRE, np.full(50, 20.5), np.linspace(0, 100, 50)))
        assert reads == [(16, column) for column in range(0, 112, 16)]

    def test_cell_without_weight_is_not_read(self, tmp_path: Path, reads: list[tuple[int, int]]) -> None:
        file = write(tmp_path / "t.tif", np.zeros((128, 128)), tiled=True, blockxsize=16, blockysize=16)
        ground(file).levels(*places(METRE, [15.0, 15.0], [15.0, 14.5]))
        assert reads == [(0, 0)]

    def test_no_handle_stays_open(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", np.full((9, 9), 1.0))
        opened = ground(file)
        opened.levels(*places(METRE, [1.0], [1.0]))
        held = [link.resolve() for link in Path("/proc/self/fd").iterdir() if link.exists()]
        assert file.resolve() not in held

    def test_file_that_went_away(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", np.full((9, 9), 1.0))
        opened = ground(file)
        file.unlink()
        with pytest.raises(InputError, match="can no longer be opened"):
            opened.levels(*places(METRE, [1.0], [1.0]))


class TestBends:
    """Bends are where a straight stretch crosses the lines through cell centres."""

    def test_along_a_row(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", np.zeros((9, 9))))
        index, fraction = opened.bends(*places(METRE, [3.5, 3.5, 3.5], [0.5, 4.5, 5.0]))
        assert index.tolist() == [0, 0, 0, 0]
        np.testing.assert_allclose(fraction, [1 / 8, 3 / 8, 5 / 8, 7 / 8], rtol=0, atol=1e-9)

    def test_through_centres_counts_once(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", np.zeros((9, 9))))
        index, fraction = opened.bends(*places(METRE, [1, 4], [1, 4]))
        assert index.tolist() == [0, 0]
        np.testing.assert_allclose(fraction, [1 / 3, 2 / 3], rtol=0, atol=1e-9)

    def test_backwards_and_standing_still(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", np.zeros((9, 9))))
        index, fraction = opened.bends(*places(METRE, [2.2, 2.2, 2.2], [3.5, 3.5, 1.5]))
        assert index.tolist() == [1, 1]
        np.testing.assert_allclose(fraction, [0.25, 0.75], rtol=0, atol=1e-9)

    def test_beyond_the_raster_there_are_none(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", np.zeros((9, 9))))
        index, _ = opened.bends(*places(METRE, [4.5, 4.5], [-1e6, 1e6]))
        assert len(index) <= 9

    @pytest.mark.parametrize("count", [0, 1])
    def test_no_stretch(self, tmp_path: Path, count: int) -> None:
        opened = ground(write(tmp_path / "t.tif", np.zeros((9, 9))))
        index, fraction = opened.bends(np.full(count, 400_004.0), np.full(count, 99_996.0))
        assert len(index) == len(fraction) == 0

    @pytest.mark.parametrize("transform", TRANSFORMS.values(), ids=TRANSFORMS)
    def test_ground_is_smooth_between_them(self, tmp_path: Path, rng: np.random.Generator, transform: Affine) -> None:
        """Between bends a bilinear surface is a parabola along a straight line: fourth point from three."""
        opened = ground(write(tmp_path / "t.tif", rng.uniform(0, 50, (30, 30)), transform=transform))
        x, y = places(transform, rng.uniform(0, 29, 12), rng.uniform(0, 29, 12))
        index, fraction = opened.bends(x, y)
        assert np.all((fraction > 0) & (fraction < 1))
        assert np.all(np.diff(index + fraction) > 0)
        for stretch in range(11):
            knots = np.concatenate([[0], fraction[index == stretch], [1]])
            share = knots[:-1, None] + np.diff(knots)[:, None] * np.array([0.2, 0.4, 0.6, 0.8])
            px = x[stretch] + share * (x[stretch + 1] - x[stretch])
            py = y[stretch] + share * (y[stretch + 1] - y[stretch])
            z = opened.levels(px.ravel(), py.ravel()).level_m.reshape(-1, 4)
            np.testing.assert_allclose(z[:, 3], z[:, 0] - 3 * z[:, 1] + 3 * z[:, 2], rtol=0, atol=1e-6)

    def test_every_kink_is_among_them(self, tmp_path: Path, rng: np.random.Generator) -> None:
        """As many as there are whole rows and columns between the ends: an independent count."""
        opened = ground(write(tmp_path / "t.tif", np.zeros((50, 50))))
        r, c = rng.uniform(0, 49, 200), rng.uniform(0, 49, 200)
        index, _ = opened.bends(*places(METRE, r, c))
        expected = np.abs(np.diff(np.floor(r))) + np.abs(np.diff(np.floor(c)))
        np.testing.assert_array_equal(np.bincount(index, minlength=199), expected)

    def test_of_several_lattices(self, tmp_path: Path) -> None:
        coarse = write(tmp_path / "coarse.tif", np.zeros((5, 5)), transform=Affine(2, 0, 400_000, 0, -2, 100_000))
        fine = write(tmp_path / "fine.tif", np.zeros((9, 9)), transform=Affine(1, 0, 400_002, 0, -1, 100_000))
        index, fraction = ground(coarse, fine).bends(np.array([400_000.0, 400_004.0]), np.full(2, 99_994.7))
        assert index.tolist() == [0, 0, 0, 0]
        np.testing.assert_allclose(fraction * 4, [1, 2.5, 3, 3.5], rtol=0, atol=1e-6)


class TestRelief:
    """The picture of the terrain lies true, is clipped to the data and comes out the same each time."""

    BOX = (-2.0005, 50.7957, -1.9940, 50.7985)

    @pytest.fixture
    def terrain(self, tmp_path: Path) -> Path:
        """A plane over 600 m x 500 m with reduced copies."""
        level = plane(*centres(METRE, (500, 600))).astype(np.float32)
        file = write(tmp_path / "t.tif", level, tiled=True, blockxsize=64, blockysize=64)
        with rasterio.open(file, "r+") as target:
            target.build_overviews([2, 4, 8], rasterio.enums.Resampling.average)
        return file

    @pytest.mark.parametrize("cells", [300, 5000, 200_000])
    def test_levels_lie_where_they_should(self, terrain: Path, cells: int) -> None:
        """Against the plane itself at each picture cell's middle, carried by pyproj; rows even in Mercator northing."""
        found = ground(terrain).relief(*self.BOX, cells=cells)
        assert found is not None
        assert (found.west_deg, found.south_deg, found.east_deg, found.north_deg) == pytest.approx(self.BOX, abs=1e-9)
        rows, columns = found.level_m.shape
        assert rows * columns == pytest.approx(cells, rel=0.1)
        west, north = Transformer.from_crs(4326, 3857, always_xy=True).transform(found.west_deg, found.north_deg)
        east, south = Transformer.from_crs(4326, 3857, always_xy=True).transform(found.east_deg, found.south_deg)
        mx, my = np.meshgrid(
            west + (np.arange(columns) + 0.5) * (east - west) / columns,
            north + (np.arange(rows) + 0.5) * (south - north) / rows,
        )
        x, y = Transformer.from_crs(3857, 27700, always_xy=True).transform(mx, my)
        np.testing.assert_allclose(found.level_m, plane(x, y), rtol=0, atol=2e-3)

    def test_cell_size_is_that_on_the_ground(self, terrain: Path) -> None:
        found = ground(terrain).relief(*self.BOX, cells=1000)
        assert found is not None
        to_grid = Transformer.from_crs(4326, 27700, always_xy=True)
        west, east = (to_grid.transform(lon, 50.794) for lon in (found.west_deg, found.east_deg))
        assert found.cell_m == pytest.approx(math.dist(west, east) / found.level_m.shape[1], rel=0.01)

    def test_clipped_to_the_data(self, terrain: Path) -> None:
        found = ground(terrain).relief(-2.1, 50.7, -1.9, 50.9, cells=1000)
        assert found is not None
        x, y = Transformer.from_crs(4326, 27700, always_xy=True).transform(
            [found.west_deg, found.east_deg], [found.south_deg, found.north_deg]
        )
        assert x == pytest.approx([400_000, 400_600], abs=25)
        assert y == pytest.approx([99_500, 100_000], abs=25)
        assert np.mean(np.isfinite(found.level_m)) > 0.95

    def test_none_where_there_is_no_data(self, terrain: Path, tmp_path: Path) -> None:
        assert ground(terrain).relief(-5, 55, -4.9, 55.1, cells=1000) is None
        empty = write(tmp_path / "e.tif", np.full((500, 600), -9999.0), nodata=-9999)
        assert ground(empty).relief(*self.BOX, cells=1000) is None

    def test_reduced_copies_are_used(self, terrain: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        used: list[int | None] = []
        squares = Tile.squares
        monkeypatch.setattr(
            Tile,
            "squares",
            lambda self, *args, **options: used.append(self.overview) or squares(self, *args, **options),
        )
        for cells in (300_000, 18_000, 600):
            ground(terrain).relief(*self.BOX, cells=cells)
        assert used == [None, 0, 2]

    def test_same_each_time(self, terrain: Path) -> None:
        one, two = (ground(terrain).relief(*self.BOX, cells=5000) for _ in range(2))
        assert one is not None
        assert two is not None
        assert one.level_m.tobytes() == two.level_m.tobytes()

    def test_level_no_ground_has_is_left_out(self, tmp_path: Path) -> None:
        level = np.full((500, 600), 60.0)
        level[200:300, 200:300] = 1e6
        found = ground(write(tmp_path / "t.tif", level)).relief(*self.BOX, cells=5000)
        assert found is not None
        assert np.nanmax(found.level_m) == np.nanmin(found.level_m) == 60
        assert np.isnan(found.level_m).any()

    def test_feet_become_metres(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", np.full((500, 600), 100.0))
        found = ground(file, level_unit="ft").relief(*self.BOX, cells=100)
        assert found is not None
        assert found.level_m == pytest.approx(np.full(found.level_m.shape, 30.48))

    def test_rows_are_even_in_mercator_northing(self, tmp_path: Path) -> None:
        """Ten degrees in nine rows: half way in northing from 50 to 60 N is 55.31 N, by gd(y) = atan(sinh y)."""
        transform = Affine(0.05, 0, -5, 0, -0.05, 60.5)
        level = np.tile(60.475 - 0.05 * np.arange(220.0)[:, None], (1, 40))
        found = ground(write(tmp_path / "t.tif", level, transform=transform, crs="EPSG:4326")).relief(
            -4.9, 50, -3.1, 60, cells=8
        )
        assert found is not None
        assert found.level_m.shape == (9, 1)
        low, high = np.arcsinh(np.tan(np.radians([50, 60])))
        middles = high - (np.arange(9) + 0.5) / 9 * (high - low)
        np.testing.assert_allclose(found.level_m[:, 0], np.degrees(np.arctan(np.sinh(middles))), rtol=0, atol=1e-4)
        assert found.level_m[4, 0] == pytest.approx(55.31, abs=0.01)
        assert (found.south_deg, found.north_deg) == pytest.approx((50, 60))

    def test_across_the_antimeridian(self, tmp_path: Path) -> None:
        transform = Affine(0.01, 0, 179.5, 0, -0.01, -16.0)
        file = write(tmp_path / "t.tif", np.tile(np.arange(100.0), (50, 1)), transform=transform, crs="EPSG:4326")
        found = ground(file).relief(-179.9, -16.3, -179.7, -16.2, cells=200)
        assert found is not None
        assert found.west_deg == pytest.approx(-179.9)
        column = (np.linspace(180.1, 180.3, found.level_m.shape[1] * 2 + 1)[1::2] - 179.5) / 0.01 - 0.5
        np.testing.assert_allclose(found.level_m, np.tile(column, (len(found.level_m), 1)), rtol=0, atol=1e-4)
