"""Zones on a small site for tests: an exact ground, a fence on it, and a zone as a job file has it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pyproj import CRS, Geod, Transformer

from geofence.engine.fence import build_fence
from geofence.engine.joined import join_at
from geofence.engine.records import Fence, Finding, Floats, LayoutRules, LevelRules, PanelRules, PostRules
from geofence.engine.records import Path as EnginePath
from geofence.inputs.job_file import Zone
from geofence.planning.zone_rules import zone_findings
from geofence.planning.zoning import PlacedZone, Zoning
from geofence.site import grids, zones
from geofence.site.line import Line
from geofence.site.profile import GroundLine
from geofence.site.true_plane import stretches
from geofence.site.zones import Drawing

GRID = CRS("+proj=tmerc +lat_0=52 +lon_0=-2 +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +type=crs")
"""True to scale within some 100 m of its origin: lengths there are lengths on ground at level 0."""


def ground_line(corners: Sequence[tuple[float, float]], level: Callable[[Floats], Floats]) -> GroundLine:
    """A line through corners of the grid; ``level`` gives the ground at distances along it."""
    to_degrees = Transformer.from_crs(GRID, grids.geographic(GRID), always_xy=True)
    lon, lat = to_degrees.transform(*np.array(corners, dtype=float).T)
    line = Line.through(np.array(lon), np.array(lat), geod=Geod(ellps="WGS84"))
    ends = line.vertex_distance_m
    distance = np.unique(np.concatenate([np.arange(0, ends[-1], 0.2), ends]))
    return GroundLine(
        line=line, distance_m=distance, chainage_m=distance, level_m=level(distance),
        state=np.zeros(len(distance), dtype=np.uint8),
    )  # fmt: skip


LEVELS = LevelRules(
    increment_m=0.05, gap_max_m=1.0, dig_max_m=0.0, step_min_m=0.05, step_max_m=0.9,
    gap_cost=40.0, dig_cost=90.0, step_cost=0.0, rise_cost=0.0,
)  # fmt: skip
"""No digging, steps for nothing: each bay stands on its highest ground."""


def fence_on(ground: GroundLine, *, module_m: float = 2.4, height_m: float = 1.8, **levels: float) -> Fence:
    """A stepped fence whose posts end with the panels."""
    return build_fence(
        ground.profile,
        EnginePath(vertex_m=ground.vertex_m, deflection_deg=ground.line.deflection_deg),
        layout=LayoutRules(module_m=module_m, min_bay_m=0.3),
        levels=replace(LEVELS, **levels),
        posts=PostRules(post_reveal_m=0.0, embedment_m=0.5),
        panel=PanelRules(height_m=height_m),
    )


def placed(ground: GroundLine, shape: Any, **keys: Any) -> tuple[PlacedZone, Zoning]:
    """A zone with these keys on the line; ``shape`` in the grid, or None for a triangle by its sides."""
    zone = Zone.model_validate({"file": "zone.gpkg", **keys} if shape is not None else keys)
    if shape is None:
        shape = zones.triangle(zone.apex or (0, 0), zone.toward or (), zone.legs_m or (), GRID)
    drawing = Drawing(crs=GRID, shapes=(shape,), names=("",))
    to_degrees = Transformer.from_crs(GRID, grids.geographic(GRID), always_xy=True)
    line = tuple(stretches(0, ground, datum=GRID, geoid_separation_m=0.0))
    reach = zone.buffer_m + (zone.limit_m if zone.rule == "setback" else 0.0)
    found = PlacedZone(
        zone=zone, title="zone.gpkg", drawing=drawing, to_degrees=to_degrees, reach_m=reach,
        crossings=tuple(zones.crossings(drawing, line, to_degrees, reach_m=reach)), nearest_m=0.0,
    )  # fmt: skip
    return found, Zoning(zones=(found,), stretches=line, planned=(), findings=())


def judged(ground: GroundLine, fence: Fence, shape: Any, *, open_share: float = 0.0, **keys: Any) -> list[Finding]:
    """What is found of a fence in a zone."""
    _, zoning = placed(ground, shape, **keys)
    return zone_findings(zoning, [ground], join_at([fence], []), lines=[""], open_share=open_share)
