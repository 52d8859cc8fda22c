"""Where what was planned stands on the Earth: places in the grid and on the map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geofence.engine.joined import Joined
from geofence.engine.records import Finding, Floats
from geofence.plan import Grid, Legs, Places, Run, Stations
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids
from geofence.site.ground import Relief
from geofence.site.profile import GroundLine

__all__ = ["grid_facts", "legs", "on_grid", "on_lines", "places", "relief", "stations", "unbroken"]

BEARING_SNAP_DEG = 1e-5
"""A third of a micrometre across a bay: far below what the coordinates of its posts are written to."""

RELIEF_MARGIN = 0.12
RELIEF_CELLS = 400_000
"""The map's terrain reaches this share of the line's box beyond it, in about so many cells, 0.2 to 0.4 MB."""


def on_grid(site: SurveyedSite, run: GroundLine, chainage_m: Floats) -> tuple[Floats, Floats]:
    """Easting and northing, in grid units, at chainages within a run."""
    return site.to_grid.carry(*run.places(chainage_m))


def places(site: SurveyedSite, runs: Sequence[GroundLine], joined: Joined) -> Places:
    """Where the posts stand; a post that runs share, on the first of them."""
    columns = []
    for run, fence, kept in zip(runs, joined.runs, joined.kept, strict=True):
        lon, lat = run.places(fence.posts.chainage_m - run.from_m)
        easting, northing = site.to_grid.carry(lon, lat)
        map_lon, map_lat = site.to_wgs84.carry(lon, lat)
        bearing = _bearings(easting, northing, closed=run.line.closed)
        away = site.ground.support_m(*site.to_ground.carry(lon, lat))
        columns.append(tuple(values[kept] for values in (map_lon, map_lat, easting, northing, bearing, away)))
    lon, lat, easting, northing, bearing, away = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    return Places(
        lon_deg=lon,
        lat_deg=lat,
        easting=easting,
        northing=northing,
        bearing_deg=bearing,
        survey_distance_m=away,
    )


def _bearing(east: Floats, north: Floats) -> Floats:
    """Grid bearing of ways east and north, 0 to 360 degrees clockwise; due north is 0, not a hair under 360."""
    bearing = np.degrees(np.arctan2(east, north)) % 360
    return np.where(bearing > 360 - BEARING_SNAP_DEG, 0.0, bearing)


def _bearings(easting: Floats, northing: Floats, *, closed: bool) -> Floats:
    """Grid bearing of the bay ahead of each post; of the bay behind at the last post of an open run."""
    if closed:
        east, north = np.roll(easting, -1) - easting, np.roll(northing, -1) - northing
    else:
        east, north = np.diff(easting), np.diff(northing)
    bearing = _bearing(east, north)
    return bearing if closed else np.append(bearing, bearing[-1])


def stations(site: SurveyedSite, runs: Sequence[GroundLine]) -> Stations:
    """The ground along the runs."""
    columns = [(run.chainage_m + run.from_m, *on_grid(site, run, run.chainage_m), run.level_m) for run in runs]
    chainage, easting, northing, level = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    return Stations(chainage_m=chainage, easting=easting, northing=northing, ground_level_m=level)


def legs(site: SurveyedSite, runs: Sequence[GroundLine]) -> Legs:
    """The fenced legs, run by run."""
    columns = []
    for run in runs:
        line, at = run.line, run.vertex_m + run.from_m
        easting, northing = site.to_grid.carry(line.lon_deg, line.lat_deg)
        lon, lat = site.to_wgs84.carry(line.lon_deg, line.lat_deg)
        east, north = np.diff(easting), np.diff(northing)
        bearing = _bearing(east, north)
        reach = np.hypot(east, north)
        turns = line.deflection_deg[:-1]
        columns.append((at[:-1], at[1:], lon[:-1], lat[:-1], lon[1:], lat[1:], bearing, reach, turns))
    start, end, lon, lat, lon_to, lat_to, bearing, reach, turns = (
        np.concatenate(parts) for parts in zip(*columns, strict=True)
    )
    return Legs(
        number=tuple(number for run in runs for number in run.line.leg_number),
        start_m=start,
        end_m=end,
        lon_from_deg=lon,
        lat_from_deg=lat,
        lon_to_deg=lon_to,
        lat_to_deg=lat_to,
        bearing_deg=bearing,
        grid_distance=reach,
        deflection_deg=turns,
    )


def unbroken(site: SurveyedSite, runs: Sequence[GroundLine], joined: Joined) -> tuple[Run, ...]:
    """How the rows of the joined fence, of :func:`stations` and of :func:`legs` follow each other, run by run."""
    bays = levels = edges = 0
    found = []
    for row, (run, fence) in enumerate(zip(runs, joined.runs, strict=True)):
        counts = (len(fence.bays), len(run.chainage_m), len(run.line))
        found.append(
            Run(
                line=site.name_of(row),
                posts=joined.rows[row],
                chainage_m=fence.posts.chainage_m,
                bays=bays + np.arange(counts[0]),
                stations=levels + np.arange(counts[1]),
                legs=edges + np.arange(counts[2]),
                closed=run.line.closed,
            )
        )
        bays, levels, edges = (sum(pair) for pair in zip((bays, levels, edges), counts, strict=True))
    return tuple(found)


def on_lines(findings: Sequence[Finding], runs: Sequence[Run]) -> tuple[Finding, ...]:
    """Findings of single posts and bays with the names of their lines, where nobody gave those yet."""
    if not any(run.line for run in runs):
        return tuple(findings)
    of_post: dict[int | None, str] = {}
    for run in reversed(runs):  # a post that runs share is the first one's
        of_post |= dict.fromkeys(run.posts.tolist(), run.line)
    of_bay: dict[int | None, str] = {bay: run.line for run in runs for bay in run.bays.tolist()}
    return tuple(
        item if item.line else replace(item, line=of_bay.get(item.bay, of_post.get(item.post, ""))) for item in findings
    )


def grid_facts(site: SurveyedSite, legs: Legs, *, level_datum: str) -> Grid:
    """What eastings, northings and levels are in."""
    unit = grids.unit_m(site.grid)
    authority = site.grid.to_authority(min_confidence=100)
    return Grid(
        name=site.grid.name,
        code=None if authority is None else ":".join(authority),
        wkt=site.grid.to_wkt(),
        unit=site.grid.axis_info[0].unit_name,
        unit_m=unit,
        level_datum=level_datum,
        combined_factor=float(legs.grid_distance.sum() * unit / legs.ground_distance_m.sum()),
    )


def relief(site: SurveyedSite) -> Relief | None:
    """The terrain round the line, for the map."""
    lon, lat = (
        np.concatenate(parts)
        for parts in zip(*(site.to_wgs84.carry(run.line.lon_deg, run.line.lat_deg) for run in site.runs), strict=True)
    )
    if np.ptp(lon) > 180:
        return None  # a picture over the antimeridian would go round the Earth
    margin_lat = max(float(np.ptp(lat)) * RELIEF_MARGIN, 0.0006)
    margin_lon = max(float(np.ptp(lon)) * RELIEF_MARGIN, 0.0006 / max(float(np.cos(np.radians(lat.mean()))), 0.05))
    return site.ground.relief(
        float(lon.min()) - margin_lon,
        float(lat.min()) - margin_lat,
        float(lon.max()) + margin_lon,
        float(lat.max()) + margin_lat,
        cells=RELIEF_CELLS,
    )
