"""The engine's front door: from a profile and a path to a fence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import chain
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from geofence.engine.areas import BayGround
from geofence.engine.layout import lay_out
from geofence.engine.posts import place_posts
from geofence.engine.records import (
    Bays,
    Cost,
    Fence,
    Finding,
    Floats,
    Gate,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Posts,
    Profile,
)
from geofence.engine.stepped import choose_levels, level_findings
from geofence.errors import LayoutError
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["build_fence", "join"]

Rows = NDArray[np.int64]


def build_fence(
    profile: Profile,
    path: Path,
    *,
    gates: Sequence[Gate] = (),
    layout: LayoutRules,
    levels: LevelRules,
    posts: PostRules,
    panel: PanelRules,
    from_m: float = 0.0,
) -> Fence:
    """Plan a stepped fence along one line.

    Parameters
    ----------
    profile
        The ground, by chainage from 0 to the path's length.
    path
        Where the line turns.
    gates
        Openings in it.
    layout, levels, posts, panel
        The rules.
    from_m
        Chainage that the answer gives to the path's start.

    Returns
    -------
    Fence
        Troubles of the design are findings in it.

    Raises
    ------
    LayoutError
        A gate cannot stand where it is asked to; ``span_m`` counts from ``from_m`` too.

    Examples
    --------
    The engine alone, from a profile array: 9.6 m of ground that falls 0.4 m, bays of 2.4 m.

    >>> fence = build_fence(
    ...     Profile(chainage_m=[0.0, 9.6], level_m=[50.0, 49.6]),
    ...     Path(vertex_m=[0.0, 9.6], deflection_deg=[0.0, 0.0]),
    ...     layout=LayoutRules(module_m=2.4, min_bay_m=0.5),
    ...     levels=LevelRules(increment_m=0.05, gap_max_m=0.15, dig_max_m=0.05, step_min_m=0.05, step_max_m=0.6,
    ...                       gap_cost=40.0, dig_cost=90.0, step_cost=25.0, rise_cost=10.0),
    ...     posts=PostRules(post_reveal_m=0.005, embedment_m=0.55, stock_lengths_m=(2.5, 2.75)),
    ...     panel=PanelRules(height_m=1.8),
    ... )
    >>> fence.bays.underside_from_m.round(2).tolist()
    [49.95, 49.95, 49.75, 49.75]
    >>> fence.posts.stock_length_m.tolist()
    [2.5, 2.5, 2.75, 2.5, 2.75]
    """
    laid = _laid(path, gates, layout, from_m)
    hung = _hang(profile, laid, levels, panel, closed=path.closed)
    placed, extended = place_posts(
        laid,
        ground_level_m=profile.level_at(laid.post_m),
        underside_m=hung.underside_m,
        top_m=hung.underside_m + panel.height_m,
        rules=posts,
    )
    found = sorted((*laid.findings, *hung.findings, *extended), key=lambda item: (item.chainage_m or 0.0, item.code))
    bays = _bays(laid, hung, panel)
    return _moved(Fence(posts=placed, bays=bays, findings=tuple(found), cost=hung.cost), by_m=from_m)


def _laid(path: Path, gates: Sequence[Gate], rules: LayoutRules, from_m: float) -> Layout:
    try:
        return lay_out(path, gates, rules)
    except LayoutError as error:
        if error.span_m is not None:
            error.span_m = (error.span_m[0] + from_m, error.span_m[1] + from_m)
        raise


@dataclass(kw_only=True, eq=False)
class _Hung:
    """Levels of all bays while they are being found, row by row with the layout's bays."""

    underside_m: Floats
    gap_max_m: Floats
    dig_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    step_m: Floats
    findings: list[Finding]
    cost: Cost


COLUMNS = ("underside_m", "gap_max_m", "dig_max_m", "gap_area_m2", "dig_area_m2", "step_m")


def _hang(profile: Profile, laid: Layout, rules: LevelRules, panel: PanelRules, *, closed: bool) -> _Hung:
    """The levels of panels, section by section between gates, and of gates."""
    start, end, count = laid.bay_start_m, laid.bay_end_m, len(laid.bay_kind)
    hung = _Hung(**{name: np.zeros(count) for name in COLUMNS}, findings=[], cost=Cost())
    windowed = False
    for rows in _sections(laid, closed=closed):
        levels = choose_levels(profile, start[rows], end[rows], rules, closed=closed and len(rows) == count)
        for name in COLUMNS:
            getattr(hung, name)[rows] = getattr(levels, name)
        for finding in level_findings(levels, start[rows], end[rows], rules):
            hung.findings.append(replace(finding, bay=int(rows[finding.bay or 0])))
        hung.cost += levels.cost
        windowed |= levels.proven == "windowed"
    if windowed:
        hung.findings.append(WINDOWED)
    _hang_gates(hung, profile, laid, rules, panel)
    return hung


WINDOWED = Finding(
    code="levels-windowed",
    severity="note",
    message="So much of the ground allows no fence within the limits that only levels near it were looked at; cheaper "
    "ones that break as few limits may exist",
    remedy="Loosen the limits that the stop findings name.",
)


def _sections(laid: Layout, *, closed: bool) -> list[Rows]:
    """Rows of the bays between gates; on a ring with a gate, on through the ring's first post."""
    gate = np.array(laid.bay_kind) == "gate"
    rows = np.arange(len(gate))
    if closed and gate.any():
        rows = np.roll(rows, -int(np.argmax(gate)))
    pieces = np.split(rows, np.flatnonzero(gate[rows]))
    return [piece[~gate[piece]] for piece in pieces if not gate[piece].all()]


def _hang_gates(hung: _Hung, profile: Profile, laid: Layout, rules: LevelRules, panel: PanelRules) -> None:
    """Hang each gate at the lowest level that clears the ground of its opening."""
    rows = np.flatnonzero(np.array(laid.bay_kind) == "gate")
    if not len(rows):
        return
    start, end = laid.bay_start_m[rows], laid.bay_end_m[rows]
    ground = BayGround.under(profile, start, end)
    clear = (ground.highest_m + panel.gate_clearance_m - LEVEL_TOLERANCE_M) / rules.increment_m
    level = np.ceil(clear).astype(np.int64)
    hung.underside_m[rows] = level * rules.increment_m
    hung.gap_max_m[rows] = hung.underside_m[rows] - ground.lowest_m
    hung.dig_max_m[rows] = ground.highest_m - hung.underside_m[rows]
    hung.gap_area_m2[rows], hung.dig_area_m2[rows] = ground.areas(level, level, rules.increment_m)
    hung.findings += [
        Finding(
            code="gate-gap-over-limit",
            severity="warn",
            message="To clear the highest ground in its opening the gate hangs higher over the lowest than a panel may",
            remedy="Move the gate to flatter ground, or level the opening.",
            chainage_m=float(laid.bay_start_m[row]),
            chainage_to_m=float(laid.bay_end_m[row]),
            bay=row,
            value=float(hung.gap_max_m[row]),
            limit=rules.gap_max_m,
            unit="m",
        )
        for row in rows.tolist()
        if hung.gap_max_m[row] > rules.gap_max_m + LEVEL_TOLERANCE_M
    ]


def _bays(laid: Layout, hung: _Hung, panel: PanelRules) -> Bays:
    rows = np.arange(len(laid.bay_kind))
    top = hung.underside_m + panel.height_m
    return Bays(
        kind=laid.bay_kind,
        from_post=rows,
        to_post=(rows + 1) % len(laid.post_m),
        start_m=laid.bay_start_m,
        end_m=laid.bay_end_m,
        width_m=laid.width_m,
        underside_from_m=hung.underside_m,
        underside_to_m=hung.underside_m,
        top_from_m=top,
        top_to_m=top,
        step_m=hung.step_m,
        gap_max_m=hung.gap_max_m,
        dig_max_m=hung.dig_max_m,
        gap_area_m2=hung.gap_area_m2,
        dig_area_m2=hung.dig_area_m2,
    )


def _moved(fence: Fence, *, by_m: float = 0.0, posts: int = 0, bays: int = 0) -> Fence:
    """The same fence with its chainages, and its rows of posts and bays, moved on."""
    if not (by_m or posts or bays):
        return fence
    return Fence(
        posts=replace(fence.posts, chainage_m=fence.posts.chainage_m + by_m),
        bays=replace(
            fence.bays,
            from_post=fence.bays.from_post + posts,
            to_post=fence.bays.to_post + posts,
            start_m=fence.bays.start_m + by_m,
            end_m=fence.bays.end_m + by_m,
        ),
        findings=tuple(_moved_finding(item, by_m=by_m, posts=posts, bays=bays) for item in fence.findings),
        cost=fence.cost,
    )


def _moved_finding(finding: Finding, *, by_m: float, posts: int, bays: int) -> Finding:
    return replace(
        finding,
        chainage_m=None if finding.chainage_m is None else finding.chainage_m + by_m,
        chainage_to_m=None if finding.chainage_to_m is None else finding.chainage_to_m + by_m,
        post=None if finding.post is None else finding.post + posts,
        bay=None if finding.bay is None else finding.bay + bays,
    )


def join(fences: Sequence[Fence]) -> Fence:
    """Several runs' fences as one: rows follow each other, chainages are as they are."""
    if len(fences) == 1:
        return fences[0]
    posts, bays, moved = 0, 0, []
    for fence in fences:
        moved.append(_moved(fence, posts=posts, bays=bays))
        posts += len(fence.posts)
        bays += len(fence.bays)
    return Fence(
        posts=_stacked([fence.posts for fence in moved]),
        bays=_stacked([fence.bays for fence in moved]),
        findings=tuple(finding for fence in moved for finding in fence.findings),
        cost=sum((fence.cost for fence in moved), Cost()),
    )


Columns = TypeVar("Columns", Posts, Bays)


def _stacked(tables: Sequence[Columns]) -> Columns:
    """Tables of one kind, one below the other."""
    values: dict[str, Any] = {}
    for item in fields(tables[0]):
        columns = [getattr(table, item.name) for table in tables]
        values[item.name] = (
            tuple(chain.from_iterable(columns)) if isinstance(columns[0], tuple) else np.concatenate(columns)
        )
    return type(tables[0])(**values)
