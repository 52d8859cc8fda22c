"""Posts and keep-clears: the layout goes round the stretches where no post may stand, or says what would let it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np

from geofence.engine.barred import Interval, Task, merged
from geofence.engine.chords import BentLine
from geofence.engine.detour import detour
from geofence.engine.no_way import named, no_layout
from geofence.engine.records import Finding, Floats, KeepClear, LayoutRules, PostKind
from geofence.engine.spans import Piece, Row
from geofence.engine.ways_round import ways_round
from geofence.engine.web import Web
from geofence.numeric import WIDTH_TOLERANCE_M, kept_down, millimetres_up

__all__ = ["all_round_keep_clears", "barred_by", "numbered", "round_keep_clears", "standing_in", "task_of"]


@dataclass(frozen=True, slots=True)
class _Straight:
    """Bays laid off along a straight line."""

    def width(self, from_m: float, to_m: float) -> float:
        return to_m - from_m

    def ahead(self, post_m: float, width_m: float) -> float:
        return post_m + width_m

    def behind(self, post_m: float, width_m: float) -> float:
        return post_m - width_m


@dataclass(frozen=True, slots=True, eq=False)
class _Bent:
    """Bays laid off by chord along a line that bends; ``back`` is the same line from its other end."""

    line: BentLine
    back: BentLine

    def width(self, from_m: float, to_m: float) -> float:
        return self.line.chord_m(from_m, to_m)

    def ahead(self, post_m: float, width_m: float) -> float:
        return next(self.line.walk(post_m, width_m))

    def behind(self, post_m: float, width_m: float) -> float:
        both_ends_m = self.line.vertex_m[0] + self.line.vertex_m[-1]
        return both_ends_m - next(self.back.walk(both_ends_m - post_m, width_m))


def barred_by(keep_clear: Sequence[KeepClear]) -> tuple[Interval, ...]:
    """The stretches that some keep-clears bar to posts, in order and apart."""
    return merged([(each.from_m, each.to_m) for each in keep_clear])


def round_keep_clears(
    piece: Piece, line: BentLine, keep_clear: Sequence[KeepClear], rules: LayoutRules, *, from_m: float
) -> tuple[Piece, list[Finding]]:
    """A piece laid out anew where its posts stand in keep-clears, with a finding that says so or why it cannot be.

    ``from_m`` is the chainage that messages give to the line's start.
    """
    near = _near(piece, keep_clear)
    task = task_of(piece, line, barred_by(near), rules)
    if not any(map(task.barred_at, task.wanted_m)) or not piece.division.fits(rules):
        return piece, []
    found = detour(task)
    laid = None if found is None else _laid(task, found.post_m, line)
    if found is None or laid is None or not _within(laid, task):
        return piece, []
    if found.stopped_at_m:
        return laid, no_layout(task, found.post_m, found.stopped_at_m, near, from_m=from_m)
    return laid, [_avoided(task, _barring(task, near), laid, "elsewhere than they would")]


def task_of(piece: Piece, line: BentLine, barred: tuple[Interval, ...], rules: LayoutRules) -> Task:
    """What is to be laid out anew from a piece's first post to its last."""
    end_m = piece.end_m[-1]
    full_m = [
        width for width, kind in zip(piece.division.widths_m, piece.division.kinds, strict=True) if kind == "full"
    ]
    module_m = full_m[0] if full_m else rules.module_m
    return Task(
        start_m=piece.start_m,
        end_m=end_m,
        module_m=module_m,
        min_bay_m=rules.min_bay_m,
        barred=barred,
        wanted_m=tuple(piece.end_m[:-1]),
        cuts_count=0 if rules.fit == "equal" else 1,
        ruler=_Bent(line, line.reversed()) if line.bends_m(piece.start_m, end_m) else _Straight(),
        slack_m=max(0.0, rules.module_m - module_m),
    )


def _laid(task: Task, post_m: Sequence[float], line: BentLine) -> Piece:
    bays = list(pairwise(post_m))
    return Piece(
        start_m=task.start_m,
        division=Row(widths_m=[task.ruler.width(*bay) for bay in bays], full_m=task.module_m),
        end_m=list(post_m[1:]),
        departure_m=[line.departure_m(*bay) for bay in bays],
    )


def _within(piece: Piece, task: Task) -> bool:
    """Whether all widths are allowed: on a line that turns back within a bay they may not be."""
    narrowest, widest = task.min_bay_m - 2 * WIDTH_TOLERANCE_M, task.widest_m + 2 * WIDTH_TOLERANCE_M
    return all(narrowest <= width <= widest for width in piece.division.widths_m)


def _is_wanted(task: Task, post_m: float) -> bool:
    """Whether a post stands where one would without keep-clears."""
    row = bisect_left(task.wanted_m, post_m - WIDTH_TOLERANCE_M)
    return row < len(task.wanted_m) and task.wanted_m[row] <= post_m + WIDTH_TOLERANCE_M


def all_round_keep_clears(web: Web, keep_clear: Sequence[KeepClear], rules: LayoutRules) -> tuple[Web, int] | None:
    """All layouts of a piece that are clear and as good as any, and how many posts of each are moved.

    A post is moved where none of the web's layouts has one. None where every layout has a post in a keep-clear.
    """
    (template,) = web.templates
    piece = template.piece
    near = _near(piece, keep_clear)
    task = replace(task_of(piece, template.line, barred_by(near), rules), wanted_m=web.inner_posts_m())
    found = ways_round(task, replace(template, says=partial(_moved, task, near)))
    if found is None:
        return None
    found = found.with_own_piece()
    return found, sum(not _is_wanted(task, post) for post in found.templates[0].piece.end_m[:-1])


def _near(piece: Piece, keep_clear: Sequence[KeepClear]) -> list[KeepClear]:
    return [each for each in keep_clear if each.to_m > piece.start_m and each.from_m < piece.end_m[-1]]


def _beside_moved(task: Task, keep_clear: Sequence[KeepClear], piece: Piece) -> list[KeepClear]:
    """Those that bar a wanted post, with moved posts between the posts before and after that are not moved."""
    moved = [post for post in piece.end_m[:-1] if not _is_wanted(task, post)]
    stay = sorted({task.start_m, *piece.end_m}.difference(moved))

    def moves(each: KeepClear) -> bool:
        before = stay[max(bisect_right(stay, each.from_m) - 1, 0)]
        after = stay[min(bisect_left(stay, each.to_m), len(stay) - 1)]
        return any(before < post < after for post in moved)

    return [each for each in _barring(task, keep_clear) if moves(each)]


def _barring(task: Task, keep_clear: Sequence[KeepClear]) -> list[KeepClear]:
    """Those in which posts are wanted."""
    posts = task.wanted_m
    return [each for each in keep_clear if bisect_right(posts, each.from_m) < bisect_left(posts, each.to_m)]


def _moved(task: Task, near: Sequence[KeepClear], piece: Piece) -> list[Finding]:
    """What is to be said of one of all layouts round some keep-clears."""
    found = _avoided(task, _beside_moved(task, near, piece), piece, "where no order of the bays has one")
    return [found] if found.value else []


def _avoided(task: Task, touched: Sequence[KeepClear], piece: Piece, where: str) -> Finding:
    """``posts`` are counted from the first of them, which :func:`numbered` knows the row of."""
    moved = [row for row, post in enumerate(piece.end_m[:-1]) if not _is_wanted(task, post)]
    moved_m = [piece.end_m[row] for row in moved]
    cuts = piece.division.kinds.count("cut")
    return Finding(
        code="keep-clear-avoided",
        severity="note",
        message=f"To keep posts clear of {named(touched)}, {_counted(len(moved_m), 'post stands', 'posts stand')} "
        f"{where}; {_counted(cuts, 'bay is', 'bays are')} cut on this stretch",
        remedy="Have it located on the ground before anybody digs.",
        chainage_m=min(moved_m, default=piece.start_m),
        chainage_to_m=max(moved_m, default=piece.end_m[-1]),
        value=float(len(moved)),
        unit="post" if len(moved) == 1 else "posts",
        posts=tuple(row - moved[0] for row in moved),
    )


def numbered(findings: Sequence[Finding], post_m: Floats) -> Iterator[Finding]:
    """Findings of posts that were moved, with the rows of these among all posts; others as they are."""
    for finding in findings:
        if not finding.posts or finding.chainage_m is None:
            yield finding
            continue
        first = int(np.argmin(np.abs(post_m - finding.chainage_m)))
        rows = tuple(first + row for row in finding.posts)
        yield replace(finding, post=rows[0], posts=rows)


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def standing_in(post_m: Floats, kinds: Sequence[PostKind], keep_clear: Sequence[KeepClear]) -> Iterator[Finding]:
    """A finding for each post in each keep-clear."""
    barred = barred_by(keep_clear)
    for each in keep_clear:
        inside = (post_m > each.from_m + WIDTH_TOLERANCE_M) & (post_m < each.to_m - WIDTH_TOLERANCE_M)
        for post in np.flatnonzero(inside).tolist():
            at, kind = float(post_m[post]), kinds[post]
            way = _way_out(barred, at)
            yield _exists_in(each, post, at, way) if kind == "existing" else _stands_in(each, post, at, kind, way)


def _way_out(barred: Sequence[Interval], at_m: float) -> str:
    """How far along the line a post would be clear of all that it stands in."""
    start, end = next((start, end) for start, end in barred if start < at_m < end)
    return (
        f"Along the line it would be clear {millimetres_up(at_m - start):.3f} m back or "
        f"{millimetres_up(end - at_m):.3f} m on"
    )


@dataclass(frozen=True, slots=True)
class _Off:
    """How far a post stands from what is kept clear of, and how far it should; None where that is not known."""

    what: str
    value: float | None
    limit: float | None

    @classmethod
    def of(cls, keep_clear: KeepClear, at_m: float) -> _Off:
        apart = None if keep_clear.apart_m is None else keep_clear.apart_m(at_m)
        return cls(named([keep_clear]), apart, keep_clear.limit_m)

    def __str__(self) -> str:
        if self.value is None or self.limit is None:
            return f"where none may, near {self.what}"
        where = f"{kept_down(self.value):.3f} m from {self.what}" if self.value else f"in {self.what} as drawn"
        kept = f"; {self.limit:.3f} m must stay between that and its centre" if self.limit else ", where none may"
        return f"{where}{kept}"

    @property
    def unit(self) -> str:
        return "" if self.value is None else "m"


def _stands_in(keep_clear: KeepClear, post: int, at_m: float, kind: PostKind, way: str) -> Finding:
    off = _Off.of(keep_clear, at_m)
    return Finding(
        code="post-in-keep-clear",
        severity="stop",
        message=f"The {'post' if kind == 'line' else f'{kind} post'} stands {off}",
        remedy=f"{way}; or ask whoever set the distance.",
        chainage_m=at_m,
        post=post,
        value=off.value,
        limit=off.limit,
        unit=off.unit,
    )


def _exists_in(keep_clear: KeepClear, post: int, at_m: float, way: str) -> Finding:
    off = _Off.of(keep_clear, at_m)
    return Finding(
        code="existing-post-in-keep-clear",
        severity="warn",
        message=f"The existing post stands {off}; it is kept, and not dug for",
        remedy="Ask whoever set the distance before anybody works at it; or draw it, and leave it out of the file. "
        f"{way}.",
        chainage_m=at_m,
        post=post,
        value=off.value,
        limit=off.limit,
        unit=off.unit,
    )
