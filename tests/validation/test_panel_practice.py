"""What fence crews do with panels between posts.

Source: common practice, no source. The figures are round ones of a panel system with centres of 1885 mm and 1800 mm of
panels; what follows from them is arithmetic that a crew does on site with a tape.
"""

from __future__ import annotations

import pytest

from geofence.engine.fence import build_fence
from geofence.engine.layout import lay_out
from geofence.engine.records import Fence, LayoutRules, LevelRules, PanelRules, PostRules, Profile
from tests.engine.lines import path

CENTRES_M = 1.885
LAYOUT = LayoutRules(module_m=CENTRES_M, min_bay_m=0.4)
LEVELS = LevelRules(
    increment_m=0.05,
    gap_max_m=0.15,
    dig_max_m=-0.05,  # 50 mm stay clear below
    step_min_m=0.05,
    step_max_m=0.60,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=25.0,
    rise_cost=10.0,
)
POSTS = PostRules(post_reveal_m=0.005, embedment_m=0.55, stock_lengths_m=(2.1, 2.4, 2.7))
PANEL = PanelRules(height_m=1.8)


def on_level_ground(posts: PostRules = POSTS) -> Fence:
    length = 6 * CENTRES_M
    ground = Profile(chainage_m=[0.0, length], level_m=[20.0, 20.0])
    return build_fence(ground, path([length]), layout=LAYOUT, levels=LEVELS, posts=posts, panel=PANEL)


@pytest.mark.parametrize("post_width_m", [0.05, 0.06, 0.1])
def test_outside_of_one_post_to_inside_of_the_next_is_the_centre_distance(post_width_m: float) -> None:
    # A crew hooks its tape over a post's far side and marks the near side of the next one.
    layout = lay_out(path([6 * CENTRES_M]), [], LAYOUT)
    outside = layout.post_m[:-1] - post_width_m / 2
    inside = layout.post_m[1:] - post_width_m / 2
    assert inside - outside == pytest.approx([1.885] * 6, abs=0.0005)


def test_a_post_stands_1855_mm_out_of_the_ground() -> None:
    # 50 mm clear + 1800 mm of panels + 5 mm at the top; 1850 to 1860 mm in practice.
    assert on_level_ground().posts.height_m == pytest.approx([1.855] * 7, abs=1e-9)


def test_the_lower_support_sits_1805_mm_below_the_top() -> None:
    posts = on_level_ground().posts
    assert posts.support_ahead_m[:-1] == pytest.approx([1.805] * 6, abs=1e-9)
    assert posts.support_back_m[1:] == pytest.approx([1.805] * 6, abs=1e-9)


@pytest.mark.parametrize(("hole_m", "stock_m"), [(0.5, 2.4), (0.545, 2.4), (0.55, 2.7), (0.6, 2.7)])
def test_holes_of_500_to_600_mm_and_the_stock_that_reaches(hole_m: float, stock_m: float) -> None:
    # 1855 mm + 545 mm are 2400 mm to the millimetre: that stock still reaches.
    posts = on_level_ground(PostRules(post_reveal_m=0.005, embedment_m=hole_m, stock_lengths_m=(2.1, 2.4, 2.7))).posts
    assert posts.embedment_m == pytest.approx([hole_m] * 7)
    assert posts.stock_length_m.tolist() == [stock_m] * 7


def test_soft_ground_takes_an_extension() -> None:
    fence = on_level_ground(PostRules(post_reveal_m=0.005, embedment_m=0.9, stock_lengths_m=(2.1, 2.4, 2.7)))
    assert {(item.code, item.severity) for item in fence.findings} == {("post-extended", "warn")}
    assert [item.value for item in fence.findings] == pytest.approx([2.755] * 7)
    assert fence.posts.stock_length_m.tolist() == [2.7] * 7
