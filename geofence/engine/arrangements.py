"""The layouts of a stretch that ``best`` chooses from, between two posts that must be where they are.

All have the fewest bays, and the fewest cut bays among these; that is what the other fits ask first too. The cut bays
are alike, as wide as they can be, and stand in any order among the full ones; see :mod:`~geofence.engine.orders`. A bay
that leaves the line by more than the tolerance is left out.

Where keep-clears have a post of every order, the layouts are those of :mod:`~geofence.engine.ways_round`.

Which vertices of a bent line have posts is what ``end`` finds, and what ``start`` does where that is as good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from geofence.engine.barred import bar_at
from geofence.engine.bends import lay_span
from geofence.engine.chords import BentLine
from geofence.engine.keep_clear import all_round_keep_clears, barred_by, round_keep_clears
from geofence.engine.orders import every_order
from geofence.engine.records import Fit, Ints, KeepClear, LayoutRules
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

    Where some of them have no post in a keep-clear, those only. Where none has, those that go round with the fewest
    bays, then the fewest posts where none of them has one, then the fewest cut bays; see
    :mod:`~geofence.engine.ways_round`. Where none goes round, the one that ``end``, or ``start``, leaves.

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
    way = partial(_way, line, start_m, end_m, rules, keep_clear, from_m=from_m)
    ways = [way("end")]
    if ways[0].inside or line.bends_m(start_m, end_m):
        ways.append(way("start"))
    least = min(way.burden(rules) for way in ways)
    first, *others = (way.web for way in ways if way.burden(rules) == least)
    others = [web for web in others if not _same(web, first)]
    return side_by_side([first, *others]) if others else first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """Layouts of one choice of posts on vertices; how many posts of each stand in keep-clears, and are moved."""

    web: Web
    inside: int = 0
    moved: int = 0

    def burden(self, rules: LayoutRules) -> tuple[int, ...]:
        """What must be the least: bays too narrow, barred posts, off the line, bays, moved posts, cut bays."""
        pieces = [template.piece for template in self.web.templates]
        return (
            sum(not piece.division.fits(rules) for piece in pieces),
            self.inside,
            sum(_off(departure, rules) for piece in pieces for departure in piece.departure_m),
            self.web.layers,
            self.moved,
            sum(piece.division.kinds.count("cut") for piece in pieces),
        )


def _way(
    line: BentLine,
    start_m: float,
    end_m: float,
    rules: LayoutRules,
    keep_clear: Sequence[KeepClear],
    fit: Fit,
    *,
    from_m: float,
) -> _Way:
    """The layouts with posts on the vertices where a fit has them."""
    rules = replace(rules, fit=fit)
    pieces = lay_span(line, start_m, end_m, rules, barred=barred_by(keep_clear))
    ways = [_arranged(piece, line, rules, keep_clear, from_m=from_m) for piece in pieces]
    return _Way(
        web=in_series([way.web for way in ways]),
        inside=sum(way.inside for way in ways),
        moved=sum(way.moved for way in ways),
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
) -> _Way:
    """The layouts of one piece."""
    barred = barred_by(keep_clear)
    web = _anywhere(Template(piece=piece, line=line), rules)
    clear = web.clear_of(barred)
    if clear is not None:
        return _Way(web=clear)
    round_them = all_round_keep_clears(web, keep_clear, rules) if piece.division.fits(rules) else None
    if round_them is not None:
        web, moved = round_them
        return _Way(web=web.least(_departures(web, rules)).with_own_piece(), moved=moved)
    laid, findings = round_keep_clears(piece, line, keep_clear, rules, from_m=from_m)
    template = Template(piece=laid, line=line, says=lambda _: findings)
    return _Way(web=Web.fixed(template), inside=sum(bar_at(barred, post) is not None for post in laid.end_m[:-1]))


def _anywhere(template: Template, rules: LayoutRules) -> Web:
    """The layouts of a piece with its cut bays anywhere; the piece alone where it breaks a limit."""
    piece, division = template.piece, template.piece.division
    if (
        not isinstance(division, Division)
        or not 0 < division.cuts < division.bays
        or not division.fits(rules)
        or any(_off(departure, rules) for departure in piece.departure_m)
    ):
        return Web.fixed(template)
    web = every_order(
        template,
        (piece.start_m, piece.end_m[-1]),
        cuts=division.cuts,
        full=division.full,
        full_m=division.full_m,
        narrowest_m=rules.min_bay_m,
    )
    return (web and web.through(_departures(web, rules) == 0)) or Web.fixed(template)


def _departures(web: Web, rules: LayoutRules) -> Ints:
    """(e,) int64 how far each bay leaves the line beyond the tolerance, as :func:`_off`."""
    line = web.templates[0].line
    if not line.bends_m(web.start_m[0], web.end_m[-1]):
        return np.zeros(len(web.layer), dtype=np.int64)
    bays = zip(web.start_m.tolist(), web.end_m.tolist(), strict=True)
    return np.array([_off(line.departure_m(*bay), rules) for bay in bays], dtype=np.int64)
