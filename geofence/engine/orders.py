"""Bays between two posts in every order of full and cut ones, as a web; the cut bays of one layout are alike.

Where the line is straight, a post's place follows from the numbers of full and cut bays before it, so with k cut bays
among n there are at most k + 1 places after each number of bays, and the ways between these places are all the orders.

Where the line bends, a post's place follows from the order of the bays before it, and the width of the cut bays from
the order of all. There each order is walked by chord by itself; where that would be more than :data:`MOST_BAYS`, the
cut bays stand side by side, with full bays walked from both ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, groupby, islice, pairwise
from math import comb

import numpy as np

from geofence.engine.chords import BentLine
from geofence.engine.records import Floats
from geofence.engine.weaving import Weaver
from geofence.engine.web import Template, Web
from geofence.numeric import WIDTH_TOLERANCE_M

__all__ = ["every_order"]

MOST_BAYS = 1_500
"""Of all orders of a stretch that bends: a hundredth of a second of walking."""


def every_order(
    template: Template, ends_m: tuple[float, float], *, cuts: int, full: int, full_m: float, narrowest_m: float
) -> Web | None:
    """The layouts between two posts with so many bays, on the line of a template.

    None where none has cut bays from ``narrowest_m`` to ``full_m``: on a line that bends all depends on the order.
    """
    if not cuts:
        return _full(template, ends_m, full=full, full_m=full_m)
    if not template.line.bends_m(*ends_m):
        cut_m = (ends_m[1] - ends_m[0] - full * full_m) / cuts
        allowed = narrowest_m - WIDTH_TOLERANCE_M <= cut_m <= full_m + WIDTH_TOLERANCE_M
        return _straight(template, ends_m, cuts=cuts, full=full, cut_m=cut_m, full_m=full_m) if allowed else None
    if cuts == 1 or comb(cuts + full, cuts) * (cuts + full) > MOST_BAYS:
        return _side_by_side(template, ends_m, cuts=cuts, full=full, full_m=full_m, narrowest_m=narrowest_m)
    return _each(template, ends_m, cuts=cuts, full=full, full_m=full_m, narrowest_m=narrowest_m)


def _full(template: Template, ends_m: tuple[float, float], *, full: int, full_m: float) -> Web | None:
    weaver = Weaver(template, full)
    posts = [ends_m[0], *template.line.posts_m(ends_m[0], ((full, full_m),))]
    if abs(posts[-1] - ends_m[1]) > 2 * WIDTH_TOLERANCE_M:
        return None
    posts[-1] = ends_m[1]
    for layer, (start_m, end_m) in enumerate(pairwise(posts)):
        weaver.bay(layer, weaver.post(layer, "", start_m), weaver.post(layer + 1, "", end_m), full_m)
    return weaver.web()


def _straight(
    template: Template, ends_m: tuple[float, float], *, cuts: int, full: int, cut_m: float, full_m: float
) -> Web:
    start_m, end_m = ends_m
    place = start_m + cut_m * np.arange(cuts + 1.0)[:, None] + full_m * np.arange(full + 1.0)
    place[-1, -1] = end_m
    return _grid(template, place, np.full(full + 1, cut_m), full_m, full_after=range(cuts + 1))


def _grid(template: Template, place_m: Floats, cut_m: Floats, full_m: float, *, full_after: Sequence[int]) -> Web:
    """Rows of bays as ways over a grid.

    ``place_m`` (cuts + 1, full + 1): where so many of each lead; ``cut_m`` (full + 1,): width of cut bays after so many
    full ones; ``full_after``: numbers of cut bays after which full ones may come.
    """
    cuts, full = place_m.shape[0] - 1, place_m.shape[1] - 1
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
        width_m=np.concatenate([cut_m[(layer - cut)[by_cut]], np.full(len(by_full), full_m)]),
        layer=layer[come],
        come=row[come],
        go=after - fewest[layer[come] + 1],
        posts=posts,
    )


def _side_by_side(
    template: Template, ends_m: tuple[float, float], *, cuts: int, full: int, full_m: float, narrowest_m: float
) -> Web | None:
    """The layouts with the cut bays side by side, full bays walked by chord from both ends."""
    line, (start_m, end_m) = template.line, ends_m
    both_ends_m = line.vertex_m[0] + line.vertex_m[-1]
    ahead = [start_m, *islice(line.walk(start_m, full_m), full)]
    walked = islice(line.reversed().walk(both_ends_m - end_m, full_m), full)
    back = [*[both_ends_m - post for post in walked][::-1], end_m]
    place, cut_m = np.full((cuts + 1, full + 1), np.nan), np.full(full + 1, np.nan)
    place[0], place[-1] = ahead, back
    for row, between in enumerate(zip(ahead, back, strict=True)):
        width = _alike(line, between, [(cuts, None)], narrowest_m=narrowest_m, full_m=full_m)
        if width is not None:
            cut_m[row] = width
            place[1:-1, row] = line.posts_m(between[0], ((cuts - 1, width),))
    web = _grid(template, place, cut_m, full_m, full_after=(0, cuts))
    return web.through(np.isfinite(web.start_m + web.end_m + web.width_m))


def _each(
    template: Template, ends_m: tuple[float, float], *, cuts: int, full: int, full_m: float, narrowest_m: float
) -> Web | None:
    """Each order walked by itself. Full bays at either end of it stand where they do in other orders."""
    line, bays, weaver = template.line, cuts + full, Weaver(template, cuts + full)
    for at in combinations(range(bays), cuts):
        kinds = [row in at for row in range(bays)]
        runs = [(len(list(same)), None if cut else full_m) for cut, same in groupby(kinds)]
        width = _alike(line, ends_m, runs, narrowest_m=narrowest_m, full_m=full_m)
        if width is None:
            continue
        chords = [(count, width if chord is None else chord) for count, chord in runs]
        posts = [ends_m[0], *line.posts_m(ends_m[0], chords)[:-1], ends_m[1]]
        first, last = at[0], at[-1]
        rows = [
            weaver.post(layer, "ahead" if layer <= first else "back" if layer > last else at, post)
            for layer, post in enumerate(posts)
        ]
        for layer, cut in enumerate(kinds):
            weaver.bay(layer, rows[layer], rows[layer + 1], width if cut else full_m)
    return weaver.web() if weaver.bays else None


def _alike(
    line: BentLine,
    ends_m: tuple[float, float],
    runs: Sequence[tuple[int, float | None]],
    *,
    narrowest_m: float,
    full_m: float,
) -> float | None:
    """The width of the cut bays of an order; None where it is not an allowed one."""
    start_m, end_m = ends_m
    if end_m <= start_m:
        return None
    width = line.chord_m(*ends_m) if runs == [(1, None)] else line.alike_m(*ends_m, runs, longest_m=full_m)
    return width if width is not None and narrowest_m - WIDTH_TOLERANCE_M <= width <= full_m else None
