"""Rules that layouts round keep-clears keep, whatever the line, the module and what is kept clear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.engine.layout import lay_out
from geofence.engine.records import Gate, KeepClear, Layout, LayoutRules, Path

quick = settings(max_examples=60, deadline=None)
MIRRORED = {"end": "start", "start": "end", "both-ends": "both-ends", "equal": "equal"}
SAME_M = 1e-5

rules = st.builds(
    lambda module, share, fit: LayoutRules(module_m=module, min_bay_m=round(module * share, 3), fit=fit),
    st.sampled_from([1.885, 2.0, 2.4, 2.75]),
    st.floats(0.1, 0.95),
    st.sampled_from(["end", "start", "both-ends", "equal"]),
)
lengths = st.floats(3.0, 40.0).map(lambda length: round(length, 3))


@st.composite
def bars(draw: st.DrawFn, *, most: int = 4) -> list[KeepClear]:
    pairs = draw(st.lists(st.tuples(st.floats(-1, 41), st.floats(0.05, 3.5)), max_size=most))
    return [KeepClear(name="x", from_m=round(at, 3), to_m=round(at + wide, 3)) for at, wide in pairs]


def laid(length_m: float, rules: LayoutRules, keep_clear: list[KeepClear], gates: tuple[Gate, ...] = ()) -> Layout:
    return lay_out(Path(vertex_m=[0.0, length_m], deflection_deg=[0.0, 0.0]), gates, rules, keep_clear=keep_clear)


def inside(layout: Layout, keep_clear: list[KeepClear]) -> list[int]:
    """Rows of the posts in a keep-clear."""
    return [
        row
        for row, post in enumerate(layout.post_m.tolist())
        if any(each.from_m + SAME_M < post < each.to_m - SAME_M for each in keep_clear)
    ]


def rank(layout: Layout, plain: Layout, keep_clear: list[KeepClear], rules: LayoutRules) -> tuple[int, ...]:
    """Posts in keep-clears, bays, posts moved from the plain layout, cut bays; the inner posts only."""
    posts = layout.post_m[1:-1]
    moved = sum(np.abs(plain.post_m - post).min() > SAME_M for post in posts)
    cuts = 0 if rules.fit == "equal" else int(np.sum(layout.width_m < rules.module_m - 5e-4))
    fixed = (0, len(layout.post_m) - 1)
    return sum(row not in fixed for row in inside(layout, keep_clear)), len(posts), int(moved), cuts


class TestNoPostInAKeepClear:
    @quick
    @given(lengths, rules, bars())
    def test_each_post_in_one_has_a_stop_and_no_other_post(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        layout = laid(length, rules, keep_clear)
        told = {finding.post for finding in layout.findings if finding.code == "post-in-keep-clear"}
        assert told == set(inside(layout, keep_clear))

    @quick
    @given(lengths, rules, bars())
    def test_a_line_post_in_one_means_that_no_layout_is_clear(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        layout = laid(length, rules, keep_clear)
        line_posts = set(inside(layout, keep_clear)) - {0, len(layout.post_m) - 1}
        codes = {finding.code for finding in layout.findings}
        assert bool(line_posts) == ("keep-clear-no-layout" in codes) or "bay-under-minimum" in codes


class TestBays:
    @quick
    @given(lengths, rules, bars())
    def test_bays_sum_to_the_span_and_keep_their_widths(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        layout = laid(length, rules, keep_clear)
        assert layout.width_m.sum() == pytest.approx(length, abs=1e-6)
        if "bay-under-minimum" not in {finding.code for finding in layout.findings}:
            assert layout.width_m.min() >= rules.min_bay_m - SAME_M
        assert layout.width_m.max() <= rules.module_m + 5e-4
        full = np.array(layout.bay_kind) == "full"
        assert np.abs(layout.width_m[full] - rules.module_m).max(initial=0.0) <= 5e-4

    @quick
    @given(lengths, rules, bars())
    def test_nothing_changes_where_nothing_is_in_the_way(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        plain = laid(length, rules, [])
        if not inside(plain, keep_clear):
            assert np.array_equal(laid(length, rules, keep_clear).post_m, plain.post_m)


class TestCost:
    @quick
    @given(lengths, rules, bars())
    def test_reversing_the_line_keeps_the_rank(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        back = [KeepClear(name="x", from_m=length - each.to_m, to_m=length - each.from_m) for each in keep_clear]
        turned = replace(rules, fit=MIRRORED[rules.fit])
        one, other = laid(length, rules, keep_clear), laid(length, turned, back)
        assert rank(one, laid(length, rules, []), keep_clear, rules) == rank(
            other, laid(length, turned, []), back, turned
        )
        assert one.width_m.min() == pytest.approx(other.width_m.min(), abs=1e-4)

    @quick
    @given(lengths, rules, bars(most=3), bars(most=1))
    def test_one_more_keep_clear_is_never_better(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear], more: list[KeepClear]
    ) -> None:
        plain = laid(length, rules, [])
        few, many = laid(length, rules, keep_clear), laid(length, rules, [*keep_clear, *more])
        before, after = rank(few, plain, keep_clear, rules), rank(many, plain, [*keep_clear, *more], rules)
        assert after >= before
        if after == before:
            assert many.width_m.min() <= few.width_m.min() + 1e-4

    @quick
    @given(lengths, rules, bars())
    def test_no_post_can_be_moved_for_a_wider_narrowest_bay(
        self, length: float, rules: LayoutRules, keep_clear: list[KeepClear]
    ) -> None:
        """A post at the narrowest bay is held by an edge, a kept place, a full bay or its other bay."""
        plain = laid(length, rules, [])
        layout = laid(length, rules, keep_clear)
        before = rank(layout, plain, keep_clear, rules)
        narrowest = int(np.argmin(layout.width_m))
        for row, by in ((narrowest, -1e-3), (narrowest + 1, 1e-3)):
            if 0 < row < len(layout.post_m) - 1:
                posts = layout.post_m.copy()
                posts[row] += by
                widths = np.diff(posts)
                if widths.max() <= rules.module_m + SAME_M and widths.min() > layout.width_m.min() + SAME_M:
                    moved = replace(layout, post_m=posts, width_m=widths)
                    assert rank(moved, plain, keep_clear, rules) > before
