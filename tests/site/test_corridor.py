"""The corridor: it gives the triangles of the whole survey, wherever it runs and however narrow it begins.

The whole survey's triangles are known by their property, which is tried here by brute force over all points.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import CRS
from scipy.spatial import ConvexHull

from geofence.site import corridor as corridor_module
from geofence.site.break_lines import marked, net_of
from geofence.site.cells import Cells, File, widened
from geofence.site.corridor import Corridor, Patch, hull_of
from geofence.site.delaunay import FAR, Delaunay
from geofence.site.discs import Discs
from geofence.site.ground import State
from geofence.site.plane import Plane
from geofence.site.tin import TinGround
from tests.surveys import along, at, rounded, survey, turned

PLANE = Plane.about(400_000, 300_000, CRS(27700))


def grid(size: int) -> np.ndarray:
    return np.stack(np.meshgrid(np.arange(float(size)), np.arange(float(size))), axis=-1).reshape(-1, 2)


def traverses(rng: np.random.Generator) -> np.ndarray:
    """Points half a metre apart along lines 40 m apart."""
    rows = [np.column_stack([np.arange(0, 400, 0.5), np.full(800, 40.0 * row)]) for row in range(9)]
    return np.concatenate(rows) + rng.random((7200, 2)) * 0.1


SHAPES = {
    "scattered": lambda rng: rng.random((3000, 2)) * 150,
    "grid": lambda _rng: grid(60) * 2.5,
    "turned grid": lambda _rng: turned(grid(60) * 2.5, 20),
    "traverses": traverses,
    "lake": lambda rng: (lambda points: points[np.hypot(*(points - 75).T) > 40])(rng.random((4000, 2)) * 150),
    "cluster": lambda rng: np.concatenate([rng.random((3000, 2)) * 4 + 60, rng.random((200, 2)) * 150]),
    "ring": lambda rng: (lambda a: np.column_stack([np.cos(a), np.sin(a)]) * 75 + 75)(rng.random(500) * 2 * np.pi),
    "stray": lambda rng: np.concatenate([rng.random((2000, 2)) * 150, [[-400_000.0, -300_000.0]]]),
}
LINES = ([[20, 20], [130, 30], [120, 120], [30, 110]], [[5, 75], [145, 77]], [[62, 50], [61, 90]])


def corridor(points: np.ndarray, lines: list[np.ndarray] | None = None) -> tuple[Corridor, np.ndarray]:
    """A corridor, and all points with those that break lines add."""
    x, y = np.asarray(points, dtype=np.float64).T
    level, edges = np.zeros(len(x)), None
    if lines:
        net = net_of(x, y, level, lines, plane=PLANE, source="points.csv")
        x, y, level = net.x_m, net.y_m, net.level_m
    file = File.of(lambda rows: (x[rows], y[rows]), len(x), company=9.0)
    if lines:
        edges = marked(net, file)
    made = Corridor(file, level, edges=edges, hull=hull_of(file), coincident="mean", source="points.csv")
    return made, np.column_stack([x, y])


def settled(made: Corridor, places: np.ndarray) -> tuple[Patch, np.ndarray]:
    """A patch in which the triangles that places are in are proven, and these triangles."""
    while True:
        patch = made.about(*places.T)
        found = np.unique(patch.locate(*places.T))
        found = found[(patch.mesh.outer[found] == 0) & ~patch.mesh.flat[found]]
        if made.prove(patch, found):
            return patch, found


def depth(patch: Patch, triangle: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(triangles, points) how deep points lie in the triangles' circles."""
    x, y, radius = patch.mesh.circles(triangle)
    return radius[:, None] - np.hypot(points[:, 0] - x[:, None], points[:, 1] - y[:, None])


@pytest.fixture(params=["nine points wide", "as narrow as can be"])
def width(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "as narrow as can be":
        monkeypatch.setattr(corridor_module, "widened", lambda mask: mask)


@pytest.mark.usefixtures("width")
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("line", range(len(LINES)))
def test_no_point_lies_in_the_circle_of_a_triangle_that_is_used(shape: str, line: int) -> None:
    points = SHAPES[shape](np.random.default_rng(5))
    made, every = corridor(points)
    patch, found = settled(made, along(LINES[line], 600))
    assert len(found) > 1
    assert depth(patch, found, every).max() < 2e-7  # points on the circle are not in it


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape not in ("ring", "grid")])
def test_a_narrow_corridor_must_grow(shape: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the trial against all points the triangles are wrong: the test above is no formality."""
    monkeypatch.setattr(corridor_module, "widened", lambda mask: mask)
    made, every = corridor(SHAPES[shape](np.random.default_rng(5)))
    patch = made.about(*along(LINES[1], 600).T)
    found = np.unique(patch.locate(*along(LINES[1], 600).T))
    found = found[(patch.mesh.outer[found] == 0) & ~patch.mesh.flat[found]]
    assert depth(patch, found, every).max() > 0.01


@pytest.mark.usefixtures("width")
class TestBreakLines:
    """Scattered points with pieces of break lines, long and short, at random."""

    @pytest.fixture(params=range(4))
    def lines(self, request: pytest.FixtureRequest) -> list[np.ndarray]:
        rng = np.random.default_rng(request.param)
        middle, way = rng.random((12, 2)) * 130 + 10, rng.normal(0, [8, 8, 40, 40][request.param], (12, 2))
        return [np.column_stack([np.stack([m - w, m, m + w]), np.zeros(3)]) for m, w in zip(middle, way, strict=True)]

    def test_what_lies_in_a_circle_is_hidden_behind_a_break_line(self, lines: list[np.ndarray]) -> None:
        points = np.random.default_rng(9).random((1500, 2)) * 150
        made, every = corridor(points, lines)
        patch, found = settled(made, along(LINES[0], 600))
        breaks = shapely.union_all([shapely.LineString(line[:, :2]) for line in lines])
        corners = np.stack([patch.mesh.x[patch.mesh.corner[found]], patch.mesh.y[patch.mesh.corner[found]]], axis=2)
        inside, point = np.nonzero(depth(patch, found, every) > 1e-6)
        sight = shapely.linestrings(np.stack([corners[inside].mean(axis=1), every[point]], axis=1))
        assert shapely.intersects(sight, breaks).all()
        cut = shapely.intersection(shapely.polygons(corners), breaks)
        inner = shapely.buffer(shapely.polygons(corners), -1e-6)
        assert not shapely.intersects(inner, cut).any()

    def test_the_break_lines_are_edges(self, lines: list[np.ndarray]) -> None:
        """All of a break line that the corridor passes lies on fixed edges."""
        made, _ = corridor(np.random.default_rng(9).random((1500, 2)) * 150, lines)
        walk = shapely.intersection(shapely.LineString(lines[0][:, :2]), shapely.box(5, 5, 145, 145))
        patch, _ = settled(made, along(shapely.get_coordinates(walk), 200))
        triangle, edge = np.nonzero(patch.mesh.fixed)
        ends = patch.mesh.corner[triangle[:, None], np.stack([edge, (edge + 1) % 3], axis=1)]
        fixed = shapely.union_all(shapely.linestrings(np.stack([patch.mesh.x[ends], patch.mesh.y[ends]], axis=2)))
        assert walk.length > 4
        assert shapely.difference(walk, shapely.buffer(fixed, 1e-6)).length < 1e-3


def test_a_break_line_across_a_void_is_an_edge_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two walls of points a line halfway, which no cell of the places or of a triangle's corners touches."""
    monkeypatch.setattr(corridor_module, "widened", lambda mask: mask)
    points = np.array([[x, y] for x in (0.0, 5, 145, 150) for y in np.arange(-300, 451, 2.5)])
    made, _ = corridor(points, [np.array([[75.0, -250, 0], [75, 400, 0]])])
    patch, found = settled(made, np.array([[3.0, 71], [30, 71], [144, 71]]))
    x = patch.mesh.x[patch.mesh.corner[found]]
    assert sorted(np.ptp(x, axis=1)) == [5, 70, 70]


class TestExtents:
    """A level depends on the survey, not on what else was asked for."""

    @pytest.mark.parametrize("shape", SHAPES)
    def test_a_place_alone_has_the_level_that_it_has_in_a_line(self, shape: str) -> None:
        rng = np.random.default_rng(5)
        points = rounded(SHAPES[shape](rng))
        data = survey(points, rng.normal(100, 3, len(points)))
        places = along(LINES[0], 400)
        together = TinGround(data, coincident="mean").levels(*at(places))
        for part in (slice(0, 1), slice(100, 140), slice(399, 400)):
            alone = TinGround(data, coincident="mean").levels(*at(places[part]))
            assert np.array_equal(alone.state, together.state[part])
            assert alone.level_m == pytest.approx(together.level_m[part], abs=1e-11, nan_ok=True)
        ground = TinGround(data, coincident="mean")
        for part in (slice(300, 400), slice(0, 400)):
            again = ground.levels(*at(places[part][::-1]))
        assert again.level_m[::-1] == pytest.approx(together.level_m, abs=1e-11, nan_ok=True)

    def test_in_a_grid_diagonals_start_at_the_south_west(self) -> None:
        rng = np.random.default_rng(1)
        level = rng.normal(0, 1, 900)
        ground = TinGround(survey(grid(30), level))
        places = along([[3.3, 4.1], [25.2, 22.6]], 200)
        column, row = np.floor(places).astype(int).T
        u, v = (places - np.floor(places)).T
        z = level.reshape(30, 30)
        z00, z01, z10, z11 = z[row, column], z[row, column + 1], z[row + 1, column], z[row + 1, column + 1]
        expected = np.where(u > v, z00 + u * (z01 - z00) + v * (z11 - z01), z00 + v * (z10 - z00) + u * (z11 - z10))
        assert ground.levels(*at(places)).level_m == pytest.approx(expected, abs=1e-9)

    def test_only_the_corridor_is_triangulated_and_only_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The stations of a line, its bends, then both together, as a survey asks."""
        made: list[int] = []
        mesh = Delaunay.mesh
        monkeypatch.setattr(Delaunay, "mesh", lambda self: made.append(1) or mesh(self))
        rng = np.random.default_rng(2)
        points = rng.random((40_000, 2)) * 200
        ground = TinGround(survey(points, points[:, 0]))
        places = along([[20, 100], [180, 110]], 600)
        index, fraction = ground.bends(*at(places))
        every = np.concatenate([places, places[index] + fraction[:, None] * (places[index + 1] - places[index])])
        assert (ground.levels(*at(every)).state == State.LEVEL).all()
        ground.support_m(*at(every))
        assert len(made) == 1
        triangles = ground._surface._corridor.about(*at(places))  # type: ignore[attr-defined]
        assert len(triangles.points.first) < 6000


class TestGrowth:
    def test_a_break_line_far_longer_than_the_corridor_does_not_make_all_of_it_known(self) -> None:
        points = np.random.default_rng(0).random((20_000, 2)) * 200
        ridge = np.array([[1.0, 20, 0], [199, 180, 0]])
        made, every = corridor(points, [ridge])
        patch, found = settled(made, along([[90, 95], [110, 105]], 300))
        assert len(found) > 30
        assert len(patch.points.first) < len(every) / 10


class TestHull:
    @pytest.mark.parametrize("shape", SHAPES)
    def test_as_of_all_points(self, shape: str) -> None:
        """Against Qhull over all points; on a straight side it may name points between the corners, or not."""
        points = SHAPES[shape](np.random.default_rng(3))
        file = File.of(lambda rows: (points[rows, 0], points[rows, 1]), len(points), company=9.0)
        ours, peer = points[hull_of(file)], points[ConvexHull(points - points.mean(axis=0)).vertices]
        assert shapely.hausdorff_distance(shapely.Polygon(ours), shapely.Polygon(peer)) < 1e-6

    def test_a_line_has_none(self) -> None:
        points = np.column_stack([np.arange(50.0), np.arange(50.0) * 2])
        assert len(hull_of(File.of(lambda rows: (points[rows, 0], points[rows, 1]), 50, company=9.0))) == 0


class TestCells:
    def test_a_stray_point_does_not_crowd_the_others(self) -> None:
        rng = np.random.default_rng(0)
        points = np.concatenate([rng.random((5000, 2)) * 100 + 4e5, [[0.0, 0.0]]])
        file = File.of(lambda rows: (points[rows, 0], points[rows, 1]), 5001, company=9.0)
        assert 5 < file.company < 20

    def test_a_crowd_gets_finer_cells(self) -> None:
        rng = np.random.default_rng(0)
        points = np.concatenate([rng.random((8000, 2)) * 100, rng.random((800, 2)) * 500])
        file = File.of(lambda rows: (points[rows, 0], points[rows, 1]), 8800, company=9.0)
        first = Cells.over(*points.T, count=8800, company=9.0)
        assert file.company < File.under(first, file.places, 8800).company / 3

    def test_members_are_those_in_the_cells(self) -> None:
        points = np.random.default_rng(0).random((500, 2)) * 50
        file = File.of(lambda rows: (points[rows, 0], points[rows, 1]), 500, company=9.0)
        mask = file.cells.visited(np.array([10.0, 48.0]), np.array([10.0, 2.0]))
        inside = np.isin(file.cells.number(*points.T), np.flatnonzero(mask))
        assert file.members(mask).tolist() == np.flatnonzero(inside).tolist()
        assert 0 < inside.sum() < 60

    def test_widened_by_one_all_round(self) -> None:
        mask = np.zeros((5, 6), dtype=bool)
        mask[2, 0] = mask[4, 4] = True
        expected = np.zeros_like(mask)
        expected[1:4, 0:2] = expected[3:5, 3:6] = True
        assert widened(mask).tolist() == expected.tolist()


class TestDiscs:
    CELLS = Cells(west=0.0, south=0.0, size=2.0, columns=12, rows=9)

    @pytest.mark.parametrize("seed", range(5))
    def test_the_cells_of_a_disc_hold_all_of_its_places(self, seed: int) -> None:
        """By brute force: places in the disc, also beyond the outermost cells, are in cells that are named."""
        rng = np.random.default_rng(seed)
        radius = 10 ** rng.uniform(-1, 7, 40)
        angle = rng.random(40) * 2 * np.pi
        through = rng.random((40, 2)) * [24, 18]
        discs = Discs(x=through[:, 0] + radius * np.cos(angle), y=through[:, 1] + radius * np.sin(angle), radius=radius)
        disc, number, complete = discs.over(self.CELLS, np.arange(len(self.CELLS)))
        assert complete.all()
        places = rng.random((4000, 2)) * [40, 34] - 8
        named = np.zeros((40, len(self.CELLS)), dtype=bool)
        named[disc, number] = True
        inside = np.hypot(places[:, 0] - discs.x[:, None], places[:, 1] - discs.y[:, None]) < radius[:, None]
        assert inside.any(axis=1).sum() > 20
        row, place = np.nonzero(inside)
        assert named[row, self.CELLS.number(*places.T)[place]].all()

    def test_a_glance_says_what_it_left_out(self) -> None:
        cells = Cells(west=0.0, south=0.0, size=1.0, columns=80, rows=80)
        rng = np.random.default_rng(0)
        discs = Discs(x=rng.random(30) * 80, y=rng.random(30) * 80, radius=rng.random(30) * 25)
        filled = np.flatnonzero(rng.random(6400) < 0.7)
        disc, number, complete = discs.over(cells, filled, look="glance")
        every_disc, every_number, _ = discs.over(cells, filled)
        assert 5 < np.count_nonzero(complete) < 25
        assert set(zip(disc, number, strict=True)) < set(zip(every_disc, every_number, strict=True))
        assert np.array_equal(np.sort(number[complete[disc]]), np.sort(every_number[complete[every_disc]]))
        left_out = np.bincount(every_disc, minlength=30) > np.bincount(disc, minlength=30)
        assert np.array_equal(left_out, ~complete)

    def test_cells_that_a_disc_does_not_touch_are_not_named(self) -> None:
        """A disc of 3 m about (9, 9): of the cells of 2 m those that come nearer than 3 m."""
        discs = Discs(x=np.array([9.0]), y=np.array([9.0]), radius=np.array([3.0]))
        _, number, _ = discs.over(self.CELLS, np.arange(len(self.CELLS)))
        expected = [
            row * 12 + column
            for row in range(9)
            for column in range(12)
            if np.hypot(max(abs(column * 2 + 1 - 9) - 1, 0), max(abs(row * 2 + 1 - 9) - 1, 0)) < 3
        ]
        assert set(expected) <= set(number.tolist())
        assert len(number) <= len(expected) + 8  # by rows, which is a little more than the disc

    def test_a_part_of_a_disc(self) -> None:
        """The half of a disc of 3 m about (0, 0) with x >= 1."""
        half = Discs(x=np.zeros(1), y=np.zeros(1), radius=np.array([3.0]), limits=np.array([[[1.0, 0.0, 1.0]]]))
        places = np.array([[2.0, 0], [0.5, 0], [1.5, 2.8], [-2, 0]])
        depth = half.depth(np.zeros(4, dtype=np.int64), *places.T)
        assert (depth > 0).tolist() == [True, False, False, False]
        assert half.wider(0.6).depth(np.zeros(4, dtype=np.int64), *places.T)[1] > 0


def test_slivers_are_all_that_is_thin_out_to_the_hull() -> None:
    """Along a hull edge of 100 m points 0.2 and 0.1 m inside it: one sliver behind the other, then ground."""
    triangulation = Delaunay(0.0, 0.0, 100.0, 80.0)
    triangulation.add(np.array([0.0, 100, 100, 0, 50, 25]), np.array([0.0, 0, 80, 80, 0.2, 0.2]))
    mesh = triangulation.mesh()
    inside = np.array([[60.0, 0.05], [30.0, 0.19], [50.0, 30.0]])
    outer, inner, ground = mesh.locate(*inside.T, np.zeros(3, dtype=np.int64))
    assert mesh.sliver[[outer, inner, ground]].tolist() == [True, True, False]
    assert mesh.ahead[inner] == outer
    assert mesh.outer[mesh.ahead[outer]] == 1
    assert set(mesh.thin_ahead(np.array([inner]))) == {inner, outer}
    assert set(mesh.thin_ahead(np.array([ground]))) == {ground}


def test_far_corners_are_no_points() -> None:
    triangulation = Delaunay(0.0, 0.0, 10.0, 10.0)
    triangulation.add(np.array([0.0, 10, 10, 0]), np.array([0.0, 0, 10, 10]))
    mesh = triangulation.mesh()
    assert len(mesh.x) == FAR + 4
    assert np.count_nonzero(mesh.outer == 0) == 2
    assert mesh.area2[mesh.outer == 0].sum() == pytest.approx(200)
