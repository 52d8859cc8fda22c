"""What a tape between places of a grid reads.

(c) geographiclib (C. F. F. Karney) for distances on the ellipsoid, which shares no code with PROJ's binding; chords in
space between places of PROJ's geocentric conversion (EPSG:4978), which know nothing of radii of curvature.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer

from geofence.site import grids
from geofence.site.tape import Spots, Tape, grid_bearing

GRIDS = {
    "UTM at its edge": (32630, -0.2, 53.2),
    "national grid": (27700, -3.5, 51.0),
    "feet": (2227, -121.5, 37.6),
    "on the equator": (32735, 27.0, -0.01),
    "far north": (32633, 15.4, 78.2),
}
HALF_MM = 5e-4


def random_spots(code: int, lon: float, lat: float, *, reach_m: float, seed: int) -> tuple[Spots, Spots, np.ndarray]:
    """Pairs of places within some hundred metres, at levels up to 3000 m; and their degrees."""
    rng = np.random.default_rng(seed)
    scale = reach_m / 111_000 * np.array([1 / math.cos(math.radians(lat)), 1.0])
    degrees = np.array([lon, lat]) + rng.uniform(-1, 1, (8, 2)) * scale
    x, y = Transformer.from_crs(grids.geographic(CRS(code)), code, always_xy=True).transform(*degrees.T)
    level = rng.uniform(0, 3000) + rng.uniform(-20, 20, 8)
    one = Spots(easting=x[:4], northing=y[:4], level_m=level[:4])
    other = Spots(easting=x[4:], northing=y[4:], level_m=level[4:])
    return one, other, degrees


@pytest.mark.parametrize(("code", "lon", "lat"), GRIDS.values(), ids=GRIDS.keys())
class TestBetween:
    def test_is_the_geodesic_raised_to_the_level(self, code: int, lon: float, lat: float) -> None:
        """(c) geographiclib's geodesic, and Euler's formula written out here."""
        separation = 47.0
        one, other, degrees = random_spots(code, lon, lat, reach_m=400, seed=code)
        crs = CRS(code)
        geod = crs.get_geod()
        karney = Geodesic(geod.a, geod.f)
        taped = Tape.on(crs, geoid_separation_m=separation).between(one, other)
        for row in range(4):
            (lon_1, lat_1), (lon_2, lat_2) = degrees[row], degrees[row + 4]
            line = karney.Inverse(lat_1, lon_1, lat_2, lon_2)
            sine, azimuth = math.sin(math.radians((lat_1 + lat_2) / 2)), math.radians(line["azi1"])
            flat = 1 - geod.es * sine**2
            meridian, vertical = geod.a * (1 - geod.es) / flat**1.5, geod.a / math.sqrt(flat)
            radius = 1 / (math.cos(azimuth) ** 2 / meridian + math.sin(azimuth) ** 2 / vertical)
            height = (one.level_m[row] + other.level_m[row]) / 2 + separation
            assert taped[row] == pytest.approx(line["s12"] * (1 + height / radius), abs=1e-6)

    def test_is_the_chord_in_space_between_places_of_one_height(self, code: int, lon: float, lat: float) -> None:
        """(c) a level tape of 400 m is longer than the chord by d^3 / 24 R^2, 0.07 micrometres."""
        one, other, degrees = random_spots(code, lon, lat, reach_m=400, seed=code + 1)
        level = float(one.level_m[0])
        crs = CRS(code)
        flat = [Spots(easting=each.easting, northing=each.northing, level_m=np.full(4, level)) for each in (one, other)]
        space_crs = CRS(f"+proj=geocent +ellps={_ellipsoid(crs)} +type=crs")
        geocentric = Transformer.from_crs(grids.geographic(crs).to_3d(), space_crs, always_xy=True)
        space = np.column_stack(geocentric.transform(*degrees.T, np.full(8, level)))
        chords = np.linalg.norm(space[4:] - space[:4], axis=1)
        assert Tape.on(crs).between(*flat) == pytest.approx(chords, abs=1e-5)

    def test_is_not_what_coordinates_give(self, code: int, lon: float, lat: float) -> None:
        """A grid distance would be off by more than the half millimetre that is promised."""
        one, other, _ = random_spots(code, lon, lat, reach_m=400, seed=code + 2)
        grid_m = np.hypot(one.easting - other.easting, one.northing - other.northing) * grids.unit_m(CRS(code))
        assert np.max(np.abs(Tape.on(CRS(code)).between(one, other) - grid_m)) > 10 * HALF_MM


def _ellipsoid(crs: CRS) -> str:
    return {"Airy 1830": "airy", "GRS 1980": "GRS80", "WGS 84": "WGS84"}[crs.ellipsoid.name]


class TestLevels:
    HERE = Spots(easting=560_000.0, northing=5_900_000.0, level_m=1000.0)

    def test_where_one_is_not_known_the_other_counts(self) -> None:
        tape = Tape.on(CRS(32630))
        unknown = Spots(easting=560_300.0, northing=5_900_000.0, level_m=np.nan)
        known = Spots(easting=560_300.0, northing=5_900_000.0, level_m=1000.0)
        assert tape.between(self.HERE, unknown).tolist() == tape.between(self.HERE, known).tolist()
        assert tape.between(unknown, self.HERE).tolist() == tape.between(known, self.HERE).tolist()

    def test_neither_is_known(self) -> None:
        nowhere = Spots(easting=560_000.0, northing=5_900_000.0, level_m=np.nan)
        with pytest.raises(ValueError, match="level of one of its ends"):
            Tape.on(CRS(32630)).between(nowhere, nowhere)


class TestAside:
    def test_of_a_sight_line_of_ten_kilometres(self) -> None:
        """(c) geographiclib: places on the geodesic lie on it, though on the grid the line is bent by 48 mm."""
        karney = Geodesic.WGS84
        line = karney.InverseLine(53.0, 0.1, 53.06, 0.22)
        places = [line.Position(share * line.s13) for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
        to_grid = Transformer.from_crs(4326, 32630, always_xy=True)
        x, y = to_grid.transform([place["lon2"] for place in places], [place["lat2"] for place in places])
        spots = [Spots(easting=x[row : row + 1], northing=y[row : row + 1], level_m=0.0) for row in range(5)]
        inner = Spots(easting=x[1:4], northing=y[1:4], level_m=0.0)
        assert Tape.on(CRS(32630)).aside(spots[0], spots[4], inner) == pytest.approx([0, 0, 0], abs=1e-4)
        across = np.array([x[4] - x[0], y[4] - y[0]]) / math.hypot(x[4] - x[0], y[4] - y[0])
        bow = (x[2] - x[0]) * across[1] - (y[2] - y[0]) * across[0]
        assert abs(bow) > 0.04

    def test_right_is_positive(self) -> None:
        """(a) north along the central meridian, a place to the east."""
        start, end = (Spots(easting=500_000.0, northing=north, level_m=0.0) for north in (5_900_000.0, 5_900_100.0))
        east = Spots(easting=500_002.0, northing=5_900_050.0, level_m=0.0)
        assert Tape.on(CRS(32630)).aside(start, end, east) == pytest.approx([2.0 / 0.9996], abs=1e-5)


def test_grid_bearing_goes_round_clockwise() -> None:
    """(a)"""
    here = Spots(easting=0.0, northing=0.0, level_m=0.0)
    ways = Spots(easting=[0.0, 1.0, 0.0, -1.0, -1e-9], northing=[1.0, 0.0, -1.0, 0.0, -1.0], level_m=0.0)
    assert grid_bearing(here, ways) == pytest.approx([0, 90, 180, 270, 180], abs=1e-6)
