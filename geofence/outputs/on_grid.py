"""Places on the job's grid: what a plan gives in degrees or as chainages, in easting and northing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from geofence.engine.records import Floats
from geofence.plan import FencePlan
from geofence.plan_lines import posts_in_order
from geofence.plan_parts import Run
from geofence.site import grids

__all__ = [
    "Carry",
    "Chain",
    "chains",
    "directions_deg",
    "from_degrees",
    "grid_crs",
    "leg_ends",
    "stands",
]

Carry = Callable[[Floats, Floats], tuple[Floats, Floats]]


def grid_crs(plan: FencePlan) -> CRS:
    """The grid of a plan; by its definition where it has no code."""
    return CRS.from_user_input(plan.grid.code or plan.grid.wkt)


def from_degrees(plan: FencePlan) -> Carry:
    """The way from WGS 84 to the plan's grid that brings its posts back to where they stand.

    PROJ may know several ways between two datums; whichever it gives, what it is off at the posts is taken away.
    """
    places = plan.places
    lon, lat = places.lon_deg, places.lat_deg
    box = (float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))
    crossing = grids.cross(grid_crs(plan), grids.WGS84, box)
    easting, northing = crossing.back(lon[:1], lat[:1])
    east, north = places.easting[0] - easting[0], places.northing[0] - northing[0]

    def carry(lon_deg: Floats, lat_deg: Floats) -> tuple[Floats, Floats]:
        x, y = crossing.back(lon_deg, lat_deg)
        return x + east, y + north

    return carry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """A run as a chain of straight bays: chainage, easting and northing of its posts, a ring's first again at its end.

    ``rows`` are the posts' rows in the plan.
    """

    run: Run
    rows: tuple[int, ...]
    chainage_m: Floats
    easting: Floats
    northing: Floats

    def place(self, chainage_m: float) -> tuple[float, float]:
        """Easting and northing at a chainage."""
        return (
            float(np.interp(chainage_m, self.chainage_m, self.easting)),
            float(np.interp(chainage_m, self.chainage_m, self.northing)),
        )

    def path(self, from_m: float, to_m: float) -> Floats:
        """(n, 2) the way along the fence between two chainages; one place where they are the same."""
        if from_m == to_m:
            return np.array([self.place(from_m)])
        between = (self.chainage_m > from_m) & (self.chainage_m < to_m)
        inner = np.column_stack([self.easting[between], self.northing[between]])
        return np.vstack([self.place(from_m), inner, self.place(to_m)])


def chains(plan: FencePlan) -> list[Chain]:
    """The plan's runs, each with the places of its posts."""
    found = []
    for run in plan.runs:
        rows, chainage_m = posts_in_order(run, plan.fence.bays)
        easting, northing = plan.places.easting[rows], plan.places.northing[rows]
        found.append(
            Chain(run=run, rows=tuple(rows.tolist()), chainage_m=chainage_m, easting=easting, northing=northing)
        )
    return found


def directions_deg(plan: FencePlan) -> Floats:
    """(n,) of each post, how the fence runs there: anticlockwise from east; at a corner, half way between its sides."""
    return np.asarray(90.0 - plan.places.bearing_deg + plan.fence.posts.deflection_deg / 2)


def stands(plan: FencePlan) -> Floats:
    """(n, 2) where posts really stand: those that exist already beside their places on the line, the others there."""
    places = np.column_stack([plan.places.easting, plan.places.northing])
    places[plan.existing.post] = np.column_stack([plan.existing.easting, plan.existing.northing])
    return places


def leg_ends(plan: FencePlan) -> Floats:
    """(n, 4) easting and northing of the first and the last place of each leg, as the ground was taken along it."""
    legs, stations = plan.legs, plan.stations
    ends = np.full((len(legs.number), 4), np.nan)
    for run in plan.runs:
        at = stations.chainage_m[run.stations]
        for side, chainage_m in enumerate((legs.start_m, legs.end_m)):
            for column, values in enumerate((stations.easting, stations.northing)):
                ends[run.legs, 2 * side + column] = np.interp(chainage_m[run.legs], at, values[run.stations])
    return ends
