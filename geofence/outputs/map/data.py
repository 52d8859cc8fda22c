"""What the map knows of a plan, as columns that are small enough to travel inside the page."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from geofence.engine.records import Floats
from geofence.numeric import kept_down
from geofence.outputs.globe import PLACE_DECIMALS, beside, unwound
from geofence.outputs.map.columns import coded, counted, had, packed, rounded, table
from geofence.outputs.map.contours import contours
from geofence.outputs.map.findings import findings
from geofence.outputs.map.gap_classes import bays_over_limit, gap_edges_m, stated_limit_m
from geofence.outputs.map.lines import lines_data
from geofence.outputs.thinned import kept
from geofence.outputs.zone_reach import away_m, ground_scale, reach_m, reach_rings
from geofence.plan import SEVERITIES, FencePlan, PlannedGate, PlannedZone
from geofence.plan_lines import own_lines
from geofence.site.ground import Relief

__all__ = ["contour_data", "map_data", "script_text"]

WAY_DECIMALS = 8
"""Of a degree, for zones: a millimetre on the ground."""
TOLD_WITHIN_M = 10.0
"""Beyond a zone's reach: of posts nearer than this the page is told how far they are from what is drawn, to the
millimetre and as all files have it; it works out the others itself, to a centimetre."""
CONTOUR_PARTS = 8
SECTION_TOLERANCE_M = 0.005
"""Less than a pixel at every scale at which a post still fits into the long-section."""
POST_COLUMNS: tuple[tuple[str, str | None], ...] = (
    ("chainage_m", None),
    ("ground_level_m", None),
    ("top_level_m", None),
    ("toe_level_m", "ground_level_m"),
    ("height_m", "top_level_m-ground_level_m"),
    ("embedment_m", "ground_level_m-toe_level_m"),
    ("length_m", "top_level_m-toe_level_m"),
    ("stock_length_m", None),
    ("bearing_deg", None),
    ("deflection_deg", None),
    ("support_back_m", "top_level_m"),
    ("support_ahead_m", "top_level_m"),
    ("survey_distance_m", None),
)
BAY_COLUMNS: tuple[tuple[str, str | None], ...] = (
    ("width_m", None),
    ("underside_from_m", None),
    ("underside_to_m", "underside_from_m"),
    ("top_from_m", "underside_from_m"),
    ("top_to_m", "underside_to_m"),
    ("step_m", None),
    ("gap_max_m", None),
    ("dig_max_m", None),
    ("gap_area_m2", None),
    ("dig_area_m2", None),
)
"""Columns in the order in which they are unpacked, each with the column, or the difference of two, it lies close to."""
POST_EXTRAS: tuple[tuple[str, str | None], ...] = (
    ("survey_distance_m", None),
    ("uplift_kn", None),
    ("stands_left_m", None),
    ("stands_ahead_m", None),
    ("stands_top_level_m", None),
)
BAY_EXTRAS: tuple[tuple[str, str | None], ...] = (
    ("slope_length_m", "width_m"),
    ("cut_angle_deg", None),
    ("sag_m", None),
    ("droppers", None),
)
"""Columns that only some fences have a value in; the others do without them."""


def map_data(plan: FencePlan) -> dict[str, Any]:
    """Everything the page shows of a plan, ready for JSON. Angles in degrees, lengths in metres unless packed."""
    summary = plan.summary()
    return {
        "name": plan.name,
        "summary": summary,
        "severities": SEVERITIES,
        "cautions": plan.cautions,
        "grid": {
            "name": plan.grid.name,
            "code": plan.grid.code,
            "unit": plan.grid.unit,
            "level_datum": plan.grid.level_datum,
            "combined_factor": f"{plan.grid.combined_factor:.8f}",
        },
        "ground": {"height_m": _ground_height_m(plan)},
        "system": {
            "title": plan.system.title,
            "slope": plan.system.slope,
            "module_m": plan.system.module_m,
            "height_m": plan.system.height_m,
            "post_width_m": plan.system.post_width_m,
            "hole_diameter_m": plan.system.hole_diameter_m,
        },
        "gap_edges_mm": [round(edge * 1000, 3) for edge in gap_edges_m(plan)],
        "gap_limit_stated": stated_limit_m(plan, "gap_max_m") is not None,
        "posts": _posts(plan),
        "bays": _bays(plan),
        "legs": _legs(plan),
        "gates": [_gate(plan, gate) for gate in plan.gates],
        "zones": [_zone(plan, zone) for zone in plan.zones],
        "shot": _shot(plan),
        "findings": findings(plan),
        "section": _section(plan),
        "lines": lines_data(plan),
        "inputs": dict(sorted(plan.provenance.inputs.items())),
    }


def script_text(value: Any) -> str:
    """JSON that cannot end or open an HTML element, whatever its texts hold; no NaN or Infinity.

    >>> print(script_text({"name": "</script>"}))
    {"name":"\\u003c/script>"}
    """
    # ASCII only, so that U+2028 and U+2029 are escaped too.
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c")


def _posts(plan: FencePlan) -> dict[str, Any]:
    places, columns = plan.places, plan.post_columns()
    # A thousandth of a metre or foot; of a degree it would be a hundred metres.
    decimals = PLACE_DECIMALS if "degree" in plan.grid.unit.lower() else 3
    return {
        "count": len(plan.fence.posts),
        "names": counted(plan.post_names),
        "kind": coded(plan.fence.posts.kind),
        "lon_deg": packed(unwound(places.lon_deg), decimals=PLACE_DECIMALS),
        "lat_deg": packed(places.lat_deg, decimals=PLACE_DECIMALS),
        "easting": packed(places.easting, decimals=decimals),
        "northing": packed(places.northing, decimals=decimals),
        "table": table(columns, POST_COLUMNS + had(columns, POST_EXTRAS)),
    }


def _bays(plan: FencePlan) -> dict[str, Any]:
    bays, columns = plan.fence.bays, plan.bay_columns()
    return {
        "count": len(bays),
        "names": counted(plan.bay_names) if len(bays) else {"list": []},
        "kind": coded(plan.bay_words),
        "from_post": packed(bays.from_post),
        "to_post": packed(bays.to_post),
        "table": table(columns, BAY_COLUMNS + had(columns, BAY_EXTRAS)),
        "over_limit": bays_over_limit(plan).tolist(),
    }


def _ground_height_m(plan: FencePlan) -> float:
    """Mean height of the ground above the ellipsoid along the line, to a tenth: 16 parts in a thousand million."""
    above_datum_m = float(np.mean(plan.stations.ground_level_m))
    return round(above_datum_m + float(plan.value("job.geoid_separation_m", 0.0)), 1)


def _section(plan: FencePlan) -> dict[str, Any]:
    """The ground as the long-section draws it: to :data:`SECTION_TOLERANCE_M`, and half a centimetre along the line.

    ``starts`` are the rows at which the runs begin, one each.
    """
    stations = plan.stations
    rows = kept(stations.chainage_m, stations.ground_level_m, tolerance_m=SECTION_TOLERANCE_M)
    chainage_m = stations.chainage_m[rows]
    return {
        "count": len(rows),
        "chainage_m": packed(chainage_m, decimals=2),
        "level_m": packed(stations.ground_level_m[rows], decimals=3),
        "starts": np.searchsorted(rows, [int(run.stations[0]) for run in plan.runs]).tolist(),
    }


def _legs(plan: FencePlan) -> dict[str, Any]:
    legs, first_deg = plan.legs, float(plan.places.lon_deg[0])
    return {
        "number": list(legs.number),
        **({"line": own_lines(plan.runs, "leg", len(legs.number))} if plan.line_names else {}),
        "lon_from_deg": rounded(beside(legs.lon_from_deg, first_deg), PLACE_DECIMALS),
        "lat_from_deg": rounded(legs.lat_from_deg, PLACE_DECIMALS),
        "lon_to_deg": rounded(beside(legs.lon_to_deg, first_deg), PLACE_DECIMALS),
        "lat_to_deg": rounded(legs.lat_to_deg, PLACE_DECIMALS),
        "start_m": rounded(legs.start_m, 3),
        "ground_distance_m": rounded(legs.ground_distance_m, 3),
        "bearing_deg": rounded(legs.bearing_deg, 3),
        "deflection_deg": rounded(legs.deflection_deg, 3),
    }


def _zone(plan: FencePlan, zone: PlannedZone) -> dict[str, Any]:
    """A zone with its outlines to a millimetre; ``reach_m`` is how far its rule reaches round what is drawn."""
    return {
        "name": zone.name,
        "rule": zone.rule,
        "source": zone.source,
        "buffer_m": zone.buffer_m,
        "limit_m": zone.limit_m,
        "reach_m": reach_m(zone),
        "outlines": [
            {"area": outline.area, **_way(plan, outline.lon_deg, outline.lat_deg)} for outline in zone.outlines
        ],
        "reach": [_way(plan, *ring) for ring in reach_rings(zone.outlines, reach_m(zone), scale=ground_scale(plan))],
        "posts": _posts_near(plan, zone),
    }


def _posts_near(plan: FencePlan, zone: PlannedZone) -> dict[str, Any]:
    """The rows of posts near a zone, and how far they are from what is drawn, never rounded up."""
    within = reach_m(zone) + TOLD_WITHIN_M
    away = away_m(plan, zone, within_m=within)
    rows = np.flatnonzero(away <= within)
    told = [kept_down(each) for each in away[rows].tolist()]
    return {"count": len(rows), "row": packed(rows), "away_m": packed(told, decimals=3)}


def _shot(plan: FencePlan) -> dict[str, Any] | None:
    """The surveyed points beside the line, to a millimetre; None without a survey."""
    if plan.shot is None or not len(plan.shot):
        return None
    way = _way(plan, plan.shot.lon_deg, plan.shot.lat_deg)
    return {**way, "level_m": packed(plan.shot.level_m, decimals=3), "reach_m": round(plan.shot.reach_m, 1)}


def _gate(plan: FencePlan, gate: PlannedGate) -> dict[str, Any]:
    """A gate with the ways of its leaves' tips to a millimetre."""
    return {
        "name": gate.name,
        "bay": gate.bay,
        "swing": gate.swing,
        "leaves": gate.leaves,
        "ways": [
            {"post": way.post, "side": way.side, "open_deg": way.open_deg, **_way(plan, way.lon_deg, way.lat_deg)}
            for way in gate.ways
        ],
    }


def _way(plan: FencePlan, lon_deg: Floats, lat_deg: Floats) -> dict[str, Any]:
    lon_deg = beside(lon_deg, float(plan.places.lon_deg[0]))
    return {
        "count": len(lon_deg),
        "lon_deg": packed(lon_deg, decimals=WAY_DECIMALS),
        "lat_deg": packed(lat_deg, decimals=WAY_DECIMALS),
    }


def contour_data(relief: Relief) -> dict[str, Any] | None:
    """The contours in eighths of the picture's cells, line after line; None without any."""
    interval_m, lines = contours(relief)
    if not lines:
        return None
    rows, columns = relief.level_m.shape
    return {
        "interval_m": interval_m,
        "rows": rows,
        "columns": columns,
        "level_m": [round(line.level_m, 3) for line in lines],
        "points": [len(line.row) for line in lines],
        "count": sum(len(line.row) for line in lines),
        "column": packed(np.concatenate([line.column for line in lines]) * CONTOUR_PARTS),
        "row": packed(np.concatenate([line.row for line in lines]) * CONTOUR_PARTS),
    }


def relief_box(plan: FencePlan, relief: Relief) -> dict[str, float]:
    """The picture's edges, on the same turn of the globe as the posts."""
    first_deg = float(plan.places.lon_deg[0])
    west_deg = float(beside(np.array([relief.west_deg]), first_deg)[0])
    return {
        "west_deg": west_deg,
        "east_deg": west_deg + (relief.east_deg - relief.west_deg) % 360.0,
        "south_deg": relief.south_deg,
        "north_deg": relief.north_deg,
    }
