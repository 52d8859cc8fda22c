"""Where a survey's surface ends. Expected: lengths of outlines by hand, and shapely for what is inside."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import CRS

from geofence.site import seam
from geofence.site.seam import outline
from geofence.site.survey_points import SurveyPoints

EAST, NORTH = 560_000.0, 5_800_000.0


def survey(x: Any, y: Any, *, crs: int = 32630, faces: Any = None) -> SurveyPoints:
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    level = 0.1 * (x - x.min()) + 0.2 * (y - y.min())
    return SurveyPoints(x=x, y=y, level_m=level, crs=CRS(crs), files=(Path("a.csv"),), source="a.csv", faces=faces)


def lattice(columns: int, rows: int, apart: float) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(columns) * apart, np.arange(rows) * apart)
    return EAST + x.ravel(), NORTH + y.ravel()


class TestOutline:
    def test_of_a_square_has_its_perimeter(self):
        """40 m each side in edges of 10 m, each in 11 parts at the grid's scale of 0.9996 (10.0037 m)."""
        places = outline(survey(*lattice(5, 5, 10.0)))
        assert len(places.x) == 16 * 11
        on_edge = (
            np.isclose(places.x, EAST) | np.isclose(places.x, EAST + 40)
            | np.isclose(places.y, NORTH) | np.isclose(places.y, NORTH + 40)
        )  # fmt: skip
        assert on_edge.all()

    def test_levels_are_linear_along_it(self):
        places = outline(survey(*lattice(5, 5, 10.0)))
        plane = 0.1 * (places.x - EAST) + 0.2 * (places.y - NORTH)
        np.testing.assert_allclose(places.level_m, plane, atol=1e-9)

    @pytest.mark.parametrize("max_edge_m", [None, 15.0])
    def test_of_an_l_follows_it_only_where_long_edges_are_none(self, max_edge_m):
        x, y = lattice(9, 9, 10.0)
        keep = (x <= EAST + 20) | (y <= NORTH + 20)
        places = outline(survey(x[keep], y[keep]), max_edge_m=max_edge_m)
        inner = shapely.Polygon([(EAST + 26, NORTH + 26), (EAST + 70, NORTH + 26), (EAST + 26, NORTH + 70)])
        within = shapely.contains_xy(inner, places.x, places.y)
        assert not within.any()
        corner = np.hypot(places.x - EAST - 20, places.y - NORTH - 20).min()
        assert (corner < 8) == (max_edge_m is not None), "the corner is cut by the diagonal of a square, at 7.07 m"

    @pytest.mark.parametrize("crs", [32630, 6424, 4326])
    def test_inward_is_inward_whatever_the_unit(self, crs):
        unit = {32630: 1.0, 6424: 3937 / 1200, 4326: 1 / 111_000}[crs]
        start = {32630: (EAST, NORTH), 6424: (6_450_000.0, 1_850_000.0), 4326: (-2.0, 52.0)}[crs]
        generator = np.random.default_rng(5)
        x, y = (origin + generator.uniform(0, 50, 60) * unit for origin in start)
        places = outline(survey(x, y, crs=crs))
        hull = shapely.MultiPoint(np.column_stack([x, y])).convex_hull
        inward, outward = places.inward(0.02), places.inward(-0.02)
        assert shapely.contains_xy(hull, *inward).all()
        assert not shapely.contains_xy(hull, *outward).any()
        if crs != 4326:  # in degrees a metre is not as long east as north
            apart = shapely.distance(shapely.points(*inward), hull.exterior) / unit
            np.testing.assert_allclose(apart, 0.02, rtol=2e-3)

    def test_of_faces_goes_round_holes(self):
        """Eight faces round an empty square: the outer and the inner ring."""
        x, y = lattice(4, 4, 1.0)
        cells = [(row, column) for row in range(3) for column in range(3) if (row, column) != (1, 1)]
        faces = [
            corner for row, column in cells
            for corner in (
                (4 * row + column, 4 * row + column + 1, 4 * row + column + 5),
                (4 * row + column, 4 * row + column + 5, 4 * row + column + 4),
            )
        ]  # fmt: skip
        places = outline(survey(x, y, faces=np.array(faces)))
        inward = places.inward(0.02)
        hole, hull = (
            shapely.box(EAST + 1, NORTH + 1, EAST + 2, NORTH + 2),
            shapely.box(EAST, NORTH, EAST + 3, NORTH + 3),
        )
        rings = [shapely.distance(shapely.points(places.x, places.y), ring.exterior) < 1e-6 for ring in (hole, hull)]
        assert rings[0].sum() == 8, "four edges of a metre, in two parts each at the grid's scale"
        assert rings[1].sum() == 24
        assert rings[0].sum() + rings[1].sum() == len(places.x)
        assert not shapely.contains_xy(hole, *inward).any()

    def test_of_many_points_is_their_hull(self, monkeypatch):
        generator = np.random.default_rng(6)
        x, y = EAST + generator.uniform(0, 50, 500), NORTH + generator.uniform(0, 50, 500)
        whole = outline(survey(x, y))
        monkeypatch.setattr(seam, "MANY", 100)
        hull = outline(survey(x, y))
        ours, theirs = (np.array(sorted(zip(part.x, part.y, strict=True))) for part in (hull, whole))
        np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-6)
