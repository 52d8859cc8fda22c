"""What ``geofence inspect`` tells of the files beside the line, and of the gates on it.

The line runs 80 m east on the grid; distances in the grid are those on the ground within 1 in 2000 here.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from geofence.inputs.job import read_job
from geofence.inspection import Inspection, inspect
from tests.networks import ORIGIN, write_paddocks
from tests.sites import carried, write_line, write_raster
from tests.terminal import geofence

UTM = CRS(32630)
ZONE = '[[zone]]\nname = "Gas main"\nfile = "pipe.gpkg"\nrule = "keep-clear"\nbuffer_m = 1.0\nclear_to = "centre"\n'
EXISTING = '[existing]\nfile = "posts.csv"\ngrid = "EPSG:32630"\n'
CONTROL = '[control]\nfile = "control.csv"\ngrid = "EPSG:32630"\n'
GATE = '[[gate]]\nname = "Yard"\nat_m = 12.0\nwidth_m = 3.6\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_raster(tmp_path / "ground.tif", crs=UTM, west=ORIGIN[0], north=ORIGIN[1] + 100, cell=1.0, shape=(100, 120))
    write_line(tmp_path / "line.gpkg", np.array([(20, 50), (100, 50)]) + ORIGIN, crs=UTM)
    write_line(tmp_path / "pipe.gpkg", np.array([(60, 20), (60, 80)]) + ORIGIN, crs=UTM)
    write_points(tmp_path / "posts.csv", (20, 50), (50, 50.1), (60, 53), (60, 90))
    write_points(tmp_path / "control.csv", (30, 40), (5000, 40))
    return tmp_path


def write_points(file: Path, *places: tuple[float, float], crs: CRS = UTM) -> None:
    there = carried(np.array(places, dtype=float) + ORIGIN, UTM, crs).tolist()
    rows = "".join(f"{name},{east:.4f},{north:.4f}\n" for name, (east, north) in enumerate(there, start=1))
    file.write_text(f"name,easting,northing\n{rows}", encoding="utf-8")


def job(folder: Path, *tables: str) -> Path:
    file = folder / "fence.toml"
    start = 'schema = 1\n[job]\ngrid = "EPSG:32630"\n[line]\nfile = "line.gpkg"\n[ground]\nfiles = "ground.tif"\n'
    file.write_text(start + 'level_unit = "m"\n' + "".join(tables), encoding="utf-8")
    return file


def seen(folder: Path, *tables: str) -> Inspection:
    return inspect(read_job(job(folder, *tables)))


class TestZones:
    def test_where_the_line_is_within_reach(self, folder: Path) -> None:
        (zone,) = seen(folder, ZONE).beside.zones
        assert (zone.name, zone.rule, zone.file, zone.features) == ("Gas main", "keep-clear", "pipe.gpkg", 1)
        assert zone.grid == UTM.name
        assert zone.nearest_m == 0
        ((_, start, end),) = zone.within
        assert (start, end) == pytest.approx((39, 41), abs=0.03)

    def test_how_far_the_line_keeps_away(self, folder: Path) -> None:
        write_line(folder / "pipe.gpkg", np.array([(40, 57), (80, 57)]) + ORIGIN, crs=UTM)
        (zone,) = seen(folder, ZONE).beside.zones
        assert zone.nearest_m == pytest.approx(7, abs=0.01)
        assert zone.within == ()

    def test_one_in_a_wrong_place_is_nowhere_near(self, folder: Path) -> None:
        write_line(folder / "pipe.gpkg", np.array([(40_000, 57), (40_080, 57)]) + ORIGIN, crs=UTM)
        ran = geofence("inspect", job(folder, ZONE))
        assert ran.code == 0
        assert "nowhere near" in ran.out

    def test_over_ground_without_levels(self, folder: Path) -> None:
        """The raster ends 20 m before the line does: that is told, and the zone there found all the same."""
        write_raster(folder / "ground.tif", crs=UTM, west=ORIGIN[0], north=ORIGIN[1] + 100, cell=1.0, shape=(100, 80))
        write_line(folder / "pipe.gpkg", np.array([(90, 20), (90, 80)]) + ORIGIN, crs=UTM)
        found = seen(folder, ZONE)
        assert found.without_level
        assert found.beside.zones[0].within[0][1] == pytest.approx(69, abs=0.05)


class TestPoints:
    def test_how_many_are_near(self, folder: Path) -> None:
        posts, control = seen(folder, EXISTING, CONTROL).beside.points
        assert (posts.what, posts.file, posts.points, posts.within) == ("existing posts", "posts.csv", 4, 2)
        assert (control.what, control.points, control.within) == ("control points", 2, 1)
        assert control.nearest_m == pytest.approx(10, abs=0.01)

    def test_a_grid_that_is_not_theirs_is_seen(self, folder: Path) -> None:
        """Shot in the next zone; taken for this one they lie 400 km away."""
        write_points(folder / "posts.csv", (20, 50), (50, 50), crs=CRS(32631))
        found = seen(folder, EXISTING)
        (posts,) = found.beside.points
        assert posts.within == 0
        assert posts.nearest_m > 100_000
        assert [item.severity for item in found.findings if item.code == "existing-posts-elsewhere"] == ["warn"]


class TestGates:
    def test_have_their_chainages(self, folder: Path) -> None:
        (gate,) = seen(folder, GATE).beside.gates
        assert gate.name == "Yard"
        assert (gate.from_m, gate.to_m, gate.width_m) == pytest.approx((12.0, 15.6, 3.6))

    def test_by_a_point_near_the_line(self, folder: Path) -> None:
        near = f"[[gate]]\nnear = [{ORIGIN[0] + 60}, {ORIGIN[1] + 52}]\nwidth_m = 4.0\n"
        (gate,) = seen(folder, near).beside.gates
        assert gate.from_m == pytest.approx(38, abs=0.03)

    def test_of_a_network_say_their_line(self, tmp_path: Path) -> None:
        gate = '[[gate]]\nline = "East"\nat_m = 60.0\nwidth_m = 3.6\n'
        (found,) = inspect(read_job(write_paddocks(tmp_path, gate=gate))).beside.gates
        assert (found.line, found.from_m) == ("East", 60.0)


class TestTheCommand:
    def test_shows_all_of_it(self, folder: Path) -> None:
        out = " ".join(geofence("inspect", job(folder, ZONE, EXISTING, CONTROL, GATE)).out.split())
        assert "Gas main, keep-clear pipe.gpkg, WGS 84 / UTM zone 30N, 1 shape: the nearest 0.00 m off" in out
        assert "1 stretch of the line within 1.00 m" in out
        assert "2 within 0.25 m" in out
        assert "12.000" in out

    def test_tells_programs(self, folder: Path) -> None:
        told = json.loads(geofence("inspect", job(folder, ZONE, EXISTING, CONTROL, GATE), "--json").out)
        assert told["zones"][0]["within"][0]["from_m"] == pytest.approx(39, abs=0.03)
        assert [points["within"] for points in told["points"]] == [2, 1]
        assert told["gates"][0]["to_m"] == pytest.approx(15.6)

    @pytest.mark.parametrize(
        ("tables", "says"),
        [
            (ZONE.replace("pipe", "gone"), "gone.gpkg: there is no such file. Check zone[1].file"),
            (EXISTING.replace("posts", "gone"), "gone.csv: there is no such file. Check existing.file"),
            (CONTROL.replace("control.csv", "gone.csv"), "gone.csv: there is no such file. Check control.file"),
            (EXISTING.replace("32630", "999999"), "existing.grid: 'EPSG:999999' names no grid"),
            (GATE.replace("12.0", "78.0"), "gate[1].at_m: gate Yard reaches past the end of the line"),
            (GATE + GATE.replace("Yard", "Other"), "gate[2].at_m: gates Yard and Other overlap"),
        ],
    )
    def test_refuses_what_a_plan_would(self, folder: Path, tables: str, says: str) -> None:
        ran = geofence("inspect", job(folder, tables))
        assert ran.code == 2
        assert says in ran.err
