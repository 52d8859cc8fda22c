"""Rules on the height and place of fences as places publish them, given as a user gives them: as data.

Sources (all (b), published; as excerpted by others, not read in the gazettes; none is built in):

- New South Wales, State Environmental Planning Policy (Exempt and Complying Development Codes) 2008, 2.34 (2011
  version, legislation.nsw.gov.au): side and rear fences to 1.8 m, "stepped" on a slope to 2.2 m at each step.
- Ireland, Planning and Development Regulations 2001, Schedule 2, Part 1, class 5: 2 m; from which of two unequal
  grounds is not said, likely the lower.
- Salem, Virginia (salemfair.com/233): visibility triangle of 25 ft along right-of-way lines, nothing over 3 ft.
- Augusta, Georgia (augustaga.gov): visibility triangle of 60 ft along centre lines, nothing over 3 ft.
- Hudson, New Hampshire (townofhudson.org): 25 ft along street lot lines, clear between 3.5 and 7.5 ft above the kerb.
- England, General Permitted Development Order 2015, Schedule 2, Part 2, class A: 1 m beside a highway, 2 m elsewhere.
- Ordinance 999 (2019), ecode360.com/14266643: underside at or above the 1 % flood level, or an open fence.

What follows from them by arithmetic (a) is said in each test.
"""

from __future__ import annotations

import math
from typing import Any, ClassVar

import numpy as np
import pytest
import shapely

from geofence.engine.records import Finding
from geofence.site.zones import triangle
from tests.zoned import GRID, fence_on, ground_line, judged, placed

FT = 0.3048
EVERYWHERE = shapely.box(-500, -500, 500, 500)
LINE = [(0.0, 0.0), (24.0, 0.0)]


def flat(distance: np.ndarray) -> np.ndarray:
    return np.zeros_like(distance)


def only(found: list[Finding]) -> Finding:
    (finding,) = found
    return finding


class TestStepsOfNewSouthWales:
    RULE: ClassVar[dict[str, Any]] = {
        "rule": "max-height",
        "limit_m": 1.8,
        "measured_from": "step",
        "step_limit_m": 2.2,
        "source": "NSW 2.34",
    }

    @pytest.mark.parametrize(("module", "grade"), [(1.8, 0.4 / 1.8), (2.4, 0.4 / 2.4), (3.0, 0.4 / 3.0)])
    def test_level_panels_suit_grades_up_to_two_fifths_of_a_metre_a_bay(self, module: float, grade: float) -> None:
        """2.2 - 1.8 = 0.4 m a bay: 22.22, 16.67 and 13.33 % for bays of 1.8, 2.4 and 3.0 m."""
        line = [(0.0, 0.0), (10 * module, 0.0)]
        for rise, code in ((0.4, "zone-kept"), (0.45, "height-over-limit")):
            ground = ground_line(line, lambda distance, rise=rise: distance * rise / module)
            found = only(judged(ground, fence_on(ground, module_m=module), EVERYWHERE, **self.RULE))
            assert found.code == code
            assert found.value == pytest.approx(1.8 + rise, abs=1e-5)
            assert found.limit == 2.2
            assert "NSW 2.34" in found.message
        assert grade == pytest.approx({1.8: 0.2222, 2.4: 0.1667, 3.0: 0.1333}[module], abs=5e-5)

    def test_without_a_step_there_is_no_allowance(self) -> None:
        """On level ground with a dip of 0.1 m the fence does not step, and 1.9 m over the dip is too high."""
        ground = ground_line(LINE, lambda distance: -0.1 * np.exp(-((distance - 12.0) ** 2)))
        fence = fence_on(ground)
        assert not np.any(fence.bays.step_m)
        found = only(judged(ground, fence, EVERYWHERE, **self.RULE))
        assert (found.code, found.limit) == ("height-over-limit", 1.8)
        assert found.value == pytest.approx(1.9, abs=0.005)

    def test_a_fence_that_is_higher_everywhere_is_too_high_at_every_bay(self) -> None:
        ground = ground_line(LINE, flat)
        found = only(judged(ground, fence_on(ground, height_m=1.95), EVERYWHERE, **self.RULE))
        assert found.code == "height-over-limit"
        assert "10 bays are over it" in found.message


class TestUnequalGround:
    @pytest.mark.parametrize(("measured_from", "height"), [("lower", 2.2), ("mean", 2.0), ("higher", 1.8)])
    def test_the_same_fence_is_as_high_as_the_ground_it_is_measured_from(
        self, measured_from: str, height: float
    ) -> None:
        """Panels of 1.8 m on ground that rises 0.4 m a bay."""
        ground = ground_line(LINE, lambda distance: distance / 6)
        for limit, code in ((height + 0.001, "zone-kept"), (height - 0.001, "height-over-limit")):
            found = only(
                judged(
                    ground, fence_on(ground), EVERYWHERE, rule="max-height", limit_m=limit, measured_from=measured_from
                )
            )
            assert found.code == code
            assert found.value == pytest.approx(height, abs=1e-5)

    def test_by_two_metres_measured_low_it_is_too_high_and_measured_high_it_is_not(self) -> None:
        ground = ground_line(LINE, lambda distance: distance / 6)
        codes = [
            only(judged(ground, fence_on(ground), EVERYWHERE, rule="max-height", limit_m=2.0, measured_from=word)).code
            for word in ("lower", "higher")
        ]
        assert codes == ["height-over-limit", "zone-kept"]


class TestTriangleOnLotLines:
    """Salem: legs of 25 ft from the lot corner along the lot lines."""

    RULE: ClassVar[dict[str, Any]] = {
        "rule": "splay", "apex": (0.0, 0.0), "toward": ((90.0, 0.0), (0.0, 90.0)), "legs_m": (25 * FT, 25 * FT),
        "limit_m": 3 * FT, "source": "Salem",
    }  # fmt: skip

    @pytest.mark.parametrize(("angle", "square_feet"), [(90.0, 312.5), (60.0, 270.63)])
    def test_its_area(self, angle: float, square_feet: float) -> None:
        """Half the product of the legs and the sine of the angle."""
        other = (50 * math.cos(math.radians(angle)), 50 * math.sin(math.radians(angle)))
        found = triangle((0.0, 0.0), [(50.0, 0.0), other], (25 * FT, 25 * FT), GRID)
        assert found.area / FT**2 == pytest.approx(square_feet, abs=0.005)

    @pytest.mark.parametrize(("place", "inside"), [(5.0, True), (15.0, False), (12.5, True)])
    def test_a_post_inside_outside_and_on_the_line(self, place: float, inside: bool) -> None:
        """A fence of one bay parallel to the long side, through (place, place): on the line is in."""
        middle = place * FT
        ground = ground_line([(middle - 1, middle + 1), (middle + 1, middle - 1)], flat)
        codes = [item.code for item in judged(ground, fence_on(ground), None, **self.RULE)]
        assert codes == (["splay-obstructed"] if inside else ["zone-not-met"])

    def test_a_fence_along_the_lot_line_is_in_it_for_25_feet(self) -> None:
        ground = ground_line([(-10.0, 0.0), (30.0, 0.0)], flat)
        found = only(judged(ground, fence_on(ground), None, **self.RULE))
        assert (found.chainage_m, found.chainage_to_m) == pytest.approx((10.0, 10.0 + 25 * FT), abs=0.003)
        assert (found.code, found.value, found.limit) == ("splay-obstructed", pytest.approx(1.8), pytest.approx(0.9144))

    def test_a_low_fence_keeps_it(self) -> None:
        ground = ground_line([(0.0, 3.0), (3.0, 0.0)], flat)
        assert only(judged(ground, fence_on(ground, height_m=0.9), None, **self.RULE)).code == "zone-kept"


class TestTriangleOnCentreLines:
    """Augusta: legs of 60 ft from where the centre lines meet."""

    RULE: ClassVar[dict[str, Any]] = {
        "rule": "splay", "apex": (0.0, 0.0), "toward": ((90.0, 0.0), (0.0, 90.0)), "legs_m": (60 * FT, 60 * FT),
        "limit_m": 3 * FT, "source": "Augusta",
    }  # fmt: skip

    def along_the_lot(self, half_width_ft: float) -> list[Finding]:
        """A fence round the corner of a lot that streets of so much to each side leave."""
        edge = half_width_ft * FT
        ground = ground_line([(edge + 30, edge), (edge, edge), (edge, edge + 30)], flat)
        return judged(ground, fence_on(ground), None, **self.RULE)

    def test_streets_of_60_feet_leave_the_lot_untouched(self) -> None:
        """The long side passes through the lot corner: 30 + 30 = 60. It touches there, over a few millimetres."""
        found = self.along_the_lot(30.0)
        assert sum((item.chainage_to_m or 0) - (item.chainage_m or 0) for item in found) < 0.01

    def test_narrower_streets_do_not(self) -> None:
        """Streets of 40 ft: the lot corner lies at 20, 20; along each lot line the triangle reaches 20 ft on."""
        found = only(self.along_the_lot(20.0))
        assert found.code == "splay-obstructed"
        assert found.chainage_to_m - found.chainage_m == pytest.approx(2 * 20 * FT, abs=0.005)


class TestBandAboveTheKerb:
    """Hudson: clear from 3.5 to 7.5 ft above the kerb."""

    def judge(self, *, height_m: float, kerb_m: float) -> Finding:
        ground = ground_line([(0.0, 3.0), (3.0, 0.0)], flat)
        rule = {**TestTriangleOnLotLines.RULE, "limit_m": 0.0, "band_from_m": 3.5 * FT, "band_to_m": 7.5 * FT}
        return only(judged(ground, fence_on(ground, height_m=height_m), None, **rule, level_m=kerb_m))

    def test_a_fence_below_the_band(self) -> None:
        found = self.judge(height_m=1.05, kerb_m=0.0)
        assert (found.code, found.value, found.limit) == ("zone-kept", pytest.approx(1.05), pytest.approx(1.0668))

    def test_a_fence_that_reaches_into_it(self) -> None:
        found = self.judge(height_m=1.1, kerb_m=0.0)
        assert (found.code, found.value) == ("splay-obstructed", pytest.approx(1.1))

    def test_the_kerb_counts_and_not_the_ground_under_the_fence(self) -> None:
        """A kerb 0.2 m lower puts the same 1.05 m at 1.25 m above it."""
        found = self.judge(height_m=1.05, kerb_m=-0.2)
        assert (found.code, found.value) == ("splay-obstructed", pytest.approx(1.25))

    def test_ground_far_below_the_kerb(self) -> None:
        assert self.judge(height_m=1.8, kerb_m=2.0).code == "zone-kept"


class TestBesideAHighway:
    def test_one_metre_beside_it_and_two_elsewhere(self) -> None:
        """What is beside is the user's: here within 2 m of the highway's edge. Sides of 24 m, the road 1.5 m off."""
        ground = ground_line([(0.0, 0.0), (24.0, 0.0), (24.0, 24.0)], flat)
        road, fence = shapely.box(-50, -10, 50, -1.5), fence_on(ground, height_m=1.8)
        beside = only(judged(ground, fence, road, rule="max-height", limit_m=1.0, buffer_m=2.0, source="GPDO A.1(a)"))
        elsewhere = only(judged(ground, fence, EVERYWHERE, rule="max-height", limit_m=2.0, source="GPDO A.1(b)"))
        assert (beside.code, beside.chainage_to_m) == ("height-over-limit", pytest.approx(24.5, abs=0.01))
        assert (elsewhere.code, elsewhere.value) == ("zone-kept", pytest.approx(1.8))


class TestFlood:
    RULE: ClassVar[dict[str, Any]] = {"rule": "flood", "level_m": 0.3, "source": "Ordinance 999"}

    def judge(self, *, dig_max_m: float, open_share: float = 0.0, **keys: float) -> Finding:
        ground = ground_line(LINE, flat)
        fence = fence_on(ground, dig_max_m=dig_max_m)
        return only(judged(ground, fence, EVERYWHERE, open_share=open_share, **self.RULE, **keys))

    def test_an_underside_at_the_water_is_high_enough(self) -> None:
        found = self.judge(dig_max_m=-0.3)
        assert (found.code, found.value) == ("zone-kept", pytest.approx(0.0, abs=1e-9))

    def test_one_below_it_is_not(self) -> None:
        found = self.judge(dig_max_m=-0.25)
        assert (found.code, found.value) == ("flood-obstructed", pytest.approx(-0.05))

    @pytest.mark.parametrize(("open_share", "code"), [(0.95, "zone-kept"), (0.5, "flood-obstructed")])
    def test_an_open_fence_does_as_well(self, open_share: float, code: str) -> None:
        """An underside at 0.1 m of 0.3 m of water: 1/3 is open below, and of the other 2/3 the open share."""
        found = self.judge(dig_max_m=-0.1, open_share=open_share, open_share_min=0.9)
        assert found.code == code
        assert f"{1 / 3 + 2 / 3 * open_share:.0%} is open" in found.message

    def test_a_clearance_above_the_ground(self) -> None:
        ground = ground_line(LINE, flat)
        found = judged(ground, fence_on(ground, dig_max_m=-0.1), EVERYWHERE, rule="flood", limit_m=0.15)
        assert (only(found).code, only(found).value) == ("flood-obstructed", pytest.approx(0.1))


class TestDistances:
    """Not one place's rule: a fence so far from a building, and none in a reserve."""

    def test_setback_from_a_building(self) -> None:
        ground = ground_line(LINE, flat)
        house = shapely.box(10.0, 2.5, 14.0, 9.0)
        near = only(judged(ground, fence_on(ground), house, rule="setback", limit_m=3.0, source="title deed"))
        assert (near.code, near.value, near.limit) == ("setback-under-limit", pytest.approx(2.5, abs=1e-5), 3.0)
        # beside the house the line is within 3 m over its 4 m and sqrt(3^2 - 2.5^2) on either side
        beyond = math.sqrt(3**2 - 2.5**2)
        assert (near.chainage_m, near.chainage_to_m) == pytest.approx((10 - beyond, 14 + beyond), abs=1e-3)
        assert only(judged(ground, fence_on(ground), house, rule="setback", limit_m=2.5)).code == "zone-kept"

    def test_a_buffer_widens_what_is_drawn(self) -> None:
        ground = ground_line(LINE, flat)
        found = only(judged(ground, fence_on(ground), shapely.Point(12, 5), rule="setback", limit_m=3.0, buffer_m=2.5))
        assert found.value == pytest.approx(2.5, abs=1e-5)

    def test_no_fence_and_consult(self) -> None:
        ground = ground_line(LINE, flat)
        for rule, code, severity in (("no-fence", "zone-no-fence", "stop"), ("consult", "zone-consult", "note")):
            found = only(judged(ground, fence_on(ground), shapely.box(5, -5, 9, 5), rule=rule, source="deed"))
            assert (found.code, found.severity, found.value) == (code, severity, pytest.approx(4.0, abs=0.003))
            assert "(deed)" in found.message

    def test_the_reach_of_each_rule(self) -> None:
        ground = ground_line(LINE, flat)
        assert placed(ground, shapely.Point(12, 5), rule="no-fence", buffer_m=4.9)[0].crossings == ()
        assert len(placed(ground, shapely.Point(12, 5), rule="no-fence", buffer_m=5.1)[0].crossings) == 1
