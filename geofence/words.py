"""Words in messages: which of those known was meant, and names in a row."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from geofence.errors import JobError

__all__ = ["must_be_known", "nearest", "some_of"]


def nearest(word: str, known: tuple[str, ...]) -> str:
    """A half-sentence that names the known word closest to a mistyped one, or all of them.

    >>> nearest("hieght_m", ("height_m", "system"))
    'Did you mean height_m?'
    """
    close = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean {close[0]}?" if close else f"Known: {', '.join(known) or 'none'}."


def must_be_known(word: str, known: tuple[str, ...], *, place: str) -> None:
    """Raise for a word that is none of those known; ``place`` is the dotted address of what it was given for.

    Raises
    ------
    JobError
        With the word, and the known one that it may have been meant for.
    """
    if word not in known:
        raise JobError("unknown word", place=place, value=repr(word), remedy=nearest(str(word), known))


def some_of(names: Sequence[str], most: int) -> str:
    """Names in a row, no more than some.

    >>> some_of(("P001", "P002", "P003"), 2)
    'P001, P002 and 1 more'
    """
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
