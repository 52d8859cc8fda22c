"""Rules that any layout keeps, whatever the line, the gates and the fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geofence.engine.layout import lay_out
from geofence.engine.records import Gate, Layout, LayoutRules, Path
from geofence.errors import LayoutError
from tests.engine.lines import chords_m, departures_m, path

quick = settings(max_examples=80, deadline=None)
MIRRORED = {"end": "start", "start": "end", "both-ends": "both-ends", "equal": "equal"}
MILLIMETRES = st.integers(10, 40_000).map(lambda length: length / 1000)


@st.composite
def any_rules(draw: st.DrawFn) -> LayoutRules:
    module = draw(st.sampled_from([1.885, 2.0, 2.4, 3.0]))
    return LayoutRules(
        module_m=module,
        min_bay_m=module * draw(st.sampled_from([0.05, 0.2, 0.5, 0.8, 0.95, 1.0])),
        fit=draw(st.sampled_from(sorted(MIRRORED))),  # type: ignore[arg-type]
        line_tolerance_m=draw(st.sampled_from([0.0, 0.02, 0.1])),
    )


@st.composite
def lines(draw: st.DrawFn) -> Path:
    """Legs of a centimetre to 40 m, with corners, bends and no turns at all between them, open and closed."""
    legs = draw(st.lists(MILLIMETRES, min_size=1, max_size=12))
    closed = draw(st.booleans())
    turn = st.one_of(st.sampled_from([0.0, 90.0, -120.0, 180.0]), st.floats(-9.9, 9.9))
    count = len(legs) if closed else len(legs) - 1
    return path(legs, draw(st.lists(turn, min_size=count, max_size=count)), closed=closed)


def codes(layout: Layout, code: str) -> list[int]:
    return [item.bay for item in layout.findings if item.code == code and item.bay is not None]


def mirrored(line: Path) -> Path:
    back = -line.deflection_deg[::-1]
    return Path(vertex_m=line.length_m - line.vertex_m[::-1], deflection_deg=back, closed=line.closed)


@quick
@given(MILLIMETRES, any_rules())
def test_bays_of_a_straight_span_add_up_to_it(length_m: float, rules: LayoutRules) -> None:
    layout = lay_out(path([length_m]), [], rules)
    assert layout.width_m.sum() == pytest.approx(length_m, abs=1e-9)
    assert np.diff(layout.post_m) == pytest.approx(layout.width_m, abs=1e-9)


@quick
@given(lines(), any_rules())
def test_posts_follow_each_other_from_end_to_end(line: Path, rules: LayoutRules) -> None:
    layout = lay_out(line, [], rules)
    assert np.all(np.diff(layout.post_m) > 0)
    assert layout.bay_end_m[-1] == line.length_m
    assert layout.bay_end_m[: len(layout.post_m) - 1].tolist() == layout.post_m[1:].tolist()
    assert len(layout.post_m) == len(layout.bay_kind) + (not line.closed)
    assert len(layout.post_kind) == len(layout.deflection_deg) == len(layout.post_m)


@quick
@given(lines(), any_rules())
def test_widths_are_chords_within_limits_or_a_finding_says_otherwise(line: Path, rules: LayoutRules) -> None:
    layout = lay_out(line, [], rules)
    kind = np.array(layout.bay_kind)
    assert layout.width_m == pytest.approx(chords_m(line, layout), abs=1e-7)
    assert layout.width_m[kind == "full"] == pytest.approx(rules.module_m, abs=5e-4)
    assert np.all(layout.width_m <= rules.module_m + 5e-4)
    narrow = layout.width_m < rules.min_bay_m - 1e-6
    assert narrow.any() == bool(codes(layout, "bay-under-minimum"))
    for finding in layout.findings:
        if finding.code == "bay-under-minimum":
            assert layout.width_m[finding.bay] == pytest.approx(finding.value)
            assert finding.value < rules.min_bay_m


@quick
@given(lines(), any_rules())
def test_bays_keep_to_the_line_or_a_finding_says_otherwise(line: Path, rules: LayoutRules) -> None:
    layout = lay_out(line, [], rules)
    # A vertex within a millimetre of a post is that post.
    off = set(np.flatnonzero(departures_m(line, layout) > rules.line_tolerance_m + 1.1e-3).tolist())
    assert off <= set(codes(layout, "bay-off-line"))
    for finding in layout.findings:
        if finding.code == "bay-off-line":
            assert finding.value > rules.line_tolerance_m


@quick
@given(lines(), any_rules())
def test_corners_and_ends_have_posts(line: Path, rules: LayoutRules) -> None:
    layout = lay_out(line, [], rules)
    for chainage, turn in zip(line.vertex_m, line.deflection_deg, strict=True):
        if abs(turn) >= rules.corner_deg and not (line.closed and chainage == line.length_m):
            assert np.abs(layout.post_m - chainage).min() < 1e-3


@quick
@given(lines(), any_rules())
def test_from_the_other_end_it_is_the_mirror_image(line: Path, rules: LayoutRules) -> None:
    there = lay_out(line, [], rules)
    back = lay_out(mirrored(line), [], replace(rules, fit=MIRRORED[rules.fit]))
    assert len(there.width_m) == len(back.width_m)
    if rules.fit in ("end", "start"):
        assert back.width_m[::-1] == pytest.approx(there.width_m, abs=1e-6)
        assert back.bay_kind[::-1] == there.bay_kind


@quick
@given(lines(), any_rules(), st.lists(st.tuples(st.floats(-1, 200), st.floats(0, 8)), min_size=1, max_size=3))
def test_gates_stand_as_asked_or_are_refused(line: Path, rules: LayoutRules, asked: list[tuple[float, float]]) -> None:
    gates = [Gate(name=f"G{row}", chainage_m=at, width_m=width) for row, (at, width) in enumerate(asked)]
    layout = refused = None
    try:
        layout = lay_out(line, gates, rules)
    except LayoutError as error:
        refused = error
    if layout is None:
        assert refused is not None
        assert refused.rule.startswith("gate")
        assert any(gate.name in refused.message for gate in gates)
        assert refused.remedy
        return
    rows = [row for row, kind in enumerate(layout.bay_kind) if kind == "gate"]
    wanted = sorted(gates, key=lambda gate: gate.chainage_m)
    assert layout.post_m[rows] == pytest.approx([gate.chainage_m for gate in wanted], abs=1.1e-3)
    assert layout.width_m[rows] == pytest.approx([gate.width_m for gate in wanted], abs=2.1e-3)
    for row in rows:
        assert layout.post_kind[row] == layout.post_kind[(row + 1) % len(layout.post_m)] == "gate"
