"""Each kind of bad input: one screen that says what to mend, exit code 2, and the output folder as it was."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import CRS, Transformer

from tests.plans import made_up_plan
from tests.sites import geojson_line, write_line, write_raster
from tests.terminal import Ran, geofence

GRID = CRS(32630)
WEST, SOUTH = 560_000.0, 5_800_000.0
LINE = [(WEST + 20, SOUTH + 20), (WEST + 120, SOUTH + 30), (WEST + 130, SOUTH + 130)]
LONLAT = [(-2.1, 52.3), (-2.099, 52.3005)]


@pytest.fixture
def raster(tmp_path: Path) -> Path:
    return write_raster(tmp_path / "dtm.tif", crs=GRID, west=WEST, north=SOUTH + 200, cell=1, shape=(200, 200))


@pytest.fixture
def line(tmp_path: Path) -> Path:
    return write_line(tmp_path / "line.gpkg", LINE, crs=GRID)


def refused(tmp_path: Path, *words: object, says: tuple[str, ...]) -> Ran:
    """Plan into a folder with an earlier plan's stand-ins; it must be refused, and the folder left as it was."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    ran = geofence("plan", *words, "--system", "aac-panel", "--out", out)
    assert ran.code == 2, ran.out + ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""
    assert len(ran.err) < 1200, "one screen"
    for text in says:
        assert text in ran.err
    assert [file.name for file in out.iterdir()] == ["notes.txt"]
    assert not [file for file in tmp_path.iterdir() if file.name.startswith(".")], "nothing half-written"
    return ran


class TestBoundaries:
    @pytest.mark.parametrize(
        ("text", "says"),
        [
            (geojson_line(LONLAT)[:90], ("is no JSON", "cut short")),
            ("not json at all", ("is no JSON",)),
            ('{"hello": 1}', ("is no GeoJSON",)),
            (geojson_line([LONLAT]), ("features[0].geometry.coordinates[0]",)),  # type: ignore[list-item]
            (geojson_line([("1", "2"), ("3", "4")]), ("a position is two or three numbers", '["1", "2"]')),  # type: ignore[list-item]
            (geojson_line([(float("nan"), 52.0), (1.0, 52.0)]), ("NaN is no number",)),
            ('{"type": "FeatureCollection", "features": []}', ("is empty",)),
            (geojson_line(LONLAT[:1]), ("at least two positions",)),
            (geojson_line([LONLAT[0], LONLAT[0]]), ("has no length",)),
            (geojson_line([(412000.0, 172000.0), (412100.0, 172000.0)]), ("look like metres", "line.grid")),
            ('{"type": "Point", "coordinates": [1, 52]}', ("holds no line, only 1 Point",)),
        ],
        ids=[
            "truncated", "no JSON", "no GeoJSON", "wrong nesting", "strings", "NaN", "empty", "one point",
            "no length", "metres labelled as degrees", "a point",
        ],
    )  # fmt: skip
    def test_geojson(self, tmp_path: Path, raster: Path, text: str, says: tuple[str, ...]) -> None:
        line = tmp_path / "line.geojson"
        line.write_text(text)
        refused(tmp_path, "--line", line, "--ground", raster, says=("line.geojson", *says))

    def test_missing(self, tmp_path: Path, raster: Path) -> None:
        refused(tmp_path, "--line", tmp_path / "no.gpkg", "--ground", raster, says=("no.gpkg", "no such file"))

    def test_no_grid(self, tmp_path: Path, raster: Path) -> None:
        line = write_line(tmp_path / "line.shp", LINE, crs=None)
        refused(tmp_path, "--line", line, "--ground", raster, says=("line.shp", "which grid", "line.grid"))

    def test_degrees_labelled_as_metres(self, tmp_path: Path, raster: Path) -> None:
        line = write_line(tmp_path / "line.gpkg", LONLAT, crs=GRID)
        refused(tmp_path, "--line", line, "--ground", raster, says=("line.gpkg", "look like degrees"))

    def test_somewhere_else(self, tmp_path: Path, raster: Path) -> None:
        line = write_line(tmp_path / "line.gpkg", np.array(LINE) + 50_000, crs=GRID)
        refused(tmp_path, "--line", line, "--ground", raster, says=("dtm.tif", "does not cover the line anywhere"))

    def test_swapped_longitude_and_latitude(self, tmp_path: Path, raster: Path) -> None:
        lonlat = np.column_stack(Transformer.from_crs(GRID, 4326, always_xy=True).transform(*np.array(LINE).T))
        line = tmp_path / "line.geojson"
        line.write_text(geojson_line([(lat, lon) for lon, lat in lonlat.tolist()]))
        refused(tmp_path, "--line", line, "--ground", raster, says=("does not cover", "line.geojson look swapped"))

    def test_leg_that_is_not_there(self, tmp_path: Path, raster: Path, line: Path) -> None:
        refused(tmp_path, "--line", line, "--ground", raster, "--legs", "1,7", says=("line.legs", "7", "1 to 2"))


class TestRasters:
    def written(self, tmp_path: Path, **options: object) -> Path:
        file = tmp_path / "bad.tif"
        settings: dict[str, object] = {"crs": GRID, "cell": 1.0, "shape": (200, 200), **options}
        return write_raster(file, west=WEST, north=SOUTH + 200, **settings)  # type: ignore[arg-type]

    def test_does_not_cover(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path, shape=(200, 100))
        refused(
            tmp_path, "--line", line, "--ground", raster, says=("bad.tif", "no level", "chainage", "outside the data")
        )

    def test_all_no_data(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path, surface=lambda x, _: np.full_like(x, -9999.0))
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif",))

    def test_corrupt_pixels(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path, compress="deflate")
        content = bytearray(raster.read_bytes())
        content[len(content) // 4 : len(content) // 4 * 3] = b"\xff" * (len(content) // 4 * 3 - len(content) // 4)
        raster.write_bytes(content)
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif",))

    def test_truncated(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path, compress="deflate")
        raster.write_bytes(raster.read_bytes()[:4000])
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif",))

    def test_no_georeferencing(self, tmp_path: Path, line: Path) -> None:
        raster = tmp_path / "bad.tif"
        with (
            pytest.warns(rasterio.errors.NotGeoreferencedWarning),
            rasterio.open(
                raster, "w", driver="GTiff", width=9, height=9, count=1, dtype="float32", crs=GRID.to_wkt()
            ) as to,
        ):
            to.write(np.ones((1, 9, 9), dtype="float32"))
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif", "georeferenc"))

    def test_no_grid(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path)
        with rasterio.open(raster) as source:
            level, transform = source.read(1), source.transform
        settings = {"driver": "GTiff", "width": 200, "height": 200, "count": 1, "dtype": "float32"}
        with rasterio.open(raster, "w", transform=transform, **settings) as target:
            target.write(level, 1)
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif", "grid"))

    def test_several_bands(self, tmp_path: Path, line: Path) -> None:
        raster = self.written(tmp_path, count=3)
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif", "band"))

    def test_a_picture(self, tmp_path: Path, line: Path) -> None:
        picture = tmp_path / "photo.png"
        with (
            pytest.warns(rasterio.errors.NotGeoreferencedWarning),
            rasterio.open(picture, "w", driver="PNG", width=9, height=9, count=3, dtype="uint8") as target,
        ):
            target.write(np.zeros((3, 9, 9), dtype="uint8"))
        refused(tmp_path, "--line", line, "--ground", picture, says=("photo.png",))

    @pytest.mark.parametrize(
        ("surface", "says"),
        [
            (lambda x, _: 50_000 + x, ("9000", "level_unit")),
            (lambda x, _: 300 * np.sin(x / 20) + 350, ("steeper", "level_unit")),
            (lambda x, _: np.where(x < 60, 80.0, 0.0), ("jumps", "no-data")),
        ],
        ids=["levels beyond the Earth's", "a slope no ground has", "an unmarked void"],
    )
    def test_levels_that_cannot_be(
        self, tmp_path: Path, line: Path, surface: Callable[..., np.ndarray], says: tuple[str, ...]
    ) -> None:
        raster = self.written(tmp_path, surface=surface)
        refused(tmp_path, "--line", line, "--ground", raster, says=("bad.tif", *says))


class TestJobs:
    @pytest.mark.parametrize(
        ("gates", "says"),
        [
            (("80,30",), ("G1", "corner")),
            (("190,30",), ("G1",)),
            (("20,4", "22,4"), ("G2",)),
            (("-5,4",), ("gate[1].at_m",)),
            (("20",), ("--gate", "AT,WIDTH")),
        ],
        ids=["wider than its leg", "off the line", "overlapping", "before the start", "half said"],
    )
    def test_gates(
        self, tmp_path: Path, raster: Path, line: Path, gates: tuple[str, ...], says: tuple[str, ...]
    ) -> None:
        options = [word for gate in gates for word in (f"--gate={gate}",)]
        refused(tmp_path, "--line", line, "--ground", raster, *options, says=says)

    def test_unknown_key_names_the_nearest(self, tmp_path: Path, raster: Path, line: Path) -> None:
        job = tmp_path / "fence.toml"
        job.write_text(
            f'schema = 1\n[line]\nfile = "{line.name}"\n[ground]\nfiles = "{raster.name}"\n[layout]\nmin_bya_m = 0.5\n'
        )
        ran = refused(tmp_path, job, says=("fence.toml", "layout.min_bya_m", "min_bay_m"))
        assert "line 7" in ran.err

    def test_unknown_system_and_output(self, tmp_path: Path, raster: Path, line: Path) -> None:
        ran = geofence("plan", "--line", line, "--ground", raster, "--system", "aac-pannel", "--out", tmp_path / "o")
        assert ran.code == 2
        assert "aac-panel" in ran.err
        ran = geofence("plan", "--line", line, "--ground", raster, "--also", "mapp", "--out", tmp_path / "o")
        assert ran.code == 2
        assert "map" in ran.err
        assert not (tmp_path / "o").exists()


class TestOutputFolder:
    def test_files_of_somebody_else_are_kept(self, tmp_path: Path, raster: Path, line: Path) -> None:
        out = tmp_path / "out"
        out.mkdir()
        (out / "posts.geojson").write_text("not ours")
        ran = geofence("plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", out)
        assert ran.code == 2
        assert "posts.geojson" in ran.err
        assert (out / "posts.geojson").read_text() == "not ours"

    def test_a_file_instead_of_a_folder(self, tmp_path: Path, raster: Path, line: Path) -> None:
        out = tmp_path / "out"
        out.write_text("a file")
        ran = geofence("plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", out)
        assert ran.code == 2
        assert out.read_text() == "a file"

    def test_where_nobody_may_write(self, raster: Path, line: Path) -> None:
        ran = geofence("plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", "/proc/geofence")
        assert ran.code == 2
        assert "/proc/geofence" in ran.err

    def test_no_room_leaves_the_earlier_plan_whole(self, tmp_path: Path, raster: Path, line: Path) -> None:
        out = tmp_path / "out"
        words = ["plan", "--line", str(line), "--ground", str(raster), "--system", "aac-panel", "--out", str(out)]
        assert geofence(*words).code in (0, 1)
        before = {file.name: file.read_bytes() for file in out.iterdir()}

        def little_room() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))

        ran = subprocess.run(
            [sys.executable, "-m", "geofence", *words, "--height-m", "1.5"],
            preexec_fn=little_room, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 2, ran.stderr
        assert "no room" in ran.stderr
        assert {file.name: file.read_bytes() for file in out.iterdir()} == before

    def test_second_run_replaces_the_first_and_keeps_own_notes(self, tmp_path: Path, raster: Path, line: Path) -> None:
        out = tmp_path / "out"
        words = ("plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", out)
        assert geofence(*words).code in (0, 1)
        (out / "notes.txt").write_text("mine")
        assert geofence(*words, "--height-m", "1.5").code in (0, 1)
        assert (out / "notes.txt").read_text() == "mine"
        plan = json.loads((out / "plan.json").read_text())
        assert plan["parameters"]["fence.height_m"]["value"] == 1.5


class TestFinishedPlans:
    """What ``write`` and ``stakeout`` are given; the folder stays as it was."""

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        made_up_plan(relief=False).write(tmp_path / "plan")
        return tmp_path / "plan"

    @staticmethod
    def cut_short(folder: Path) -> None:
        (folder / "plan.npz").write_bytes((folder / "plan.npz").read_bytes()[:-200])

    @staticmethod
    def emptied(folder: Path) -> None:
        (folder / "plan.npz").write_bytes(b"")

    @staticmethod
    def taken_away(folder: Path) -> None:
        (folder / "plan.npz").unlink()

    @staticmethod
    def a_folder(folder: Path) -> None:
        (folder / "plan.npz").unlink()
        (folder / "plan.npz").mkdir()

    @staticmethod
    def remade(folder: Path, member: str, content: bytes) -> None:
        with zipfile.ZipFile(folder / "plan.npz") as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
        with zipfile.ZipFile(folder / "plan.npz", "w", zipfile.ZIP_DEFLATED) as archive:
            for name, old in members.items():
                archive.writestr(name, content if name == member else old)

    @classmethod
    def edited(cls, folder: Path) -> None:
        cls.remade(folder, "places/easting.npy", b"0")

    @classmethod
    def newer(cls, folder: Path) -> None:
        cls.remade(folder, "record.json", b'{"format": "geofence plan", "schema": 99}')

    @classmethod
    def huge(cls, folder: Path) -> None:
        """As its directory has it: a last member of two gigabytes."""
        content = bytearray((folder / "plan.npz").read_bytes())
        size = content.rfind(b"PK\x01\x02") + 24
        content[size : size + 4] = (1 << 31).to_bytes(4, "little")
        (folder / "plan.npz").write_bytes(content)

    DAMAGE = (
        ("cut_short", ("plan.npz", "is damaged, or is no finished plan", "Plan it again")),
        ("emptied", ("plan.npz", "is damaged, or is no finished plan")),
        ("taken_away", ("holds no plan.npz", "Plan it again")),
        ("a_folder", ("holds no plan.npz", "Plan it again")),
        ("edited", ("plan.npz, places/easting.npy", "was changed since it was written")),
        ("newer", ("was written by a newer geofence", "99", "Update geofence")),
        ("huge", ("is larger than any plan once unpacked", "limit 1073741824 bytes")),
    )

    @pytest.mark.parametrize(("damage", "says"), DAMAGE, ids=[name for name, _ in DAMAGE])
    @pytest.mark.parametrize("command", ["write", "stakeout"])
    def test_damaged(self, command: str, damage: str, says: tuple[str, ...], folder: Path, tmp_path: Path) -> None:
        getattr(self, damage)(folder)
        before = state(tmp_path)
        more = ("--also", "profile") if command == "write" else ("--out", tmp_path / "crew.csv")
        told_off(geofence(command, folder, *more), *says)
        assert state(tmp_path) == before

    def test_no_plan_at_all(self, tmp_path: Path) -> None:
        told_off(geofence("write", tmp_path, "--also", "profile"), "holds no plan.npz, and so no finished plan")
        told_off(geofence("write", tmp_path / "none", "--also", "profile"), "none: there is no such folder")

    def test_a_record_edited_by_hand(self, folder: Path, tmp_path: Path) -> None:
        text = (folder / "plan.json").read_text(encoding="utf-8")
        (folder / "plan.json").write_text(text.replace('"value": 1.885', '"value": 2.0'), encoding="utf-8")
        before = state(tmp_path)
        ran = geofence("write", folder, "--also", "profile")
        told_off(ran, "plan.json, parameters", "tells of another plan than plan.npz", "Put back the two files")
        assert state(tmp_path) == before

    def test_an_output_that_is_none(self, folder: Path) -> None:
        told_off(geofence("write", folder, "--also", "profiel"), "no output is called 'profiel'", "profile")
        told_off(geofence("write", folder), "nothing to write", "geofence outputs")

    def test_a_folder_with_files_of_the_users(self, folder: Path, tmp_path: Path) -> None:
        (tmp_path / "mine").mkdir()
        (tmp_path / "mine" / "posts.geojson").write_text("mine")
        before = state(tmp_path)
        told_off(geofence("write", folder, "--out", tmp_path / "mine"), "geofence did not write posts.geojson")
        assert state(tmp_path) == before


def state(folder: Path) -> dict[str, bytes | None]:
    return {str(file.relative_to(folder)): file.read_bytes() if file.is_file() else None for file in folder.rglob("*")}


def told_off(ran: Ran, *says: str) -> None:
    """One screen that says what to mend, and exit code 2."""
    assert ran.code == 2, ran.out + ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""
    assert len(ran.err) < 1200, "one screen"
    for text in says:
        assert text in ran.err
