"""Walking a bent line by chord; the outside checks are in tests/validation/test_layout_optimum.py."""

from __future__ import annotations

from itertools import islice, pairwise

import numpy as np
import pytest

from geofence.engine.chords import BentLine

STRAIGHT = BentLine.from_turns([0.0, 100.0], [0.0, 0.0])
ELBOW = BentLine.from_turns([0.0, 3.0, 7.0], [0.0, 90.0, 0.0])
BACK = BentLine.from_turns([0.0, 5.0, 10.0], [0.0, 180.0, 0.0])


def first(line: BentLine, from_m: float, chord_m: float, count: int) -> list[float]:
    return list(islice(line.walk(from_m, chord_m), count))


class TestPlaces:
    """(a) Right angles, and 3-4-5."""

    def test_right_is_clockwise_from_the_first_leg(self) -> None:
        assert ELBOW.place(7.0) == pytest.approx((4.0, 3.0))

    def test_left_is_the_other_way(self) -> None:
        assert BentLine.from_turns([0, 3, 7], [0, -90, 0]).place(7.0) == pytest.approx((-4.0, 3.0))

    def test_chord_across_a_corner(self) -> None:
        assert ELBOW.chord_m(0.0, 7.0) == pytest.approx(5.0)

    def test_turns_at_the_ends_do_not_count(self) -> None:
        turned = BentLine.from_turns([0, 3, 7], [77, 90, -12])
        assert turned.place(7.0) == pytest.approx((4.0, 3.0))

    def test_only_chainages_between_count(self) -> None:
        moved = BentLine.from_turns([50_000, 50_003, 50_007], [0, 90, 0])
        assert moved.chord_m(50_000, 50_007) == pytest.approx(5.0)


class TestWalk:
    def test_straight_steps_are_multiples_not_sums(self) -> None:
        assert first(STRAIGHT, 0.0, 0.1, 7) == [0.1 * count for count in range(1, 8)]

    def test_goes_on_past_the_end_along_the_last_leg(self) -> None:
        assert first(STRAIGHT, 99.0, 2.4, 2) == pytest.approx([101.4, 103.8])

    def test_across_a_corner(self) -> None:
        # (a) From 0 a chord of 5 ends where 3-4-5 closes: 3 m to the corner and 4 m on.
        assert first(ELBOW, 0.0, 5.0, 1) == pytest.approx([7.0])

    def test_a_post_on_the_vertex_goes_straight_on(self) -> None:
        assert first(ELBOW, 3.0, 1.5, 2) == pytest.approx([4.5, 6.0])

    def test_steps_that_end_on_the_vertex(self) -> None:
        assert first(ELBOW, 0.0, 1.5, 4) == pytest.approx([1.5, 3.0, 4.5, 6.0])

    def test_over_several_vertices(self) -> None:
        # (a) Legs of 1 m on a circle: vertices n legs apart are 2 R sin(n a / 2) apart, 1 m = 2 R sin(a / 2).
        angle = np.radians(8.0)
        line = BentLine.from_turns(np.arange(30.0).tolist(), [8.0] * 30)
        chord = np.sin(3 * angle / 2) / np.sin(angle / 2)
        assert first(line, 0.0, chord, 4) == pytest.approx([3.0, 6.0, 9.0, 12.0], abs=1e-12)

    def test_every_chord_is_as_asked(self) -> None:
        rng = np.random.default_rng(3)
        line = BentLine.from_turns(np.cumsum(rng.uniform(0.2, 6, 200)).tolist(), rng.uniform(-9, 9, 200).tolist())
        posts = [line.vertex_m[0], *first(line, line.vertex_m[0], 2.4, 200)]
        widths = [line.chord_m(start, end) for start, end in pairwise(posts)]
        assert widths == pytest.approx([2.4] * 200, abs=1e-9)

    def test_the_first_place_ahead_where_the_line_comes_back(self) -> None:
        # (a) Out 5 m and back: from 0, 2 m away is met at 2 m first, though also at 8 m.
        assert first(BACK, 0.0, 2.0, 1) == pytest.approx([2.0])


class TestDeparture:
    def test_no_vertex_no_departure(self) -> None:
        assert ELBOW.departure_m(0.0, 3.0) == 0.0

    def test_height_of_a_triangle(self) -> None:
        # (a) Legs 3 and 4 at a right angle: the corner stands 3 * 4 / 5 from the hypotenuse.
        assert ELBOW.departure_m(0.0, 7.0) == pytest.approx(2.4)

    def test_from_the_chord_not_from_its_line(self) -> None:
        # (a) Out 5 m, back 3 m: the turn stands 3 m beyond the chord's end.
        assert BACK.departure_m(0.0, 8.0) == pytest.approx(3.0)

    def test_a_chord_of_no_length(self) -> None:
        assert BACK.departure_m(0.0, 10.0) == pytest.approx(5.0)

    def test_a_vertex_within_a_millimetre_of_a_post_is_the_post(self) -> None:
        assert ELBOW.departure_m(2.9995, 6.0) == 0.0
        assert ELBOW.departure_m(2.998, 6.0) > 0.0


class TestReversed:
    def test_chords_are_the_same(self) -> None:
        back = ELBOW.reversed()
        assert back.vertex_m == (0.0, 4.0, 7.0)
        assert back.chord_m(7.0 - 6.5, 7.0 - 1.0) == pytest.approx(ELBOW.chord_m(1.0, 6.5))

    def test_walks_the_other_way(self) -> None:
        assert first(ELBOW.reversed(), 0.0, 5.0, 1) == pytest.approx([7.0])


class TestAlike:
    def test_straight(self) -> None:
        chord = STRAIGHT.alike_m(10.0, 17.4, [(1, None), (2, 2.4), (1, None)], longest_m=2.4)
        assert chord == pytest.approx(1.3)

    def test_across_a_bend_it_ends_where_it_must(self) -> None:
        line = BentLine.from_turns([0, 3, 7], [0, 9, 0])
        chord = line.alike_m(0.0, 7.0, [(3, None)], longest_m=2.4)
        assert chord is not None
        assert first(line, 0.0, chord, 3)[-1] == pytest.approx(7.0, abs=1e-8)

    def test_none_where_even_the_longest_does_not_reach(self) -> None:
        assert STRAIGHT.alike_m(0.0, 10.0, [(4, None)], longest_m=2.4) is None

    def test_none_where_the_search_stands_still(self) -> None:
        """Two sharp turns within a bay; the next guess is the last one to the last digit."""
        vertex_m = [0.0, 1.782038012644427, 4.056392923078216, 4.895759120959776]
        vertex_m += [13.200511104874458, 15.520443419022685, 18.811728672983072]
        line = BentLine.from_turns(vertex_m, [0.0, 120.0, 68.07725582769356, 120.0, 120.0, 120.0, 0.0]).reversed()
        assert line.alike_m(13.658064870654744, 17.029690660338645, [(2, None)], longest_m=2.4) is None

    def test_none_where_the_place_reached_jumps(self) -> None:
        # (a) Out 5 m and back: two chords from 0 end at 5 m at most, or past 10 m, never at 9 m.
        assert BACK.alike_m(0.0, 9.0, [(2, None)], longest_m=6.0) is None
