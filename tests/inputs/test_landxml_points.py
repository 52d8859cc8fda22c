"""The points of LandXML files as points: to check the ground by, as control points, as posts that stand already.

Files are invented; expected values are those that were written into them, unit conversions closed forms.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geofence.errors import GridError, InputError, JobError
from geofence.inputs.points import Points, read_marks, read_points
from geofence.site.ground import GroundOptions
from tests.landxml import METRE, surface, write

POINTS = """<CgPoints name="checks">
<CgPoint name="C1" code="GRD">100010.5 400020.25 51.5</CgPoint>
<CgPoint name="C2" desc="kerb">100030,400040,-1.25</CgPoint>
<CgPoint>100050 400060 53.75</CgPoint>
</CgPoints>"""
MARKED = re.sub("<CgPoint(?=[ >])", '<CgPoint DTMAttribute="donotinclude"', POINTS)
FEET = '<Units><Imperial linearUnit="USSurveyFoot" areaUnit="squareFoot" elevationUnit="feet"/></Units>'
NEW_YORK = '<CoordinateSystem epsgCode="2263" verticalDatum="NAVD88"/>'


def _read(file: Path, table: str = "ground.check", **options: Any) -> Points:
    return read_points([file], GroundOptions(table=table, **options), names=True)


class TestPoints:
    def test_easting_northing_level_and_names(self, tmp_path: Path) -> None:
        points = _read(write(tmp_path / "checks.xml", POINTS))
        survey = points.survey
        assert survey.crs.to_epsg() == 27700
        assert survey.x.tolist() == [400020.25, 400040.0, 400060.0]
        assert survey.y.tolist() == [100010.5, 100030.0, 100050.0]
        assert survey.level_m.tolist() == [51.5, -1.25, 53.75]
        assert points.names == ("C1", "C2", "CgPoint 3")
        assert survey.readings[0].kind == "LandXML"

    def test_beside_a_surface_the_points_are_taken(self, tmp_path: Path) -> None:
        points = _read(write(tmp_path / "all.xml", surface() + POINTS))
        assert points.names == ("C1", "C2", "CgPoint 3")

    def test_a_surface_is_no_list_of_points(self, tmp_path: Path) -> None:
        file = write(tmp_path / "all.xml", surface(name="dtm") + POINTS)
        with pytest.raises(JobError, match=r"^ground\.check\.surface: points are taken here, and no surface: 'dtm'"):
            _read(file, surface="dtm")

    def test_levels_in_survey_feet(self, tmp_path: Path) -> None:
        text = POINTS.replace("100010.5 400020.25 51.5", "200000 980000 3937")
        text = re.sub(r"\n<CgPoint name=.C2.*\n<CgPoint>.*", "", text)
        points = _read(write(tmp_path / "ft.xml", text, units=FEET, grid=NEW_YORK))
        assert points.survey.level_m == pytest.approx(1200.0, abs=1e-9)  # 3937 survey feet are 1200 m
        assert "level-datum-stated" in {finding.code for finding in points.findings}

    def test_levels_in_a_unit_of_their_own(self, tmp_path: Path) -> None:
        units = METRE.replace('elevationUnit="meter"', 'elevationUnit="kilometer"')
        text = POINTS.replace("51.5", "0.0515").replace("-1.25", "-0.00125").replace("53.75", "0.05375")
        points = _read(write(tmp_path / "km.xml", text, units=units))
        assert points.survey.level_m == pytest.approx([51.5, -1.25, 53.75])

    def test_codes_choose(self, tmp_path: Path) -> None:
        file = write(tmp_path / "checks.xml", POINTS)
        assert _read(file, codes=("grd",)).names == ("C1",)
        assert _read(file, codes=("KERB",)).names == ("C2",)

    def test_a_point_without_a_level_is_counted_and_left_out(self, tmp_path: Path) -> None:
        points = _read(write(tmp_path / "checks.xml", POINTS.replace(" 51.5", "")))
        assert points.names == ("C2", "CgPoint 3")
        assert "points-without-level" in {finding.code for finding in points.findings}

    def test_what_is_not_of_the_ground_does_not_check_it(self, tmp_path: Path) -> None:
        text = POINTS.replace('name="C1"', 'name="C1" DTMAttribute="doNotInclude"')
        file = write(tmp_path / "checks.xml", text)
        assert _read(file).names == ("C2", "CgPoint 3")
        assert _read(file, table="control").names == ("C1", "C2", "CgPoint 3")

    def test_a_name_for_another_point_is_no_point(self, tmp_path: Path) -> None:
        text = POINTS.replace("</CgPoints>", '<CgPoint name="again" pntRef="C1"/></CgPoints>')
        assert len(_read(write(tmp_path / "checks.xml", text)).names) == 3


class TestMarks:
    def test_levels_may_be_missing(self, tmp_path: Path) -> None:
        file = write(tmp_path / "posts.landxml", POINTS.replace(" 51.5", ""))
        marks = read_marks(file, GroundOptions(table="existing"))
        assert marks.names == ("C1", "C2", "CgPoint 3")
        assert np.isnan(marks.level_m).tolist() == [True, False, False]


class TestRefused:
    @pytest.mark.parametrize(
        ("body", "message"),
        [
            ("", "holds no points. Export the points (CgPoints), with levels."),
            (surface(), "holds no points."),
            (POINTS.replace("51.5", "fifty"), "line 6: 'fifty' is no number"),
            (POINTS.replace(" 51.5", " -9999"), "no ground has such a level: -9999.0 m"),
            (MARKED, "holds no points of the ground: 3 are marked as none"),
        ],
    )
    def test_with_the_place(self, body: str, message: str, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=re.escape(message)):
            _read(write(tmp_path / "checks.xml", body))

    def test_no_grid(self, tmp_path: Path) -> None:
        file = write(tmp_path / "checks.xml", POINTS, grid="")
        with pytest.raises(GridError, match=r"does not say which grid.*Set ground\.check\.grid"):
            _read(file)
        assert _read(file, grid="EPSG:27700").survey.crs.to_epsg() == 27700

    def test_another_unit_than_the_grids(self, tmp_path: Path) -> None:
        with pytest.raises(GridError, match="northings and eastings are in USSurveyFoot"):
            _read(write(tmp_path / "checks.xml", POINTS, units=FEET))

    def test_xml_that_is_no_landxml(self, tmp_path: Path) -> None:
        (tmp_path / "checks.xml").write_text("<gpx/>")
        with pytest.raises(InputError, match="LandXML"):
            _read(tmp_path / "checks.xml")
