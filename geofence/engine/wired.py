"""A strained wire fence on its line: posts, wires from strainer to strainer, and what the reader must know of them.

The ends, corners, gates and junctions hold the wires' pull; so do strainers between them, as few as keep every strain
within ``strain_max_m``. Past a post that exists already the wires go on, unless there must be a strainer and no other
post can be it: who knows what it holds. The posts between follow :mod:`~geofence.engine.strained`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geofence.engine.chords import BentLine
from geofence.engine.existing import loaded
from geofence.engine.hung import Hung, hang_gates
from geofence.engine.keep_clear import barred_by, standing_in
from geofence.engine.layout import lay_out
from geofence.engine.records import (
    BayKind,
    Cost,
    Finding,
    FixedPost,
    Floats,
    Gate,
    Ints,
    KeepClear,
    Layout,
    LayoutRules,
    LevelRules,
    PanelRules,
    Path,
    PostKind,
    Profile,
    Strains,
)
from geofence.engine.stands import WireLimits
from geofence.engine.strained import SpanBays, stand_posts, strain_ends
from geofence.engine.wire import WireRules, ruling_span_m, sag_m, uplift_kn
from geofence.engine.wire_findings import bay_findings, wire_findings
from geofence.numeric import (
    ANGLE_TOLERANCE_DEG,
    COINCIDENT_M,
    MODULE_SLACK_M,
    WIDTH_TOLERANCE_M,
)

Flags = NDArray[np.bool_]

__all__ = ["StrainRules", "Wired", "WiredRules", "string_wires"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrainRules:
    """How far apart posts of a wire fence stand: ``post_spacing_max_m`` any two, ``strain_max_m`` those that strain."""

    post_spacing_max_m: float
    strain_max_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredRules:
    """Everything that a wire fence keeps.

    Of ``layout`` the narrowest bay, the corners and the line's tolerance count, not the module. The lowest wire keeps
    the gap and the dig of ``levels``; ``panel`` is what a gate has.
    """

    layout: LayoutRules
    strain: StrainRules
    levels: LevelRules
    panel: PanelRules
    wire: WireRules

    @property
    def limits(self) -> WireLimits:
        return WireLimits(
            height_m=self.wire.heights_m[0],
            gap_max_m=self.levels.gap_max_m,
            dig_max_m=self.levels.dig_max_m,
            bay_min_m=self.layout.min_bay_m,
            bay_max_m=self.strain.post_spacing_max_m,
            line_tolerance_m=self.layout.line_tolerance_m,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wired:
    """A wire fence but for the lengths of its posts.

    ``uplift_kn`` (n,): how hard the wires pull each post up at their coldest, down negative. Findings are in ``hung``.
    """

    laid: Layout
    hung: Hung
    strains: Strains
    uplift_kn: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Span:
    """Bays between two posts that must be where they are; None for a gate.

    ``row``: its first bay among those of the anchors; ``held``: whether its first post holds the wires' pull.
    """

    row: int
    bays: SpanBays | None
    held: bool


def string_wires(
    profile: Profile,
    path: Path,
    gates: Sequence[Gate],
    *,
    keep_clear: Sequence[KeepClear] = (),
    fixed: Sequence[FixedPost] = (),
    rules: WiredRules,
) -> Wired:
    """Stand the posts of a wire fence and string its wires.

    What cannot be kept is a finding: ``gap-over-limit``, ``dig-over-limit``, ``clearance-under-limit``,
    ``bay-under-minimum``, ``post-in-keep-clear`` (stop), ``bay-off-line``, ``post-uplift``, ``wire-tension-over-limit``
    (warn), ``existing-post-loaded`` (warn). ``wire-strained`` (note) says what the wires carry.

    Raises
    ------
    LayoutError
        A gate or a fixed post cannot stand where it is asked to.
    """
    limits, levels, wire = rules.limits, rules.levels, rules.wire
    anchors = _anchors(path, gates, fixed, rules.layout)
    junctions = [post for post in fixed if post.kind == "junction"]
    held = _held(anchors, _anchors(path, gates, junctions, rules.layout))
    spans = _spans(profile, path, anchors, held, limits, levels, keep_clear)
    laid, holds = _laid(path, anchors, spans, limits, rules.strain)
    bays, strung = _stacked([span.bays for span in spans if span.bays is not None]), _strung(laid)
    hung = _hung(profile, strung, bays, wire, levels, count=len(laid.bay_kind))
    hang_gates(hung, profile, laid, levels, rules.panel, gates)
    strains, uplift = _strained(laid, holds, hung, wire)
    hung.findings += [
        *standing_in(laid.post_m, laid.post_kind, keep_clear),
        *bay_findings(bays, strung, laid.post_kind, levels, limits),
        *wire_findings(laid, strains, uplift, wire),
        *_ends_at_existing(laid, strains),
    ]
    return Wired(laid=laid, hung=hung, strains=strains, uplift_kn=uplift)


def _anchors(path: Path, gates: Sequence[Gate], fixed: Sequence[FixedPost], rules: LayoutRules) -> Layout:
    """The posts that must be where they are: a layout with one bay from each to the next, but for posts on bends."""
    return lay_out(path, gates, replace(rules, module_m=path.length_m + 1.0, fit="end"), fixed=fixed)


def _held(anchors: Layout, holding: Layout) -> Flags:
    """Which of the anchors hold the wires' pull: those that are anchors without the posts that exist too."""
    places = holding.post_m[np.array(holding.post_kind) != "bend"]
    holds = np.concatenate([[-np.inf, anchors.post_m[0]], places, [np.inf]])
    after = np.searchsorted(holds, anchors.post_m)
    apart = np.minimum(anchors.post_m - holds[after - 1], holds[after] - anchors.post_m)
    return np.asarray(apart <= COINCIDENT_M)


def _spans(
    profile: Profile,
    path: Path,
    anchors: Layout,
    held: Flags,
    limits: WireLimits,
    prices: LevelRules,
    keep_clear: Sequence[KeepClear],
) -> list[_Span]:
    turns = np.abs(path.deflection_deg) > ANGLE_TOLERANCE_DEG
    turns[[0, -1]] = True
    line = BentLine.from_turns(path.vertex_m[turns].tolist(), path.deflection_deg[turns].tolist())
    fixed = [row for row, kind in enumerate(anchors.post_kind) if row == 0 or kind != "bend"]
    ends = [*(float(anchors.post_m[row]) for row in fixed), path.length_m][: len(fixed) + path.closed]
    spans = []
    for row, (start, end) in zip(fixed, pairwise(ends), strict=False):
        bays = None
        if anchors.bay_kind[row] != "gate":
            bays = stand_posts(profile, line, (start, end), limits, prices, barred_m=barred_by(keep_clear))
        spans.append(_Span(row=row, bays=bays, held=bool(held[row])))
    return spans


def _laid(
    path: Path, anchors: Layout, spans: Sequence[_Span], limits: WireLimits, strain: StrainRules
) -> tuple[Layout, Flags]:
    """The layout of the spans' posts, with strainers where strains end; and which posts those are, (n,)."""
    kinds: list[PostKind] = []
    bay_kinds: list[BayKind] = []
    ends, widths, held = [], [], []
    for span in spans:
        kinds.append(anchors.post_kind[span.row])
        held.append(span.held)
        if span.bays is None:
            bay_kinds.append("gate")
            ends.append(anchors.bay_end_m[[span.row]])
            widths.append(anchors.width_m[[span.row]])
            continue
        kinds += ["line"] * (len(span.bays) - 1)
        held += [False] * (len(span.bays) - 1)
        full = np.abs(span.bays.width_m - limits.bay_max_m) <= MODULE_SLACK_M
        bay_kinds += ["full" if whole else "cut" for whole in full]
        ends.append(span.bays.end_m)
        widths.append(span.bays.width_m)
    end = np.concatenate(ends)
    post = np.append(anchors.post_m[0], end if not path.closed else end[:-1])
    if not path.closed:
        kinds.append(anchors.post_kind[-1])
    turns = _turns_at(post, path)
    holds = _strain_ends(np.append(anchors.post_m[0], end), [*held, True], kinds, strain)[: len(post)]
    laid = Layout(
        post_m=post,
        post_kind=tuple(_wire_kind(*each) for each in zip(kinds, holds.tolist(), turns.tolist(), strict=True)),
        deflection_deg=turns,
        bay_kind=tuple(bay_kinds),
        bay_end_m=end,
        width_m=np.concatenate(widths),
        existing=tuple((int(np.searchsorted(post, anchors.post_m[row])), each) for row, each in anchors.existing),
    )
    return laid, holds


def _ends_at_existing(laid: Layout, strains: Strains) -> Iterator[Finding]:
    """A finding for each post that exists and at which wires end."""
    ends = {*strains.from_post.tolist(), *strains.to_post.tolist()}
    for row, post in laid.existing:
        if row in ends:
            finding = partial(Finding, post=row, chainage_m=float(laid.post_m[row]))
            yield loaded(finding, post, "strained wires end at it")


def _strain_ends(post_m: Floats, held: Sequence[bool], kinds: Sequence[PostKind], strain: StrainRules) -> Flags:
    """Which posts end a strain, (n,): those that are held, and as few between them as keep strains short enough."""
    holds = np.array(held)
    exists = np.array([*kinds, *kinds[:1]][: len(holds)]) == "existing"
    for first, last in pairwise(np.flatnonzero(holds).tolist()):
        between = slice(first, last + 1)
        unsure = exists[between].copy()
        unsure[[0, -1]] = False
        holds[first + strain_ends(post_m[between], strain.strain_max_m, unsure=unsure)] = True
    return holds


def _wire_kind(kind: PostKind, holds: bool, turn_deg: float) -> PostKind:
    """What a post of a wire fence is: a strainer or a bend's post is planned as a post of the line."""
    if kind not in ("line", "bend"):
        return kind
    if holds:
        return "strainer"
    return "bend" if abs(turn_deg) > ANGLE_TOLERANCE_DEG else "line"


def _turns_at(post_m: Floats, path: Path) -> Floats:
    """Turn of the line at each post; a ring's last vertex is its first."""
    turns = np.zeros(len(post_m))
    last = len(path.vertex_m) - path.closed
    vertex = path.vertex_m[:last]
    after = np.clip(np.searchsorted(post_m, vertex), 1, max(len(post_m) - 1, 1))
    for step in (after - 1, np.minimum(after, len(post_m) - 1)):
        here = np.abs(post_m[step] - vertex) <= COINCIDENT_M
        turns[step[here]] = path.deflection_deg[:last][here]
    return turns


def _strung(laid: Layout) -> Ints:
    """Rows of the bays that have wires."""
    return np.flatnonzero(np.array(laid.bay_kind) != "gate")


def _hung(profile: Profile, strung: Ints, bays: SpanBays, wire: WireRules, prices: LevelRules, *, count: int) -> Hung:
    """The lowest wire along the bays that have wires, and the lengths of wire."""
    hung = Hung.unknown(count)
    start, end = profile.level_at(bays.start_m), profile.level_at(bays.end_m)
    hung.underside_from_m[strung] = start + wire.heights_m[0]
    hung.underside_to_m[strung] = end + wire.heights_m[0]
    hung.gap_max_m[strung], hung.dig_max_m[strung] = bays.gap_max_m, -bays.gap_min_m
    hung.gap_area_m2[strung], hung.dig_area_m2[strung] = bays.gap_area_m2, bays.dig_area_m2
    hung.slope_length_m[strung] = np.hypot(bays.width_m, end - start)
    spacing = wire.dropper_spacing_m
    parts = np.ceil(bays.width_m / spacing - WIDTH_TOLERANCE_M) if spacing else np.ones(len(bays))
    hung.droppers[strung] = np.maximum(parts - 1, 0)
    hung.cost = Cost(
        gap=prices.gap_cost * float(bays.gap_area_m2.sum()), dig=prices.dig_cost * float(bays.dig_area_m2.sum())
    )
    return hung


def _stacked(spans: Sequence[SpanBays]) -> SpanBays:
    empty = {item.name: np.empty(0) for item in fields(SpanBays)}
    if not spans:
        return SpanBays(**empty)
    return SpanBays(**{name: np.concatenate([getattr(bays, name) for bays in spans]) for name in empty})


def _strained(laid: Layout, holds: Flags, hung: Hung, wire: WireRules) -> tuple[Strains, Floats]:
    """The strains, and the pull of all wires on each post; fills in how far wires sag."""
    posts, bays = len(laid.post_m), len(laid.bay_kind)
    strung = _strung(laid)
    start = strung[holds[strung]]
    ends = np.append(np.flatnonzero(holds), bays)
    end = ends[np.searchsorted(ends, start, side="right")]
    rows = list(zip(start.tolist(), end.tolist(), strict=True))
    ruling = np.array([ruling_span_m(laid.width_m[a:b], hung.slope_length_m[a:b]) for a, b in rows])
    cold, hot = (wire.tension_at_kn(at, ruling) for at in (wire.temperature_min_c, wire.temperature_max_c))
    of_bay = np.repeat(np.arange(len(rows)), end - start)
    length = hung.slope_length_m[strung]
    hung.sag_m[strung] = sag_m(length, hot[of_bay], wire.weight_kn_per_m)
    rise = hung.underside_to_m[strung] - hung.underside_from_m[strung]
    uplift, pull = np.zeros(posts), len(wire.heights_m) * uplift_kn(cold[of_bay], rise, length)
    np.add.at(uplift, strung, pull)
    np.add.at(uplift, (strung + 1) % posts, -pull)
    strains = Strains(
        from_post=start,
        to_post=end % posts,
        start_m=laid.bay_start_m[start],
        end_m=laid.bay_end_m[end - 1],
        wires=np.full(len(rows), len(wire.heights_m), dtype=np.int64),
        wire_length_m=np.array([hung.slope_length_m[a:b].sum() for a, b in rows]),
        tension_kn=np.full(len(rows), wire.tension_kn),
        tension_cold_kn=cold,
        tension_hot_kn=hot,
    )
    return strains, uplift
