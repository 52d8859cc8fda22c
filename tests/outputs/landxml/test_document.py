"""``fence.xml``: what a reader of LandXML 1.2 gets.

Readers: lxml (independent), with a schema of the part of the standard that is used, whose head tells its sources; and
this package's own readers of LandXML, which are no proof but must agree. Expected values are the made-up plan's own.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import etree
from pyproj import CRS, Transformer

from geofence.engine.records import Floats
from geofence.errors import JobError
from geofence.inputs.landxml_lines import read_lines
from geofence.outputs.landxml.document import OUTPUT
from geofence.plan import CAUTIONS, FencePlan, Parameter
from tests.landxml import ground
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import HOSTILE, MODULE_M, hostile_plan, made_up_plan

SCHEMA = etree.XMLSchema(etree.parse(Path(__file__).parents[1] / "schemas" / "landxml-1.2-part.xsd"))
NAMES = {"x": "http://www.landxml.org/schema/LandXML-1.2"}
FOOT, SURVEY_FOOT, CLARKE_FOOT = 0.3048, 1200 / 3937, 0.3047972654


def _written(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / OUTPUT.filename
    OUTPUT.write(plan, path)
    return path


def _root(plan: FencePlan, tmp_path: Path) -> Any:
    return etree.parse(_written(plan, tmp_path)).getroot()


def _all(root: Any, way: str) -> Any:
    return root.xpath(way, namespaces=NAMES)


def _points(root: Any) -> dict[str, Floats]:
    return {point.get("name"): np.array(point.text.split(), dtype=float) for point in _all(root, "//x:CgPoint")}


def _pairs(text: str) -> Floats:
    return np.array(text.split(), dtype=float).reshape(-1, 2)


def _designed(root: Any, name: str) -> Floats:
    return np.array([pvi.text.split() for pvi in _all(root, f"//x:ProfAlign[@name='{name}']/x:PVI")], dtype=float)


def _in_unit(plan: FencePlan, unit: str, unit_m: float) -> FencePlan:
    """The same plan on a grid of another unit, with large numbers as such grids have them."""
    places = replace(plan.places, easting=plan.places.easting / unit_m, northing=plan.places.northing / unit_m)
    return replace(plan, places=places, grid=replace(plan.grid, unit=unit, unit_m=unit_m))


class TestStructure:
    @pytest.mark.parametrize(
        "plan",
        [made_up_plan(), hostile_plan(), in_two_runs(), on_a_square(), _in_unit(made_up_plan(), "foot", FOOT)],
        ids=["open", "hostile", "two runs", "ring", "feet"],
    )
    def test_it_is_valid(self, plan: FencePlan, tmp_path: Path) -> None:
        SCHEMA.assertValid(etree.parse(_written(plan, tmp_path)))

    @pytest.mark.parametrize(
        "spoil",
        [
            ('linearUnit="meter"', 'linearUnit="metre"'),
            (' temperatureUnit="celsius"', ""),
            ('staStart="0.000000" desc', "desc"),
            ("<Start>", "<End>"),
            ('name="P002"', 'name="P003"'),
            (' date="2026-11-25"', ""),
            ("<ProfAlign name=", "<ProfAlign title="),
        ],
    )
    def test_the_schema_would_notice(self, spoil: tuple[str, str], tmp_path: Path) -> None:
        text = _written(made_up_plan(), tmp_path).read_text(encoding="utf-8")
        assert spoil[0] in text
        broken = text.replace(*spoil, 1).replace("</Start>", "</End>" if spoil[1] == "<End>" else "</Start>", 1)
        assert not SCHEMA.validate(etree.fromstring(broken.encode()))

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        one = _written(hostile_plan(), tmp_path).read_bytes()
        assert _written(hostile_plan(), tmp_path).read_bytes() == one

    def test_the_date_is_that_of_the_plan(self, tmp_path: Path) -> None:
        root = _root(made_up_plan(), tmp_path)
        assert (root.get("date"), root.get("time"), root.get("version")) == ("2026-11-25", "12:00:00Z", "1.2")


class TestWhatItSays:
    def test_grid_datum_distances_and_cautions(self, tmp_path: Path) -> None:
        root = _root(made_up_plan(), tmp_path)
        (system,) = _all(root, "x:CoordinateSystem")
        assert system.get("name") == "WGS 84 / UTM zone 30N"
        assert system.get("epsgCode") == "32630"
        assert system.get("verticalDatum") == "invented datum"
        said = {item.get("label"): item.get("value") for item in _all(root, "x:Project/x:Feature/x:Property")}
        assert said["coordinates"] == "northing, easting, level in metres on the grid"
        assert "0.99960000 x ground distance" in said["distances"]
        cautions = _all(root, "x:Project/x:Feature/x:Property[@label='caution']/@value")
        assert cautions == list(CAUTIONS)

    def test_the_head_of_the_file_says_it_to_whom_reads_it_as_text(self, tmp_path: Path) -> None:
        head = _written(made_up_plan(), tmp_path).read_text().partition("<LandXML")[0]
        for words in ("WGS 84 / UTM zone 30N (EPSG:32630)", "invented datum", "ground distance", *CAUTIONS):
            assert words in head

    @pytest.mark.parametrize("code", [27700, 2263, 6539, 2193, 28355, 2056, 5514])
    def test_its_wkt_is_the_grid(self, code: int, tmp_path: Path) -> None:
        """Independent: PROJ, by the code. Devices read the WKT of 2001, which these grids can be said in."""
        grid = CRS(code)
        plan = made_up_plan()
        plan = replace(plan, grid=replace(plan.grid, code=f"EPSG:{code}", wkt=grid.to_wkt()))
        (system,) = _all(_root(plan, tmp_path), "x:CoordinateSystem")
        assert system.get("ogcWktCode").startswith("PROJCS[")
        area = grid.area_of_use
        places = np.linspace(area.west, area.east, 5)[1:-1], np.linspace(area.south, area.north, 5)[1:-1]
        read, known = (
            Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(*places)
            for crs in (CRS.from_wkt(system.get("ogcWktCode")), grid)
        )
        assert np.array(read) == pytest.approx(np.array(known), abs=1e-4)

    def test_a_grid_that_nobody_numbered(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        wkt = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +ellps=GRS80 +units=m").to_wkt()
        plan = replace(plan, grid=replace(plan.grid, code=None, wkt=wkt))
        (system,) = _all(_root(plan, tmp_path), "x:CoordinateSystem")
        assert system.get("epsgCode") is None
        assert CRS.from_wkt(system.get("ogcWktCode")).is_projected

    def test_a_code_of_others_is_no_epsg_code(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        plan = replace(plan, grid=replace(plan.grid, code="ESRI:102003"))
        (system,) = _all(_root(plan, tmp_path), "x:CoordinateSystem")
        assert system.get("epsgCode") is None

    @pytest.mark.parametrize("datum", ["", "not stated"])
    def test_a_level_datum_that_nobody_stated_has_no_name(self, datum: str, tmp_path: Path) -> None:
        plan = made_up_plan()
        root = _root(replace(plan, grid=replace(plan.grid, level_datum=datum)), tmp_path)
        assert _all(root, "x:CoordinateSystem/@verticalDatum") == []
        assert _all(root, "//x:Property[@label='levels']/@value")[0].endswith("not stated")

    def test_hostile_text_comes_back_on_one_line(self, tmp_path: Path) -> None:
        root = _root(hostile_plan(), tmp_path)
        assert _all(root, "x:Project")[0].get("name") == " ".join(HOSTILE).replace("\n", " ")
        assert _all(root, "x:CoordinateSystem")[0].get("name") == HOSTILE[2]
        assert _all(root, "x:CoordinateSystem")[0].get("verticalDatum") == HOSTILE[0]
        assert [element.tag for element in root.iter() if element.tag == "script"] == []

    def test_codes_and_lines_with_hostile_names(self, tmp_path: Path) -> None:
        plan = in_two_runs(lines=('%s "<&>\0\udcff', '%s "<&>\0\udcff' + "x" * 300))
        finding = replace(hostile_plan().fence.findings[-1], code="%d </CgPoint>\x1b")
        plan = replace(plan, fence=replace(plan.fence, findings=(finding,)))
        root = _root(plan, tmp_path)
        assert _all(root, "//x:Alignment/@name")[0] == '%s "<&>'
        assert _all(root, "//x:CgPoint[@name='P003']/@desc")[0].endswith("; CHECK %d </CgPoint>\ufffd")


class TestPoints:
    def test_northing_easting_level(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        points = _points(_root(plan, tmp_path))
        assert sorted(points) == list(plan.post_names)
        read = np.array([points[name] for name in plan.post_names])
        expected = np.column_stack([plan.places.northing, plan.places.easting, plan.fence.posts.ground_level_m])
        assert read == pytest.approx(expected, abs=0.5001e-4)

    def test_a_group_for_each_kind(self, tmp_path: Path) -> None:
        root = _root(on_a_square(), tmp_path)
        groups = {group.get("name"): group for group in _all(root, "x:CgPoints")}
        assert list(groups) == ["Corner posts", "Line posts"]
        assert _all(groups["Corner posts"], "x:CgPoint/@name") == ["P001", "P011", "P021", "P031"]
        assert set(_all(groups["Corner posts"], "x:CgPoint/@code")) == {"corner"}
        assert len(_all(groups["Line posts"], "x:CgPoint")) == 36

    @pytest.mark.parametrize("of", ["ground", "top", "toe"])
    def test_the_level_is_that_of_which_the_job_asks(self, of: str, tmp_path: Path) -> None:
        plan = made_up_plan()
        parameters = {**plan.parameters, "landxml.level": Parameter(value=of, origin="job")}
        root = _root(replace(plan, parameters=parameters), tmp_path)
        expected = getattr(plan.fence.posts, f"{of}_level_m")
        read = [_points(root)[name][2] for name in plan.post_names]
        assert read == pytest.approx(expected, abs=0.5001e-4)
        said = _all(root, "//x:Property[@label='levels']/@value")[0]
        assert {"ground": "the ground at the post", "top": "the post's top", "toe": "the post's toe"}[of] in said

    def test_a_level_of_anything_else_is_refused(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        told = {**plan.parameters, "landxml.level": Parameter(value="roof", origin="job")}
        with pytest.raises(JobError, match=r"landxml\.level: unknown word: 'roof'\. Known: ground, top, toe\."):
            OUTPUT.write(replace(plan, parameters=told), tmp_path / "fence.xml")

    def test_a_level_that_is_not_known_is_left_out(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        levels = np.where(np.arange(40) == 5, np.nan, plan.fence.posts.ground_level_m)
        posts = replace(plan.fence.posts, ground_level_m=levels)
        points = _points(_root(replace(plan, fence=replace(plan.fence, posts=posts)), tmp_path))
        assert len(points["P006"]) == 2
        assert len(points["P007"]) == 3

    def test_negative_numbers_stay_numbers(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        places = replace(plan.places, easting=plan.places.easting - 560_001.25)
        posts = replace(plan.fence.posts, ground_level_m=plan.fence.posts.ground_level_m - 81.25)
        plan = replace(plan, places=places, fence=replace(plan.fence, posts=posts))
        (first,) = _all(_root(plan, tmp_path), "//x:CgPoint[@name='P001']")
        assert first.text == "5900000.0000 -1.2500 -1.2500"


class TestUnits:
    @pytest.mark.parametrize(
        ("unit", "unit_m", "word", "system"),
        [
            ("metre", 1.0, "meter", "Metric"),
            ("foot", FOOT, "foot", "Imperial"),
            ("US survey foot", SURVEY_FOOT, "USSurveyFoot", "Imperial"),
        ],
    )
    def test_the_grids_own_unit_for_all(self, unit: str, unit_m: float, word: str, system: str, tmp_path: Path) -> None:
        plan = _in_unit(made_up_plan(), unit, unit_m)
        root = _root(plan, tmp_path)
        (stated,) = _all(root, "x:Units/*")
        assert (etree.QName(stated).localname, stated.get("linearUnit")) == (system, word)
        points = np.array([_points(root)[name] for name in plan.post_names])
        assert points[:, 1] == pytest.approx(plan.places.easting, abs=0.5001e-4)
        assert points[:, 2] * unit_m == pytest.approx(plan.fence.posts.ground_level_m, abs=0.5001e-4 * unit_m)
        (alignment,) = _all(root, "//x:Alignment")
        assert float(alignment.get("length")) * unit_m == pytest.approx(39 * MODULE_M, abs=1e-3)
        assert _designed(root, "Top")[0, 1] * unit_m == pytest.approx(plan.fence.bays.top_from_m[0], abs=1e-4)

    def test_a_unit_without_a_word_becomes_metres_and_the_code_is_left_out(self, tmp_path: Path) -> None:
        """A code would have readers take the numbers for Clarke's feet."""
        plan = _in_unit(made_up_plan(), "Clarke's foot", CLARKE_FOOT)
        root = _root(plan, tmp_path)
        assert _all(root, "x:Units/x:Metric/@linearUnit") == ["meter"]
        points = np.array([_points(root)[name] for name in plan.post_names])
        assert points[:, 1] == pytest.approx(plan.places.easting * CLARKE_FOOT, abs=0.5001e-4)
        (system,) = _all(root, "x:CoordinateSystem")
        assert system.get("epsgCode") is None
        assert system.get("ogcWktCode") is None
        assert "no word in LandXML" in _all(root, "//x:Property[@label='coordinates']/@value")[0]


class TestAlignments:
    def test_lines_meet_and_add_up(self, tmp_path: Path) -> None:
        root = _root(made_up_plan(), tmp_path)
        (alignment,) = _all(root, "//x:Alignment")
        lines = _all(alignment, "x:CoordGeom/x:Line")
        starts = np.array([_pairs(_all(line, "x:Start")[0].text)[0] for line in lines])
        ends = np.array([_pairs(_all(line, "x:End")[0].text)[0] for line in lines])
        lengths = np.array([line.get("length") for line in lines], dtype=float)
        stations = np.array([line.get("staStart") for line in lines], dtype=float)
        assert starts[1:] == pytest.approx(ends[:-1], abs=0)
        assert lengths == pytest.approx(np.hypot(*(ends - starts).T), abs=1e-6)
        assert stations == pytest.approx(np.concatenate([[0], np.cumsum(lengths)[:-1]]), abs=len(lines) * 1e-6)
        assert float(alignment.get("length")) == pytest.approx(lengths.sum(), abs=len(lines) * 1e-6)

    def test_posts_in_a_straight_line_are_no_vertices(self, tmp_path: Path) -> None:
        root = _root(on_a_square(), tmp_path)
        lines = _all(root, "//x:Line")
        assert [line.get("length") for line in lines] == ["18.850000"] * 4
        assert _all(lines[0], "x:Start")[0].text == "5900000.0000 560000.0000"
        assert _all(lines[-1], "x:End")[0].text == "5900000.0000 560000.0000"

    def test_every_post_is_on_the_alignment_to_half_a_millimetre(self, tmp_path: Path) -> None:
        """Independent: shapely's distances. The line bends with a radius of 160 m, by 2.8 mm in each bay."""
        import shapely

        plan = made_up_plan(400)
        lines = _all(_root(plan, tmp_path), "//x:Line")
        assert 50 < len(lines) < 399
        ways = shapely.linestrings([[_pairs(end.text)[0][::-1] for end in line] for line in lines])
        posts = shapely.points(plan.places.easting, plan.places.northing)
        assert shapely.distance(shapely.union_all(ways), posts).max() < 0.0005 + 0.0001

    def test_stations_begin_at_the_chainage_of_each_run(self, tmp_path: Path) -> None:
        root = _root(in_two_runs(), tmp_path)
        assert _all(root, "//x:Alignment/@name") == ["north", "south"]
        assert "on the ground = 37.700 + (station - 37.700) / " in _all(root, "//x:Alignment/@desc")[1]
        starts = [float(start) for start in _all(root, "//x:Alignment/@staStart")]
        assert starts == pytest.approx([0, 20 * MODULE_M], abs=1e-6)

    def test_it_says_how_stations_become_chainages(self, tmp_path: Path) -> None:
        """Closed form: on a grid at 0.9996 of the ground, 37.7 m of a side are 37.68492 on the grid."""
        plan = on_a_square()
        places = replace(
            plan.places,
            easting=560_000 + (plan.places.easting - 560_000) * 0.9996,
            northing=5_900_000 + (plan.places.northing - 5_900_000) * 0.9996,
        )
        (alignment,) = _all(_root(replace(plan, places=places), tmp_path), "//x:Alignment")
        assert float(alignment.get("length")) == pytest.approx(40 * MODULE_M * 0.9996, abs=4e-4)
        assert "ring of 40 posts; stations are grid distances from 0.000" in alignment.get("desc")
        ratio = float(alignment.get("desc").partition("chainage on the ground = station / ")[2].partition(",")[0])
        assert ratio == pytest.approx(0.9996, abs=5e-6)
        assert alignment.get("desc").endswith("to 1 mm at every post")

    def test_it_says_how_far_that_rule_holds(self, tmp_path: Path) -> None:
        """Closed form: twenty posts 4.3 mm beyond where the rule has them; rounded places add 0.1 mm."""
        plan = made_up_plan()
        (run,) = plan.runs
        beyond = np.where((np.arange(40) >= 10) & (np.arange(40) < 30), 0.0043, 0.0)
        plan = replace(plan, runs=(replace(run, chainage_m=run.chainage_m + beyond),))
        (told,) = _all(_root(plan, tmp_path), "//x:Alignment/@desc")
        assert told.endswith("to 5 mm at every post")

    def test_stations_and_the_ground_are_in_feet_where_the_grid_is(self, tmp_path: Path) -> None:
        root = _root(_in_unit(in_two_runs(), "foot", FOOT), tmp_path)
        south = _all(root, "//x:Alignment[@name='south']")[0]
        assert float(south.get("staStart")) * FOOT == pytest.approx(20 * MODULE_M, abs=1e-6)
        ground = _pairs(_all(south, "x:Profile/x:ProfSurf/x:PntList2D")[0].text) * FOOT
        assert ground[[0, -1], 0] == pytest.approx([20 * MODULE_M, 39 * MODULE_M], abs=1e-3)
        assert ground[0, 1] == pytest.approx(made_up_plan().stations.ground_level_m[20], abs=1e-4)

    def test_a_run_of_one_post_has_none(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        (run,) = plan.runs
        nothing = np.zeros(0, dtype=np.int64)
        lone = replace(run, posts=run.posts[:1], chainage_m=run.chainage_m[:1], bays=nothing)
        root = _root(replace(plan, runs=(lone,)), tmp_path)
        assert _all(root, "//x:Alignments") == []
        assert len(_points(root)) == 40


class TestProfiles:
    def test_the_ground_to_a_millimetre(self, tmp_path: Path) -> None:
        plan = made_up_plan(400)
        root = _root(plan, tmp_path)
        (text,) = _all(root, "//x:ProfSurf[@name='Ground']/x:PntList2D/text()")
        pairs = _pairs(text)
        assert (np.diff(pairs[:, 0]) > 0).all()
        length = float(_all(root, "//x:Alignment/@length")[0])
        assert pairs[[0, -1], 0] == pytest.approx([0, length], abs=1e-5)
        # the made-up grid's distance is its chainage, but for the rounding of places
        levels = np.interp(plan.stations.chainage_m, pairs[:, 0], pairs[:, 1])
        assert levels == pytest.approx(plan.stations.ground_level_m, abs=0.0012)

    @pytest.mark.parametrize(("name", "part"), [("Underside", "underside"), ("Top", "top")])
    def test_what_is_built_steps_within_the_posts(self, name: str, part: str, tmp_path: Path) -> None:
        plan = made_up_plan()
        pvi = _designed(_root(plan, tmp_path), name)
        assert (np.diff(pvi[:, 0]) > 0.0009).all()
        chainage = plan.fence.posts.chainage_m
        levels = getattr(plan.fence.bays, f"{part}_from_m")
        for share in (0.01, 0.5, 0.99):
            places = chainage[:-1] + share * MODULE_M
            assert np.interp(places, pvi[:, 0], pvi[:, 1]) == pytest.approx(levels, abs=1e-4)
        steps = np.flatnonzero(np.abs(np.diff(levels)) > 1e-9)
        assert len(pvi) == 40 + len(steps)

    def test_a_sloping_fence_has_one_point_at_each_post(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        slope = np.linspace(80, 90, 40)
        bays = replace(plan.fence.bays, underside_from_m=slope[:-1], underside_to_m=slope[1:])
        pvi = _designed(_root(replace(plan, fence=replace(plan.fence, bays=bays)), tmp_path), "Underside")
        assert pvi[:, 1] == pytest.approx(slope, abs=1e-4)

    def test_a_long_ground_is_in_several_lists_that_meet(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        whole = _pairs(_all(_root(made_up_plan(400), tmp_path), "//x:PntList2D")[0].text)
        monkeypatch.setattr("geofence.outputs.landxml.alignment.LIST_LONGEST", 7)
        root = _root(made_up_plan(400), tmp_path)
        SCHEMA.assertValid(root)
        parts = [_pairs(part.text) for part in _all(root, "//x:PntList2D")]
        assert all(len(part) <= 8 for part in parts)
        for before, after in pairwise(parts):
            assert before[-1] == pytest.approx(after[0], abs=0)
        assert np.concatenate([parts[0], *(part[1:] for part in parts[1:])]) == pytest.approx(whole, abs=0)


class TestOwnReaders:
    """They are no proof of the file, but what is written here must be readable here."""

    def test_the_points_as_a_ground(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        survey = ground(_written(plan, tmp_path)).survey
        assert survey.crs.to_epsg() == 32630
        assert np.sort(survey.x) == pytest.approx(np.sort(plan.places.easting), abs=0.5001e-4)
        assert np.sort(survey.level_m) == pytest.approx(np.sort(plan.fence.posts.ground_level_m), abs=0.5001e-4)

    def test_an_alignment_as_a_boundary(self, tmp_path: Path) -> None:
        file = _written(on_a_square(), tmp_path)
        lines = read_lines(file, layer="yard", grid=None, feature=None, step_deg=0.5)
        (part,) = lines.parts
        side = 10 * MODULE_M
        corners = [(0, 0), (0, side), (side, side), (side, 0), (0, 0)]
        assert part == pytest.approx(np.array([560_000, 5_900_000]) + corners, abs=1e-4)
