"""A surface cut off at its boundaries: where levels end, and how a place without one is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS

from geofence.site.ground import State
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround

EAST, NORTH = 400_000.0, 100_000.0
RING = shapely.Polygon(
    [(1, 1), (9, 1), (9, 9), (1, 9)], holes=[[(4, 4), (6, 4), (6, 6), (4, 6)]]
)  # fmt: skip


def clipped(*, faces: bool) -> TinGround:
    """A plane of 10 m with a level of its easting, of which a ring is the surface."""
    corners = np.array([(0, 0), (10, 0), (10, 10), (0, 10)], dtype=float)
    survey = SurveyPoints(
        x=corners[:, 0] + EAST,
        y=corners[:, 1] + NORTH,
        level_m=corners[:, 0],
        crs=CRS(27700),
        files=(Path("a.xml"),),
        source="a.xml",
        faces=np.array([(0, 1, 2), (0, 2, 3)]) if faces else None,
        extent=shapely.affinity.translate(RING, EAST, NORTH),
    )
    return TinGround(survey)


@pytest.mark.parametrize("faces", [True, False])
class TestClipped:
    @pytest.mark.parametrize(
        ("place", "expected"),
        [
            ((2, 2), State.LEVEL),
            ((1, 5), State.LEVEL),  # on the edge
            ((1 - 0.0009, 5), State.LEVEL),
            ((1 - 0.0011, 5), State.OUTSIDE),
            ((4, 5), State.LEVEL),
            ((4 + 0.0009, 5), State.LEVEL),
            ((4 + 0.0011, 5), State.NO_DATA),
            ((5, 5), State.NO_DATA),
            ((0.5, 0.5), State.OUTSIDE),  # within the hull of the points
            ((20, 5), State.OUTSIDE),
        ],
    )
    def test_where_levels_end(self, faces: bool, place: tuple[float, float], expected: State) -> None:
        x, y = np.array([place[0] + EAST]), np.array([place[1] + NORTH])
        found = clipped(faces=faces).levels(x, y)
        assert found.state.tolist() == [expected]
        assert np.isfinite(found.level_m[0]) == (expected == State.LEVEL)
        if expected == State.LEVEL:
            assert found.level_m[0] == pytest.approx(place[0], abs=1e-9)  # closed form: the plane

    def test_against_shapely(self, faces: bool) -> None:
        x, y = np.random.default_rng(1).uniform(-2, 12, (2, 2_000))
        found = clipped(faces=faces).levels(x + EAST, y + NORTH)
        inside = shapely.contains_xy(RING, x, y)
        clear = shapely.distance(RING.boundary, shapely.points(x, y)) > 2e-3
        assert np.array_equal((found.state == State.LEVEL)[clear], inside[clear])

    def test_the_rest_is_the_surfaces_own(self, faces: bool) -> None:
        ground = clipped(faces=faces)
        x, y = np.array([1.0, 9.0]) + EAST, np.array([2.0, 8.0]) + NORTH
        assert ground.support_m(x, y) == pytest.approx([5**0.5, 5**0.5], rel=1e-3)
        assert len(ground.bends(np.array([2.0, 8.0]) + EAST, np.array([3.0, 3.0]) + NORTH)[0]) <= 1
        assert ground.findings == ()
