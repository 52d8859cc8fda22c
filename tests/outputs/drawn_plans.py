"""Plans on real ground for tests of drawings: gentle, steep and raked, wires over kilometres, bays of 0.6 m, a ring."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.plan import FencePlan
from geofence.planner import plan_fence
from geofence.sample import SAMPLE_JOB
from tests.sites import Surface, write_line, write_raster

Array = NDArray[np.float64]
WEST, SOUTH = 560_000.0, 5_800_000.0
TURNS = ((20, 30), (150, 60), (180, 160), (60, 190))
FAR = ((50, 60), (900, 300), (1500, 1200), (2300, 1250))
RING = ((100, 100), (160, 110), (170, 160), (105, 165), (100, 100))


def steep(x: Array, y: Array) -> Array:
    return np.asarray(100 + 0.32 * x + 6 * np.sin(x / 25) + 4 * np.cos(y / 30))


def hills(x: Array, y: Array) -> Array:
    return np.asarray(100 + 12 * np.sin(x / 120) + 8 * np.cos(y / 90) + 2 * np.sin(x / 17))


def planned(
    corners: Any, surface: Surface, system: str, values: Mapping[str, Any], *, cells: tuple[int, int] = (260, 260),
    cell_m: float = 1.0, epsg: int = 32630, west: float = WEST, south: float = SOUTH,
) -> FencePlan:  # fmt: skip
    """A fence through corners, in the grid's units from a south-west corner."""
    with TemporaryDirectory() as name:
        folder, crs = Path(name), CRS.from_epsg(epsg)
        north = south + cells[1] * cell_m
        ground = write_raster(
            folder / "ground.tif", crs=crs, west=west, north=north, cell=cell_m, shape=cells[::-1], surface=surface
        )
        places = np.asarray(corners, dtype=float) + np.array([west, south])
        line = write_line(folder / "boundary.gpkg", places, crs=crs)
        return plan_fence(line=line, ground=ground, system=system, values=values)


def _wires() -> FencePlan:
    return planned(FAR, hills, "stock-wire", {}, cells=(1200, 700), cell_m=2.0)


def _dense(**sheets: Any) -> FencePlan:
    layout = {"module_m": 0.6, "min_bay_m": 0.2}
    return planned(TURNS[:2], steep, "mesh-panel", {"layout": layout, "sheets": sheets})


NETWORK = """
schema = 1
[[line]]
name = "South <b>hedge</b>"
file = "south.gpkg"
[[line]]
name = "Beck side"
file = "beck.gpkg"
[ground]
files = "ground.tif"
[fence]
system = "mesh-panel"
"""


def _network() -> FencePlan:
    """Two lines that meet in a corner of the first."""
    with TemporaryDirectory() as name:
        folder, crs = Path(name), CRS.from_epsg(32630)
        write_raster(
            folder / "ground.tif", crs=crs, west=WEST, north=SOUTH + 260, cell=1, shape=(260, 260), surface=hills
        )
        for file, corners in (("south", TURNS[:3]), ("beck", (TURNS[1], (120, 180), (20, 190)))):
            places = np.array(corners, dtype=float) + np.array([WEST, SOUTH])
            write_line(folder / f"{file}.gpkg", places, crs=crs)
        (folder / "fence.toml").write_text(NETWORK, encoding="utf-8")
        return plan_fence(folder / "fence.toml")


PLANS: Mapping[str, Callable[[], FencePlan]] = {
    "sample": lambda: plan_fence(SAMPLE_JOB),
    "steep": lambda: planned(TURNS, steep, "post-and-rail", {}),
    "wires": _wires,
    "dense": _dense,
    "dense at 1:500": lambda: _dense(scale=500),
    "network": _network,
    "ring on A4": lambda: planned(RING, hills, "aac-panel", {"sheets": {"paper": "A4"}}),
    "feet": lambda: planned(
        np.array(TURNS) * 3, lambda x, y: 300 + 20 * np.sin(x / 100) + 10 * np.cos(y / 150), "precast-panel",
        {"ground": {"level_unit": "ftUS"}}, cells=(700, 700), epsg=2227, west=6_000_000, south=2_100_000,
    ),
}  # fmt: skip


@cache
def plan_of(name: str) -> FencePlan:
    return PLANS[name]()
