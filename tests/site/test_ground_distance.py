"""Ground distance against closed forms; the published table and the chords in space are in the validation tests."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from geofence.site.ground_distance import along_ground, elevation_factor, radius_of_curvature

GRS80 = Geod(ellps="GRS80")
LATITUDES = np.array([-90.0, -37.5, 0.0, 12.0, 45.0, 52.0, 89.0])


class TestRadius:
    """Closed forms of the ellipsoid's two principal radii (Bomford, Geodesy; any text)."""

    def test_along_the_meridian(self) -> None:
        sine = np.sin(np.radians(LATITUDES))
        want = GRS80.a * (1 - GRS80.es) / (1 - GRS80.es * sine**2) ** 1.5
        assert radius_of_curvature(GRS80, LATITUDES, np.zeros(7)) == pytest.approx(want, rel=1e-14)
        assert radius_of_curvature(GRS80, LATITUDES, np.full(7, 180.0)) == pytest.approx(want, rel=1e-14)

    def test_across_the_meridian(self) -> None:
        want = GRS80.a / np.sqrt(1 - GRS80.es * np.sin(np.radians(LATITUDES)) ** 2)
        assert radius_of_curvature(GRS80, LATITUDES, np.full(7, 90.0)) == pytest.approx(want, rel=1e-14)
        assert radius_of_curvature(GRS80, LATITUDES, np.full(7, 270.0)) == pytest.approx(want, rel=1e-14)

    def test_at_the_pole_every_way_is_the_same(self) -> None:
        """The polar radius of curvature is a^2 / b."""
        azimuth = np.array([0.0, 33.0, 90.0])
        want = np.full(3, GRS80.a**2 / GRS80.b)
        assert radius_of_curvature(GRS80, np.full(3, 90.0), azimuth) == pytest.approx(want, rel=1e-14)

    def test_between_it_is_the_harmonic_mean_at_45_degrees(self) -> None:
        north, east, middle = radius_of_curvature(GRS80, np.full(3, 30.0), np.array([0.0, 90.0, 45.0]))
        assert middle == pytest.approx(2 / (1 / north + 1 / east), rel=1e-14)


class TestElevationFactor:
    @pytest.mark.parametrize(("height_m", "ppm"), [(100.0, 15.7), (500.0, 78.5), (1000.0, 156.9), (-30.0, -4.7)])
    def test_magnitudes(self, height_m: float, ppm: float) -> None:
        factor = elevation_factor(np.array(height_m), np.array(6_371_000.0))
        assert (1 - factor) * 1e6 == pytest.approx(ppm, abs=0.05)


class TestAlongGround:
    def test_level_ground(self) -> None:
        """s (1 + h / R)."""
        distance = np.linspace(0, 1000, 41)
        radius = np.full(40, 6_380_000.0)
        got = along_ground(distance, np.full(41, 638.0), radius)
        assert got == pytest.approx(distance * 1.0001, rel=1e-14)

    def test_at_height_zero_it_is_the_ellipsoid(self) -> None:
        distance = np.array([0.0, 10.0, 35.0])
        assert along_ground(distance, np.zeros(3), np.full(2, 6.4e6)).tolist() == distance.tolist()

    def test_on_a_slope_the_mean_height_counts(self) -> None:
        """The integral of 1 + h / R over a straight rise from 0 to 100 m is that at 50 m."""
        got = along_ground(np.array([0.0, 400.0]), np.array([0.0, 100.0]), np.array([6.4e6]))
        assert got[1] == pytest.approx(400 * (1 + 50 / 6.4e6), rel=1e-14)

    def test_each_stretch_has_its_own_radius(self) -> None:
        got = along_ground(np.array([0.0, 100.0, 200.0]), np.full(3, 1000.0), np.array([6.3e6, 6.4e6]))
        assert np.diff(got) == pytest.approx([100 * (1 + 1 / 6300), 100 * (1 + 1 / 6400)], rel=1e-14)
