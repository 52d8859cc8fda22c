"""Zones as drawings show them: what is drawn, and how far their rules reach, on the grid in metres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.on_grid import from_degrees
from geofence.outputs.paper.page import Pen
from geofence.outputs.plain_text import one_line
from geofence.outputs.zone_reach import ground_scale, reach_m, reach_rings
from geofence.plan import FencePlan, PlannedZone

__all__ = ["RULE_LOOKS", "DrawnZone", "Look", "drawn_zones"]


@dataclass(frozen=True, slots=True)
class Look:
    """How a rule is drawn: the tint of its reach, the pen of what is drawn, and that of its reach."""

    tint: str
    outline: Pen
    reach: Pen


RULE_LOOKS = {
    "keep-clear": Look("#f3e3e3", Pen(0.35, "#882255", (4.0, 1.0, 0.5, 1.0)), Pen(0.18, "#882255", (1.5, 1.0))),
    "no-fence": Look("#f0e2d6", Pen(0.5, "#993404"), Pen(0.18, "#993404", (1.5, 1.0))),
    "setback": Look("#e6eef7", Pen(0.35, "#332288"), Pen(0.18, "#332288", (3.0, 1.0))),
    "max-height": Look("#eaf2e4", Pen(0.25, "#117733", (5.0, 1.5)), Pen(0.18, "#117733", (1.5, 1.0))),
    "splay": Look("#f6f0d8", Pen(0.25, "#806600"), Pen(0.18, "#806600", (1.5, 1.0))),
    "flood": Look("#def0f2", Pen(0.25, "#1f6f78", (2.0, 1.0)), Pen(0.18, "#1f6f78", (1.0, 1.0))),
    "consult": Look("#eeeeee", Pen(0.25, "#555555", (1.0, 1.0)), Pen(0.18, "#555555", (1.0, 1.0))),
}
"""Inks after the muted scheme of P. Tol (2021), darkened for thin lines; tints that print as light greys."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnZone:
    """A zone on the grid: its outlines, open or closed, and the area of its reach, as shapely shapes in metres.

    ``title`` is its name with its rule and reach.
    """

    name: str
    title: str
    look: Look
    outlines: Any
    reach: Any


def drawn_zones(plan: FencePlan) -> list[DrawnZone]:
    """The zones of a plan that have something drawn near the line."""
    if not plan.zones:
        return []
    carry, unit_m = from_degrees(plan), plan.grid.unit_m
    scale = ground_scale(plan)

    def metres(lon_deg: Floats, lat_deg: Floats) -> Floats:
        return np.column_stack(carry(lon_deg, lat_deg)) * unit_m

    found = []
    for zone in plan.zones:
        ways = [metres(outline.lon_deg, outline.lat_deg) for outline in zone.outlines]
        shapes = [shapely.LineString(way) if len(way) > 1 else shapely.Point(way[0]) for way in ways if len(way)]
        rings = reach_rings(zone.outlines, reach_m(zone), scale=scale)
        areas = [shapely.Polygon(metres(*ring)) for ring in rings if len(ring[0]) > 3]
        if shapes:
            reach = shapely.make_valid(_inside(areas)) if areas else None
            look = RULE_LOOKS.get(zone.rule, RULE_LOOKS["consult"])
            outlines = shapely.GeometryCollection(shapes)
            name = one_line(zone.name)
            found.append(DrawnZone(name=name, title=_title(zone), look=look, outlines=outlines, reach=reach))
    return found


def _inside(areas: list[Any]) -> Any:
    """The area of rings of which those that run the other way are holes."""
    outer = [area for area in areas if area.exterior.is_ccw]
    holes = [area for area in areas if not area.exterior.is_ccw]
    return shapely.difference(shapely.union_all(outer), shapely.union_all(holes))


def _title(zone: PlannedZone) -> str:
    reach = reach_m(zone)
    return f"{one_line(zone.name)}: {zone.rule}{f' {reach:g} m' if reach else ''}"
