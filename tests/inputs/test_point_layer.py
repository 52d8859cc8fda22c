"""Layers of points. The files are written by GDAL, or by hand; expected numbers are those written."""

from __future__ import annotations

import json
import sqlite3
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS

from geofence.errors import GridError, InputError, JobError
from geofence.inputs.point_layer import read_point_layer

PLACES = np.array([(432101.25, 208330.5, 71.125), (432110.0, 208331.75, -0.5), (432120.5, 208340.0, 0.0)])


def write_layer(
    file: Path, geometry: Any = None, *, crs: str | None = "EPSG:27700", layer: str | None = None, append: bool = False,
    kind: str = "Point Z", **fields: Any,
) -> Path:  # fmt: skip
    points = shapely.points(PLACES) if geometry is None else geometry
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.raw.write(
            file,
            geometry=shapely.to_wkb(np.asarray(points, dtype=object)),
            field_data=[np.asarray(values) for values in fields.values()],
            fields=list(fields),
            crs=crs,
            geometry_type=kind,
            layer=layer or file.stem,
            append=append,
        )
    return file


def flat(places: Any = PLACES) -> Any:
    return shapely.points(np.asarray(places)[:, :2])


def geojson(file: Path, *geometries: Any, **members: Any) -> Path:
    features = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features, **members}))
    return file


def point(*position: float) -> dict[str, Any]:
    return {"type": "Point", "coordinates": list(position)}


class TestLevels:
    @pytest.mark.parametrize("name", ["points.gpkg", "points.shp", "points.fgb"])
    def test_are_z(self, tmp_path, name):
        found = read_point_layer(write_layer(tmp_path / name, code=["GL", "TB", ""]))
        order = np.argsort(-found.level)  # FlatGeobuf keeps its features in an order of its own
        assert np.column_stack([found.x, found.y, found.level])[order].tolist() == PLACES[[0, 2, 1]].tolist()
        assert found.level_from == "Z"
        assert found.code is not None
        assert set(found.code) == {"GL", "TB", ""}
        assert found.crs == CRS(27700)

    def test_are_a_field_where_the_job_says_so(self, tmp_path):
        file = write_layer(tmp_path / "points.gpkg", flat(), kind="Point", rl=[1.5, np.nan, 3.0])
        found = read_point_layer(file, level_field="rl")
        np.testing.assert_array_equal(found.level, [1.5, np.nan, 3.0])
        assert found.level_from == "field rl"

    def test_none_is_never_zero(self, tmp_path):
        file = geojson(tmp_path / "points.geojson", point(1, 52, 7), point(1.001, 52), None, point(1.002, 52, 0))
        found = read_point_layer(file)
        np.testing.assert_array_equal(found.level, [7, np.nan, 0])
        assert found.feature.tolist() == [1, 2, 4]

    @pytest.mark.parametrize(
        ("geometry", "kind", "why"),
        [
            (flat(), "Point", "they have no Z"),
            (shapely.points(PLACES * (1, 1, 0)), "Point Z", "their Z is 0 throughout, which is no level"),
        ],
    )
    def test_are_asked_for_where_there_are_none(self, tmp_path, geometry, kind, why):
        file = write_layer(tmp_path / "points.gpkg", geometry, kind=kind, rl=[1.0, 2.0, 3.0], note=["a", "b", "c"])
        with pytest.raises(JobError) as caught:
            read_point_layer(file)
        assert str(caught.value) == (
            f"ground.level_field: the points of points.gpkg have no levels: {why}. "
            "Name the field that holds them; its number fields: rl."
        )

    @pytest.mark.parametrize(("field", "says"), [("r1", "no field 'r1'. Known: rl"), ("note", "no number 'note'")])
    def test_from_a_field_that_is_not_there(self, tmp_path, field, says):
        file = write_layer(tmp_path / "points.gpkg", flat(), kind="Point", rl=[1.0, 2.0, 3.0], note=["a", "b", "c"])
        with pytest.raises(JobError, match=says):
            read_point_layer(file, level_field=field)

    def test_half_a_multipoint_without(self, tmp_path):
        """GDAL reads the second position as level 0."""
        many = {"type": "MultiPoint", "coordinates": [[1, 52, 7], [1, 53]]}
        file = geojson(tmp_path / "points.geojson", many)
        with pytest.raises(InputError, match=r"features\[0\]\.geometry\.coordinates: some positions of a MultiPoint"):
            read_point_layer(file)


class TestGeometry:
    def test_multipoints_are_taken_apart(self, tmp_path):
        many = {"type": "MultiPoint", "coordinates": [[1, 52, 7], [1.5, 53, 8]]}
        found = read_point_layer(geojson(tmp_path / "points.geojson", point(2, 50, 1), many))
        assert found.level.tolist() == [1, 7, 8]
        assert found.feature.tolist() == [1, 2, 2]

    def test_lines_are_refused(self, tmp_path):
        file = geojson(
            tmp_path / "points.geojson", point(1, 52, 7), {"type": "LineString", "coordinates": [[1, 2], [3, 4]]}
        )
        with pytest.raises(InputError, match=r"feature 2: holds no points to survey by, but LineString"):
            read_point_layer(file)

    def test_nothing_is_refused(self, tmp_path):
        with pytest.raises(InputError, match="holds no points to survey by, but no geometry"):
            read_point_layer(geojson(tmp_path / "points.geojson", None))


class TestLayersAndGrids:
    def test_the_one_layer_with_points_is_taken(self, tmp_path):
        file = write_layer(
            tmp_path / "site.gpkg", [shapely.LineString([(0, 0), (1, 1)])], kind="LineString", layer="line"
        )
        write_layer(file, layer="shots", append=True)
        assert read_point_layer(file).layer == "shots"

    def test_of_several_one_is_asked_for(self, tmp_path):
        file = write_layer(tmp_path / "site.gpkg", layer="monday")
        write_layer(file, layer="tuesday", append=True)
        with pytest.raises(JobError, match=r"ground\.layer: site\.gpkg has 2 layers\. Name one of: monday, tuesday"):
            read_point_layer(file)
        assert read_point_layer(file, layer="tuesday").layer == "tuesday"
        with pytest.raises(JobError, match=r"no layer 'munday'\. Did you mean monday"):
            read_point_layer(file, layer="munday")

    def test_geojson_is_in_degrees_unless_it_or_the_job_says_otherwise(self, tmp_path):
        file = geojson(tmp_path / "points.geojson", point(1, 52, 7))
        assert read_point_layer(file).crs.is_geographic
        assert read_point_layer(file, grid="EPSG:27700").crs is None
        named = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}}
        file = geojson(tmp_path / "old.geojson", point(432101, 208330, 7), crs=named)
        assert read_point_layer(file).crs == CRS(27700)

    def test_no_grid_is_none(self, tmp_path):
        assert read_point_layer(write_layer(tmp_path / "points.shp", crs=None)).crs is None
        assert read_point_layer(write_layer(tmp_path / "points.gpkg", crs=None)).crs is None

    def test_a_grid_by_a_code_that_is_not_known_is_told(self, tmp_path):
        """As a file by a newer GDAL may have it."""
        file = write_layer(tmp_path / "points.gpkg")
        wkt = CRS(27700).to_wkt("WKT1_GDAL").replace('AUTHORITY["EPSG","27700"]', 'AUTHORITY["EPSG","999"]')
        with sqlite3.connect(file) as base:
            base.execute(
                "update gpkg_spatial_ref_sys set organization_coordsys_id = 999, definition = ? where srs_id = 27700",
                (wkt,),
            )
        base.close()
        with pytest.raises(
            GridError, match=r"points\.gpkg: the file says its grid is 'EPSG:999', which PROJ does not k"
        ):
            read_point_layer(file)

    @pytest.mark.parametrize("name", ["points.gpkg", "points.shp", "points.geojson"])
    def test_damaged(self, tmp_path, name):
        (tmp_path / name).write_bytes(b"not this at all")
        with pytest.raises(InputError):
            read_point_layer(tmp_path / name)
