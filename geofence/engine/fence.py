"""The engine's front door: from a profile and a path to a fence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from geofence.engine.best import BestFit
from geofence.engine.existing import keep_existing
from geofence.engine.hung import Hung, hang
from geofence.engine.layout import lay_out
from geofence.engine.posts import place_posts
from geofence.engine.records import (
    Fence,
    Finding,
    FixedPost,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostRules,
    Profile,
    RakeRules,
    Slope,
)
from geofence.engine.wire import WireRules
from geofence.engine.wired import StrainRules, WiredRules, string_wires
from geofence.errors import LayoutError

__all__ = ["build_fence"]


def build_fence(
    profile: Profile,
    path: Path,
    *,
    gates: Sequence[Gate] = (),
    keep_clear: Sequence[KeepClear] = (),
    fixed: Sequence[FixedPost] = (),
    layout: LayoutRules,
    levels: LevelRules,
    posts: PostRules,
    panel: PanelRules,
    slope: Slope = "step",
    rake: RakeRules | None = None,
    strain: StrainRules | None = None,
    wire: WireRules | None = None,
    from_m: float = 0.0,
) -> Fence:
    """Plan a fence along one line.

    Parameters
    ----------
    profile
        The ground, by chainage from 0 to the path's length.
    path
        Where the line turns.
    gates
        Openings in it.
    keep_clear
        Stretches of it where no post may stand.
    fixed
        Posts that must stand exactly where they are, and end a span there; none of them in a gate.
    layout, levels, posts, panel
        The rules.
    slope
        How the fence follows the ground: ``step``, by level bays; ``rake``, by bays that slope; ``strained``, by wires.
    rake
        How far bays may slope; needed where they do.
    strain, wire
        How far apart posts stand, and the wires; needed for a fence of strained wires. Its posts are chosen with the
        wires, so that of ``layout`` only the narrowest bay, the corners and the line's tolerance count.
    from_m
        Chainage that the answer gives to the path's start.

    Returns
    -------
    Fence
        Troubles of the design are findings in it.

    Raises
    ------
    LayoutError
        A gate or a fixed post cannot stand where it is asked to; ``span_m`` counts from ``from_m`` too.
    ValueError
        ``slope`` does not go with ``rake``, ``strain`` and ``wire``, or the rules cannot be used.

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
    if (slope == "rake") != (rake is not None):
        raise ValueError(f"slope={slope!r} does not go with rake={rake!r}")
    if not (slope == "strained") == (strain is not None) == (wire is not None):
        raise ValueError(f"slope={slope!r} does not go with strain={strain!r}, wire={wire!r}")
    with _counted_from(from_m):
        if strain is not None and wire is not None:
            rules = WiredRules(layout=layout, strain=strain, levels=levels, panel=panel, wire=wire)
            wired = string_wires(profile, path, gates, keep_clear=keep_clear, fixed=fixed, rules=rules)
            fence = _stood(profile, wired.laid, wired.hung, gates, posts, panel, layout)
            pulled = replace(fence.posts, uplift_kn=wired.uplift_kn)
            return _moved(replace(fence, posts=pulled, strains=wired.strains), by_m=from_m)
        best = BestFit(profile=profile, levels=levels, rake=rake, closed=path.closed)
        choose = best if layout.fit == "best" else None
        laid = lay_out(path, gates, layout, keep_clear=keep_clear, fixed=fixed, from_m=from_m, choose=choose)
    hung = hang(profile, laid, levels=levels, panel=panel, gates=gates, rake=rake, closed=path.closed)
    return _moved(_stood(profile, laid, hung, gates, posts, panel, layout), by_m=from_m)


def _stood(
    profile: Profile,
    laid: Layout,
    hung: Hung,
    gates: Sequence[Gate],
    posts: PostRules,
    panel: PanelRules,
    layout: LayoutRules,
) -> Fence:
    """The fence of a layout and of what hangs in it."""
    bays = hung.bays(laid, panel)
    placed, extended = place_posts(laid, bays, ground_level_m=profile.level_at(laid.post_m), rules=posts, gates=gates)
    placed, kept = keep_existing(placed, bays, laid, line_tolerance_m=layout.line_tolerance_m)
    found = sorted(
        (*laid.findings, *hung.findings, *extended, *kept), key=lambda item: (item.chainage_m or 0.0, item.code)
    )
    return Fence(posts=placed, bays=bays, findings=tuple(found), cost=hung.cost)


@contextmanager
def _counted_from(from_m: float) -> Iterator[None]:
    """Errors of the layout name chainages that count from here."""
    try:
        yield
    except LayoutError as error:
        if error.span_m is not None:
            error.span_m = (error.span_m[0] + from_m, error.span_m[1] + from_m)
        raise


def _moved(fence: Fence, *, by_m: float) -> Fence:
    """The same fence with its chainages moved on."""
    if not by_m:
        return fence
    bays, strains = fence.bays, fence.strains
    return Fence(
        posts=replace(fence.posts, chainage_m=fence.posts.chainage_m + by_m),
        bays=replace(bays, start_m=bays.start_m + by_m, end_m=bays.end_m + by_m),
        findings=tuple(_moved_finding(item, by_m=by_m) for item in fence.findings),
        cost=fence.cost,
        strains=replace(strains, start_m=strains.start_m + by_m, end_m=strains.end_m + by_m),
    )


def _moved_finding(finding: Finding, *, by_m: float) -> Finding:
    return replace(
        finding,
        chainage_m=None if finding.chainage_m is None else finding.chainage_m + by_m,
        chainage_to_m=None if finding.chainage_to_m is None else finding.chainage_to_m + by_m,
    )
