"""Reading boundaries: files are written by GDAL, by hand or by sqlite3, and read as a user would pass them."""

from __future__ import annotations

import json
import shutil
import sqlite3
import struct
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS

from geofence.errors import GeofenceError, GridError, InputError
from geofence.inputs.vectors import Boundary, read_boundary

SQUARE = [(400_000.0, 100_000.0), (400_000.0, 100_050.0), (400_050.0, 100_050.0), (400_050.0, 100_000.0)]
LINE = SQUARE[:3]
DEGREES = [(-2.0, 51.0), (-2.001, 51.0), (-2.001, 51.001)]


def write(
    file: Path, *shapes: shapely.Geometry | None, grid: str | None = "EPSG:27700", kind: str = "Unknown", **options: Any
) -> Path:
    # in an array of objects, since numpy would take one multi-part geometry apart
    held = np.empty(len(shapes), dtype=object)
    held[:] = shapes
    wkb = shapely.to_wkb(held, output_dimension=4, flavor="iso")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # pyogrio's word on a missing grid
        pyogrio.raw.write(file, wkb, [], [], crs=grid, geometry_type=kind, **options)
    return file


def geojson(file: Path, content: Any) -> Path:
    file.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return file


def feature(kind: str = "LineString", coordinates: Any = DEGREES) -> dict[str, Any]:
    return {"type": "Feature", "properties": {}, "geometry": {"type": kind, "coordinates": coordinates}}


def collection_feature(ring: list[tuple[float, float]] | None, name: str | None, *holes: Any) -> dict[str, Any]:
    """A field with its name in the property ``field``."""
    rings = None if ring is None else [[*each, each[0]] for each in (ring, *holes)]
    shape = None if rings is None else {"type": "Polygon", "coordinates": rings}
    return {"type": "Feature", "properties": {"field": name}, "geometry": shape}


def collection(*features: Any, **members: Any) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features), **members}


def named(name: str) -> dict[str, Any]:
    return {"type": "name", "properties": {"name": name}}


def corners(boundary: Boundary) -> list[list[tuple[float, ...]]]:
    return [[tuple(corner) for corner in part.tolist()] for part in boundary.parts]


def codes(boundary: Boundary) -> list[str]:
    return [finding.code for finding in boundary.findings]


def refusal(file: Path, **options: Any) -> str:
    with pytest.raises(GeofenceError) as caught:
        read_boundary(file, **options)
    return str(caught.value)


class TestShapes:
    @pytest.mark.parametrize("suffix", ["gpkg", "shp", "fgb"])
    def test_a_line(self, tmp_path: Path, suffix: str) -> None:
        file = write(tmp_path / f"line.{suffix}", shapely.LineString(LINE), kind="LineString")
        boundary = read_boundary(file)
        assert corners(boundary) == [LINE]
        assert boundary.crs.to_epsg() == 27700
        assert boundary.findings == ()

    def test_a_polygon_with_a_hole_is_two_rings(self, tmp_path: Path) -> None:
        inner = [(400_010.0, 100_010.0), (400_020.0, 100_010.0), (400_020.0, 100_020.0)]
        boundary = read_boundary(write(tmp_path / "a.gpkg", shapely.Polygon(SQUARE, [inner])))
        assert corners(boundary) == [[*SQUARE, SQUARE[0]], [*inner, inner[0]]]

    def test_parts_features_and_collections_in_the_order_of_the_file(self, tmp_path: Path) -> None:
        one, two, three, four = (shapely.LineString([(x, 0), (x + 5, 0)]) for x in range(400_000, 400_040, 10))
        boundary = read_boundary(
            write(
                tmp_path / "a.gpkg",
                shapely.MultiLineString([one, two]),
                shapely.GeometryCollection([shapely.Point(400_000, 0), shapely.MultiLineString([three])]),
                four,
            )
        )
        assert [part[0, 0] for part in boundary.parts] == [400_000, 400_010, 400_020, 400_030]
        several, finding = boundary.findings
        assert several.message == "All 3 features of the boundary's file are fenced; line.feature chooses one"
        assert (finding.code, finding.severity) == ("geometry-passed-over", "note")
        assert finding.message == "1 Point in the boundary's file is no line and was passed over"

    def test_null_and_empty_geometries_are_counted(self, tmp_path: Path) -> None:
        boundary = read_boundary(write(tmp_path / "a.gpkg", None, shapely.LineString(LINE), shapely.LineString()))
        assert corners(boundary) == [LINE]
        (finding,) = boundary.findings
        assert finding.message == "2 of 3 features have no geometry"

    def test_levels_are_passed_over_with_a_note(self, tmp_path: Path) -> None:
        boundary = read_boundary(write(tmp_path / "a.gpkg", shapely.LineString([(*corner, 80.0) for corner in LINE])))
        assert corners(boundary) == [LINE]
        assert codes(boundary) == ["line-levels-ignored"]

    def test_measures_are_passed_over(self, tmp_path: Path) -> None:
        both = shapely.from_wkt("LINESTRING ZM (400000 100000 80 1, 400000 100050 81 2)")
        assert corners(read_boundary(write(tmp_path / "a.gpkg", both))) == [LINE[:2]]
        measured = shapely.from_wkt("LINESTRING M (400000 100000 1, 400000 100050 2)")
        boundary = read_boundary(write(tmp_path / "b.gpkg", measured))
        assert corners(boundary) == [LINE[:2]]
        assert boundary.findings == ()

    def test_only_points(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.Point(400_000, 0), shapely.MultiPoint([(400_000, 0), (400_001, 0)]))
        assert refusal(file) == ("a.gpkg: holds no line, only 3 Point. Draw the boundary as a line or polygon.")

    def test_only_nulls(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", None)
        assert refusal(file) == "a.gpkg: holds no line, only no geometry. Draw the boundary as a line or polygon."

    def test_no_feature(self, tmp_path: Path) -> None:
        assert refusal(write(tmp_path / "a.gpkg")) == (
            "a.gpkg: is empty: no feature. Draw the boundary as a line or polygon."
        )

    def test_a_coordinate_that_is_no_number(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE), shapely.LineString(LINE))
        with sqlite3.connect(file) as base:
            _replace_geometry(base, struct.pack("<BII6d", 1, 2, 3, *LINE[0], *LINE[1], np.nan, 5.0), fid=2)
        assert refusal(file) == (
            "a.gpkg, line 2, vertex 3: a coordinate is not a number: (nan, 5.0). "
            "Mend the vertex where the boundary was drawn."
        )

    def test_one_vertex(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE), shapely.LineString(LINE))
        with sqlite3.connect(file) as base:
            one = struct.pack("<BII2d", 1, 2, 1, 400_000.0, 100_000.0)
            _replace_geometry(base, one, fid=2)
        assert refusal(file) == (
            "a.gpkg, feature 2: is damaged: a line of one vertex, or a ring that does not close. Draw it anew."
        )


class TestFeatures:
    @pytest.fixture
    def file(self, tmp_path: Path) -> Path:
        return write(tmp_path / "a.gpkg", shapely.LineString(LINE), shapely.LineString(LINE[::-1]))

    def test_one_of_them(self, file: Path) -> None:
        assert corners(read_boundary(file, feature=2)) == [LINE[::-1]]

    @pytest.mark.parametrize("number", [-1, 0, 3])
    def test_counts_from_one(self, file: Path, number: int) -> None:
        assert refusal(file, feature=number) == (
            f"a.gpkg, line.feature: has no such feature: {number}, limit 2. Count from 1."
        )


class TestEachFeatureALine:
    @pytest.fixture
    def file(self, tmp_path: Path) -> Path:
        """Two fields, the first with a hole, and one without a geometry between them."""
        inner = [(400_010.0, 100_010.0), (400_020.0, 100_010.0), (400_020.0, 100_020.0)]
        fields = [
            collection_feature(SQUARE, "A", inner),
            collection_feature(None, "B"),
            collection_feature(SQUARE, None),
        ]
        return geojson(tmp_path / "a.geojson", collection(*fields, crs=named("EPSG:27700")))

    def test_parts_say_whose_they_are_and_lines_have_the_field_s_names(self, file: Path) -> None:
        boundary = read_boundary(file, features="each", name_field="field")
        assert boundary.names == ("A", "")
        assert boundary.of == (0, 0, 1)
        assert codes(boundary) == ["null-geometry", "geojson-grid"]  # and not that several features are fenced

    def test_together_they_are_one(self, file: Path) -> None:
        boundary = read_boundary(file)
        assert (boundary.names, boundary.of) == (("",), (0, 0, 0))

    def test_a_mistyped_field_is_told_with_the_table_that_names_it(self, file: Path) -> None:
        assert refusal(file, features="each", name_field="feild", table="line[2]") == (
            "a.geojson, line[2].name_field: has no field 'feild'. Did you mean field?"
        )


class TestLayers:
    @pytest.fixture
    def file(self, tmp_path: Path) -> Path:
        write(tmp_path / "a.gpkg", shapely.LineString(LINE), layer="fence line")
        return write(tmp_path / "a.gpkg", shapely.LineString(LINE[::-1]), layer='the "old" one', append=True)

    def test_chosen(self, file: Path) -> None:
        assert corners(read_boundary(file, layer='the "old" one')) == [LINE[::-1]]

    def test_several_and_none_chosen(self, file: Path) -> None:
        assert refusal(file) == 'line.layer: a.gpkg has 2 layers. Name one of: fence line, the "old" one.'

    def test_mistyped(self, file: Path) -> None:
        assert refusal(file, layer="fence lime") == (
            "line.layer: a.gpkg has no layer 'fence lime'. Did you mean fence line?"
        )


def _replace_geometry(base: sqlite3.Connection, wkb: bytes, *, fid: int = 1, kind: str | None = None) -> None:
    """Put a geometry into a GeoPackage (OGC 12-128, 2.1.3) without a library."""
    (layer,) = base.execute("select replace(table_name, '\"', '\"\"') from gpkg_contents").fetchone()
    for (trigger,) in base.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        base.execute('drop trigger "{}"'.format(trigger.replace('"', '""')))
    head = b"GP\0\1" + struct.pack("<i", 27700)
    base.execute(f'update "{layer}" set geom = ? where fid = ?', (head + wkb, fid))
    if kind is not None:
        base.execute("update gpkg_geometry_columns set geometry_type_name = ?", (kind,))


class TestCurves:
    """A half circle of radius 100 m: each vertex on it, and no chord further inside than r (1 - cos(step / 2))."""

    CENTRE = (400_100.0, 100_000.0)
    HALF = struct.pack("<BII6d", 1, 8, 3, 400_000.0, 100_000.0, 400_100.0, 100_100.0, 400_200.0, 100_000.0)
    CIRCLE = struct.pack(
        "<BII10d", 1, 8, 5, *(400_000.0, 100_000.0, 400_100.0, 100_100.0), *(400_200.0, 100_000.0),
        *(400_100.0, 99_900.0, 400_000.0, 100_000.0),
    )  # fmt: skip

    def check(self, boundary: Boundary, *, turn_deg: float) -> None:
        assert "curve-linearised" in codes(boundary)
        (part,) = boundary.parts
        radius = np.hypot(*(part - self.CENTRE).T)
        assert radius == pytest.approx(np.full(len(part), 100.0), abs=1e-6)
        middle = np.hypot(*((part[1:] + part[:-1]) / 2 - self.CENTRE).T)
        tolerance = 100 * (1 - np.cos(np.radians(0.25)))
        assert 100 - middle.min() <= tolerance * 1.01
        assert len(part) == pytest.approx(turn_deg / 0.5 + 1, abs=2)

    @pytest.mark.parametrize(
        ("kind", "layer"),
        [("CIRCULARSTRING", "a"), ("CURVE", "a"), ("GEOMETRY", "a"), ("CURVE", 'the "old" one')],
    )
    @pytest.mark.filterwarnings("ignore")
    def test_in_a_geopackage(self, tmp_path: Path, kind: str, layer: str) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE), kind="LineString", layer=layer)
        with sqlite3.connect(file) as base:
            _replace_geometry(base, self.HALF, kind=kind)
        self.check(read_boundary(file), turn_deg=180)

    @pytest.mark.filterwarnings("ignore")
    def test_a_curved_polygon(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE))
        with sqlite3.connect(file) as base:
            _replace_geometry(base, struct.pack("<BII", 1, 10, 1) + self.CIRCLE, kind="CURVEPOLYGON")
        boundary = read_boundary(file)
        self.check(boundary, turn_deg=360)
        assert np.array_equal(boundary.parts[0][0], boundary.parts[0][-1])

    def test_among_lines_in_text(self, tmp_path: Path) -> None:
        file = tmp_path / "a.csv"
        file.write_text('WKT,n\n"CIRCULARSTRING (400000 100000,400100 100100,400200 100000)",1\n')
        self.check(read_boundary(file, grid="EPSG:27700"), turn_deg=180)

    def test_an_arc_in_a_drawing(self, tmp_path: Path) -> None:
        pairs = [
            *((0, "SECTION"), (2, "ENTITIES"), (0, "ARC"), (8, "FENCE"), (10, 400100.0), (20, 100000.0), (30, 0.0)),
            *((40, 100.0), (50, 0.0), (51, 180.0), (0, "ENDSEC"), (0, "EOF")),
        ]
        file = tmp_path / "a.dxf"
        file.write_text("".join(f"{code}\n{value}\n" for code, value in pairs))
        self.check(read_boundary(file, grid="EPSG:27700"), turn_deg=180)

    def test_gdals_own_step_is_put_back(self, tmp_path: Path) -> None:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": "7"})
        try:
            read_boundary(write(tmp_path / "a.gpkg", shapely.LineString(LINE)))
            assert pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE") == 7
        finally:
            pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": None})


class TestGrids:
    def test_none(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.shp", shapely.LineString(LINE), grid=None, kind="LineString")
        assert not file.with_suffix(".prj").exists()
        assert refusal(file) == (
            "a.shp: the file does not say which grid it is in. "
            'Set line.grid, for instance grid = "EPSG:27700", also where that is the working grid.'
        )
        assert read_boundary(file, grid="EPSG:27700").crs.to_epsg() == 27700

    @pytest.mark.parametrize("text", ["not a grid", 'LOCAL_CS["site grid",UNIT["metre",1]]'])
    def test_a_prj_that_says_nothing(self, tmp_path: Path, text: str) -> None:
        file = write(tmp_path / "a.shp", shapely.LineString(LINE), kind="LineString")
        file.with_suffix(".prj").write_text(text)
        assert "does not say which grid" in refusal(file)
        assert read_boundary(file, grid="EPSG:27700").crs.to_epsg() == 27700

    def test_a_prj_that_lies(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.shp", shapely.LineString(LINE), grid="EPSG:4326", kind="LineString")
        assert refusal(file) == (
            "a.shp: coordinates cannot be in WGS 84: the first is (400000, 100000). "
            "They look like metres or feet: set the file's own grid to the projected grid they are in."
        )

    @pytest.mark.parametrize("code", [27700, 2193, 2229, 31467, 27572])
    def test_stated_twice_alike(self, tmp_path: Path, code: int) -> None:
        grid = CRS(code)
        west, south, east, north = grid.area_of_use.bounds
        x, y = _transformed(grid, (west + east) / 2, (south + north) / 2)
        file = write(
            tmp_path / "a.shp", shapely.LineString([(x, y), (x + 9, y)]), grid=grid.to_wkt(), kind="LineString"
        )
        assert read_boundary(file, grid=f"EPSG:{code}").crs.is_projected

    def test_stated_twice_under_two_names(self, tmp_path: Path) -> None:
        """New Zealand's grid lists northing first; a .prj with a name of its own lists easting first."""
        file = write(
            tmp_path / "a.shp", shapely.LineString([(1.6e6, 5.4e6), (1.6e6 + 9, 5.4e6)]), grid=None, kind="LineString"
        )
        own = CRS(2193).to_wkt("WKT1_ESRI").replace("NZGD_2000_New_Zealand_Transverse_Mercator", "our grid")
        assert "our grid" in own
        file.with_suffix(".prj").write_text(own)
        assert not read_boundary(file).crs.equals(CRS(2193), ignore_axis_order=True)
        assert read_boundary(file, grid="EPSG:2193").crs.is_projected

    def test_stated_twice_unlike(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE))
        assert refusal(file, grid="EPSG:32630") == (
            "a.gpkg: the file says its grid is OSGB36 / British National Grid, the job says WGS 84 / UTM zone 30N. "
            "Leave line.grid out; or, if the file is wrong, mend the file."
        )

    def test_unknown(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.shp", shapely.LineString(LINE), grid=None, kind="LineString")
        assert refusal(file, grid="EPSG:1").startswith("line.grid: 'EPSG:1' names no grid that PROJ knows.")

    def test_compound(self, tmp_path: Path) -> None:
        boundary = read_boundary(write(tmp_path / "a.gpkg", shapely.LineString(LINE), grid="EPSG:7405"))
        assert boundary.crs.to_epsg() == 27700

    def test_a_shift_in_the_prj_is_kept(self, tmp_path: Path) -> None:
        file = write(
            tmp_path / "a.shp", shapely.LineString([(3.5e6, 5.5e6), (3.5e6 + 9, 5.5e6)]), grid=None, kind="LineString"
        )
        file.with_suffix(".prj").write_text(
            'PROJCS["own",GEOGCS["own",DATUM["D_own",SPHEROID["Bessel",6377397.155,299.1528128],'
            'TOWGS84[598,73,418,0.2,0.04,-2.4,6.7]],PRIMEM["Greenwich",0],UNIT["Degree",0.0174532925199433]],'
            'PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],'
            'PARAMETER["scale_factor",1],PARAMETER["false_easting",3500000],PARAMETER["false_northing",0],'
            'UNIT["Meter",1]]'
        )
        assert read_boundary(file).crs.is_bound


def _transformed(grid: CRS, lon: float, lat: float) -> tuple[float, float]:
    from pyproj import Transformer

    x, y = Transformer.from_crs(4326, grid, always_xy=True).transform(lon, lat)
    return float(x), float(y)


class TestFiles:
    def test_missing(self, tmp_path: Path) -> None:
        file = tmp_path / "a.gpkg"
        assert refusal(file) == f"{file}: there is no such file. Check line.file; paths start at the job file."

    @pytest.mark.parametrize("name", ["a.geojson", "a.gdb", "a"])
    def test_a_folder(self, tmp_path: Path, name: str) -> None:
        (tmp_path / name).mkdir()
        assert refusal(tmp_path / name) == (
            f"{tmp_path / name}: is a folder, not a file. Name the file in it, or save what it holds as a GeoPackage."
        )

    @pytest.mark.parametrize("name", ["a.geojson", "a.gpkg", "a.shp", "a.dxf"])
    def test_without_a_byte(self, tmp_path: Path, name: str) -> None:
        (tmp_path / name).touch()
        assert refusal(tmp_path / name) == f"{name}: is an empty file. Copy or save it anew."

    @pytest.mark.parametrize(
        ("name", "content"),
        [
            ("a.txt", b"a line from here to there"),
            ("a.gpkg", b"SQLite format 3\0" + b"x" * 500),
            ("a.tif", b"II*\0" + bytes(200)),
            ("a.shp", b"\0\0\x27\x0a" + bytes(40)),
        ],
    )
    @pytest.mark.filterwarnings("ignore")
    def test_what_is_no_vector_file(self, tmp_path: Path, name: str, content: bytes) -> None:
        (tmp_path / name).write_bytes(content)
        assert refusal(tmp_path / name) == (
            f"{name}: is no vector file that can be read, or is damaged. "
            "Give a GeoJSON, GeoPackage, shapefile, DXF or another vector file."
        )

    def test_cut_short(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.gpkg", shapely.LineString(LINE))
        file.write_bytes(file.read_bytes()[:20_000])
        with pytest.raises(InputError):
            read_boundary(file)

    def test_a_shapefile_without_its_index(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.shp", shapely.LineString(LINE), kind="LineString")
        file.with_suffix(".shx").unlink()
        assert refusal(file).startswith("a.shp: is no vector file that can be read, or is damaged.")

    def test_a_raster(self, tmp_path: Path) -> None:
        import rasterio

        file = tmp_path / "a.tif"
        with rasterio.open(
            file, "w", driver="GTiff", width=4, height=4, count=1, dtype="float32", crs="EPSG:27700",
            transform=rasterio.transform.from_origin(4e5, 1e5, 1, 1),
        ):  # fmt: skip
            pass
        assert refusal(file).startswith("a.tif: is no vector file that can be read")

    def test_a_table(self, tmp_path: Path) -> None:
        file = tmp_path / "a.csv"
        file.write_text("point,easting,northing\n1,400000,100000\n")
        assert refusal(file) == "a.csv: is a table without geometry. Give a file with the line drawn."

    def test_what_gdal_remarks_is_a_finding(self, tmp_path: Path) -> None:
        five = [[-2, 51, 1, 2, 3], [-2.001, 51, 1, 2, 3]]
        file = geojson(tmp_path / "a.geojson", collection(feature(coordinates=five)))
        remark = next(finding for finding in read_boundary(file).findings if finding.code == "file-remark")
        assert remark.severity == "note"
        assert remark.message.startswith("On reading the boundary's file GDAL remarks: ")
        assert "too many members" in remark.message

    def test_a_shapefile_in_a_zip(self, tmp_path: Path) -> None:
        (tmp_path / "in").mkdir()
        write(tmp_path / "in" / "a.shp", shapely.LineString(LINE), kind="LineString")
        file = Path(shutil.make_archive(str(tmp_path / "a"), "zip", tmp_path / "in"))
        assert corners(read_boundary(file)) == [LINE]


POSITION = "a position is two or three numbers: "


def nested(kind: str, shown: str) -> str:
    return f"the coordinates of a {kind} are nested wrongly: {shown}"


class TestGeoJson:
    def read(self, tmp_path: Path, content: Any, **options: Any) -> Boundary:
        return read_boundary(geojson(tmp_path / "a.geojson", content), **options)

    @pytest.mark.parametrize(
        "content",
        [
            collection(feature()),
            feature(),
            {"type": "LineString", "coordinates": DEGREES},
            {"type": "GeometryCollection", "geometries": [{"type": "LineString", "coordinates": DEGREES}]},
            "\ufeff" + json.dumps(collection(feature())),
            collection(feature(), crs=None),
            collection(feature(), crs=named("urn:ogc:def:crs:OGC:1.3:CRS84")),
            collection(feature(), crs=named("EPSG:4326")),
            collection({"type": "Feature", "properties": {"note": float("inf")}, "geometry": feature()["geometry"]}),
        ],
        ids=["collection", "feature", "geometry", "geometries", "BOM", "crs null", "crs CRS84", "crs 4326", "property"],
    )
    def test_in_degrees(self, tmp_path: Path, content: Any) -> None:
        boundary = self.read(tmp_path, content)
        assert corners(boundary) == [DEGREES]
        assert boundary.crs.is_geographic
        assert boundary.findings == ()

    @pytest.mark.parametrize(
        "name", ["EPSG:27700", "urn:ogc:def:crs:EPSG::27700", "http://www.opengis.net/def/crs/EPSG/0/27700"]
    )
    def test_a_grid_of_its_own(self, tmp_path: Path, name: str) -> None:
        boundary = self.read(tmp_path, collection(feature(coordinates=LINE), crs=named(name)))
        assert boundary.crs.to_epsg() == 27700
        (finding,) = boundary.findings
        assert (finding.code, finding.severity) == ("geojson-grid", "note")
        assert finding.message == (
            "The GeoJSON states its own grid, OSGB36 / British National Grid, as RFC 7946 no longer does"
        )

    @pytest.mark.parametrize(
        ("member", "shown"),
        [
            (named("EPSG:99999999"), '{"type": "name", "properties": {"name": "EPSG:99999999"}}'),
            ("EPSG:27700", '"EPSG:27700"'),
            ({"type": "link", "properties": {"href": "a.prj"}}, '{"type": "link", "properties": {"href": "a.prj"}}'),
            ({"type": "name"}, '{"type": "name"}'),
        ],
    )
    def test_a_grid_that_is_not_known(self, tmp_path: Path, member: Any, shown: str) -> None:
        """GDAL takes degrees in its place, in silence."""
        file = geojson(tmp_path / "a.geojson", collection(feature(), crs=member))
        assert refusal(file) == (
            f'a.geojson: its "crs" names no grid that is known: {shown}. '
            'Mend it, or take it out and set line.grid, for instance line.grid = "EPSG:27700".'
        )

    def test_the_jobs_grid_where_it_has_none(self, tmp_path: Path) -> None:
        boundary = self.read(tmp_path, collection(feature(coordinates=LINE)), grid="EPSG:27700")
        assert boundary.crs.to_epsg() == 27700
        assert boundary.findings == ()

    def test_two_grids(self, tmp_path: Path) -> None:
        file = geojson(tmp_path / "a.geojson", collection(feature(coordinates=LINE), crs=named("EPSG:27700")))
        assert read_boundary(file, grid="EPSG:27700").crs.to_epsg() == 27700
        with pytest.raises(GridError, match="the job says WGS 84 / UTM zone 30N"):
            read_boundary(file, grid="EPSG:32630")

    def test_metres_without_a_word(self, tmp_path: Path) -> None:
        file = geojson(tmp_path / "a.geojson", collection(feature(coordinates=LINE)))
        assert refusal(file) == (
            "a.geojson: coordinates cannot be in WGS 84: the first is (400000, 100000). "
            "They look like metres or feet: set line.grid to the projected grid they are in."
        )

    def test_latitude_first(self, tmp_path: Path) -> None:
        file = geojson(tmp_path / "a.geojson", feature(coordinates=[[-33.9, 151.2], [-33.91, 151.2]]))
        assert refusal(file).endswith("Longitude and latitude look swapped.")

    @pytest.mark.parametrize(
        ("geometry", "place", "message"),
        [
            (("LineString", [-2, 51, -2.1, 51]), ".coordinates[0]", nested("LineString", "-2.")),
            (("LineString", [DEGREES]), ".coordinates[0]", nested("LineString", "[[")),
            (("LineString", None), ".coordinates", nested("LineString", "null.")),
            (("LineString", {"0": [1, 2]}), ".coordinates", nested("LineString", "{")),
            (("LineString", "-2 51"), ".coordinates", nested("LineString", '"-2 51".')),
            (("MultiLineString", DEGREES), ".coordinates[0][0]", nested("MultiLineString", "-2.0.")),
            (("Polygon", [*DEGREES, DEGREES[0]]), ".coordinates[0][0]", nested("Polygon", "-2.0.")),
            (("Polygon", [[[*DEGREES, DEGREES[0]]]]), ".coordinates[0][0]", nested("Polygon", "[[")),
            (("MultiPolygon", [[*DEGREES, DEGREES[0]]]), ".coordinates[0][0][0]", nested("MultiPolygon", "-2.0.")),
            (("Point", [[-2, 51]]), ".coordinates", nested("Point", "[[-2, 51]].")),
            (("LineString", [["-2", 51], [-2, 51]]), ".coordinates[0]", POSITION + '["-2", 51].'),
            (("LineString", [[-2, 51], [-2, None]]), ".coordinates[1]", POSITION + "[-2, null]."),
            (("LineString", [[-2, 51], [-2]]), ".coordinates[1]", POSITION + "[-2]."),
            (("LineString", [[-2, 51], []]), ".coordinates[1]", POSITION + "[]."),
            (("LineString", [[-2, True], [-2, 51]]), ".coordinates[0]", POSITION + "[-2, true]."),
            (("LineString", [[-2, float("nan")], [-2, 51]]), ".coordinates[0]", "NaN is no number: [-2, NaN]."),
            (("LineString", [[-2, 51], [float("inf"), 51]]), ".coordinates[1]", "Infinity is no number: ["),
            (("LineString", [[-2, 51]]), ".coordinates", "a line needs at least two positions: 1."),
            (("MultiLineString", [DEGREES, [[-2, 51]]]), ".coordinates[1]", "a line needs at least two positions: 1."),
            (("Polygon", [DEGREES]), ".coordinates[0]", "a ring needs at least four positions: 3."),
            (("Polygon", [[*DEGREES, [-2, 51.5]]]), ".coordinates[0]", "a ring must end at the position where it"),
            (("linestring", DEGREES), "", '"linestring" is no GeoJSON geometry.'),
            ((["LineString"], DEGREES), "", '["LineString"] is no GeoJSON geometry.'),
            ((None, DEGREES), "", '{"type": null, "coordinates": [[-2.0, 51.0], [-2.001, 51.'),
            (("Feature", DEGREES), "", '"Feature" is no GeoJSON geometry.'),
        ],
    )  # fmt: skip
    def test_a_fault_is_named_by_its_address(
        self, tmp_path: Path, geometry: tuple[Any, Any], place: str, message: str
    ) -> None:
        file = geojson(tmp_path / "a.geojson", collection(feature(), feature(*geometry)))
        assert refusal(file).startswith(f"a.geojson, features[1].geometry{place}: {message}")

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (collection(None), ", features[0]: null is no GeoJSON feature. See RFC 7946, 3."),
            (collection([feature()]), ', features[0]: [{"type": "Feature", "properties": {}, "geometry": {"type... is'),
            (collection(collection(feature())), ', features[0]: "FeatureCollection" is no GeoJSON feature.'),
            (collection(feature()["geometry"]), ', features[0]: "LineString" is no GeoJSON feature.'),
            ({"type": "FeatureCollection"}, ", features: the features of a FeatureCollection are no list: null."),
            ({"type": "FeatureCollection", "features": {}}, ", features: the features of a FeatureCollection are no"),
            ({"type": "GeometryCollection"}, ", geometries: the geometries of a GeometryCollection are no list: null."),
            ({"type": "GeometryCollection", "geometries": [7]}, ", geometries[0]: 7 is no GeoJSON geometry."),
            ({"type": "Feature", "geometry": "LineString"}, ', geometry: "LineString" is no GeoJSON geometry.'),
            ({"type": "Feature", "geometry": [1]}, ", geometry: [1] is no GeoJSON geometry."),
            ({"type": "Topology", "objects": {}}, ': "Topology" is no GeoJSON geometry.'),
            ({"type": "LineString", "coordinates": [[-2, 51]]}, ", coordinates: a line needs at least two positions"),
            ({"paths": [[[1, 2], [3, 4]]]}, ': is no GeoJSON: it has no "type". Save the boundary as GeoJSON.'),
            ([1, 2], ': is no GeoJSON: it has no "type".'),
            ("not at all", ": is no JSON: Expecting value: line 1 column 1 (char 0). Is the file cut short?"),
            (json.dumps(collection(feature()))[:90], ": is no JSON: Unterminated string"),
            ("[" * 100_000, ": is no JSON: "),
            ('{"type": "LineString", "coordinates": [[' + "9" * 5000 + ", 1], [2, 3]]}", ": is no JSON: "),
        ],
    )
    def test_what_is_no_geojson(self, tmp_path: Path, content: Any, says: str) -> None:
        assert refusal(geojson(tmp_path / "a.geojson", content)).startswith(f"a.geojson{says}")

    def test_utf_16(self, tmp_path: Path) -> None:
        file = tmp_path / "a.json"
        file.write_bytes(json.dumps(collection(feature())).encode("utf-16"))
        assert refusal(file) == "a.json: is no JSON: it is not in UTF-8. Save it as UTF-8."

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (collection(), "is empty: no feature"),
            (collection(feature(coordinates=[])), "holds no line, only no geometry"),
            (collection(feature("Point", [])), "holds no line, only no geometry"),
        ],
    )
    def test_nothing_in_it(self, tmp_path: Path, content: Any, says: str) -> None:
        assert refusal(geojson(tmp_path / "a.geojson", content)).startswith(f"a.geojson: {says}.")

    def test_null_geometry(self, tmp_path: Path) -> None:
        boundary = self.read(tmp_path, collection({"type": "Feature", "properties": {}, "geometry": None}, feature()))
        assert corners(boundary) == [DEGREES]
        assert codes(boundary) == ["null-geometry"]

    @pytest.mark.parametrize("east", [-179.999, 180.001])
    def test_over_180_degrees(self, tmp_path: Path, east: float) -> None:
        line: Sequence[Sequence[float]] = [[179.999, -17.0], [east, -17.0]]
        assert corners(self.read(tmp_path, feature(coordinates=line))) == [[(179.999, -17.0), (east, -17.0)]]
