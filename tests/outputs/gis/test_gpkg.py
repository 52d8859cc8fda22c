"""``fence.gpkg``, read back by GDAL (pyogrio, geopandas) and by sqlite3, both independent of what is said of it here.

What makes a file a GeoPackage is taken from the standard, OGC 12-128r18, by the numbers of its requirements.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from lxml import etree
from pyproj import CRS, Transformer

from geofence.outputs.gis import gpkg
from geofence.outputs.gis.styles import STYLES
from geofence.plan import FencePlan
from tests.outputs.drawn import GATE, drawn_plan, in_grid
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import HOSTILE, hostile_plan, made_up_plan

LAYERS = [
    "zone_reach", "zone_areas", "zone_lines", "zone_points", "legs", "profile", "runs", "bays", "gates", "gate_swings",
    "findings", "finding_stretches", "posts", "marks", "notes", "parameters", "layer_styles",
]  # fmt: skip
ODD = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +k=1 +x_0=1000 +y_0=2000 +datum=WGS84 +units=us-ft +type=crs")


def _written(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / "fence.gpkg"
    gpkg.write(plan, path)
    return path


def _layer(plan: FencePlan, tmp_path: Path, layer: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(_written(plan, tmp_path), layer=layer)


@pytest.fixture
def base(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(_written(drawn_plan(), tmp_path))) as connection:
        yield connection


class TestTheStandard:
    def test_it_says_that_it_is_a_geopackage(self, base: sqlite3.Connection) -> None:
        """Requirement 2: application_id GPKG, user_version 10300 for version 1.3."""
        assert base.execute("PRAGMA application_id").fetchone()[0].to_bytes(4, "big") == b"GPKG"
        assert base.execute("PRAGMA user_version").fetchone() == (10300,)

    def test_the_base_is_whole(self, base: sqlite3.Connection) -> None:
        """Requirements 6 and 7."""
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []

    def test_contents_are_the_tables_that_are_there(self, base: sqlite3.Connection) -> None:
        """Requirements 13 to 15; every table of ours is among them, tables without a place as attributes."""
        tables = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        own = {name for name in tables if not name.startswith(("gpkg_", "rtree_", "sqlite_"))}
        contents = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert set(contents) == own == set(LAYERS)
        assert {name for name, kind in contents.items() if kind == "attributes"} == {
            "notes",
            "parameters",
            "layer_styles",
        }

    def test_geometry_columns(self, base: sqlite3.Connection) -> None:
        """Requirements 22 to 29: one for each layer, of a type of the standard, in the grid of the contents."""
        rows = base.execute(
            "SELECT g.table_name, column_name, geometry_type_name, g.srs_id, z, m, c.srs_id"
            " FROM gpkg_geometry_columns g JOIN gpkg_contents c ON g.table_name = c.table_name"
        ).fetchall()
        assert {row[0] for row in rows} == set(LAYERS) - {"notes", "parameters", "layer_styles"}
        kinds = {row[0]: row[2] for row in rows}
        assert kinds["posts"] == "POINT"
        assert kinds["bays"] == "LINESTRING"
        assert kinds["zone_reach"] == "MULTIPOLYGON"
        for name, column, _, srs, z, m, contents_srs in rows:
            assert (column, srs, contents_srs, m) == ("geom", 32630, 32630, 0)
            assert z == (1 if name == "profile" else 0)

    def test_extents_hold_what_is_there(self, base: sqlite3.Connection) -> None:
        plan = drawn_plan()
        box = base.execute("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'posts'").fetchone()
        east, north = plan.places.easting, plan.places.northing
        assert box == pytest.approx((east.min(), north.min(), east.max(), north.max()), abs=1e-6)

    def test_its_grids_are_defined(self, base: sqlite3.Connection) -> None:
        """Requirements 10 to 12: the grid used, WGS 84, and the two undefined ones."""
        grids = {
            srs: (who, code)
            for srs, who, code in base.execute(
                "SELECT srs_id, organization, organization_coordsys_id FROM gpkg_spatial_ref_sys"
            )
        }
        assert {-1, 0, 4326, 32630} <= set(grids)
        assert grids[32630] == ("EPSG", 32630)

    def test_places_can_be_searched(self, base: sqlite3.Connection) -> None:
        plan = drawn_plan()
        found = base.execute(
            "SELECT p.post FROM posts p JOIN rtree_posts_geom r ON p.fid = r.id WHERE minx > ? AND maxx < ?",
            (plan.places.easting[4] - 0.1, plan.places.easting[4] + 0.1),
        ).fetchall()
        assert found == [("P005",)]

    def test_the_clock_is_in_none_of_it(self, base: sqlite3.Connection) -> None:
        moments = {moment for (moment,) in base.execute("SELECT last_change FROM gpkg_contents")}
        moments |= {moment for (moment,) in base.execute("SELECT update_time FROM layer_styles")}
        assert moments == {"2000-01-01T00:00:00.000Z"}


@pytest.mark.parametrize(
    "plan",
    [drawn_plan(), hostile_plan(), on_a_square(), in_two_runs(), in_grid(drawn_plan(), ODD)],
    ids=["drawn", "hostile", "ring", "two lines", "odd grid"],
)
def test_the_same_plan_gives_the_same_bytes(plan: FencePlan, tmp_path: Path) -> None:
    first = _written(plan, tmp_path).read_bytes()
    assert _written(plan, tmp_path).read_bytes() == first


class TestWhatIsInIt:
    def test_layers(self, tmp_path: Path) -> None:
        assert [name for name, _ in pyogrio.list_layers(_written(drawn_plan(), tmp_path))] == LAYERS
        few = [name for name, _ in pyogrio.list_layers(_written(made_up_plan(), tmp_path))]
        assert few == [name for name in LAYERS if not name.startswith(("zone_", "gate")) and name != "marks"]

    def test_posts_stand_where_they_are_planned(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        table = _layer(plan, tmp_path, "posts")
        assert table.crs == CRS("EPSG:32630")
        np.testing.assert_allclose(table.geometry.x, plan.places.easting, rtol=0, atol=1e-7)
        np.testing.assert_allclose(table.geometry.y, plan.places.northing, rtol=0, atol=1e-7)
        assert list(table.columns) == [*plan.post_columns(), "geometry"]
        assert tuple(table.post) == plan.post_names
        np.testing.assert_allclose(table.top_level_m, plan.fence.posts.top_level_m, rtol=0, atol=5e-5)
        assert table.support_back_m.isna().tolist() == [True, *[False] * 39]
        assert table.gate[10] == GATE

    def test_bays_run_from_post_to_post(self, tmp_path: Path) -> None:
        plan = on_a_square()
        table = _layer(plan, tmp_path, "bays")
        assert len(table) == len(plan.fence.bays)
        last = table.geometry.iloc[-1].coords
        assert tuple(last[-1]) == pytest.approx((plan.places.easting[0], plan.places.northing[0]), abs=1e-7)
        np.testing.assert_allclose(table.underside_to_m, plan.fence.bays.underside_to_m, rtol=0, atol=5e-5)

    def test_runs_have_their_lines(self, tmp_path: Path) -> None:
        table = _layer(in_two_runs(), tmp_path, "runs")
        assert list(table.line) == ["north", "south"]
        assert list(table.posts) == [20, 20]
        assert list(table.length_m) == pytest.approx([19 * 1.885] * 2, abs=1e-4)
        ring = _layer(on_a_square(), tmp_path, "runs")
        assert (ring.closed[0], ring.geometry[0].is_closed) == ("yes", True)

    def test_the_profile_is_the_ground_in_space(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        (way,) = _layer(plan, tmp_path, "profile").geometry
        expected = np.column_stack([plan.stations.easting, plan.stations.northing, plan.stations.ground_level_m])
        np.testing.assert_allclose(shapely.get_coordinates(way, include_z=True), expected, rtol=0, atol=1e-7)

    def test_gates_and_the_ways_of_their_leaves(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        gate = _layer(plan, tmp_path, "gates").iloc[0]
        assert (gate.gate, gate.bay, gate.from_post, gate.to_post, gate.swing) == (GATE, "B011", "P011", "P012", "left")
        assert (gate.width_m, gate.post_width_m) == (1.885, 0.1)
        assert np.isnan(gate.leaf_kg)
        own = plan.gates[0].ways[0]
        assert (gate.hinge, gate.open_deg) == (plan.post_names[own.post], own.open_deg)
        assert np.isnan(gate.clearance_m)
        (way,) = _layer(plan, tmp_path, "gate_swings").geometry
        assert len(way.coords) == 9

    def test_zones_lie_where_their_degrees_are(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        carry = Transformer.from_crs(4326, 32630, always_xy=True).transform
        areas, lines, points, reach = (
            _layer(plan, tmp_path, f"zone_{part}") for part in ("areas", "lines", "points", "reach")
        )
        assert [list(table.zone) for table in (areas, lines, points)] == [["Lane", "Terraces"], ["Water main"], ["Oak"]]
        lane = shapely.Polygon(
            np.column_stack(carry(plan.zones[0].outlines[0].lon_deg, plan.zones[0].outlines[0].lat_deg))
        )
        assert shapely.hausdorff_distance(areas.geometry[0], lane) < 1e-3
        assert list(reach.zone) == ["Lane", "Water main", "Oak"]
        assert shapely.hausdorff_distance(reach.geometry[0].boundary, lane.buffer(6, quad_segs=64).boundary) < 0.05
        assert reach.geometry[2].area == pytest.approx(np.pi * 9, rel=0.01)
        assert set(areas.source) == {"deed of 2019"}

    def test_findings_at_their_places_and_those_without(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = _layer(plan, tmp_path, "findings")
        assert list(table.code) == [finding.code for finding in plan.fence.findings]
        at = plan.places
        assert (table.geometry[1].x, table.geometry[1].y) == pytest.approx((at.easting[3], at.northing[3]))
        assert table.geometry[2] is None
        (stretch,) = _layer(plan, tmp_path, "finding_stretches").geometry
        assert stretch.coords[0] == pytest.approx((at.easting[20], at.northing[20]))

    def test_marks(self, tmp_path: Path) -> None:
        table = _layer(drawn_plan(), tmp_path, "marks")
        assert list(table.mark) == ["STN1", "V1"]
        assert table.level_m[0] == 81.125
        assert np.isnan(table.level_m[1])

    def test_notes_say_what_the_numbers_are(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        notes = _layer(plan, tmp_path, "notes")
        text = dict(zip(notes.topic, notes.text, strict=True))
        assert "EPSG:32630" in text["grid"]
        assert "metre = 1 m" in text["grid"]
        assert "invented datum" in text["levels"]
        assert "ground distances" in text["distances"]
        assert tuple(notes.text[notes.topic == "caution"]) == plan.cautions

    def test_parameters_with_their_origins(self, tmp_path: Path) -> None:
        table = _layer(made_up_plan(), tmp_path, "parameters")
        assert table[["name", "value", "origin"]].to_numpy().tolist() == [
            ["layout.fit", '"end"', "job"], ["layout.module_m", "1.885", "system aac-panel"],
        ]  # fmt: skip

    def test_a_grid_without_a_code_is_carried_by_its_definition(self, tmp_path: Path) -> None:
        plan = in_grid(drawn_plan(), ODD)
        table = _layer(plan, tmp_path, "posts")
        back = table.to_crs("EPSG:4326").geometry
        np.testing.assert_allclose(back.x, plan.places.lon_deg, rtol=0, atol=1e-9)
        np.testing.assert_allclose(back.y, plan.places.lat_deg, rtol=0, atol=1e-9)
        assert table.crs.axis_info[0].unit_conversion_factor == pytest.approx(1200 / 3937, rel=1e-12)

    def test_hostile_text_comes_back_unharmed(self, tmp_path: Path) -> None:
        path = _written(hostile_plan(), tmp_path)
        findings = pyogrio.read_dataframe(path, layer="findings")
        assert findings.message.iloc[-1] == " ".join(HOSTILE)
        assert findings.remedy.iloc[-1] == "-x"
        assert findings.value.iloc[0] == 0.31

    @pytest.mark.parametrize(
        "text", ["x" * 300, "čšž 漢字 \U0001f9f1", "'; DROP TABLE posts; --", '"', "half \ud83e", "nought \0"]
    )
    def test_texts_of_any_kind(self, text: str, tmp_path: Path) -> None:
        plan = drawn_plan()
        named = replace(plan, gates=(replace(plan.gates[0], name=text),))
        expected = text.replace("\ud83e", "\\ud83e").replace("\0", "\ufffd")
        assert _layer(named, tmp_path, "gates").gate[0] == expected
        assert len(pyogrio.read_dataframe(tmp_path / "fence.gpkg", layer="posts")) == 40


class TestStyles:
    def _styles(self, tmp_path: Path) -> dict[str, dict[str, Any]]:
        with closing(sqlite3.connect(_written(drawn_plan(), tmp_path))) as connection:
            connection.row_factory = sqlite3.Row
            return {row["f_table_name"]: dict(row) for row in connection.execute("SELECT * FROM layer_styles")}

    def test_every_layer_with_places_has_one_by_default(self, tmp_path: Path) -> None:
        found = self._styles(tmp_path)
        assert set(found) == set(LAYERS) - {"notes", "parameters", "layer_styles"} == set(STYLES)
        for row in found.values():
            assert (row["useAsDefault"], row["f_geometry_column"], row["f_table_schema"]) == (1, "geom", "")

    def test_the_table_has_the_columns_that_programs_ask_for(self, tmp_path: Path) -> None:
        """The names by which desktop programs look styles up; a convention that is documented with QGIS."""
        assert list(self._styles(tmp_path)["posts"]) == [
            "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column", "styleName", "styleQML",
            "styleSLD", "useAsDefault", "description", "owner", "ui", "update_time",
        ]  # fmt: skip

    def test_both_languages_name_every_value_and_column(self, tmp_path: Path) -> None:
        styles = self._styles(tmp_path)
        table_of = {layer: set(pyogrio.read_info(tmp_path / "fence.gpkg", layer=layer)["fields"]) for layer in STYLES}
        for layer, row in styles.items():
            style = STYLES[layer]
            qml = etree.fromstring(row["styleQML"].encode())
            sld = etree.fromstring(row["styleSLD"].encode())
            columns = set(sld.xpath("//*[local-name()='PropertyName']/text()"))
            columns |= {qml.find("renderer-v2").get("attr")} - {None}
            columns |= {text.get("fieldName") for text in qml.iter("text-style")}
            assert columns == {style.column, style.label.column if style.label else None} - {None}
            assert columns <= table_of[layer]
            values = [look.value for look in style.looks if look.value is not None]
            assert [c.get("value") for c in qml.iter("category") if c.get("value")] == values
            assert sld.xpath("//*[local-name()='Literal']/text()") == values
            kinds = {c.get("type") for c in qml.iter("category") if c.get("value")}
            assert kinds == ({"string"} if values else set())
            symbols = {symbol.get("name") for symbol in qml.iter("symbol")}
            assert {c.get("symbol") for c in qml.iter("category")} <= symbols

    def test_every_kind_and_rule_and_severity_has_a_look(self) -> None:
        from typing import get_args

        from geofence.engine.records import BayKind, PostKind
        from geofence.inputs.job_file import Rule
        from geofence.plan import SEVERITIES

        def values(layer: str) -> set[str | None]:
            return {look.value for look in STYLES[layer].looks}

        assert set(get_args(PostKind)) <= values("posts") | {"line"}
        assert set(get_args(BayKind)) <= values("bays")
        assert set(get_args(Rule)) <= values("zone_areas")
        assert set(SEVERITIES) <= values("findings")
        for style in STYLES.values():
            assert style.looks[-1].value is None
