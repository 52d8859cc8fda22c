"""Runs that meet as one fence. Expected numbers are closed forms: flat ground, panels of 1.8 m, whole modules."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from geofence.engine.fence import build_fence
from geofence.engine.joined import join, join_at
from geofence.engine.junctions import JunctionRules
from geofence.engine.records import (
    Fence,
    FixedPost,
    Gate,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
)

LEVELS = LevelRules(
    increment_m=0.05, gap_max_m=0.15, dig_max_m=0.1, step_min_m=0.05, step_max_m=0.6,
    gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0,
)  # fmt: skip
POSTS = PostRules(post_reveal_m=0.005, embedment_m=0.55, embedment_ratio=0.3, stock_lengths_m=(2.5, 3.0))


def built(level_m: float, *, length_m: float = 9.6, at_m: float = 4.8, step_m: float = 0.0, **options: Any) -> Fence:
    """Flat ground, higher by a step from the junction on; modules of 2.4 m."""
    return build_fence(
        Profile(
            chainage_m=[0.0, at_m, at_m + 1e-3, length_m],
            level_m=[level_m, level_m, level_m + step_m, level_m + step_m],
        )
        if step_m
        else Profile(chainage_m=[0.0, length_m], level_m=[level_m, level_m]),
        Path(vertex_m=[0.0, length_m], deflection_deg=[0.0, 0.0]),
        fixed=[FixedPost(chainage_m=at_m, kind="junction", name="the junction")],
        layout=LayoutRules(module_m=2.4, min_bay_m=0.5),
        levels=LEVELS,
        posts=POSTS,
        panel=PanelRules(height_m=1.8),
        **options,
    )


def rules(*gates: list[Gate], **options: Any) -> JunctionRules:
    return JunctionRules(posts=POSTS, gates=gates or ((), ()), step_max_m=0.6, **options)


@pytest.fixture(scope="module")
def low() -> Fence:
    return built(50.0)


@pytest.fixture(scope="module")
def high() -> Fence:
    """Of a steep bank beside it: the same place, panels 0.4 m higher."""
    return built(50.4)


class TestRows:
    def test_a_shared_post_has_one_row_and_bays_of_both_runs(self, low: Fence) -> None:
        joined = join_at([low, low], [[(0, 4.8), (1, 0.0)]], rules())
        assert [rows.tolist() for rows in joined.rows] == [[0, 1, 2, 3, 4], [2, 5, 6, 7, 8]]
        assert [kept.tolist() for kept in joined.kept] == [[True] * 5, [False, True, True, True, True]]
        fence = joined.fence
        assert fence.posts.chainage_m.tolist() == pytest.approx([0, 2.4, 4.8, 7.2, 9.6, 2.4, 4.8, 7.2, 9.6])
        assert fence.posts.kind[2] == "junction"
        assert list(zip(fence.bays.from_post.tolist(), fence.bays.to_post.tolist(), strict=True)) == [
            (0, 1), (1, 2), (2, 3), (3, 4), (2, 5), (5, 6), (6, 7), (7, 8),
        ]  # fmt: skip

    def test_a_run_may_meet_itself(self, low: Fence) -> None:
        joined = join_at([low], [[(0, 2.4), (0, 9.6)]], rules(()))
        assert joined.rows[0].tolist() == [0, 1, 2, 3, 1]
        assert len(joined.fence.posts) == 4

    def test_runs_that_do_not_meet_follow_each_other(self, low: Fence) -> None:
        fence = join([low, low])
        assert fence.bays.from_post.tolist() == [0, 1, 2, 3, 5, 6, 7, 8]
        assert fence.cost.total == pytest.approx(2 * low.cost.total)

    def test_findings_keep_their_posts_and_bays(self, low: Fence) -> None:
        from geofence.engine.records import Finding

        second = replace(
            low,
            findings=(
                Finding(code="x", severity="note", message="x", post=0),
                Finding(code="y", severity="note", message="y", bay=1),
                Finding(code="z", severity="note", message="z", post=0, posts=(0, 1, 3)),
            ),
        )
        found = join_at([low, second], [[(0, 4.8), (1, 0.0)]], rules()).fence.findings
        assert [(item.post, item.bay, item.posts) for item in found] == [
            (2, None, ()),
            (None, 5, ()),
            (2, None, (2, 5, 7)),
        ]

    def test_a_junction_without_a_post_is_refused(self, low: Fence) -> None:
        with pytest.raises(ValueError, match="no post stands at the junction"):
            join_at([low, low], [[(0, 4.0), (1, 0.0)]], rules())


class TestTheSharedPost:
    def test_carries_the_highest_bay_and_supports_are_told_from_its_own_top(self, low: Fence, high: Fence) -> None:
        joined = join_at([low, high], [[(0, 4.8), (1, 0.0)]], rules())
        posts = joined.fence.posts
        assert posts.top_level_m[2] == pytest.approx(50.4 + 1.8 + 0.005)
        # its own panels hang 0.4 m lower than those of the other line
        assert posts.support_ahead_m[2] == pytest.approx(1.805 + 0.4)
        assert posts.support_back_m[2] == pytest.approx(1.805 + 0.4)
        # those of the other line are where they would be without the junction
        assert joined.runs[1].posts.support_ahead_m[0] == pytest.approx(1.805)

    def test_stands_as_deep_and_is_as_long_as_its_height_asks(self, low: Fence, high: Fence) -> None:
        posts = join_at([low, high], [[(0, 4.8), (1, 0.0)]], rules()).fence.posts
        height = 50.4 + 1.805 - 50.0
        assert posts.embedment_m[2] == pytest.approx(0.3 * height)  # more than 0.55
        assert posts.toe_level_m[2] == pytest.approx(50.0 - 0.3 * height)
        assert posts.length_m[2] == pytest.approx(1.3 * height)
        assert posts.stock_length_m[2] == 3.0

    def test_is_found_too_long_once(self, low: Fence) -> None:
        other = built(51.2)
        found = join_at([low, other], [[(0, 4.8), (1, 0.0)]], rules()).fence.findings
        extended = [item for item in found if item.code == "post-extended"]
        assert [(item.post, item.chainage_m) for item in extended] == [(2, pytest.approx(4.8))]
        assert extended[0].value == pytest.approx(1.3 * (51.2 + 1.805 - 50.0))

    def test_a_gate_s_post_stays_one_with_its_own_rules(self, low: Fence) -> None:
        strong = PostRules(post_reveal_m=0.105, embedment_m=0.9, stock_lengths_m=(3.2,))
        gate = Gate(name="G1", chainage_m=4.8, width_m=2.4, posts=(strong, strong))
        gated = built(50.0, gates=[gate])
        posts = join_at([low, gated], [[(0, 4.8), (1, 4.8)]], rules((), [gate])).fence.posts
        assert posts.kind[2] == "gate"
        # the gate hangs at least 0.05 m over the ground
        assert posts.top_level_m[2] == pytest.approx(50.05 + 1.8 + 0.105)
        assert posts.embedment_m[2] == pytest.approx(0.9)
        assert posts.stock_length_m[2] == 3.2

    def test_wires_of_all_runs_pull_at_it(self, low: Fence) -> None:
        pulled = replace(low, posts=replace(low.posts, uplift_kn=np.full(5, 0.7)))
        joined = join_at([pulled, pulled], [[(0, 4.8), (1, 0.0)]], rules(uplift_max_kn=1.0))
        assert joined.fence.posts.uplift_kn[2] == pytest.approx(1.4)
        (finding,) = joined.fence.findings
        assert (finding.code, finding.post, finding.value) == ("post-uplift", 2, pytest.approx(1.4))


class TestStepsBetweenRuns:
    @pytest.mark.parametrize(("level_m", "told"), [(50.6, False), (50.65, True)])
    def test_are_told_where_they_are_more_than_a_step_may_be(self, low: Fence, level_m: float, told: bool) -> None:
        found = join_at([low, built(level_m)], [[(0, 4.8), (1, 0.0)]], rules()).fence.findings
        steps = [item for item in found if item.code == "junction-step-over-limit"]
        assert [item.value for item in steps] == ([pytest.approx(0.65)] if told else [])

    def test_nothing_is_told_of_a_step_within_one_run(self) -> None:
        own = built(50.0, step_m=0.55)
        found = join_at([own, built(50.3)], [[(0, 4.8), (1, 0.0)]], rules()).fence.findings
        assert not [item for item in found if item.code == "junction-step-over-limit"]
