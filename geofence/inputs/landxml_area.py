"""The area of a LandXML surface as its file states it, held against that of the faces that are used."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from geofence.engine.records import Finding, Floats
from geofence.site.cells import Ints

__all__ = ["area_findings"]

TOLERANCE = 0.01
"""A surface whose area differs by more from what its file states is not the surface that was exported."""

PIECE = 100_000
"""Faces worked on in one go, to bound the memory."""


def area_findings(
    title: str, stated: Mapping[str, str], places_m: Floats, faces: Ints, *, units_m2: tuple[float, ...]
) -> list[Finding]:
    """What differs.

    Parameters
    ----------
    stated
        The surface's attributes; its areas are ``area2DSurf`` and ``area3DSurf``.
    places_m
        (n, 3) easting, northing, level in metres.
    units_m2
        Units that the stated areas may be in: that of areas and, in files that do not heed it, that of places.
    """
    areas = {key: _number(stated.get(key, "")) for key in ("area2DSurf", "area3DSurf")}
    if not any(area > 0 for area in areas.values()):
        return []
    found = []
    for (key, area), used_m2 in zip(areas.items(), _areas(places_m, faces), strict=True):
        off = min(abs(used_m2 / (area * unit) - 1) for unit in units_m2) if area > 0 else 0.0
        if off > TOLERANCE:
            found.append(
                Finding(
                    code="surface-area-differs",
                    severity="warn",
                    message=f"The faces of {title!r} have an area of {used_m2 / units_m2[0]:.10g}, "
                    f"while the file states {area:.10g} as its {key}",
                    remedy="Faces may be missing or too many: have the surface exported anew.",
                    value=round(off * 100, 2),
                    limit=TOLERANCE * 100,
                    unit="%",
                )
            )
    return found


def _areas(places_m: Floats, faces: Ints) -> tuple[float, float]:
    """On the plan and on the slope, square metres."""
    flat = sloping = 0.0
    for begin in range(0, len(faces), PIECE):
        corner = places_m[faces[begin : begin + PIECE]]
        up = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        flat += float(np.abs(up[:, 2]).sum()) / 2
        sloping += float(np.sqrt((up**2).sum(axis=1)).sum()) / 2
    return flat, sloping


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0
