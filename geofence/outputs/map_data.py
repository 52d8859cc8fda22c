"""What the map knows of a plan: columns of whole numbers, small enough to travel inside the page.

A column is written as whole numbers of its last decimal. Most columns run smoothly along a fence, so a column is
written as itself, as its differences or as the differences of these, whichever is shortest, and a column that nearly
equals another is written as what it differs by. ``columns.js`` is the way back; both ways are exact.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Finding, Floats
from geofence.numeric import LEVEL_TOLERANCE_M
from geofence.outputs.contours import contours
from geofence.outputs.thinned import kept, stretch_starts
from geofence.outputs.zone_reach import reach_rings
from geofence.plan import SEVERITIES, FencePlan, PlannedZone, Stations
from geofence.site.ground import Relief

__all__ = ["contour_data", "gap_edges_m", "map_data", "packed", "script_text"]

PLACE_DECIMALS = 9
"""Of a degree: 0.1 mm on the ground, as RFC 7946 files of this package have it."""
MOST_GAP_CLASSES = 4
WAY_DECIMALS = 8
"""Of a degree, for zones: a millimetre on the ground."""
MEAN_RADIUS_M = 6_371_000.0
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
POST_EXTRAS: tuple[tuple[str, str | None], ...] = (("survey_distance_m", None), ("uplift_kn", None))
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
        "gap_limit_stated": _limit_m(plan, "gap_max_m") is not None,
        "posts": _posts(plan),
        "bays": _bays(plan),
        "legs": _legs(plan),
        "zones": [_zone(plan, zone) for zone in plan.zones],
        "findings": _findings(plan),
        "section": _section(plan.stations),
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


def packed(values: Sequence[float] | NDArray[Any], *, decimals: int = 0, near: Floats | None = None) -> dict[str, Any]:
    """One column as whole numbers of its last decimal.

    ``order`` is how many times the page must sum the numbers up from the left, zeros at the end are left out, and
    ``holes`` are the rows without a value (NaN). ``near`` is a column of whole numbers to write the difference from.

    >>> packed([1.885, 3.770, 5.655, 7.540], decimals=3)
    {'order': 2, 'values': [1885], 'decimals': 3}
    """
    whole = np.asarray(whole_numbers(values, decimals))
    holes = np.flatnonzero(np.isnan(whole))
    if near is not None:
        whole = whole - near
    numbers = _filled(whole)
    tries = [numbers]
    for _ in range(2):
        tries.append(np.diff(tries[-1], prepend=0))
    order = int(np.argmin([_text_length(numbers) for numbers in tries]))
    column: dict[str, Any] = {"order": order, "values": np.trim_zeros(tries[order], "b").tolist()}
    if len(holes):
        column["holes"] = holes.tolist()
    return column | ({"decimals": decimals} if decimals else {})


def whole_numbers(values: Sequence[float] | NDArray[Any], decimals: int) -> Floats:
    """Values counted in their last decimal; NaN stays NaN."""
    return np.rint(np.asarray(values, dtype=np.float64) * 10.0**decimals)


def _filled(whole: Floats) -> NDArray[np.int64]:
    """Whole numbers without holes: each takes the number before it, so that differences there are 0."""
    last = np.maximum.accumulate(np.where(np.isnan(whole), -1, np.arange(len(whole))))
    return np.where(last < 0, 0.0, whole[last]).astype(np.int64)


def _text_length(numbers: NDArray[np.int64]) -> int:
    """Characters that the numbers take in JSON, zeros at the end left out."""
    kept = np.trim_zeros(numbers, "b")
    digits = np.searchsorted(10 ** np.arange(1, 19, dtype=np.int64), np.abs(kept), side="right") + 1
    return int(np.sum(digits + (kept < 0) + 1))


def _table(columns: dict[str, Any], wanted: tuple[tuple[str, str | None], ...]) -> dict[str, Any]:
    """The wanted columns, packed to the millimetre or a thousandth of a degree, in an order the page can follow."""
    known: dict[str, Floats] = {}
    table = {}
    for name, close in wanted:
        near = None
        if close is not None:
            first, _, second = close.partition("-")
            near = known[first] - known[second] if second else known[first]
        table[name] = packed(columns[name], decimals=3, near=near) | ({"near": close} if close else {})
        known[name] = np.nan_to_num(whole_numbers(columns[name], 3))
    return table


def _had(columns: dict[str, Any], extras: tuple[tuple[str, str | None], ...]) -> tuple[tuple[str, str | None], ...]:
    """Those of the extra columns that hold a value somewhere."""
    return tuple(
        (name, close)
        for name, close in extras
        if name in columns and np.isfinite(np.asarray(columns[name], dtype=np.float64)).any()
    )


def _coded(words: Sequence[str]) -> dict[str, Any]:
    """Words as a list of the different ones and a packed column of places in it."""
    known = {word: place for place, word in enumerate(dict.fromkeys(words))}
    return {"words": list(known), "codes": packed([known[word] for word in words])}


def _names(names: Sequence[str]) -> dict[str, Any]:
    """Names that count from 1 as their letter and digits; any others as they are."""
    letter, digits = names[0][:1], len(names[0]) - 1
    counted = all(name == f"{letter}{number:0{digits}d}" for number, name in enumerate(names, 1))
    return {"letter": letter, "digits": digits} if counted else {"list": list(names)}


def _posts(plan: FencePlan) -> dict[str, Any]:
    places, columns = plan.places, plan.post_columns()
    # A thousandth of a metre or foot; of a degree it would be a hundred metres.
    decimals = PLACE_DECIMALS if "degree" in plan.grid.unit.lower() else 3
    return {
        "count": len(plan.fence.posts),
        "names": _names(plan.post_names),
        "kind": _coded(plan.fence.posts.kind),
        "lon_deg": packed(_unwound(places.lon_deg), decimals=PLACE_DECIMALS),
        "lat_deg": packed(places.lat_deg, decimals=PLACE_DECIMALS),
        "easting": packed(places.easting, decimals=decimals),
        "northing": packed(places.northing, decimals=decimals),
        "table": _table(columns, POST_COLUMNS + _had(columns, POST_EXTRAS)),
    }


def _bays(plan: FencePlan) -> dict[str, Any]:
    bays, columns = plan.fence.bays, plan.bay_columns()
    return {
        "count": len(bays),
        "names": _names(plan.bay_names) if len(bays) else {"list": []},
        "kind": _coded(bays.kind),
        "from_post": packed(bays.from_post),
        "to_post": packed(bays.to_post),
        "table": _table(columns, BAY_COLUMNS + _had(columns, BAY_EXTRAS)),
        "over_limit": _bays_over_limit(plan).tolist(),
    }


def _ground_height_m(plan: FencePlan) -> float:
    """Mean height of the ground above the ellipsoid along the line, to a tenth: 16 parts in a thousand million."""
    separation = plan.parameters.get("job.geoid_separation_m")
    above_datum_m = float(np.mean(plan.stations.ground_level_m))
    return round(above_datum_m + (0.0 if separation is None else float(separation.value)), 1)


def _section(stations: Stations) -> dict[str, Any]:
    """The ground as the long-section draws it: to :data:`SECTION_TOLERANCE_M`, and half a centimetre along the line."""
    rows = kept(stations.chainage_m, stations.ground_level_m, tolerance_m=SECTION_TOLERANCE_M)
    chainage_m = stations.chainage_m[rows]
    return {
        "count": len(rows),
        "chainage_m": packed(chainage_m, decimals=2),
        "level_m": packed(stations.ground_level_m[rows], decimals=3),
        "starts": np.searchsorted(rows, stretch_starts(stations.chainage_m)).tolist(),
    }


def _legs(plan: FencePlan) -> dict[str, Any]:
    legs, first_deg = plan.legs, float(plan.places.lon_deg[0])
    return {
        "number": list(legs.number),
        "lon_from_deg": _rounded(_beside(legs.lon_from_deg, first_deg), PLACE_DECIMALS),
        "lat_from_deg": _rounded(legs.lat_from_deg, PLACE_DECIMALS),
        "lon_to_deg": _rounded(_beside(legs.lon_to_deg, first_deg), PLACE_DECIMALS),
        "lat_to_deg": _rounded(legs.lat_to_deg, PLACE_DECIMALS),
        "start_m": _rounded(legs.start_m, 3),
        "ground_distance_m": _rounded(legs.ground_distance_m, 3),
        "bearing_deg": _rounded(legs.bearing_deg, 3),
        "deflection_deg": _rounded(legs.deflection_deg, 3),
    }


def _zone(plan: FencePlan, zone: PlannedZone) -> dict[str, Any]:
    """A zone with its outlines to a millimetre; ``reach_m`` is how far its rule reaches round what is drawn."""
    reach_m = zone.buffer_m + (zone.limit_m if zone.rule == "setback" else 0.0)
    scale = 1.0 + _ground_height_m(plan) / MEAN_RADIUS_M
    return {
        "name": zone.name,
        "rule": zone.rule,
        "source": zone.source,
        "buffer_m": zone.buffer_m,
        "limit_m": zone.limit_m,
        "reach_m": reach_m,
        "outlines": [
            {"area": outline.area, **_way(plan, outline.lon_deg, outline.lat_deg)} for outline in zone.outlines
        ],
        "reach": [_way(plan, lon, lat) for lon, lat in reach_rings(zone.outlines, reach_m, scale=scale)],
    }


def _way(plan: FencePlan, lon_deg: Floats, lat_deg: Floats) -> dict[str, Any]:
    lon_deg = _beside(lon_deg, float(plan.places.lon_deg[0]))
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


def _findings(plan: FencePlan) -> dict[str, Any]:
    """Findings, worst first and then along the line, with the place of each or null; texts each said once."""
    worst_first = sorted(plan.fence.findings, key=lambda item: (SEVERITIES.index(item.severity), _along(item)))
    texts: dict[str, int] = {}
    places = [_place(plan, item) for item in worst_first]
    return {
        "severity": [SEVERITIES.index(item.severity) for item in worst_first],
        "code": [texts.setdefault(item.code, len(texts)) for item in worst_first],
        "message": [texts.setdefault(item.message, len(texts)) for item in worst_first],
        "remedy": [texts.setdefault(item.remedy, len(texts)) for item in worst_first],
        "unit": [texts.setdefault(item.unit, len(texts)) for item in worst_first],
        "texts": list(texts),
        "chainage_m": [_or_none(item.chainage_m) for item in worst_first],
        "chainage_to_m": [_or_none(item.chainage_to_m) for item in worst_first],
        "post": [item.post for item in worst_first],
        "bay": [item.bay for item in worst_first],
        "value": [_or_none(item.value) for item in worst_first],
        "limit": [_or_none(item.limit) for item in worst_first],
        "lon_deg": [None if place is None else round(place[0], PLACE_DECIMALS) for place in places],
        "lat_deg": [None if place is None else round(place[1], PLACE_DECIMALS) for place in places],
    }


def _along(finding: Finding) -> float:
    return -1.0 if finding.chainage_m is None else finding.chainage_m


def _place(plan: FencePlan, finding: Finding) -> tuple[float, float] | None:
    """Longitude and latitude of a finding: its post, the middle of its bay, or its chainage."""
    lon, lat = _unwound(plan.places.lon_deg), plan.places.lat_deg
    if finding.post is not None:
        return float(lon[finding.post]), float(lat[finding.post])
    bays = plan.fence.bays
    if finding.bay is not None:
        ends = [int(bays.from_post[finding.bay]), int(bays.to_post[finding.bay])]
        return float(lon[ends].mean()), float(lat[ends].mean())
    if finding.chainage_m is None:
        return None
    middle = (finding.chainage_m + (_or_none(finding.chainage_to_m) or finding.chainage_m)) / 2
    # The bays' ends, not the posts: a ring comes back to its first post at its full length.
    at = np.concatenate([plan.fence.posts.chainage_m[:1], bays.end_m])
    row = np.concatenate([[0], bays.to_post])
    return float(np.interp(middle, at, lon[row])), float(np.interp(middle, at, lat[row]))


def _bays_over_limit(plan: FencePlan) -> NDArray[np.int64]:
    """Rows of the bays not to be built as they are: over the job's limits, or with a finding that says stop."""
    bays = plan.fence.bays
    over = np.zeros(len(bays), dtype=bool)
    for name, value_m in (("gap_max_m", bays.gap_max_m), ("dig_max_m", bays.dig_max_m)):
        limit_m = _limit_m(plan, name)
        if limit_m is not None:
            over |= (value_m > limit_m + LEVEL_TOLERANCE_M) & (np.array(bays.kind) != "gate")
    over[[item.bay for item in plan.fence.findings if item.bay is not None and item.severity == "stop"]] = True
    return np.flatnonzero(over)


def gap_edges_m(plan: FencePlan) -> tuple[float, ...]:
    """Upper edges of the classes that bays are coloured by, from 0 (the panel meets the ground) to the limit.

    Round steps, at most four of them. Without a stated limit the classes reach the largest gap within limits.
    """
    top_m = _limit_m(plan, "gap_max_m")
    if top_m is None:
        within = np.ones(len(plan.fence.bays), dtype=bool)
        within[_bays_over_limit(plan)] = False
        top_m = float(np.max(plan.fence.bays.gap_max_m, where=within, initial=0.0))
    if top_m <= 0:
        return (0.0,)
    least = top_m / MOST_GAP_CLASSES * (1 - 1e-9)
    power = 10.0 ** math.floor(math.log10(least))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= least)
    count = math.ceil(top_m / step * (1 - 1e-9))
    return (*(round(step * number, 6) for number in range(count)), top_m)


def _limit_m(plan: FencePlan, name: str) -> float | None:
    stated = plan.parameters.get(f"levels.{name}")
    return None if stated is None or stated.value is None else float(stated.value)


def relief_box(plan: FencePlan, relief: Relief) -> dict[str, float]:
    """The picture's edges, on the same turn of the globe as the posts."""
    first_deg = float(plan.places.lon_deg[0])
    west_deg = float(_beside(np.array([relief.west_deg]), first_deg)[0])
    return {
        "west_deg": west_deg,
        "east_deg": west_deg + (relief.east_deg - relief.west_deg) % 360.0,
        "south_deg": relief.south_deg,
        "north_deg": relief.north_deg,
    }


def _unwound(lon_deg: Floats) -> Floats:
    """Longitudes without the jump at 180 degrees."""
    return np.unwrap(lon_deg, period=360.0)


def _beside(lon_deg: Floats, other_deg: float) -> Floats:
    """Longitudes on the turn of the globe nearest to another."""
    return lon_deg + 360.0 * np.rint((other_deg - lon_deg) / 360.0)


def _rounded(values: Floats, decimals: int) -> list[float | None]:
    return [None if math.isnan(value) else value for value in np.round(values, decimals).tolist()]


def _or_none(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
