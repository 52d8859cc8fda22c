"""Where posts stand along a line, and the bays between them.

Posts that must be where they are: the ends (or a ring's first post), corners, the two posts of each gate, and those of
:mod:`~geofence.engine.fixed`, which exist already or at which lines meet. The stretch between two of them, a span, is
divided by :mod:`~geofence.engine.spans` where it is straight and by :mod:`~geofence.engine.bends` where it is not.

A post that is two things at once is named for what a crew must bring. For one that exists they bring nothing, so
``existing`` stands before all; a gate's post is a stronger post with hinges or a catch, so ``gate`` stands before
``junction``, ``corner``, ``end`` and ``bend``; that it also turns is in its deflection.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from typing import Protocol

import numpy as np

from geofence.engine.bends import lay_span
from geofence.engine.chords import BentLine
from geofence.engine.fixed import FixedPosts
from geofence.engine.keep_clear import barred_by, numbered, round_keep_clears, standing_in
from geofence.engine.narrow import too_narrow
from geofence.engine.openings import Opening, place_gates
from geofence.engine.records import (
    BayKind,
    Finding,
    FixedPost,
    Floats,
    Gate,
    KeepClear,
    Layout,
    LayoutRules,
    Path,
    PostKind,
)
from geofence.engine.spans import Piece
from geofence.engine.stretches import Stretch
from geofence.errors import LayoutError
from geofence.numeric import ANGLE_TOLERANCE_DEG, COINCIDENT_M, WIDTH_TOLERANCE_M, millimetres_up

__all__ = ["Chooser", "lay_out", "openings_on"]


class Chooser(Protocol):
    """Chooses how each stretch between two posts that must be where they are is laid out."""

    def __call__(
        self, stretches: Sequence[Stretch], rules: LayoutRules, keep_clear: Sequence[KeepClear], *, from_m: float
    ) -> tuple[list[list[Piece]], list[Finding]]:
        """Pieces of each stretch, and what is to be said of them; for the arguments see :func:`lay_out`."""
        ...


def lay_out(
    path: Path,
    gates: Sequence[Gate],
    rules: LayoutRules,
    *,
    keep_clear: Sequence[KeepClear] = (),
    fixed: Sequence[FixedPost] = (),
    from_m: float = 0.0,
    choose: Chooser | None = None,
) -> Layout:
    """Spread posts along a line.

    Between two posts that must be where they are, every bay is a full module or a cut bay of at least ``min_bay_m``:
    the fewest bays, then the fewest cut bays, then the widest narrowest bay that ``fit`` allows. On a line that bends,
    widths are chords, and a post of kind ``bend`` goes on a vertex where a bay would leave the line by more than
    ``line_tolerance_m``.

    Round stretches that are to be kept clear the layout goes by :mod:`~geofence.engine.detour`: with the fewest bays
    that leave no post in one, then with the fewest posts that stand elsewhere than they would without them.

    What cannot be laid out within the rules is laid out as nearly as can be, with a finding: ``bay-under-minimum``,
    ``keep-clear-no-layout``, ``post-in-keep-clear`` (stop) or ``bay-off-line`` (warn).

    Parameters
    ----------
    path
        The line.
    gates
        Openings in any order. A post of a gate within a millimetre of another fixed post is that post.
    rules
        Module, narrowest bay, fit and tolerances, in metres and degrees.
    keep_clear
        Stretches where no post may stand, in any order; they may overlap.
    fixed
        Posts that must stand exactly where they are, in any order. One within a millimetre of another post that must
        be where it is, is that post.
    from_m
        Chainage that messages give to the path's start.
    choose
        What chooses where cut bays go in place of the fit; needed where that is ``best``.

    Raises
    ------
    LayoutError
        A gate or a fixed post cannot stand where it is asked to, or the rules contradict each other.
    ValueError
        The fit is ``best``, and nothing is given that chooses.

    Examples
    --------
    >>> path = Path(vertex_m=[0.0, 7.4], deflection_deg=[0.0, 0.0])
    >>> layout = lay_out(path, [], LayoutRules(module_m=2.4, min_bay_m=0.4))
    >>> layout.post_m.round(3).tolist(), layout.bay_kind
    ([0.0, 2.4, 4.8, 6.1, 7.4], ('full', 'full', 'cut', 'cut'))
    """
    _check(rules)
    vertex_m, turn_deg = _vertices(path)
    runs = _runs(vertex_m, turn_deg, rules)
    openings = place_gates(gates, runs, path, rules)
    settled = FixedPosts.on(fixed, runs, openings, path)
    spans = _spans(runs, openings, settled)
    if rules.fit == "best" and choose is None:
        raise ValueError("fit='best' needs something that chooses")
    laid, found = (choose or _by_fit)(spans, rules, keep_clear, from_m=from_m)
    bays = [(span, piece) for span, pieces in zip(spans, laid, strict=True) for piece in pieces]
    ends = [end for _, piece in bays for end in piece.end_m]
    kinds = _post_kinds(spans, laid, _end_kinds(spans, float(turn_deg[0]), path, rules))
    posts = np.array([vertex_m[0], *ends])
    if path.closed:
        posts, kinds = posts[:-1], kinds[:-1]
    stood = settled.rows(posts)
    kinds = _fixed_kinds(kinds, stood)
    return Layout(
        post_m=posts,
        post_kind=tuple(kinds),
        deflection_deg=_turns_at(posts, vertex_m, turn_deg),
        bay_kind=tuple(kind for span, piece in bays for kind in _bay_kinds(span, piece)),
        bay_end_m=np.array(ends),
        width_m=np.array([width for _, piece in bays for width in piece.division.widths_m]),
        findings=(*numbered(found, posts), *_findings(bays, settled, rules), *standing_in(posts, kinds, keep_clear)),
        existing=tuple((row, post) for row, post in stood if post.kind == "existing"),
    )


def _by_fit(
    stretches: Sequence[Stretch], rules: LayoutRules, keep_clear: Sequence[KeepClear], *, from_m: float
) -> tuple[list[list[Piece]], list[Finding]]:
    """Cut bays go where the fit says, and posts out of keep-clears as far as can be."""
    laid: list[list[Piece]] = []
    findings: list[Finding] = []
    for stretch in stretches:
        if stretch.opening is not None:
            laid.append([stretch.gate])
            continue
        laid.append([])
        for piece in lay_span(stretch.line, stretch.start_m, stretch.end_m, rules, barred=barred_by(keep_clear)):
            if keep_clear:
                piece, found = round_keep_clears(piece, stretch.line, keep_clear, rules, from_m=from_m)
                findings += found
            laid[-1].append(piece)
    return laid, findings


def _check(rules: LayoutRules) -> None:
    if not COINCIDENT_M <= rules.min_bay_m <= rules.module_m:
        raise LayoutError(
            f"the narrowest bay must be at least {COINCIDENT_M} m and no wider than the module",
            rule="min_bay_m",
            value=rules.min_bay_m,
            limit=rules.module_m,
            unit="m",
            remedy="Change min_bay_m or module_m.",
        )


def _vertices(path: Path) -> tuple[Floats, Floats]:
    """Vertices and turns, those closer than :data:`COINCIDENT_M` taken as one that turns by their sum."""
    kept = [0]
    for index in range(1, len(path.vertex_m)):
        if path.vertex_m[index] - path.vertex_m[kept[-1]] >= COINCIDENT_M:
            kept.append(index)
    if len(kept) < 2:
        raise LayoutError("the line has no length", rule="line-length", value=path.length_m, unit="m")
    turns = np.add.reduceat(path.deflection_deg, kept)
    turns = np.where(np.abs(turns) > 180.0, (turns + 180.0) % 360.0 - 180.0, turns)
    turns[[0, -1]] = turns[0] + turns[-1] - path.deflection_deg[0] if path.closed else 0.0
    vertices = path.vertex_m[kept]
    vertices[-1] = path.length_m
    return vertices, turns


def openings_on(path: Path, gates: Sequence[Gate], rules: LayoutRules) -> tuple[Opening, ...]:
    """Where gates stand on a line, whatever stands between them; raises as :func:`lay_out`."""
    vertex_m, turn_deg = _vertices(path)
    return place_gates(gates, _runs(vertex_m, turn_deg, rules), path, rules)


def _runs(vertex_m: Floats, turn_deg: Floats, rules: LayoutRules) -> list[BentLine]:
    """The line cut at its corners, without vertices that do not turn."""
    turn = np.abs(turn_deg[1:-1])
    corners = 1 + np.flatnonzero((turn >= rules.corner_deg - ANGLE_TOLERANCE_DEG) & (turn > ANGLE_TOLERANCE_DEG))
    cuts = [0, *corners.tolist(), len(vertex_m) - 1]
    bends = np.concatenate([[True], turn > ANGLE_TOLERANCE_DEG, [True]])
    runs = []
    for first, last in pairwise(cuts):
        rows = first + np.flatnonzero(bends[first : last + 1])
        runs.append(BentLine.from_turns(vertex_m[rows].tolist(), turn_deg[rows].tolist()))
    return runs


def _spans(runs: Sequence[BentLine], openings: Sequence[Opening], fixed: FixedPosts) -> list[Stretch]:
    spans: list[Stretch] = []
    for run in runs:
        post_m, end_m = run.vertex_m[0], run.vertex_m[-1]
        first, last = (bisect_left(openings, end, key=lambda opening: opening.start_m) for end in (post_m, end_m))
        for opening in openings[first:last]:
            spans += _cut(run, post_m, opening.start_m, fixed)
            spans.append(Stretch(start_m=opening.start_m, end_m=opening.end_m, line=run, opening=opening))
            post_m = opening.end_m
        spans += _cut(run, post_m, end_m, fixed)
    return spans


def _cut(run: BentLine, start_m: float, end_m: float, fixed: FixedPosts) -> list[Stretch]:
    """The stretches from one post to another, cut at the fixed posts between them."""
    if end_m <= start_m:
        return []
    places = [start_m, *fixed.between(start_m, end_m), end_m]
    return [Stretch(start_m=start, end_m=end, line=run) for start, end in pairwise(places)]


def _end_kinds(spans: Sequence[Stretch], turn_deg: float, path: Path, rules: LayoutRules) -> tuple[PostKind, PostKind]:
    """Kinds of the first and the last post; on a ring these are one post."""
    at_gate = [spans[0].opening is not None, spans[-1].opening is not None]
    kind: PostKind = "end"
    if path.closed:
        at_gate = [any(at_gate)] * 2
        turn = abs(turn_deg)
        bend: PostKind = "bend" if turn > ANGLE_TOLERANCE_DEG else "line"
        kind = "corner" if turn >= rules.corner_deg - ANGLE_TOLERANCE_DEG and bend == "bend" else bend
    return ("gate" if at_gate[0] else kind), ("gate" if at_gate[1] else kind)


def _post_kinds(
    spans: Sequence[Stretch], laid: Sequence[Sequence[Piece]], ends: tuple[PostKind, PostKind]
) -> list[PostKind]:
    kinds = [ends[0]]
    for index, (span, pieces) in enumerate(zip(spans, laid, strict=True)):
        for piece in pieces:
            kinds += ["line"] * (len(piece.end_m) - 1)
            kinds.append("bend")
        if index == len(spans) - 1:
            kinds[-1] = ends[1]
        else:
            kinds[-1] = "corner" if span.opening is None and spans[index + 1].opening is None else "gate"
    return kinds


def _fixed_kinds(kinds: Sequence[PostKind], fixed: Sequence[tuple[int, FixedPost]]) -> list[PostKind]:
    """Kinds with those of the fixed posts, each given with its row: a gate's post at a junction stays a gate's."""
    named = list(kinds)
    for row, post in fixed:
        if post.kind == "existing" or named[row] != "gate":
            named[row] = post.kind
    return named


def _bay_kinds(span: Stretch, piece: Piece) -> list[BayKind]:
    return piece.division.kinds if span.opening is None else ["gate"]


def _turns_at(post_m: Floats, vertex_m: Floats, turn_deg: Floats) -> Floats:
    """Turn of the line at each post. A ring's last vertex is beyond its last post, and turns at its first."""
    after = np.clip(np.searchsorted(post_m, vertex_m), 1, len(post_m) - 1)
    nearest = np.where(vertex_m - post_m[after - 1] <= post_m[after] - vertex_m, after - 1, after)
    here = np.abs(post_m[nearest] - vertex_m) <= COINCIDENT_M
    turns = np.zeros(len(post_m))
    np.add.at(turns, nearest[here], turn_deg[here])
    return turns


def _findings(bays: Sequence[tuple[Stretch, Piece]], fixed: FixedPosts, rules: LayoutRules) -> list[Finding]:
    findings, first_bay = [], 0
    for span, piece in bays:
        if span.opening is None:
            if not piece.division.fits(rules):
                ends = (fixed.existing_at(piece.start_m), fixed.existing_at(piece.end_m[-1]))
                findings.append(too_narrow(piece, first_bay, span.line, ends, rules))
            findings += _off_line(piece, first_bay, rules)
        first_bay += len(piece.end_m)
    return findings


def _off_line(piece: Piece, first_bay: int, rules: LayoutRules) -> list[Finding]:
    starts = [piece.start_m, *piece.end_m]
    return [
        Finding(
            code="bay-off-line",
            severity="warn",
            message="The bay runs straight where the line bends; a post on the bend would leave a bay too narrow, or "
            "stand in a keep-clear",
            remedy=f"Allow a line_tolerance_m of {millimetres_up(departure):.3f} m, or a narrower min_bay_m.",
            chainage_m=starts[row],
            chainage_to_m=starts[row + 1],
            bay=first_bay + row,
            value=departure,
            limit=rules.line_tolerance_m,
            unit="m",
        )
        for row, departure in enumerate(piece.departure_m)
        if departure > rules.line_tolerance_m + WIDTH_TOLERANCE_M
    ]
