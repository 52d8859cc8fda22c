"""Places on the globe: how finely they are written, and longitudes on one turn of it."""

from __future__ import annotations

import numpy as np

from geofence.engine.records import Floats

__all__ = ["PLACE_DECIMALS", "beside", "unwound"]

PLACE_DECIMALS = 9
"""Of a degree: 0.1 mm on the ground, as RFC 7946 files of this package have it."""


def unwound(lon_deg: Floats) -> Floats:
    """Longitudes without the jump at 180 degrees."""
    return np.unwrap(lon_deg, period=360.0)


def beside(lon_deg: Floats, other_deg: float) -> Floats:
    """Longitudes on the turn of the globe nearest to another."""
    return lon_deg + 360.0 * np.rint((other_deg - lon_deg) / 360.0)
