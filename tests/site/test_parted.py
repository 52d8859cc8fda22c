"""Lines that a move parts. Expected distances are closed forms: the lines are drawn on axes."""

from __future__ import annotations

import pytest

from geofence.site.line import Line
from geofence.site.offset import offset
from geofence.site.parted import Parted, parted
from tests.site.test_network import NEIGHBOUR, SQUARE, line


def found(*drawn: Line, by_m: tuple[float, ...]) -> tuple[Parted, ...]:
    moved = [offset(one, by) if by else one for one, by in zip(drawn, by_m, strict=True)]
    return parted(drawn, moved, join_m=0.02)


class TestNeighbours:
    @pytest.mark.parametrize(
        ("by_m", "apart_m"), [((0.55, 0.55), 1.1), ((0.55, 0.0), 0.55), ((0.0, -0.3), 0.3), ((0.55, 0.3), 0.85)]
    )
    def test_moved_apart_are_so_far_apart(self, by_m: tuple[float, float], apart_m: float) -> None:
        """Both rings run anticlockwise: their shared side is walked either way, and each goes to its own left."""
        (one,) = found(line(SQUARE), line(NEIGHBOUR), by_m=by_m)
        assert (one.line, one.other) == (0, 1)
        assert one.length_m == pytest.approx(50, abs=1e-4)
        assert one.apart_m == pytest.approx(apart_m, abs=1e-4)

    def test_moved_the_same_way_stay_together(self) -> None:
        """One ring turned round: its left is the other's."""
        assert found(line(SQUARE), line(NEIGHBOUR).reversed(), by_m=(0.5, 0.5)) == ()

    def test_that_only_touch_are_not_parted(self) -> None:
        assert found(line([(0, 0), (50, 0)]), line([(50, 0), (50, 40)]), by_m=(0.5, 0.5)) == ()

    def test_on_two_stretches_count_both(self) -> None:
        """A line along the square's south and north sides, round it to the west."""
        round_it = line([(50, 0), (0, 0), (-20, 25), (0, 50), (50, 50)])
        (one,) = found(line(SQUARE), round_it, by_m=(0.5, 0.0))
        assert one.length_m == pytest.approx(100, abs=1e-3)
        assert one.apart_m == pytest.approx(0.5, abs=1e-4)
