"""A wire fence all the way: from a job to files, and what these say of pull and of care."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import geopandas
import numpy as np
import pytest
from pyproj import CRS

from geofence.comparison import compare
from geofence.plan import WIRE_CAUTION, FencePlan
from geofence.planner import plan_fence
from tests.sites import write_line, write_raster

GRID = CRS.from_epsg(32630)
WEST, NORTH = 560_000.0, 5_800_200.0
CORNERS = [(560_030.0, 5_800_040.0), (560_130.0, 5_800_060.0), (560_180.0, 5_800_160.0)]


def banks(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Hills, and dips of 0.6 m each 18 m across the line."""
    return np.asarray(100 + 4 * np.sin(x / 35) + 3 * np.cos(y / 50) - 0.6 * np.exp(-(((x % 18) - 9) ** 2) / 4))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wire")
    write_raster(folder / "dtm.tif", crs=GRID, west=WEST, north=NORTH, cell=1.0, shape=(200, 200), surface=banks)
    write_line(folder / "line.gpkg", CORNERS, crs=GRID)
    return folder


@pytest.fixture(scope="module")
def plan(site: Path) -> FencePlan:
    gates = [{"name": "G1", "at_m": 40.0, "width_m": 3.6}]
    values = {"ground": {"level_unit": "m"}, "gate": gates, "wire": {"uplift_max_kn": 0.2}}
    return plan_fence(line=site / "line.gpkg", ground=site / "dtm.tif", system="stock-wire", values=values)


@pytest.fixture(scope="module")
def written(plan: FencePlan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "plan"
    plan.write(folder)
    return folder


class TestPlan:
    def test_posts_are_no_farther_apart_than_the_system_says(self, plan: FencePlan) -> None:
        bays = plan.fence.bays
        strung = np.array(bays.kind) != "gate"
        assert bays.width_m[strung].max() <= 4.0 + 1e-6
        assert bays.width_m[strung].min() >= 1.0 - 1e-6

    def test_the_lowest_wire_keeps_its_limits(self, plan: FencePlan) -> None:
        """Of the system's file: 0.2 m of gap, 0.03 m of clearance, held by the profile as it is written."""
        bays, ground = plan.fence.bays, plan.profile
        assert not any(finding.severity == "stop" for finding in plan.fence.findings)
        for row in np.flatnonzero(np.array(bays.kind) != "gate"):
            inside = ground.chainage_m.between(bays.start_m[row], bays.end_m[row])
            at, level = ground.chainage_m[inside], ground.ground_level_m[inside]
            ends = [bays.start_m[row], bays.end_m[row]]
            wire = np.interp(at, ends, [bays.underside_from_m[row], bays.underside_to_m[row]])
            assert (wire - level).max() <= 0.2 + 1e-6
            assert (wire - level).min() >= 0.03 - 1e-6

    def test_facts_and_parameters_are_those_of_wires(self, plan: FencePlan) -> None:
        assert (plan.system.slope, plan.system.module_m) == ("strained", 4.0)
        assert plan.system.height_m == pytest.approx(0.85)
        assert plan.parameters["layout.post_spacing_max_m"].value == 4.0
        assert plan.parameters["wire.uplift_max_kn"].value == 0.2
        assert "layout.module_m" not in plan.parameters

    def test_wire_in_all(self, plan: FencePlan) -> None:
        """Seven wires along the slope of every bay but the gate's."""
        slope_m = np.nansum(plan.fence.bays.slope_length_m)
        assert plan.summary()["wire_m"] == pytest.approx(7 * slope_m)
        assert plan.summary()["strains"] == 3
        assert slope_m > plan.summary()["length_m"] - 3.6


class TestNothingIsCut:
    """The column ``kind`` of a wire bay says whether it is as wide as can be; a crew has nothing to cut in any."""

    def test_bays_are_counted_as_bays_of_wires(self, plan: FencePlan, written: Path) -> None:
        kinds = geopandas.read_file(written / "bays.geojson").kind
        assert set(kinds) == {"full", "cut", "gate"}
        counts = {"gate": 1, "wire": len(kinds) - 1}
        assert plan.summary()["bays"] == counts
        assert json.loads((written / "plan.json").read_text(encoding="utf-8"))["summary"]["bays"] == counts

    def test_no_sheet_speaks_of_cut_bays(self, plan: FencePlan, tmp_path: Path) -> None:
        plan.write(tmp_path / "plan", also=["kml", "setout", "sheets-svg"])
        sheet = (tmp_path / "plan" / "setout.html").read_text(encoding="utf-8")
        assert not re.search(r"[0-9] (cut|full|wire)\b", sheet)
        assert re.search(r"[0-9] gate\b", sheet)
        globe = (tmp_path / "plan" / "fence.kml").read_text(encoding="utf-8")
        assert globe.count(", wire bay: ") == len(plan.fence.bays) - 1
        assert "cut bay" not in globe

    def test_nor_does_a_comparison(self, site: Path, tmp_path: Path) -> None:
        (tmp_path / "fence.toml").write_text(
            f'schema = 1\n[line]\nfile = "{site / "line.gpkg"}"\n'
            f'[ground]\nfiles = ["{site / "dtm.tif"}"]\nlevel_unit = "m"\n',
            encoding="utf-8",
        )
        panels, wires = compare(tmp_path / "fence.toml", ["aac-panel", "stock-wire"])
        assert panels.cut_bays
        assert (wires.cut_bays, wires.bays > 50) == (0, True)


class TestFiles:
    def test_plan_json_lists_the_strains(self, written: Path) -> None:
        told = json.loads((written / "plan.json").read_text(encoding="utf-8"))
        strains = told["strains"]
        assert strains[0]["from_post"] == "P001"
        assert [strain["wires"] for strain in strains] == [7, 7, 7]
        assert sum(strain["wires"] * strain["wire_length_m"] for strain in strains) == pytest.approx(
            told["summary"]["wire_m"]
        )
        assert all(strain["tension_cold_kn"] > strain["tension_kn"] > strain["tension_hot_kn"] for strain in strains)
        assert WIRE_CAUTION in told["cautions"]
        assert told["units"]["_kn"].startswith("kilonewton")

    def test_layers_have_the_columns_of_wires(self, plan: FencePlan, written: Path) -> None:
        posts, bays = (geopandas.read_file(written / f"{name}.geojson") for name in ("posts", "bays"))
        assert posts.uplift_kn.to_numpy() == pytest.approx(plan.fence.posts.uplift_kn, abs=1e-4)
        assert bays.droppers.dropna().isin([0, 1]).all()
        assert bays.sag_m.max() < 0.01
        about = json.loads((written / "posts.geojson").read_text(encoding="utf-8"))["plan"]
        assert WIRE_CAUTION in about["cautions"]

    def test_findings_tell_of_uplift_and_of_care(self, plan: FencePlan, written: Path) -> None:
        with (written / "findings.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        pulled = [row for row in rows if row["code"] == "post-uplift"]
        assert {row["post"] for row in pulled} == {
            name for name, kn in zip(plan.post_names, plan.fence.posts.uplift_kn, strict=True) if kn > 0.2
        }
        assert pulled
        assert all(row["unit"] == "kN" and "licensed engineer" in row["message"] for row in pulled)
        assert sum(row["code"] == "wire-strained" and "stores energy" in row["remedy"] for row in rows) == 1

    def test_the_crew_is_told(self, written: Path) -> None:
        assert WIRE_CAUTION in (written / "stakeout.txt").read_text(encoding="utf-8")
        assert "Strained wire stores energy" in (written / "map.html").read_text(encoding="utf-8")

    def test_a_fence_of_panels_says_nothing_of_wires(self, site: Path, tmp_path: Path) -> None:
        values = {"ground": {"level_unit": "m"}}
        panels = plan_fence(line=site / "line.gpkg", ground=site / "dtm.tif", system="aac-panel", values=values)
        assert WIRE_CAUTION not in panels.cautions
        assert "uplift_kn" not in panels.post_columns()
        assert not {"sag_m", "droppers", "slope_length_m"} & set(panels.bay_columns())
        assert "wire_m" not in panels.summary()
        panels.write(tmp_path / "plan")
        assert "strains" not in json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
