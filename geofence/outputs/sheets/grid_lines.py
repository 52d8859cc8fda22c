"""Lines of the grid on a plan: where they cross, and what they are called."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.sheets.drawing_signs import round_steps

__all__ = ["crossings", "grid_step", "line_name"]

APART_MM = 50.0
"""Lines of the grid are about so far apart on paper: a ruler reaches from one to the next."""


def grid_step(scale: float, unit_m: float) -> float:
    """Distance of the grid's lines, in its units."""
    return round_steps(APART_MM * scale / 1000 / unit_m * 1.001)


def crossings(corners: Floats, step: float) -> Iterator[tuple[float, float]]:
    """Eastings and northings at which lines of the grid cross, in the upright box about some corners."""
    low = np.ceil(corners.min(axis=0) / step - 1e-9)
    high = np.floor(corners.max(axis=0) / step + 1e-9)
    for east in np.arange(low[0], high[0] + 1):
        for north in np.arange(low[1], high[1] + 1):
            yield float(east * step), float(north * step)


def line_name(value: float, letter: str, step: float) -> str:
    """What a line of the grid is called: its coordinate and which one that is.

    >>> line_name(413250.0, "E", 50.0), line_name(12.5, "N", 0.5)
    ('413250 E', '12.5 N')
    """
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return f"{value:.{decimals}f} {letter}"
