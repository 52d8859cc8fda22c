"""The command line, as a user meets it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from pyproj import CRS

from tests.sites import write_line, write_raster
from tests.terminal import geofence

CONTRACT = {
    "posts.geojson",
    "bays.geojson",
    "stakeout.csv",
    "findings.csv",
    "profile.csv",
    "map.html",
    "plan.json",
    "plan.npz",
}
GRID = CRS(32630)


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """A line of 100 m and a raster under it."""
    raster = write_raster(tmp_path / "dtm.tif", crs=GRID, west=560_000, north=5_800_200, cell=1, shape=(200, 200))
    line = write_line(tmp_path / "line.gpkg", [(560_020, 5_800_020), (560_120, 5_800_030)], crs=GRID)
    return line, raster


class TestDemo:
    def test_writes_the_contract_and_says_where_the_map_is(self, tmp_path: Path) -> None:
        ran = geofence("demo", "--out", tmp_path / "plan")
        assert ran.code == 0, ran.err
        assert {file.name for file in (tmp_path / "plan").iterdir()} >= CONTRACT
        assert str(tmp_path / "plan" / "map.html") in ran.out
        assert "Alder Down" in ran.out
        assert ran.err == ""

    def test_quiet_says_nothing(self, tmp_path: Path) -> None:
        ran = geofence("demo", "--out", tmp_path / "plan", "--quiet")
        assert (ran.code, ran.out, ran.err) == (0, "", "")

    def test_json_is_json(self, tmp_path: Path) -> None:
        ran = geofence("demo", "--out", tmp_path / "plan", "--json")
        told = json.loads(ran.out)
        assert set(told["files"]) >= CONTRACT
        assert told["length_m"] > 100
        assert set(told["findings"]) == {"stop", "warn", "note"}


class TestPlan:
    def test_without_a_job_file(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        ran = geofence(
            "plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", tmp_path / "plan",
            "--gate", "41.5,3.6", "--fit", "equal", "--offset-m", "0.5", "--name", "Long Meadow",
        )  # fmt: skip
        assert ran.code in (0, 1), ran.err
        plan = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
        assert plan["parameters"]["layout.fit"] == {"value": "equal", "origin": "command line"}
        assert plan["parameters"]["gate[1].at_m"]["value"] == 41.5
        bays = json.loads((tmp_path / "plan" / "bays.geojson").read_text(encoding="utf-8"))
        gate = [item for item in bays["features"] if item["properties"]["kind"] == "gate"]
        assert [item["properties"]["width_m"] for item in gate] == [3.6]

    def test_stop_findings_give_exit_code_1_and_all_files(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        job = tmp_path / "fence.toml"
        job.write_text(
            f'schema = 1\n[line]\nfile = "{line.name}"\n[ground]\nfiles = "{raster.name}"\n'
            '[fence]\nsystem = "aac-panel"\n[levels]\ngap_max_m = 0.0\ndig_max_m = 0.0\n'
        )
        ran = geofence("plan", job, "--out", tmp_path / "plan")
        assert ran.code == 1
        assert "stop" in ran.out
        assert {file.name for file in (tmp_path / "plan").iterdir()} >= CONTRACT

    def test_same_inputs_same_bytes(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        for out in ("one", "two"):
            geofence("plan", "--line", line, "--ground", raster, "--system", "aac-panel", "--out", tmp_path / out)
        for name in CONTRACT - {"plan.json", "plan.npz"}:
            assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
        one, two = (json.loads((tmp_path / out / "plan.json").read_text()) for out in ("one", "two"))
        for told in (one, two):
            told["provenance"].pop("planned_at")
            told["sha256"].pop("plan.npz")  # it holds the time too
        assert one == two

    def test_what_becomes_of_an_earlier_plan_is_told(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        out, words = tmp_path / "plan", ("plan", "--line", line, "--ground", raster, "--out", tmp_path / "plan")
        geofence(*words, "--also", "gpx,kml")
        geofence("stakeout", out, "--out", out / "crew.csv")
        again = geofence(*words)
        assert "removed: fence.gpx, fence.kml of the earlier plan; write them again with `geofence write" in again.out
        assert "void: crew.csv, crew.txt from an earlier plan" in again.out
        assert not (out / "fence.gpx").exists()
        told = json.loads(geofence(*words, "--json").out)
        assert (told["removed"], told["void"]) == ([], ["crew.csv", "crew.txt"])
        other = json.loads(geofence("write", out, "--also", "gpx", "--json").out)
        assert (other["files"], other["removed"]) == (["fence.gpx"], [])

    def test_a_changed_file_of_an_earlier_plan_stops_the_run(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        words = ("plan", "--line", line, "--ground", raster, "--out", tmp_path / "plan")
        geofence(*words, "--also", "gpx")
        (tmp_path / "plan" / "fence.gpx").write_text("edited")
        before = {file.name: file.stat().st_mtime_ns for file in (tmp_path / "plan").iterdir()}
        ran = geofence(*words)
        assert ran.code == 2
        assert "fence.gpx of the earlier plan would be removed" in ran.err
        assert {file.name: file.stat().st_mtime_ns for file in (tmp_path / "plan").iterdir()} == before

    def test_of_many_findings_each_code_is_shown_once(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        """Each bay is a stop here, and the note that explains them is seen all the same."""
        line, raster = files
        job = tmp_path / "fence.toml"
        job.write_text(
            f'schema = 1\n[line]\nfile = "{line.name}"\n[ground]\nfiles = "{raster.name}"\n'
            '[fence]\nsystem = "aac-panel"\n[levels]\ngap_max_m = 0.0\ndig_max_m = 0.0\n'
        )
        told = geofence("plan", job, "--out", tmp_path / "plan").out
        rows = (tmp_path / "plan" / "findings.csv").read_text(encoding="utf-8").splitlines()[1:]
        codes = {row.split(",")[0] for row in rows}
        shown = [row for row in told.splitlines() if row.startswith(("  stop", "  warn", "  note"))]
        assert len(rows) > 8 > len(codes) == len(shown)
        severities = [row.split()[0].rstrip(":") for row in shown]
        assert severities == sorted(severities, key=["stop", "warn", "note"].index)
        assert f"  findings.csv has all {len(rows)} findings" in told

    @pytest.mark.parametrize("name", ["line.gpkg", "dtm.tif", "line.geojson"])
    def test_data_in_the_place_of_the_job_file(self, name: str, files: tuple[Path, Path], tmp_path: Path) -> None:
        (tmp_path / "line.geojson").write_text("{}")
        ran = geofence("plan", files[0].with_name(name), "--out", tmp_path / "plan")
        assert ran.code == 2
        assert f"{name}: this is data, and no job file. Give a boundary by --line" in ran.err

    def test_command_line_goes_before_the_job_file(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        job = tmp_path / "fence.toml"
        job.write_text(
            f'schema = 1\n[line]\nfile = "{line.name}"\n[ground]\nfiles = "{raster.name}"\n[layout]\nfit = "start"\n'
        )
        geofence("plan", job, "--fit", "both-ends", "--out", tmp_path / "plan")
        parameters = json.loads((tmp_path / "plan" / "plan.json").read_text())["parameters"]
        assert parameters["layout.fit"] == {"value": "both-ends", "origin": "command line"}


class TestPaths:
    """Options name files of the current folder, a job file names files of its own, through links or not."""

    def job_behind_a_link(self, files: tuple[Path, Path], tmp_path: Path) -> Path:
        line, raster = files
        (tmp_path / "real" / "deep").mkdir(parents=True)
        (tmp_path / "link").symlink_to(tmp_path / "real" / "deep")
        job = tmp_path / "link" / "fence.toml"
        job.write_text(f'schema = 1\n[line]\nfile = "none.gpkg"\n[ground]\nfiles = "{raster}"\n')
        (tmp_path / "real" / line.name).write_text("not the one that is meant")
        return job

    def test_a_boundary_of_the_current_folder(
        self, files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        job = self.job_behind_a_link(files, tmp_path)
        monkeypatch.chdir(tmp_path)
        ran = geofence("plan", "link/fence.toml", "--line", files[0].name, "--out", "plan")
        assert ran.code == 0, ran.err
        assert job.is_file()

    def test_a_system_of_the_current_folder(
        self, files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import geofence.systems as geofence_systems

        self.job_behind_a_link(files, tmp_path)
        own = (Path(geofence_systems.__file__).parent / "aac-panel.toml").read_text(encoding="utf-8")
        (tmp_path / "mine.toml").write_text(own.replace('name = "aac-panel"', 'name = "mine"'), encoding="utf-8")
        monkeypatch.chdir(tmp_path)
        ran = geofence(
            "plan", "link/fence.toml", "--line", files[0].name, "--system", "mine.toml", "--out", "plan", "--json"
        )
        assert ran.code == 0, ran.err
        assert json.loads((tmp_path / "plan" / "plan.json").read_text())["system"]["name"] == "mine"


class TestInspect:
    def test_tells_what_is_there(self, files: tuple[Path, Path]) -> None:
        line, raster = files
        ran = geofence("inspect", "--line", line, "--ground", raster)
        assert ran.code == 0, ran.err
        for word in ("UTM zone 30N", "100.0% of the line", "line.gpkg", "dtm.tif"):
            assert word in ran.out

    def test_json(self, files: tuple[Path, Path]) -> None:
        import numpy as np

        line, raster = files
        told = json.loads(geofence("inspect", "--line", line, "--ground", raster, "--json").out)
        (leg,) = told["legs"]
        # closed form: the plane join of (0, 0) to (100, 10)
        assert leg["grid_distance"] == pytest.approx(np.hypot(100, 10), abs=1e-6)
        assert leg["bearing_deg"] == pytest.approx(np.degrees(np.arctan2(100, 10)), abs=1e-6)
        assert leg["grid_distance"] / leg["ground_distance_m"] == pytest.approx(
            told["grid"]["combined_factor"], abs=1e-6
        )
        assert told["ground"]["covered"] == 1

    def test_gap_in_the_ground_is_listed_not_refused(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        _, raster = files
        line = write_line(tmp_path / "off.gpkg", [(560_150, 5_800_020), (560_250, 5_800_030)], crs=GRID)
        ran = geofence("inspect", "--line", line, "--ground", raster)
        assert ran.code == 0, ran.err
        assert "no level at chainage" in ran.out
        assert "outside the data" in ran.out


class TestWrite:
    """Further files of a finished plan, end to end; what may go wrong is in test_bad_input."""

    ALSO = ("gpx", "landxml", "kml")

    def test_the_same_as_planning_with_them(
        self, files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("SOURCE_DATE_EPOCH", "1764100000")
        line, raster = files
        words = ("plan", "--line", line, "--ground", raster, "--gate", "41.5,3.6", "--name", "Long Meadow")
        also = [word for name in self.ALSO for word in ("--also", name)]
        assert geofence(*words, *also, "--out", tmp_path / "at-once").code == 0
        assert geofence(*words, "--out", tmp_path / "later").code == 0
        monkeypatch.delenv("SOURCE_DATE_EPOCH")
        line.unlink()
        raster.unlink()
        for name in self.ALSO:
            ran = geofence("write", tmp_path / "later", "--also", name)
            assert ran.code == 0, ran.err
        assert geofence("write", tmp_path / "later", *also, "--out", tmp_path / "elsewhere").code == 0
        at_once, later, elsewhere = (
            {file.name: file.read_bytes() for file in (tmp_path / out).iterdir()}
            for out in ("at-once", "later", "elsewhere")
        )
        assert at_once == later == elsewhere
        assert {"fence.gpx", "fence.xml", "fence.kml", "plan.npz"} <= at_once.keys()

    def test_stops_of_the_plan_are_told_but_nothing_failed(self, files: tuple[Path, Path], tmp_path: Path) -> None:
        line, raster = files
        job = tmp_path / "fence.toml"
        job.write_text(
            f'schema = 1\n[line]\nfile = "{line.name}"\n[ground]\nfiles = "{raster.name}"\n'
            '[levels]\ngap_max_m = 0.0\ndig_max_m = 0.0\n[stakeout]\nunit = "ftUS"\ncodes = { end = "FE" }\n'
        )
        assert geofence("plan", job, "--out", tmp_path / "plan").code == 1
        ran = geofence("write", tmp_path / "plan", "--also", "gpx")
        assert ran.code == 0
        assert "stop" in ran.out
        lines = (tmp_path / "plan" / "stakeout.csv").read_text().splitlines()
        assert lines[1].split(",")[4].startswith("FE top ")
        assert "US survey foot" in (tmp_path / "plan" / "stakeout.txt").read_text()


class TestNewAndSystems:
    def test_starter_is_written_once(self, tmp_path: Path) -> None:
        assert geofence("new", tmp_path / "job").code == 0
        before = (tmp_path / "job" / "fence.toml").read_bytes()
        again = geofence("new", tmp_path / "job")
        assert again.code == 2
        assert "already" in again.err
        assert (tmp_path / "job" / "fence.toml").read_bytes() == before

    def test_systems_show_where_dimensions_come_from(self) -> None:
        ran = geofence("systems")
        assert ran.code == 0
        for name in ("aac-panel", "precast-panel", "mesh-panel", "sheet-panel"):
            assert name in ran.out
        assert "common practice, no source" in ran.out
        told = json.loads(geofence("systems", "--json").out)
        assert told["aac-panel"]["layout"]["module_m"]["reference"]


class TestManners:
    def test_redirected_output_is_utf8_without_escapes(self, tmp_path: Path) -> None:
        environment = {**os.environ, "PYTHONIOENCODING": "", "LC_ALL": "C", "PYTHONUTF8": "0"}
        ran = subprocess.run(
            [sys.executable, "-m", "geofence", "demo", "--out", str(tmp_path / "plan")],
            capture_output=True, check=True, env=environment,
        )  # fmt: skip
        text = ran.stdout.decode("utf-8")
        assert "°" in text
        assert "\x1b" not in text
        assert ran.stderr == b""

    def test_no_job_and_no_files_says_what_is_needed(self) -> None:
        ran = geofence("plan")
        assert ran.code == 2
        assert "Give a job file, or a line and a ground." in ran.err

    @pytest.mark.parametrize("words", [("systems",), ("systems", "--json"), ("demo", "--out", "plan")])
    def test_a_reader_that_leaves_does_not_change_the_exit_code(self, tmp_path: Path, words: tuple[str, ...]) -> None:
        read, write = os.pipe()
        os.close(read)
        process = subprocess.run(
            [sys.executable, "-m", "geofence", *words], stdout=write, stderr=subprocess.PIPE, check=False, cwd=tmp_path
        )
        os.close(write)
        assert (process.returncode, process.stderr) == (0, b"")

    def test_a_full_device_is_told(self) -> None:
        with open("/dev/full", "w") as full:  # noqa: PTH123
            process = subprocess.run(
                [sys.executable, "-m", "geofence", "systems"],
                stdout=full,
                stderr=subprocess.PIPE,
                text=True,
                check=False,
            )
        assert process.returncode == 2
        assert "cannot be printed" in process.stderr

    def test_usage_errors_as_json_too(self) -> None:
        ran = geofence("plan", "--fit", "bad", "--json")
        assert ran.code == 2
        assert "bad" in json.loads(ran.out)["error"]["message"]
        assert "--fit" in ran.err

    def test_errors_as_json(self, tmp_path: Path) -> None:
        ran = geofence("plan", tmp_path / "none.toml", "--json")
        assert ran.code == 2
        assert json.loads(ran.out)["error"]["kind"] == "JobError"

    def test_debug_shows_the_trace(self, tmp_path: Path) -> None:
        ran = subprocess.run(
            [sys.executable, "-m", "geofence", "plan", str(tmp_path / "none.toml"), "--debug"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert "Traceback" in ran.stderr
        quiet = geofence("plan", tmp_path / "none.toml")
        assert "Traceback" not in quiet.err
