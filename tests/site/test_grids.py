"""Grids: read, compared, chosen, crossed. Expected places are from PROJ through other calls, or closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import CRS, Proj, Transformer

from geofence.errors import GridError
from geofence.site import grids

HELMERT = (
    "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=3500000 +ellps=bessel "
    "+towgs84=598.1,73.7,418.2,0.202,0.045,-2.455,6.7 +type=crs"
)
ROTATED = "+proj=ob_tran +o_proj=longlat +o_lon_p=0 +o_lat_p=39.25 +lon_0=18 +to_meter=0.0174532925199433 +type=crs"
ENGINEERING = 'LOCAL_CS["site grid",UNIT["metre",1]]'


def read(text: str) -> CRS:
    return grids.read_grid(text, address="job.grid")


def check(text: str, x: list[float], y: list[float]) -> None:
    grids.check_places(read(text), np.array(x), np.array(y), place="line.gpkg", option="line.grid")


class TestReading:
    @pytest.mark.parametrize("text", ["EPSG:27700", CRS(27700).to_wkt(), "+proj=utm +zone=30 +datum=WGS84 +type=crs"])
    def test_codes_wkt_and_proj_strings(self, text: str) -> None:
        assert read(text).is_projected

    def test_unknown_code(self) -> None:
        with pytest.raises(GridError) as caught:
            read("EPSG:99999")
        assert str(caught.value) == (
            "job.grid: 'EPSG:99999' names no grid that PROJ knows. Give an EPSG code such as \"EPSG:27700\", or WKT."
        )

    @pytest.mark.parametrize(
        ("text", "name"),
        [
            ("EPSG:4978", "WGS 84"),
            ("EPSG:5701", "ODN height"),
            (ENGINEERING, "site grid"),
            (ROTATED, "unnamed"),
        ],
        ids=["geocentric", "vertical", "engineering", "rotated pole"],
    )
    def test_what_is_no_grid_on_the_earth(self, text: str, name: str) -> None:
        with pytest.raises(GridError) as caught:
            read(text)
        assert str(caught.value) == (
            f"job.grid: '{name}' is no grid for places on the Earth's surface. "
            "Give a projected or geographic reference system."
        )

    def test_compound_gives_its_horizontal_part(self) -> None:
        assert read("EPSG:27700+5701").to_epsg() == 27700

    def test_three_dimensions_become_two(self) -> None:
        assert len(read("EPSG:4979").axis_info) == 2


class TestUnits:
    @pytest.mark.parametrize(
        ("text", "unit_m"),
        [("EPSG:27700", 1.0), ("EPSG:2229", 1200 / 3937), ("EPSG:2240", 1200 / 3937), ("EPSG:2256", 0.3048)],
    )
    def test_from_the_axis(self, text: str, unit_m: float) -> None:
        """2256 is Montana in international feet, 2229 and 2240 are in US survey feet: 2 ppm apart."""
        assert grids.unit_m(read(text)) == pytest.approx(unit_m, rel=1e-12)

    def test_degrees_have_none(self) -> None:
        assert math.isnan(grids.unit_m(read("EPSG:4326")))


class TestWebScaled:
    @pytest.mark.parametrize(
        "text",
        [
            "EPSG:3857",
            "EPSG:3785",
            "EPSG:3395",
            "ESRI:102100",
            "+proj=merc +a=6378137 +b=6378137 +nadgrids=@null +type=crs",
            CRS(3857).to_wkt("WKT1_GDAL"),
        ],
    )
    def test_world_mercators(self, text: str) -> None:
        assert grids.is_web_scaled(read(text))

    @pytest.mark.parametrize("text", ["EPSG:3994", "EPSG:3001", "EPSG:32630", "EPSG:27700", "EPSG:4326", "EPSG:2154"])
    def test_others(self, text: str) -> None:
        """Mercators true at 41 degrees south, or reduced by 0.997, are regional survey grids."""
        assert not grids.is_web_scaled(read(text))


class TestSame:
    @pytest.mark.parametrize("code", [27700, 2193, 31467, 27572, 2229, 5514, 25832, 4326, 3857])
    @pytest.mark.parametrize("version", ["WKT1_GDAL", "WKT1_ESRI"])
    def test_by_another_name_and_axis_order(self, code: int, version: str) -> None:
        assert grids.same(CRS(code), grids.read_grid(CRS(code).to_wkt(version), address="x"))

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            (2229, 26945),  # the same zone in feet and metres
            (2256, 32100),
            (32630, 32631),
            (32630, 25830),  # the same projection on two datums
            (27572, 27562),  # two false northings
            (4326, 32630),
            (4326, 4258),
            (3857, 3395),
        ],
    )
    def test_others(self, one: int, other: int) -> None:
        assert not grids.same(CRS(one), CRS(other))

    def test_feet_of_two_kinds(self) -> None:
        survey = "+proj=tmerc +lat_0=40 +lon_0=-100 +x_0=1000000 +datum=NAD83 +units=us-ft +type=crs"
        box = CRS(survey.replace("us-ft", "ft"))
        assert not grids.same(CRS(survey), box)


class TestGeographic:
    def test_in_degrees_though_the_grid_counts_grads(self) -> None:
        """NTF (Paris) Lambert II: on its central meridian (false easting), at its origin, 52 grads = 46.8 degrees."""
        lambert = read("EPSG:27572")
        degrees = grids.geographic(lambert)
        lon, lat = grids.cross(lambert, degrees).transformer.transform(600_000.0, 2_200_000.0)
        assert (lon, lat) == pytest.approx((0.0, 46.8), abs=1e-9)
        assert grids.geographic(degrees).equals(degrees)

    def test_grads_to_wgs84_keep_the_meridian_of_paris(self) -> None:
        """Paris is 2 deg 20' 14.025" east of Greenwich (IGN); the datum shift moves it by less than 100 m."""
        lambert = read("EPSG:27572")
        crossing = grids.cross(grids.geographic(lambert), grids.WGS84, (2.0, 46.0, 3.0, 47.0))
        lon, lat = crossing.transformer.transform(0.0, 46.8)
        assert lon == pytest.approx(2 + 20 / 60 + 14.025 / 3600, abs=0.0013)
        assert lat == pytest.approx(46.8, abs=0.001)

    def test_a_shift_that_the_grid_carries_is_kept(self) -> None:
        """Against PROJ's own pipeline from the whole grid, 90 m away from the same numbers without a shift."""
        grid = read(HELMERT)
        through = grids.cross(grids.geographic(grid), grids.WGS84).transformer
        lon, lat = through.transform(*grids.cross(grid, grids.geographic(grid)).transformer.transform(3.5e6, 5.5e6))
        want = Transformer.from_crs(CRS(HELMERT), CRS(4326), always_xy=True).transform(3.5e6, 5.5e6)
        assert (lon, lat) == pytest.approx(want, abs=1e-11)
        assert abs(lat - 49.63781609) > 0.001


MERIDIANS = {
    2065: (15.0, 50.0),  # Ferro, 17 deg 40' west of Greenwich
    31288: (10.0, 47.2),
    26591: (12.0, 42.0),  # Rome, 12.45 degrees east
    27572: (2.0, 48.0),  # Paris, 2.34 degrees east, in grads
}


class TestPrimeMeridians:
    """Grids that do not count from Greenwich; areas of use do."""

    @pytest.mark.parametrize(("code", "place"), MERIDIANS.items())
    def test_places_are_where_they_may_be(self, code: int, place: tuple[float, float]) -> None:
        x, y = Transformer.from_crs(4326, code, always_xy=True).transform(*place)
        check(f"EPSG:{code}", [x, x + 1], [y, y + 1])

    @pytest.mark.parametrize(("code", "place"), MERIDIANS.items())
    def test_the_way_is_that_of_the_country(self, code: int, place: tuple[float, float]) -> None:
        """A shift of EPSG's for the country, and the place comes back to what datum shifts differ by, 100 m."""
        grid = CRS(code)
        x, y = Transformer.from_crs(4326, grid, always_xy=True).transform(*place)
        degrees = grids.geographic(grid)
        lon, lat = grids.cross(grid, degrees).transformer.transform(x, y)
        crossing = grids.cross(degrees, grids.WGS84, (lon, lat, lon, lat))
        assert crossing.shifted
        assert crossing.accuracy_m <= 4
        assert crossing.transformer.transform(lon, lat) == pytest.approx(place, abs=1e-3)


class TestLocalGrid:
    @pytest.mark.parametrize(
        ("lon", "lat", "name"),
        [
            ([-3.01, -2.99], [51.0, 51.1], "local transverse Mercator at 51.05 N, 3.00 W"),
            ([151.0, 151.02], [-33.9, -33.8], "local transverse Mercator at 33.85 S, 151.01 E"),
            ([179.999, -179.999], [-17.0, -17.1], "local transverse Mercator at 17.05 S, 180.00 W"),
            ([179.98, 180.02], [-17.0, -17.1], "local transverse Mercator at 17.05 S, 180.00 W"),
            ([15.0, 15.4], [78.9, 79.0], "local transverse Mercator at 78.95 N, 15.20 E"),
        ],
    )
    def test_true_to_scale_in_the_middle(self, lon: list[float], lat: list[float], name: str) -> None:
        grid = grids.local_grid(np.array(lon), np.array(lat), CRS(4326))
        assert grid.name == name
        projection = Proj(grid)
        lon_0 = projection.crs.coordinate_operation.params[1].value
        lat_0 = projection.crs.coordinate_operation.params[0].value
        assert projection.get_factors(lon_0, lat_0).meridional_scale == pytest.approx(1.0, abs=1e-9)
        x, y = grids.cross(grids.geographic(grid), grid).transformer.transform(np.array(lon), np.array(lat))
        assert np.all(np.abs(np.array([x, y]) - 10_000) < 8_000), "both ends near the false origin"

    @pytest.mark.parametrize("code", [4326, 27700, 4283, 27572, 2229])
    def test_stays_on_the_datum(self, code: int) -> None:
        grid = grids.local_grid(np.array([2.0, 2.1]), np.array([48.0, 48.1]), CRS(code))
        crossing = grids.cross(CRS(code), grid)
        assert (crossing.accuracy_m, crossing.operation) == (0.0, "none")
        assert grids.unit_m(grid) == 1.0

    def test_keeps_a_shift_that_the_grid_carries(self) -> None:
        grid = grids.local_grid(np.array([9.0, 9.1]), np.array([49.6, 49.7]), read(HELMERT))
        lon, lat = Transformer.from_crs(grid, 4326, always_xy=True).transform(10_000, 10_000)
        assert abs(lat - 49.65) > 0.0005
        assert abs(lon - 9.05) > 0.0005


class TestCheckPlaces:
    @pytest.mark.parametrize(
        ("text", "x", "y"),
        [
            ("EPSG:27700", [412_000, 412_100], [172_000, 172_050]),
            ("EPSG:32631", [166_000, 166_100], [5_600_000, 5_600_000]),
            ("EPSG:32631", [-40_000, -40_100], [5_600_000, 5_600_000]),  # carried on into the zone before
            ("EPSG:32755", [300_000, 300_100], [5_800_000, 5_800_000]),
            ("EPSG:2229", [6_480_000, 6_480_300], [1_840_000, 1_840_000]),
            ("EPSG:4326", [179.999, 180.001], [-17.0, -17.0]),
            ("EPSG:4326", [15.0, 15.001], [89.9, 89.9]),
            ("EPSG:5041", [2_000_100, 2_000_200], [2_000_100, 2_000_000]),
            ("EPSG:3141", [800_000, 800_100], [8_100_000, 8_100_000]),
        ],
    )
    def test_may_be(self, text: str, x: list[float], y: list[float]) -> None:
        check(text, x, y)

    @pytest.mark.parametrize(
        ("text", "x", "y", "hint"),
        [
            ("EPSG:27700", [-2.0, -2.001], [51.0, 51.0], "They look like degrees: set line.grid to a geographic grid"),
            ("EPSG:2229", [-118.2, -118.201], [34.0, 34.0], "They look like degrees"),
            ("EPSG:4326", [412_000, 412_100], [172_000, 172_000], "They look like metres or feet: set line.grid to"),
            ("EPSG:4326", [-33.9, -33.91], [151.2, 151.2], "Longitude and latitude look swapped."),
            ("EPSG:32630", [5_700_000, 5_700_100], [500_000, 500_000], "Easting and northing look swapped."),
            ("EPSG:4277", [51.5, 51.51], [-2.0, -2.0], "Longitude and latitude look swapped."),
            ("EPSG:27700", [6_480_000, 6_480_300], [1_840_000, 1_840_000], "Set line.grid to the grid they are in."),
            ("EPSG:32630", [5.0e8, 5.0e8], [5.7e6, 5.7e6], "Set line.grid to the grid they are in."),
            ("EPSG:3857", [3.0e7, 3.0e7], [3.0e7, 3.0e7], "Set line.grid to the grid they are in."),
        ],
        ids=[
            *("degrees", "degrees in feet", "metres", "lat lon", "north east", "lat lon by area", "elsewhere"),
            *("absurd", "once more round the Earth"),
        ],
    )
    def test_cannot_be(self, text: str, x: list[float], y: list[float], hint: str) -> None:
        with pytest.raises(GridError) as caught:
            check(text, x, y)
        assert str(caught.value).startswith(f"line.gpkg: coordinates cannot be in {read(text).name}: the first is (")
        assert hint in str(caught.value)

    def test_text(self) -> None:
        with pytest.raises(GridError) as caught:
            check("EPSG:27700", [-2.0, -2.001], [51.0, 51.0])
        assert str(caught.value) == (
            "line.gpkg: coordinates cannot be in OSGB36 / British National Grid: the first is (-2, 51). "
            "They look like degrees: set line.grid to a geographic grid such as EPSG:4326."
        )

    def test_one_stray_vertex_is_enough(self) -> None:
        with pytest.raises(GridError):
            check("EPSG:27700", [412_000, 412_100, 9e6], [172_000, 172_000, 9e6])

    def test_the_margin(self) -> None:
        """OSGB36 is used from 9.01 W: 6 degrees further a mistake begins."""
        west = CRS(4277).area_of_use.west - grids.AREA_MARGIN_DEG
        check("EPSG:4277", [west + 0.01], [52.0])
        with pytest.raises(GridError):
            check("EPSG:4277", [west - 0.01], [52.0])


class TestCrossings:
    def test_one_datum_needs_no_word(self) -> None:
        crossing = grids.cross(CRS(4326), CRS(32630))
        assert crossing.findings("line", "a", "b") == ()
        want = Transformer.from_crs(4326, 32630, always_xy=True).transform(-3.0, 51.0)
        assert crossing.transformer.transform(-3.0, 51.0) == pytest.approx(want, abs=1e-9)

    def test_two_metres_for_want_of_a_grid_file(self) -> None:
        """EPSG states 2 m for OSGB36 to WGS 84 (6), the best without the Ordnance Survey's grid file."""
        crossing = grids.cross(CRS(4326), CRS(27700), (-3.0, 51.0, -2.9, 51.1))
        assert crossing.accuracy_m == 2.0
        assert "OSGB36 to WGS 84 (9)" in crossing.missing
        (finding,) = crossing.findings("line", "WGS 84", "OSGB36 / British National Grid")
        assert (finding.code, finding.severity, finding.value, finding.limit) == ("datum-shift", "warn", 2.0, 0.1)
        assert finding.message.startswith("The line is carried from WGS 84 to OSGB36 / British National Grid by ")
        assert finding.message.endswith(", with a stated accuracy of 2 m")
        assert finding.remedy.startswith("Give line, ground and job in one grid. Or install the grid file for ")

    def test_no_shift_at_all_stops(self) -> None:
        """NAD27 to NAD83 without its grid file leaves the offset out: some tens of metres in the United States."""
        (finding,) = grids.cross(CRS(4267), CRS(4269), (-100.0, 40.0, -99.9, 40.1)).findings("line", "NAD27", "NAD83")
        assert (finding.severity, finding.value) == ("stop", None)
        assert finding.message.endswith(", which leaves the datums' offset out: it may be wrong by a hundred metres")
        (on_map,) = grids.cross(CRS(4267), CRS(4269)).findings("map", "NAD27", "NAD83")
        assert (on_map.code, on_map.severity) == ("map-shift", "warn")

    def test_a_centimetre_is_a_note(self) -> None:
        (finding,) = grids.cross(CRS(4283), CRS(7844), (150.0, -33.0, 150.1, -32.9)).findings(
            "ground", "GDA94", "GDA2020"
        )
        assert (finding.severity, finding.value) == ("note", 0.01)

    def test_gda94_to_gda2020_moves_by_the_plate(self) -> None:
        """1.8 m to the north-east: 7 cm a year from 1994 to 2020 (ICSM, GDA2020 technical manual, 3.1)."""
        crossing = grids.cross(CRS(4283), CRS(7844), (144.0, -38.0, 144.5, -37.5))
        lon, lat = crossing.transformer.transform(144.0, -37.5)
        azimuth, _, moved = grids.ellipsoid(CRS(7844)).inv(144.0, -37.5, lon, lat)
        assert moved == pytest.approx(1.7, abs=0.15)
        assert 0 < azimuth < 45

    def test_the_map_is_a_note_only(self) -> None:
        (finding,) = grids.cross(CRS(4277), grids.WGS84, (-3.0, 51.0, -2.9, 51.1)).findings("map", "OSGB36", "WGS 84")
        assert (finding.code, finding.severity) == ("map-shift", "note")
        assert finding.remedy.startswith("Set out from easting and northing, not from longitude and latitude.")

    def test_a_better_way_that_is_not_installed(self) -> None:
        """However good the way at hand."""
        at_hand = {"transformer": Transformer.from_crs(4326, 4258), "accuracy_m": 0.05, "operation": "at hand"}
        (alone,) = grids.Crossing(**at_hand).findings("ground", "a", "b")
        (beside,) = grids.Crossing(**at_hand, missing="better").findings("ground", "a", "b")
        assert (alone.severity, beside.severity) == ("note", "warn")
        assert beside.remedy.endswith(" Or install the grid file for 'better'.")

    def test_an_own_shift_has_no_stated_accuracy(self) -> None:
        (finding,) = grids.cross(read(HELMERT), CRS(4326)).findings("line", "own", "WGS 84")
        assert (finding.severity, finding.value) == ("warn", None)
        assert finding.message.endswith(", with no stated accuracy")

    @pytest.mark.parametrize("box", [(-179.9, -17.1, 179.9, -17.0), (179.9, -17.1, 180.1, -17.0)])
    def test_a_box_over_180_degrees(self, box: tuple[float, float, float, float]) -> None:
        crossing = grids.cross(CRS(3141), grids.WGS84, box)
        assert (crossing.accuracy_m, crossing.shifted) == (7.0, True)

    def test_the_box_over_180_degrees_is_the_narrow_one(self) -> None:
        """In Chukotka EPSG has a shift of Pulkovo 1942 to 3 m; the one for the whole of Russia is to 4.5 m."""
        narrow = grids.cross(CRS(4284), grids.WGS84, (-179.9, 66.0, 179.9, 66.1))
        assert narrow.accuracy_m == 3.0

    def test_no_way(self) -> None:
        with pytest.raises(GridError) as caught:
            grids.cross(CRS("+proj=longlat +R=1737400 +type=crs"), CRS(4326))
        assert str(caught.value) == "there is no way from unknown to WGS 84. Use one datum."
