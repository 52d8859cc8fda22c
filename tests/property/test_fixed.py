"""Rules that posts which must stand where they are keep, whatever the line, the ground, the fit and the slope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geofence.engine.fence import build_fence
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    Fence,
    Fit,
    FixedPost,
    KeepClear,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
    RakeRules,
    Slope,
)
from geofence.engine.wired import StrainRules
from tests.engine.lines import chords_m, path
from tests.engine.test_wired import WIRE
from tests.property.test_layout import any_rules, lines

quick = settings(max_examples=60, deadline=None)
SLOPES: tuple[Slope, ...] = ("step", "rake", "strained")
SHARES = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5)


@dataclass(frozen=True)
class Site:
    """A line of straight legs with right angles between them, its ground, and how it is fenced."""

    line: Path
    ground: Profile
    rules: LayoutRules
    slope: Slope

    def fence(self, *fixed_m: float, keep_clear: tuple[KeepClear, ...] = ()) -> Fence:
        strained = self.slope == "strained"
        return build_fence(
            self.ground,
            self.line,
            keep_clear=keep_clear,
            fixed=[FixedPost(chainage_m=at, kind="existing") for at in fixed_m],
            layout=self.rules,
            levels=LevelRules(
                increment_m=0.05, gap_max_m=0.3, dig_max_m=-0.05 if strained else 0.05, step_min_m=0.05, step_max_m=0.6,
                gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0,
            ),
            posts=PostRules(post_reveal_m=0.005, embedment_m=0.55),
            panel=PanelRules(height_m=1.8),
            slope=self.slope,
            rake=RakeRules(rake_max_deg=20.0) if self.slope == "rake" else None,
            strain=StrainRules(post_spacing_max_m=self.rules.module_m, strain_max_m=30.0) if strained else None,
            wire=WIRE if strained else None,
        )  # fmt: skip


@st.composite
def sites(draw: st.DrawFn, slopes: tuple[Slope, ...] = SLOPES, fits: tuple[Fit, ...] = ("end", "best")) -> Site:
    legs = draw(st.lists(st.integers(8, 140).map(lambda each: each / 10), min_size=1, max_size=3))
    line = path(legs, [90.0] * (len(legs) - 1))
    station = np.linspace(0.0, line.length_m, int(2 * line.length_m) + 2)
    change = draw(st.lists(st.floats(-1, 1), min_size=len(station), max_size=len(station)))
    level = 50 + draw(st.sampled_from([0.0, 0.02, 0.1])) * np.cumsum(change)
    rules = LayoutRules(module_m=2.4, min_bay_m=draw(st.sampled_from([0.3, 0.8])), fit=draw(st.sampled_from(fits)))
    return Site(line, Profile(chainage_m=station, level_m=level), rules, draw(st.sampled_from(slopes)))


def places(site: Site, shares: list[float]) -> list[float]:
    """Millimetres along the line, at least 0.3 m from each other and from ends and corners."""
    found: list[float] = []
    for at in sorted(round(share * site.line.length_m, 3) for share in shares):
        if min(abs(at - other) for other in (*site.line.vertex_m, *found)) > 0.3:
            found.append(at)
    return found


class TestFixedPosts:
    @quick
    @given(sites(), SHARES)
    def test_stand_exactly_where_they_are_asked_in_every_slope_and_fit(self, site: Site, shares: list[float]) -> None:
        fixed = places(site, shares)
        fence = site.fence(*fixed)
        there = [
            at for at, kind in zip(fence.posts.chainage_m.tolist(), fence.posts.kind, strict=True) if kind == "existing"
        ]
        assert there == fixed
        assert [item.chainage_m for item in fence.findings if item.code == "existing-post"] == fixed
        assert np.isnan(fence.posts.toe_level_m).tolist() == [kind == "existing" for kind in fence.posts.kind]

    @quick
    @given(sites(), SHARES)
    def test_bays_between_them_add_up(self, site: Site, shares: list[float]) -> None:
        fixed = places(site, shares)
        bays = site.fence(*fixed).bays
        ends = np.array([0.0, *fixed, *site.line.vertex_m[1:]])
        for start, end in zip(np.sort(ends)[:-1], np.sort(ends)[1:], strict=True):
            within = (bays.start_m >= start - 1e-9) & (bays.end_m <= end + 1e-9)
            assert bays.width_m[within].sum() == pytest.approx(end - start, abs=1e-6)

    @quick
    @given(sites(), SHARES)
    def test_widths_keep_their_limits_or_a_finding_says_otherwise(self, site: Site, shares: list[float]) -> None:
        fence = site.fence(*places(site, shares))
        narrow = np.any(fence.bays.width_m < site.rules.min_bay_m - 1e-5)
        assert bool(narrow) == any(item.code == "bay-under-minimum" for item in fence.findings)
        assert np.all(fence.bays.width_m <= site.rules.module_m + 5.1e-4)

    @quick
    @given(sites(), st.floats(0, 1), st.floats(0.2, 1.5))
    def test_a_keep_clear_moves_none_of_them(self, site: Site, share: float, width_m: float) -> None:
        fixed = places(site, [share])
        assume(fixed)
        bar = KeepClear(name="main", from_m=fixed[0] - width_m / 2, to_m=fixed[0] + width_m / 2)
        fence = site.fence(*fixed, keep_clear=(bar,))
        assert fixed[0] in fence.posts.chainage_m.tolist()
        assert [item.chainage_m for item in fence.findings if item.code == "existing-post-in-keep-clear"] == fixed

    @quick
    @given(lines(), any_rules(), SHARES)
    def test_on_lines_that_bend_widths_are_chords(self, line: Path, rules: LayoutRules, shares: list[float]) -> None:
        fixed = [FixedPost(chainage_m=share * line.length_m, kind="existing") for share in shares]
        layout = lay_out(line, [], rules, fixed=fixed)
        assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-7)
        for post in fixed:
            at = post.chainage_m
            apart = np.abs(np.append(layout.post_m, line.length_m if line.closed else 0.0) - at)
            assert apart.min() <= 1e-3
        # Where two are one, the plan has one post.
        assert 1 <= len(layout.existing) <= len(fixed)
        assert [layout.post_kind[row] for row, _ in layout.existing] == ["existing"] * len(layout.existing)


class TestOneMore:
    @quick
    @given(sites(slopes=("step",), fits=("end", "start", "both-ends", "equal")), SHARES, st.floats(0, 1))
    def test_never_makes_for_fewer_bays(self, site: Site, shares: list[float], more: float) -> None:
        """With spans of millimetres: half a millimetre of slack is shared among the bays of whole modules."""
        few = places(site, shares)
        many = sorted({*few, *places(site, [*shares, more])})
        assume(len(many) > len(few))
        assert len(site.fence(*many).bays) >= len(site.fence(*few).bays)

    @quick
    @given(sites(slopes=("step", "rake"), fits=("best",)), st.data())
    def test_where_the_cheapest_fence_has_a_post_anyway_changes_neither_posts_nor_cost(
        self, site: Site, data: st.DataObject
    ) -> None:
        free = site.fence()
        assume(not free.findings)
        at = data.draw(st.sampled_from(free.posts.chainage_m.tolist()))
        held = site.fence(at)
        assert len(held.bays) == len(free.bays)
        assert held.bays.kind.count("cut") == free.bays.kind.count("cut")
        assert held.cost.total == pytest.approx(free.cost.total, rel=1e-9, abs=1e-7)

    @quick
    @given(sites(slopes=("step",), fits=("end", "start", "equal")), st.data())
    def test_where_a_post_stands_anyway_changes_nothing(self, site: Site, data: st.DataObject) -> None:
        free = site.fence()
        assume(not any(item.code == "bay-under-minimum" for item in free.findings))
        at = data.draw(st.sampled_from(free.posts.chainage_m.tolist()))
        assert site.fence(at).posts.chainage_m == pytest.approx(free.posts.chainage_m, abs=1e-6)


@quick
@given(sites())
def test_at_the_ends_they_change_nothing_but_what_is_dug(site: Site) -> None:
    plain, ends = site.fence(), site.fence(0.0, site.line.length_m)
    assert ends.bays.start_m.tolist() == plain.bays.start_m.tolist()
    assert ends.bays.underside_from_m.tolist() == plain.bays.underside_from_m.tolist()
    assert ends.posts.top_level_m.tolist() == plain.posts.top_level_m.tolist()
    assert ends.cost == plain.cost
    assert ends.posts.toe_level_m[1:-1].tolist() == plain.posts.toe_level_m[1:-1].tolist()
