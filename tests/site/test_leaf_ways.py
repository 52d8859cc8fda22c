"""Where the ways of two leaves meet.

(a) Closed forms of circles and lines; and every place of a fine grid of a leaf's way held against the other's sector.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from geofence.site.leaf_ways import ARC_DEG, PLAY_DEG, PLAY_M, Entry, LeafWay
from geofence.site.swing import Leaf, Motion
from tests.site.test_swing import EAST, GEOD, LAT, LON, local


def hung(x: float, y: float, azimuth_deg: float, motion: Motion, **others: float) -> Leaf:
    """A leaf of 3.6 m at a place in metres east and north."""
    lon, lat, _ = GEOD.fwd(LON, LAT, math.degrees(math.atan2(x, y)), math.hypot(x, y))
    return replace(EAST, lon_deg=lon, lat_deg=lat, azimuth_deg=azimuth_deg, motion=motion, **others)


def comes_into(one: Leaf, other: Leaf) -> Entry | None:
    return LeafWay.about_itself(one, GEOD).into(other)


def both(one: Leaf, other: Leaf) -> tuple[Entry | None, Entry | None]:
    return comes_into(one, other), comes_into(other, one)


def opened(one: Leaf, other: Leaf) -> tuple[float, float]:
    first, second = both(one, other)
    assert first is not None
    assert second is not None
    return first.opened, second.opened


WEST_LEAF = hung(0, 0, 270.0, "clockwise")
"""At the origin, shut towards west, opens to the north; EAST is its mirror image."""


class TestAtOnePost:
    @pytest.mark.parametrize("open_deg", [60.0, 90.0, 90.4])
    def test_they_open_back_to_back(self, open_deg: float) -> None:
        assert both(replace(EAST, open_deg=open_deg), replace(WEST_LEAF, open_deg=open_deg)) == (None, None)

    @pytest.mark.parametrize(("one", "other"), [(100.0, 100.0), (120.0, 75.0), (150.0, 90.0)])
    def test_they_meet_where_their_angles_are_180_degrees_together(self, one: float, other: float) -> None:
        found = opened(replace(EAST, open_deg=one), replace(WEST_LEAF, open_deg=other))
        assert found == pytest.approx((180 - other, 180 - one), abs=1e-4)

    def test_to_different_sides_they_do_not(self) -> None:
        assert both(EAST, replace(WEST_LEAF, motion="anticlockwise")) == (None, None)


class TestFromEndToEnd:
    def test_tips_that_touch_do_not_meet(self) -> None:
        """Both shut reach to one post between them."""
        assert both(EAST, hung(7.2, 0, 270.0, "clockwise")) == (None, None)

    def test_of_one_opening_too_narrow_for_both(self) -> None:
        """Posts 6 m apart: circles of 3.6 m meet 3 m along, at arccos(3 / 3.6); shut they overlap, met at 0 degrees."""
        assert opened(EAST, hung(6.0, 0, 270.0, "clockwise")) == pytest.approx((0.0, 0.0), abs=1e-4)


class TestAcrossALane:
    """The lane runs east, 4 m wide; its other side's leaf opens to the south."""

    def test_seen_from_the_other_post_the_circle_is_met_at_its_tangent(self) -> None:
        """Hung right across: the tangent to a circle of 3.6 m, 4 m away, is arcsin(0.9) off the way across."""
        found = opened(EAST, hung(0, 4, 90.0, "clockwise"))
        assert found == pytest.approx([90 - math.degrees(math.asin(0.9))] * 2, abs=0.01)

    def test_there_they_bar_each_other_as_they_stand_open(self) -> None:
        assert all(entry is not None and entry.stays for entry in both(EAST, hung(0, 4, 90.0, "clockwise")))

    def test_leaves_that_only_pass_each_other(self) -> None:
        """Hung 1 m beyond the other's post: each stands open outside the other's circle."""
        entries = both(EAST, hung(4.6, 4, 270.0, "anticlockwise"))
        assert [entry is not None and entry.stays for entry in entries] == [False, False]

    def test_a_wider_lane_keeps_them_apart(self) -> None:
        assert both(EAST, hung(0, 7.2, 90.0, "clockwise")) == (None, None)


class TestSlides:
    def test_two_that_slide_towards_each_other(self) -> None:
        """Posts 5 m apart, leaves of 3.6 m: each meets the other's end after 1.4 m."""
        one, other = replace(EAST, motion="slides", azimuth_deg=270.0), hung(5.0, 0, 90.0, "slides")
        assert opened(one, other) == pytest.approx((1.4, 1.4), abs=1e-4)
        assert all(entry is not None and entry.stays for entry in both(one, other))

    def test_one_that_slides_before_one_that_swings(self) -> None:
        """It slides from the origin east, before a post 1.5 m on whose leaf is shut towards east."""
        slides, swings = replace(EAST, motion="slides", azimuth_deg=270.0), hung(1.5, 0, 90.0, "anticlockwise")
        assert opened(slides, swings) == pytest.approx((1.5, 0.0), abs=1e-4)
        assert all(entry is not None and entry.stays for entry in both(slides, swings))

    def test_past_each_other_they_do_not(self) -> None:
        assert both(replace(EAST, motion="slides"), hung(3.6, 0, 90.0, "slides", length_m=1.0)) == (None, None)


@pytest.mark.parametrize("seed", range(40))
def test_no_place_of_a_fine_grid_says_otherwise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    one, other = (
        hung(
            *rng.uniform(-3, 3, 2), rng.uniform(0, 360), ("clockwise", "anticlockwise")[rng.integers(2)],
            length_m=rng.uniform(1, 5), open_deg=rng.uniform(20, 170),
        )
        for _ in range(2)
    )  # fmt: skip
    angles, reaches = np.arange(0, one.open_deg, 0.25), np.arange(2 * PLAY_M, one.length_m, 0.01)
    angle, reach = (part.ravel() for part in np.meshgrid(angles, reaches, indexing="ij"))
    x, y = local(*one.places(angle, reach, GEOD))
    from_x, from_y = local(np.array([other.lon_deg]), np.array([other.lat_deg]))
    azimuth = np.degrees(np.arctan2(x - from_x, y - from_y))
    turned = (azimuth - other.azimuth_deg) * (1 if other.motion == "clockwise" else -1) % 360
    inside = (np.hypot(x - from_x, y - from_y) <= other.length_m) & (turned <= other.open_deg)
    entry = comes_into(one, other)
    if entry is None:
        shy = (angle > PLAY_DEG) & (angle < one.open_deg - PLAY_DEG) & (reach < one.length_m - PLAY_M)
        shy &= np.hypot(x - from_x, y - from_y) <= other.length_m - PLAY_M
        assert not (inside & shy & (turned > PLAY_DEG) & (turned < other.open_deg - PLAY_DEG)).any()
    else:
        # a tip of common ground thinner than a step of the grid comes before the first place of it
        assert entry.opened - ARC_DEG / 10 <= angle[inside].min() <= entry.opened + 1.5
