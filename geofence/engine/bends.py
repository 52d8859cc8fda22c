"""Bays along a line that bends: widths are chords, and a post goes on a vertex where a bay would leave the line.

Between two posts that must be where they are, the vertices in between are places where a post may go. Between any two
places a piece can be laid by the rules for a span, with chords for widths. The pieces chosen are the cheapest way from
place to place, and cheaper means, in this order: fewer pieces that cannot keep the narrowest bay, less departure beyond
the tolerance, fewer bays, fewer cut bays, a wider narrowest bay.

Up to :data:`_EXACT_PLACES` places every pair is weighed, and the way is the cheapest of all. On a longer curve the
pieces weighed end between the last bays before the first full bay to leave the line and some bays after it; a stretch
of the way that still breaks a limit is done again with every pair.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from geofence.engine.chords import BentLine
from geofence.engine.records import LayoutRules
from geofence.engine.spans import Division, Piece, arrange, divide, fewest_cuts, straight_piece
from geofence.numeric import COINCIDENT_M, MODULE_SLACK_M

__all__ = ["lay_span"]

_EXACT_PLACES = 24
"""Most places of which every pair is weighed: pairs grow as the square, and one takes some 20 to 200 microseconds."""

_NEAR_TRIALS = 6000
"""On a longer curve look back over so many places in all, if that is more than the widths need..."""

_MOST_BACK = 64
"""... but over no more than this from one place."""

_LOOK_ON = 4
"""Where full bays do not come first, how many times farther to look beyond the first full bay that leaves the line."""

_WINDOW_BAYS = 8
"""Most bays to look back over; more would be needed only where a cut bay must be wider than 7/8 of the module."""

_CHORD_PLAY = 0.01
"""Share of a module by which the bays around a bend may differ in length from their sum along a straight stretch."""

Burden = tuple[int, int, int, int, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ahead:
    """Full bays walked from a post.

    ``post_m`` starts with the post itself; ``off`` is how far the bays up to each post leave the line beyond the
    tolerance, summed, in micrometres.
    """

    post_m: list[float]
    off: list[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    """A piece weighed: its bays, whether they keep the narrowest, and how far they are off the line, as in _Ahead."""

    division: Division
    fits: bool
    off: int

    @property
    def clean(self) -> bool:
        return self.fits and not self.off


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """The best way found to a place: its burden, the place before, and the piece in between (None at the start)."""

    burden: Burden
    before: int = -1
    trial: _Trial | None = None


_Trials = Iterator[tuple[int, _Trial]]
_Weigh = Callable[[BentLine, Sequence[float], int, LayoutRules], _Trials]


def lay_span(
    line: BentLine, start_m: float, end_m: float, rules: LayoutRules, *, barred: Sequence[tuple[float, float]] = ()
) -> list[Piece]:
    """Lay out the stretch between two posts that must be where they are; pieces meet at posts on vertices.

    No piece ends at a vertex within one of the ``barred`` stretches.
    """
    bends = [bend for bend in line.bends_m(start_m, end_m) if not any(first < bend < last for first, last in barred)]
    if not line.bends_m(start_m, end_m):
        return [straight_piece(start_m, end_m, rules)]
    if rules.fit == "start":
        # From the other end full bays come first, and one walk serves every piece that starts at the same post.
        both_ends_m = line.vertex_m[0] + line.vertex_m[-1]
        back = lay_span(
            line.reversed(),
            both_ends_m - end_m,
            both_ends_m - start_m,
            replace(rules, fit="end"),
            barred=[(both_ends_m - last, both_ends_m - first) for first, last in barred],
        )
        return [piece.reversed(both_ends_m) for piece in back[::-1]]
    places = (start_m, *bends, end_m)
    if len(places) <= _EXACT_PLACES:
        way = _best_way(line, places, rules, _all_trials)
    else:
        way = _mended(line, places, _best_way(line, places, rules, _near_trials), rules)
    return [_build(line, start, end, trial.division, rules) for start, end, trial in way]


_Leg = tuple[float, float, _Trial]


def _best_way(line: BentLine, places: Sequence[float], rules: LayoutRules, weigh: _Weigh) -> list[_Leg]:
    """Cheapest pieces from the first place to the last, as (start, end, trial)."""
    ways: list[_Way | None] = [_Way(burden=(0, 0, 0, 0, -math.inf))] + [None] * (len(places) - 1)
    for index in range(len(places) - 1):
        way = ways[index]
        if way is None:
            continue
        for reached, trial in weigh(line, places, index, rules):
            burden = _with(way.burden, trial)
            best = ways[reached]
            if best is None or burden < best.burden:
                ways[reached] = _Way(burden=burden, before=index, trial=trial)
    legs: list[_Leg] = []
    index, way = len(places) - 1, ways[-1]
    while way is not None and way.trial is not None:
        legs.append((places[way.before], places[index], way.trial))
        index, way = way.before, ways[way.before]
    return legs[::-1]


def _with(burden: Burden, trial: _Trial) -> Burden:
    """The burden of a way that goes on by this piece. Widths count to a micrometre, so that noise decides nothing."""
    unfit, off, bays, cuts, narrowest = burden
    division = trial.division
    return (
        unfit + (not trial.fits),
        off + trial.off,
        bays + division.bays,
        cuts + division.cuts,
        max(narrowest, -round(division.narrowest_m, 6)),
    )


def _burden(legs: Iterable[_Leg]) -> Burden:
    burden: Burden = (0, 0, 0, 0, -math.inf)
    for _, _, trial in legs:
        burden = _with(burden, trial)
    return burden


def _mended(line: BentLine, places: Sequence[float], way: list[_Leg], rules: LayoutRules) -> list[_Leg]:
    """The way, with each stretch around a piece that breaks a limit done again where that makes it cheaper."""
    row = 0
    while row < len(way):
        if not way[row][2].clean:
            first, last = _around(places, way, row)
            stretch = places[bisect_left(places, way[first][0]) : bisect_left(places, way[last][1]) + 1]
            weigh = _all_trials if len(stretch) <= _EXACT_PLACES else _near_trials
            other = _best_way(line, stretch, rules, weigh)
            if _burden(other) < _burden(way[first : last + 1]):
                way[first : last + 1] = other
                last = first + len(other) - 1
            row = max(row, last)
        row += 1
    return way


def _around(places: Sequence[float], way: Sequence[_Leg], row: int) -> tuple[int, int]:
    """As many pieces to both sides of one as make up no more than :data:`_EXACT_PLACES` places; first and last row."""
    first = last = row
    grown = True
    while grown:
        grown = False
        for wider_first, wider_last in ((max(0, first - 1), last), (first, min(len(way) - 1, last + 1))):
            count = bisect_left(places, way[wider_last][1]) - bisect_left(places, way[wider_first][0]) + 1
            if (wider_first, wider_last) != (first, last) and count <= _EXACT_PLACES:
                first, last, grown = wider_first, wider_last, True
                break
    return first, last


def _all_trials(line: BentLine, places: Sequence[float], index: int, rules: LayoutRules) -> _Trials:
    """Pieces from one place to every one further on, as (index of the place, trial)."""
    ahead = _walk_ahead(line, places[index], places[-1], rules, bays_off=None)
    for reached in range(index + 1, len(places)):
        yield reached, _weigh(line, ahead, places[reached], rules)


def _near_trials(line: BentLine, places: Sequence[float], index: int, rules: LayoutRules) -> _Trials:
    """Pieces from one place to those around the first full bay that leaves the line, and back to one that does not."""
    final = len(places) - 1
    look_on = 1 if rules.fit == "end" else _LOOK_ON
    ahead = _walk_ahead(line, places[index], places[-1], rules, bays_off=look_on * _bays_to_fit(rules))
    farthest = min(final, bisect_right(places, ahead.post_m[-1] + COINCIDENT_M) - 1)
    look_back_m = (1 + look_on) * _bays_to_fit(rules) * rules.module_m
    nearest = min(farthest, bisect_left(places, ahead.post_m[-1] - look_back_m))
    nearest = max(index + 1, farthest - _MOST_BACK, min(nearest, farthest - _NEAR_TRIALS // len(places)))
    clean = False
    for reached in range(farthest, nearest - 1, -1):
        trial = _weigh(line, ahead, places[reached], rules)
        yield reached, trial
        clean = clean or trial.clean
        if clean and reached == final:
            return
    stride = 1
    while not clean and nearest > index + 1:
        nearest = max(index + 1, nearest - stride)
        stride *= 2
        trial = _weigh(line, ahead, places[nearest], rules)
        yield nearest, trial
        clean = trial.clean


def _bays_to_fit(rules: LayoutRules) -> int:
    """So many bays and more can be laid in any length that takes them at all."""
    play = rules.module_m - rules.min_bay_m
    return _WINDOW_BAYS if play * _WINDOW_BAYS < rules.module_m else math.ceil(rules.module_m / play)


def _walk_ahead(line: BentLine, start_m: float, end_m: float, rules: LayoutRules, *, bays_off: int | None) -> _Ahead:
    """Walk until a post passes the end, or for so many bays from the first that leaves the line."""
    posts, off = [start_m], [0]
    for post in line.walk(start_m, rules.module_m):
        off.append(off[-1] + _off(line, posts[-1], post, rules))
        posts.append(post)
        if bays_off is not None and off[-1]:
            bays_off -= 1
        if post > end_m + COINCIDENT_M or bays_off == 0:
            break
    return _Ahead(post_m=posts, off=off)


def _off(line: BentLine, from_m: float, to_m: float, rules: LayoutRules) -> int:
    """How far a bay leaves the line beyond the tolerance, in micrometres; the first one does not count."""
    departure_m = line.departure_m(from_m, to_m)
    return max(0, math.ceil((departure_m - rules.line_tolerance_m) * 1e6 - 1.0)) if departure_m else 0


def _weigh(line: BentLine, ahead: _Ahead, end_m: float, rules: LayoutRules) -> _Trial:
    """Weigh the piece from the post that ``ahead`` starts from to a place within its reach."""
    start_m = ahead.post_m[0]
    if not line.bends_m(start_m, end_m):
        division = divide(end_m - start_m, rules)
        return _Trial(division=division, fits=division.fits(rules), off=0)
    division = _divide(line, ahead, end_m, rules)
    walked = 0 if division.head or not division.tail else division.full
    rest = replace(division, full=division.full - walked)
    posts = [ahead.post_m[walked], *_inner_posts(line, ahead.post_m[walked], rest), end_m]
    off = sum(_off(line, start, end, rules) for start, end in pairwise(posts))
    return _Trial(division=division, fits=division.fits(rules), off=ahead.off[walked] + off)


def _divide(line: BentLine, ahead: _Ahead, end_m: float, rules: LayoutRules) -> Division:
    """The bays of a bent piece. Where no number of bays keeps ``min_bay_m``: full bays and whatever is left."""
    bays = bisect_left(ahead.post_m, end_m - MODULE_SLACK_M)
    division: Division | None = None
    if bays < len(ahead.post_m) and ahead.post_m[bays] <= end_m + MODULE_SLACK_M:
        division = _whole(line, ahead.post_m[0], end_m, bays, rules)
    else:
        length_m = (bays - 1) * rules.module_m + line.chord_m(ahead.post_m[bays - 1], end_m)
        if bays * rules.min_bay_m <= length_m + _CHORD_PLAY * rules.module_m:
            fewest = max(1, fewest_cuts(length_m, bays, rules) - 1)
            found = (
                _cut(line, ahead, end_m, arrange(bays, cuts, rules.fit), rules) for cuts in range(fewest, bays + 1)
            )
            division = next((each for each in found if each is not None and each.fits(rules)), None)
    rest_m = line.chord_m(ahead.post_m[bays - 1], end_m)
    return division or Division(head=0, full=bays - 1, tail=1, full_m=rules.module_m, cut_m=rest_m)


def _whole(line: BentLine, start_m: float, end_m: float, bays: int, rules: LayoutRules) -> Division | None:
    """A whole number of modules, the last fraction of a millimetre shared among them."""
    longest_m = rules.module_m + 2 * MODULE_SLACK_M
    full_m = line.alike_m(start_m, end_m, [(bays, None)], longest_m=longest_m)
    return None if full_m is None else Division(head=0, full=bays, tail=0, full_m=full_m)


def _cut(
    line: BentLine, ahead: _Ahead, end_m: float, arrangement: tuple[int, int, int], rules: LayoutRules
) -> Division | None:
    """Full bays, and cut bays of the one width that ends where they must; None where no width does."""
    head, full, tail = arrangement
    module = rules.module_m
    if (head, tail) == (0, 1):
        cut_m: float | None = line.chord_m(ahead.post_m[full], end_m)
    elif head == 0:
        from_m = ahead.post_m[full]
        cut_m = line.alike_m(from_m, end_m, [(tail, None)], longest_m=module)
    else:
        runs = [(head, None), (full, module), (tail, None)]
        cut_m = line.alike_m(ahead.post_m[0], end_m, runs, longest_m=module)
    return None if cut_m is None else Division(head=head, full=full, tail=tail, full_m=module, cut_m=cut_m)


def _inner_posts(line: BentLine, start_m: float, division: Division) -> list[float]:
    """The posts between the two ends of a piece."""
    head, full, tail = division.head, division.full, division.tail
    if tail:
        return line.posts_m(start_m, ((head, division.cut_m), (full, division.full_m), (tail - 1, division.cut_m)))
    return line.posts_m(start_m, ((head, division.cut_m), (full - 1, division.full_m)))


def _build(line: BentLine, start_m: float, end_m: float, division: Division, rules: LayoutRules) -> Piece:
    """The piece with these bays; where they cannot keep the narrowest, all alike, which is as wide as they can be."""
    if not line.bends_m(start_m, end_m):
        return straight_piece(start_m, end_m, rules)
    if not division.fits(rules):
        alone = _Ahead(post_m=[start_m], off=[0])
        division = _cut(line, alone, end_m, (0, 0, division.bays), rules) or division
    posts = [start_m, *_inner_posts(line, start_m, division), end_m]
    departures = [line.departure_m(start, end) for start, end in pairwise(posts)]
    return Piece(start_m=start_m, division=division, end_m=posts[1:], departure_m=departures)
