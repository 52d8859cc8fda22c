"""Zones from files: what is read, what it is called, and what is refused."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS

from geofence.errors import GeofenceError, GridError, InputError, JobError
from geofence.inputs.zones import read_zone

GRID = CRS(32630)
SQUARE = shapely.box(560_000, 5_800_000, 560_010, 5_800_010)
PIPE = shapely.LineString([(560_000, 5_800_000), (560_050, 5_800_020)])


def written(
    file: Path,
    *shapes: object,
    crs: CRS | None = GRID,
    layer: str | None = None,
    append: bool = False,
    **fields: list[object],
) -> Path:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "'crs' was not provided")
        columns = [np.array(values, dtype=object) for values in fields.values()]
        pyogrio.raw.write(
            file, geometry=shapely.to_wkb(list(shapes)), field_data=columns, fields=list(fields),
            crs=None if crs is None else crs.to_wkt(), geometry_type="Unknown",
            layer=layer or file.stem, append=append,
        )  # fmt: skip
    return file


def geojson(file: Path, *features: tuple[object, dict[str, object]], **members: object) -> Path:
    rows = [{"type": "Feature", "properties": properties, "geometry": geometry} for geometry, properties in features]
    file.write_text(json.dumps({"type": "FeatureCollection", **members, "features": rows}), encoding="utf-8")
    return file


POINT = {"type": "Point", "coordinates": [-2.1, 52.3]}


class TestShapes:
    def test_of_any_kind(self, tmp_path: Path) -> None:
        many = shapely.MultiPolygon([SQUARE, shapely.box(560_020, 5_800_000, 560_030, 5_800_010)])
        mixed = shapely.GeometryCollection([SQUARE, PIPE])
        file = written(tmp_path / "z.gpkg", SQUARE, PIPE, SQUARE.centroid, many, mixed)
        found = read_zone(file).drawing
        assert [shape.geom_type for shape in found.shapes] == [
            "Polygon", "LineString", "Point", "MultiPolygon", "GeometryCollection",
        ]  # fmt: skip
        assert found.crs.equals(GRID)
        assert found.shapes[0].equals(SQUARE)

    def test_third_coordinates_are_left_out(self, tmp_path: Path) -> None:
        file = written(tmp_path / "z.gpkg", shapely.LineString([(560_000, 5_800_000, 7), (560_010, 5_800_000, 9)]))
        assert not shapely.has_z(read_zone(file).drawing.shapes[0])

    def test_areas_that_cross_themselves_are_taken_apart_and_told(self, tmp_path: Path) -> None:
        bow = shapely.Polygon([(560_000, 5_800_000), (560_010, 5_800_010), (560_010, 5_800_000), (560_000, 5_800_010)])
        found = read_zone(written(tmp_path / "z.gpkg", bow))
        assert found.drawing.shapes[0].area == pytest.approx(50.0)
        assert [item.code for item in found.findings] == ["zone-mended"]

    def test_features_without_geometry_are_passed_over_and_told(self, tmp_path: Path) -> None:
        file = geojson(tmp_path / "z.geojson", (None, {"name": "a"}), (POINT, {"name": "b"}))
        found = read_zone(file)
        assert found.drawing.names == ("b",)
        assert [item.code for item in found.findings] == ["null-geometry"]


class TestNames:
    def test_come_from_a_field(self, tmp_path: Path) -> None:
        file = written(tmp_path / "z.gpkg", SQUARE, PIPE, ref=["r1", "r2"], NAME=["gas", None])
        assert read_zone(file).drawing.names == ("gas", "feature 2")

    def test_are_numbers_where_there_is_no_field(self, tmp_path: Path) -> None:
        assert read_zone(written(tmp_path / "z.gpkg", SQUARE, PIPE)).drawing.names == ("feature 1", "feature 2")

    def test_are_empty_where_a_feature_is_alone(self, tmp_path: Path) -> None:
        assert read_zone(written(tmp_path / "z.gpkg", SQUARE)).drawing.names == ("",)

    def test_may_be_numbers(self, tmp_path: Path) -> None:
        file = geojson(tmp_path / "z.geojson", (POINT, {"id": 17}), (POINT, {"id": 18}))
        assert read_zone(file).drawing.names == ("17", "18")


class TestGrids:
    def test_plain_geojson_is_in_degrees(self, tmp_path: Path) -> None:
        assert read_zone(geojson(tmp_path / "z.geojson", (POINT, {}))).drawing.crs.is_geographic

    def test_a_stated_grid_counts(self, tmp_path: Path) -> None:
        place = {"type": "Point", "coordinates": [560_000.0, 5_800_000.0]}
        old = geojson(
            tmp_path / "old.geojson", (place, {}),
            crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32630"}},
        )  # fmt: skip
        assert read_zone(old).drawing.crs.to_epsg() == 32630
        assert read_zone(geojson(tmp_path / "z.geojson", (place, {})), grid="EPSG:32630").drawing.crs.to_epsg() == 32630
        bare = written(tmp_path / "z.shp", SQUARE, crs=None)
        assert read_zone(bare, grid="EPSG:32630").drawing.crs.to_epsg() == 32630


class TestRefused:
    @pytest.mark.parametrize(
        ("make", "error", "says"),
        [
            (lambda folder: folder / "no.gpkg", InputError, "no such file"),
            (lambda folder: folder, InputError, "is a folder"),
            (lambda folder: _text(folder / "z.gpkg", ""), InputError, "is an empty file"),
            (lambda folder: _text(folder / "z.gpkg", "not a zone"), InputError, "no vector file"),
            (lambda folder: _text(folder / "z.geojson", "{"), InputError, "is no JSON"),
            (lambda folder: geojson(folder / "z.geojson"), InputError, "holds no shape"),
            (lambda folder: geojson(folder / "z.geojson", (None, {})), InputError, "holds no shape"),
            (lambda folder: written(folder / "z.shp", SQUARE, crs=None), GridError, r"zone\[2\].grid"),
            (
                lambda folder: geojson(folder / "z.geojson", ({"type": "Point", "coordinates": [5e5, 5e6]}, {})),
                GridError,
                "look like metres",
            ),
        ],
        ids=["missing", "folder", "empty", "damaged", "truncated", "no feature", "no geometry", "no grid", "metres"],
    )
    def test_with_a_remedy(self, tmp_path: Path, make: object, error: type[GeofenceError], says: str) -> None:
        with pytest.raises(error, match=says) as caught:
            read_zone(make(tmp_path), place="zone[2]")  # type: ignore[operator]
        assert caught.value.remedy

    def test_two_grids(self, tmp_path: Path) -> None:
        file = written(tmp_path / "z.gpkg", SQUARE)
        with pytest.raises(GridError, match=r"zone\.grid"):
            read_zone(file, grid="EPSG:27700")

    def test_layers_that_are_not_certain(self, tmp_path: Path) -> None:
        file = written(tmp_path / "z.gpkg", SQUARE, layer="pits")
        written(file, PIPE, layer="pipes", append=True)
        with pytest.raises(JobError, match=r"zone\[2\]\.layer.*has 2 layers") as caught:
            read_zone(file, place="zone[2]")
        assert "pits, pipes" in caught.value.remedy
        with pytest.raises(JobError, match="no layer 'pipe'") as caught:
            read_zone(file, layer="pipe")
        assert "Did you mean pipes?" in caught.value.remedy
        assert read_zone(file, layer="pipes").drawing.shapes[0].geom_type == "LineString"


def _text(file: Path, text: str) -> Path:
    file.write_text(text, encoding="utf-8")
    return file
