"""Where lines meet, against two outside sources.

- GEOS through Shapely (S. Gillies and others, https://shapely.readthedocs.io): ``unary_union`` cuts straight lines of a
  plane at all places where they meet. Small lines near the middle of a plane that is true in distance are sight lines
  to a hundredth of a millimetre.
- GeographicLib (C. F. F. Karney, "Algorithms for geodesics", Journal of Geodesy 87, 2013, 43-55): where a place lies
  along a geodesic of any length, to nanometres.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import Geod
from scipy.spatial import cKDTree

from geofence.site.geodesics import plane_about
from geofence.site.line import Line
from geofence.site.network import network

GRS80 = Geod(ellps="GRS80")
KARNEY = Geodesic(6378137.0, 1 / 298.257222101)
PLANE = plane_about(GRS80, 10.4, 47.8)


def wandering(rng: np.random.Generator, *, lines: int, legs: int, size_m: float) -> list[np.ndarray]:
    """Lines that start anywhere in a square and turn a little at each vertex."""
    found = []
    for _ in range(lines):
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.5, legs))
        steps = rng.uniform(10, 40, (legs, 1)) * np.column_stack([np.cos(heading), np.sin(heading)])
        found.append(rng.uniform(-size_m / 2, size_m / 2, 2) + np.vstack([[0, 0], np.cumsum(steps, axis=0)]))
    return found


def line(xy: np.ndarray) -> Line:
    lon, lat = PLANE.transform(xy[:, 0], xy[:, 1], direction="INVERSE")
    return Line.through(np.asarray(lon), np.asarray(lat), geod=GRS80)


def cut_at(lines: list[np.ndarray]) -> np.ndarray:
    """Places at which three or more pieces end once GEOS has cut all lines at each other."""
    pieces = shapely.get_parts(shapely.unary_union([shapely.LineString(xy) for xy in lines]))
    ends = Counter(
        tuple(np.round(end, 7)) for piece in pieces for end in shapely.get_coordinates(piece)[[0, -1]].tolist()
    )
    return np.array([place for place, count in ends.items() if count > 2])


@pytest.mark.parametrize("seed", range(5))
def test_junctions_are_where_geos_cuts_lines(seed):
    lines = wandering(np.random.default_rng(seed), lines=40, legs=12, size_m=600)
    # next to no tolerance: a vertex a centimetre beside a leg is a node of ours, and not of theirs
    found = network([line(xy) for xy in lines], join_m=1e-6, near_m=1e-6)
    ours = np.column_stack(
        PLANE.transform([each.lon_deg for each in found.junctions], [each.lat_deg for each in found.junctions])
    )
    theirs = cut_at(lines)
    assert len(theirs) == len(ours) > 50
    apart, partner = cKDTree(ours).query(theirs)
    assert len(set(partner)) == len(ours)
    assert apart.max() < 1e-4


@pytest.mark.parametrize("seed", range(3))
def test_a_junction_is_one_place_on_each_of_its_long_lines(seed):
    """Lines of up to 60 km, which leave any straight line of a grid by metres."""
    rng = np.random.default_rng(seed)
    drawn = [Line.through(rng.uniform(10.0, 10.8, 2), rng.uniform(47.5, 48.1, 2), geod=GRS80) for _ in range(30)]
    found = network(drawn, join_m=0.02, near_m=1.0)
    assert len(found.junctions) > 50
    for junction in found.junctions:
        for run, along_m in junction.visits:
            start = found.runs[run]
            there = KARNEY.Direct(start.lat_deg[0], start.lon_deg[0], start.azimuth_deg[0], along_m)
            away = KARNEY.Inverse(there["lat2"], there["lon2"], junction.lat_deg, junction.lon_deg)["s12"]
            assert away < 1e-6
