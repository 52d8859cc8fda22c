"""The plan: what was planned, complete; tables, map and files on demand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geofence import registry
from geofence.engine.records import Bays, Fence, Finding, Floats, Posts, Table, column

if TYPE_CHECKING:
    import folium
    import geopandas
    import pandas

    from geofence.site.ground import Relief

__all__ = ["FencePlan", "Grid", "Legs", "Output", "Parameter", "Places", "Provenance", "Stations", "SystemFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The grid that eastings and northings are in.

    ``unit_m`` is one grid unit in metres; ``combined_factor`` the mean grid distance divided by ground distance along the line.
    """

    name: str
    code: str | None
    wkt: str
    unit: str
    unit_m: float
    level_datum: str
    combined_factor: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places(Table):
    """Where posts stand. Rows as in the plan's posts.

    ``lon_deg``, ``lat_deg``: WGS 84; ``easting``, ``northing``: units of the grid; ``bearing_deg``: grid bearing of the
    fence ahead, 0..360 clockwise from grid north (at the last post of an open line, of the bay behind).
    """

    lon_deg: Floats = column()
    lat_deg: Floats = column()
    easting: Floats = column()
    northing: Floats = column()
    bearing_deg: Floats = column()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations(Table):
    """The ground as the engine used it: one row a station."""

    chainage_m: Floats = column()
    easting: Floats = column()
    northing: Floats = column()
    ground_level_m: Floats = column()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Legs(Table):
    """The boundary's fenced legs. ``number`` counts from 1 as drawn; positions WGS 84; bearings on the grid."""

    number: tuple[int, ...]
    start_m: Floats = column()
    end_m: Floats = column()
    lon_from_deg: Floats = column()
    lat_from_deg: Floats = column()
    lon_to_deg: Floats = column()
    lat_to_deg: Floats = column()
    bearing_deg: Floats = column()
    grid_distance: Floats = column()
    deflection_deg: Floats = column()

    @property
    def ground_distance_m(self) -> Floats:
        return self.end_m - self.start_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A job value as used, and where it came from: ``job``, ``command line``, ``system NAME``, ``default``."""

    value: Any
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemFacts:
    """What outputs say of the fence system."""

    name: str
    title: str
    slope: str
    module_m: float
    height_m: float
    post_width_m: float
    hole_diameter_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """``inputs``: file name (no folder) to sha256; ``packages``: name to version; ``planned_at``: ISO 8601 UTC."""

    inputs: Mapping[str, str]
    packages: Mapping[str, str]
    planned_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A plug-in of the group ``geofence.outputs``: one kind of file.

    ``write(plan, path)`` makes the file; ``standing`` outputs are written by every run, the others on ask.
    """

    filename: str
    title: str
    write: Callable[[FencePlan, Path], None]
    standing: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FencePlan:
    """A planned fence on its site.

    Attributes
    ----------
    name
        The job's name.
    fence
        Posts, bays, findings and cost: everything the engine chose.
    places
        Where the posts stand.
    stations, legs
        The ground and the boundary along the line.
    grid, system, parameters, provenance
        What the numbers are in, and what they came from.
    relief
        Picture of the terrain for the map; None without one.
    crossing_m
        Reserved chainages where separate runs of the line begin (the first is 0).
    """

    name: str
    fence: Fence
    places: Places
    stations: Stations
    legs: Legs
    grid: Grid
    system: SystemFacts
    parameters: Mapping[str, Parameter]
    provenance: Provenance
    relief: Relief | None = None
    run_start_m: tuple[float, ...] = (0.0,)
    cautions: tuple[str, ...] = field(default=())
