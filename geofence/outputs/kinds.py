"""Kinds of posts in the order in which a crew sets them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

__all__ = ["kinds_in_order"]

FIRST = ("existing", "end", "corner", "bend", "junction", "strainer", "gate")
LAST = "line"


def kinds_in_order(kinds: Sequence[str]) -> Iterator[tuple[str, list[int]]]:
    """Each kind that there is with the rows of its posts: those that hold the line first, those between them last.

    >>> [kind for kind, _ in kinds_in_order(["end", "line", "corner", "line", "end"])]
    ['end', 'corner', 'line']
    """
    there = set(kinds)
    words = np.array(kinds, dtype=object)
    others = sorted(there.difference(FIRST, [LAST]))
    for kind in (*FIRST, *others, LAST):
        if kind in there:
            yield kind, np.flatnonzero(words == kind).tolist()
