"""Rules that gates keep, whatever the ground and the leaf."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from geofence.engine.fence import build_fence
from geofence.engine.records import (
    Fence,
    Floats,
    Gate,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
)
from geofence.site import grids
from geofence.site.swing import Leaf, Motion, Swept, sweep
from tests.grounds import FunctionGround

quick = settings(max_examples=60, deadline=None)
LOCAL = CRS.from_proj4("+proj=tmerc +lat_0=46.5 +lon_0=15.25 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
GEOD = grids.ellipsoid(LOCAL)
TO_LOCAL = grids.cross(grids.geographic(LOCAL), LOCAL)
OTHER: dict[Motion, Motion] = {"clockwise": "anticlockwise", "anticlockwise": "clockwise", "slides": "slides"}

leaves = st.builds(
    lambda length, open_deg, motion: Leaf(
        lon_deg=15.25, lat_deg=46.5, height_m=0.0, azimuth_deg=90.0, length_m=length, motion=motion, open_deg=open_deg
    ),
    st.floats(0.5, 8.0),
    st.floats(5.0, 180.0),
    st.sampled_from(["clockwise", "anticlockwise", "slides"]),
)
grounds = st.lists(st.floats(-0.4, 0.4), min_size=6, max_size=6)


def surface(terms: list[float], *, mirrored: bool = False, raised_m: float = 0.0) -> FunctionGround:
    """A ground of a slope and some waves; mirrored in the line, or raised."""
    a, b, c, d, e, f = terms

    def level(x: Floats, y: Floats) -> Floats:
        y = -y if mirrored else y
        return 50 + raised_m + a * x + b * y + c * np.sin(x + d) + e * np.cos(2 * y + f * x)

    return FunctionGround(LOCAL, level)


def swept(leaf: Leaf, ground: FunctionGround) -> Swept:
    return sweep(leaf, ground, TO_LOCAL, GEOD)


class TestSwing:
    @quick
    @given(leaves, grounds)
    def test_to_the_other_side_over_mirrored_ground_is_the_same(self, leaf: Leaf, terms: list[float]) -> None:
        one = swept(leaf, surface(terms))
        other = swept(replace(leaf, motion=OTHER[leaf.motion]), surface(terms, mirrored=True))
        assert other.opened.tolist() == one.opened.tolist()
        assert other.level_m == pytest.approx(one.level_m, abs=1e-6)

    @quick
    @given(leaves, grounds, st.floats(-20, 20))
    def test_over_raised_ground_moves_levels_only(self, leaf: Leaf, terms: list[float], raised: float) -> None:
        one, other = swept(leaf, surface(terms)), swept(leaf, surface(terms, raised_m=raised))
        assert other.lon_deg.tolist() == one.lon_deg.tolist()
        assert other.lat_deg.tolist() == one.lat_deg.tolist()
        assert other.level_m - raised == pytest.approx(one.level_m, abs=1e-9)

    @quick
    @given(leaves.filter(lambda leaf: leaf.motion != "slides"), grounds, st.floats(0.2, 1.0))
    def test_less_far_or_with_a_shorter_leaf_meets_no_higher_ground(
        self, leaf: Leaf, terms: list[float], share: float
    ) -> None:
        """Up to what lies between places: 0.25 m of ground that rises 2.1 in 1 at most, corner to corner."""
        whole = swept(leaf, surface(terms)).highest_m
        between = 0.25 * 2.1
        assert swept(replace(leaf, open_deg=share * leaf.open_deg), surface(terms)).highest_m <= whole + between
        assert swept(replace(leaf, length_m=share * leaf.length_m), surface(terms)).highest_m <= whole + between


LEVELS = LevelRules(
    increment_m=0.05, gap_max_m=0.15, dig_max_m=0.1, step_min_m=0.05, step_max_m=0.6, gap_cost=40.0, dig_cost=90.0,
    step_cost=25.0, rise_cost=10.0,
)  # fmt: skip


def fenced(level_m: list[float], *gates: Gate) -> Fence:
    chainage = np.linspace(0.0, 20.0, len(level_m))
    return build_fence(
        Profile(chainage_m=chainage, level_m=np.array(level_m)),
        Path(vertex_m=[0.0, 20.0], deflection_deg=[0.0, 0.0]),
        gates=gates,
        layout=LayoutRules(module_m=2.0, min_bay_m=0.4),
        levels=LEVELS,
        posts=PostRules(post_reveal_m=0.005, embedment_m=0.55),
        panel=PanelRules(height_m=1.8, gate_clearance_m=0.05),
    )


profiles = st.lists(st.floats(-0.3, 0.3), min_size=21, max_size=21).map(lambda steps: (50 + np.cumsum(steps)).tolist())
gates = st.builds(
    lambda at, width, passes, clearance: Gate(
        name="G", chainage_m=at, width_m=width, passes_m=50 + passes, clearance_m=clearance
    ),
    st.floats(1.0, 12.0),
    st.floats(0.8, 6.0),
    st.floats(-4, 6),
    st.floats(0.0, 0.3),
)


class TestGate:
    @quick
    @given(profiles, gates)
    def test_clears_what_it_must_and_hangs_no_higher_than_an_increment_over_it(
        self, level_m: list[float], gate: Gate
    ) -> None:
        fence = fenced(level_m, gate)
        row = fence.bays.kind.index("gate")
        at = np.linspace(gate.chainage_m, gate.chainage_m + gate.width_m, 500)
        inside = np.interp(at, np.linspace(0, 20, 21), level_m)
        knots = [level for s, level in enumerate(level_m) if gate.chainage_m <= s <= gate.chainage_m + gate.width_m]
        highest = max(*inside, *knots, gate.passes_m)
        under = fence.bays.underside_from_m[row] - highest
        assert (gate.clearance_m or 0.0) - 1e-6 <= under <= (gate.clearance_m or 0.0) + LEVELS.increment_m + 1e-6

    @quick
    @given(profiles, gates, st.integers(-200, 200))
    def test_ground_raised_by_increments_moves_levels_only(self, level_m: list[float], gate: Gate, count: int) -> None:
        raised = count * 0.25
        one = fenced(level_m, gate)
        other = fenced([level + raised for level in level_m], replace(gate, passes_m=gate.passes_m + raised))
        row = one.bays.kind.index("gate")
        assert other.posts.chainage_m.tolist() == one.posts.chainage_m.tolist()
        rise = float(other.bays.underside_from_m[row] - one.bays.underside_from_m[row])
        # Just at a multiple a rounding error may take it to the next.
        assert min(abs(rise - raised - step) for step in (0.0, 0.05, -0.05)) < 1e-6
