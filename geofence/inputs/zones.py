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
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.geojson import stated_grid
from geofence.inputs.layers import GEOJSON, is_engineering, layers_of, read_layer
from geofence.registry import nearest
from geofence.site.grids import check_places, read_grid, same
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
    _check_file(file, place)
    named = stated_grid(file, option=f"{place}.grid") if file.suffix.lower() in GEOJSON else None
    meta, wkb, fields = _read(file, _layer(file, layer, place))
    own = meta["crs"]
    if file.suffix.lower() in GEOJSON and (named or grid):
        own = named
    crs = _grid(file, own, grid, place)
    drawing, findings = _shapes(file, wkb, _names(fields, len(wkb)), crs)
    corners = np.concatenate([shapely.get_coordinates(shape) for shape in drawing.shapes])
    check_places(crs, corners[:, 0], corners[:, 1], place=file.name, option=f"{place}.grid")
    return DrawnZone(drawing=drawing, findings=tuple(findings))


def _check_file(file: Path, place: str) -> None:
    if not file.is_file():
        what = "is a folder, not a file" if file.is_dir() else "there is no such file"
        raise InputError(what, file=file, remedy=f"Check {place}.file; paths start at the job file.")
    if file.stat().st_size == 0:
        raise InputError("is an empty file", file=file.name, remedy="Copy or save it anew.")


def _layer(file: Path, layer: str | None, place: str) -> str:
    layers = layers_of(file)
    if layer is None and len(layers) == 1:
        return layers[0]
    if layer is None:
        raise JobError(
            f"{file.name} has {len(layers)} layers",
            place=f"{place}.layer",
            remedy=f"Set it to one of: {', '.join(layers)}.",
        )
    if layer not in layers:
        raise JobError(
            f"{file.name} has no layer {layer!r}", place=f"{place}.layer", remedy=nearest(layer, tuple(layers))
        )
    return layer


def _read(file: Path, layer: str) -> tuple[dict[str, Any], NDArray[Any], dict[str, NDArray[Any]]]:
    """What GDAL says of a layer, its geometries as WKB, and its fields in lower case."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what GDAL remarks on concerns fields, which only name features here
        meta, wkb, columns = read_layer(file, layer, drawn="zone")
    fields = {str(name).lower(): values for name, values in zip(meta["fields"], columns, strict=True)}
    return meta, wkb, fields


def _names(fields: dict[str, NDArray[Any]], count: int) -> list[str]:
    """What each feature is called; its number where it has no name and is not alone."""
    field = next((name for name in NAME_FIELDS if name in fields), None)
    texts = [""] * count if field is None else ["" if _missing(value) else str(value) for value in fields[field]]
    return [text or (f"feature {number}" if count > 1 else "") for number, text in enumerate(texts, start=1)]


def _missing(value: Any) -> bool:
    return value is None or value != value


def _grid(file: Path, own: str | None, stated: str | None, place: str) -> CRS:
    if own is not None and is_engineering(own):
        own = None
    if own is None and stated is None:
        raise GridError(
            "the file does not say which grid it is in",
            place=file.name,
            remedy=f'Set {place}.grid, for instance grid = "EPSG:27700".',
        )
    crs = read_grid(own or str(stated), address=file.name if own else f"{place}.grid")
    if own is not None and stated is not None and not same(crs, read_grid(stated, address=f"{place}.grid")):
        raise GridError(
            f"the file is in {crs.name}, the job says {stated}",
            place=f"{file.name}, {place}.grid",
            remedy=f"Leave {place}.grid out, or mend the file.",
        )
    return crs


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
