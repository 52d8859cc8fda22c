"""The plan's findings as the map lists them, each with its place."""

from __future__ import annotations

from typing import Any

from geofence.outputs.globe import PLACE_DECIMALS, unwound
from geofence.outputs.map.columns import or_none
from geofence.placed_findings import worst_first
from geofence.plan import SEVERITIES, FencePlan

__all__ = ["findings"]


def findings(plan: FencePlan) -> dict[str, Any]:
    """Findings, worst first and then along the line, with the place of each or null; texts each said once."""
    placed = worst_first(plan)
    found = [item for item, _ in placed]
    texts: dict[str, int] = {}
    lon_deg, lat_deg = unwound(plan.places.lon_deg), plan.places.lat_deg
    columns = {
        "severity": [SEVERITIES.index(item.severity) for item in found],
        "code": [texts.setdefault(item.code, len(texts)) for item in found],
        "message": [texts.setdefault(item.message, len(texts)) for item in found],
        "remedy": [texts.setdefault(item.remedy, len(texts)) for item in found],
        "unit": [texts.setdefault(item.unit, len(texts)) for item in found],
        "chainage_m": [or_none(item.chainage_m) for item in found],
        "chainage_to_m": [or_none(item.chainage_to_m) for item in found],
        "post": [item.post for item in found],
        "posts": [[*item.posts] for item in found],
        "bay": [item.bay for item in found],
        **({"line": [texts.setdefault(item.line, len(texts)) for item in found]} if plan.line_names else {}),
        "value": [or_none(item.value) for item in found],
        "limit": [or_none(item.limit) for item in found],
        "run": [None if place is None else place.run for _, place in placed],
        "at_m": [None if place is None else round(place.at_m, 3) for _, place in placed],
        "lon_deg": [None if place is None else round(place.of(lon_deg), PLACE_DECIMALS) for _, place in placed],
        "lat_deg": [None if place is None else round(place.of(lat_deg), PLACE_DECIMALS) for _, place in placed],
    }
    return columns | {"texts": list(texts)}
