"""The raster reader: what it takes, what it refuses and with which words, what it makes of units, grids and masks."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio import Affine
from rasterio.errors import NotGeoreferencedWarning

from geofence import registry
from geofence.errors import GeofenceError, GridError, InputError, JobError
from geofence.inputs.rasters import READER
from geofence.site.ground import Ground, GroundOptions, GroundReader
from tests.rasters import METRE, ground, places, write

FLAT = np.full((6, 8), 50.0, dtype=np.float32)
SURVEY_FOOT_M = 1200 / 3937


def refused(error: type[GeofenceError], *files: Path, says: str, **options: Any) -> None:
    """Opening is refused with this error, whose one-screen text holds the words."""
    with pytest.raises(error) as caught:
        ground(*files, **options)
    text = str(caught.value)
    assert re.search(says, text), text
    assert len(text) < 600
    assert caught.value.remedy


def level_of(file: Path, **options: Any) -> float:
    return float(ground(file, **options).levels(*places(METRE, [2.0], [2.0])).level_m[0])


class TestReads:
    @pytest.mark.parametrize("name", ["a.tif", "a.TIFF", "a.vrt", "a.hgt", "a.img", "a.jp2", "a.png", "a.JPG", "a.nc"])
    def test_by_suffix(self, tmp_path: Path, name: str) -> None:
        assert READER.reads(tmp_path / name)

    @pytest.mark.parametrize("name", ["a.csv", "a.txt", "a.xml", "a.xyz", "a.asc", "a", "folder"])
    def test_not_by_suffix(self, tmp_path: Path, name: str) -> None:
        (tmp_path / "folder").mkdir()
        assert not READER.reads(tmp_path / name)

    def test_by_first_bytes(self, tmp_path: Path) -> None:
        tiff = write(tmp_path / "dtm.001", FLAT)
        grid = write(tmp_path / "dtm.asc", FLAT, driver="AAIGrid")
        points = tmp_path / "points.asc"
        points.write_text("400000 100000 50.1\n400001 100000 50.2\n")
        assert READER.reads(tiff)
        assert READER.reads(grid)
        assert not READER.reads(points)

    def test_is_the_registered_plug_in(self) -> None:
        reader: GroundReader = registry.find(registry.GROUNDS, "raster")
        assert reader is READER

    @pytest.mark.parametrize(("name", "driver"), [("t.tif", "GTiff"), ("t.asc", "AAIGrid"), ("t.img", "HFA")])
    def test_formats(self, tmp_path: Path, name: str, driver: str) -> None:
        file = write(tmp_path / name, FLAT, driver=driver)
        opened: Ground = ground(file)
        assert opened.levels(*places(METRE, [2.0], [2.0])).level_m.tolist() == [50.0]
        assert opened.crs.to_epsg() == 27700

    def test_mosaic(self, tmp_path: Path) -> None:
        """A VRT over a GeoTIFF beside it; both are named as what the levels came from."""
        tile = write(tmp_path / "tile.tif", FLAT)
        mosaic = tmp_path / "all.vrt"
        with rasterio.open(tile) as source, rasterio.vrt.WarpedVRT(source) as warped:
            wkt, (a, b, x, d, e, y) = warped.crs.to_wkt(), warped.transform[:6]
        mosaic.write_text(
            f'<VRTDataset rasterXSize="8" rasterYSize="6"><SRS>{wkt.replace(chr(34), "&quot;")}</SRS>'
            f"<GeoTransform>{x}, {a}, {b}, {y}, {d}, {e}</GeoTransform>"
            '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
            '<SourceFilename relativeToVRT="1">tile.tif</SourceFilename><SourceBand>1</SourceBand>'
            '<SrcRect xOff="0" yOff="0" xSize="8" ySize="6"/><DstRect xOff="0" yOff="0" xSize="8" ySize="6"/>'
            "</SimpleSource></VRTRasterBand></VRTDataset>"
        )
        opened = ground(mosaic)
        assert opened.levels(*places(METRE, [2.0], [2.0])).level_m.tolist() == [50.0]
        assert [file.name for file in opened.files] == ["all.vrt", "tile.tif"]
        tile.unlink()
        with pytest.raises(InputError, match=r"all\.vrt, block .* not there"):
            opened.levels(*places(METRE, [2.0], [2.0]))

    def test_sidecars_are_among_the_files(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=False), rasterio.open(file, "r+") as target:
            target.write_mask(np.full(FLAT.shape, 255, dtype=np.uint8))
        assert [each.name for each in ground(file, file).files] == ["t.tif", "t.tif.msk"]


class TestFiles:
    def test_none(self) -> None:
        refused(JobError, says=r"ground\.files: no file is given")

    def test_missing(self, tmp_path: Path) -> None:
        refused(InputError, tmp_path / "no.tif", says=r"no\.tif: there is no such file")

    @pytest.mark.parametrize("content", [b"", b"hello", b"II*\0", b"<VRTDataset"])
    def test_no_raster(self, tmp_path: Path, content: bytes) -> None:
        file = tmp_path / "dtm.tif"
        file.write_bytes(content)
        refused(InputError, file, says=r"dtm\.tif: this is no raster that can be read")

    @pytest.mark.parametrize("compress", [None, "deflate", "lzw"])
    def test_cut_short(self, tmp_path: Path, compress: str | None) -> None:
        noise = np.random.default_rng(1).uniform(0, 50, (200, 200)).astype(np.float32)
        file = write(tmp_path / "dtm.tif", noise, tiled=True, blockxsize=64, blockysize=64, compress=compress)
        file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
        opened = ground(file)
        with pytest.raises(InputError, match=r"dtm\.tif, block from row 128, column 128: .*cut short or damaged"):
            opened.levels(*places(METRE, [10.0, 150.0], [10.0, 150.0]))

    def test_several_rasters_in_one(self, tmp_path: Path) -> None:
        file = tmp_path / "many.gpkg"
        for table in ("levels", "slope"):
            options = {"RASTER_TABLE": table, "APPEND_SUBDATASET": file.exists()}
            write(file, FLAT, driver="GPKG", **options)
        refused(InputError, file, says=r"holds several rasters \(levels, slope\)")


class TestPictures:
    def test_photograph(self, tmp_path: Path) -> None:
        file = write(tmp_path / "photo.jpg", np.zeros((3, 16, 16), dtype=np.uint8), driver="JPEG")
        refused(InputError, file, says="this is a picture, not levels. Pass the elevation raster")

    @pytest.mark.parametrize("bands", [3, 4])
    @pytest.mark.parametrize("driver", ["GTiff", "PNG"])
    def test_colours(self, tmp_path: Path, bands: int, driver: str) -> None:
        numbers = np.zeros((bands, 16, 16), dtype=np.uint8)
        options = {"photometric": "rgb"} if driver == "GTiff" else {}
        file = write(tmp_path / "photo.tif", numbers, driver=driver, **options)
        refused(InputError, file, says="this is a picture")
        refused(InputError, file, says="this is a picture", band=1)

    def test_palette(self, tmp_path: Path) -> None:
        file = write(tmp_path / "map.tif", np.zeros((16, 16), dtype=np.uint8), photometric="palette")
        with rasterio.open(file, "r+") as target:
            target.write_colormap(1, {0: (1, 2, 3, 255)})
        refused(InputError, file, says="this is a picture", band=1)

    def test_shades(self, tmp_path: Path) -> None:
        """Whole numbers to 255 are taken for a hillshade, unless the user insists or a scale makes levels of them."""
        file = write(tmp_path / "shade.tif", np.full((6, 8), 200, dtype=np.uint8))
        refused(InputError, file, says=r"as in a picture or a hillshade\..*band = 1")
        assert level_of(file, band=1) == 200
        with rasterio.open(file, "r+") as target:
            target.scales = (0.1,)
        assert level_of(file) == pytest.approx(20)

    def test_complex(self, tmp_path: Path) -> None:
        refused(InputError, write(tmp_path / "c.tif", FLAT.astype(np.complex64)), says="complex")


class TestBands:
    @pytest.fixture
    def three(self, tmp_path: Path) -> Path:
        file = write(tmp_path / "three.tif", np.stack([FLAT, FLAT + 1, FLAT + 2]), photometric="minisblack")
        with rasterio.open(file, "r+") as target:
            target.descriptions = ("slope", "level", None)
        return file

    def test_no_choice(self, three: Path) -> None:
        refused(InputError, three, says=r"3 bands \(1: slope, 2: level, 3: float32\).*band = N in \[ground\]")

    def test_choice(self, three: Path) -> None:
        assert level_of(three, band=2) == 51

    @pytest.mark.parametrize("band", [0, 4, -1])
    def test_not_there(self, three: Path, band: int) -> None:
        refused(JobError, three, says=rf"ground\.band: three\.tif has no such band: {band}, limit 1 to 3", band=band)

    def test_no_data_number_is_that_of_the_band_type(self, tmp_path: Path) -> None:
        """This format keeps 0.1 as a float64, which no float32 cell ever equals."""
        numbers = FLAT.copy()
        numbers[3, 3] = 0.1
        file = write(tmp_path / "t.img", numbers, driver="HFA", nodata=0.1)
        found = ground(file).levels(*places(METRE, [1.0, 3.0], [1.0, 3.0]))
        np.testing.assert_array_equal(found.level_m, [50, np.nan])

    def test_alpha_is_no_choice(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.tif", np.stack([FLAT, FLAT]), photometric="minisblack", alpha="yes")
        assert level_of(file) == 50


class TestPosition:
    def test_not_georeferenced(self, tmp_path: Path) -> None:
        with pytest.warns(NotGeoreferencedWarning):
            file = write(tmp_path / "t.tif", FLAT, transform=Affine.identity())
        refused(InputError, file, says="does not say where its cells lie.*georeferenced")

    def test_control_points_only(self, tmp_path: Path) -> None:
        points = [rasterio.control.GroundControlPoint(*each) for each in ((0, 0, 1, 9), (0, 8, 9, 9), (6, 0, 1, 3))]
        file = tmp_path / "t.tif"
        with pytest.warns(NotGeoreferencedWarning):
            write(file, FLAT, transform=Affine.identity(), gcps=points)
        refused(InputError, file, says="control points only")

    def test_degrees_labelled_as_metres(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT, transform=Affine(1 / 3600, 0, -2, 0, -1 / 3600, 51))
        refused(GridError, file, says=r"cannot be in .*look like degrees: set ground\.grid")

    def test_metres_labelled_as_degrees(self, tmp_path: Path) -> None:
        refused(GridError, write(tmp_path / "t.tif", FLAT, crs="EPSG:4326"), says="look like metres")


class TestGrid:
    def test_none(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT, crs=None)
        refused(GridError, file, says=r"t\.tif: the file does not say which grid it is in\. Set ground\.grid")

    def test_given(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", FLAT, crs=None), grid="EPSG:27700")
        assert opened.crs.to_epsg() == 27700

    def test_given_again(self, tmp_path: Path) -> None:
        assert level_of(write(tmp_path / "t.tif", FLAT), grid="EPSG:27700") == 50

    def test_given_another(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        refused(GridError, file, says="the file says its grid is OSGB36.*the job says WGS 84", grid="EPSG:32630")

    def test_given_nonsense(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        refused(GridError, file, says=r"ground\.grid: 'EPSG:0' names no grid", grid="EPSG:0")

    def test_local_grid_needs_one(self, tmp_path: Path) -> None:
        local = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
        file = write(tmp_path / "t.tif", FLAT, crs=local)
        refused(GridError, file, says="which grid it is in: its 'site grid' is tied to no place on the Earth")
        assert ground(file, grid="EPSG:27700").crs.to_epsg() == 27700

    def test_horizontal_part(self, tmp_path: Path) -> None:
        opened = ground(write(tmp_path / "t.tif", FLAT, crs="EPSG:27700+5701"))
        assert opened.crs.to_epsg() == 27700
        found = {finding.code: finding.message for finding in opened.findings}
        assert found["level-datum-stated"] == "By their files, levels are in 'ODN height'"

    def test_spelled_otherwise(self, tmp_path: Path) -> None:
        """The same grid as other programs write it: no contradiction."""
        wkt = (
            'PROJCS["British_National_Grid",GEOGCS["GCS_OSGB_1936",DATUM["D_OSGB_1936",SPHEROID["Airy_1830",6377563.396,'
            '299.3249646]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],'
            'PARAMETER["False_Easting",400000.0],PARAMETER["False_Northing",-100000.0],PARAMETER["Central_Meridian",-2.0],'
            'PARAMETER["Scale_Factor",0.9996012717],PARAMETER["Latitude_Of_Origin",49.0],UNIT["Meter",1.0]]'
        )
        file = write(tmp_path / "t.asc", FLAT, driver="AAIGrid", crs=None)
        file.with_suffix(".prj").write_text(wkt)
        assert level_of(file, grid="EPSG:27700") == 50

    def test_tiles_of_two(self, tmp_path: Path) -> None:
        files = [write(tmp_path / "a.tif", FLAT), write(tmp_path / "b.tif", FLAT, crs="EPSG:32630")]
        refused(GridError, *files, says=r"b\.tif: its grid is WGS 84 / UTM zone 30N, that of a\.tif is OSGB36")

    def test_tiles_of_two_datums(self, tmp_path: Path) -> None:
        files = [
            write(tmp_path / "a.tif", FLAT, crs="EPSG:27700+5701"),
            write(tmp_path / "b.tif", FLAT, crs="EPSG:27700+5703"),
        ]
        refused(GridError, *files, says=r"b\.tif: its levels are 'NAVD88 height', those of a\.tif are 'ODN height'")


class TestUnit:
    """The job's word, else the band's, else that of the vertical grid, else metres with a note."""

    @pytest.mark.parametrize(
        ("word", "unit_m"),
        [
            ("m", 1),
            ("metre", 1),
            ("Meters", 1),
            ("ft", 0.3048),
            ("foot", 0.3048),
            ("FEET", 0.3048),
            ("US survey foot", SURVEY_FOOT_M),
            ("us-ft", SURVEY_FOOT_M),
            ("ftUS", SURVEY_FOOT_M),
        ],
    )
    def test_of_the_band(self, tmp_path: Path, word: str, unit_m: float) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        with rasterio.open(file, "r+") as target:
            target.units = (word,)
        assert level_of(file) == pytest.approx(50 * unit_m, rel=1e-15)
        assert ground(file).findings == ()

    @pytest.mark.parametrize(("unit", "unit_m"), [("m", 1), ("ft", 0.3048), ("ftUS", SURVEY_FOOT_M)])
    def test_of_the_job(self, tmp_path: Path, unit: str, unit_m: float) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        assert level_of(file, level_unit=unit) == pytest.approx(50 * unit_m, rel=1e-15)
        assert ground(file, level_unit=unit).findings == ()

    @pytest.mark.parametrize(("crs", "unit_m"), [("EPSG:2263+6360", SURVEY_FOOT_M), ("EPSG:2263+5703", 1)])
    def test_of_the_vertical_grid(self, tmp_path: Path, crs: str, unit_m: float) -> None:
        """NAVD88 in US survey feet (EPSG:6360) and in metres (EPSG:5703) over a grid in US survey feet."""
        transform = Affine(1, 0, 980_000, 0, -1, 190_000)
        file = write(tmp_path / "t.tif", FLAT, crs=crs, transform=transform)
        found = ground(file).levels(*places(transform, [2.0], [2.0]))
        assert found.level_m == pytest.approx([50 * unit_m], rel=1e-15)

    def test_of_the_vertical_grid_without_a_word_of_the_band(self, tmp_path: Path) -> None:
        transform = Affine(1, 0, 980_000, 0, -1, 190_000)
        file = write(tmp_path / "t.asc", FLAT, crs="EPSG:2263", transform=transform, driver="AAIGrid")
        # the horizontal unit says nothing of levels, so in a grid of feet it asks
        refused(JobError, file, says="places in t.asc are in the US survey foot, and it does not say the unit")
        assert ground(file, level_unit="m").levels(*places(transform, [2.0], [2.0])).level_m.tolist() == [50]
        without = write(tmp_path / "t.img", FLAT, crs=None, transform=transform, driver="HFA")
        found = ground(without, grid="EPSG:2263+6360").levels(*places(transform, [2.0], [2.0]))
        assert found.level_m == pytest.approx([50 * SURVEY_FOOT_M], rel=1e-15)

    def test_of_nobody(self, tmp_path: Path) -> None:
        (finding,) = ground(write(tmp_path / "t.tif", FLAT)).findings
        assert (finding.code, finding.severity) == ("level-unit-assumed", "note")
        assert finding.message == "t.tif does not say the unit of its levels; metres are assumed"

    def test_job_against_file(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        with rasterio.open(file, "r+") as target:
            target.units = ("m",)
        (finding,) = ground(file, level_unit="ft").findings
        assert (finding.code, finding.severity) == ("level-unit-overruled", "warn")
        assert finding.message == "The job says levels are in ft; t.tif says m"
        assert level_of(file, level_unit="ft") == pytest.approx(15.24)

    def test_unknown_of_the_band(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        with rasterio.open(file, "r+") as target:
            target.units = ("cubits",)
        refused(InputError, file, says="the unit of its levels is 'cubits'.*level_unit")
        assert level_of(file, level_unit="m") == 50

    def test_unknown_of_the_job(self, tmp_path: Path) -> None:
        file = write(tmp_path / "t.tif", FLAT)
        refused(JobError, file, says=r"ground\.level_unit: 'yd' is no unit of levels", level_unit="yd")


def test_options_are_checked_before_files() -> None:
    with pytest.raises(JobError, match="level_unit"):
        READER.open([Path("no.tif")], GroundOptions(level_unit="fathom"))
