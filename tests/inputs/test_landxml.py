"""The LandXML reader: what it takes, in which order and units, what it asks, and what it refuses with which line."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geofence import registry
from geofence.errors import GeofenceError, GridError, InputError, JobError
from geofence.inputs.landxml import READER
from geofence.site.ground import GroundReader, State
from geofence.site.tin import TinGround
from tests.landxml import EAST, METRE, NORTH, SQUARE, ground, surface, write
from tests.terminal import geofence

SURVEY_FOOT_M = 1200 / 3937
FEET_GRID = '<CoordinateSystem epsgCode="2227"/>'  # California zone 3, US survey feet
HIGH, RIGHT = 2_100_000.0, 6_050_000.0


def level(opened: TinGround, x: float, y: float) -> float:
    """At a place from the south-west corner, to a nanometre: coordinates resolve no less."""
    return round(float(opened.levels(np.array([EAST + x]), np.array([NORTH + y])).level_m[0]), 9)


def state(opened: TinGround, x: float, y: float) -> State:
    return State(opened.levels(np.array([EAST + x]), np.array([NORTH + y])).state[0])


def codes(opened: TinGround) -> list[str]:
    return [finding.code for finding in opened.findings]


def refused(error: type[GeofenceError], *files: Path, says: str, **options: Any) -> GeofenceError:
    """Opening is refused with this error, whose one-screen text holds the words in this order."""
    with pytest.raises(error) as caught:
        ground(*files, **options)
    text = str(caught.value)
    assert re.search(says, text, re.DOTALL), text
    assert len(text) < 700
    assert caught.value.remedy
    assert "Traceback" not in text
    return caught.value


def cg(*points: str) -> str:
    return "<CgPoints>\n" + "\n".join(points) + "\n</CgPoints>"


class TestReads:
    @pytest.mark.parametrize("name", ["a.xml", "a.XML", "a.landxml"])
    def test_by_suffix(self, tmp_path: Path, name: str) -> None:
        assert READER.reads(tmp_path / name)

    def test_by_first_element(self, tmp_path: Path) -> None:
        assert READER.reads(write(tmp_path / "surface.001", surface()))
        (tmp_path / "points.txt").write_text("1 2 3\n")
        (tmp_path / "other.kml").write_text("<kml/>")
        zipfile.ZipFile(tmp_path / "a.zip", "w").close()
        assert not any(READER.reads(tmp_path / name) for name in ("points.txt", "other.kml", "a.zip", "none", "."))

    def test_is_the_registered_plug_in(self) -> None:
        reader: GroundReader = registry.find(registry.GROUNDS, "landxml")
        assert reader is READER


class TestEveryDialect:
    @pytest.mark.parametrize("version", ["1.0", "1.1", "1.2", None])
    def test_namespaces(self, tmp_path: Path, version: str | None) -> None:
        namespace = version and f"http://www.landxml.org/schema/LandXML-{version}"
        assert level(ground(write(tmp_path / "a.xml", surface(), namespace=namespace)), 5, 0) == 50.5

    def test_prefix(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface())
        text = re.sub(r"<(/?)(?=[A-Z])", r"<\1lx:", file.read_text()).replace("xmlns=", "xmlns:lx=")
        assert "<lx:LandXML xmlns:lx" in text
        file.write_text(text)
        assert level(ground(file), 5, 0) == 50.5

    @pytest.mark.parametrize(
        ("declared", "codec"),
        [("UTF-8", "utf-8-sig"), ("UTF-16", "utf-16"), ("windows-1252", "cp1252"), ("ISO-8859-1", "latin-1")],
    )
    def test_encodings(self, tmp_path: Path, declared: str, codec: str) -> None:
        file = write(tmp_path / "a.xml", surface(name="Gelände"))
        file.write_text(file.read_text("utf-8").replace('encoding="UTF-8"', f'encoding="{declared}"'), codec)
        assert level(ground(file, surface="Gelände"), 5, 0) == 50.5

    @pytest.mark.parametrize(
        "written", ["{n} {e} 7", "{n},{e},7", " {n}, {e}, 7 ", "{n}\n\t{e}   7.0", "<!-- a remark -->{n} {e} 0.7E1"]
    )
    def test_delimiters(self, tmp_path: Path, written: str) -> None:
        body = surface().replace(f"{NORTH:.4f} {EAST:.4f} 50.0000", written.format(n=f"{NORTH:.4f}", e=f"{EAST:.4f}"))
        assert level(ground(write(tmp_path / "a.xml", body)), 0, 0) == 7.0

    @pytest.mark.parametrize("pattern", ["p{0}", "{0}000000000", "A-{0}", "0{0}", "12345678901234567890{0}"])
    def test_ids_of_any_kind(self, tmp_path: Path, pattern: str) -> None:
        """Names, numbers far apart, numbers too long for a machine's."""
        body = re.sub(r'id="(\d)"', lambda found: f'id="{pattern.format(found[1])}"', surface())
        body = re.sub(r"<F>(\d) (\d) (\d)", lambda found: "<F>" + " ".join(map(pattern.format, found.groups())), body)
        opened = ground(write(tmp_path / "a.xml", body))
        assert [level(opened, x, y) for x, y, _ in SQUARE] == [50, 51, 53, 52]

    def test_more_rows_than_are_converted_at_once(self, tmp_path: Path) -> None:
        """70,000 points in three rows: the batches of points and of faces are joined in order."""
        count = 23_334
        points = [(float(column), float(row), (column + row) / 10) for row in range(3) for column in range(count)]
        faces = [
            f"<F>{at} {at + 1} {at + count}</F><F>{at + 1} {at + count + 1} {at + count}</F>"
            for row in range(2)
            for at in range(row * count + 1, (row + 1) * count)
        ]
        opened = ground(write(tmp_path / "a.xml", surface(points, "\n".join(faces))))
        assert len(opened.survey) == 70_002
        for x, y in ((0.25, 0.5), (12_345.5, 1.25), (23_332.5, 1.75)):
            assert level(opened, x, y) == pytest.approx((x + y) / 10, abs=1e-8)  # closed form: a plane

    def test_what_is_not_known_is_passed_over(self, tmp_path: Path) -> None:
        body = surface().replace("</P>", '<Feature code="x"><Property label="P" value="9 9 9"/>9 9 9</Feature></P>')
        extra = '<Feature name="v"><v:P xmlns:v="urn:v">nothing</v:P></Feature><Survey><P id="1">no point</P></Survey>'
        assert level(ground(write(tmp_path / "a.xml", body + extra)), 5, 0) == 50.5


class TestFaces:
    @pytest.mark.parametrize(
        ("faces", "middle"), [("<F>1 2 3</F><F>1 3 4</F>", 51.5), ("<F>1 2 4</F><F>2 3 4</F>", 51.5)]
    )
    def test_used_as_they_stand(self, tmp_path: Path, faces: str, middle: float) -> None:
        """Either diagonal of a square is Delaunay; the file's own one counts: (50 + 53)/2 or (51 + 52)/2."""
        points = [*SQUARE[:2], (10.0, 10.0, 57.0), SQUARE[3]]
        opened = ground(write(tmp_path / "a.xml", surface(points, faces)))
        assert level(opened, 5, 5) == (53.5 if "1 2 3" in faces else middle)

    def test_that_no_triangulation_would_make(self, tmp_path: Path) -> None:
        """A long thin pair of faces across the short diagonal's way."""
        points = [(0.0, 0.0, 0.0), (100.0, 0.0, 0.0), (50.0, 4.0, 10.0), (50.0, -4.0, 10.0)]
        opened = ground(write(tmp_path / "a.xml", surface(points, "<F>1 2 3</F><F>2 1 4</F>")))
        assert level(opened, 50, 0) == pytest.approx(0.0, abs=1e-12)  # the Delaunay edge from 3 to 4 would give 10

    @pytest.mark.parametrize("flag", ['i="1"', 'n="0 0 2" i="1"', 'i="true"'])
    def test_invisible_ones_are_dropped(self, tmp_path: Path, flag: str) -> None:
        opened = ground(write(tmp_path / "a.xml", surface(faces=f"<F>1 2 3</F>\n<F {flag}>1 3 4</F>")))
        assert level(opened, 8, 2) == pytest.approx(50 + 0.8 + 0.4)
        assert np.isnan(level(opened, 2, 8))
        assert state(opened, 2, 8) != State.LEVEL
        assert dict(opened.survey.readings[0].how)["faces"] == "1, used as they stand; 1 invisible dropped"
        assert opened.survey.readings[0].left_out == 1

    @pytest.mark.parametrize("flag", ['i="0"', 'n="1 2 3"', 'i=""'])
    def test_others_are_not(self, tmp_path: Path, flag: str) -> None:
        opened = ground(write(tmp_path / "a.xml", surface(faces=f"<F>1 2 3</F>\n<F {flag}>1 3 4</F>")))
        assert level(opened, 2, 8) == pytest.approx(52 + 0.2 - 0.4)

    def test_all_invisible(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface(faces='<F i="1">1 2 3</F>'))
        refused(InputError, file, says="a.xml.*all 1 faces of the surface 'ground' are invisible")

    def test_points_of_no_face_are_none_of_the_ground(self, tmp_path: Path) -> None:
        """A stray point, at the grid's origin and without a sound level, does no harm."""
        body = surface([*SQUARE, (-EAST, -NORTH, -99999.0)])
        opened = ground(write(tmp_path / "a.xml", body))
        assert len(opened.survey) == 4
        assert opened.survey.readings[0].left_out == 1
        assert opened.support_m(np.array([EAST]), np.array([NORTH])).tolist() == [0.0]

    def test_hole(self, tmp_path: Path) -> None:
        """A ring of eight faces about a square without one."""
        points = [(x, y, 5.0) for y in (0.0, 10.0, 20.0, 30.0) for x in (0.0, 10.0, 20.0, 30.0)]
        faces = "".join(
            f"<F>{at} {at + 1} {at + 5}</F><F>{at} {at + 5} {at + 4}</F>" for at in (1, 2, 3, 5, 7, 9, 10, 11)
        )
        opened = ground(write(tmp_path / "a.xml", surface(points, faces)))
        assert [state(opened, 5, 5), state(opened, 15, 15), state(opened, 35, 5)] == [
            State.LEVEL, State.NO_DATA, State.OUTSIDE,
        ]  # fmt: skip


class TestPoints:
    BODY = cg(
        '<CgPoint name="1" code="GR">100000 400000 50</CgPoint>',
        '<CgPoint name="2" code="gr">100000 400010 51</CgPoint>',
        '<CgPoint name="3" code="GR">100010 400010 53</CgPoint>',
        '<CgPoint name="4" code="TREE">100010 400000 99</CgPoint>',
        '<CgPoint name="5">100005 400005</CgPoint>',
        '<CgPoint name="6" code="GR">100010.0 400000.0 52.0<Property label="x" value="1"/></CgPoint>',
        '<CgPoint name="7" pntRef="1"/>',
        '<CgPoint name="8" DTMAttribute="donotinclude">100004 400004 7</CgPoint>',
    )

    def test_without_a_level_is_never_at_zero(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "a.xml", self.BODY), codes=("GR", ""))
        assert opened.survey.level_m.tolist() == [50, 51, 53, 52]
        assert level(opened, 5, 5) in (51.5, 52.0)
        found = {finding.code: finding for finding in opened.findings}
        assert found["points-without-level"].value == 1
        assert "1 of 5 points" in found["points-without-level"].message
        assert found["points-left-out"].value == 2
        reading = opened.survey.readings[0]
        assert (reading.points, reading.without_level, reading.left_out) == (4, 1, 2)
        assert reading.first_rows[0] == ("1", EAST, NORTH, 50.0)

    def test_codes(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "a.xml", self.BODY), codes=("gr",))
        assert sorted(opened.survey.level_m.tolist()) == [50, 51, 52, 53]

    def test_none_has_a_level(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", cg('<CgPoint name="5">100005 400005</CgPoint>'))
        refused(InputError, file, says="no point of the ground has a level: 1 have none")

    def test_no_such_code(self, tmp_path: Path) -> None:
        refused(InputError, write(tmp_path / "a.xml", self.BODY), codes=("X",), says="no point of the ground.*left out")

    def test_beside_a_surface(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface() + self.BODY)
        assert "points-not-used" in codes(ground(file))
        assert len(ground(file, surface="CgPoints", codes=("GR",)).survey) == 4
        refused(JobError, file, codes=("GR",), says="ground.codes: the surface 'ground' of a.xml has no codes")


class TestUnits:
    def feet(self, tmp_path: Path, units: str, grid: str = FEET_GRID) -> Path:
        points = "".join(
            f'<P id="{number}">{HIGH + y} {RIGHT + x} {100 + x}</P>' for number, (x, y, _) in enumerate(SQUARE, 1)
        )
        body = re.sub(r"(?s)<Pnts>.*</Pnts>", f"<Pnts>{points}</Pnts>", surface())
        return write(tmp_path / "feet.xml", body, units=units, grid=grid)

    def at(self, opened: TinGround, x: float) -> float:
        return float(opened.levels(np.array([RIGHT + x]), np.array([HIGH + 1])).level_m[0])

    @pytest.mark.parametrize(
        ("words", "foot"),
        [
            ('linearUnit="USSurveyFoot"', SURVEY_FOOT_M),
            ('linearUnit="USSurveyFoot" elevationUnit="feet"', SURVEY_FOOT_M),
            ('linearUnit="USSurveyFoot" elevationUnit="meter"', 1.0),
        ],
    )
    def test_feet(self, tmp_path: Path, words: str, foot: float) -> None:
        opened = ground(self.feet(tmp_path, f"<Units><Imperial {words}/></Units>"))
        assert self.at(opened, 4) == pytest.approx(104 * foot, abs=1e-9)

    def test_levels_in_another_unit_than_places(self, tmp_path: Path) -> None:
        units = METRE.replace('elevationUnit="meter"', 'elevationUnit="feet"')
        assert level(ground(write(tmp_path / "a.xml", surface(), units=units)), 5, 0) == pytest.approx(50.5 * 0.3048)

    @pytest.mark.parametrize("word", ["foot", "meter", "millimeter"])
    def test_not_the_grids(self, tmp_path: Path, word: str) -> None:
        """International against survey feet would put a place here 3.7 m off; the file and its grid contradict."""
        kind = "Imperial" if word == "foot" else "Metric"
        file = self.feet(tmp_path, f'<Units><{kind} linearUnit="{word}"/></Units>')
        refused(
            GridError,
            file,
            says=f"feet.xml, line 3: .* are in {word}, but the unit of .* is US survey foot.*linearUnit",
        )

    def test_grid_in_degrees(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface(), grid='<CoordinateSystem epsgCode="4326"/>')
        refused(GridError, file, says="are in meter, but the unit of WGS 84 is degree")

    def test_job_overrules_with_a_finding(self, tmp_path: Path) -> None:
        file = self.feet(tmp_path, '<Units><Imperial linearUnit="USSurveyFoot"/></Units>')
        opened = ground(file, level_unit="m")
        assert self.at(opened, 4) == pytest.approx(104)
        (told,) = (finding.message for finding in opened.findings if finding.code == "level-unit-overruled")
        assert told == "The job says levels are in m; feet.xml says ftUS"
        assert "level-unit-overruled" not in codes(ground(file, level_unit="ftUS"))

    def test_none_stated(self, tmp_path: Path) -> None:
        assert "level-unit-assumed" in codes(ground(write(tmp_path / "a.xml", surface(), units="")))
        file = self.feet(tmp_path, "")
        refused(
            JobError,
            file,
            says="ground.level_unit: places in feet.xml are in the US survey foot, and it does not say the unit",
        )
        assert self.at(ground(file, level_unit="ftUS"), 4) == pytest.approx(104 * SURVEY_FOOT_M)

    def test_unknown_word(self, tmp_path: Path) -> None:
        units = '<Units><Metric linearUnit="rod"/></Units>'
        refused(InputError, write(tmp_path / "a.xml", surface(), units=units), says="line 3: its linearUnit is 'rod'")

    def test_offset(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "a.xml", surface()), level_offset_m=-0.25)
        assert level(opened, 5, 0) == pytest.approx(50.25)
        assert "level-offset" in codes(opened)

    def test_datum(self, tmp_path: Path) -> None:
        grid = '<CoordinateSystem epsgCode="27700" verticalDatum="ODN"/>'
        file = write(tmp_path / "a.xml", surface(), grid=grid)
        assert "level-datum-stated" in codes(ground(file))
        assert "level-datum-overruled" in codes(ground(file, level_datum="local"))


class TestGrid:
    WKT = (
        "PROJCS[&quot;Mine&quot;,GEOGCS[&quot;g&quot;,DATUM[&quot;d&quot;,SPHEROID[&quot;GRS 1980&quot;,6378137,"
        "298.257222101]],PRIMEM[&quot;Greenwich&quot;,0],UNIT[&quot;degree&quot;,0.0174532925199433]],"
        "PROJECTION[&quot;Transverse_Mercator&quot;],PARAMETER[&quot;latitude_of_origin&quot;,49],"
        "PARAMETER[&quot;central_meridian&quot;,-2],PARAMETER[&quot;scale_factor&quot;,1],"
        "PARAMETER[&quot;false_easting&quot;,400000],PARAMETER[&quot;false_northing&quot;,0],UNIT[&quot;metre&quot;,1]]"
    )

    @pytest.mark.parametrize("code", ["27700", "EPSG:27700", " epsg:27700 "])
    def test_code(self, tmp_path: Path, code: str) -> None:
        file = write(tmp_path / "a.xml", surface(), grid=f'<CoordinateSystem epsgCode="{code}"/>')
        assert ground(file).crs.to_epsg() == 27700

    def test_wkt(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface(), grid=f'<CoordinateSystem ogcWktCode="{self.WKT}"/>')
        assert ground(file).crs.name == "Mine"

    def test_compound_code(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", surface(), grid='<CoordinateSystem epsgCode="7405"/>')
        assert ground(file).crs.to_epsg() == 27700

    def test_two(self, tmp_path: Path) -> None:
        grid = f'<CoordinateSystem epsgCode="27700" ogcWktCode="{self.WKT}"/>'
        file = write(tmp_path / "a.xml", surface(), grid=grid)
        refused(GridError, file, says="line 4: the file states two grids, OSGB36.* and Mine.*ground.grid")
        assert ground(file, grid="EPSG:27700").crs.to_epsg() == 27700

    @pytest.mark.parametrize(
        ("grid", "says"),
        [
            ("", "does not say which grid it is in.*EPSG:"),
            ('<CoordinateSystem epsgCode=""/>', "does not say which grid it is in"),
            ('<CoordinateSystem epsgCode="0" name="Site grid"/>', "it says 'Site grid'"),
            ('<CoordinateSystem ogcWktCode="LOCAL_CS[&quot;site&quot;]"/>', "does not say which grid"),
            ('<CoordinateSystem ogcWktCode="gibberish" desc="ours"/>', "it says 'ours'"),
        ],
    )
    def test_none(self, tmp_path: Path, grid: str, says: str) -> None:
        file = write(tmp_path / "a.xml", surface(), grid=grid)
        refused(GridError, file, says=says)
        assert ground(file, grid="EPSG:27700").crs.to_epsg() == 27700

    def test_not_the_jobs(self, tmp_path: Path) -> None:
        refused(GridError, write(tmp_path / "a.xml", surface()), grid="EPSG:32630", says="OSGB36.*the job says WGS 84")

    def test_swapped(self, tmp_path: Path) -> None:
        """Easting before northing, in UTM zone 30."""
        points = "".join(
            f'<P id="{row}">{560_000 + x} {5_800_000 + y} {z}</P>' for row, (x, y, z) in enumerate(SQUARE, 1)
        )
        body = re.sub(r"(?s)<Pnts>.*</Pnts>", f"<Pnts>{points}</Pnts>", surface())
        file = write(tmp_path / "a.xml", body, grid='<CoordinateSystem epsgCode="32630"/>')
        refused(GridError, file, says="cannot be in WGS 84 / UTM zone 30N.*Easting and northing look swapped")


class TestWhichSurface:
    def several(self, tmp_path: Path, *names: str) -> Path:
        bodies = [surface([(x, y, z + row) for x, y, z in SQUARE], name=name) for row, name in enumerate(names)]
        return write(tmp_path / "a.xml", "\n".join(bodies))

    def test_asked_with_their_names(self, tmp_path: Path) -> None:
        file = self.several(tmp_path, "existing", "proposed", "rock")
        refused(JobError, file, says="ground.surface: a.xml holds 3 surfaces.*'existing', 'proposed', 'rock'")
        refused(JobError, file, table="ground.patch", says=r"ground.patch.surface: .*surface = .* in \[ground.patch\]")

    @pytest.mark.parametrize(("name", "expected"), [("existing", 50.5), ("proposed", 51.5), ("#3", 52.5)])
    def test_chosen(self, tmp_path: Path, name: str, expected: float) -> None:
        opened = ground(self.several(tmp_path, "existing", "proposed", "rock"), surface=name)
        assert level(opened, 5, 0) == expected
        assert len(opened.survey) == 4

    def test_mistyped(self, tmp_path: Path) -> None:
        file = self.several(tmp_path, "existing", "proposed")
        refused(JobError, file, surface="propsed", says="no such surface with points: 'propsed'.*Did you mean proposed")

    def test_two_of_a_name(self, tmp_path: Path) -> None:
        file = self.several(tmp_path, "a", "a")
        refused(JobError, file, surface="a", says="several surfaces of that name: 'a'. It has '#1', '#2'")
        assert level(ground(file, surface="#2"), 5, 0) == 51.5

    def test_empty_ones_do_not_count(self, tmp_path: Path) -> None:
        empty = '<Surfaces><Surface name="empty"><Definition surfType="TIN"/></Surface></Surfaces>'
        assert level(ground(write(tmp_path / "a.xml", empty + surface() + empty)), 5, 0) == 50.5

    def test_nothing_at_all(self, tmp_path: Path) -> None:
        refused(InputError, write(tmp_path / "a.xml", ""), says="holds no surface and no points")

    def test_a_fault_in_the_second_is_found_on_its_line(self, tmp_path: Path) -> None:
        file = self.several(tmp_path, "a", "b")
        lines = file.read_text().splitlines()
        row = max(at for at, text in enumerate(lines) if 'id="3"' in text)
        lines[row] = lines[row].replace('id="3"', 'id="1"')
        file.write_text("\n".join(lines))
        refused(InputError, file, surface="b", says=f"line {row + 1}: a second point has the id 1")
        assert level(ground(file, surface="a"), 5, 0) == 50.5


def list3d(points: list[tuple[float, float, float]]) -> str:
    return "<PntList3D>" + " ".join(f"{NORTH + y} {EAST + x} {z}" for x, y, z in points) + "</PntList3D>"


def list2d(points: list[tuple[float, float]]) -> str:
    return "<PntList2D>" + " ".join(f"{NORTH + y} {EAST + x}" for x, y in points) + "</PntList2D>"


EAVES = [(0.0, 0.0, 0.0), (20.0, 0.0, 0.0), (20.0, 10.0, 0.0), (0.0, 10.0, 0.0)]
RIDGE = [(2.0, 5.0, 5.0), (18.0, 5.0, 5.0)]


class TestWithoutFaces:
    def made(self, tmp_path: Path, source: str, points: Any = EAVES) -> TinGround:
        return ground(write(tmp_path / "a.xml", surface(points, "", source=f"<SourceData>{source}</SourceData>")))

    def test_break_line_shapes_the_surface(self, tmp_path: Path) -> None:
        """Two points closer to each other than the ridge's ends would be joined across the ridge (closed form)."""
        points = [*EAVES, (10.0, 4.0, 4.0), (10.0, 6.0, 4.0)]
        ridge = f"<Breaklines><Breakline brkType='standard'>{list3d(RIDGE)}</Breakline></Breaklines>"
        with_line, without = self.made(tmp_path, ridge, points), self.made(tmp_path, "", [*points, *RIDGE])
        assert level(with_line, 10, 5) == pytest.approx(5.0)
        assert level(without, 10, 5) == pytest.approx(4.0)
        assert "surface-triangulated" in codes(with_line)

    def test_break_line_through_points(self, tmp_path: Path) -> None:
        points = [*EAVES, (10.0, 4.0, 4.0), (10.0, 6.0, 4.0), *RIDGE]
        line = f"<Breakline>{list2d([corner[:2] for corner in RIDGE])}</Breakline>"
        assert level(self.made(tmp_path, line, points), 10, 5) == pytest.approx(5.0)

    def test_break_line_that_only_lies_on_it(self, tmp_path: Path) -> None:
        line = f"<Breakline brkType='nondestructive'>{list3d([(1, 1, 0), (9, 1, 0)])}</Breakline>"
        opened = self.made(tmp_path, line, [(x, y, 9.0) for x, y, _ in EAVES])
        assert level(opened, 5, 1) == 9.0
        assert "source-passed-over" in codes(opened)

    def test_contours(self, tmp_path: Path) -> None:
        """Levels from the attribute or from the list; half-way between two parallel contours the mean."""
        flat = f"<Contour elev='10'>{list2d([(0, 0), (20, 0), (40, 0)])}</Contour>"
        solid = f"<Contour>{list3d([(0, 10, 20), (20, 10, 20), (40, 10, 20)])}</Contour>"
        opened = self.made(tmp_path, f"<Contours>{flat}{solid}</Contours>", [])
        assert level(opened, 13, 5) == pytest.approx(15.0)

    def test_data_points(self, tmp_path: Path) -> None:
        data = f"<DataPoints>{list3d(EAVES)}</DataPoints><DataPoints>{list2d([(5, 5)])}</DataPoints>"
        opened = self.made(tmp_path, data, [])
        assert len(opened.survey) == 4
        assert opened.survey.readings[0].without_level == 1

    def test_only_files_of_points(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="neither points nor lines with levels"):
            self.made(tmp_path, "<PointFiles><PointFile fileName='p.txt'/></PointFiles>", [])

    def test_outer_boundary(self, tmp_path: Path) -> None:
        """No level beyond it, though within the hull; on it there is one, and its own levels of 0 count for nothing."""
        corners = [(1.0, 1.0), (19.0, 1.0), (19.0, 9.0), (10.0, 2.0), (1.0, 9.0)]
        edge = list3d([(*corner, 0.0) for corner in corners])
        opened = self.made(
            tmp_path,
            f"<Boundaries><Boundary bndType='outer' edgeTrim='true'>{edge}</Boundary></Boundaries>",
            [(x, y, 9.0) for x, y, _ in EAVES],
        )
        places = [(10, 1.5), (10, 1.0), (1, 1), (0.5, 0.5), (10, 5), (10, 1 - 2e-3)]
        assert [state(opened, *place) for place in places] == [State.LEVEL] * 3 + [State.OUTSIDE] * 3
        assert level(opened, 10, 1) == 9.0

    def test_void_and_island(self, tmp_path: Path) -> None:
        def ring(low: float, high: float) -> str:
            return list2d([(low, low), (high, low), (high, high), (low, high), (low, low)])

        rings = "".join(
            f"<Boundary bndType='{kind}'>{ring(low, 10 - low)}</Boundary>" for kind, low in (("void", 1), ("island", 4))
        )
        opened = self.made(tmp_path, rings, [(x / 2, y, z) for x, y, z in EAVES])
        assert [state(opened, at, at) for at in (0.5, 1.0, 2.0, 4.0, 5.0)] == [
            State.LEVEL, State.LEVEL, State.NO_DATA, State.LEVEL, State.LEVEL,
        ]  # fmt: skip

    def test_boundary_cuts_the_picture_too(self, tmp_path: Path) -> None:
        corners = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
        opened = self.made(tmp_path, f"<Boundary bndType='outer'>{list2d(corners)}</Boundary>")
        whole = self.made(tmp_path, "")
        cut, full = (each.relief(-2.1, 50.7, -1.9, 50.9, cells=800) for each in (opened, whole))
        assert cut is not None
        assert full is not None
        assert cut.east_deg - cut.west_deg == pytest.approx((full.east_deg - full.west_deg) / 2, rel=0.1)

    def test_boundaries_do_not_cut_finished_surfaces(self, tmp_path: Path) -> None:
        edge = f"<SourceData><Boundary bndType='outer'>{list2d([(0, 0), (1, 0), (1, 1)])}</Boundary></SourceData>"
        assert level(ground(write(tmp_path / "a.xml", surface(source=edge))), 5, 0) == 50.5

    @pytest.mark.parametrize(
        ("source", "says"),
        [
            ("<Boundary bndType='clip'><PntList2D>1 2 3 4 5 6</PntList2D></Boundary>", "of the type 'clip'"),
            ("<Boundary bndType='outer'><PntList2D>1 2 3 4</PntList2D></Boundary>", "fewer than three vertices"),
            ("<Breakline><PntList3D>1 2 3 4</PntList3D></Breakline>", "line 6: .*4 numbers are no multiple of 3"),
            ("<Breakline><PntList3D>1 2 x 1 3 3</PntList3D></Breakline>", "line 6: .*'x' is no number"),
            ("<Breakline><PntList3D>1,5 2,5 3,5</PntList3D></Breakline>", "line 6: .*2 numbers stand where 3 must"),
            ("<Contour elev='high'><PntList2D>1 2 3 4</PntList2D></Contour>", "level 'high', which is no number"),
        ],
    )
    def test_faults(self, tmp_path: Path, source: str, says: str) -> None:
        file = write(tmp_path / "a.xml", surface(EAVES, "", source=f"<SourceData>{source}</SourceData>\n"))
        refused(InputError, file, says=says)


class TestAreas:
    """A square of 100 m2; its faces slope 1 in 10 east and 1 in 5 north: 100 sqrt(1 + 0.01 + 0.04) m2 (closed form)."""

    SLOPE = 100 * 1.05**0.5

    @pytest.mark.parametrize(
        ("stated", "off"),
        [
            ('area2DSurf="100."', []),
            ('area2DSurf="100.9" area3DSurf="102.47"', []),
            ('area2DSurf="98.9"', ["area2DSurf"]),
            ('area2DSurf="200" area3DSurf="204.9"', ["area2DSurf", "area3DSurf"]),
            ('area3DSurf="104"', ["area3DSurf"]),
            ('area2DSurf="0." area3DSurf="?"', []),
        ],
    )
    def test_held_against_the_faces(self, tmp_path: Path, stated: str, off: list[str]) -> None:
        opened = ground(write(tmp_path / "a.xml", surface(definition=stated)))
        found = [finding for finding in opened.findings if finding.code == "surface-area-differs"]
        assert [key for key in ("area2DSurf", "area3DSurf") if any(key in each.message for each in found)] == off
        assert all(each.severity == "warn" and each.value and each.value > 1 and each.unit == "%" for each in found)

    def test_invisible_faces_do_not_count(self, tmp_path: Path) -> None:
        body = surface(faces='<F>1 2 3</F><F i="1">1 3 4</F>', definition='area2DSurf="50"')
        assert "surface-area-differs" not in codes(ground(write(tmp_path / "a.xml", body)))

    @pytest.mark.parametrize("stated", ["0.01", "100"])
    def test_in_hectares(self, tmp_path: Path, stated: str) -> None:
        """Or, as some files have it, in square metres all the same."""
        units = METRE.replace("squareMeter", "hectare")
        file = write(tmp_path / "a.xml", surface(definition=f'area2DSurf="{stated}"'), units=units)
        assert "surface-area-differs" not in codes(ground(file))


class TestFaults:
    """The points stand on the lines 8 to 11, the faces on 14 and 15."""

    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ('<P id="3">', '<P id="2">', "line 10: a second point has the id 2"),
            ('<P id="3">', "<P>", "line 10: a point has no id"),
            ("100000.0000 400010.0000 51.0000", "100000,400010 51", "line 9: '400010 51' is no number"),
            ("<F>1 3 4</F>", "<F>1 3 9</F>", "line 15: a face has the corner 9, and no point has that id"),
            ("<F>1 3 4</F>", "<F>1 3</F>", "line 15: a face has 2 corners"),
            ("<F>1 3 4</F>", "<F>1 3 4 2</F>", "line 15: a face has 4 corners"),
            ("<F>1 3 4</F>", "<F>1 3 x</F>", "line 15: a face has the corner x"),
            ("<F>1 3 4</F>", "<F>1 3 -4</F>", "line 15: a face has the corner -4"),
            ("51.0000</P>", "fifty</P>", "line 9: 'fifty' is no number: northing, easting and level"),
            ("51.0000</P>", "</P>", "line 9: 2 numbers stand where 3 must: northing, easting and level"),
            ("51.0000</P>", "51.0 9</P>", "line 9: 4 numbers"),
            ("51.0000</P>", "NaN</P>", "line 9: 'NaN' is no number"),
            ("51.0000</P>", "1e999</P>", "line 9: '1e999' is no number"),
            ("100000.0000 400010.0000 51.0000", "100000,0 400010,0 51,0", "line 9: '0 400010' is no number"),
            ("51.0000</P>", "</P", "line 10: is no sound XML"),
            ("51.0000</P>", "51.0 & more</P>", "line 9: is no sound XML: not well-formed"),
            ("51.0000</P>", "51.0&extra;</P>", "line 9: is no sound XML: undefined entity"),
            ("</Definition>", "</Surface>", "line 17: is no sound XML: mismatched tag"),
            ("51.0000</P>", "-9999</P>", "northing 100000, easting 400010: no ground has such a level: -9999"),
        ],
    )  # fmt: skip
    def test_on_their_line(self, tmp_path: Path, old: str, new: str, says: str) -> None:
        body = surface()
        assert old in body
        refused(InputError, write(tmp_path / "a.xml", body.replace(old, new, 1)), says=f"a.xml, .*{says}")

    @pytest.mark.parametrize("pattern", ["p{0}", "{0}000000000"])
    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ('id="3"', 'id="2"', "line 10: a second point has the id {2}"),
            ("<F>1 3 4</F>", "<F>1 3 9</F>", "line 15: a face has the corner {9}, and no point has that id"),
            ("<F>1 3 4</F>", "<F>1 3 0</F>", "line 15: a face has the corner {0}, and no point has that id"),
        ],
    )
    def test_whatever_the_ids_are(self, tmp_path: Path, pattern: str, old: str, new: str, says: str) -> None:
        """Names, and numbers too far apart for a table."""
        body = re.sub(r'id="(\d)"', lambda found: f'id="{pattern.format(found[1])}"', surface().replace(old, new))
        body = re.sub(r"<F>(\d) (\d) (\d)", lambda found: "<F>" + " ".join(map(pattern.format, found.groups())), body)
        named = re.sub(r"\{(\d)\}", lambda found: str(pattern.format(found[1])).lstrip("0") or "0", says)
        refused(InputError, write(tmp_path / "a.xml", body), says=named)

    def test_misfits_that_would_cancel_out(self, tmp_path: Path) -> None:
        """A number too few in one point and one too many in the next are as many as there should be."""
        body = surface().replace("50.0000</P>", "</P>").replace("51.0000</P>", "51 50</P>")
        refused(InputError, write(tmp_path / "a.xml", body), says="line 8: 2 numbers")

    def test_line_beyond_65535(self, tmp_path: Path) -> None:
        remarks = "<!-- -->\n" * 70_000
        file = write(tmp_path / "a.xml", remarks + surface().replace('id="4"', 'id="1"'))
        refused(InputError, file, says="line 70011: a second point has the id 1")

    @pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.98])
    def test_truncated(self, tmp_path: Path, share: float) -> None:
        file = write(tmp_path / "a.xml", surface())
        content = file.read_bytes()
        file.write_bytes(content[: int(len(content) * share)])
        refused(InputError, file, says=r"a.xml, line \d+: breaks off before its end")

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (b"", "is an empty file"),
            (b'<?xml version="1.0"?>\n\n<gml:FeatureCollection/>', "line 3: its outermost element is <gml:Feature"),
            (b"1 2 3\n4 5 6\n", "line 1: is no sound XML"),
            (b"\x00\x01\x02\x03", "is no sound XML"),
            (b'<?xml version="1.0" encoding="klingon"?><LandXML/>', "its encoding cannot be read"),
            (b"<LandXML/><LandXML/>", "line 1: is no sound XML: junk after document element"),
        ],
    )
    def test_no_landxml(self, tmp_path: Path, content: bytes, says: str) -> None:
        (tmp_path / "a.xml").write_bytes(content)
        refused(InputError, tmp_path / "a.xml", says=says)

    def test_missing(self, tmp_path: Path) -> None:
        refused(InputError, tmp_path / "none.xml", says="cannot be opened")

    def test_no_file(self) -> None:
        refused(JobError, says="no file is given")

    def test_points_of_the_file(self, tmp_path: Path) -> None:
        body = cg("<CgPoint>100000 400000 1</CgPoint>", "<CgPoint>100000</CgPoint>")
        refused(InputError, write(tmp_path / "a.xml", body), says="line 7: 1 numbers stand where northing, easting")


class TestSafety:
    def hostile(self, tmp_path: Path, doctype: str, text: str = "51.0000") -> Path:
        file = write(tmp_path / "a.xml", surface().replace("51.0000", text))
        file.write_text(file.read_text().replace("?>\n", f"?>\n{doctype}\n", 1))
        return file

    def test_entity_bomb(self, tmp_path: Path) -> None:
        grown = "".join(f'<!ENTITY e{level} "{f"&e{level - 1};" * 10}">' for level in range(1, 12))
        file = self.hostile(tmp_path, f'<!DOCTYPE LandXML [<!ENTITY e0 "lots">{grown}]>', "&e11;")
        refused(InputError, file, says="line 2: declares a document type, by which a file can do harm")

    def test_external_entity(self, tmp_path: Path) -> None:
        """The file it names is a valid level: were it read, opening would succeed."""
        (tmp_path / "secret.txt").write_text("51.0")
        uri = (tmp_path / "secret.txt").as_uri()
        file = self.hostile(tmp_path, f'<!DOCTYPE LandXML [<!ENTITY other SYSTEM "{uri}">]>', "&other;")
        refused(InputError, file, says="line 2: declares a document type")

    @pytest.mark.parametrize(
        "doctype",
        [
            '<!DOCTYPE LandXML SYSTEM "http://localhost:9/landxml.dtd">',
            '<!DOCTYPE LandXML [<!ENTITY % p SYSTEM "file:///etc/hostname"> %p;]>',
            "<!DOCTYPE LandXML>",
        ],
    )
    def test_any_document_type(self, tmp_path: Path, doctype: str) -> None:
        refused(InputError, self.hostile(tmp_path, doctype), says="line 2: declares a document type")

    def test_deep_nesting(self, tmp_path: Path) -> None:
        deep = f"{'<Feature>' * 20_000}{'</Feature>' * 20_000}"
        source = f"<SourceData><Breakline>{deep}</Breakline></SourceData>"
        assert level(ground(write(tmp_path / "a.xml", surface(source=source))), 5, 0) == 50.5


class TestSeveralFiles:
    def test_side_by_side(self, tmp_path: Path) -> None:
        one = write(tmp_path / "one.xml", surface())
        other = write(tmp_path / "other.xml", surface([(x + 10, y, z + 1) for x, y, z in SQUARE]))
        opened = ground(one, other)
        assert [level(opened, x, 0) for x in (5, 15)] == [50.5, 51.5]
        assert opened.files == (one, other)
        assert len(opened.survey.readings) == 2

    def test_in_two_grids(self, tmp_path: Path) -> None:
        one = write(tmp_path / "one.xml", surface())
        other = write(tmp_path / "other.xml", surface(), grid='<CoordinateSystem epsgCode="27701"/>')
        with pytest.raises(GeofenceError):
            ground(one, other)

    def test_of_two_kinds(self, tmp_path: Path) -> None:
        one, other = write(tmp_path / "one.xml", surface()), write(tmp_path / "other.xml", surface(faces=""))
        refused(InputError, one, other, says="other.xml: it has no faces, unlike one.xml")


class TestPlan:
    """A parcel's line over a surface, both in one file, from the command line."""

    def job(self, tmp_path: Path, ground_options: str = "") -> Path:
        points = [(x * 10.0, y * 10.0, 50 + x * 0.3 + y * 0.2) for y in range(8) for x in range(8)]
        corners = [(row * 8 + column + 1) for row in range(7) for column in range(7)]
        faces = "".join(f"<F>{at} {at + 1} {at + 8}</F><F>{at + 1} {at + 9} {at + 8}</F>" for at in corners)
        line = "".join(
            f"<Line><Start>{NORTH + a[1]} {EAST + a[0]}</Start><End>{NORTH + b[1]} {EAST + b[0]}</End></Line>"
            for a, b in (((5, 5), (60, 5)), ((60, 5), (60, 60)))
        )
        parcel = f'<Parcels><Parcel name="lot 7"><CoordGeom>{line}</CoordGeom></Parcel></Parcels>'
        write(tmp_path / "site.xml", surface(points, faces) + parcel)
        job = tmp_path / "fence.toml"
        job.write_text(
            'schema = 1\n[line]\nfile = "site.xml"\nlayer = "lot 7"\n'
            f'[ground]\nfiles = ["site.xml"]\n{ground_options}\n'
        )
        return job

    def test_levels_are_those_of_the_plane(self, tmp_path: Path) -> None:
        ran = geofence("plan", self.job(tmp_path), "--out", tmp_path / "out")
        assert ran.code == 0, ran.err
        rows = (tmp_path / "out" / "profile.csv").read_text().splitlines()[1:]
        assert len(rows) > 400
        for _, east, north, height in (map(float, row.split(",")) for row in rows):
            plane = 50 + (east - EAST) * 0.03 + (north - NORTH) * 0.02  # closed form
            assert height == pytest.approx(plane, abs=6e-4)  # written with three decimals

    def test_inspection_tells_how_it_was_read(self, tmp_path: Path) -> None:
        ran = geofence("inspect", self.job(tmp_path))
        assert ran.code == 0
        for text in ("site.xml, LandXML", "98, used as they stand", "northing, easting, level", "m (the file)"):
            assert text in ran.out

    def test_a_mistake_is_one_screen(self, tmp_path: Path) -> None:
        ran = geofence("plan", self.job(tmp_path, 'surface = "grund"'), "--out", tmp_path / "out")
        assert ran.code == 2
        assert "ground.surface: site.xml has no such surface with points: 'grund'. Did you mean ground?" in ran.err
        assert not (tmp_path / "out").exists()
