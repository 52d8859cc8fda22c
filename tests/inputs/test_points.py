"""Files of points as ground: grids, units, codes, and what is told of them.

Expected levels are those of a plane, a closed form; feet are 0.3048 m and 1200/3937 m by definition.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import CRS

from geofence import registry
from geofence.errors import GeofenceError, GridError, InputError, JobError
from geofence.inputs.points import READER, read_points
from geofence.site.ground import GroundOptions, GroundReader, State
from tests.inputs.test_las import write_las
from tests.inputs.test_point_layer import write_layer

EAST, NORTH = 432_000.0, 208_000.0
GRID = "EPSG:27700"
ROWS = "P1,432000,208000,10,GL\nP2,432100,208000,20,GL\nP3,432000,208100,30,TB\nP4,432100,208100,40,gl\n"
HEADER = "point,easting,northing,level,code\n"


def written(folder: Path, text: str = HEADER + ROWS, name: str = "points.csv") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def survey(*files: Path, **options: Any) -> Any:
    return read_points(files, GroundOptions(**{"grid": GRID, **options}))


def said(*files: Path, **options: Any) -> str:
    with pytest.raises(GeofenceError) as caught:
        survey(*files, **options)
    return str(caught.value)


class TestReader:
    def test_is_found_as_a_plug_in(self):
        reader: GroundReader = registry.find(registry.GROUNDS, "points")
        assert reader is READER

    @pytest.mark.parametrize(
        ("name", "start", "reads"),
        [
            ("a.csv", b"e,n,z", True), ("a.TXT", b"e n z", True), ("a.xyz", b"1 2 3", True), ("a.las", b"", True),
            ("a.laz", b"", True), ("a.gpkg", b"", True), ("a.shp", b"", True), ("a.geojson", b"{}", True),
            ("a.asc", b"ncols 3\nnrows 4", False), ("a.txt", b"\xef\xbb\xbf NCOLS 3", False),
            ("a.tif", b"II*\0", False),
            ("a.xml", b"<LandXML", False), ("a.txt", b"<?xml version='1.0'?>", False), ("a.dat", b"DSBB", False),
        ],
    )  # fmt: skip
    def test_knows_its_files(self, tmp_path, name, start, reads):
        (tmp_path / name).write_bytes(start)
        assert READER.reads(tmp_path / name) is reads

    def test_a_file_that_is_not_there_is_not_its_own(self, tmp_path):
        assert READER.reads(tmp_path / "none.csv") is False

    def test_gives_the_levels_of_a_plane(self, tmp_path):
        """z = 10 + 0.1 (e - 432000) + 0.2 (n - 208000) through the four points; none outside."""
        ground = READER.open([written(tmp_path)], GroundOptions(grid=GRID))
        found = ground.levels(np.array([EAST + 25, EAST + 70, EAST + 200]), np.array([NORTH + 40, NORTH + 90, NORTH]))
        np.testing.assert_allclose(found.level_m[:2], [10 + 2.5 + 8, 10 + 7 + 18], atol=1e-9)
        assert found.state[2] == State.OUTSIDE
        assert ground.crs.equals(CRS(27700))
        assert ground.files == (tmp_path / "points.csv",)

    def test_says_no_level_beyond_the_longest_edge(self, tmp_path):
        ground = READER.open([written(tmp_path)], GroundOptions(grid=GRID, max_edge_m=50))
        assert np.isnan(ground.levels(np.array([EAST + 25.0]), np.array([NORTH + 40.0])).level_m).all()


class TestGrids:
    def test_a_text_without_one_asks(self, tmp_path):
        text = said(written(tmp_path), grid=None)
        assert text == (
            "points.csv: the file does not say which grid it is in. "
            'Set ground.grid, for instance grid = "EPSG:27700", also where that is the working grid.'
        )

    def test_a_layer_has_its_own(self, tmp_path):
        assert survey(write_layer(tmp_path / "a.gpkg"), grid=None).survey.crs.equals(CRS(27700))
        assert survey(write_layer(tmp_path / "b.gpkg"), grid="EPSG:27700").survey.crs.equals(CRS(27700))
        text = said(write_layer(tmp_path / "c.gpkg"), grid="EPSG:32630")
        assert text.startswith(
            "c.gpkg: the file says its grid is OSGB36 / British National Grid, the job says WGS 84 / UTM"
        )

    def test_places_that_cannot_be_in_it_look_swapped(self, tmp_path):
        file = written(tmp_path, "easting,northing,level\n5800000,560000,1\n5800010,560000,2\n5800000,560010,3\n")
        assert "Easting and northing look swapped." in said(file, grid="EPSG:32630")

    def test_degrees_said_to_be_metres(self, tmp_path):
        file = written(tmp_path, "lon,lat,level\n-2.1,52.1,1\n-2.1,52.2,2\n-2.2,52.2,2\n")
        assert "set ground.grid to a geographic grid" in said(file)
        assert len(survey(file, grid="EPSG:4326").survey) == 3

    @pytest.mark.parametrize("grid", ["EPSG:31467", "EPSG:2180"])
    def test_x_and_y_where_x_is_the_northing_ask(self, tmp_path, grid):
        file = written(tmp_path, "x,y,z\n5400000,3500000,1\n5400010,3500000,2\n5400000,3500010,3\n")
        text = said(file, grid=grid)
        assert "ground.order: the columns of points.csv are called x and y, and in" in text
        assert "x is the northing" in text

    def test_x_and_y_where_the_job_says_which_is_which(self, tmp_path):
        file = written(tmp_path, "x,y,z\n5400000,3500000,1\n5400010,3500000,2\n5400000,3500010,3\n")
        text = said(file, grid="EPSG:31467", order="easting,northing,level")
        assert "look swapped" in text
        file = written(tmp_path, "5400000,3500000,1\n5400010,3500000,2\n5400000,3500010,3\n")
        assert survey(file, grid="EPSG:31467", order="northing,easting,level").survey.y[0] == 5_400_000

    def test_a_header_in_another_unit_than_the_grid(self, tmp_path):
        file = written(
            tmp_path, "Easting (ft),Northing (ft),Level (m)\n432000,208000,1\n432010,208000,2\n432000,208010,3\n"
        )
        assert "the header says that places are in ft, but the unit of OSGB36 / British National Grid is metre" in said(
            file
        )

    def test_files_in_two_grids(self, tmp_path):
        other = write_layer(tmp_path / "other.gpkg", crs="EPSG:32630")
        text = said(write_layer(tmp_path / "one.gpkg"), other, grid=None)
        assert "other.gpkg" in text

    def test_two_files_are_one_survey(self, tmp_path):
        both = survey(written(tmp_path), write_layer(tmp_path / "more.gpkg"))
        assert len(both.survey) == 7
        assert both.survey.source == "points.csv, more.gpkg"
        assert [reading.points for reading in both.survey.readings] == [4, 3]


class TestUnits:
    @pytest.mark.parametrize(("unit", "factor"), [("m", 1.0), ("ft", 0.3048), ("ftUS", 1200 / 3937)])
    def test_of_levels_as_the_job_says(self, tmp_path, unit, factor):
        found = survey(written(tmp_path), level_unit=unit)
        np.testing.assert_allclose(found.survey.level_m, np.array([10, 20, 30, 40]) * factor, rtol=1e-15)
        assert found.survey.x[1] == EAST + 100, "places stay in the grid's unit"
        assert found.findings == ()

    @pytest.mark.parametrize(
        ("name", "unit", "factor"),
        [("Elev (ft)", "ft", 0.3048), ("level_ftUS", "ftUS", 1200 / 3937), ("rl m", "m", 1.0)],
    )
    def test_of_levels_as_the_header_says(self, tmp_path, name, unit, factor):
        found = survey(written(tmp_path, HEADER.replace("level", name) + ROWS))
        np.testing.assert_allclose(found.survey.level_m[0], 10 * factor, rtol=1e-15)
        assert ("level unit", f"{unit} (the file)") in found.survey.readings[0].how

    def test_of_levels_as_the_grid_says_in_any_unit(self, tmp_path):
        """(a) a fathom is six feet, which the job file has no word for."""
        whole = CRS("EPSG:27700+5701").to_json_dict()
        fathom = {"type": "LinearUnit", "name": "fathom", "conversion_factor": 1.8288}
        whole["components"][1]["coordinate_system"]["axis"][0]["unit"] = fathom
        del whole["components"][1]["id"]
        found = survey(written(tmp_path), grid=CRS.from_json_dict(whole).to_wkt())
        np.testing.assert_allclose(found.survey.level_m[0], 18.288, rtol=1e-15)
        assert ("level unit", "1.8288 m (the file)") in found.survey.readings[0].how

    def test_the_job_against_the_header_is_told(self, tmp_path):
        found = survey(written(tmp_path, HEADER.replace("level", "level (ft)") + ROWS), level_unit="m")
        (told,) = found.findings
        assert (told.code, told.severity) == ("level-unit-overruled", "warn")
        assert told.message == "The job says levels are in m; points.csv says ft"
        assert found.survey.level_m[0] == 10

    def test_metres_are_assumed_where_places_are_in_metres_and_told(self, tmp_path):
        assert [finding.code for finding in survey(written(tmp_path)).findings] == ["level-unit-assumed"]

    def test_where_places_are_in_feet_it_asks(self, tmp_path):
        file = written(tmp_path, HEADER + "1,6450000,1850000,30,a\n2,6450100,1850000,31,a\n3,6450000,1850100,32,a\n")
        text = said(file, grid="EPSG:6424")
        assert text == (
            "ground.level_unit: places in points.csv are in the US survey foot, and it does not say the unit of its "
            "levels. "
            'Say which one it is: level_unit = "m", "ft" (0.3048 m) or "ftUS" (1200/3937 m) in [ground].'
        )

    def test_a_compound_grid_says_the_unit(self, tmp_path):
        file = written(tmp_path, HEADER + "1,6450000,1850000,30,a\n2,6450100,1850000,31,a\n3,6450000,1850100,32,a\n")
        found = survey(file, grid="EPSG:6424+6360")
        np.testing.assert_allclose(found.survey.level_m[0], 30 * 1200 / 3937, rtol=1e-15)

    def test_the_offset_is_in_metres_whatever_the_unit(self, tmp_path):
        found = survey(written(tmp_path), level_unit="ft", level_offset_m=-0.5)
        np.testing.assert_allclose(found.survey.level_m[0], 3.048 - 0.5, rtol=1e-15)
        assert [finding.code for finding in found.findings] == ["level-offset"]


class TestWhatIsTaken:
    def test_points_without_level_are_counted(self, tmp_path):
        found = survey(written(tmp_path, HEADER + ROWS + "P5,432050,208050,,GL\n"))
        assert len(found.survey) == 4
        assert found.survey.readings[0].without_level == 1
        told = {finding.code: finding for finding in found.findings}
        assert told["points-without-level"].message == "1 of 5 points of points.csv has no level and was left out"

    def test_codes_in_any_case(self, tmp_path):
        found = survey(written(tmp_path), codes=("GL",))
        assert found.survey.level_m.tolist() == [10, 20, 40]
        assert found.survey.readings[0].left_out == 1

    def test_codes_that_are_not_there(self, tmp_path):
        text = said(written(tmp_path), codes=("XX",))
        assert text == "ground.codes: no point of points.csv has such a code: XX. Its commonest: GL (3), TB (1)."

    def test_codes_without_a_column(self, tmp_path):
        file = written(tmp_path, "e,n,z\n432000,208000,1\n432010,208000,2\n432000,208010,3\n")
        assert said(file, codes=("GL",)).startswith("ground.codes: points.csv has no column of codes")

    def test_a_laser_scan(self, tmp_path):
        east, north = np.array([432e3, 4321e2, 432e3, 432050]), np.array([208e3, 208e3, 2081e2, 208050])
        file = write_las(
            tmp_path / "a.las", east, north, [1, 2, 3, 50], [2, 2, 2, 5], crs=CRS(27700), origin=(432e3, 208e3)
        )
        found = survey(file, grid=None)
        assert found.survey.level_m.tolist() == [1, 2, 3]
        assert found.survey.readings[0].left_out == 1

    @pytest.mark.parametrize("level", ["-9999", "9999", "-32768"])
    def test_levels_that_stand_for_none_are_refused(self, tmp_path, level):
        text = said(written(tmp_path, HEADER + ROWS + f"P5,432050,208050,{level},GL\n"))
        assert text.startswith(
            f"points.csv, line 6: no ground has such a level: {float(level)} m, limit -500 to 9000 m."
        )

    def test_a_point_far_from_all_others(self, tmp_path):
        text = said(written(tmp_path, HEADER + ROWS + "P5,432050,2080500,5,GL\n"))
        assert text.startswith("points.csv, line 6: the point (432050, 2080500) lies far from all others: 1872 km")

    def test_no_level_at_all(self, tmp_path):
        text = "point,easting,northing,level\n1,432000,208000,\n2,432001,208000,\n"
        assert "no point has a level" in said(written(tmp_path, text))

    def test_names_are_those_of_the_file_or_its_lines(self, tmp_path):
        file = written(tmp_path, HEADER + ROWS.replace("P3", ""))
        found = read_points([file], GroundOptions(grid=GRID), names=True)
        assert found.names == ("P1", "P2", "line 4", "P4")

    def test_the_reading_shows_the_first_rows(self, tmp_path):
        (reading,) = survey(written(tmp_path)).survey.readings
        assert reading.first_rows[1] == ("line 3", EAST + 100, NORTH, 20.0)
        assert dict(reading.how) == {
            "encoding": "ASCII",
            "delimiter": "comma",
            "decimal": "point",
            "columns": "point,easting,northing,level,code",
            "order from": "the header, line 1",
            "level unit": "m (assumed)",
            "grid": "OSGB36 / British National Grid",
        }

    def test_errors_name_the_table_that_speaks_of_the_file(self, tmp_path):
        file = written(tmp_path, ROWS)
        assert said(file, table="ground.check").startswith("ground.check.order: the order")
        assert "Set ground.patch.grid" in said(written(tmp_path), grid=None, table="ground.patch")

    def test_no_file(self, tmp_path):
        with pytest.raises(JobError, match=r"ground\.files: no file is given"):
            survey()
        with pytest.raises(InputError, match="there is no such file"):
            survey(Path("none.csv"))
        with pytest.raises(GridError, match="names no grid"):
            survey(written(tmp_path), grid="EPSG:0")
