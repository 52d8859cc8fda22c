"""The points of a LandXML file (``CgPoint``) as points: to hold the ground against, to tie posts to, posts that stand.

As a ground, a LandXML file has a reader of its own, :mod:`geofence.inputs.landxml`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import JobError
from geofence.inputs.landxml_file import CG_POINTS, NOT_GROUND, LandXml, read_landxml
from geofence.inputs.landxml_grid import check_unit, datum_findings, grid_of, units_of
from geofence.site.ground import GroundOptions

__all__ = ["LandXmlPoints", "read_landxml_points"]

GROUND = "ground"
"""Tables of the job whose points are of the ground; others may name points that are on no surface on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandXmlPoints:
    """The points of a file that have a place of their own.

    Attributes
    ----------
    x, y
        (n,) easting, northing in ``crs`` and its unit.
    level
        (n,) in the file's unit, NaN where there is none.
    level_unit_m
        One unit of levels in metres; None where the file states none.
    row
        (n,) int64, which point of the file each is, from 1.
    code, name
        (n,) texts, empty where the file has none.
    left_out
        How many are not of the ground by the file.
    version
        Of LandXML, as the file states it.
    """

    crs: CRS
    x: Floats
    y: Floats
    level: Floats
    level_unit_m: float | None
    row: NDArray[np.int64]
    code: NDArray[Any]
    name: NDArray[Any]
    left_out: int
    version: str
    findings: tuple[Finding, ...]


def read_landxml_points(file: Path, options: GroundOptions) -> LandXmlPoints:
    """Read the points of a file.

    Raises
    ------
    InputError
        It is no sound LandXML, or has no points; with the line.
    GridError
        It has no grid and none is given, or its unit is not that of the grid.
    JobError
        The job asks for a surface.
    """
    if options.surface not in (None, CG_POINTS):
        raise JobError(
            "points are taken here, and no surface",
            place=f"{options.table}.surface",
            value=repr(options.surface),
            remedy=f'Leave it out: the points of {file.name}, its "{CG_POINTS}", are taken.',
        )
    content = read_landxml(file, surface=CG_POINTS)
    option = f"{options.table}.grid"
    crs = grid_of(file, content.system, given=options.grid, option=option)
    units = units_of(file, content.units)
    check_unit(file, units, crs, line=content.units.line if content.units else None, option=option)
    rows, places, left_out = _places(content, options)
    attributes = [content.points.attributes[row] for row in rows]
    return LandXmlPoints(
        crs=crs,
        x=places[:, 0],
        y=places[:, 1],
        level=places[:, 2],
        level_unit_m=units.level_m,
        row=np.array(rows, dtype=np.int64) + 1,
        code=np.array([each.get("code", each.get("desc", "")).strip() for each in attributes]),
        name=np.array([each.get("name", "").strip() for each in attributes]),
        left_out=left_out,
        version=content.version or "not stated",
        findings=tuple(datum_findings(file, content.system, options)),
    )


def _places(content: LandXml, options: GroundOptions) -> tuple[list[int], Floats, int]:
    """Rows of the points, their easting, northing and level or NaN, and how many are not of the ground."""
    of_ground = options.table.partition(".")[0] == GROUND
    rows, places, left_out = list[int](), list[tuple[float, float, float]](), 0
    for row, attributes in enumerate(content.points.attributes):
        place = content.place(row)
        if place is None:
            continue  # another point's place under this name
        if of_ground and attributes.get("DTMAttribute", "").strip().lower() == NOT_GROUND:
            left_out += 1
            continue
        rows.append(row)
        places.append((place[1], place[0], place[2] if len(place) > 2 else np.nan))
    if not rows:
        what = f"holds no points of the ground: {left_out} are marked as none" if left_out else "holds no points"
        raise content.refusal(what, "Export the points (CgPoints), with levels.")
    return rows, np.array(places), left_out
