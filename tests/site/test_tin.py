"""TinGround: levels, states, break lines, faces, coincident points, bends, support, the relief, and what is refused.

Expected levels are closed forms unless said.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS, Geod
from scipy.spatial import cKDTree

from geofence.errors import InputError
from geofence.site.ground import Ground, State
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround
from tests.surveys import CORNER, along, at, rounded, survey, turned

SQUARE = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])


def plane(points: np.ndarray) -> np.ndarray:
    return 120 + 0.25 * points[:, 0] - 0.125 * points[:, 1]


def scattered(count: int, *, seed: int = 0, size: float = 100.0) -> np.ndarray:
    return rounded(np.random.default_rng(seed).random((count, 2)) * size)


def levels(ground: Ground, places: Sequence[Sequence[float]] | np.ndarray) -> np.ndarray:
    return ground.levels(*at(np.asarray(places, dtype=np.float64))).level_m


def states(ground: Ground, places: Sequence[Sequence[float]] | np.ndarray) -> list[State]:
    return [State(state) for state in ground.levels(*at(np.asarray(places, dtype=np.float64))).state]


class TestPlane:
    def test_a_tilted_plane_comes_back(self) -> None:
        points = scattered(800)
        places = along([[20, 20], [80, 30], [50, 85]], 500)
        assert levels(TinGround(survey(points, plane(points))), places) == pytest.approx(plane(places), abs=1e-9)

    def test_each_point_has_its_own_level(self) -> None:
        points = scattered(300)
        level = np.random.default_rng(1).normal(50, 5, 300)
        inner = np.all((points > 10) & (points < 90), axis=1)
        assert levels(TinGround(survey(points, level)), points[inner]) == pytest.approx(level[inner], abs=1e-9)

    def test_three_points_are_a_ground(self) -> None:
        ground = TinGround(survey(SQUARE[:3], [1.0, 2.0, 4.0]))
        assert levels(ground, [[10, 5], [5, 0], [8, 2]]) == pytest.approx([3, 1.5, 2.2], abs=1e-9)

    @pytest.mark.parametrize("crs", ["EPSG:27700", "EPSG:4326", "EPSG:2263", "EPSG:3857"])
    def test_in_any_grid(self, crs: str) -> None:
        """A plane of the grid's own coordinates, whatever their unit."""
        grid = CRS(crs)
        unit = 1e-5 if grid.is_geographic else 1.0
        origin = {"EPSG:4326": (-1.5, 52.5), "EPSG:2263": (990_000, 200_000), "EPSG:3857": (-160_000, 6_890_000)}.get(
            crs, (412_300, 287_600)
        )
        points = scattered(500) * unit + origin
        level = 100 + (points[:, 0] - origin[0]) / unit * 0.2
        ground = TinGround(
            SurveyPoints(x=points[:, 0], y=points[:, 1], level_m=level, crs=grid, files=(), source="points.csv")
        )
        places = along([[20, 20], [80, 75]], 200) * unit + origin
        found = ground.levels(*places.T).level_m
        assert found == pytest.approx(100 + (places[:, 0] - origin[0]) / unit * 0.2, abs=1e-5)


class TestStates:
    @pytest.fixture
    def ground(self) -> TinGround:
        """Two squares of points 100 m apart, with the triangles between them too long."""
        grid = np.stack(np.meshgrid(np.arange(0, 11.0), np.arange(0, 11.0)), axis=-1).reshape(-1, 2)
        points = np.concatenate([grid, np.add(grid, (110.0, 0.0))])
        return TinGround(survey(points, plane(points)), max_edge_m=20.0)

    def test_level_no_data_and_outside(self, ground: TinGround) -> None:
        places = [[5.3, 5.1], [60, 5], [60, 20], [-1, 5], [np.nan, 5], [np.inf, 5]]
        assert states(ground, places) == [
            State.LEVEL,
            State.NO_DATA,
            State.OUTSIDE,
            State.OUTSIDE,
            State.OUTSIDE,
            State.OUTSIDE,
        ]
        assert np.isfinite(levels(ground, places)).tolist() == [True, *[False] * 5]

    def test_without_a_limit_long_triangles_give_levels(self, ground: TinGround) -> None:
        assert levels(TinGround(ground.survey), [[60, 5]]) == pytest.approx([120 + 15 - 0.625], abs=1e-9)

    @pytest.mark.parametrize(("limit", "given"), [(10.1, False), (14.0, False), (14.15, True)])
    def test_the_limit_is_the_longest_edge(self, limit: float, given: bool) -> None:
        """Of a square of 10 m the diagonal is 14.142 m."""
        ground = TinGround(survey(SQUARE, np.zeros(4)), max_edge_m=limit)
        assert np.isfinite(levels(ground, [[4, 5]]))[0] == given

    @pytest.mark.parametrize(("off_m", "state"), [(0.0005, State.LEVEL), (0.002, State.OUTSIDE)])
    def test_the_edge_of_the_survey_is_a_millimetre_wide(self, off_m: float, state: State) -> None:
        ground = TinGround(survey(SQUARE, [1.0, 2, 3, 4]))
        assert states(ground, [[4, -off_m], [10 + off_m, 5], [-off_m * 0.7, -off_m * 0.7]]) == [state] * 3
        if state == State.LEVEL:
            assert levels(ground, [[4, -off_m], [0, -off_m]]) == pytest.approx([1.4, 1.0], abs=1e-3)

    def test_slivers_along_the_hull_give_no_level(self) -> None:
        """A point 0.3 m inside an edge of 100 m: the triangle is thinner than 1 : 100. At 3 m it is not."""
        frame = [[0.0, 0], [100, 0], [100, 80], [0, 80]]
        thin = TinGround(survey(np.array([*frame, [50, 0.3]]), [0.0, 0, 0, 0, 9]))
        assert states(thin, [[50, 0.1], [50, 0.35]]) == [State.NO_DATA, State.LEVEL]
        thick = TinGround(survey(np.array([*frame, [50, 3.0]]), [0.0, 0, 0, 0, 9]))
        assert levels(thick, [[50, 1.0]]) == pytest.approx([3.0], abs=1e-9)

    def test_a_thin_triangle_inside_the_survey_is_no_sliver(self) -> None:
        """Between (0, 0), (100, 0), (50, 0.3), with ground on all sides."""
        points = np.array([[0.0, 0], [100, 0], [50, 0.3], [50, -0.6], [50, 300], [50, -300], [-300, 0], [400, 0]])
        ground = TinGround(survey(points, [0.0, 0, 3, 0, 9, 9, 9, 9]))
        assert states(ground, [[50, 0.1], [50, -0.2]]) == [State.LEVEL, State.LEVEL]

    def test_shots_beside_the_line_serve_it(self) -> None:
        """Points along a boundary, up to 2 cm off: no station inside the hull is without a level for the slivers."""
        rng = np.random.default_rng(3)
        shots = np.column_stack([np.linspace(0, 100, 101), rng.uniform(0, 0.02, 101)])
        points = np.concatenate([shots, rng.random((60, 2)) * [100, 40] + [0, 5]])
        ground = TinGround(survey(points, plane(points)))
        stations = along([[1, 0.012], [99, 0.012]], 500)
        found = ground.levels(*at(stations))
        inside = found.state != State.OUTSIDE
        assert np.count_nonzero(inside) > 100
        assert found.level_m[inside] == pytest.approx(plane(stations[inside]), abs=0.05 * 0.125 + 1e-6)


class TestBreakLines:
    """A roof of 1 in 3 on both sides of a ridge."""

    RIDGE = np.array([[-1.0, 19.7], [101.0, 50.3]])

    def roof(self, points: np.ndarray) -> np.ndarray:
        return 100 - np.abs(points[:, 1] - 20 - 0.3 * points[:, 0]) / 3

    def test_a_roof_is_exact_with_its_ridge_and_not_without(self) -> None:
        points, places = scattered(600), along([[5, 5], [95, 90], [90, 10], [10, 70]], 2000)
        ridge = np.column_stack([self.RIDGE, [100.0, 100.0]])
        with_ridge = TinGround(survey(points, self.roof(points), lines=[ridge]))
        assert levels(with_ridge, places) == pytest.approx(self.roof(places), abs=1e-8)
        without = levels(TinGround(survey(points, self.roof(points))), places)
        assert np.nanmax(np.abs(without - self.roof(places))) > 0.1

    def test_vertices_without_levels_lie_on_points(self) -> None:
        points = np.concatenate([scattered(600), self.RIDGE])
        places = along([[5, 5], [95, 90]], 500)
        ground = TinGround(survey(points, self.roof(points), lines=[self.RIDGE + 4e-4]))
        assert levels(ground, places) == pytest.approx(self.roof(places), abs=1e-3)

    def test_a_vertex_on_no_point_is_refused(self) -> None:
        points = scattered(100)
        with pytest.raises(
            InputError, match=r"points\.csv, vertex at \(412299\.000, 287619\.700\): a vertex of a break"
        ):
            TinGround(survey(points, plane(points), lines=[self.RIDGE]))

    def test_lines_that_cross_at_one_level_share_the_crossing(self) -> None:
        points = scattered(600)
        ridge = np.column_stack([self.RIDGE, [100.0, 100.0]])
        across = np.array([[50.0, 10], [50.0, 35.0], [50.0, 80]])
        across = np.column_stack([across, self.roof(across)])
        places = along([[5, 5], [95, 90], [50, 20], [50, 60]], 2000)
        ground = TinGround(survey(points, self.roof(points), lines=[ridge, across]))
        assert levels(ground, places) == pytest.approx(self.roof(places), abs=1e-8)

    @pytest.mark.parametrize(("policy", "level"), [("mean", 100.5), ("lowest", 100.0), ("highest", 101.0)])
    def test_lines_that_cross_at_two_levels(self, policy: str, level: float) -> None:
        points = SQUARE * 10
        lines = [np.array([[10.0, 50, 100], [90, 50, 100]]), np.array([[50.0, 10, 101], [50, 90, 101]])]
        data = survey(points, np.full(4, 100.0), lines=lines)
        assert levels(TinGround(data, coincident=policy), [[50, 50]]) == pytest.approx([level])
        with pytest.raises(InputError, match=r"\(412350\.000, 287650\.000\): points at one place differ in level, 100"):
            levels(TinGround(data), [[52, 53]])

    def test_a_line_that_ends_on_another_is_joined_to_it(self) -> None:
        lines = [np.array([[10.0, 50, 100], [90, 50, 100]]), np.array([[50.0, 90, 104], [50, 50, 100]])]
        ground = TinGround(survey(SQUARE * 10, np.full(4, 100.0), lines=lines))
        assert levels(ground, [[50, 70], [30, 50], [70, 50]]) == pytest.approx([102, 100, 100])


class TestFaces:
    def test_faces_are_used_as_they_stand(self) -> None:
        """A square cut along the diagonal that no triangulation of ours would take, and clockwise."""
        for diagonal, level in (([[0, 2, 1], [0, 3, 2]], 0.0), ([[0, 3, 1], [1, 3, 2]], 2.0)):
            ground = TinGround(survey(SQUARE, [0.0, 2, 0, 2], faces=np.array(diagonal)))
            assert levels(ground, [[5, 5]]) == pytest.approx([level], abs=1e-9)

    def test_a_hole_and_the_outside_have_no_level(self) -> None:
        points = np.array([[x, y] for y in (0.0, 10, 20, 30) for x in (0.0, 10, 20, 30)])
        corner = np.array([4 * row + column for row in range(3) for column in range(3) if (row, column) != (1, 1)])
        faces = np.concatenate(
            [np.stack([corner, corner + 1, corner + 5]), np.stack([corner, corner + 5, corner + 4])], 1
        )
        ground = TinGround(survey(points, plane(points), faces=faces.T))
        places = [[15, 15], [5, 5], [35, 15], [10, 15], [15, 25]]
        assert states(ground, places) == [State.NO_DATA, State.LEVEL, State.OUTSIDE, State.LEVEL, State.LEVEL]
        given = np.array(places)[[1, 3, 4]]
        assert levels(ground, given) == pytest.approx(plane(given), abs=1e-9)

    def test_upright_faces_are_passed_over(self) -> None:
        """A wall along x = 5: its upper and lower edge are one line on the ground."""
        points = np.array([[0.0, 0], [5, 0], [5, 10], [0, 10], [5, 0], [5, 10], [10, 0], [10, 10]])
        faces = np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2], [4, 6, 7], [4, 7, 5]])
        ground = TinGround(survey(points, [0.0, 0, 0, 0, 3, 3, 3, 3], faces=faces))
        assert levels(ground, [[4.9, 5], [5.1, 5]]) == pytest.approx([0, 3], abs=1e-9)

    def test_where_faces_lie_over_each_other_the_first_counts(self) -> None:
        points = np.concatenate([SQUARE[:3], SQUARE[:3]])
        faces = np.array([[3, 4, 5], [0, 1, 2]])
        assert levels(TinGround(survey(points, [1.0, 1, 1, 7, 7, 7], faces=faces)), [[8, 2]]) == pytest.approx([7])

    def test_bends_are_those_of_the_same_triangles(self) -> None:
        """Faces by SciPy's Delaunay, against the ground from the points alone."""
        from scipy.spatial import Delaunay

        points = scattered(500)
        places = along([[20, 20], [80, 30], [40, 85]], 300)
        faces = Delaunay(points).simplices.astype(np.int64)
        index, fraction = TinGround(survey(points, plane(points), faces=faces)).bends(*at(places))
        other_index, other_fraction = TinGround(survey(points, plane(points))).bends(*at(places))
        assert index.tolist() == other_index.tolist()
        assert fraction == pytest.approx(other_fraction, abs=1e-7)

    def test_a_long_edge_gives_no_level(self) -> None:
        faces = np.array([[0, 1, 2], [0, 2, 3]])
        assert states(TinGround(survey(SQUARE, np.zeros(4), faces=faces), max_edge_m=12.0), [[5, 4]]) == [State.NO_DATA]

    def test_faces_without_area_are_refused(self) -> None:
        with pytest.raises(InputError, match="no face of the surface has an area"):
            TinGround(survey(np.array([[0.0, 0], [5, 0], [10, 0]]), np.zeros(3), faces=np.array([[0, 1, 2]])))


class TestCoincident:
    def data(self, *, gap_m: float = 0.0, rise_m: float = 0.4) -> SurveyPoints:
        """A square with two points in its middle."""
        points = np.array([*SQUARE, [5, 5], [5 + gap_m, 5]])
        return survey(points, [10.0, 10, 10, 10, 11.0, 11.0 + rise_m])

    @pytest.mark.parametrize(("policy", "level"), [("mean", 11.2), ("lowest", 11.0), ("highest", 11.4)])
    @pytest.mark.parametrize("gap_m", [0.0, 0.0009])
    def test_policies(self, policy: str, level: float, gap_m: float) -> None:
        ground = TinGround(self.data(gap_m=gap_m), coincident=policy)
        assert levels(ground, [[5, 5], [5, 2.5]]) == pytest.approx([level, (level + 10) / 2], abs=1e-3)
        (finding,) = ground.findings
        assert (finding.code, finding.severity, finding.value, finding.unit) == ("points-coincident", "warn", 0.4, "m")
        assert f"the {policy} level is taken" in finding.message
        assert finding.message.startswith(
            "At 1 place along the line points of points.csv differ in level, by up to 0.400 m ("
        )

    def test_an_error_says_both_levels_and_the_place(self) -> None:
        with pytest.raises(InputError) as caught:
            levels(TinGround(self.data()), [[5, 4]])
        assert str(caught.value) == (
            "points.csv, point at (412305.000, 287605.000): points at one place differ in level, 11.000 and 11.400 m: "
            '0.4 m. Remove the wrong one, or say which to take: coincident = "mean", "lowest" or "highest".'
        )

    @pytest.mark.parametrize("policy", ["error", "mean", "lowest", "highest"])
    @pytest.mark.parametrize("rise_m", [0.0004, -0.0004])
    def test_one_level_twice_is_no_matter(self, policy: str, rise_m: float) -> None:
        ground = TinGround(self.data(rise_m=rise_m), coincident=policy)
        assert levels(ground, [[5, 5]]) == pytest.approx([11.0], abs=1e-9)
        assert ground.findings == ()

    def test_points_two_millimetres_apart_are_two(self) -> None:
        assert levels(TinGround(self.data(gap_m=0.002)), [[5, 5], [5.002, 5]]) == pytest.approx([11.0, 11.4])

    def test_one_point_logged_ten_thousand_times(self) -> None:
        points = np.concatenate([SQUARE, np.full((10_000, 2), 5.0)])
        ground = TinGround(survey(points, [0.0, 0, 0, 0, *np.linspace(0.9, 1.1, 10_000)]), coincident="mean")
        assert levels(ground, [[5, 5]]) == pytest.approx([1.0])

    def test_a_clash_elsewhere_is_no_matter(self) -> None:
        points = np.concatenate([scattered(400), [[90.0, 90], [90, 90]]])
        ground = TinGround(survey(points, [*np.full(400, 1.0), 2.0, 3.0]))
        assert np.isfinite(levels(ground, along([[20, 20], [50, 20]], 100))).all()

    @pytest.mark.parametrize("policy", ["mean", "lowest", "highest"])
    def test_the_order_of_the_file_does_not_matter(self, policy: str) -> None:
        rng = np.random.default_rng(7)
        points = np.concatenate([scattered(300), scattered(300)[:150]])
        level = rng.normal(10, 1, 450)
        places = along([[20, 20], [80, 70]], 300)
        order = rng.permutation(450)
        one = levels(TinGround(survey(points, level), coincident=policy), places)
        other = levels(TinGround(survey(points[order], level[order]), coincident=policy), places)
        assert one == pytest.approx(other, abs=1e-12)


class TestRefusals:
    @pytest.mark.parametrize("count", [0, 1, 2])
    def test_fewer_than_three_points(self, count: int) -> None:
        with pytest.raises(InputError, match=rf"points\.csv: a surface needs points on either side.*: {count} point"):
            TinGround(survey(SQUARE[:count], np.zeros(count)))

    @pytest.mark.parametrize("angle_deg", [0.0, 33.0, 90.0])
    @pytest.mark.parametrize("scatter_m", [0.0, 1e-7, 0.02])
    def test_points_on_one_line(self, angle_deg: float, scatter_m: float) -> None:
        rng = np.random.default_rng(0)
        points = turned(np.column_stack([np.linspace(0, 90, 40), rng.random(40) * scatter_m]), angle_deg)
        with pytest.raises(InputError, match="all 40 points lie on one line, which gives no slope across it"):
            TinGround(survey(points, np.zeros(40)))

    def test_three_times_one_point(self) -> None:
        with pytest.raises(InputError, match="all 3 points lie on one line"):
            TinGround(survey(np.zeros((3, 2)), np.zeros(3)))

    def test_a_narrow_strip_is_a_surface(self) -> None:
        points = np.column_stack([np.linspace(0, 90, 40), np.tile([0.0, 0.5], 20)])
        assert levels(TinGround(survey(points, plane(points))), [[45, 0.25]]) == pytest.approx(
            plane(np.array([[45, 0.25]])), abs=1e-9
        )

    @pytest.mark.parametrize("column", ["x", "y", "level_m"])
    def test_points_that_are_not_complete(self, column: str) -> None:
        values = {"x": SQUARE[:, 0], "y": SQUARE[:, 1], "level_m": np.zeros(4)}
        broken = {**values, column: np.where(np.arange(4) == 2, np.nan, values[column])}
        with pytest.raises(InputError, match=r"p\.csv: point 3 has no"):
            SurveyPoints(**broken, crs=CRS(27700), files=(), source="p.csv")

    def test_columns_of_different_lengths(self) -> None:
        with pytest.raises(InputError, match="columns of different lengths: 4, 4 and 3"):
            SurveyPoints(x=SQUARE[:, 0], y=SQUARE[:, 1], level_m=np.zeros(3), crs=CRS(27700), files=(), source="p.csv")

    @pytest.mark.parametrize("corner", [-1, 4])
    def test_faces_that_name_no_point(self, corner: int) -> None:
        with pytest.raises(InputError, match=rf"face 2 has a corner that is no point: \[0, 1, {corner}\]"):
            survey(SQUARE, np.zeros(4), faces=np.array([[0, 1, 2], [0, 1, corner]]))


class TestBends:
    def test_levels_run_straight_between_bends(self) -> None:
        """Halfway between two neighbours of places and bends the level is halfway too; without the bends it is not."""
        points = scattered(900)
        ground = TinGround(survey(points, np.random.default_rng(2).normal(0, 1, 900)))
        places = along([[10, 15], [85, 25], [40, 90]], 60)
        index, fraction = ground.bends(*at(places))
        assert len(index) > 80
        position = np.sort(np.append(np.arange(60.0), index + fraction))

        def level(at_position: np.ndarray) -> np.ndarray:
            rank = np.arange(60.0)
            return levels(ground, np.column_stack([np.interp(at_position, rank, part) for part in places.T]))

        middle = level((position[1:] + position[:-1]) / 2)
        assert middle == pytest.approx((level(position)[1:] + level(position)[:-1]) / 2, abs=1e-7)
        ends = level(np.arange(60.0))
        assert np.abs(level(np.arange(59) + 0.5) - (ends[1:] + ends[:-1]) / 2).max() > 0.1

    def test_across_a_square_the_diagonal_once(self) -> None:
        ground = TinGround(survey(SQUARE, [0.0, 1, 0, 1]))
        index, fraction = ground.bends(*at(np.array([[1.0, 3], [3, 5], [9, 3]])))
        (x,) = [([1, 3][i] + f * ([3, 9][i] - [1, 3][i])) for i, f in zip(index, fraction, strict=True)]
        y = 5 - (x - 3) / 3
        assert x == pytest.approx(y, abs=1e-9)

    def test_where_the_line_enters_and_leaves_the_survey(self) -> None:
        ground = TinGround(survey(SQUARE[:3], np.zeros(3)))
        index, fraction = ground.bends(*at(np.array([[2.0, 5], [22, 5]])))
        assert index.tolist() == [0, 0]
        assert fraction == pytest.approx([3 / 20, 8 / 20], abs=1e-9)

    def test_through_a_point_once(self) -> None:
        points = np.array([*SQUARE, [5, 5]])
        index, fraction = TinGround(survey(points, [0.0, 0, 0, 0, 1])).bends(*at(np.array([[1.0, 4], [9, 6]])))
        assert index.tolist() == [0]
        assert fraction == pytest.approx([0.5], abs=1e-7)

    @pytest.mark.parametrize("count", [0, 1])
    def test_no_way_has_no_bends(self, count: int) -> None:
        index, fraction = TinGround(survey(SQUARE, np.zeros(4))).bends(*at(np.full((count, 2), 5.0)))
        assert len(index) == len(fraction) == 0

    def test_places_that_are_none_are_left_out(self) -> None:
        places = np.array([[1.0, 4], [np.nan, 5], [4, 1], [1, 4]])
        index, _ = TinGround(survey(SQUARE, [0.0, 1, 0, 1])).bends(*at(places))
        assert index.tolist() == [2]


class TestSupport:
    def test_nearest_of_all_points(self) -> None:
        """Against SciPy's k-d tree over everything; 1.000 36 is what the grid's metre measures there."""
        points = scattered(3000)
        ground = TinGround(survey(points, plane(points)))
        places = np.concatenate([along([[20, 20], [80, 70]], 300), [[50, 300], [-40, 50]]])
        grid_m, _ = cKDTree(points).query(places)
        scale = ground.support_m(*at(places)) / grid_m
        assert np.ptp(scale) < 1e-6
        west, north = (CORNER[0], CORNER[1])
        from pyproj import Transformer

        lon, lat = Transformer.from_crs(27700, 4277, always_xy=True).transform([west, west + 100], [north, north])
        _, _, tape = Geod(ellps="airy").inv(lon[0], lat[0], lon[1], lat[1])
        assert scale[0] == pytest.approx(tape / 100, abs=2e-5)

    def test_across_a_void(self) -> None:
        """The nearest of all points is far outside of what lies about the place."""
        points = scattered(4000)
        points = points[np.hypot(*(points - 50).T) > 30]
        for place in np.array([[[50.0, 50]], [[40.0, 61]]]):
            nearest = np.hypot(*(points - place).T).min()
            assert TinGround(survey(points, plane(points))).support_m(*at(place)) == pytest.approx([nearest], rel=1e-3)

    def test_in_degrees_it_is_metres(self) -> None:
        lon, lat = np.array([-1.5, -1.499, -1.5]), np.array([52.5, 52.5, 52.501])
        data = SurveyPoints(x=lon, y=lat, level_m=np.zeros(3), crs=CRS("OGC:CRS84"), files=(), source="p.csv")
        _, _, far = Geod(ellps="WGS84").inv(-1.5, 52.5, -1.5003, 52.4999)
        found = TinGround(data).support_m(np.array([-1.5003, np.nan]), np.array([52.4999, 52]))
        assert found[0] == pytest.approx(far, rel=1e-4)
        assert np.isnan(found[1])

    def test_faces_too(self) -> None:
        ground = TinGround(survey(SQUARE, np.zeros(4), faces=np.array([[0, 1, 2], [0, 2, 3]])))
        assert ground.support_m(*at(np.array([[3.0, 4]]))) == pytest.approx([5.0], rel=1e-3)


class TestRelief:
    @pytest.mark.parametrize("count", [400, 120_000])
    def test_a_picture_of_a_plane(self, count: int) -> None:
        points = scattered(count, size=400.0)
        ground = TinGround(survey(points, plane(points)))
        relief = ground.relief(-10, 45, 10, 60, cells=900)
        assert relief is not None
        known = relief.level_m[np.isfinite(relief.level_m)]
        assert 800 < len(known) <= 1000
        assert relief.level_m.dtype == np.float32
        assert known.min() > plane(np.array([[0.0, 400]]))[0]
        assert known.max() < plane(np.array([[400.0, 0]]))[0]
        assert relief.level_m[5, 5] < relief.level_m[-5, 5] < relief.level_m[-5, -5]
        assert relief.cell_m == pytest.approx(400 / 30, rel=0.1)

    def test_the_box_clips_it(self) -> None:
        points = scattered(400, size=400.0)
        ground = TinGround(survey(points, plane(points)))
        whole = ground.relief(-10, 45, 10, 60, cells=900)
        assert whole is not None
        middle = (whole.west_deg + whole.east_deg) / 2
        half = ground.relief(middle, 45, 10, 60, cells=900)
        assert half is not None
        assert half.west_deg >= middle
        assert ground.relief(20, 45, 30, 60, cells=900) is None

    def test_no_level_where_triangles_are_too_long(self) -> None:
        points = np.concatenate([scattered(300, size=50.0), np.add(scattered(300, size=50.0), (200.0, 0.0))])
        ground = TinGround(survey(points, plane(points)), max_edge_m=30.0)
        relief = ground.relief(-10, 45, 10, 60, cells=2000)
        assert relief is not None
        middle = relief.level_m[:, relief.level_m.shape[1] // 2]
        assert np.isnan(middle).all()
        assert np.isfinite(relief.level_m).mean() > 0.3

    def test_points_at_odds_are_no_error_of_the_picture(self) -> None:
        points = np.concatenate([scattered(300), [[50.0, 50], [50, 50]]])
        ground = TinGround(survey(points, [*np.full(300, 1.0), 2.0, 3.0]))
        assert ground.relief(-10, 45, 10, 60, cells=400) is not None
        assert ground.findings == ()

    def test_of_faces(self) -> None:
        ground = TinGround(survey(SQUARE * 20, plane(SQUARE * 20), faces=np.array([[0, 1, 2], [0, 2, 3]])))
        relief = ground.relief(-10, 45, 10, 60, cells=100)
        assert relief is not None
        assert np.isfinite(relief.level_m).sum() > 80


def test_it_says_where_it_comes_from() -> None:
    data = survey(SQUARE, np.zeros(4))
    ground: Ground = TinGround(data)
    assert ground.files == (Path("points.csv"),)
    assert ground.crs == data.crs
    assert ground.findings == ()


def test_nothing_asked_nothing_given() -> None:
    for faces in (None, np.array([[0, 1, 2]])):
        ground = TinGround(survey(SQUARE, np.zeros(4), faces=faces))
        assert len(ground.levels(np.zeros(0), np.zeros(0)).level_m) == 0
        assert len(ground.support_m(np.zeros(0), np.zeros(0))) == 0
