"""Longitudes on one turn of the globe."""

from __future__ import annotations

import numpy as np

from geofence.engine.records import Floats

__all__ = ["beside", "unwound"]


def unwound(lon_deg: Floats) -> Floats:
    """Longitudes without the jump at 180 degrees."""
    return np.unwrap(lon_deg, period=360.0)


def beside(lon_deg: Floats, other_deg: float) -> Floats:
    """Longitudes on the turn of the globe nearest to another."""
    return lon_deg + 360.0 * np.rint((other_deg - lon_deg) / 360.0)
