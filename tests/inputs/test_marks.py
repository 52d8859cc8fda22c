"""Points that stand for things, such as posts: their names, with or without levels. Feet are 0.3048 m by definition."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from geofence.errors import GeofenceError, InputError, JobError
from geofence.inputs.points import Marks, read_marks, read_points
from geofence.site.ground import GroundOptions
from tests.inputs.test_point_layer import write_layer

GRID = "EPSG:27700"


def marks(folder: Path, text: str, **options: Any) -> Marks:
    file = folder / "posts.csv"
    file.write_text(text, encoding="utf-8")
    return read_marks(file, GroundOptions(**{"grid": GRID, "table": "existing", **options}))


def said(folder: Path, text: str, **options: Any) -> str:
    with pytest.raises(GeofenceError) as caught:
        marks(folder, text, **options)
    return str(caught.value)


class TestText:
    def test_with_levels(self, tmp_path: Path) -> None:
        found = marks(tmp_path, "name,easting,northing,level\nA,432000,208000,10.5\nB,432010,208000,\n")
        assert found.names == ("A", "B")
        assert found.x.tolist() == [432_000.0, 432_010.0]
        assert found.level_m[0] == 10.5
        assert np.isnan(found.level_m[1])

    @pytest.mark.parametrize("text", [
        "name,easting,northing\nA,432000,208000\nB,432010,208000.25\n",
        "northing;name;easting\n208000;A;432000\n208000,25;B;432010\n",
        "# easting northing name\n432000 208000 A\n432010 208000.25 B\n",
        "easting,northing,code,point\n432000,208000,POST,A\n432010,208000.25,POST,B\n",
    ])  # fmt: skip
    def test_without_a_column_of_levels(self, tmp_path: Path, text: str) -> None:
        found = marks(tmp_path, text)
        assert found.names == ("A", "B")
        assert found.x.tolist() == [432_000.0, 432_010.0]
        assert found.y.tolist() == [208_000.0, 208_000.25]
        assert np.isnan(found.level_m).all()

    def test_an_order_without_level(self, tmp_path: Path) -> None:
        found = marks(tmp_path, "A,208000,432000\nB,208000,432010\n", order="point,northing,easting")
        assert found.x.tolist() == [432_000.0, 432_010.0]

    def test_an_order_is_asked_for(self, tmp_path: Path) -> None:
        text = said(tmp_path, "A,208000,432000\nB,208000,432010\n")
        assert "existing.order" in text
        assert "not certain" in text

    def test_points_without_names_are_called_by_their_line(self, tmp_path: Path) -> None:
        assert marks(tmp_path, "easting,northing\n432000,208000\n").names == ("line 2",)

    def test_codes(self, tmp_path: Path) -> None:
        text = "point,easting,northing,code\nA,432000,208000,POST\nB,432010,208000,TREE\n"
        found = marks(tmp_path, text, codes=("post",))
        assert found.names == ("A",)
        (finding,) = found.findings
        assert finding.code == "points-left-out"
        assert finding.message == ("1 point of posts.csv is of none of the codes that count, and left out: B (TREE)")
        assert finding.remedy == "If it ought to count, say so by existing.codes."

    def test_codes_of_many(self, tmp_path: Path) -> None:
        rows = "".join(f"T{row},{432_000 + row},208000,{'' if row == 1 else 'TREE'}\n" for row in range(1, 8))
        found = marks(tmp_path, f"point,easting,northing,code\nA,432000,208000,POST\n{rows}", codes=("POST",))
        (finding,) = found.findings
        assert finding.message.startswith("7 points of posts.csv are of none of the codes that count")
        assert finding.message.endswith(": T1 (no code), T2 (TREE), T3 (TREE), T4 (TREE), T5 (TREE) and 2 more")
        assert finding.remedy == "If they ought to count, say so by existing.codes."

    def test_levels_in_feet(self, tmp_path: Path) -> None:
        found = marks(
            tmp_path, "name,easting,northing,level\nA,432000,208000,100\n", level_unit="ft", level_offset_m=1.0
        )
        assert found.level_m.tolist() == pytest.approx([31.48])

    def test_a_row_that_does_not_fit(self, tmp_path: Path) -> None:
        text = said(tmp_path, "name,easting,northing\nA,432000,208000\nB,x,208000\n")
        assert "line 3" in text
        assert "'x' is no easting" in text

    def test_levels_of_ground_are_still_needed(self, tmp_path: Path) -> None:
        file = tmp_path / "posts.csv"
        file.write_text("name,easting,northing\nA,432000,208000\n", encoding="utf-8")
        with pytest.raises((InputError, JobError)):
            read_points([file], GroundOptions(grid=GRID))


class TestLayers:
    @pytest.mark.parametrize("name", ["posts.geojson", "posts.gpkg"])
    def test_points_without_z(self, tmp_path: Path, name: str) -> None:
        places = shapely.points([(432_000.0, 208_000.0), (432_010.0, 208_000.0)])
        file = write_layer(tmp_path / name, places, kind="Point", name=["A", "B"])
        found = read_marks(file, GroundOptions(table="existing"))
        assert found.names == ("A", "B")
        assert np.isnan(found.level_m).all()
