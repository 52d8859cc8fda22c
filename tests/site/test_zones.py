"""Where the line crosses drawn shapes, on the ground: closed forms, geographiclib for distances."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod, Transformer

from geofence.site import grids
from geofence.site.line import Line
from geofence.site.profile import GroundLine
from geofence.site.true_plane import STRETCH_M, TrueStretch, stretches
from geofence.site.zones import Crossing, Drawing, crossings, distances, nearest, outlines, triangle

UTM = CRS(32630)
DEGREES = grids.geographic(UTM)
WEST, SOUTH = 560_000.0, 5_800_000.0
CORNER = np.array([WEST, SOUTH])
RADIUS_M = 6_371_000.0


def run(corners: Sequence[tuple[float, float]], *, level_m: float = 0.0, from_m: float = 0.0) -> GroundLine:
    """A line through corners (metres from a corner of the grid) on level ground, stations 0.25 m apart."""
    xy = np.array(corners, dtype=float) + CORNER
    lon, lat = Transformer.from_crs(UTM, DEGREES, always_xy=True).transform(*xy.T)
    line = Line.through(np.array(lon), np.array(lat), geod=Geod(ellps="WGS84"))
    end = float(line.length_m.sum())
    distance = np.unique(np.concatenate([np.arange(0, end, 0.25), line.vertex_distance_m]))
    scale = 1 + level_m / RADIUS_M
    return GroundLine(
        line=line, distance_m=distance, chainage_m=distance * scale, level_m=np.full(len(distance), level_m),
        state=np.zeros(len(distance), dtype=np.uint8), from_m=from_m,
    )  # fmt: skip


def laid(ground: GroundLine, *, row: int = 0) -> list[TrueStretch]:
    return list(stretches(row, ground, datum=UTM, geoid_separation_m=0.0))


def drawing(*shapes: object, crs: CRS = UTM) -> Drawing:
    """Shapes in metres from the corner, carried to a grid."""
    way = Transformer.from_crs(UTM, crs, always_xy=True)

    def carried(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(way.transform(*(xy + CORNER).T))

    return Drawing(
        crs=crs, shapes=tuple(shapely.transform(shape, carried) for shape in shapes), names=("",) * len(shapes)
    )


def met(found: Drawing, line: Sequence[TrueStretch], *, reach_m: float = 0.0) -> list[Crossing]:
    return crossings(found, line, to_degrees(found), reach_m=reach_m)


def to_degrees(found: Drawing) -> Transformer:
    return Transformer.from_crs(found.crs, DEGREES, always_xy=True)


SCALE = 1 / 0.999644
"""Ground over grid there: UTM's 0.9996 with x = 60 km from the meridian, x^2 / 2R^2 = 4.43e-5."""

EAST = run([(0, 50), (400, 50)])


class TestCrossings:
    def test_an_area(self) -> None:
        (found,) = met(drawing(shapely.box(100, 0, 130, 100)), laid(EAST))
        assert (found.from_m, found.to_m) == pytest.approx((100 * SCALE, 130 * SCALE), abs=0.01)
        assert found.closest_m == 0.0

    def test_a_pipe_crossed_at_right_angles_and_aslant(self) -> None:
        """A line crossed at 30 degrees is within 1 m over 2 m / sin 30 degrees."""
        square = drawing(shapely.LineString([(200, 0), (200, 100)]))
        slant = drawing(shapely.LineString([(200 - 50 * 3**0.5, 0), (200 + 50 * 3**0.5, 100)]))
        for found, length in ((square, 2.0), (slant, 4.0)):
            (each,) = met(found, laid(EAST), reach_m=1.0)
            assert each.to_m - each.from_m == pytest.approx(length, abs=2e-4)
            assert each.closest_m == pytest.approx(0.0, abs=1e-6)
            assert (each.from_m + each.to_m) / 2 == pytest.approx(200 * SCALE, abs=0.01)

    def test_a_tree_beside_the_line(self) -> None:
        """3 m (on the grid) beside it, 5 m to keep: a chord of 2 sqrt(25 - 9 SCALE^2)."""
        (found,) = met(drawing(shapely.Point(150, 53)), laid(EAST), reach_m=5.0)
        apart = 3 * SCALE
        assert found.to_m - found.from_m == pytest.approx(2 * (25 - apart**2) ** 0.5, abs=5e-4)
        assert found.closest_m == pytest.approx(apart, abs=1e-5)
        assert found.closest_at_m == pytest.approx(150 * SCALE, abs=0.01)
        assert met(drawing(shapely.Point(150, 53)), laid(EAST), reach_m=2.99) == []

    def test_the_edges_are_never_too_near(self) -> None:
        """What a buffer approximates by chords: its ends lie at the distance or up to 0.02 mm a metre beyond."""
        shape = drawing(shapely.LineString([(140, 58), (150, 53), (170, 56)]))
        for reach in (4.0, 6.5, 40.0):
            (found,) = met(shape, laid(EAST), reach_m=reach)
            apart = distances(
                shape, found, laid(EAST), to_degrees(shape), np.array([found.from_m, found.to_m]), reach_m=reach
            )
            assert np.all(apart >= reach - 1e-6)
            assert np.all(apart <= reach * (1 + 2.1e-5))

    def test_holes_and_parts_and_several_shapes(self) -> None:
        ring = shapely.Polygon([(20, 0), (80, 0), (80, 100), (20, 100)], [[(40, 40), (60, 40), (60, 60), (40, 60)]])
        both = shapely.MultiPolygon([shapely.box(100, 0, 110, 100), shapely.box(120, 0, 130, 100)])
        found = met(drawing(ring, both), laid(EAST))
        spans = [(each.shape, round(each.from_m / SCALE), round(each.to_m / SCALE)) for each in found]
        assert spans == [(0, 20, 40), (0, 60, 80), (1, 100, 110), (1, 120, 130)]

    def test_an_edge_is_part_of_its_area_and_a_touch_is_no_crossing(self) -> None:
        along = drawing(shapely.box(100, 50, 130, 100))
        beside = drawing(shapely.box(100, 50.01, 130, 100))
        touching = drawing(shapely.Polygon([(200, 50), (190, 80), (210, 80)]))
        assert len(met(along, laid(EAST))) == 1
        assert met(beside, laid(EAST)) == []
        assert met(touching, laid(EAST)) == []

    def test_a_line_with_no_width_is_crossed_at_a_place(self) -> None:
        (found,) = met(drawing(shapely.LineString([(50, 0), (50, 99)])), laid(EAST))
        assert found.from_m == pytest.approx(50 * SCALE, abs=0.01)
        assert found.to_m - found.from_m < 0.003

    def test_a_place_visited_twice_is_crossed_twice(self) -> None:
        there_and_back = run([(0, 50), (100, 50), (100, 50.5), (0, 50.5)])
        found = met(drawing(shapely.box(40, 0, 50, 100)), laid(there_and_back))
        middles = [(each.from_m + each.to_m) / 2 / SCALE for each in found]
        assert middles == pytest.approx([45, 155.5], abs=0.02)

    def test_the_start_of_a_ring(self) -> None:
        ring = run([(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)])
        found = met(drawing(shapely.Point(0, 0)), laid(ring), reach_m=2.0)
        assert [(round(each.from_m, 2), round(each.to_m, 2)) for each in found] == [
            (0.0, 2.0), (round(400 * SCALE - 2, 2), round(400 * SCALE, 2)),
        ]  # fmt: skip

    def test_chainages_are_those_of_the_plan(self) -> None:
        late = run([(0, 50), (400, 50)], from_m=1000.0)
        (found,) = met(drawing(shapely.box(100, 0, 130, 100)), laid(late, row=3))
        assert (found.run, found.from_m) == (3, pytest.approx(1000 + 100 * SCALE, abs=0.01))


class TestOnTheGround:
    @pytest.mark.parametrize(
        "crs",
        [
            UTM,
            CRS(32631),
            CRS(4326),
            CRS(3857),
            CRS("+proj=lcc +lat_1=51 +lat_2=54 +lon_0=-1 +datum=WGS84 +units=us-ft"),
        ],
        ids=["its own zone", "the next zone", "degrees", "web map", "LCC in US feet"],
    )
    def test_the_grid_it_is_drawn_in_does_not_matter(self, crs: CRS) -> None:
        shapes = shapely.LineString([(150, 0), (170, 100)]), shapely.Point(250, 53), shapely.box(300, 40, 330, 90)
        home = met(drawing(*shapes), laid(EAST), reach_m=5.0)
        away = met(drawing(*shapes, crs=crs), laid(EAST), reach_m=5.0)
        assert len(home) == len(away) == 3
        for one, other in zip(home, away, strict=True):
            assert (other.from_m, other.to_m) == pytest.approx((one.from_m, one.to_m), abs=1e-3)
            assert other.closest_m == pytest.approx(one.closest_m, abs=1e-4)

    @pytest.mark.parametrize("level", [0.0, 1500.0])
    def test_distances_are_geodesics_at_the_height_of_the_ground(self, level: float) -> None:
        """geographiclib's geodesic times (1 + h / R), 200 m away; R within 0.3 % of any radius of curvature there."""
        ground = run([(0, 50), (400, 50)], level_m=level)
        shape = drawing(shapely.Point(200, 250))
        line = laid(ground)
        (found,) = met(shape, line, reach_m=300.0)
        at = np.array([found.closest_at_m])
        lon, lat = ground.places(at)
        there = to_degrees(shape).transform(*shape.shapes[0].coords[0])
        geodesic = Geodesic.WGS84.Inverse(float(lat[0]), float(lon[0]), there[1], there[0])["s12"]
        assert found.closest_m == pytest.approx(geodesic * (1 + level / 6_385_000), rel=2e-6)
        measured = distances(shape, found, line, to_degrees(shape), at, reach_m=300.0)
        assert measured[0] == pytest.approx(found.closest_m, abs=1e-6)

    def test_a_crossing_goes_on_from_one_stretch_into_the_next(self) -> None:
        long = run([(0, 50), (2.4 * STRETCH_M, 50)])
        line = laid(long)
        assert len(line) == 3
        joint = float(line[0].chainage_m[-1])
        (found,) = met(drawing(shapely.box(joint - 40, 0, joint + 60, 100)), line)
        assert found.to_m - found.from_m == pytest.approx(100 * SCALE, abs=0.02)

    def test_long_edges_stay_straight_in_their_own_grid(self) -> None:
        """An edge of 80 km along a parallel of the grid: straight there, it leaves the geodesic by 100 m."""
        edge = drawing(shapely.LineString([(-40_000, 60), (40_000, 60)]))
        (found,) = met(edge, laid(EAST), reach_m=20.0)
        assert found.closest_m == pytest.approx(10 * SCALE, abs=0.001)


class TestNearest:
    def test_beyond_reach(self) -> None:
        far = drawing(shapely.Point(200, 130))
        assert nearest(far, laid(EAST), to_degrees(far), reach_m=1.0) == pytest.approx(80 * SCALE, abs=1e-3)

    def test_far_away(self) -> None:
        far = drawing(shapely.Point(200, 9000))
        assert nearest(far, laid(EAST), to_degrees(far), reach_m=1.0) == np.inf
        assert met(far, laid(EAST), reach_m=1.0) == []


class TestTriangle:
    def test_sides_are_as_long_as_asked(self) -> None:
        apex = (WEST + 100, SOUTH + 50)
        found = triangle(apex, [(WEST + 300, SOUTH + 50), (WEST + 100, SOUTH + 60)], (7.62, 5.0), UTM)
        lon, lat = Transformer.from_crs(UTM, DEGREES, always_xy=True).transform(*np.array(found.exterior.coords).T)
        for corner, length in ((1, 7.62), (2, 5.0)):
            geodesic = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[corner], lon[corner])
            assert geodesic["s12"] == pytest.approx(length, abs=1e-6)

    @pytest.mark.parametrize("toward", [[(0, 0), (9, 9)], [(5, 0), (10, 0)], [(5, 0), (-5, 0)]])
    def test_sides_without_an_angle(self, toward: list[tuple[float, float]]) -> None:
        with pytest.raises(ValueError, match="no angle"):
            triangle((WEST, SOUTH), [(WEST + x, SOUTH + y) for x, y in toward], (5.0, 5.0), UTM)


def test_outlines_are_rings_lines_and_points_near_the_line() -> None:
    ring = shapely.Polygon([(20, 0), (80, 0), (80, 100), (20, 100)], [[(40, 40), (60, 40), (60, 60), (40, 60)]])
    shapes = drawing(ring, shapely.LineString([(50, -90_000), (50, 90_000)]), shapely.Point(9, 9))
    found = outlines(shapes, laid(EAST), to_degrees(shapes).transform, to_degrees(shapes))
    assert [(each.area, len(each.lon_deg)) for each in found] == [(True, 9), (True, 5), (False, 43), (False, 1)]
    assert np.ptp(found[2].lat_deg) < 0.05, "what lies far away is left out"


def test_outlines_of_long_edges_stay_on_them() -> None:
    """(a) half way between their places too, to 0.1 mm; drawn by its ends alone an edge of 1.8 km leaves it by 8 cm."""
    line = shapely.LineString([(50 - 900, 100 - 30), (50 + 900, 100 + 30)])
    shapes = drawing(line)
    (found,) = outlines(shapes, laid(EAST), to_degrees(shapes).transform, to_degrees(shapes))
    back = to_degrees(shapes)
    middle = [(values[:-1] + values[1:]) / 2 for values in (found.lon_deg, found.lat_deg)]
    places = shapely.points(*back.transform(*middle, direction="INVERSE"))
    assert shapely.distance(places, shapes.shapes[0]).max() < 1e-4
