"""Lines, grids and ground distance against published figures and independent programs.

Sources
-------
Intergovernmental Committee on Surveying and Mapping (ICSM), *GDA2020 Technical Manual* (v1.8, tables 5.1 and C-1) and
*GDA94 Technical Manual*: the line Flinders Peak - Buninyong. Figures as in the tests of GeodePy (Geoscience Australia).
Stem, J. E. (1989), *State Plane Coordinate System of 1983*, NOAA Manual NOS NGS 5, section 4.4: the traverse in
Wisconsin South, ground and grid.
Karney, C. F. F., *GeodTest*: rows of the test set as in GeographicLib's ``geodtest.c`` (MIT).
Vincenty, T. (1975), "Direct and inverse solutions of geodesics on the ellipsoid with application of nested equations",
Survey Review 23 (176): lines (a) to (e).
Snyder, J. P. (1987), *Map Projections: a Working Manual*, USGS Professional Paper 1395, page 269.
Ordnance Survey, *A guide to coordinate systems in Great Britain*, annex C: the place in Norfolk.
International Association of Oil & Gas Producers, *Guidance Note 7-2*, Transverse Mercator.
Landgate (Western Australia): standard survey mark Fremantle 64.
geographiclib, C. F. F. Karney: geodesics by a program that shares no code with PROJ's binding.
PROJ's geocentric conversion (EPSG:4978): chords in space, which know nothing of radii of curvature.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod, Transformer

from geofence.engine.records import Floats
from geofence.site import grids
from geofence.site.ground_distance import along_ground, elevation_factor, radius_of_curvature
from geofence.site.line import Line, straightness

SECOND = 1 / 3600


def dms(degrees: int, minutes: int, seconds: float) -> float:
    """Degrees from sexagesimal; the sign is that of the degrees, and of every part where these are zero."""
    sign = -1 if degrees < 0 else 1
    return degrees + sign * (minutes / 60 + seconds / 3600)


def one_leg(geod: Geod, lon_1: float, lat_1: float, lon_2: float, lat_2: float) -> Line:
    return Line.through(np.array([lon_1, lon_2]), np.array([lat_1, lat_2]), geod=geod)


class TestFlindersPeakToBuninyong:
    """55 km in Victoria. The manual's E, N are to the millimetre, its azimuths to a hundredth of a second."""

    GDA2020 = CRS(7844)
    LAT = (dms(-37, 57, 3.72030), dms(-37, 39, 10.15610))
    LON = (dms(144, 25, 29.52440), dms(143, 55, 35.38390))
    ZONE_55 = ((273_741.297, 228_854.052), (5_796_489.777, 5_828_259.038))
    ZONE_54_BUNINYONG = (758_173.797, 5_828_674.340)

    @pytest.fixture
    def line(self) -> Line:
        return one_leg(grids.ellipsoid(self.GDA2020), self.LON[0], self.LAT[0], self.LON[1], self.LAT[1])

    def test_distance(self, line: Line) -> None:
        assert line.length_m[0] == pytest.approx(54_972.271, abs=5e-4)

    def test_azimuths(self, line: Line) -> None:
        assert line.azimuth_deg[0] == pytest.approx(dms(306, 52, 5.37), abs=0.005 * SECOND)
        reverse = (line.arrival_deg[0] + 180) % 360
        assert reverse == pytest.approx(dms(127, 10, 25.07), abs=0.005 * SECOND)

    def test_the_reversed_line(self, line: Line) -> None:
        assert line.reversed().azimuth_deg[0] == pytest.approx(dms(127, 10, 25.07), abs=0.005 * SECOND)

    def test_grid_coordinates(self) -> None:
        """The angles given resolve 0.3 mm, the coordinates printed 0.5 mm."""
        to_55 = grids.cross(self.GDA2020, CRS(7855)).transformer
        assert np.array(to_55.transform(self.LON, self.LAT)) == pytest.approx(np.array(self.ZONE_55), abs=8e-4)
        to_54 = grids.cross(self.GDA2020, CRS(7854)).transformer
        assert to_54.transform(self.LON[1], self.LAT[1]) == pytest.approx(self.ZONE_54_BUNINYONG, abs=8e-4)

    def test_plane_distance_and_line_scale_factor(self, line: Line) -> None:
        """The manual's 54 992.279 m and 1.000 363 97 in zone 55."""
        to_55 = grids.cross(self.GDA2020, CRS(7855)).transformer
        x, y = to_55.transform(line.lon_deg, line.lat_deg)
        plane = float(np.hypot(*np.diff([x, y])).item())
        assert plane == pytest.approx(54_992.279, abs=1e-3)
        assert plane / line.length_m[0] == pytest.approx(1.000_363_97, abs=5e-9)

    def test_the_zone_it_came_in_does_not_matter(self, line: Line) -> None:
        for code in (7855, 7854):
            there = grids.cross(self.GDA2020, CRS(code)).transformer
            back = grids.cross(CRS(code), self.GDA2020).transformer
            lon, lat = (np.array(part) for part in back.transform(*there.transform(line.lon_deg, line.lat_deg)))
            again = Line.through(lon, lat, geod=line.geod)
            assert again.length_m[0] == pytest.approx(line.length_m[0], abs=1e-6)
            assert again.azimuth_deg[0] == pytest.approx(line.azimuth_deg[0], abs=1e-9)

    def test_arc_to_chord(self, line: Line) -> None:
        """The manual's corrections of +19.47" and -20.67": the bow between them is about s sin(20") / 4, 1.3 m."""
        grid = CRS(7855)
        drawn = grids.cross(grid, self.GDA2020).transformer
        bow = straightness(line, drawn, np.array(self.ZONE_55[0]), np.array(self.ZONE_55[1]))
        mean = np.radians((19.467 + 20.673) / 2 * SECOND)
        assert bow[0] == pytest.approx(54_992 * mean / 4, rel=0.01)


class TestGroundAndGrid:
    """NOAA Manual NOS NGS 5, section 4.4: mean k 1.000 045 0, H 865 ft, N -100 ft, R 20 906 000 ft."""

    SCALE, LEVEL_FT, SEPARATION_FT, RADIUS_FT = 1.000_045_0, 865.0, -100.0, 20_906_000.0
    GROUND_FT = np.array([4805.468, 3963.694, 4966.083, 3501.223, 4466.935])
    GRID_FT = np.array([4805.508, 3963.727, 4966.125, 3501.252, 4466.973])

    def factor(self, height_ft: float) -> float:
        return float(elevation_factor(np.array(height_ft), np.array(self.RADIUS_FT)))

    def test_elevation_factor(self) -> None:
        assert self.factor(self.LEVEL_FT + self.SEPARATION_FT) == pytest.approx(0.999_963_4, abs=5e-8)

    def test_combined_factor(self) -> None:
        combined = self.SCALE * self.factor(self.LEVEL_FT + self.SEPARATION_FT)
        assert combined == pytest.approx(1.000_008_4, abs=5e-8)

    def test_ground_to_grid(self) -> None:
        """Printed to a thousandth of a foot; the factors they used were rounded to 7 decimals."""
        combined = self.SCALE * self.factor(self.LEVEL_FT + self.SEPARATION_FT)
        assert combined * self.GROUND_FT == pytest.approx(self.GRID_FT, abs=6e-4)

    def test_grid_to_ground_through_along_ground(self) -> None:
        """The traverse as one line: ellipsoid distances are grid / k, and the ground is what the manual measured."""
        distance = np.concatenate([[0.0], np.cumsum(self.GRID_FT / self.SCALE)])
        height = np.full(6, self.LEVEL_FT + self.SEPARATION_FT)
        ground = along_ground(distance, height, np.full(5, self.RADIUS_FT))
        assert np.diff(ground) == pytest.approx(self.GROUND_FT, abs=6e-4)

    def test_forgetting_the_geoid_shows(self) -> None:
        combined = self.SCALE * self.factor(self.LEVEL_FT)
        assert np.all(np.abs(combined * self.GROUND_FT - self.GRID_FT) > 0.01)


GEODTEST = (
    # lat1, lon1, azi1, lat2, lon2, azi2, s12
    (35.60777, -139.44815, 111.098748429560326, -11.17491, -69.95921, 129.289270889708762, 8935244.5604818305),
    (55.52454, 106.05087, 22.020059880982801, 77.03196, 197.18234, 109.112041110671519, 4105086.1713924406),
    (-21.97856, 142.59065, -32.44456876433189, 41.84138, 98.56635, -41.84359951440466, 8394328.894657671),
)


class TestGeodTest:
    @pytest.mark.parametrize("row", GEODTEST)
    def test_inverse(self, row: tuple[float, ...]) -> None:
        lat_1, lon_1, azimuth_1, lat_2, lon_2, azimuth_2, s = row
        line = one_leg(Geod(ellps="WGS84"), lon_1, lat_1, lon_2, lat_2)
        assert line.length_m[0] == pytest.approx(s, abs=1e-8)
        assert line.azimuth_deg[0] == pytest.approx(azimuth_1 % 360, abs=1e-12)
        assert line.arrival_deg[0] == pytest.approx(azimuth_2 % 360, abs=1e-12)

    @pytest.mark.parametrize("row", GEODTEST)
    def test_direct(self, row: tuple[float, ...]) -> None:
        lat_1, lon_1, _, lat_2, lon_2, _, s = row
        lon, lat = one_leg(Geod(ellps="WGS84"), lon_1, lat_1, lon_2, lat_2).at(np.array([0.0, s]))
        assert lat == pytest.approx([lat_1, lat_2], abs=1e-12)
        assert lon % 360 == pytest.approx([lon_1 % 360, lon_2 % 360], abs=1e-12)


BESSEL = Geod(ellps="bessel")
INTERNATIONAL = Geod(a=6_378_388, f=1 / 297)


@pytest.mark.parametrize(
    ("geod", "lat_1", "lat_2", "longer", "azimuth", "length_m"),
    [
        (BESSEL, (55, 45, 0.0), (-33, 26, 0.0), (108, 13, 0.0), (96, 36, 8.79960), 14_110_526.170),
        (INTERNATIONAL, (37, 19, 54.95367), (26, 7, 42.83946), (41, 28, 35.50729), (95, 27, 59.63089), 4_085_966.703),
        (INTERNATIONAL, (35, 16, 11.24862), (67, 22, 14.77638), (137, 47, 28.31435), (15, 44, 23.74850), 8_084_823.839),
        (INTERNATIONAL, (1, 0, 0.0), (0, -59, -53.83076), (179, 17, 48.02997), (89, 0, 0.0), 19_960_000.000),
        (INTERNATIONAL, (1, 0, 0.0), (1, 1, 15.18952), (179, 46, 17.84244), (4, 59, 59.99995), 19_780_006.5584),
    ],
    ids=["a", "b", "c", "d", "e"],
)
def test_vincenty_1975(
    geod: Geod,
    lat_1: tuple[int, int, float],
    lat_2: tuple[int, int, float],
    longer: tuple[int, int, float],
    azimuth: tuple[int, int, float],
    length_m: float,
) -> None:
    """Lengths are printed to the millimetre, azimuths to 0.00001 second.

    The places are given to 0.3 mm; where they are nearly antipodal (d, e) that turns the azimuth by 0.001 second.
    """
    line = one_leg(geod, 0.0, dms(*lat_1), dms(*longer), dms(*lat_2))
    assert line.length_m[0] == pytest.approx(length_m, abs=1e-3)
    resolved = 2e-5 if length_m < 15_000_000 else 2e-3
    assert line.azimuth_deg[0] == pytest.approx(dms(*azimuth), abs=resolved * SECOND)


class TestProjections:
    """Grids made from a text are the projections that they name."""

    @staticmethod
    def projected(text: str, lon: float, lat: float) -> tuple[float, float]:
        grid = grids.read_grid(text, address="job.grid")
        x, y = grids.cross(grids.geographic(grid), grid).transformer.transform(lon, lat)
        return float(x), float(y)

    def test_snyder_transverse_mercator(self) -> None:
        text = "+proj=tmerc +lat_0=0 +lon_0=-75 +k=0.9996 +ellps=clrk66 +type=crs"
        assert self.projected(text, -73.5, 40.5) == pytest.approx((127_106.5, 4_484_124.4), abs=0.06)

    def test_ordnance_survey(self) -> None:
        """No datum shift: latitude and longitude are on OSGB36 already."""
        place = self.projected("EPSG:27700", dms(1, 43, 4.5177), dms(52, 39, 27.2531))
        assert place == pytest.approx((651_409.903, 313_177.270), abs=6e-4)

    def test_guidance_note_7_2(self) -> None:
        """Printed to the centimetre."""
        assert self.projected("EPSG:27700", 0.5, 50.5) == pytest.approx((577_274.99, 69_740.50), abs=0.01)

    def test_fremantle_64(self) -> None:
        place = self.projected("EPSG:28350", dms(115, 45, 12.74082), dms(-32, 2, 7.16398))
        assert place == pytest.approx((382_306.176, 6_454_969.831), abs=6e-4)


class TestAgainstGeographiclib:
    """A wandering line in several places; the oracle walks each leg by its own geodesic."""

    ELLIPSOID = Geodesic.WGS84

    @pytest.fixture(params=[(7.0, 47.0), (-70.0, -54.0), (179.999, -17.0), (15.0, 89.5), (-120.0, 0.0)])
    def line(self, request: pytest.FixtureRequest) -> Line:
        lon, lat = request.param
        random = np.random.default_rng(7)
        step = np.cumsum(random.uniform(-0.004, 0.004, (25, 2)), axis=0)
        return Line.through((lon + step[:, 0] + 180) % 360 - 180, lat + step[:, 1], geod=Geod(ellps="WGS84"))

    def test_lengths_azimuths_and_turns(self, line: Line) -> None:
        places = list(zip(line.lat_deg.tolist(), line.lon_deg.tolist(), strict=True))
        found = [self.ELLIPSOID.Inverse(*places[row], *places[row + 1]) for row in range(len(line))]
        assert line.length_m == pytest.approx([leg["s12"] for leg in found], abs=2e-8)
        turns = [(found[row + 1]["azi1"] - found[row]["azi2"] + 180) % 360 - 180 for row in range(len(line) - 1)]
        assert line.deflection_deg[1:-1] == pytest.approx(turns, abs=1e-9)

    def test_places(self, line: Line) -> None:
        distance = np.linspace(0, line.length_m.sum(), 203)
        lon, lat = line.at(distance)
        ends = np.concatenate([[0.0], np.cumsum(line.length_m)])
        for row, s in enumerate(distance):
            leg = min(max(int(np.searchsorted(ends, s, side="right")) - 1, 0), len(line) - 1)
            want = self.ELLIPSOID.Direct(
                line.lat_deg[leg], line.lon_deg[leg], float(line.azimuth_deg[leg]), float(s - ends[leg])
            )
            apart = self.ELLIPSOID.Inverse(float(lat[row]), float(lon[row]), want["lat2"], want["lon2"])["s12"]
            assert apart < 1e-6


class TestRadiusOfCurvature:
    """A geodesic of length s turns the vertical by s / R: its chord in space is s (1 - s^2 / 24 R^2)."""

    @pytest.mark.parametrize("lat", [-60.0, -10.0, 0.5, 35.0, 52.0, 80.0])
    @pytest.mark.parametrize("azimuth", [0.0, 30.0, 90.0, 145.0])
    def test_from_a_chord_in_space(self, lat: float, azimuth: float) -> None:
        """Over 100 km the chord is 1.02 m short; R from that is good to 1e-5 (limited by R changing on the way)."""
        geod, s = Geod(ellps="WGS84"), 100_000.0
        lon_1, lat_1, _ = geod.fwd(10.0, lat, azimuth + 180, s / 2)
        lon_2, lat_2, _ = geod.fwd(10.0, lat, azimuth, s / 2)
        ends = in_space(np.array([lon_1, lon_2]), np.array([lat_1, lat_2]), np.zeros(2))
        chord = float(np.linalg.norm(ends[1] - ends[0]))
        radius = np.sqrt(s**3 / (24 * (s - chord)))
        assert radius_of_curvature(geod, np.array(lat), np.array(azimuth)) == pytest.approx(radius, rel=1e-4)


def in_space(lon_deg: Floats, lat_deg: Floats, height_m: Floats) -> Floats:
    """(n, 3) geocentric places of WGS 84 (EPSG:4979 to EPSG:4978)."""
    return np.column_stack(Transformer.from_crs(4979, 4978, always_xy=True).transform(lon_deg, lat_deg, height_m))


class TestGroundDistanceInSpace:
    """The tape between two points at height h is the chord in space: s (1 + h / R), found without any R."""

    @pytest.mark.parametrize("height_m", [-30.0, 100.0, 1000.0, 4000.0])
    @pytest.mark.parametrize(("lat", "azimuth"), [(0.0, 90.0), (0.0, 0.0), (47.0, 33.0), (-54.0, 300.0), (78.0, 150.0)])
    def test_level_ground(self, height_m: float, lat: float, azimuth: float) -> None:
        """Over 500 m in stretches of 10 m: to 0.02 ppm, while the height itself is 5 to 627 ppm."""
        geod = Geod(ellps="WGS84")
        s = np.linspace(0, 500, 51)
        lon_2, lat_2, _ = geod.fwd(20.0, lat, azimuth, 500.0)
        lon, lat_along = one_leg(geod, 20.0, lat, lon_2, lat_2).at(s)
        places = in_space(lon, lat_along, np.full(51, height_m))
        chords = np.linalg.norm(np.diff(places, axis=0), axis=1)
        radius = radius_of_curvature(geod, np.full(50, lat), np.full(50, azimuth))
        ground = along_ground(s, np.full(51, height_m), radius)
        assert ground[-1] == pytest.approx(chords.sum(), rel=2e-8)
        assert abs(ground[-1] / 500 - 1) * 1e6 > 4, "ppm that a test of the wrong height would miss"

    def test_sloping_ground(self) -> None:
        """On a slope of one in four the tape held level is the chord without its rise, at the stretch's mean height."""
        geod = Geod(ellps="WGS84")
        s = np.linspace(0, 400, 1601)
        height = 800 + 0.25 * s
        lon_2, lat_2, _ = geod.fwd(8.0, 46.0, 70.0, 400.0)
        lon, lat = one_leg(geod, 8.0, 46.0, lon_2, lat_2).at(s)
        places = in_space(lon, lat, height)
        slope = np.linalg.norm(np.diff(places, axis=0), axis=1)
        level = np.sqrt(slope**2 - np.diff(height) ** 2)
        radius = radius_of_curvature(geod, np.full(1600, 46.0), np.full(1600, 70.0))
        assert along_ground(s, height, radius)[-1] == pytest.approx(level.sum(), rel=5e-8)
