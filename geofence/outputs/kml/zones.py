"""Zones and findings of a plan as folders of KML."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.globe import unwound
from geofence.outputs.kml.parts import Columns, data, folder, line, pairs, placemarks, point, polygon, together
from geofence.outputs.kml.style import finding_style, zone_style
from geofence.outputs.plain_text import one_line
from geofence.outputs.xml_text import harmless_html
from geofence.outputs.zone_reach import reach_m, reach_rings
from geofence.placed_findings import worst_first
from geofence.plan import FencePlan, PlannedZone

__all__ = ["FINDING_VALUES", "ZONE_VALUES", "finding_folder", "zone_folders"]

ZONE_VALUES = ("rule", "source", "buffer_m", "limit_m")
FINDING_VALUES = ("severity", "code", "chainage_m", "post", "bay", "value", "limit", "unit")


def zone_folders(plan: FencePlan) -> Iterator[str]:
    """A folder with the zones as drawn, and one with how far their rules reach."""
    if not plan.zones:
        return
    columns = {name: [getattr(zone, name) for zone in plan.zones] for name in ZONE_VALUES}
    names = [one_line(zone.name) for zone in plan.zones]
    said = [harmless_html(_words(zone)) for zone in plan.zones]
    addresses = [zone_style(zone.rule) for zone in plan.zones]
    for title, shapes in (("Zones", map(_drawn, plan.zones)), ("How far zones reach", map(_reach, plan.zones))):
        yield from folder(title, placemarks(names, said, addresses, data("zone", columns, plan.grid), shapes))


def _words(zone: PlannedZone) -> str:
    around = f", {zone.buffer_m:g} m around what is drawn" if zone.buffer_m else ""
    limit = f", limit {zone.limit_m:g} m" if zone.limit_m else ""
    return f"{zone.name}: {zone.rule}{around}{limit}; source: {zone.source or 'not stated'}"


def _drawn(zone: PlannedZone) -> str:
    shapes = []
    for outline in zone.outlines:
        places = list(pairs(outline.lon_deg, outline.lat_deg))
        if len(places) == 1:
            shapes.append(point(places[0]))
        else:
            shapes.append(polygon(places) if outline.area and len(places) > 2 else line(places))
    return together(shapes)


def _reach(zone: PlannedZone) -> str:
    """On the ellipsoid: the ground's height changes 20 m by a third of a millimetre for each 100 m."""
    if reach_m(zone) <= 0:
        return ""
    rings = reach_rings(zone.outlines, reach_m(zone), scale=1.0)
    return together([line(list(pairs(lon, lat))) for lon, lat in rings])


def finding_folder(plan: FencePlan) -> Iterator[str]:
    """A folder with all findings, worst first; one that is about the whole plan has no place."""
    placed = worst_first(plan)
    if not placed:
        return
    found, posts, bays = [item for item, _ in placed], plan.post_names, plan.bay_names
    columns: Columns = {
        "severity": [item.severity for item in found],
        "code": [item.code for item in found],
        "chainage_m": _numbers(item.chainage_m for item in found),
        "post": [None if item.post is None else posts[item.post] for item in found],
        "bay": [None if item.bay is None else bays[item.bay] for item in found],
        "value": _numbers(item.value for item in found),
        "limit": _numbers(item.limit for item in found),
        "unit": [item.unit for item in found],
    }
    said = (harmless_html(f"{item.message.rstrip('.')}. {item.remedy}".strip()) for item in found)
    lon_deg, lat_deg = unwound(plan.places.lon_deg), plan.places.lat_deg
    at = (_numbers(None if place is None else place.of(values) for _, place in placed) for values in (lon_deg, lat_deg))
    shapes = ("" if pair == "," else point(pair) for pair in pairs(*at))
    names = (one_line(item.code) for item in found)
    addresses = (finding_style(item.severity) for item in found)
    yield from folder("Findings", placemarks(names, said, addresses, data("finding", columns, plan.grid), shapes))


def _numbers(values: Iterable[float | None]) -> Floats:
    """Numbers, NaN for those that are none."""
    return np.array([math.nan if value is None or not math.isfinite(value) else value for value in values])
