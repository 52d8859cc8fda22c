"""Lines in a plane for tests of the layout, made without the code under test."""

from __future__ import annotations

import numpy as np
import shapely

from geofence.engine.records import Floats, Layout, Path


def path(legs_m: list[float] | Floats, turns_deg: list[float] | Floats = (), *, closed: bool = False) -> Path:
    """A path of these legs and the turns between them; on a ring the last turn is that at the first post."""
    vertex = np.concatenate([[0.0], np.cumsum(legs_m)])
    turns = np.asarray(turns_deg, dtype=float)
    deflection = [turns[-1], *turns] if closed else [0.0, *turns, 0.0]
    return Path(vertex_m=vertex, deflection_deg=deflection, closed=closed)


def arc(radius_m: float, leg_m: float, legs: int) -> Path:
    """An arc as a row of equal legs."""
    return path([leg_m] * legs, [np.degrees(leg_m / radius_m)] * (legs - 1))


def drawn(line: Path) -> shapely.LineString:
    """The path in a plane, by adding up complex numbers."""
    heading = np.cumsum(np.radians(line.deflection_deg[:-1])) - np.radians(line.deflection_deg[0])
    corner = np.concatenate([[0], np.cumsum(np.diff(line.vertex_m) * np.exp(-1j * heading))])
    return shapely.LineString(np.column_stack([corner.real, corner.imag]))


def chords_m(line: Path, layout: Layout) -> Floats:
    """Straight distance between the posts of each bay, measured in the drawing."""
    places = shapely.line_interpolate_point(drawn(line), np.append(layout.bay_start_m, layout.bay_end_m[-1]))
    return np.asarray(shapely.distance(places[:-1], places[1:]))


def departures_m(line: Path, layout: Layout) -> Floats:
    """How far the line goes from each bay's chord, measured in the drawing at the bay's vertices."""
    picture, found = drawn(line), []
    for start, end in zip(layout.bay_start_m, layout.bay_end_m, strict=True):
        chord = shapely.LineString(shapely.line_interpolate_point(picture, [start, end]))
        between = line.vertex_m[(line.vertex_m > start) & (line.vertex_m < end)]
        points = shapely.line_interpolate_point(picture, between)
        found.append(float(max(shapely.distance(points, chord), default=0.0)))
    return np.array(found)
