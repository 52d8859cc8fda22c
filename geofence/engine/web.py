"""Layouts that share posts, as a web of bays.

Every layout in a web has equally many bays, from the web's first post to its last. Layer t holds bay t of all of them:
a bay runs from one of the posts before its layer to one of the posts after it, and two layouts that put a post in one
place after equally many bays share it. So the layouts are the ways through the web, and there can be many more of them
than bays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from geofence.engine.barred import Interval
from geofence.engine.chords import BentLine
from geofence.engine.records import Finding, Floats, Ints
from geofence.engine.spans import Piece, Row
from geofence.numeric import WIDTH_TOLERANCE_M

__all__ = ["Template", "Web", "in_series", "side_by_side"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Template:
    """What a stretch of a web is made of: one layout of it, its line, and what is to be said of the one chosen."""

    piece: Piece
    line: BentLine
    says: Callable[[Piece], Sequence[Finding]] = lambda _: ()

    def laid(self, end_m: Floats, width_m: Floats) -> Piece:
        """The stretch with bays that end there."""
        if len(end_m) == len(self.piece.end_m) and np.abs(end_m - self.piece.end_m).max() <= WIDTH_TOLERANCE_M:
            return self.piece
        ends = [*end_m[:-1].tolist(), self.piece.end_m[-1]]
        starts = [self.piece.start_m, *ends[:-1]]
        return replace(
            self.piece,
            division=Row(widths_m=width_m.tolist(), full_m=self.piece.division.full_m),
            end_m=ends,
            departure_m=[self.line.departure_m(start, end) for start, end in zip(starts, ends, strict=True)],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Web:
    """Layouts that share posts.

    Attributes
    ----------
    start_m, end_m, width_m
        (e,) chainages and width of each bay, layer after layer; within a layer in the order of the posts that they end
        at, and of those that end at one post the narrowest first.
    layer
        (e,) int64 layer of each bay.
    come, go
        (e,) int64 rows of the posts that it runs between: among those before the layer, and among those after it.
    posts
        (n + 1,) int64 how many posts there are before each layer, and after the last; 1 at both ends.
    stretch
        (e,) int64 row in ``templates``.
    templates
        What its stretches are made of.
    """

    start_m: Floats
    end_m: Floats
    width_m: Floats
    layer: Ints
    come: Ints
    go: Ints
    posts: Ints
    stretch: Ints
    templates: tuple[Template, ...]

    @classmethod
    def of(
        cls, template: Template, post_m: Floats, width_m: Floats, layer: Ints, come: Ints, go: Ints, posts: Ints
    ) -> Web:
        """The web of one stretch. ``post_m``: chainages of all posts, those before each layer after one another."""
        offset = _offsets(posts)
        return cls(
            start_m=post_m[offset[layer] + come],
            end_m=post_m[offset[layer + 1] + go],
            width_m=width_m,
            layer=layer,
            come=come,
            go=go,
            posts=posts,
            stretch=np.zeros(len(layer), dtype=np.int64),
            templates=(template,),
        )._in_order()

    @classmethod
    def fixed(cls, template: Template) -> Web:
        """The web of the template alone."""
        layer = np.arange(len(template.piece.end_m))
        alone = np.zeros(len(layer), dtype=np.int64)
        return cls.of(
            template,
            np.array([template.piece.start_m, *template.piece.end_m]),
            np.array(template.piece.division.widths_m),
            layer,
            alone,
            alone,
            np.ones(len(layer) + 1, dtype=np.int64),
        )

    @property
    def layers(self) -> int:
        return len(self.posts) - 1

    @cached_property
    def offset(self) -> Ints:
        """(n + 1,) int64 where each layer's bays begin."""
        return np.asarray(np.searchsorted(self.layer, np.arange(self.layers + 1)), dtype=np.int64)

    @property
    def first_to_posts(self) -> Ints:
        """(posts but the first,) int64 row of the first bay that ends at each post."""
        return np.flatnonzero(np.diff(self.layer, prepend=-1) | np.diff(self.go, prepend=-1))

    @property
    def one_way(self) -> bool:
        """Whether there is but one layout."""
        return len(self.layer) == self.layers

    def clear_of(self, barred: Sequence[Interval]) -> Web | None:
        """The layouts with no post in the barred stretches, which are in order and apart. None where there is none.

        The first and the last post stand wherever they are.
        """
        if not barred:
            return self
        start, end = np.array(barred).T
        at = np.searchsorted(start, self.end_m, side="right") - 1
        inside = (self.end_m > start[at] + WIDTH_TOLERANCE_M) & (self.end_m < end[at] - WIDTH_TOLERANCE_M)
        return self.through(~inside | (at < 0) | (self.layer == self.layers - 1))

    def through(self, allowed: Flags) -> Web | None:
        """The layouts of allowed bays only; ``allowed`` (e,). None where there is none."""
        offset = _offsets(self.posts)
        first, last = offset[self.layer] + self.come, offset[self.layer + 1] + self.go
        ahead = _reached(allowed, first, last, self.offset, start=0, posts=int(offset[-1]))
        kept = allowed & ahead[first]
        back = _reached(kept, last, first, self.offset, start=int(offset[-1]) - 1, posts=int(offset[-1]))
        kept &= back[last]
        if not kept.any():
            return None
        used = ahead & back
        row = np.cumsum(used) - 1
        before = _offsets(np.add.reduceat(used, offset[:-1]).astype(np.int64))
        web = self._taken(kept)
        return replace(
            web,
            come=row[first[kept]] - before[web.layer],
            go=row[last[kept]] - before[web.layer + 1],
            posts=np.diff(before),
        )

    def least(self, cost: Ints) -> Web:
        """The layouts whose bays cost least in all; ``cost`` (e,) int64, none below 0."""
        offset = _offsets(self.posts)
        first, last = offset[self.layer] + self.come, offset[self.layer + 1] + self.go
        ahead, back = (np.full(int(offset[-1]), np.iinfo(np.int64).max // 4) for _ in range(2))
        ahead[0] = back[-1] = 0
        for layer in range(self.layers):
            there, here = (slice(*self.offset[at : at + 2]) for at in (layer, self.layers - layer - 1))
            np.minimum.at(ahead, last[there], ahead[first[there]] + cost[there])
            np.minimum.at(back, first[here], back[last[here]] + cost[here])
        return self.through(ahead[first] + cost + back[last] == ahead[-1]) or self

    def with_own_piece(self) -> Web:
        """The same with one of its layouts as its template's; the web of one stretch."""
        ((_, piece),) = self.laid(self.any_way())
        return replace(self, templates=(replace(self.templates[0], piece=piece),))

    def inner_posts_m(self) -> tuple[float, ...]:
        """Chainages of all posts but the first and the last, in order; those closer than a width can tell are one."""
        posts = np.unique(self.end_m[self.layer < self.layers - 1])
        return tuple(posts[np.diff(posts, prepend=-np.inf) > WIDTH_TOLERANCE_M].tolist())

    def any_way(self) -> Ints:
        """(n,) rows of the bays of one layout."""
        bays, post = [], 0
        for layer in reversed(range(self.layers)):
            first = int(self.offset[layer])
            bay = first + int(np.argmax(self.go[first : self.offset[layer + 1]] == post))
            bays.append(bay)
            post = int(self.come[bay])
        return np.array(bays[::-1])

    def laid(self, bays: Ints) -> Iterator[tuple[int, Piece]]:
        """The pieces of one layout, (n,) rows of its bays, each with the row of its template."""
        for stretch, rows in groupby(bays.tolist(), key=self.stretch.tolist().__getitem__):
            at = np.array(list(rows))
            yield stretch, self.templates[stretch].laid(self.end_m[at], self.width_m[at])

    def _taken(self, rows: Flags | Ints) -> Web:
        columns = {name: getattr(self, name)[rows] for name in _COLUMNS}
        return replace(self, **columns)

    def _in_order(self) -> Web:
        return self._taken(np.lexsort((self.width_m, self.go, self.layer)))


_COLUMNS = tuple(item.name for item in fields(Web) if item.name not in ("posts", "templates"))


def in_series(webs: Sequence[Web]) -> Web:
    """Layouts of several stretches one after the other; each web ends where the next begins."""
    return replace(
        _joined(webs, layers=_offsets(np.array([web.layers for web in webs]))),
        posts=np.concatenate([np.ones(1, dtype=np.int64), *(web.posts[1:] for web in webs)]),
    )


def side_by_side(webs: Sequence[Web]) -> Web:
    """Layouts of several webs with equally many layers, from one first post to one last."""
    inner = np.array([web.posts for web in webs])
    inner[:, [0, -1]] = 0
    before = np.cumsum(inner, axis=0) - inner
    web = _joined(webs, layers=np.zeros(len(webs), dtype=np.int64))
    row = np.repeat(np.arange(len(webs)), [len(each.layer) for each in webs])
    return replace(
        web,
        come=web.come + before[row, web.layer],
        go=web.go + before[row, web.layer + 1],
        posts=np.maximum(inner.sum(axis=0), 1),
    )._in_order()


def _joined(webs: Sequence[Web], layers: Ints) -> Web:
    """The bays of several webs, each web's layers counted on from a number."""
    columns = {name: np.concatenate([getattr(web, name) for web in webs]) for name in _COLUMNS}
    bays = [len(web.layer) for web in webs]
    stretches = _offsets(np.array([len(web.templates) for web in webs]))
    columns["layer"] += np.repeat(layers[: len(webs)], bays)
    columns["stretch"] += np.repeat(stretches[:-1], bays)
    return Web(**columns, posts=webs[0].posts, templates=tuple(each for web in webs for each in web.templates))


def _reached(allowed: Flags, first: Ints, last: Ints, offset: Ints, *, start: int, posts: int) -> Flags:
    """Which posts allowed bays lead to from a start, the web's first post or its last; (posts,)."""
    reached = np.zeros(posts, dtype=bool)
    reached[start] = True
    layers = [slice(a, b) for a, b in zip(offset[:-1].tolist(), offset[1:].tolist(), strict=True)]
    for bays in layers if start == 0 else layers[::-1]:
        reached[last[bays][allowed[bays] & reached[first[bays]]]] = True
    return reached


def _offsets(count: Ints) -> Ints:
    return np.concatenate([[0], np.cumsum(count)])
