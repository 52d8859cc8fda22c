"""A small network for tests: three paddocks that share sides, and a lane across two of them."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from pyproj import CRS

from geofence.plan import FencePlan
from geofence.planner import plan_fence
from tests.sites import write_line, write_raster

UTM = CRS(32630)
EAST, NORTH = 560_000.0, 5_800_000.0
ORIGIN = np.array([EAST, NORTH])

HOME = ((50, 50), (90, 50), (90, 90), (50, 90))
EAST_FIELD = ((90, 50), (140, 60), (140, 90), (90, 90), (90, 70))
"""East of the home field; one vertex more on the side that they share."""
TOP = ((50, 90), (90, 90), (140, 90), (130, 130), (60, 130))
LANE = ((70, 30), (70.01, 110), (95, 150))
"""Across the home field and the top one."""


def write_paddocks(folder: Path, **tables: str) -> Path:
    """The job of the paddocks, with its files; ``tables`` are further lines of TOML, by any names."""
    write_raster(folder / "ground.tif", crs=UTM, west=EAST, north=NORTH + 200, cell=1.0, shape=(200, 200))
    fields = [shapely.Polygon(np.array(corners) + ORIGIN) for corners in (HOME, EAST_FIELD, TOP)]
    pyogrio.raw.write(
        folder / "paddocks.gpkg",
        geometry=shapely.to_wkb(fields),
        field_data=[np.array(["Home", "East", "Top"], dtype=object)],
        fields=["paddock"],
        crs=UTM.to_wkt(),
        geometry_type="Polygon",
        layer="paddocks",
    )
    write_line(folder / "lane.gpkg", np.array(LANE) + ORIGIN, crs=UTM)
    job = folder / "fence.toml"
    job.write_text(JOB + "\n".join(tables.values()), encoding="utf-8")
    return job


JOB = """schema = 1

[job]
name = "Paddocks"

[[line]]
file = "paddocks.gpkg"
features = "each"
name_field = "paddock"

[[line]]
name = "Lane"
file = "lane.gpkg"

[ground]
files = "ground.tif"
level_unit = "m"
"""


@cache
def paddocks() -> FencePlan:
    """The plan of the paddocks, made once."""
    with tempfile.TemporaryDirectory() as folder:
        return plan_fence(write_paddocks(Path(folder)))


def run_of(plan: FencePlan, line: str) -> Any:
    """The only run of a line."""
    (run,) = (run for run in plan.runs if run.line == line)
    return run


HOSTILE_NAMES = ('=1+1 "quoted"', "</script><script>alert(1)</script>", "čšž\nnewline `${alert(1)}`")


def hostile_paddocks(folder: Path) -> FencePlan:
    """The same paddocks under names that would break or script a careless output."""
    job = write_paddocks(folder)
    _, _, shapes, _ = pyogrio.raw.read(folder / "paddocks.gpkg")
    (folder / "paddocks.gpkg").unlink()
    pyogrio.raw.write(
        folder / "paddocks.gpkg",
        geometry=shapes,
        field_data=[np.array(HOSTILE_NAMES, dtype=object)],
        fields=["paddock"],
        crs=UTM.to_wkt(),
        geometry_type="Polygon",
        layer="paddocks",
    )
    return plan_fence(job)
