"""Numbers of LandXML: points as northing, easting, level, between blanks or commas, and what ids stand for."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats

__all__ = ["Misfit", "place_of", "point_list", "points_of", "rows_of", "whole_numbers"]

Ints = NDArray[np.int64]

PLACE = "northing, easting and perhaps a level"

DIGITS_MAX = 18
"""Whole numbers of more digits may not fit 64 bits."""

TABLE_PLAY = 1000
"""Ids up to so far beyond the count of points are looked up in a table; sparser ones are searched for."""


class Misfit(ValueError):  # noqa: N818
    """What stands in one row is not what it must be.

    ``row`` counts from 0, ``element`` names the element that each row is.
    """

    def __init__(self, row: int, message: str, *, element: str = "P") -> None:
        super().__init__(message)
        self.row, self.element = row, element


def points_of(texts: Sequence[str], *, width: int = 3) -> Floats:
    """(n, width) numbers of n texts that hold one point each; raises Misfit.

    Between the numbers of a point stand blanks, or commas throughout: a decimal comma cannot pass for a delimiter.

    >>> points_of(["200 100 7", "201.5,100,7.25"]).tolist()
    [[200.0, 100.0, 7.0], [201.5, 100.0, 7.25]]
    """
    joined = " nan ".join(texts)
    if "," not in joined or all(text.count(",") in (0, width - 1) for text in texts):
        # a NaN behind each point, so that a number too few here and one too many there cannot make up for each other
        values = _parsed(f"{joined.replace(',', ' ')} nan", np.float64)
        if values is not None and len(values) == len(texts) * (width + 1):
            table = values.reshape(-1, width + 1)
            if np.isfinite(table[:, :width]).all():
                return table[:, :width]
    for row, text in enumerate(texts):
        fault = _fault(text, width)
        if fault:
            raise Misfit(row, fault)
    return np.zeros((0, width))


def point_list(text: str, *, width: int) -> Floats:
    """(n, width) numbers of one text that holds many points one after the other; raises Misfit.

    >>> point_list("200 100 7 201 100 8", width=3).tolist() == point_list("200,100,7 201,100,8", width=3).tolist()
    True
    """
    groups = text.split()
    if any("," in group.strip(",") for group in groups):
        return points_of(groups, width=width) if groups else np.zeros((0, width))
    fields = text.replace(",", " ").split()
    if len(fields) % width:
        raise Misfit(len(fields) // width, f"{len(fields)} numbers are no multiple of {width}")
    return points_of([" ".join(fields[at : at + width]) for at in range(0, len(fields), width)], width=width)


def place_of(text: str) -> tuple[float, ...]:
    """Northing, easting, and level where there is one; raises Misfit.

    >>> place_of("200 100 7"), place_of("200,100")
    ((200.0, 100.0, 7.0), (200.0, 100.0))
    """
    commas = text.count(",")
    width = commas + 1 if commas else len(text.split())
    if width not in (2, 3):
        raise Misfit(0, f"{width} numbers stand where {PLACE} must")
    try:
        return tuple(points_of([text], width=width)[0].tolist())
    except Misfit as misfit:
        raise Misfit(0, f"{misfit}: {PLACE}") from None


def _parsed(text: str, kind: type[np.float64] | type[np.int64]) -> NDArray[Any] | None:
    """All numbers of a text; None where it holds something else."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(text, dtype=kind, sep=" ")
        except (DeprecationWarning, ValueError):
            return None


def _fault(text: str, width: int) -> str:
    """What is wrong with the text of one point; empty where nothing is."""
    fields = text.split(",") if "," in text else text.split()
    for field in fields:
        try:
            number = float(field)
        except ValueError:
            return f"{field.strip()!r} is no number"
        if not np.isfinite(number):
            return f"{field.strip()!r} is no number"
    if len(fields) != width:
        return f"{len(fields)} numbers stand where {width} must"
    return ""


def whole_numbers(texts: Sequence[str], *, width: int) -> Ints | None:
    """(n, width) of n texts with so many whole numbers each, none negative; None where they are not that."""
    joined = " -1 ".join(texts).replace(",", " ")
    values = _parsed(f"{joined} -1", np.int64)
    if values is None or len(values) != len(texts) * (width + 1):
        return None
    table = values.reshape(-1, width + 1)
    sound = (table[:, :width] >= 0).all() and table.max() < 10**DIGITS_MAX
    return table[:, :width].astype(np.int64) if sound else None


def rows_of(ids: Ints | Sequence[str], corners: Ints | Sequence[Sequence[str]]) -> Ints:
    """(m, 3) rows of the points that corners name by their ids; raises Misfit with the row of the corners."""
    if not isinstance(ids, np.ndarray) or not isinstance(corners, np.ndarray):
        return _rows_by_name([str(name) for name in ids], corners)
    if len(ids) and ids.max() < len(ids) * 4 + TABLE_PLAY:
        table = np.full(int(ids.max()) + 1, -1, dtype=np.int64)
        table[ids] = np.arange(len(ids))
        rows = table.take(corners, mode="clip")
        rows[corners >= len(table)] = -1
    else:
        order = np.argsort(ids, kind="stable")
        place = np.minimum(np.searchsorted(ids[order], corners), max(len(ids) - 1, 0))
        rows = order[place] if len(ids) else np.full(corners.shape, -1)
        rows[ids[rows] != corners] = -1
    stray = np.flatnonzero((rows < 0).any(axis=1))
    if len(stray):
        raise _missing(int(stray[0]), int(corners[stray[0]][rows[stray[0]] < 0][0]))
    return rows


def _rows_by_name(ids: Sequence[str], corners: Ints | Sequence[Sequence[str]]) -> Ints:
    known = {name: row for row, name in enumerate(ids)}
    try:
        flat = [known[str(name)] for name in chain.from_iterable(corners)]
    except KeyError:
        row, names = next(
            (row, names) for row, names in enumerate(corners) if any(str(name) not in known for name in names)
        )
        raise _missing(row, next(name for name in names if str(name) not in known)) from None
    return np.array(flat, dtype=np.int64).reshape(-1, 3)


def _missing(row: int, name: object) -> Misfit:
    return Misfit(row, f"a face has the corner {name}, and no point has that id", element="F")
