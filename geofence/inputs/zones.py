"""Zones from vector files: shapes of any kind, with the names of their features."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding
from geofence.errors import InputError
from geofence.inputs.file_grid import grid_of_file
from geofence.inputs.layers import Layer, check_file, read_layer
from geofence.site.grids import check_places
from geofence.site.zones import Drawing

__all__ = ["DrawnZone", "read_zone"]

NAME_FIELDS = ("name", "title", "label", "ref", "id")
"""Fields that name a feature, the best first; capitals or not."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnZone:
    """A zone's shapes, and what was passed over or mended in reading."""

    drawing: Drawing
    findings: tuple[Finding, ...]


def read_zone(file: Path, *, layer: str | None = None, grid: str | None = None, place: str = "zone") -> DrawnZone:
    """Read a zone's shapes.

    Parameters
    ----------
    file
        Points, lines, areas or collections of them; several features.
    layer
        Layer of a file with several.
    grid
        The file's grid, where the file does not say.
    place
        The zone in the job, before the key in errors: ``zone[2]``.

    Raises
    ------
    InputError
        The file is missing, damaged, or holds no shape.
    JobError
        It is not certain which layer to take.
    GridError
        No grid is known, two are stated, or the coordinates cannot be in it.
    """
    check_file(file, option=f"{place}.file")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what GDAL remarks on concerns fields, which only name features here
        found = read_layer(file, layer=layer, grid=grid, table=place, drawn="zone")
    _, crs = grid_of_file(file.name, found.crs, grid, option=f"{place}.grid")
    drawing, findings = _shapes(file, found.wkb, _names(found), crs)
    corners = np.concatenate([shapely.get_coordinates(shape) for shape in drawing.shapes])
    check_places(crs, corners[:, 0], corners[:, 1], place=file.name, option=found.other_grid)
    return DrawnZone(drawing=drawing, findings=tuple(findings))


def _names(layer: Layer) -> list[str]:
    """What each feature is called; its number where it has no name and is not alone."""
    fields, count = {name.lower(): values for name, values in layer.fields.items()}, len(layer.wkb)
    field = next((name for name in NAME_FIELDS if name in fields), None)
    texts = [""] * count if field is None else ["" if _missing(value) else str(value) for value in fields[field]]
    return [text or (f"feature {number}" if count > 1 else "") for number, text in enumerate(texts, start=1)]


def _missing(value: Any) -> bool:
    return value is None or value != value


def _shapes(file: Path, wkb: NDArray[Any], names: Sequence[str], crs: CRS) -> tuple[Drawing, list[Finding]]:
    shapes, kept, mended = [], [], 0
    for number, (geometry, name) in enumerate(zip(shapely.from_wkb(wkb, on_invalid="ignore"), names, strict=True), 1):
        if geometry is None and wkb[number - 1] is not None:
            raise InputError("is damaged", file=file.name, place=f"feature {number}", remedy="Draw it anew.")
        if geometry is None or geometry.is_empty:
            continue
        shape = shapely.force_2d(geometry)
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            raise InputError(
                "a coordinate is not a number", file=file.name, place=f"feature {number}", remedy="Draw it anew."
            )
        mended += not shapely.is_valid(shape)
        shapes.append(shapely.make_valid(shape))
        kept.append(name)
    if not shapes:
        raise InputError("holds no shape", file=file.name, remedy="Draw the zone: points, lines or areas.")
    findings = []
    if len(shapes) < len(names):
        findings.append(_note("null-geometry", f"{len(names) - len(shapes)} of {len(names)} features have no geometry"))
    if mended:
        findings.append(
            _note("zone-mended", f"Areas of {file.name} that cross themselves were taken apart, {mended} in all")
        )
    return Drawing(crs=crs, shapes=tuple(shapes), names=tuple(kept)), findings


def _note(code: str, message: str) -> Finding:
    return Finding(code=code, severity="note", message=message, remedy="Look at the file, if it ought to be whole.")
