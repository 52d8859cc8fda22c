"""Grounds that are functions of the place, for tests: no file, no cells, no rounding."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.site.ground import Levels, Relief, State


class FunctionGround:
    """A ground whose level is a function of x and y in its grid; NaN where there is none."""

    files: tuple[Path, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __init__(self, crs: CRS, level: Callable[[Floats, Floats], Floats]) -> None:
        self.crs = crs
        self.level = level

    def levels(self, x: Floats, y: Floats) -> Levels:
        level = np.asarray(self.level(x, y), dtype=np.float64)
        state = np.where(np.isnan(level), State.NO_DATA, State.LEVEL).astype(np.uint8)
        return Levels(level_m=level, state=state)

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:  # noqa: ARG002
        return np.empty(0, dtype=np.int64), np.empty(0)

    def support_m(self, x: Floats, y: Floats) -> Floats:  # noqa: ARG002
        return np.full(len(x), np.nan)

    def relief(self, *_: float, cells: int) -> Relief | None:  # noqa: ARG002
        return None
