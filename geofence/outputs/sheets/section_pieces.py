"""A long-section cut where it would leave its paper: pieces, each above a datum level of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.options import EXAGGERATIONS

__all__ = ["ABOVE_MM", "BELOW_MM", "Piece", "fitting_exaggeration", "level_step_m", "levels_of_bays", "pieces"]

ABOVE_MM, BELOW_MM = 9.0, 5.0
"""Room above the posts for the steps' labels, and below their toes for the datum's."""
PIECE_MM = 25.0
"""Pieces are about so wide at least, where the job leaves the exaggeration open."""
LEVELS_APART_MM = 7.0
ALL_EXAGGERATIONS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, *EXAGGERATIONS)
"""Less than one only where a single bay falls farther than the paper is high."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Posts ``first`` to ``last`` of a line, drawn above ``datum_m``."""

    first: int
    last: int
    datum_m: float


def level_step_m(level_scale: float) -> float:
    """How far apart lines of equal level are drawn: a round number of metres."""
    least = LEVELS_APART_MM * level_scale / 1000
    power = 10.0 ** math.floor(math.log10(least) + 1e-9)
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least * (1 - 1e-9))


def levels_of_bays(line: FenceLine) -> Floats:
    """(n - 1, 2) the lowest and the highest level in each bay: toes, ground, tops."""
    low = np.minimum(line.toe_m, line.ground_m)
    high = np.maximum(line.top_m, line.ground_m)
    lows, highs = np.minimum(low[:-1], low[1:]), np.maximum(high[:-1], high[1:])
    at = np.clip(np.searchsorted(line.chainage_m, line.station_m, side="right") - 1, 0, len(lows) - 1)
    np.minimum.at(lows, at, line.station_level_m)
    np.maximum.at(highs, at, line.station_level_m)
    return np.column_stack([lows, highs])


def pieces(line: FenceLine, first: int, last: int, *, level_scale: float, height_mm: float) -> list[Piece]:
    """The fewest pieces of posts ``first`` to ``last`` that fit a height of paper, the last no shorter than need be."""
    levels, step_m = levels_of_bays(line), level_step_m(level_scale)

    def fits(start: int, end: int) -> bool:
        low, high = levels[start:end, 0].min(), levels[start:end, 1].max()
        return end == start + 1 or _height_mm(low, high, step_m, level_scale) <= height_mm

    ends = [first]
    while ends[-1] < last:
        end = ends[-1] + 1
        while end < last and fits(ends[-1], end + 1):
            end += 1
        ends.append(end)
    at = line.chainage_m
    while len(ends) > 2 and at[last] - at[ends[-2]] < at[ends[-2]] - at[ends[-3]] and ends[-2] - 1 > ends[-3]:
        if not fits(ends[-2] - 1, last):
            break
        ends[-2] -= 1
    return [
        Piece(first=start, last=end, datum_m=_datum_m(float(levels[start:end, 0].min()), step_m, level_scale))
        for start, end in pairwise(ends)
    ]


def _datum_m(low_m: float, step_m: float, level_scale: float) -> float:
    """The highest multiple of the step with room for a label above it."""
    return math.floor((low_m - BELOW_MM * level_scale / 1000) / step_m + 1e-9) * step_m


def _height_mm(low_m: float, high_m: float, step_m: float, level_scale: float) -> float:
    return (high_m - _datum_m(low_m, step_m, level_scale)) * 1000 / level_scale + ABOVE_MM


def fitting_exaggeration(
    lines: Sequence[FenceLine],
    wanted: float,
    *,
    section_scale: float,
    height_mm: float,
    widest: Literal["bay", "piece"],
) -> float:
    """The exaggeration wanted, or the largest below it with which all fits a height of paper.

    ``widest`` is what has to fit: every single bay, or as well, down to natural size, pieces of a fair width.
    """
    for times in (wanted, *(one for one in reversed(ALL_EXAGGERATIONS) if one < wanted)):
        scale = section_scale / times
        reach_m = PIECE_MM * section_scale / 1000 if widest == "piece" and times > 1 else 0.0
        if all(_fits(line, reach_m, level_step_m(scale), scale, height_mm) for line in lines):
            return times
    return ALL_EXAGGERATIONS[0]


def _fits(line: FenceLine, reach_m: float, step_m: float, level_scale: float, height_mm: float) -> bool:
    """Whether every stretch of about ``reach_m``, at least a bay, fits the height."""
    levels = levels_of_bays(line)
    bay_m = max(float(np.median(np.diff(line.chainage_m))), 1e-9)
    count = max(1, min(len(levels), int(reach_m / bay_m)))
    windows = np.lib.stride_tricks.sliding_window_view
    low, high = windows(levels[:, 0], count).min(axis=1), windows(levels[:, 1], count).max(axis=1)
    room_m = (height_mm - ABOVE_MM - BELOW_MM) * level_scale / 1000 - step_m
    return bool(np.all(high - low <= room_m))
