"""Columns of numbers and words, small enough to travel inside a page.

A column is written as whole numbers of its last decimal. Most columns run smoothly along a fence, so a column is
written as itself, as its differences or as the differences of these, whichever is shortest, and a column that nearly
equals another is written as what it differs by. ``columns.js`` is the way back; both ways are exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats

__all__ = ["coded", "counted", "had", "or_none", "packed", "rounded", "table", "whole_numbers"]


def packed(values: Sequence[float] | NDArray[Any], *, decimals: int = 0, near: Floats | None = None) -> dict[str, Any]:
    """One column as whole numbers of its last decimal.

    ``order`` is how many times the page must sum the numbers up from the left, zeros at the end are left out, and
    ``holes`` are the rows without a value (NaN). ``near`` is a column of whole numbers to write the difference from.

    >>> packed([1.885, 3.770, 5.655, 7.540], decimals=3)
    {'order': 2, 'values': [1885], 'decimals': 3}
    """
    whole = np.asarray(whole_numbers(values, decimals))
    holes = np.flatnonzero(np.isnan(whole))
    if near is not None:
        whole = whole - near
    numbers = _filled(whole)
    tries = [numbers]
    for _ in range(2):
        tries.append(np.diff(tries[-1], prepend=0))
    order = int(np.argmin([_text_length(numbers) for numbers in tries]))
    column: dict[str, Any] = {"order": order, "values": np.trim_zeros(tries[order], "b").tolist()}
    if len(holes):
        column["holes"] = holes.tolist()
    return column | ({"decimals": decimals} if decimals else {})


def whole_numbers(values: Sequence[float] | NDArray[Any], decimals: int) -> Floats:
    """Values counted in their last decimal; NaN stays NaN."""
    return np.rint(np.asarray(values, dtype=np.float64) * 10.0**decimals)


def _filled(whole: Floats) -> NDArray[np.int64]:
    """Whole numbers without holes: each takes the number before it, so that differences there are 0."""
    last = np.maximum.accumulate(np.where(np.isnan(whole), -1, np.arange(len(whole))))
    return np.where(last < 0, 0.0, whole[last]).astype(np.int64)


def _text_length(numbers: NDArray[np.int64]) -> int:
    """Characters that the numbers take in JSON, zeros at the end left out."""
    kept = np.trim_zeros(numbers, "b")
    digits = np.searchsorted(10 ** np.arange(1, 19, dtype=np.int64), np.abs(kept), side="right") + 1
    return int(np.sum(digits + (kept < 0) + 1))


def table(columns: dict[str, Any], wanted: tuple[tuple[str, str | None], ...]) -> dict[str, Any]:
    """The wanted columns, packed to the millimetre or a thousandth of a degree, in an order the page can follow."""
    known: dict[str, Floats] = {}
    written = {}
    for name, close in wanted:
        near = None
        if close is not None:
            first, _, second = close.partition("-")
            near = known[first] - known[second] if second else known[first]
        written[name] = packed(columns[name], decimals=3, near=near) | ({"near": close} if close else {})
        known[name] = np.nan_to_num(whole_numbers(columns[name], 3))
    return written


def had(columns: dict[str, Any], extras: tuple[tuple[str, str | None], ...]) -> tuple[tuple[str, str | None], ...]:
    """Those of the extra columns that hold a value somewhere."""
    return tuple(
        (name, close)
        for name, close in extras
        if name in columns and np.isfinite(np.asarray(columns[name], dtype=np.float64)).any()
    )


def coded(words: Sequence[str]) -> dict[str, Any]:
    """Words as a list of the different ones and a packed column of places in it."""
    known = {word: place for place, word in enumerate(dict.fromkeys(words))}
    return {"words": list(known), "codes": packed([known[word] for word in words])}


def counted(names: Sequence[str]) -> dict[str, Any]:
    """Names that count from 1 as their letter and digits; any others as they are."""
    letter, digits = names[0][:1], len(names[0]) - 1
    in_order = all(name == f"{letter}{number:0{digits}d}" for number, name in enumerate(names, 1))
    return {"letter": letter, "digits": digits} if in_order else {"list": list(names)}


def rounded(values: Floats, decimals: int) -> list[float | None]:
    """Values for JSON, to so many decimals; None for those that are no number."""
    return [None if math.isnan(value) else value for value in np.round(values, decimals).tolist()]


def or_none(value: float | None) -> float | None:
    """A value for JSON; None for one that is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)
