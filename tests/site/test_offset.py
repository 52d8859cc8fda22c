"""Offsets. Distances are measured by shapely in a plane about the place; lengths of figures are closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import Geod, Transformer

from geofence.errors import LayoutError
from geofence.site.line import Line
from geofence.site.offset import MITRE_MAX, offset
from tests.site.test_line import PLACE, SQUARE, drawn, ring

L_SHAPE = ((0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (30.0, 40.0), (30.0, 20.0), (0.0, 20.0))


def flat(line: Line, at: tuple[float, float] = PLACE) -> shapely.LineString:
    plane = Transformer.from_crs(
        "+proj=longlat +ellps=GRS80 +type=crs",
        f"+proj=tmerc +lat_0={at[1]} +lon_0={at[0]} +ellps=GRS80 +type=crs",
        always_xy=True,
    )
    return shapely.LineString(np.column_stack(plane.transform(line.lon_deg, line.lat_deg)))


class TestSides:
    @pytest.mark.parametrize(("to_left", "length"), [(1.0, 48.0), (-1.0, 32.0)])
    def test_a_square_walked_clockwise(self, to_left: float, length: float) -> None:
        """10 x 10 m: one metre outside it is 4 x 12, inside 4 x 8. Clockwise, the left is outside."""
        moved = offset(ring(*SQUARE), to_left)
        assert moved.closed
        assert moved.length_m.sum() == pytest.approx(length, abs=1e-3)
        assert moved.length_m == pytest.approx([length / 4] * 4, abs=1e-3)

    @pytest.mark.parametrize(("to_left", "length"), [(1.0, 32.0), (-1.0, 48.0)])
    def test_a_square_walked_anticlockwise(self, to_left: float, length: float) -> None:
        assert offset(ring(*SQUARE[::-1]), to_left).length_m.sum() == pytest.approx(length, abs=1e-3)

    def test_left_of_a_line_to_the_north_is_west(self) -> None:
        moved = flat(offset(drawn((0, 0), (0, 100)), 3.0))
        assert np.array(moved.coords) == pytest.approx(np.array([[-3, 0], [-3, 100]]), abs=1e-3)

    def test_nothing_to_move(self) -> None:
        line = drawn((0, 0), (0, 100))
        assert offset(line, 0.0) is line

    @pytest.mark.parametrize("to_left", [1e-150, 1e-6, 9e-4, 2e-3])
    def test_hardly_moved(self, to_left: float) -> None:
        """An offset below what is looked at as too near is no offset that comes too near."""
        assert offset(ring(*SQUARE), to_left).length_m.sum() == pytest.approx(40 + 8 * to_left, abs=1e-3)

    def test_legs_keep_their_numbers(self) -> None:
        line = drawn((0, 0), (0, 30), (40, 30)).reversed()
        assert offset(line, 2.0).leg_number == (2, 1)


class TestDistances:
    @pytest.mark.parametrize("to_left", [2.5, -2.5, 9.0, -9.0])
    @pytest.mark.parametrize(
        "line",
        [
            drawn((0, 0), (100, 0), (180, 60), (260, 60), (260, -50)),
            ring(*L_SHAPE),
            drawn(*((50 * np.sin(a), 50 * np.cos(a)) for a in np.linspace(0, 4, 200))),
        ],
        ids=["open", "ring", "arc"],
    )
    def test_every_leg_lies_at_the_offset(self, line: Line, to_left: float) -> None:
        """Sideways from every leg's carrier exactly; and nowhere nearer to the whole than the offset."""
        moved = offset(line, to_left)
        old, new = flat(line), flat(moved)
        before, after = np.array(old.coords), np.array(new.coords)
        along = np.diff(before, axis=0) / np.linalg.norm(np.diff(before, axis=0), axis=1)[:, None]
        for end in (after[:-1], after[1:]):
            aside = along[:, 0] * (end - before[:-1])[:, 1] - along[:, 1] * (end - before[:-1])[:, 0]
            assert aside == pytest.approx(np.full(len(aside), to_left), abs=1e-3)
        points = shapely.points([new.interpolate(share, normalized=True).coords[0] for share in np.linspace(0, 1, 501)])
        assert shapely.distance(points, old).min() >= abs(to_left) - 1e-3
        assert moved.closed == line.closed

    def test_a_ring_agrees_with_a_polygon_buffer(self) -> None:
        """shapely's mitred buffer of a polygon, which is another way to the same figure."""
        for distance in (3.0, -3.0):
            want = flat(ring(*L_SHAPE)).convex_hull  # only to fail loudly if the plane is off
            assert want.area == pytest.approx(60 * 40 - 30 * 20 / 2, abs=0.1)
            grown = shapely.Polygon(flat(ring(*L_SHAPE))).buffer(distance, join_style="mitre", mitre_limit=10)
            ours = shapely.Polygon(flat(offset(ring(*L_SHAPE), -distance)))  # anticlockwise: left is inside
            assert grown.symmetric_difference(ours).area < 0.3
            assert grown.length == pytest.approx(ours.length, abs=2e-3)

    @pytest.mark.parametrize("at", [(179.9999, -17.0), (-70.0, -50.0), (20.0, 78.0)])
    def test_elsewhere_on_the_earth(self, at: tuple[float, float]) -> None:
        line = drawn((0, 0), (60, 0), (60, 40), at=at)
        moved = offset(line, 4.0)
        assert moved.length_m == pytest.approx([56, 36], abs=1e-3)
        assert flat(moved, at).distance(flat(line, at)) == pytest.approx(4, abs=1e-3)

    def test_far_from_the_first_vertex(self) -> None:
        """On a line of 100 km the legs at its end are offset as well as those at its start."""
        corners = [(row * 1000.0, 300.0 * (row % 2)) for row in range(101)]
        line = drawn(*corners)
        moved = offset(line, 50.0)
        _, _, apart = line.geod.inv(
            line.lon_deg[[0, -1]], line.lat_deg[[0, -1]], moved.lon_deg[[0, -1]], moved.lat_deg[[0, -1]]
        )
        assert apart == pytest.approx([50, 50], abs=1e-6)


class TestRefusals:
    def refused(self, line: Line, to_left: float) -> LayoutError:
        with pytest.raises(LayoutError) as caught:
            offset(line, to_left)
        assert caught.value.rule == "offset"
        return caught.value

    def test_a_leg_that_would_turn_round(self) -> None:
        error = self.refused(drawn((0, 0), (0, 50), (3, 50), (3, 0)), -2.0)
        assert str(error) == (
            "line.offset_m: leg 2 is too short to offset: -2.0 m. "
            "Choose a smaller offset, or draw the offset line itself as the boundary."
        )

    @pytest.mark.parametrize("to_left", [-5.0, -5.1, -60.0])
    def test_a_ring_that_would_vanish_or_turn_inside_out(self, to_left: float) -> None:
        assert "leg 1 is too short to offset" in str(self.refused(ring(*SQUARE), to_left))

    def test_a_smaller_ring_just_fits(self) -> None:
        assert offset(ring(*SQUARE), -4.99).length_m == pytest.approx([0.02] * 4, abs=1e-3)

    def test_near_another_part(self) -> None:
        """An inlet with a mouth 6 m wide, offset by 4 m from both sides: no leg turns round, but the sides cross."""
        bay = drawn((-100, 0), (0, 0), (0, 50), (-30, 60), (-30, 90), (6, 90), (6, 0), (100, 0))
        error = self.refused(bay, -4.0)
        assert str(error) == (
            "line.offset_m: the offset moves leg 2 too near to another part of the boundary: -4.0 m. "
            "Choose a smaller offset, or draw the offset line itself as the boundary."
        )
        assert len(offset(bay, -2.9)) == 7

    def test_a_spike(self) -> None:
        error = self.refused(drawn((0, 0), (50, 0), (0, 5)), 1.0)
        assert str(error) == (
            "line.offset_m: the corner at vertex 2 is too sharp to offset: 174.3 deg, limit 156.9 deg. "
            "Cut the corner off with a short leg, or plan the two sides as separate legs."
        )

    def test_straight_back(self) -> None:
        assert "too sharp" in str(self.refused(drawn((0, 0), (50, 0), (0, 0)), 1.0))

    def test_either_side_of_the_sharpest_corner(self) -> None:
        """A turn of t moves the corner 1 / cos(t / 2) offsets away; the sharpest is 2 acos(1 / MITRE_MAX)."""
        sharpest = 2 * np.arccos(1 / MITRE_MAX)
        for turn, fits in ((sharpest - 0.001, True), (sharpest + 0.001, False)):
            line = drawn((-100, 0), (0, 0), (100 * np.cos(turn), 100 * np.sin(turn)))
            if fits:
                assert len(offset(line, 1.0)) == 2
            else:
                self.refused(line, 1.0)

    def test_a_dense_arc_tighter_than_the_offset(self) -> None:
        """Within it, each chord loses 2 d tan(half its turn), the two at the ends half of that."""
        arc = drawn(*((5 * np.sin(a), 5 * np.cos(a)) for a in np.linspace(0, 3, 100)))
        assert "too short" in str(self.refused(arc, -5.5))
        half = 3 / 99 / 2
        want = 99 * 2 * 5 * np.sin(half) - 98 * 2 * 4.5 * np.tan(half)
        assert offset(arc, -4.5).length_m.sum() == pytest.approx(want, abs=1e-4)


def test_the_ellipsoid_of_the_line_is_used() -> None:
    """On a sphere of half the size metres stay metres."""
    small = Geod(a=3.0e6, b=3.0e6)
    line = Line.through(np.array([0.0, 0.0]), np.array([0.0, 0.01]), geod=small)
    moved = offset(line, 10.0)
    _, _, apart = small.inv(0.0, 0.0, moved.lon_deg[0], moved.lat_deg[0])
    assert apart == pytest.approx(10.0, abs=1e-9)
