"""A raked fence from a job file to the files that a crew carries."""

from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
import pytest
from pyproj import CRS

from geofence.errors import JobError
from geofence.planner import plan_fence
from tests.sites import write_line, write_raster

UTM = CRS.from_epsg(32630)
WEST, NORTH = 560_000.0, 5_900_060.0
SLOPE = 0.2
JOB = """
schema = 1
[job]
geoid_separation_m = 0.0
[line]
file = "boundary.gpkg"
[ground]
files = "ground.tif"
[fence]
system = "{system}"
[[gate]]
at_m = 30.0
width_m = 3.0
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """100 m due east over ground that rises 0.2 m in each metre of the grid: 11.3 degrees."""
    write_raster(
        tmp_path / "ground.tif",
        crs=UTM,
        west=WEST,
        north=NORTH,
        cell=1.0,
        shape=(60, 140),
        surface=lambda x, _: 50 + SLOPE * x,
        dtype="float32",
    )
    write_line(tmp_path / "boundary.gpkg", [(WEST + 20, NORTH - 30), (WEST + 120, NORTH - 30)], crs=UTM)
    return tmp_path / "fence.toml"


def test_bays_follow_an_even_slope_and_the_gate_is_level(job: Path, tmp_path: Path) -> None:
    """(a) On a plane every full bay slopes as the plane does, but for the increment of 0.05 m at either end."""
    job.write_text(JOB.format(system="post-and-rail"), encoding="utf-8")
    plan = plan_fence(job)
    assert not [finding for finding in plan.fence.findings if finding.severity == "stop"]
    plan.write(tmp_path / "out")
    bays = geopandas.read_file(tmp_path / "out" / "bays.geojson", engine="pyogrio")
    gate = bays.kind == "gate"
    assert bays.slope_length_m.isna().tolist() == bays.cut_angle_deg.isna().tolist() == gate.tolist()
    assert bays.underside_from_m[gate].tolist() == bays.underside_to_m[gate].tolist()
    panels = bays[~gate]
    rise = panels.underside_to_m - panels.underside_from_m
    assert rise.to_numpy() == pytest.approx(SLOPE * panels.width_m.to_numpy(), abs=0.051)
    # (a) The right triangle of width, rise and slope, to what the file's four and six decimals keep.
    angle = np.radians(panels.cut_angle_deg)
    assert panels.slope_length_m.to_numpy() == pytest.approx((panels.width_m / np.cos(angle)).to_numpy(), abs=2e-4)
    assert rise.to_numpy() == pytest.approx((panels.width_m * np.tan(angle)).to_numpy(), abs=2e-4)
    posts = geopandas.read_file(tmp_path / "out" / "posts.geojson", engine="pyogrio")
    top = posts.top_level_m.to_numpy()
    assert posts.support_ahead_m[:-1].to_numpy() == pytest.approx(top[:-1] - bays.underside_from_m, abs=2e-4)
    assert posts.support_back_m[1:].to_numpy() == pytest.approx(top[1:] - bays.underside_to_m, abs=2e-4)


def test_rake_and_step_where_the_job_lowers_the_limit(job: Path) -> None:
    """Boards that may rake by 15 degrees follow 11.3; by 10 degrees they rake as far as they may, and step."""
    job.write_text(JOB.format(system="close-board"), encoding="utf-8")
    raked, stepped = plan_fence(job), plan_fence(job, values={"levels": {"rake_max_deg": 10.0}})
    assert not raked.fence.bays.step_m.any()
    assert np.nanmax(stepped.fence.bays.cut_angle_deg) <= 10.0
    assert np.nanmin(stepped.fence.bays.cut_angle_deg) > 0.0
    assert np.count_nonzero(stepped.fence.bays.step_m) > 10
    assert not [finding for finding in stepped.fence.findings if finding.severity == "stop"]


def test_a_rake_limit_is_refused_where_panels_hang_level(job: Path) -> None:
    job.write_text(JOB.format(system="aac-panel") + "[levels]\nrake_max_deg = 10.0\n", encoding="utf-8")
    with pytest.raises(JobError, match=r"levels\.rake_max_deg: says nothing to the system aac-panel"):
        plan_fence(job)


def test_a_stepped_plan_has_no_columns_of_slopes(job: Path) -> None:
    job.write_text(JOB.format(system="aac-panel"), encoding="utf-8")
    assert not {"slope_length_m", "cut_angle_deg"} & set(plan_fence(job).bay_columns())
