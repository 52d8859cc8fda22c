"""Boundaries from vector files: any format that GDAL's vector drivers read."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import GridError, InputError
from geofence.registry import nearest
from geofence.site.grids import check_places, horizontal, read_grid

__all__ = ["Boundary", "read_boundary"]

ARC_STEP_DEG = 0.5
"""Curves become chords of this angle: a chord leaves an arc of radius r by r / 105,000, 1 mm at 100 m."""

GEOJSON_DEPTH = {
    "Point": 0,
    "MultiPoint": 1,
    "LineString": 1,
    "MultiLineString": 2,
    "Polygon": 2,
    "MultiPolygon": 3,
}
"""How many lists stand around a position in each kind of GeoJSON geometry (RFC 7946, 3.1)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boundary:
    """A boundary as drawn, in its file's own coordinates.

    Attributes
    ----------
    file
        Where it came from.
    crs
        Its horizontal grid.
    parts
        For each unbroken line (k, 2): easting, northing or longitude, latitude, in the order of the file.
    findings
        What was passed over or changed in reading.
    """

    file: Path
    crs: CRS
    parts: tuple[Floats, ...]
    findings: tuple[Finding, ...] = ()


def read_boundary(
    file: Path, *, layer: str | None = None, grid: str | None = None, feature: int | None = None
) -> Boundary:
    """Read a boundary.

    Parameters
    ----------
    file
        Lines, polygon rings, or collections of them.
    layer
        Layer of a file with several.
    grid
        The file's grid, where the file does not say.
    feature
        Take only this one, counting from 1.

    Raises
    ------
    InputError
        The file is missing, damaged, or holds no usable line.
    GridError
        No grid is known, two are stated, or the coordinates cannot be in it.
    """
    if not file.is_file():
        raise InputError("there is no such file", file=file, remedy="Check line.file; paths start at the job file.")
    is_geojson = file.suffix.lower() in (".geojson", ".json")
    says_grid = _check_geojson(file) if is_geojson else True
    layer = _layer(file, layer)
    crs_text, geometry_type, geometries = _read(file, layer)
    crs = _grid(file, crs_text if says_grid or grid is None else None, grid)
    geometries = _choose(file, geometries, feature)
    lines, findings = _lines(file, geometries)
    if "Curve" in geometry_type or "CircularString" in geometry_type:
        findings.append(_note("curve-linearised", f"Curves are made of chords of {ARC_STEP_DEG} degrees of arc"))
    if is_geojson and says_grid:
        findings.append(
            _note("geojson-grid", f"The GeoJSON states its own grid, {crs.name}, as RFC 7946 no longer does")
        )
    parts = tuple(_part(file, number, line) for number, line in enumerate(lines, start=1))
    corners = np.concatenate(parts)
    check_places(crs, corners[:, 0], corners[:, 1], place=file.name, option="line.grid")
    return Boundary(file=file, crs=crs, parts=parts, findings=tuple(findings))


def _note(code: str, message: str) -> Finding:
    return Finding(code=code, severity="note", message=message)


@contextmanager
def _fine_arcs() -> Iterator[None]:
    """GDAL's step for curves, set for as long as a file is read."""
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG)})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


def _layer(file: Path, layer: str | None) -> str:
    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(file)]
    except pyogrio.errors.DataSourceError as error:
        raise InputError(
            "is no vector file that can be read, or is damaged",
            file=file.name,
            remedy="Give a GeoJSON, GeoPackage, shapefile, DXF or another vector file.",
        ) from error
    if layer is not None and layer not in layers:
        raise InputError(
            f"has no layer {layer!r}", file=file.name, place="line.layer", remedy=nearest(layer, tuple(layers))
        )
    if layer is None and len(layers) != 1:
        raise InputError(
            f"has {len(layers)} layers", file=file.name, remedy=f"Set line.layer to one of: {', '.join(layers)}."
        )
    return layer if layer is not None else layers[0]


def _read(file: Path, layer: str) -> tuple[str | None, str, list[Any]]:
    """The grid's text, the layer's geometry type, and the geometries, None where null."""
    try:
        with _fine_arcs():
            meta, _, wkb, _ = pyogrio.raw.read(file, layer=layer, columns=[])
        return meta["crs"], meta["geometry_type"] or "", list(shapely.from_wkb(wkb))
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
        pyogrio.errors.GeometryError,
        shapely.errors.GEOSException,
    ) as error:
        raise InputError(
            f"cannot be read: {error}", file=file.name, remedy="Save it anew from where it was drawn."
        ) from error


def _grid(file: Path, own: str | None, stated: str | None) -> CRS:
    if own is None and stated is None:
        raise GridError(
            "the file does not say which grid it is in",
            place=file.name,
            remedy='Set line.grid, for instance line.grid = "EPSG:27700".',
        )
    if own is None:
        return read_grid(str(stated), address="line.grid")
    crs = horizontal(CRS.from_user_input(own), place=file.name)
    if stated is not None and not crs.equals(read_grid(stated, address="line.grid"), ignore_axis_order=True):
        raise GridError(
            f"the file is in {crs.name}, the job says {stated}",
            place=f"{file.name}, line.grid",
            remedy="Leave line.grid out, or mend the file.",
        )
    return crs


def _choose(file: Path, geometries: list[Any], feature: int | None) -> list[Any]:
    if not geometries:
        raise InputError("is empty: no feature", file=file.name, remedy="Draw the boundary as a line or polygon.")
    if feature is None:
        return geometries
    if feature > len(geometries):
        raise InputError(
            "has no such feature",
            file=file.name,
            place="line.feature",
            value=feature,
            limit=len(geometries),
            remedy="Count from 1.",
        )
    return [geometries[feature - 1]]


def _lines(file: Path, geometries: Sequence[Any]) -> tuple[list[Any], list[Finding]]:
    """The unbroken lines in the geometries, and notes on what was passed over."""
    findings = []
    nulls = sum(geometry is None or geometry.is_empty for geometry in geometries)
    if nulls:
        findings.append(_note("null-geometry", f"{nulls} of {len(geometries)} features have no geometry"))
    known = [geometry for geometry in geometries if geometry is not None and not geometry.is_empty]
    pieces = [piece for geometry in known for piece in _pieces(geometry)]
    other = Counter(piece.geom_type for piece in pieces if not _is_line(piece))
    lines = [piece for piece in pieces if _is_line(piece)]
    if not lines:
        held = ", ".join(f"{count} {kind}" for kind, count in sorted(other.items())) or "no geometry"
        raise InputError(
            f"holds no line, only {held}", file=file.name, remedy="Draw the boundary as a line or polygon."
        )
    if other:
        held = ", ".join(f"{count} {kind}" for kind, count in sorted(other.items()))
        findings.append(_note("geometry-passed-over", f"{held} in the boundary's file is no line and was passed over"))
    if any(shapely.has_z(line) for line in lines):
        findings.append(_note("line-levels-ignored", "The boundary carries levels of its own; they were not used"))
    return lines, findings


def _pieces(geometry: Any) -> Iterator[Any]:
    """Rings of polygons, and what collections hold, down to single geometries."""
    if geometry.geom_type == "Polygon":
        yield from (geometry.exterior, *geometry.interiors)
    elif hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from _pieces(part)
    else:
        yield geometry


def _is_line(geometry: Any) -> bool:
    return geometry.geom_type in ("LineString", "LinearRing")


def _part(file: Path, number: int, line: Any) -> Floats:
    corners: Floats = shapely.get_coordinates(line)
    bad = np.flatnonzero(~np.isfinite(corners).all(axis=1))
    if len(bad):
        raise InputError(
            "a coordinate is not a number",
            file=file.name,
            place=f"line {number}, vertex {bad[0] + 1}",
            value=tuple(corners[bad[0]].tolist()),
            remedy="Mend the vertex where the boundary was drawn.",
        )
    return corners


def _check_geojson(file: Path) -> bool:
    """Refuse what is no GeoJSON, naming the place; True where it has a ``crs`` member of its own.

    GDAL reads around such faults in silence, and so would a fence.
    """
    try:
        content = json.loads(file.read_text(encoding="utf-8-sig"), parse_constant=_refuse_constant)
    except (json.JSONDecodeError, UnicodeDecodeError, _NotANumberError, RecursionError) as error:
        raise InputError(
            f"is no JSON: {error}", file=file.name, remedy="Is the file cut short? Save it anew."
        ) from error
    if not isinstance(content, dict) or "type" not in content:
        raise InputError('is no GeoJSON: it has no "type"', file=file.name, remedy="Save the boundary as GeoJSON.")
    for address, geometry in _geojson_geometries(content, ""):
        _check_positions(file, geometry, address)
    return content.get("crs") is not None


class _NotANumberError(ValueError):
    """NaN or Infinity stands where JSON has no word for it."""


def _refuse_constant(word: str) -> float:
    raise _NotANumberError(f"{word} is no number in JSON")


def _geojson_geometries(node: Any, address: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every simple geometry with its address (``features[3].geometry``)."""
    if not isinstance(node, dict):
        return
    below = {"FeatureCollection": "features", "GeometryCollection": "geometries"}.get(node.get("type", ""))
    dot = "." if address else ""
    if below is not None:
        members = node.get(below)
        for row, member in enumerate(members if isinstance(members, list) else []):
            yield from _geojson_geometries(member, f"{address}{dot}{below}[{row}]")
    elif node.get("type") == "Feature":
        yield from _geojson_geometries(node.get("geometry"), f"{address}{dot}geometry")
    else:
        yield address, node


def _check_positions(file: Path, geometry: dict[str, Any], address: str) -> None:
    kind = geometry.get("type")
    where = f"{address}.coordinates" if address else "coordinates"
    if kind not in GEOJSON_DEPTH:
        raise InputError(
            f"{kind!r} is no GeoJSON geometry", file=file.name, place=address or None, remedy="See RFC 7946, 3.1."
        )
    level = [(where, geometry.get("coordinates"))]
    for _ in range(GEOJSON_DEPTH[kind]):
        for place, node in level:
            if not isinstance(node, list):
                raise _wrong_nesting(file, kind, place, node)
        level = [(f"{place}[{row}]", item) for place, node in level for row, item in enumerate(node or [])]
    for place, position in level:
        if not isinstance(position, list):
            raise _wrong_nesting(file, kind, place, position)
        numbers = [item for item in position if isinstance(item, (int, float)) and not isinstance(item, bool)]
        if position and (len(numbers) != len(position) or len(position) < 2):
            raise InputError(
                "a position is two or three numbers",
                file=file.name,
                place=place,
                value=json.dumps(position)[:60],
                remedy="Write [longitude, latitude] without quotes.",
            )
    if kind == "LineString" and len(level) == 1:
        raise InputError(
            "a line needs at least two positions", file=file.name, place=where, value=1, remedy="Draw the line anew."
        )


def _wrong_nesting(file: Path, kind: str, place: str, node: Any) -> InputError:
    return InputError(
        f"the coordinates of a {kind} are nested wrongly",
        file=file.name,
        place=place,
        value=json.dumps(node)[:60],
        remedy=f"A {kind} has {GEOJSON_DEPTH[kind]} lists around each position (RFC 7946, 3.1).",
    )
