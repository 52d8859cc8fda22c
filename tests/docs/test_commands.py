"""What the pages tell a user to type works, and prints what they say.

Each page's blocks run in their order, in one folder that holds what the pages speak of: a boundary, ground under it,
the same ground with a hole, and shot in the field. Plain ``geofence`` commands run in this process, which is ten times
quicker; what needs a shell runs in bash.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from tests.docs.field import shoot
from tests.docs.pages import PAGES, ROOT, Block, blocks
from tests.sites import carried, geojson_line, write_line, write_raster
from tests.terminal import Ran, geofence

GRID = CRS(32630)
WEST, SOUTH = 560_000.0, 5_800_000.0
SIZE_M = 240
CORNERS = np.array([(30.0, 40.0), (130.0, 60.0), (180.0, 160.0), (60.0, 190.0)])
"""Metres from the raster's south-west corner."""

PADDOCKS = [
    [(40.0, 60.0), (100.0, 60.0), (100.0, 120.0), (40.0, 120.0)],
    [(100.0, 60.0), (160.0, 60.0), (160.0, 120.0), (100.0, 120.0)],
]
LANE = np.array([(70.0, 30.0), (70.0, 119.6)])
"""Two fields that share a side, named in the field ``paddock``, and a lane that ends 0.4 m before the first one's."""

PIPE = np.array([(73.0, 20.0), (67.0, 90.0)])
"""Across the first leg, the same."""

FOR_A_SHELL = set("|&;<>$`\n")
RUN = ("sh", "python")


def gentle(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ground of at most 3.3 degrees along the line, a function of metres from the raster's north-west corner."""
    return 100 + 2.2 * np.sin(x / 35) + 1.5 * np.cos(y / 50) + 0.01 * x


def furnish(folder: Path) -> None:
    """Put the files of which the pages speak into a folder."""
    corners = CORNERS + np.array([WEST, SOUTH])
    write_line(folder / "boundary.gpkg", corners, crs=GRID)
    for name in ("dtm.tif", "dtm-hole.tif", "my-fence/ground.tif"):
        (folder / name).parent.mkdir(exist_ok=True)
        write_raster(
            folder / name, crs=GRID, west=WEST, north=SOUTH + SIZE_M, cell=1, shape=(SIZE_M, SIZE_M), surface=gentle
        )
    shoot(folder, (WEST, SOUTH), lambda east, north: gentle(east, SIZE_M - north), size_m=SIZE_M)
    with rasterio.open(folder / "dtm-hole.tif", "r+") as data:
        level = data.read(1)
        level[120:, 80:84] = data.nodata  # 4 m wide, across leg 1 only
        data.write(level, 1)
    fields = shapely.polygons(np.array(PADDOCKS) + np.array([WEST, SOUTH]))
    names = np.array(["House", "Long"], dtype=object)
    pyogrio.raw.write(
        folder / "paddocks.gpkg", geometry=shapely.to_wkb(fields), field_data=[names], fields=["paddock"],
        crs=GRID.to_wkt(), geometry_type="Polygon", layer="paddocks",
    )  # fmt: skip
    write_line(folder / "lane.gpkg", LANE + np.array([WEST, SOUTH]), crs=GRID)
    degrees = carried(corners, GRID, CRS("OGC:CRS84"))
    (folder / "my-fence" / "boundary.geojson").write_text(geojson_line(degrees.tolist()), encoding="utf-8")
    pipe = carried(PIPE + np.array([WEST, SOUTH]), GRID, CRS("OGC:CRS84"))
    (folder / "my-fence" / "pipe.geojson").write_text(geojson_line(pipe.tolist()), encoding="utf-8")
    (larch,) = (block.text for block in blocks(ROOT / "docs" / "job-file.md") if "larch-board" in block.text)
    (folder / "larch.toml").write_text(larch, encoding="utf-8")


class TestPages:
    @pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
    def test_blocks_do_what_the_page_says(self, page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        furnish(tmp_path)
        monkeypatch.chdir(tmp_path)
        names: dict[str, Any] = {}
        printed = ""
        for block in blocks(page):
            if block.note == "prints":
                assert re.fullmatch(pattern(block.text), bare(printed)), f"{block.place}: it prints\n{printed}"
            if block.language not in RUN or block.note.startswith("ci: "):
                continue
            ran = run_python(block, names) if block.language == "python" else run_shell(block)
            assert ran.code == block.exit_code, f"{block.place}: left with {ran.code}\n{ran.out}{ran.err}"
            assert "Traceback" not in ran.err, f"{block.place}: {ran.err}"
            printed = ran.out + ran.err

    def test_only_the_readmes_two_commands_are_left_to_ci(self) -> None:
        left = {(page.name, block.note) for page in PAGES for block in blocks(page) if block.note.startswith("ci: ")}
        assert left == {("README.md", "ci: demo"), ("README.md", "ci: tests")}

    def test_the_pages_have_what_is_run(self) -> None:
        """The blocks are found at all: counted by hand, and more may come."""
        kinds = [block.language for page in PAGES for block in blocks(page) if not block.note.startswith("ci: ")]
        assert kinds.count("sh") >= 15
        assert kinds.count("python") >= 7

    @pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
    def test_every_fence_is_a_block(self, page: Path) -> None:
        fences = re.findall(r"^\s*```", page.read_text(encoding="utf-8"), re.MULTILINE)
        assert len(fences) == 2 * len(blocks(page))

    @pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
    def test_links_lead_somewhere(self, page: Path) -> None:
        for target in re.findall(r"\]\((?!https?:)([^)]+)\)", page.read_text(encoding="utf-8")):
            file, _, anchor = target.partition("#")
            there = (page.parent / file).resolve() if file else page
            assert there.exists(), f"{page.name}: {target}"
            if anchor:
                assert anchor in anchors(there), f"{page.name}: {target}"


class TestTheTestItself:
    """The runner notices what it is there to notice."""

    def test_a_command_that_fails(self) -> None:
        assert run_shell(shell("geofence plan --line nowhere.gpkg --ground nowhere.tif")).code == 2
        assert run_shell(shell("false | true\nexit 3")).code in (1, 3)

    def test_a_command_in_the_middle_that_fails(self, tmp_path: Path) -> None:
        assert run_shell(shell(f"geofence new {tmp_path}\ngeofence new {tmp_path}\ngeofence --version")).code == 2

    def test_what_is_printed(self) -> None:
        assert re.fullmatch(pattern("a\n...\nd\n"), bare("a \nb\nc\nd\n"))
        assert not re.fullmatch(pattern("a\n...\nd\n"), bare("a\nb\nc\n"))
        assert not re.fullmatch(pattern("1.5\n"), bare("1x5\n"))


def shell(text: str) -> Block:
    return Block(language="sh", text=text + "\n", note="", place="here")


def run_shell(block: Block) -> Ran:
    """Run the commands of a block, up to the first that fails."""
    lines = [line for line in block.text.replace("\\\n", " ").splitlines() if line.strip()]
    if any(not line.startswith("geofence ") or FOR_A_SHELL & set(line) for line in lines):
        return run_bash(block.text)
    code, out, err = 0, "", ""
    for line in lines:
        ran = geofence(*shlex.split(line, comments=True)[1:])
        code, out, err = ran.code, out + ran.out, err + ran.err
        if code:
            break
    return Ran(code=code, out=out, err=err)


def run_bash(text: str) -> Ran:
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    ran = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", text],
        capture_output=True, text=True, check=False, env={**os.environ, "PATH": path},
    )  # fmt: skip
    return Ran(code=ran.returncode, out=ran.stdout, err=ran.stderr)


def run_python(block: Block, names: dict[str, Any]) -> Ran:
    """Run a block with the names of those before it on the page; an exception fails the test by itself."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(block.text, block.place, "exec"), names)
    return Ran(code=0, out=out.getvalue(), err="")


def bare(text: str) -> str:
    return "".join(f"{line.rstrip()}\n" for line in text.splitlines())


def pattern(text: str) -> str:
    """A regular expression for what is printed; a line ``...`` stands for any lines, or none."""
    return "".join(r"(?s:.*\n)?" if line == "..." else re.escape(line.rstrip()) + "\n" for line in text.splitlines())


def anchors(page: Path) -> set[str]:
    """The anchors that a page's headings make: lower case, blanks as hyphens, no other marks."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
