"""A plan as layers for geographic information systems: tables with places on the job's grid."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.outputs import on_grid
from geofence.outputs.digits import decimals_of
from geofence.outputs.facts import facts
from geofence.outputs.plain_text import sound
from geofence.outputs.plan_json import plain
from geofence.outputs.zone_reach import ground_scale, reach_m, reach_rings
from geofence.placed_findings import finding_places
from geofence.plan import FencePlan, Grid, PlannedZone

__all__ = ["GisLayer", "Shape", "all_layers", "bays", "posts"]

Shape = Literal["Point", "LineString", "LineString Z", "MultiPolygon", "none"]
Shapes = NDArray[np.object_]
Values = Sequence[Any] | Floats | NDArray[np.int64]

_MEASURES, _MEASURE_DECIMALS = ("value", "limit"), 6
"""Measured values in any unit: degrees need six decimals."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GisLayer:
    """A table with a place in each row, or none.

    Attributes
    ----------
    name, title
        What it is called, and what is in it.
    shape
        What its places are; ``none`` for a table alone.
    columns
        Numbers as float64 (NaN where there is none) or int64, texts as ``str`` (None where there is none).
    shapes
        (n,) the places, shapely geometries or None, in the unit of the grid; levels in metres.
    """

    name: str
    title: str
    shape: Shape
    columns: Mapping[str, NDArray[Any]]
    shapes: Shapes

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))


def all_layers(plan: FencePlan) -> list[GisLayer]:
    """Every layer of a plan that has a row, and the posts and bays in any case."""
    found = [
        *_zones(plan),
        _legs(plan),
        _profile(plan),
        _runs(plan),
        bays(plan),
        _gates(plan),
        _gate_swings(plan),
        *_findings(plan),
        posts(plan),
        _marks(plan),
        _notes(plan),
        _parameters(plan),
    ]
    return [layer for layer in found if len(layer) or layer.name in ("posts", "bays")]


def posts(plan: FencePlan) -> GisLayer:
    """Posts as points at their places on the line, with all their columns; there in every plan."""
    places = plan.places
    return _layer(
        plan,
        "posts",
        "Posts, each with its levels, length and depth",
        "Point",
        plan.post_columns(),
        shapely.points(places.easting, places.northing),
    )


def bays(plan: FencePlan) -> GisLayer:
    """Bays as lines from post to post, gates among them, with all their columns; there in every plan."""
    at = np.column_stack([plan.places.easting, plan.places.northing])
    ends = np.column_stack([plan.fence.bays.from_post, plan.fence.bays.to_post])
    title = "What hangs between the posts, at which levels"
    return _layer(plan, "bays", title, "LineString", plan.bay_columns(), shapely.linestrings(at[ends]))


def _runs(plan: FencePlan) -> GisLayer:
    along = [chain for chain in on_grid.chains(plan) if len(chain.rows) > 1]
    columns: dict[str, Values] = {
        "line": [chain.run.line for chain in along],
        "posts": np.array([len(chain.run.posts) for chain in along], dtype=np.int64),
        "bays": np.array([len(chain.run.bays) for chain in along], dtype=np.int64),
        "from_chainage_m": np.array([chain.chainage_m[0] for chain in along]),
        "to_chainage_m": np.array([chain.chainage_m[-1] for chain in along]),
        "length_m": np.array([chain.chainage_m[-1] - chain.chainage_m[0] for chain in along]),
        "closed": ["yes" if chain.run.closed else "no" for chain in along],
    }
    ways = [np.column_stack([chain.easting, chain.northing]) for chain in along]
    return _layer(plan, "runs", "Unbroken stretches of fence, from post to post", "LineString", columns, _lines(ways))


def _legs(plan: FencePlan) -> GisLayer:
    legs = plan.legs
    columns: dict[str, Values] = {
        "leg": np.array(legs.number, dtype=np.int64),
        "start_m": legs.start_m,
        "end_m": legs.end_m,
        "ground_distance_m": legs.ground_distance_m,
        "grid_distance": legs.grid_distance,
        "bearing_deg": legs.bearing_deg,
        "deflection_deg": legs.deflection_deg,
    }
    ends = on_grid.leg_ends(plan).reshape(-1, 2, 2)
    return _layer(
        plan, "legs", "Legs of the boundary that are fenced", "LineString", columns, shapely.linestrings(ends)
    )


def _profile(plan: FencePlan) -> GisLayer:
    stations = plan.stations
    runs = [run for run in plan.runs if len(run.stations) > 1]
    at = np.column_stack([stations.easting, stations.northing, stations.ground_level_m])
    columns: dict[str, Values] = {
        "line": [run.line for run in runs],
        "stations": np.array([len(run.stations) for run in runs], dtype=np.int64),
        "lowest_m": np.array([stations.ground_level_m[run.stations].min() for run in runs]),
        "highest_m": np.array([stations.ground_level_m[run.stations].max() for run in runs]),
    }
    title = "The ground along the line, levels in metres as the third coordinate"
    return _layer(plan, "profile", title, "LineString Z", columns, _lines([at[run.stations] for run in runs]))


def _gates(plan: FencePlan) -> GisLayer:
    names, fence = plan.post_names, plan.fence.bays
    rows = np.array([gate.bay for gate in plan.gates], dtype=np.int64)
    columns: dict[str, Values] = {
        "gate": [gate.name for gate in plan.gates],
        "bay": [plan.bay_names[row] for row in rows],
        "from_post": [names[row] for row in fence.from_post[rows]],
        "to_post": [names[row] for row in fence.to_post[rows]],
        "width_m": fence.width_m[rows],
        "swing": [gate.swing for gate in plan.gates],
        "hinge": [" ".join(dict.fromkeys(names[way.post] for way in gate.ways)) for gate in plan.gates],
        "open_deg": np.array([max((way.open_deg for way in gate.ways), default=np.nan) for gate in plan.gates]),
        "clearance_m": np.array([np.nan if gate.clearance_m is None else gate.clearance_m for gate in plan.gates]),
        "leaves": np.array([gate.leaves for gate in plan.gates], dtype=np.int64),
        "leaf_kg": np.array([np.nan if gate.leaf_kg is None else gate.leaf_kg for gate in plan.gates]),
        "post_width_m": np.array([gate.post_width_m for gate in plan.gates]),
        "hole_diameter_m": np.array([gate.hole_diameter_m for gate in plan.gates]),
    }
    at = np.column_stack([plan.places.easting, plan.places.northing])
    openings = _lines(list(at[np.column_stack([fence.from_post[rows], fence.to_post[rows]])]))
    return _layer(plan, "gates", "Gates, from post to post", "LineString", columns, openings)


def _gate_swings(plan: FencePlan) -> GisLayer:
    ways = [(gate.name, way) for gate in plan.gates for way in gate.ways]
    columns: dict[str, Values] = {
        "gate": [name for name, _ in ways],
        "post": [plan.post_names[way.post] for _, way in ways],
        "side": [way.side for _, way in ways],
        "length_m": np.array([way.length_m for _, way in ways]),
        "open_deg": np.array([way.open_deg for _, way in ways]),
    }
    tips = _lines([np.column_stack([way.easting, way.northing]) for _, way in ways])
    return _layer(plan, "gate_swings", "Ways of the leaves' tips as gates open", "LineString", columns, tips)


def _findings(plan: FencePlan) -> Iterator[GisLayer]:
    """Findings at their places, those of the whole plan without one; and the stretches that some are about."""
    along = on_grid.chains(plan)
    places = finding_places(plan)
    columns = {
        name: np.array(values, dtype=np.float64)
        if name in ("chainage_m", "chainage_to_m", "value", "limit")
        else values
        for name, values in plan.finding_columns().items()
    }
    points = [None if place is None else shapely.Point(along[place.run].place(place.at_m)) for place in places]
    yield _layer(plan, "findings", "What somebody must look at", "Point", columns, _objects(points))
    reaching = [(row, place) for row, place in enumerate(places) if place is not None and place.reaches]
    kept = {name: [values[row] for row, _ in reaching] for name, values in plan.finding_columns().items()}
    stretches: dict[str, Values] = {name: kept[name] for name in ("code", "severity", "message", "remedy")}
    ways = _lines([along[place.run].path(place.from_m, place.to_m) for _, place in reaching])
    yield _layer(plan, "finding_stretches", "Stretches that findings are about", "LineString", stretches, ways)


def _marks(plan: FencePlan) -> GisLayer:
    marks = plan.marks
    columns: dict[str, Values] = {
        "mark": marks.name,
        "kind": marks.kind,
        "easting": marks.easting,
        "northing": marks.northing,
        "level_m": marks.level_m,
    }
    at = shapely.points(marks.easting, marks.northing)
    return _layer(plan, "marks", "Marks on the ground that posts are tied to", "Point", columns, np.atleast_1d(at))


_ZONE_LAYERS: Mapping[str, tuple[str, Shape]] = {
    "zone_reach": ("How far the rules of the zones reach", "MultiPolygon"),
    "zone_areas": ("Zones drawn as areas, near the line", "MultiPolygon"),
    "zone_lines": ("Zones drawn as lines, near the line", "LineString"),
    "zone_points": ("Zones drawn as points, near the line", "Point"),
}


def _zones(plan: FencePlan) -> Iterator[GisLayer]:
    """Zones as they are drawn, by what they are: areas, lines, points; and how far their rules reach."""
    if not plan.zones:
        return
    carry, scale = on_grid.from_degrees(plan), ground_scale(plan)
    drawn = [(zone, name, shape) for zone in plan.zones for name, shape in _zone_shapes(zone, carry, scale)]
    for name, (title, shape) in _ZONE_LAYERS.items():
        members = [(zone, part) for zone, layer, part in drawn if layer == name]
        columns: dict[str, Values] = {
            "zone": [zone.name for zone, _ in members],
            "rule": [zone.rule for zone, _ in members],
            "source": [zone.source for zone, _ in members],
            "buffer_m": np.array([zone.buffer_m for zone, _ in members], dtype=np.float64),
            "limit_m": np.array([zone.limit_m for zone, _ in members], dtype=np.float64),
        }
        yield _layer(plan, name, title, shape, columns, _objects([part for _, part in members]))


def _zone_shapes(zone: PlannedZone, carry: on_grid.Carry, scale: float) -> Iterator[tuple[str, Any]]:
    """What is drawn of a zone, each with its layer."""
    if reach_m(zone) > 0:
        rings = reach_rings(zone.outlines, reach_m(zone), scale=scale)
        yield "zone_reach", _area([np.column_stack(carry(*ring)) for ring in rings])
    ways = [(part.area, np.column_stack(carry(part.lon_deg, part.lat_deg))) for part in zone.outlines]
    areas = [way for area, way in ways if area]
    if areas:
        yield "zone_areas", _area(areas)
    for area, way in ways:
        if len(way) == 1:
            yield "zone_points", shapely.Point(way[0])
        elif not area:
            yield "zone_lines", shapely.LineString(way)


def _area(rings: Sequence[Floats]) -> Any:
    """The area within an odd number of rings."""
    whole = shapely.Polygon()
    for ring in rings:
        if len(ring) > 3:
            whole = shapely.symmetric_difference(whole, shapely.make_valid(shapely.Polygon(ring)))
    polygons = [part for part in shapely.get_parts(whole) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(polygons)


def _notes(plan: FencePlan) -> GisLayer:
    told = facts(plan, places="easting and northing on the grid", levels="in metres")
    columns: dict[str, Values] = {"topic": [topic for topic, _ in told], "text": [text for _, text in told]}
    return _layer(plan, "notes", "What to know of the numbers, and cautions", "none", columns, _objects([]))


def _parameters(plan: FencePlan) -> GisLayer:
    used = sorted(plan.parameters.items())
    columns: dict[str, Values] = {
        "name": [name for name, _ in used],
        "value": [json.dumps(plain(item.value), ensure_ascii=False) for _, item in used],
        "origin": [item.origin for _, item in used],
    }
    return _layer(
        plan, "parameters", "Values of the job as used, and where they came from", "none", columns, _objects([])
    )


def _layer(
    plan: FencePlan, name: str, title: str, shape: Shape, columns: Mapping[str, Values], shapes: Shapes
) -> GisLayer:
    made = {column: _values(column, values, plan.grid) for column, values in columns.items()}
    return GisLayer(name=name, title=title, shape=shape, columns=made, shapes=shapes)


def _values(name: str, values: Values, grid: Grid) -> NDArray[Any]:
    """A column: numbers rounded by their unit, texts without what no file can hold."""
    if isinstance(values, np.ndarray) and values.dtype == np.int64:
        return values
    if isinstance(values, np.ndarray):
        decimals = _MEASURE_DECIMALS if name in _MEASURES else decimals_of(name, grid)
        rounded = np.round(values, decimals) + 0.0  # no negative zero
        if name == "bearing_deg":
            rounded = rounded % 360  # 359.9999999 is north, not 360
        return np.where(np.isfinite(rounded), rounded, np.nan)
    texts: list[str | None] = list(values)
    together = "".join(filter(None, texts))
    if not together.isascii() or "\0" in together:
        texts = [text if text is None else sound(text) for text in texts]
    return _objects(texts)


def _lines(ways: Sequence[Floats]) -> Shapes:
    return _objects([shapely.LineString(way) for way in ways])


def _objects(values: Sequence[Any]) -> Shapes:
    found = np.empty(len(values), dtype=object)
    found[:] = values
    return found
