"""How steep the ground is along the line."""

from __future__ import annotations

import numpy as np

from geofence.engine.records import Floats
from geofence.numeric import STATION_SPACING_M

__all__ = ["steepest_deg"]


def steepest_deg(chainage_m: Floats, level_m: Floats) -> float:
    """Steepest ground between stations, degrees, unsigned; NaN where no two neighbours have a level.

    Measured over :data:`~geofence.numeric.STATION_SPACING_M` of line: stations can lie millimetres apart, where a
    seam of two surveys is no cliff. Where the chainage does not advance one run ends and the next begins.

    Parameters
    ----------
    chainage_m
        (n,) chainages that never go back.
    level_m
        (n,) levels; NaN where there is none.

    Examples
    --------
    A seam of 2 cm within a millimetre is 2 cm in a quarter of a metre, 4.6 degrees:

    >>> import numpy as np
    >>> round(steepest_deg(np.array([0.0, 1.0, 1.001, 2.0]), np.array([5.0, 5.0, 5.02, 5.02])), 1)
    4.6
    """
    steepest = [np.nan]
    for run in np.split(np.arange(len(chainage_m)), np.flatnonzero(np.diff(chainage_m) <= 0) + 1):
        own, level = chainage_m[run], level_m[run]
        if len(run) < 2:
            continue
        count = max(int(np.ceil((own[-1] - own[0]) / STATION_SPACING_M)), 1)
        at = np.linspace(own[0], own[-1], count + 1)
        # np.interp carries a NaN to all between its two neighbours, so that a gap never makes a slope
        slope = np.abs(np.diff(np.interp(at, own, level)) / np.diff(at))
        if np.isfinite(slope).any():
            steepest.append(float(np.degrees(np.arctan(np.nanmax(slope)))))
    return float(np.nanmax(steepest)) if len(steepest) > 1 else float("nan")
