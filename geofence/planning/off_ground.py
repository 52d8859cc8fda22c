"""What may be wrong where the ground is nowhere under the line: swapped axes, feet for metres, a wrong grid."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geofence.engine.records import Floats
from geofence.inputs.vectors import Boundary
from geofence.site import grids
from geofence.site.ground import Ground
from geofence.site.line import Line
from geofence.site.patched import PatchedGround
from geofence.site.raster import RasterGround
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround
from geofence.units import UNITS_M, same_unit

__all__ = ["advice", "survey_of"]

Box = tuple[float, float, float, float]
"""West, south, east, north."""


def survey_of(ground: Ground) -> SurveyPoints | None:
    """The points of a survey, or of the patch; None where the ground is no survey of points."""
    if isinstance(ground, PatchedGround):
        return ground.patch.survey
    return ground.survey if isinstance(ground, TinGround) else None


def advice(ground: Ground, runs: Sequence[Line], boundaries: Sequence[Boundary], to_ground: grids.Crossing) -> str:
    """What to do where the ground does not cover the line anywhere."""
    lon, lat = (np.concatenate(parts) for parts in zip(*((run.lon_deg, run.lat_deg) for run in runs), strict=True))
    line = _box(*to_ground.carry(lon, lat))
    survey = survey_of(ground)
    found = "" if survey is None or line is None else _swapped(survey, line) or _in_feet(survey, line)
    return (
        found
        or "".join(_drawn_swapped(ground, boundary) for boundary in boundaries)
        or _extents(ground, line, boundaries)
    )


def _box(x: Floats, y: Floats) -> Box | None:
    """The box of the places that are somewhere; None where none is."""
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return None
    return float(x[known].min()), float(y[known].min()), float(x[known].max()), float(y[known].max())


def _swapped(survey: SurveyPoints, line: Box) -> str:
    """Advice where the survey would be about the line if its eastings were northings; empty where it would not."""
    if not _meet(line, _box(survey.y, survey.x)):
        return ""
    return (
        f"Northing and easting of {survey.source} look swapped: the other way round its points are about the line. "
        "Say which is which by ground.order, or mend the header."
    )


def _in_feet(survey: SurveyPoints, line: Box) -> str:
    """Advice where the survey would be about the line if its numbers were feet; empty where it would not."""
    if not survey.crs.is_projected or not same_unit(grids.unit_m(survey.crs), 1.0):
        return ""
    for unit in ("ft", "ftUS"):
        if _meet(line, _box(survey.x * UNITS_M[unit], survey.y * UNITS_M[unit])):
            return (
                f"The places of {survey.source} look like feet: times {UNITS_M[unit]:.10g} its points are about the "
                f"line, and {survey.crs.name} is in metres. Convert the file; or set its grid to the same one in feet, "
                'as "+proj=utm +zone=30 +datum=WGS84 +units=ft +type=crs" is of a UTM zone, and level_unit.'
            )
    return ""


def _drawn_swapped(ground: Ground, boundary: Boundary) -> str:
    """Advice where the ground would cover the boundary if its eastings were northings; empty where it would not."""
    corners = np.concatenate(boundary.parts)
    x, y = grids.cross(boundary.crs, ground.crs).carry(corners[:, 1], corners[:, 0])
    inside = np.isfinite(x) & np.isfinite(y)
    if not np.isfinite(ground.levels(x[inside], y[inside]).level_m).any():
        return ""
    return (
        f"Easting and northing (longitude and latitude) of {boundary.file.name} look swapped: the other way round the "
        "ground covers it. Save it anew with its axes in order."
    )


def _extents(ground: Ground, line: Box | None, boundaries: Sequence[Boundary]) -> str:
    """Where both are, in the ground's grid, and how to say that a grid is another."""
    own = ", ".join(dict.fromkeys(f"{boundary.file.name} ({boundary.crs.name})" for boundary in boundaries))
    box = _ground_box(ground)
    there = "" if box is None else f" the ground spans {_told(ground, box)},"
    here = "has no place" if line is None else f"spans {_told(ground, line)}"
    return (
        f"In {ground.crs.name}, the ground's grid,{there} the line of {own} {here}. Is one in another grid than it "
        "says? A file that states none gets it by line.grid or ground.grid; one that states a wrong one, as a "
        "GeoPackage may, must be given the right one where it was made: assigned, not reprojected."
    )


def _told(ground: Ground, box: Box) -> str:
    names = ("easting", "northing") if ground.crs.is_projected else ("longitude", "latitude")
    digits = 2 if ground.crs.is_projected else 6
    west, south, east, north = (f"{value:.{digits}f}" for value in box)
    return f"{names[0]} {west} to {east} and {names[1]} {south} to {north}"


def _ground_box(ground: Ground) -> Box | None:
    """Where a ground is, in its grid; None of one that another package reads."""
    if isinstance(ground, PatchedGround):
        return _ground_box(ground.base)
    if isinstance(ground, RasterGround):
        return ground.box
    survey = survey_of(ground)
    return None if survey is None else _box(survey.x, survey.y)


def _meet(one: Box, other: Box | None) -> bool:
    return other is not None and (
        one[0] <= other[2] and other[0] <= one[2] and one[1] <= other[3] and other[1] <= one[3]
    )
