"""Texts on a drawing: which way they are turned, and how much room they take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats

__all__ = ["LETTER_WIDTH", "axes", "readable", "second_row", "side_by_side"]

LETTER_WIDTH = 0.75
"""Of a letter's height: more than figures and small letters take in any common font."""

_MOST_STEPS = 20
"""Of half a letter's height each: texts crowded more than that lie on each other."""

_FLAT_FROM_DEG, _FLAT_TO_DEG = -80.0, 100.0
"""Texts turned so far read from left to right, or upward."""


def readable(turn_deg: Floats) -> Floats:
    """Turns of texts, or half a turn more where they would stand on their head; on end, they are read upward."""
    turn_deg = (turn_deg - _FLAT_FROM_DEG) % 360 + _FLAT_FROM_DEG
    return np.where(turn_deg > _FLAT_TO_DEG, turn_deg - 180, turn_deg)


def axes(turn_deg: Floats) -> tuple[Floats, Floats]:
    """(n, 2) of texts that are turned, the directions along their line and up from it."""
    turn = np.radians(turn_deg)
    return np.column_stack([np.cos(turn), np.sin(turn)]), np.column_stack([-np.sin(turn), np.cos(turn)])


def second_row(gaps: Floats, least: float) -> NDArray[np.bool_]:
    """(n + 1,) which of some names one beside the other stand in a second row, with these gaps (n,) between them.

    A name nearer than ``least`` to the one before does, if that one stands in the first row.

    >>> second_row(np.array([2.0, 0.5, 0.5, 2.0, 0.5]), 1.0)
    array([False, False,  True, False, False,  True])
    """
    near = np.concatenate([[False], gaps < least])
    rows = np.arange(len(near))
    return np.asarray((rows - np.maximum.accumulate(np.where(near, 0, rows))) % 2 == 1)


def side_by_side(at: Floats, along: Floats, texts: Sequence[str], height: float) -> Floats:
    """(n, 2) where texts begin that would begin at places (n, 2) and run along directions (n, 2), of length 1.

    One that would run into another before it moves on along its direction, by as little as it takes.

    >>> east = np.tile([1.0, 0.0], (3, 1))
    >>> side_by_side(np.zeros((3, 2)), east, ["12", "3", "4"], 1.0)[:, 0].tolist()
    [0.0, 3.0, 5.0]
    """
    taken: set[tuple[float, ...]] = set()
    found = []
    for place, way, text in zip(at, along, texts, strict=True):
        reach = np.arange(0.0, len(text) * LETTER_WIDTH * height + height / 2, height / 2)[:, None]
        for step in range(_MOST_STEPS):
            begin = place + way * (step * height / 2)
            cells = set(map(tuple, np.rint((begin + way * reach) / height).tolist()))
            if not cells & taken:
                break
        taken |= cells
        found.append(begin)
    return np.array(found).reshape(-1, 2)
