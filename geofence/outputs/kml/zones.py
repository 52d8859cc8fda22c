"""Zones and findings of a plan as folders of KML."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.kml.parts import Columns, data, folder, line, pairs, placemarks, point, polygon, together
from geofence.outputs.kml.style import finding_style, zone_style
from geofence.outputs.map.findings import findings as placed
from geofence.outputs.plain_text import one_line
from geofence.outputs.xml_text import harmless_html
from geofence.outputs.zone_reach import reach_m, reach_rings
from geofence.plan import SEVERITIES, FencePlan, PlannedZone

__all__ = ["FINDING_VALUES", "ZONE_VALUES", "finding_folder", "zone_folders"]

ZONE_VALUES = ("rule", "source", "buffer_m", "limit_m")
FINDING_VALUES = ("severity", "code", "chainage_m", "post", "bay", "value", "limit", "unit")
TEXTS = ("code", "message", "remedy", "unit")


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
    found = placed(plan)
    if not found["code"]:
        return
    texts, posts, bays = found["texts"], plan.post_names, plan.bay_names
    severities = [SEVERITIES[row] for row in found["severity"]]
    codes, messages, remedies, units = ([texts[row] for row in found[name]] for name in TEXTS)
    columns: Columns = {
        "severity": severities,
        "code": codes,
        "chainage_m": _numbers(found["chainage_m"]),
        "post": [None if row is None else posts[row] for row in found["post"]],
        "bay": [None if row is None else bays[row] for row in found["bay"]],
        "value": _numbers(found["value"]),
        "limit": _numbers(found["limit"]),
        "unit": units,
    }
    said = (
        harmless_html(f"{message.rstrip('.')}. {remedy}".strip())
        for message, remedy in zip(messages, remedies, strict=True)
    )
    shapes = (
        "" if pair == "," else point(pair) for pair in pairs(_numbers(found["lon_deg"]), _numbers(found["lat_deg"]))
    )
    values = data("finding", columns, plan.grid)
    names = map(one_line, codes)
    yield from folder("Findings", placemarks(names, said, map(finding_style, severities), values, shapes))


def _numbers(values: list[float | None]) -> Floats:
    return np.array(values, dtype=np.float64)
