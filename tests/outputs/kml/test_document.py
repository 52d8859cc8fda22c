"""``fence.kml``: what a globe and a desktop GIS get.

Readers: GDAL's two drivers through pyogrio, fastkml, and lxml with the schema of OGC KML 2.2 that fastkml brings (all
independent). Expected values are the made-up plan's own.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import fastkml
import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from lxml import etree

from geofence.outputs.kml import style as kml_style
from geofence.outputs.kml.document import OUTPUT
from geofence.plan import FencePlan, PlannedZone, ZoneOutline
from tests.outputs.runs import in_two_runs, on_a_square, with_gate
from tests.plans import HOSTILE, hostile_plan, made_up_plan

SCHEMA = etree.XMLSchema(etree.parse(Path(fastkml.__file__).parent / "schema" / "ogckml22.xsd"))
NAMES = {"x": "http://www.opengis.net/kml/2.2"}
MAP_STYLE = Path(__file__).parents[3] / "geofence" / "outputs" / "map" / "assets" / "style.js"


def _written(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / OUTPUT.filename
    OUTPUT.write(plan, path)
    return path


def _root(plan: FencePlan, tmp_path: Path) -> Any:
    return etree.parse(_written(plan, tmp_path)).getroot()


def _all(root: Any, way: str) -> Any:
    return root.xpath(way, namespaces=NAMES)


def _layer(plan: FencePlan, tmp_path: Path, name: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(_written(plan, tmp_path), layer=name)


def _zoned(name: str = "Pipeline", rule: str = "setback") -> FencePlan:
    """A plan with a zone of an area, a line and a point near its first post."""
    plan = made_up_plan()
    lon, lat = plan.places.lon_deg[0], plan.places.lat_deg[0]
    square = np.array([lon, lat]) + np.array([(0, 0), (1e-4, 0), (1e-4, 1e-4), (0, 1e-4), (0, 0)])
    parts = ((square, True), (square[:2], False), (square[:1], False))
    zone = PlannedZone(
        name=name,
        rule=rule,
        source="drawing 14",
        buffer_m=1.5,
        limit_m=3.0,
        outlines=tuple(ZoneOutline(lon_deg=part[:, 0], lat_deg=part[:, 1], area=area) for part, area in parts),
    )
    return replace(plan, zones=(zone,))


class TestStructure:
    @pytest.mark.parametrize(
        "plan",
        [made_up_plan(), hostile_plan(), on_a_square(), _zoned(), with_gate(made_up_plan())],
        ids=["open", "hostile", "ring", "zone", "gate"],
    )
    def test_it_is_valid(self, plan: FencePlan, tmp_path: Path) -> None:
        SCHEMA.assertValid(etree.parse(_written(plan, tmp_path)))

    def test_every_style_and_schema_that_is_named_is_there(self, tmp_path: Path) -> None:
        root = _root(with_gate(_zoned(rule="invented")), tmp_path)
        there = {f"#{name}" for name in _all(root, "//x:Style/@id | //x:Schema/@id")}
        named = set(_all(root, "//x:styleUrl/text() | //x:SchemaData/@schemaUrl"))
        assert {"#post", "#bay", "#zone", "#finding", "#bay-gate", "#zone-other", "#finding-stop"} <= named <= there

    def test_every_value_is_one_of_its_schema(self, tmp_path: Path) -> None:
        root = _root(with_gate(_zoned()), tmp_path)
        for name in ("post", "bay", "zone", "finding"):
            known = set(_all(root, f"//x:Schema[@id='{name}']/x:SimpleField/@name"))
            assert set(_all(root, f"//x:SchemaData[@schemaUrl='#{name}']/x:SimpleData/@name")) == known

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        one = _written(hostile_plan(), tmp_path).read_bytes()
        assert _written(hostile_plan(), tmp_path).read_bytes() == one

    def test_nothing_is_fetched_from_anywhere(self, tmp_path: Path) -> None:
        root = _root(_zoned(), tmp_path)
        assert _all(root, "//x:href | //x:NetworkLink | //x:Icon") == []


class TestPosts:
    def test_a_folder_for_each_kind(self, tmp_path: Path) -> None:
        names = pyogrio.list_layers(_written(on_a_square(), tmp_path))[:, 0].tolist()
        assert names == ["Corner posts", "Line posts", "Bays"]

    def test_places_and_values(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = _layer(plan, tmp_path, "Line posts")
        rows = np.arange(1, 39)
        assert table.crs.to_epsg() == 4326
        assert list(table.Name) == list(plan.post_names[1:39])
        assert not shapely.has_z(table.geometry).any()
        assert table.geometry.x.to_numpy() == pytest.approx(plan.places.lon_deg[rows], abs=1e-9)
        assert table.geometry.y.to_numpy() == pytest.approx(plan.places.lat_deg[rows], abs=1e-9)
        columns = plan.post_columns()
        for name in ("chainage_m", "easting", "ground_level_m", "top_level_m", "toe_level_m", "length_m"):
            assert table[name].to_numpy() == pytest.approx(np.asarray(columns[name])[rows], abs=0.5001e-4), name
        assert {row: codes for row, codes in enumerate(table.findings.fillna("")) if codes} == {2: "post-extended"}

    def test_the_older_driver_reads_them_too(self, tmp_path: Path) -> None:
        """GDAL's own parser, where LIBKML is not asked; in a process of its own, since drivers are chosen at start."""
        plan = made_up_plan()
        code = (
            "import pyogrio, sys; table = pyogrio.read_dataframe(sys.argv[1], layer='Line posts');"
            "print(len(table), table.Name.iloc[0], *map(repr, map(float, table.geometry.iloc[0].coords[0][:2])))"
        )
        told = subprocess.run(
            [sys.executable, "-c", code, str(_written(plan, tmp_path))],
            env={**os.environ, "OGR_SKIP": "LIBKML"},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        assert told[:2] == ["38", "P002"]
        place = [plan.places.lon_deg[1], plan.places.lat_deg[1]]
        assert [float(figure) for figure in told[2:]] == pytest.approx(place, abs=1e-9)

    def test_fastkml_reads_them_too(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        document = fastkml.KML.parse(_written(plan, tmp_path)).features[0]
        ends = document.features[0]
        assert ends.name == "End posts"
        assert [mark.name for mark in ends.features] == ["P001", "P040"]
        place = ends.features[0].geometry
        assert (place.x, place.y) == pytest.approx((plan.places.lon_deg[0], plan.places.lat_deg[0]), abs=1e-9)


class TestBays:
    def test_from_post_to_post(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = _layer(plan, tmp_path, "Bays")
        ends = shapely.get_coordinates(table.geometry).reshape(-1, 2, 2)
        places = np.column_stack([plan.places.lon_deg, plan.places.lat_deg])
        assert ends[:, 0] == pytest.approx(places[:-1], abs=1e-9)
        assert ends[:, 1] == pytest.approx(places[1:], abs=1e-9)
        assert (table.tessellate == 1).all()
        columns = plan.bay_columns()
        for name in ("width_m", "underside_from_m", "step_m", "gap_max_m", "dig_max_m"):
            assert table[name].to_numpy() == pytest.approx(np.asarray(columns[name]), abs=0.5001e-4), name

    def test_the_ring_closes(self, tmp_path: Path) -> None:
        last = _layer(on_a_square(), tmp_path, "Bays").iloc[-1]
        assert (last.from_post, last.to_post) == ("P040", "P001")

    def test_gates_are_apart(self, tmp_path: Path) -> None:
        plan = with_gate(made_up_plan())
        (gate,) = _layer(plan, tmp_path, "Gates").itertuples()
        assert (gate.Name, gate.gate, gate.from_post) == ("G1", "G1", "P008")
        assert gate.description.startswith("B008, gate G1: 1.885 m wide, underside ")
        assert len(_layer(plan, tmp_path, "Bays")) == 38

    def test_lines_have_their_names(self, tmp_path: Path) -> None:
        table = _layer(in_two_runs(), tmp_path, "Bays")
        assert list(table.line) == ["north"] * 19 + ["south"] * 19

    def test_what_must_not_be_built_looks_so(self, tmp_path: Path) -> None:
        (style,) = _all(_root(made_up_plan(), tmp_path), "//x:Placemark[x:name='B021']/x:styleUrl/text()")
        assert style == "#bay-stop"


class TestZones:
    def test_as_drawn(self, tmp_path: Path) -> None:
        plan = _zoned()
        table = _layer(plan, tmp_path, "Zones")
        assert table[["Name", "rule", "source", "buffer_m", "limit_m"]].iloc[0].tolist() == [
            *("Pipeline", "setback", "drawing 14"),
            *(1.5, 3.0),
        ]
        parts = shapely.get_parts(table.geometry.iloc[0])
        assert [part.geom_type for part in parts] == ["Polygon", "LineString", "Point"]
        ring = plan.zones[0].outlines[0]
        expected = np.column_stack([ring.lon_deg, ring.lat_deg])
        assert shapely.get_coordinates(parts[0]) == pytest.approx(expected, abs=1e-9)

    def test_how_far_they_reach(self, tmp_path: Path) -> None:
        """Independent: pyproj. A setback of 3 m round a buffer of 1.5 m is 4.5 m from the square's south side."""
        from pyproj import Geod

        plan = _zoned()
        reach = _layer(plan, tmp_path, "How far zones reach").geometry.iloc[0]
        corner = plan.zones[0].outlines[0]
        _, south, *_ = reach.bounds
        *_, away = Geod(ellps="WGS84").inv(corner.lon_deg[0], corner.lat_deg[0], corner.lon_deg[0], south)
        assert away == pytest.approx(4.5, abs=0.02)

    def test_an_open_ring_is_closed(self, tmp_path: Path) -> None:
        plan = _zoned()
        zone = plan.zones[0]
        ring = zone.outlines[0]
        open_ring = replace(ring, lon_deg=ring.lon_deg[:-1], lat_deg=ring.lat_deg[:-1])
        plan = replace(plan, zones=(replace(zone, outlines=(open_ring,)),))
        assert _layer(plan, tmp_path, "Zones").geometry.iloc[0].area == pytest.approx(1e-8, rel=1e-4)

    def test_a_zone_that_is_drawn_nowhere_near(self, tmp_path: Path) -> None:
        plan = _zoned()
        plan = replace(plan, zones=(replace(plan.zones[0], outlines=()),))
        SCHEMA.assertValid(etree.parse(_written(plan, tmp_path)))


class TestFindings:
    def test_worst_first_each_at_its_place(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        table = _layer(plan, tmp_path, "Findings")
        assert list(table.severity) == ["stop", "warn", "note"]
        assert list(table.Name) == ["gap-over-limit", "post-extended", "grid-chosen"]
        assert table.iloc[0].description == (
            "The panel would hang 0.31 m above the ground. "
            "Allow a larger gap_max_m, a finer increment_m, or fill the hollow."
        )
        assert table[["value", "limit", "unit", "bay"]].iloc[0].tolist() == [0.31, 0.15, "m", "B021"]
        post = (plan.places.lon_deg[3], plan.places.lat_deg[3])
        assert table.geometry.iloc[1].coords[0] == pytest.approx(post, abs=1e-9)
        assert table.geometry.iloc[2] is None

    def test_a_plan_without_any_has_no_folder(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        root = _root(replace(plan, fence=replace(plan.fence, findings=())), tmp_path)
        assert "Findings" not in _all(root, "//x:Folder/x:name/text()")


class TestWhatItSays:
    def test_grid_datum_distances_and_cautions(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        (said,) = _all(_root(plan, tmp_path), "x:Document/x:description/text()")
        seen = " ".join(etree.fromstring(f"<p>{said}</p>", etree.HTMLParser()).itertext())
        for words in ("degrees, WGS 84", "EPSG:32630", "invented datum", "x ground distance", *plan.cautions):
            assert words in seen

    def test_colours_are_those_of_the_map(self, tmp_path: Path) -> None:
        look = MAP_STYLE.read_text(encoding="utf-8").lower()
        written = set(_all(_root(made_up_plan(), tmp_path), "//x:Style//x:color/text()"))
        assert len(written) > 12
        for colour in written:
            assert f"#{colour[6:8]}{colour[4:6]}{colour[2:4]}" in look

    def test_opacity_blue_green_red(self) -> None:
        (style,) = (style for style in kml_style.styles() if 'id="post-corner"' in style)
        assert "<color>ffb27200</color>" in style  # the corner posts' blue, 0072b2


def _balloons(root: Any) -> Iterator[str]:
    """The HTML that a viewer makes: each description, as every style's balloon asks for it and for nothing else."""
    assert set(_all(root, "//x:BalloonStyle/x:text/text()")) == {"$[description]"}
    assert len(_all(root, "//x:Style")) == len(_all(root, "//x:Style/x:BalloonStyle"))
    yield from _all(root, "//x:description/text()")


class TestHostileText:
    def test_names_come_back_on_one_line(self, tmp_path: Path) -> None:
        plan = replace(hostile_plan(), zones=_zoned(name=" ".join(HOSTILE)).zones)
        root = _root(plan, tmp_path)
        flat = " ".join(HOSTILE).replace("\n", " ")
        assert _all(root, "x:Document/x:name/text()") == [flat]
        assert _all(root, "//x:Folder[x:name='Zones']/x:Placemark/x:name/text()") == [flat]

    def test_no_markup_of_it_reaches_a_balloon(self, tmp_path: Path) -> None:
        plan = replace(hostile_plan(), zones=_zoned(name=" ".join(HOSTILE), rule="<i>$[name]</i>").zones)
        plan = with_gate(plan, name=" ".join(HOSTILE))
        for said in _balloons(_root(plan, tmp_path)):
            page = etree.fromstring(f"<div>{said}</div>", etree.HTMLParser())
            assert {element.tag for element in page.iter()} <= {"html", "body", "div", "b", "br"}
            assert not re.search(r"\$\[", said)

    def test_its_words_are_read_in_a_balloon(self, tmp_path: Path) -> None:
        plan = hostile_plan()
        balloons = _balloons(_root(plan, tmp_path))
        seen = ["".join(etree.fromstring(f"<p>{said}</p>", etree.HTMLParser()).itertext()) for said in balloons]
        assert any(" ".join(HOSTILE) in words for words in seen)
        assert any(words.endswith(". -x") for words in seen)

    def test_values_come_back(self, tmp_path: Path) -> None:
        plan = hostile_plan()
        code = "%s <&> ]]> \x00 \udcff " + "x" * 300
        plan = replace(plan, fence=replace(plan.fence, findings=(replace(plan.fence.findings[-1], code=code),)))
        kept = code.replace("\0", "\ufffd").replace("\udcff", "\ufffd")
        assert _all(_root(plan, tmp_path), "//x:SimpleData[@name='code']/text()") == [kept]
