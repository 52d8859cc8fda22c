"""Gates that cannot stand where the job has them: what is said, and where in the job file to mend it.

Chainages are lengths on the ground of lines drawn in a grid whose scale there is within 1 in 2000 of true; the shared
stretches are those of the drawings in :mod:`tests.networks`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from geofence.errors import GeofenceError, JobError, LayoutError
from geofence.planner import plan_fence
from tests.networks import EAST, NORTH, ORIGIN, write_paddocks
from tests.sites import carried, write_line, write_raster

UTM = CRS(32630)


def said(job: Path) -> str:
    with pytest.raises(GeofenceError) as caught:
        plan_fence(job)
    return str(caught.value)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A line of 40 m due east on a raster, in a job whose gates tests add."""
    write_raster(tmp_path / "ground.tif", crs=UTM, west=EAST, north=NORTH + 100, cell=1.0, shape=(100, 100))
    write_line(tmp_path / "line.gpkg", np.array([(20, 50), (60, 50)]) + ORIGIN, crs=UTM)
    return tmp_path


def job(folder: Path, gate: str, *, grid: str = "") -> Path:
    file = folder / "fence.toml"
    file.write_text(
        f'schema = 1\n[job]\nname = "One"\n{grid}\n[line]\nfile = "line.gpkg"\n[ground]\nfiles = "ground.tif"\n'
        f'level_unit = "m"\n[[gate]]\nat_m = 5\nwidth_m = 1.2\n\n[[gate]]\n{gate}\nwidth_m = 3.6\n',
        encoding="utf-8",
    )
    return file


class TestAGateThatHasNoRoom:
    def test_is_named_by_its_line_in_the_job_file(self, folder: Path) -> None:
        file = job(folder, "at_m = 38.0")
        with pytest.raises(LayoutError) as caught:
            plan_fence(file)
        line = file.read_text(encoding="utf-8").splitlines().index("at_m = 38.0") + 1
        assert caught.value.place == f"{file}, line {line}, gate[2].at_m"
        assert ", or make it" in caught.value.remedy

    def test_that_overlaps_another_is_the_one_to_move(self, folder: Path) -> None:
        assert "gate[2].at_m: gates G1 and G2 overlap" in said(job(folder, "at_m = 6.0"))

    def test_of_a_line_of_several_names_that_too(self, tmp_path: Path) -> None:
        text = said(write_paddocks(tmp_path, gate='[[gate]]\nline = "Home"\nat_m = 38.0\nwidth_m = 3.6\n'))
        assert "gate[1].at_m, line 'Home': gate G1 reaches round a corner" in text


class TestAChainageThatIsFencedWithAnotherLine:
    def test_says_with_which_and_what_to_do(self, tmp_path: Path) -> None:
        """Of Top's outline of 249.5 m all but the 90 m along its southern side is its own."""
        text = said(write_paddocks(tmp_path, gate='[[gate]]\nline = "Top"\nat_m = 200.0\nwidth_m = 3.6\n'))
        assert "gate[1].at_m: is past what is fenced of 'Top'; 90.0" in text
        assert "more of it are fenced with 'Home', 'East': 200.0 m, limit 1" in text
        assert "boundary-shared" in text

    def test_past_the_end_of_a_line_that_shares_nothing_is_just_that(self, tmp_path: Path) -> None:
        text = said(write_paddocks(tmp_path, gate='[[gate]]\nline = "Lane"\nat_m = 200.0\nwidth_m = 3.6\n'))
        assert "gate[1].at_m, line 'Lane': gate G1 starts beyond the end of the line" in text


class TestAPointThatLiesOffTheLine:
    def near(self, folder: Path, point: tuple[float, float], *, grid: str = "") -> str:
        text = f"near = [{point[0]:.4f}, {point[1]:.4f}]"
        with pytest.raises(JobError) as caught:
            plan_fence(job(folder, text, grid=grid))
        assert "gate[2].near" in str(caught.value)
        return caught.value.remedy

    def test_because_its_axes_are_swapped(self, folder: Path) -> None:
        remedy = self.near(folder, (NORTH + 50, EAST + 40))
        assert remedy == "Easting and northing look swapped: the other way round it lies on the line."

    @pytest.mark.parametrize("code", [32629, 32631, 4326])
    def test_because_it_is_in_another_grid(self, folder: Path, code: int) -> None:
        """PROJ's own way to the neighbouring zone, or to degrees."""
        other = CRS(code)
        (point,) = carried(np.array([(EAST + 40, NORTH + 50)]), UTM, other).tolist()
        if code == 4326:
            write_line(
                folder / "line.gpkg",
                carried(np.array([(EAST + 20, NORTH + 50), (EAST + 60, NORTH + 50)]), UTM, other),
                crs=other,
            )
            point = [round(part, 4) for part in point]  # some metres
        remedy = self.near(folder, tuple(point))
        assert f"It looks as if it were in {other.name}" in remedy
        assert f"the working grid is {UTM.name}" in remedy
        assert "job.grid" in remedy

    def test_and_nobody_knows_why(self, folder: Path) -> None:
        remedy = self.near(folder, (EAST + 40, NORTH + 450))
        assert UTM.name in remedy
        assert f"easting {EAST + 20:.2f} to {EAST + 60:.2f}, northing {NORTH + 50:.2f} to {NORTH + 50:.2f}" in remedy
