"""The plan's findings as the map lists them, each with its place."""

from __future__ import annotations

from typing import Any

import numpy as np

from geofence.engine.records import Finding, Floats
from geofence.outputs.findings_order import worst_first
from geofence.outputs.map.columns import or_none
from geofence.outputs.map.globe import PLACE_DECIMALS, unwound
from geofence.plan import SEVERITIES, FencePlan
from geofence.plan_lines import run_at

__all__ = ["findings"]


def findings(plan: FencePlan) -> dict[str, Any]:
    """Findings, worst first and then along the line, with the place of each or null; texts each said once."""
    found = worst_first(plan.fence.findings)
    texts: dict[str, int] = {}
    lon_deg = unwound(plan.places.lon_deg)
    places = [_place(plan, lon_deg, item) for item in found]
    columns = {
        "severity": [SEVERITIES.index(item.severity) for item in found],
        "code": [texts.setdefault(item.code, len(texts)) for item in found],
        "message": [texts.setdefault(item.message, len(texts)) for item in found],
        "remedy": [texts.setdefault(item.remedy, len(texts)) for item in found],
        "unit": [texts.setdefault(item.unit, len(texts)) for item in found],
        "chainage_m": [or_none(item.chainage_m) for item in found],
        "chainage_to_m": [or_none(item.chainage_to_m) for item in found],
        "post": [item.post for item in found],
        "bay": [item.bay for item in found],
        **({"line": [texts.setdefault(item.line, len(texts)) for item in found]} if plan.line_names else {}),
        "value": [or_none(item.value) for item in found],
        "limit": [or_none(item.limit) for item in found],
        "lon_deg": [None if place is None else round(place[0], PLACE_DECIMALS) for place in places],
        "lat_deg": [None if place is None else round(place[1], PLACE_DECIMALS) for place in places],
    }
    return columns | {"texts": list(texts)}


def _place(plan: FencePlan, lon: Floats, finding: Finding) -> tuple[float, float] | None:
    """Longitude and latitude of a finding: its post, the middle of its bay, or its chainage; ``lon`` of all posts."""
    lat = plan.places.lat_deg
    if finding.post is not None:
        return float(lon[finding.post]), float(lat[finding.post])
    bays = plan.fence.bays
    if finding.bay is not None:
        ends = [int(bays.from_post[finding.bay]), int(bays.to_post[finding.bay])]
        return float(lon[ends].mean()), float(lat[ends].mean())
    if finding.chainage_m is None:
        return None
    middle = (finding.chainage_m + (or_none(finding.chainage_to_m) or finding.chainage_m)) / 2
    run = run_at(plan.runs, finding.line, middle)
    # The bays' ends, not the posts: a ring comes back to its first post at its full length.
    at = np.concatenate([run.chainage_m[:1], bays.end_m[run.bays]])
    row = np.concatenate([run.posts[:1], bays.to_post[run.bays]])
    return float(np.interp(middle, at, lon[row])), float(np.interp(middle, at, lat[row]))
