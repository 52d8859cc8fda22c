"""A ground that is nowhere under the line: what the error says of where both are, and of how to mend it.

Coordinates in feet are those in metres over 0.3048, by definition; places in another zone are PROJ's.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from geofence.errors import GridError
from geofence.inputs.job import job_from_values
from geofence.inspection import Inspection, inspect
from tests.sites import write_line, write_raster

OSGB, UTM = CRS(27700), CRS(32630)
CORNER = np.array([432_000.0, 208_000.0])
FEET = "+proj=utm +zone=30 +datum=WGS84 +units=ft +type=crs"


def line(folder: Path, crs: CRS, corner: np.ndarray = CORNER) -> str:
    return str(write_line(folder / "line.gpkg", np.array([(10, 20), (50, 20)]) + corner, crs=crs))


def points(folder: Path, corner: np.ndarray, unit_m: float) -> str:
    """A survey of a plane that rises 1 in 10 to the east, its places and levels in a unit."""
    at = [(x, y) for x in range(0, 70, 10) for y in range(0, 50, 10)]
    rows = [((corner[0] + x) / unit_m, (corner[1] + y) / unit_m, (50 + x / 10) / unit_m) for x, y in at]
    text = "".join(f"{east:.4f},{north:.4f},{level:.4f}\n" for east, north, level in rows)
    (folder / "shots.csv").write_text("easting,northing,level\n" + text, encoding="utf-8")
    return str(folder / "shots.csv")


def seen(file: str, ground: dict[str, object]) -> Inspection:
    return inspect(job_from_values({"line": {"file": file}, "ground": ground}, base=Path.cwd(), origin="call"))


def refused(file: str, **ground: object) -> str:
    with pytest.raises(GridError) as caught:
        seen(file, ground)
    return str(caught.value)


def test_both_extents_are_told_in_one_grid(tmp_path: Path) -> None:
    raster = write_raster(tmp_path / "dtm.tif", crs=OSGB, west=431_000, north=209_000, cell=1.0, shape=(100, 200))
    text = refused(line(tmp_path, OSGB), files=str(raster), level_unit="m")
    assert "the ground spans easting 431000.00 to 431200.00 and northing 208900.00 to 209000.00" in text
    assert f"the line of line.gpkg ({OSGB.name}) spans easting 432010.00 to 432050.00 and northing 208020.00" in text
    assert "ground.grid" in text
    assert "assigned, not reprojected" in text


def test_a_wrong_zone_in_the_boundarys_file_is_seen_by_its_extent(tmp_path: Path) -> None:
    at = np.array([560_000.0, 5_800_000.0])
    raster = write_raster(tmp_path / "dtm.tif", crs=UTM, west=at[0], north=at[1] + 100, cell=1.0, shape=(100, 100))
    text = refused(line(tmp_path, CRS(32631), at), files=str(raster), level_unit="m")
    assert f"line.gpkg ({CRS(32631).name})" in text
    assert "spans easting 9" in text  # 6 degrees of longitude, some 409 km at 52 N, to the east


class TestFeet:
    def test_that_a_grid_of_metres_can_hold_are_told_by_the_line(self, tmp_path: Path) -> None:
        """So near the grid's false origin, feet are no place outside its area of use."""
        corner = np.array([150_000.0, 40_000.0])
        shots = points(tmp_path, corner, 0.3048)
        text = refused(line(tmp_path, OSGB, corner), files=shots, grid="EPSG:27700", level_unit="ft")
        assert "look like feet: times 0.3048 its points are about the line" in text
        assert f"{OSGB.name} is in metres" in text

    def test_that_it_cannot_hold_are_told_by_its_area(self, tmp_path: Path) -> None:
        at = np.array([560_000.0, 5_800_000.0])
        shots = points(tmp_path, at, 0.3048)
        text = refused(line(tmp_path, UTM, at), files=shots, grid="EPSG:32630", level_unit="ft")
        assert "Times 0.3048 they would be in it: if they are feet" in text
        assert "ground.grid" in text

    def test_are_read_in_the_same_grid_in_feet(self, tmp_path: Path) -> None:
        """From 10 to 50 m along the plane: levels 51 to 55 m."""
        at = np.array([560_000.0, 5_800_000.0])
        shots = points(tmp_path, at, 0.3048)
        found = seen(line(tmp_path, UTM, at), {"files": shots, "grid": FEET, "level_unit": "ft"})
        assert found.covered == 1
        assert (found.level_min_m, found.level_max_m) == pytest.approx((51, 55), abs=1e-3)
