"""Levels from triangulated surveys against sources that are not ours.

Sources
-------
Davis, J. C. (1973), *Statistics and Data Analysis in Geology*, Wiley, New York: 52 levels of a field 310 feet square;
coordinates in units of 50 feet, levels in feet. Also the data set ``topo`` of Venables and Ripley's R package MASS.
SciPy, ``scipy.interpolate.LinearNDInterpolator`` on ``scipy.spatial.Delaunay`` (Qhull).
matplotlib, ``matplotlib.tri.LinearTriInterpolator`` with its own search for the triangle.
LandXML 1.2: a point is northing, easting, elevation.
"""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from geofence.site.ground import State
from geofence.site.tin import TinGround
from tests.sites import hilly
from tests.surveys import along, at, rounded, survey, turned

# fmt: off
DAVIS = np.array([
    (0.3, 6.1, 870), (1.4, 6.2, 793), (2.4, 6.1, 755), (3.6, 6.2, 690), (5.7, 6.2, 800), (1.6, 5.2, 800),
    (2.9, 5.1, 730), (3.4, 5.3, 728), (3.4, 5.7, 710), (4.8, 5.6, 780), (5.3, 5.0, 804), (6.2, 5.2, 855),
    (0.2, 4.3, 830), (0.9, 4.2, 813), (2.3, 4.8, 762), (2.5, 4.5, 765), (3.0, 4.5, 740), (3.5, 4.5, 765),
    (4.1, 4.6, 760), (4.9, 4.2, 790), (6.3, 4.3, 820), (0.9, 3.2, 855), (1.7, 3.8, 812), (2.4, 3.8, 773),
    (3.7, 3.5, 812), (4.5, 3.2, 827), (5.2, 3.2, 805), (6.3, 3.4, 840), (0.3, 2.4, 890), (2.0, 2.7, 820),
    (3.8, 2.3, 873), (6.3, 2.2, 875), (0.6, 1.7, 873), (1.5, 1.8, 865), (2.1, 1.8, 841), (2.1, 1.1, 862),
    (3.1, 1.1, 908), (4.5, 1.8, 855), (5.5, 1.7, 850), (5.7, 1.0, 882), (6.2, 1.0, 910), (0.4, 0.5, 940),
    (1.4, 0.6, 915), (1.4, 0.1, 890), (2.1, 0.7, 880), (2.3, 0.3, 870), (3.1, 0.0, 880), (4.1, 0.8, 960),
    (5.4, 0.4, 890), (6.0, 0.1, 860), (5.7, 3.0, 830), (3.6, 6.0, 705),
])
# fmt: on


class TestDavis:
    @pytest.fixture
    def ground(self) -> TinGround:
        return TinGround(survey(DAVIS[:, :2] * 15.24, DAVIS[:, 2]))

    def test_the_table_is_as_published(self) -> None:
        assert len(DAVIS) == 52
        assert DAVIS[:, 2].mean() == pytest.approx(827.0769230769)
        assert (DAVIS[:, 2].min(), DAVIS[:, 2].max()) == (690, 960)

    @pytest.mark.parametrize(
        ("place", "rows", "weights", "level"),
        [
            ((3, 3), (30, 31, 25), (0.41981132, 0.13679245, 0.44339623), 823.7028301887),
            ((1, 1), (43, 33, 42), None, 901.8813559322),
            ((5, 5), (11, 10, 19), None, 792.2608695652),
            ((2.5, 4), (17, 16, 24), None, 767.1428571429),
        ],
    )
    def test_the_plane_through_three_points(
        self,
        ground: TinGround,
        place: tuple[float, float],
        rows: tuple[int, ...],
        weights: tuple[float, ...] | None,
        level: float,
    ) -> None:
        """The triangles are unique: no other point is within 0.138 units of their circles. Weights by hand."""
        corners = DAVIS[np.array(rows) - 1]
        by_hand = np.linalg.solve(np.vstack([corners[:, :2].T, np.ones(3)]), [*place, 1])
        if weights is not None:
            assert by_hand == pytest.approx(weights, abs=1e-8)
        assert by_hand @ corners[:, 2] == pytest.approx(level, abs=1e-9)
        found = ground.levels(*at(np.array([place]) * 15.24))
        assert found.level_m[0] == pytest.approx(level, abs=2e-7)  # coordinates at 4e5 m resolve 6e-11 m, slope 1e3
        assert found.state[0] == State.LEVEL

    def test_beyond_the_hull_there_is_no_level(self, ground: TinGround) -> None:
        found = ground.levels(*at(np.array([[0, 0], [6.4, 3], [3, 6.3]]) * 15.24))
        assert np.isnan(found.level_m).all()
        assert (found.state == State.OUTSIDE).all()


def peers(points: np.ndarray, level: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Levels by SciPy and by matplotlib; NaN outside the hull."""
    by_scipy = LinearNDInterpolator(Delaunay(points), level)(places)
    tin = Triangulation(*points.T)
    by_matplotlib = LinearTriInterpolator(tin, level)(*places.T).filled(np.nan)
    return by_scipy, by_matplotlib


SHAPES = {
    "square": (lambda rng: rng.random((4000, 2)) * 200, [[20, 30], [180, 40], [170, 190], [30, 20]]),
    "few": (lambda rng: rng.random((30, 2)) * 200, [[60, 70], [140, 80], [120, 140]]),
    "thin": (lambda rng: rng.random((3000, 2)) * [2000, 5], [[10, 2], [1990, 3]]),
    "traverses": (
        lambda rng: np.concatenate(
            [
                np.column_stack([np.arange(0, 300, 0.5), np.full(600, row * 30.0)]) + rng.random((600, 2)) * 0.2
                for row in range(10)
            ]
        ),
        [[10, 40], [290, 50], [20, 250]],
    ),
    "with a lake": (
        lambda rng: (lambda points: points[np.hypot(*(points - 100).T) > 60])(rng.random((6000, 2)) * 200),
        [[5, 100], [195, 104]],
    ),
    "clustered": (
        lambda rng: np.concatenate([rng.random((300, 2)) * 200, rng.random((4000, 2)) * 8 + 90]),
        [[30, 60], [92, 94], [180, 150]],
    ),
}


class TestPeers:
    @pytest.mark.parametrize("shape", SHAPES)
    def test_same_levels_as_a_triangulation_of_everything(self, shape: str) -> None:
        rng = np.random.default_rng(sorted(SHAPES).index(shape))
        make, corners = SHAPES[shape]
        points = rounded(make(rng))
        level = hilly(*points.T)
        places = along(corners, 2000)
        found = TinGround(survey(points, level)).levels(*at(places))
        for peer in peers(points, level, places):
            both = np.isfinite(peer) & (found.state == State.LEVEL)
            assert np.count_nonzero(both) > 1800
            assert np.abs(found.level_m - peer)[both].max() < 1e-9
            assert np.array_equal(np.isfinite(peer), found.state == State.LEVEL)

    @pytest.mark.parametrize("angle_deg", [0.0, 17.0])
    def test_in_a_grid_of_points_one_of_the_two_diagonals(self, angle_deg: float) -> None:
        """Points on circles: both cuts of a square are Delaunay. In the squares' own frame, by closed form."""
        rng = np.random.default_rng(4)
        grid = np.stack(np.meshgrid(np.arange(60.0), np.arange(60.0)), axis=-1).reshape(-1, 2)
        level = rng.normal(100, 2, len(grid))
        places = along([[3.2, 5.1], [52.3, 20.7], [7.9, 55.5]], 3000)
        ground = TinGround(survey(turned(grid, angle_deg), level))
        found = ground.levels(*at(turned(places, angle_deg))).level_m
        column, row = np.floor(places).astype(int).T
        u, v = (places - np.floor(places)).T
        z = level.reshape(60, 60)
        z00, z01, z10, z11 = z[row, column], z[row, column + 1], z[row + 1, column], z[row + 1, column + 1]
        rising = np.where(u > v, z00 + u * (z01 - z00) + v * (z11 - z01), z00 + v * (z10 - z00) + u * (z11 - z10))
        falling = np.where(
            u + v < 1, z00 + u * (z01 - z00) + v * (z10 - z00), z11 + (1 - u) * (z10 - z11) + (1 - v) * (z01 - z11)
        )
        assert np.minimum(np.abs(found - rising), np.abs(found - falling)).max() < 1e-8
        assert np.abs(rising - falling).max() > 1

    def test_no_point_is_lost_at_full_grid_coordinates(self) -> None:
        """Qhull drops points at a northing of 6,000,000 where they lie a decimetre apart; every one must be met."""
        rng = np.random.default_rng(8)
        points = rng.random((3000, 2)) * 6 + [0, 5_700_000]
        level = rng.normal(100, 1, len(points))
        inner = np.flatnonzero((np.abs(points - points.mean(axis=0)) < 2.5).all(axis=1))
        data = survey(points, level)
        found = TinGround(data).levels(data.x[inner], data.y[inner])
        assert found.level_m == pytest.approx(level[inner], abs=1e-6)


class TestOrderOfAxes:
    def test_landxml_points_are_northing_first(self) -> None:
        """``<P id="10">200 100 7</P>`` lies at easting 100, northing 200: the record takes easting first."""
        northing, easting, level = 200.0, 100.0, 7.0
        points = np.array([[easting, northing], [110, 200], [100, 210]])
        found = TinGround(survey(points, [level, 8, 9])).levels(*at(np.array([[100.0, 200.0], [105, 200]])))
        assert found.level_m == pytest.approx([7, 7.5], abs=1e-8)
