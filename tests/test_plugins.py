"""Another package adds a ground reader, a fence system and an output, without a change to this one.

The package is made on disk as an installer would leave it: a module and the metadata that names its entry points.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from pyproj import CRS

from geofence.sample import SAMPLE_JOB
from tests.sites import write_line

MODULE = """
from pathlib import Path
import numpy as np
from pyproj import CRS
from geofence.plan import Output
from geofence.site.ground import Levels

SYSTEM = Path(__file__).with_name("tall.toml")

class Plane:
    crs = CRS(32630)
    findings = ()
    def __init__(self, files):
        self.files = tuple(files)
        self.slope = float(files[0].read_text().split()[1])
    def levels(self, x, y):
        return Levels(level_m=100 + self.slope * (x - 560000), state=np.zeros(len(x), dtype=np.uint8))
    def bends(self, x, y):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    def support_m(self, x, y):
        return np.full(len(x), np.nan)
    def relief(self, *box, cells):
        return None

class Reader:
    def reads(self, file):
        return file.suffix == ".plane"
    def open(self, files, options):
        return Plane(files)

READER = Reader()

def write(plan, path):
    path.write_text(f"{len(plan.fence.posts)} posts of {plan.system.name}\\n", encoding="utf-8")

OUTPUT = Output(filename="count.txt", title="How many posts", write=write, standing=False)
"""

ENTRY_POINTS = """
[geofence.grounds]
plane = neighbour:READER
[geofence.systems]
tall = neighbour:SYSTEM
[geofence.outputs]
count = neighbour:OUTPUT
"""


@pytest.fixture
def neighbour(tmp_path: Path) -> Path:
    """The folder of the other package, ready for ``sys.path``."""
    import geofence.systems

    folder = tmp_path / "site-packages"
    metadata = folder / "neighbour-1.0.dist-info"
    metadata.mkdir(parents=True)
    (folder / "neighbour.py").write_text(textwrap.dedent(MODULE))
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: neighbour\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(ENTRY_POINTS)
    own = (Path(geofence.systems.__file__).parent / "aac-panel.toml").read_text(encoding="utf-8")
    (folder / "tall.toml").write_text(own.replace('name = "aac-panel"', 'name = "tall"'), encoding="utf-8")
    return folder


def test_a_neighbour_adds_all_three(neighbour: Path, tmp_path: Path) -> None:
    ground = tmp_path / "ground.plane"
    ground.write_text("slope 0.02")
    line = write_line(tmp_path / "line.gpkg", [(560_020, 5_800_020), (560_120, 5_800_030)], crs=CRS(32630))
    command = [sys.executable, "-m", "geofence", "plan", "--line", line, "--ground", ground, "--system", "tall"]
    ran = subprocess.run(
        [*map(str, command), "--also", "count", "--out", str(tmp_path / "plan")],
        env={**os.environ, "PYTHONPATH": str(neighbour)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    posts = json.loads((tmp_path / "plan" / "posts.geojson").read_text(encoding="utf-8"))["features"]
    assert (tmp_path / "plan" / "count.txt").read_text() == f"{len(posts)} posts of tall\n"
    for post in posts:  # the neighbour's plane, by closed form
        expected = 100 + 0.02 * (post["properties"]["easting"] - 560_000)
        assert abs(post["properties"]["ground_level_m"] - expected) < 2e-4


def test_a_broken_neighbour_is_named_and_stops_nobody_else(neighbour: Path, tmp_path: Path) -> None:
    entries = neighbour / "neighbour-1.0.dist-info" / "entry_points.txt"
    entries.write_text("[geofence.outputs]\nbroken = neighbour:NO_SUCH_NAME\n")
    base = [sys.executable, "-m", "geofence", "demo", "--quiet", "--out", str(tmp_path / "plan")]
    environment = {**os.environ, "PYTHONPATH": str(neighbour)}
    ran = subprocess.run(base, env=environment, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    plan = [sys.executable, "-m", "geofence", "plan", str(SAMPLE_JOB), "--also", "broken", "--out", str(tmp_path / "p")]
    ran = subprocess.run(plan, env=environment, capture_output=True, text=True, check=False)
    assert ran.returncode == 2
    assert "'broken' of the package neighbour cannot be loaded" in ran.stderr


def test_the_built_in_ones_are_registered_the_same_way() -> None:
    from importlib.metadata import entry_points

    built_in = {"geofence.grounds": "raster", "geofence.systems": "aac-panel", "geofence.outputs": "posts"}
    for group, name in built_in.items():
        (entry,) = entry_points(group=group, name=name)
        assert entry.dist is not None
        assert entry.dist.name == "geofence"
