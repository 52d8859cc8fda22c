"""``posts.geojson`` and ``bays.geojson``: the rules of RFC 7946 one by one, and what a reader of ours gets back.

The reader is GDAL, through pyogrio and geopandas (independent); expected values are the made-up plan's own.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import Geod

from geofence.outputs import bays, geojson, posts
from geofence.plan import CAUTIONS, FencePlan, Output
from tests.plans import HOSTILE, hostile_plan, made_up_plan

POST_PROPERTIES = [
    *("post", "kind", "chainage_m", "easting", "northing", "ground_level_m", "top_level_m", "toe_level_m", "height_m"),
    *("embedment_m", "length_m", "stock_length_m", "bearing_deg", "deflection_deg"),
    *("support_back_m", "support_ahead_m", "survey_distance_m", "findings"),
]
BAY_PROPERTIES = [
    *("bay", "from_post", "to_post", "kind", "width_m", "underside_from_m", "underside_to_m", "top_from_m", "top_to_m"),
    *("step_m", "gap_max_m", "dig_max_m", "gap_area_m2", "dig_area_m2", "findings"),
]
BOTH = pytest.mark.parametrize("output", [posts.OUTPUT, bays.OUTPUT], ids=["posts", "bays"])


def _written(output: Output, plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / output.filename
    output.write(plan, path)
    return path


def _refuse(word: str) -> NoReturn:
    raise AssertionError(f"{word} is no JSON")


def _strict(path: Path) -> dict[str, Any]:
    """Strict JSON: no NaN, no Infinity, no member twice."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        assert len({name for name, _ in pairs}) == len(pairs)
        return dict(pairs)

    content: dict[str, Any] = json.loads(path.read_bytes(), parse_constant=_refuse, object_pairs_hook=once)
    return content


def _east_of(plan: FencePlan, lon_deg: float) -> FencePlan:
    """The same plan, its middle moved to a meridian."""
    lon = plan.places.lon_deg - np.median(plan.places.lon_deg) + lon_deg
    return replace(plan, places=replace(plan.places, lon_deg=(lon + 180) % 360 - 180))


class TestRfc7946:
    @BOTH
    def test_3_one_feature_collection_of_features(self, output: Output, tmp_path: Path) -> None:
        content = _strict(_written(output, made_up_plan(), tmp_path))
        assert content["type"] == "FeatureCollection"
        for feature in content["features"]:
            assert feature.keys() == {"type", "properties", "geometry"}
            assert feature["type"] == "Feature"
            assert feature["geometry"].keys() == {"type", "coordinates"}

    @BOTH
    def test_3_1_1_positions_are_longitude_latitude_and_nothing_else(self, output: Output, tmp_path: Path) -> None:
        plan = made_up_plan()
        content = _strict(_written(output, plan, tmp_path))
        places = np.array([feature["geometry"]["coordinates"] for feature in content["features"]]).reshape(-1, 2)
        assert np.ptp(places, axis=0) == pytest.approx(
            [np.ptp(plan.places.lon_deg), np.ptp(plan.places.lat_deg)], abs=2e-9
        )
        assert places[0] == pytest.approx([plan.places.lon_deg[0], plan.places.lat_deg[0]], abs=1e-9)

    @pytest.mark.parametrize("lon_deg", [180.0, -180.0])
    def test_3_1_9_a_line_over_the_antimeridian_is_cut_there(self, lon_deg: float, tmp_path: Path) -> None:
        plan = _east_of(made_up_plan(), lon_deg)
        features = _strict(_written(bays.OUTPUT, plan, tmp_path))["features"]
        cut = [feature for feature in features if feature["geometry"]["type"] == "MultiLineString"]
        assert len(cut) == 1
        first, second = cut[0]["geometry"]["coordinates"]
        assert [first[1][0], second[0][0]] == [180, -180]
        assert first[1][1] == second[0][1]
        row = features.index(cut[0])
        ends = [[plan.places.lon_deg[row + side], plan.places.lat_deg[row + side]] for side in (0, 1)]
        assert [first[0], second[1]] == pytest.approx(np.array(ends), abs=1e-9)
        assert min(first[0][1], second[1][1]) < first[1][1] < max(first[0][1], second[1][1])

    def test_3_1_9_the_parts_are_as_long_as_the_whole(self, tmp_path: Path) -> None:
        """Independent: pyproj's geodesic lengths, of the same bay on another meridian."""
        geod = Geod(ellps="WGS84")
        here, there = made_up_plan(), _east_of(made_up_plan(), 180.0)
        lengths = []
        for plan in (here, there):
            table = geopandas.read_file(_written(bays.OUTPUT, plan, tmp_path))
            lengths.append([geod.geometry_length(line) for line in table.geometry])
        assert lengths[0] == pytest.approx(lengths[1], abs=5e-4)  # 9 decimals at each of up to four ends

    def test_3_1_9_westward(self) -> None:
        (text,) = geojson.lines(np.array([-179.0]), np.array([10.0]), np.array([178.0]), np.array([13.0]))
        assert json.loads(text)["coordinates"] == [[[-179, 10], [-180, 11]], [[180, 11], [178, 13]]]

    @pytest.mark.parametrize(
        ("start", "end", "written"),
        [
            (180.0, -179.0, [-180, -179]),
            (-179.0, 180.0, [-179, -180]),
            (-180.0, 179.0, [180, 179]),
            (180.0, -180.0, [-180, -180]),
            (179.9999999999, -179.9, [-180, -179.9]),
            (181.0, 182.0, [-179, -178]),
        ],
    )
    def test_3_1_9_a_line_that_ends_on_the_antimeridian_is_not_cut(
        self, start: float, end: float, written: list[float]
    ) -> None:
        (text,) = geojson.lines(np.array([start]), np.array([1.0]), np.array([end]), np.array([2.0]))
        assert json.loads(text) == {"type": "LineString", "coordinates": [[written[0], 1], [written[1], 2]]}

    @BOTH
    def test_4_no_crs_member(self, output: Output, tmp_path: Path) -> None:
        path = _written(output, hostile_plan(), tmp_path)
        assert "crs" not in _strict(path)
        assert geopandas.read_file(path).crs.to_epsg() == 4326  # what the standard says where none is written

    @BOTH
    def test_7_1_no_foreign_member_takes_the_name_of_a_geojson_one(self, output: Output, tmp_path: Path) -> None:
        about = _strict(_written(output, made_up_plan(), tmp_path))["plan"]
        assert not about.keys() & {"type", "coordinates", "geometries", "geometry", "features", "properties", "bbox"}

    @BOTH
    def test_rfc_8259_utf_8_without_a_byte_order_mark(self, output: Output, tmp_path: Path) -> None:
        content = _written(output, hostile_plan(), tmp_path).read_bytes()
        assert content.startswith(b'{"type":"FeatureCollection"')
        content.decode("utf-8")

    @BOTH
    def test_nothing_that_is_not_finite(self, output: Output, tmp_path: Path) -> None:
        plan = made_up_plan()
        posts_ = replace(plan.fence.posts, stock_length_m=np.full(len(plan.fence.posts), np.inf))
        bays_ = replace(plan.fence.bays, gap_area_m2=np.full(len(plan.fence.bays), -np.inf))
        plan = replace(plan, fence=replace(plan.fence, posts=posts_, bays=bays_))
        for feature in _strict(_written(output, plan, tmp_path))["features"]:
            assert feature["properties"].get("stock_length_m") is None
            assert feature["properties"].get("gap_area_m2") is None


class TestReadBack:
    def test_posts(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = geopandas.read_file(_written(posts.OUTPUT, plan, tmp_path))
        assert list(table.columns) == [*POST_PROPERTIES, "geometry"]
        assert not shapely.has_z(table.geometry).any()
        assert table.geometry.x.to_numpy() == pytest.approx(plan.places.lon_deg, abs=1e-9)
        assert table.geometry.y.to_numpy() == pytest.approx(plan.places.lat_deg, abs=1e-9)
        self._same_columns(table, plan.post_columns())

    def test_bays(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = geopandas.read_file(_written(bays.OUTPUT, plan, tmp_path))
        assert list(table.columns) == [*BAY_PROPERTIES, "geometry"]
        ends = shapely.get_coordinates(table.geometry).reshape(-1, 2, 2)
        places = np.column_stack([plan.places.lon_deg, plan.places.lat_deg])
        assert ends[:, 0] == pytest.approx(places[:-1], abs=1e-9)
        assert ends[:, 1] == pytest.approx(places[1:], abs=1e-9)
        self._same_columns(table, plan.bay_columns())

    @staticmethod
    def _same_columns(table: geopandas.GeoDataFrame, columns: dict[str, Any]) -> None:
        for name, values in columns.items():
            if isinstance(values, np.ndarray):
                half = 0.5e-6 if name.endswith("_deg") else 0.5e-4
                assert table[name].to_numpy() == pytest.approx(values, abs=half * 1.001, nan_ok=True), name
            else:
                assert list(table[name]) == list(values), name

    def test_posts_and_bays_agree(self, tmp_path: Path) -> None:
        """What is derived agrees to the rounding: half a unit of the last place for each of three figures."""
        plan = made_up_plan()
        post = geopandas.read_file(_written(posts.OUTPUT, plan, tmp_path)).set_index("post")
        bay = geopandas.read_file(_written(bays.OUTPUT, plan, tmp_path))
        slack = 1.5001e-4
        ahead = post.loc[bay.from_post]
        for derived, high, low in (
            (post.length_m, post.top_level_m, post.toe_level_m),
            (post.height_m, post.top_level_m, post.ground_level_m),
            (ahead.support_ahead_m, ahead.top_level_m, bay.underside_from_m),
        ):
            assert derived.to_numpy() == pytest.approx(high.to_numpy() - low.to_numpy(), abs=slack)

    def test_a_value_that_does_not_exist_is_null(self, tmp_path: Path) -> None:
        features = _strict(_written(posts.OUTPUT, made_up_plan(), tmp_path))["features"]
        assert features[0]["properties"]["support_back_m"] is None
        assert features[-1]["properties"]["support_ahead_m"] is None

    def test_the_ring_closes(self, tmp_path: Path) -> None:
        plan = made_up_plan(5)
        last = replace(plan.fence.bays, to_post=np.array([1, 2, 3, 0]))
        plan = replace(plan, fence=replace(plan.fence, bays=last, findings=()))
        line = _strict(_written(bays.OUTPUT, plan, tmp_path))["features"][-1]
        assert line["properties"]["to_post"] == "P001"
        assert line["geometry"]["coordinates"][1] == pytest.approx(
            [plan.places.lon_deg[0], plan.places.lat_deg[0]], abs=1e-9
        )

    @BOTH
    def test_the_table_has_the_layers_name(self, output: Output, tmp_path: Path) -> None:
        import pyogrio

        path = _written(output, hostile_plan(), tmp_path)
        assert pyogrio.list_layers(path)[0][0] == path.stem

    @BOTH
    def test_hostile_text_comes_back_unharmed(self, output: Output, tmp_path: Path) -> None:
        content = _strict(_written(output, hostile_plan(), tmp_path))
        assert content["plan"]["name"] == " ".join(HOSTILE)
        assert content["plan"]["grid"]["name"] == HOSTILE[2]
        assert content["plan"]["level_datum"] == HOSTILE[0]

    def test_hostile_codes_and_lone_surrogates(self, tmp_path: Path) -> None:
        """A file name that is not UTF-8 reaches Python with lone surrogates; JSON can say them, UTF-8 cannot."""
        plan = hostile_plan()
        code = '%s "\\ </script>\udcff' + "x" * 300
        finding = replace(plan.fence.findings[-1], code=code)
        plan = replace(plan, fence=replace(plan.fence, findings=(finding,)))
        features = _strict(_written(posts.OUTPUT, plan, tmp_path))["features"]
        assert features[2]["properties"]["findings"] == code


class TestFigures:
    @BOTH
    def test_nine_decimals(self, output: Output, tmp_path: Path) -> None:
        for line in _written(output, made_up_plan(), tmp_path).read_text().splitlines()[1:-1]:
            positions = line.partition('"coordinates":')[2].strip("}],").replace("[", "").replace("]", "").split(",")
            assert {len(figure.partition(".")[2]) for figure in positions} == {9}

    @BOTH
    def test_no_negative_zero(self, output: Output, tmp_path: Path) -> None:
        plan = made_up_plan()
        none = -1e-12 * np.ones(len(plan.fence.posts))
        plan = replace(plan, places=replace(plan.places, lon_deg=none, bearing_deg=none))
        bays_ = replace(plan.fence.bays, step_m=none[:-1])
        plan = replace(plan, fence=replace(plan.fence, bays=bays_))
        text = _written(output, plan, tmp_path).read_text()
        assert ":-0.0," not in text
        assert "-0.000000000" not in text

    def test_a_bearing_just_under_a_full_turn_is_north(self, tmp_path: Path) -> None:
        plan = made_up_plan(4)
        bearings = np.array([359.9999999, 359.999999, 0.0, 90.0])
        plan = replace(plan, places=replace(plan.places, bearing_deg=bearings))
        features = _strict(_written(posts.OUTPUT, plan, tmp_path))["features"]
        assert [item["properties"]["bearing_deg"] for item in features] == [0.0, 359.999999, 0.0, 90.0]

    def test_coordinates_resolve_a_tenth_of_a_millimetre_in_any_unit(self, tmp_path: Path) -> None:
        plan = made_up_plan(4)
        grid = replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937)
        places = replace(plan.places, easting=6e6 + np.array([0.123456, 0.1, 0.5, 0.9]))
        features = _strict(_written(posts.OUTPUT, replace(plan, grid=grid, places=places), tmp_path))["features"]
        assert features[0]["properties"]["easting"] == 6000000.1235  # closed form: 0.0001 ft is 0.03 mm


class TestCollection:
    @BOTH
    def test_it_says_what_its_numbers_are_in_and_warns(self, output: Output, tmp_path: Path) -> None:
        about = _strict(_written(output, made_up_plan(), tmp_path))["plan"]
        assert about["grid"] == {"name": "WGS 84 / UTM zone 30N", "code": "EPSG:32630", "unit": "metre", "unit_m": 1.0}
        assert about["level_datum"] == "invented datum"
        assert about["units"]["easting, northing"] == "metre, on the grid"
        assert about["cautions"] == list(CAUTIONS)

    @BOTH
    def test_the_same_plan_gives_the_same_bytes(self, output: Output, tmp_path: Path) -> None:
        one = _written(output, hostile_plan(), tmp_path).read_bytes()
        assert _written(output, hostile_plan(), tmp_path).read_bytes() == one

    @BOTH
    def test_findings_are_at_their_posts_and_bays(self, output: Output, tmp_path: Path) -> None:
        features = _strict(_written(output, made_up_plan(), tmp_path))["features"]
        marked = {row: item["properties"]["findings"] for row, item in enumerate(features)}
        expected = {3: "post-extended"} if output is posts.OUTPUT else {20: "gap-over-limit"}
        assert {row: codes for row, codes in marked.items() if codes} == expected
