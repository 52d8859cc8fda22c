"""The layouts of a stretch that ``best`` chooses from, between two posts that must be where they are.

All have the fewest bays, and the fewest cut bays among these; that is what the other fits ask first too. Where the
stretch is straight, the cut bays are alike, as wide as they can be, and may stand anywhere in the row: with k cut bays
among n, a post stands at one of at most k + 1 places after each number of bays, and the ways between these places are
all the orders of the n bays.

Where the line bends within a stretch, the place of a post depends on all the bays before it. There the cut bays stand
side by side, anywhere in the row; full bays are walked by chord from both ends, and the cut bays alike, by chord,
between the two. A bay that leaves the line by more than the tolerance is left out.

Which vertices of a bent line have posts is what ``end`` finds, and what ``start`` does where that is as good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from geofence.engine.barred import Interval
from geofence.engine.bends import lay_span
from geofence.engine.chords import BentLine
from geofence.engine.keep_clear import barred_by, round_keep_clears
from geofence.engine.records import Fit, Floats, KeepClear, LayoutRules
from geofence.engine.spans import Division, Piece
from geofence.engine.web import Template, Web, in_series, side_by_side
from geofence.numeric import WIDTH_TOLERANCE_M

__all__ = ["arrangements"]


def arrangements(
    line: BentLine,
    start_m: float,
    end_m: float,
    rules: LayoutRules,
    *,
    keep_clear: Sequence[KeepClear] = (),
    from_m: float = 0.0,
) -> Web:
    """The layouts between two posts that must be where they are.

    Where some of them have no post in a keep-clear, those only. Where none has, the layout alone that goes round with
    the fewest posts moved from where ``end``, or ``start``, puts them.

    Parameters
    ----------
    line
        The line, without corners between the two.
    start_m, end_m
        Chainages of the two posts.
    rules
        Module, narrowest bay, tolerances; the fit is not looked at.
    keep_clear
        Stretches where no post may stand.
    from_m
        Chainage that messages give to the line's start.
    """
    fits: tuple[Fit, ...] = ("end", "start") if keep_clear or line.bends_m(start_m, end_m) else ("end",)
    barred, ways = barred_by(keep_clear), []
    for fit in fits:
        pieces = lay_span(line, start_m, end_m, replace(rules, fit=fit), barred=barred)
        parts = [_arranged(piece, line, replace(rules, fit=fit), keep_clear, from_m=from_m) for piece in pieces]
        ways.append(_Way(web=in_series([web for web, _ in parts]), inside=sum(inside for _, inside in parts)))
    least = min(way.burden(rules) for way in ways)
    first, *others = (way.web for way in ways if way.burden(rules) == least)
    others = [web for web in others if not _same(web, first)]
    return side_by_side([first, *others]) if others else first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """Layouts of one choice of posts on vertices; ``inside``: how many posts of each stand in keep-clears."""

    web: Web
    inside: int

    def burden(self, rules: LayoutRules) -> tuple[int, ...]:
        """What must be the least, first things first: bays too narrow, barred posts, off the line, bays, cut bays."""
        pieces = [template.piece for template in self.web.templates]
        return (
            sum(not piece.division.fits(rules) for piece in pieces),
            self.inside,
            sum(_off(departure, rules) for piece in pieces for departure in piece.departure_m),
            self.web.layers,
            sum(piece.division.kinds.count("cut") for piece in pieces),
        )


def _off(departure_m: float, rules: LayoutRules) -> int:
    """How far a bay leaves the line beyond the tolerance, in micrometres; the first one does not count."""
    return max(0, math.ceil((departure_m - rules.line_tolerance_m) * 1e6 - 1.0))


def _same(web: Web, other: Web) -> bool:
    """Whether two webs hold the same layouts."""
    return web.end_m.shape == other.end_m.shape and bool(
        np.abs(web.start_m - other.start_m).max() <= WIDTH_TOLERANCE_M
        and np.abs(web.end_m - other.end_m).max() <= WIDTH_TOLERANCE_M
    )


def _arranged(
    piece: Piece, line: BentLine, rules: LayoutRules, keep_clear: Sequence[KeepClear], *, from_m: float
) -> tuple[Web, int]:
    """The layouts of one piece, and how many posts of each stand in keep-clears."""
    barred = barred_by(keep_clear)
    clear = _anywhere(Template(piece=piece, line=line), rules).clear_of(barred)
    if clear is not None:
        return clear, 0
    laid, findings = round_keep_clears(piece, line, keep_clear, rules, from_m=from_m)
    template = Template(piece=laid, line=line, findings=tuple(findings))
    return Web.fixed(template), sum(_within(post, barred) for post in laid.end_m[:-1])


def _within(post_m: float, barred: Sequence[Interval]) -> bool:
    return any(start + WIDTH_TOLERANCE_M < post_m < end - WIDTH_TOLERANCE_M for start, end in barred)


def _anywhere(template: Template, rules: LayoutRules) -> Web:
    """The layouts of a piece with its cut bays anywhere; the piece alone where it breaks a limit."""
    piece, line = template.piece, template.line
    division = piece.division
    if (
        not isinstance(division, Division)
        or not 0 < division.cuts < division.bays
        or not division.fits(rules)
        or any(_off(departure, rules) for departure in piece.departure_m)
    ):
        return Web.fixed(template)
    if line.bends_m(piece.start_m, piece.end_m[-1]):
        return _bent(template, division, rules)
    place = piece.start_m + division.cut_m * np.arange(division.cuts + 1.0)[:, None]
    place = place + division.full_m * np.arange(division.full + 1.0)
    widths = np.full(division.full + 1, division.cut_m)
    return _grid(template, place, widths, full_after=range(division.cuts + 1))


def _grid(template: Template, place_m: Floats, cut_m: Floats, *, full_after: Sequence[int]) -> Web:
    """Rows of bays as ways over a grid.

    ``place_m`` (cuts + 1, full + 1): where so many of each lead; ``cut_m`` (full + 1,): width of cut bays after so many
    full ones; ``full_after``: numbers of cut bays after which full ones may come.
    """
    division = template.piece.division
    cuts, full = place_m.shape[0] - 1, place_m.shape[1] - 1
    place_m[-1, -1] = template.piece.end_m[-1]
    layers = np.arange(cuts + full + 1)
    fewest, most = np.maximum(0, layers - full), np.minimum(cuts, layers)
    posts = most - fewest + 1
    layer = np.repeat(layers, posts)
    row = np.arange(len(layer)) - (np.cumsum(posts) - posts)[layer]
    cut = row + fewest[layer]
    by_cut = np.flatnonzero(cut < cuts)
    by_full = np.flatnonzero((layer - cut < full) & np.isin(cut, full_after))
    come = np.concatenate([by_cut, by_full])
    after = cut[come] + np.repeat([1, 0], [len(by_cut), len(by_full)])
    return Web.of(
        template,
        post_m=place_m[cut, layer - cut],
        width_m=np.concatenate([cut_m[(layer - cut)[by_cut]], np.full(len(by_full), division.full_m)]),
        layer=layer[come],
        come=row[come],
        go=after - fewest[layer[come] + 1],
        posts=posts,
    )


def _bent(template: Template, division: Division, rules: LayoutRules) -> Web:
    """The layouts with the cut bays side by side, full bays walked by chord from both ends."""
    piece, line, cuts, module = template.piece, template.line, division.cuts, division.full_m
    end_m, both_ends_m = piece.end_m[-1], line.vertex_m[0] + line.vertex_m[-1]
    ahead = [piece.start_m, *islice(line.walk(piece.start_m, module), division.full)]
    walked = islice(line.reversed().walk(both_ends_m - end_m, module), division.full)
    back = [*[both_ends_m - post for post in walked][::-1], end_m]
    place, cut_m = np.full((cuts + 1, len(ahead)), np.nan), np.full(len(ahead), np.nan)
    place[0], place[-1] = ahead, back
    for row, (first, last) in enumerate(zip(ahead, back, strict=True)):
        width = _alike(line, first, last, cuts, module)
        if width is not None and rules.min_bay_m - WIDTH_TOLERANCE_M <= width <= module:
            cut_m[row] = width
            place[1:-1, row] = line.posts_m(first, ((cuts - 1, width),))
    web = _grid(template, place, cut_m, full_after=(0, cuts))
    stands = np.isfinite(web.start_m + web.end_m + web.width_m)
    departs = [
        not stood or _off(line.departure_m(start, end), rules) > 0
        for stood, start, end in zip(stands.tolist(), web.start_m.tolist(), web.end_m.tolist(), strict=True)
    ]
    return web.through(~np.array(departs)) or Web.fixed(template)


def _alike(line: BentLine, first_m: float, last_m: float, bays: int, longest_m: float) -> float | None:
    """The chord by which so many bays lead from one post to another; None where none does."""
    if last_m <= first_m:
        return None
    if bays == 1:
        return line.chord_m(first_m, last_m)
    return line.alike_m(first_m, last_m, head=0, full=0, full_m=longest_m, tail=bays, longest_m=longest_m)
