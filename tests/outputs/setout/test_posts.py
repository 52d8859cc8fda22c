"""What a crew measures at each post: running chainages, supports on each side, what to look at."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from pyproj import Transformer

from geofence.engine.records import Finding
from geofence.outputs.setout.posts import SetOutPost, Stretch, stretches, whole_plan_notes
from geofence.outputs.setout.strings import STRING_M, held_along, tape_of
from geofence.plan import FencePlan, PlannedGate
from tests.outputs.drawn_plans import plan_of
from tests.outputs.setout.plans import STEP_M, plan_through, square, tee, with_findings


def along(plan: FencePlan, line: str) -> list[SetOutPost]:
    return [post for stretch in stretches(plan) if stretch.line == line for post in stretch.posts]


class TestRunning:
    def test_begins_anew_at_each_post_that_is_held(self) -> None:
        """(a) by the plan's own chainages, on a real site."""
        plan = plan_of("sample")
        parts = list(stretches(plan))
        posts = [post for part in parts for post in part.posts]
        assert [post.row for post in posts] == list(range(len(plan.fence.posts)))
        last = 0.0
        for post in posts:
            chainage = plan.fence.posts.chainage_m[post.row]
            assert post.running_m == pytest.approx(chainage - last, abs=1e-9)
            assert post.chainage_m == chainage
            if post.held:
                last = chainage
        kinds = {post.kind for post in posts if post.held}
        assert {"end", "corner", "gate"} <= kinds

    def test_a_junction_has_a_chainage_in_each_line(self) -> None:
        """(a) line A meets the junction at 4 m, line B begins there."""
        plan = tee()
        assert [(post.name, post.running_m, post.chainage_m) for post in along(plan, "A")] == [
            ("P001", 0, 0), ("P002", 2, 2), ("P003", 4, 4), ("P004", 2, 6), ("P005", 4, 8),
        ]  # fmt: skip
        assert [(post.name, post.running_m, post.chainage_m) for post in along(plan, "B")] == [
            ("P003", 0, 0), ("P006", 2, 2), ("P007", 4, 4), ("P008", 6, 6), ("P009", 8, 8),
        ]  # fmt: skip
        assert [post.met for post in along(plan, "B")] == ["again", "first", "first", "first", "first"]

    def test_a_ring_comes_back_to_its_first_post(self) -> None:
        """(a) 12 bays of 2 m."""
        posts = along(square(), "yard")
        assert [post.name for post in posts] == [*(f"P{row:03d}" for row in range(1, 13)), "P001"]
        assert (posts[-1].met, posts[-1].running_m, posts[-1].chainage_m) == ("closes", 3 * STEP_M, 12 * STEP_M)
        assert math.isnan(posts[-1].to_next_m)
        assert posts[-2].to_next_m == STEP_M

    def test_distances_between_posts_add_up_to_the_stretch(self) -> None:
        for part in stretches(plan_of("sample")):
            inner = (
                [part.start, *part.posts][-part.bays - 1 : -1] if part.posts[0] is not part.start else part.posts[:-1]
            )
            assert sum(post.to_next_m for post in inner) == pytest.approx(part.length_m, abs=2e-3)


class TestSupports:
    def test_are_those_of_the_run(self) -> None:
        """(a) the junction's top is 5 mm over that of its highest bay, the first of line B."""
        plan = tee()
        top = 50.2 + 0.4 + 1.8 + 0.005
        junction = along(plan, "A")[2]
        assert junction.top_level_m == pytest.approx(top)
        assert junction.support_back_m == pytest.approx(top - 50.3)
        assert junction.support_ahead_m == pytest.approx(top - 50.4)
        begins = along(plan, "B")[0]
        assert math.isnan(begins.support_back_m)
        assert begins.support_ahead_m == pytest.approx(top - 50.6)

    def test_are_those_of_the_plan_where_runs_share_no_post(self) -> None:
        """(a) the engine's own supports."""
        plan = plan_of("sample")
        for post in (post for part in stretches(plan) for post in part.posts):
            given = plan.fence.posts.support_back_m[post.row], plan.fence.posts.support_ahead_m[post.row]
            assert (post.support_back_m, post.support_ahead_m) == pytest.approx(given, abs=1e-9, nan_ok=True)

    def test_of_a_ring_reach_over_its_first_post(self) -> None:
        """(a) bay 12, at 50.2 + 1.1 m, ends at the first post, whose top it decides."""
        first, *_, last = along(square(), "yard")
        assert first.support_back_m == last.support_back_m == pytest.approx(1.805)
        assert first.support_ahead_m == pytest.approx(1.805 + 1.1)
        assert (first.behind_name, first.ahead_name) == ("B012", "B001")


class TestSizes:
    def test_gate_posts_have_their_own(self) -> None:
        """(a) posts of 0.1 m at the gate and 0.05 m elsewhere: 2 m less half of each."""
        plan = tee()
        gate = PlannedGate(
            name="G1", bay=0, swing="left", leaves=1, leaf_kg=None, post_width_m=0.1, hole_diameter_m=0.5
        )
        first, second, third = along(replace(plan, gates=(gate,)), "A")[:3]
        assert first.clear_m == pytest.approx(STEP_M - 0.1)
        assert second.clear_m == pytest.approx(STEP_M - 0.075)
        assert (first.hole_m, second.hole_m, third.hole_m) == (0.5, 0.5, 0.3)

    def test_an_extension_is_what_the_longest_stock_lacks(self) -> None:
        """(a) stock of 2 m."""
        plan = tee()
        posts = replace(plan.fence.posts, stock_length_m=np.full(9, 2.0))
        for post in along(replace(plan, fence=replace(plan.fence, posts=posts)), "A"):
            assert post.extension_m == pytest.approx(max(post.length_m - 2.0, 0.0))
            assert post.extension_m > 0.5
        assert [post.extension_m for post in along(plan, "A")] == [0.0] * 5


class TestNotes:
    FINDINGS = (
        Finding(code="a", severity="warn", message="the post is long", remedy="Order more.", post=3),
        Finding(code="b", severity="stop", message="the panel hangs.", bay=4),
        Finding(code="c", severity="note", message="no more than a note", post=3),
        Finding(code="d", severity="warn", message="a pipe\nruns here", chainage_m=2.0, chainage_to_m=4.5),
    )

    def test_stand_at_the_post_and_at_the_post_before_the_bay(self) -> None:
        """Bay 5 is the first of line B, which begins at the junction: it is told there, and not with line A."""
        plan = with_findings(tee(), *self.FINDINGS)
        told = {(line, post.name): post.notes for line in "AB" for post in along(plan, line) if post.notes}
        assert {key: [(note.word, note.text) for note in notes] for key, notes in told.items()} == {
            ("A", "P004"): [("CHECK", "the post is long. Order more.")],
            ("B", "P003"): [("STOP", "B005, P003 to P006: the panel hangs.")],
        }

    def test_of_the_whole_plan_say_where(self) -> None:
        (note,) = whole_plan_notes(with_findings(tee(), *self.FINDINGS))
        assert (note.word, note.text) == ("CHECK", "Chainage 2.00 to 4.50 m: a pipe runs here.")

    def test_of_one_line_of_several_say_which(self) -> None:
        findings = [
            Finding(code="d", severity="warn", message="a pipe", line="North", chainage_m=2.0),
            Finding(code="e", severity="warn", message="a wall", line="South"),
        ]
        assert [note.text for note in whole_plan_notes(with_findings(tee(), *findings))] == [
            "Line North, chainage 2.00 m: a pipe.", "Line South: a wall.",
        ]  # fmt: skip


class TestStrings:
    def bent(self, turn_deg: float, count: int = 20) -> FencePlan:
        """A line of bays of 2 m that turns once, in its middle."""
        heading = np.radians(np.where(np.arange(count - 1) < count // 2, 90.0, 90.0 + turn_deg))
        steps = STEP_M * np.column_stack([np.sin(heading), np.cos(heading)])
        places = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
        return plan_through(places, (("", tuple(range(count)), False),), ("end", *("line",) * (count - 2), "end"))

    def held(self, plan: FencePlan) -> list[int]:
        return held_along(plan, tape_of(plan), plan.runs[0])

    def test_a_straight_line_has_one_string(self) -> None:
        assert self.held(self.bent(0.0)) == [0, 19]

    def test_a_turn_too_small_for_a_corner_post_parts_the_string_there(self) -> None:
        """(a) after 20 m of 38 m, 1 degree puts the middle post 0.165 m off the string."""
        assert self.held(self.bent(1.0)) == [0, 10, 19]

    def test_a_turn_that_no_string_shows_does_not(self) -> None:
        """(a) 0.05 degrees: 8 mm."""
        assert self.held(self.bent(0.05)) == [0, 19]

    @pytest.mark.parametrize("name", ["sample", "ring on A4", "wires"])
    def test_every_post_stands_within_a_centimetre_of_its_string(self, name: str) -> None:
        """(c) in a transverse Mercator through the site, which is PROJ's and not the tape's geodesics."""
        plan = plan_of(name)
        lon, lat = plan.places.lon_deg, plan.places.lat_deg
        to_plane = Transformer.from_crs(4326, f"+proj=tmerc +lon_0={lon.mean()} +lat_0={lat.mean()}", always_xy=True)
        xy = np.column_stack(to_plane.transform(lon, lat))
        for part in stretches(plan):
            rows = [part.start.row, *(post.row for post in part.posts if post is not part.start)]
            ahead = xy[rows[-1]] - xy[rows[0]]
            off = (xy[rows] - xy[rows[0]]) @ np.array([ahead[1], -ahead[0]]) / np.hypot(*ahead)
            assert np.abs(off).max() <= STRING_M + 1e-4

    def test_short_stretches_of_a_bend_are_told_together(self) -> None:
        parts = [part for part in stretches(plan_of("sample")) if part.bent]
        assert len(parts) > 30
        assert all(isinstance(part, Stretch) and part.bays <= 3 for part in parts)
