"""Feet of points on the line, against geodesics (c): geographiclib by C. F. F. Karney, "Algorithms for geodesics",
Journal of Geodesy 87 (2013), 43-55. A point square off a geodesic at its distance has its foot there.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod

from geofence.site.feet import Feet, feet
from geofence.site.line import Line
from geofence.site.profile import GroundLine
from geofence.site.true_plane import stretches

WGS84 = CRS.from_epsg(4326)
EARTH = Geodesic.WGS84
RADIUS_M = 6_380_000.0
START, AZIMUTH_DEG = (53.2, -2.1), 37.0


def ground_line(*, length_m: float, level_m: float) -> GroundLine:
    """A geodesic at one level; chainages on the ground by the height above the ellipsoid, to 1e-3 of that height."""
    end = EARTH.Direct(*START, AZIMUTH_DEG, length_m)
    line = Line.through(np.array([START[1], end["lon2"]]), np.array([START[0], end["lat2"]]), geod=Geod(ellps="WGS84"))
    distance = np.linspace(0.0, float(line.length_m[0]), int(length_m) + 1)
    return GroundLine(
        line=line,
        distance_m=distance,
        chainage_m=distance * (1 + level_m / RADIUS_M),
        level_m=np.full(len(distance), level_m),
        state=np.zeros(len(distance), dtype=np.uint8),
    )


def found(run: GroundLine, places: list[tuple[float, float]], *, look_m: float = 5.0) -> Feet:
    """Feet of places so far along the geodesic and so far to the left of it."""
    lon, lat = [], []
    for along, left in places:
        at = EARTH.Direct(*START, AZIMUTH_DEG, along)
        aside = EARTH.Direct(at["lat2"], at["lon2"], at["azi2"] - 90.0, left)
        lon.append(aside["lon2"])
        lat.append(aside["lat2"])
    planes = stretches(0, run, datum=WGS84, geoid_separation_m=0.0)
    return feet(planes, np.array(lon), np.array(lat), look_m=look_m)


@pytest.mark.parametrize("level_m", [0.0, 1500.0])
def test_square_off_the_line_they_are_there(level_m: float) -> None:
    run, places = (
        ground_line(length_m=7000.0, level_m=level_m),
        [(1.3, 0.2), (1999.7, -3.0), (2345.6, 4.9), (6999.0, 0.0)],
    )
    feet = found(run, places)
    up = 1 + level_m / RADIUS_M
    assert feet.chainage_m == pytest.approx([along * up for along, _ in places], abs=5e-4)
    assert feet.away_m == pytest.approx([left * up for _, left in places], abs=5e-5)
    assert feet.beyond_m == pytest.approx(0.0, abs=5e-5)


def test_beyond_its_ends_they_are_the_ends() -> None:
    feet = found(ground_line(length_m=100.0, level_m=0.0), [(-0.3, 0.4), (100.6, 0.0)])
    assert feet.chainage_m == pytest.approx([0.0, 100.0], abs=1e-6)
    assert np.abs(feet.away_m) == pytest.approx([0.5, 0.6], abs=1e-5)
    assert feet.beyond_m == pytest.approx([0.3, 0.6], abs=1e-5)


def test_far_from_it_there_are_none() -> None:
    feet = found(ground_line(length_m=100.0, level_m=0.0), [(50.0, 5.1), (50.0, 4.9), (50.0, 900_000.0)])
    assert np.isnan(feet.chainage_m).tolist() == [True, False, True]
    assert np.isnan(feet.away_m).tolist() == [True, False, True]
