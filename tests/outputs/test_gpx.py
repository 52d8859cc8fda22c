"""``fence.gpx``: what a hand-held unit gets.

Readers: gpxpy and GDAL through pyogrio (independent), and lxml with a schema of the part of the standard that is used.
Expected values are the made-up plan's own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import gpxpy
import numpy as np
import pyogrio
import pytest
import shapely
from gpxpy.gpx import GPX
from lxml import etree

from geofence.errors import JobError
from geofence.outputs.gpx import OUTPUT
from geofence.plan import FencePlan, Parameter
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import HOSTILE, hostile_plan, made_up_plan

SCHEMA = etree.XMLSchema(etree.parse(Path(__file__).parent / "schemas" / "gpx-1.1-part.xsd"))


def _written(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / OUTPUT.filename
    OUTPUT.write(plan, path)
    return path


def _read(plan: FencePlan, tmp_path: Path) -> GPX:
    return gpxpy.parse(_written(plan, tmp_path).read_text(encoding="utf-8"))


def _with_level(plan: FencePlan, word: str) -> FencePlan:
    return replace(plan, parameters={**plan.parameters, "gpx.level": Parameter(value=word, origin="job")})


def _moved(plan: FencePlan, lon_deg: float) -> FencePlan:
    lon = plan.places.lon_deg - plan.places.lon_deg[0] + lon_deg
    return replace(plan, places=replace(plan.places, lon_deg=lon))


class TestStructure:
    @pytest.mark.parametrize(
        "plan",
        [
            made_up_plan(),
            hostile_plan(),
            in_two_runs(),
            on_a_square(),
            _with_level(made_up_plan(), "ground"),
            _moved(made_up_plan(), 179.9999),
        ],
        ids=["open", "hostile", "two runs", "ring", "heights", "antimeridian"],
    )
    def test_it_is_valid(self, plan: FencePlan, tmp_path: Path) -> None:
        SCHEMA.assertValid(etree.parse(_written(plan, tmp_path)))

    @pytest.mark.parametrize(
        "spoil",
        [
            (' creator="geofence"', ""),
            ("<wpt lat=", "<wpt x="),
            ('lon="-2.1', 'lon="180.1'),
            ("<name>P001</name>", "<type>P001</type><name/>"),
            ("<trkseg>", "<trkseg><ele/>"),
        ],
    )
    def test_the_schema_would_notice(self, spoil: tuple[str, str], tmp_path: Path) -> None:
        text = _written(made_up_plan(), tmp_path).read_text(encoding="utf-8")
        assert spoil[0] in text
        assert not SCHEMA.validate(etree.fromstring(text.replace(*spoil, 1).encode()))

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        one = _written(hostile_plan(), tmp_path).read_bytes()
        assert _written(hostile_plan(), tmp_path).read_bytes() == one


class TestWhatItSays:
    def test_grid_datum_distances_and_cautions(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        said = _read(plan, tmp_path).description or ""
        for words in ("degrees, WGS 84", "EPSG:32630", "invented datum", "x ground distance", *plan.cautions):
            assert words in said

    def test_it_warns_against_setting_out_by_it(self, tmp_path: Path) -> None:
        assert "do not set posts out by this file" in (_read(made_up_plan(), tmp_path).description or "")

    def test_hostile_text_comes_back(self, tmp_path: Path) -> None:
        plan = hostile_plan()
        code = "%s <&> \x00 \udcff " + "x" * 300
        plan = replace(plan, fence=replace(plan.fence, findings=(replace(plan.fence.findings[-1], code=code),)))
        read = _read(plan, tmp_path)
        assert read.name == " ".join(HOSTILE).replace("\n", " ")
        assert (read.waypoints[2].description or "").endswith(
            "; CHECK " + code.replace("\0", "�").replace("\udcff", "�")
        )


class TestWaypoints:
    def test_posts(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        points = _read(plan, tmp_path).waypoints
        assert [point.name for point in points] == list(plan.post_names)
        assert [point.longitude for point in points] == pytest.approx(plan.places.lon_deg, abs=1e-9)
        assert [point.latitude for point in points] == pytest.approx(plan.places.lat_deg, abs=1e-9)
        assert (points[0].type, points[0].symbol) == ("end post", "Flag, Red")
        assert (points[1].type, points[1].symbol) == ("line post", "Flag, Blue")
        assert points[3].description.endswith("embedded 0.600 m; CHECK post-extended")

    def test_gdal_reads_the_same(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = pyogrio.read_dataframe(_written(plan, tmp_path), layer="waypoints")
        assert table.crs.to_epsg() == 4326
        assert list(table.name) == list(plan.post_names)
        assert table.geometry.x.to_numpy() == pytest.approx(plan.places.lon_deg, abs=1e-9)
        assert table.geometry.y.to_numpy() == pytest.approx(plan.places.lat_deg, abs=1e-9)
        assert table.ele.isna().all()

    def test_no_height_where_nobody_says_that_levels_are_above_the_sea(self, tmp_path: Path) -> None:
        assert {point.elevation for point in _read(made_up_plan(), tmp_path).waypoints} == {None}

    def test_the_grounds_where_the_job_says_so(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        levels = np.where(np.arange(40) == 5, np.nan, plan.fence.posts.ground_level_m)
        plan = replace(plan, fence=replace(plan.fence, posts=replace(plan.fence.posts, ground_level_m=levels)))
        points = _read(_with_level(plan, "ground"), tmp_path).waypoints
        assert points[5].elevation is None
        known = [row for row in range(40) if row != 5]
        assert [points[row].elevation for row in known] == pytest.approx(levels[known], abs=0.5001e-3)

    def test_those_of_anything_else_are_refused(self, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=r"gpx\.level: unknown word: 'grund'\. Did you mean ground\?"):
            _written(_with_level(made_up_plan(), "grund"), tmp_path)

    @pytest.mark.parametrize(("lon_deg", "written"), [(180.0, -180.0), (-180.0, -180.0), (180.5, -179.5)])
    def test_the_antimeridian_is_at_minus_180(self, lon_deg: float, written: float, tmp_path: Path) -> None:
        points = _read(_moved(made_up_plan(), lon_deg), tmp_path).waypoints
        assert points[0].longitude == written


class TestTracks:
    def test_one_for_each_run(self, tmp_path: Path) -> None:
        plan = in_two_runs()
        north, south = _read(plan, tmp_path).tracks
        assert (north.name, south.name) == ("north", "south")
        for track, rows in ((north, slice(0, 20)), (south, slice(20, 40))):
            (segment,) = track.segments
            places = [(point.longitude, point.latitude) for point in segment.points]
            expected = np.column_stack([plan.places.lon_deg, plan.places.lat_deg])[rows]
            assert np.array(places) == pytest.approx(expected, abs=1e-9)

    def test_a_ring_comes_back(self, tmp_path: Path) -> None:
        table = pyogrio.read_dataframe(_written(on_a_square(), tmp_path), layer="tracks")
        assert list(table.name) == ["yard"]
        way = shapely.get_coordinates(table.geometry[0])
        assert len(way) == 41
        assert way[0] == pytest.approx(way[-1], abs=0)
