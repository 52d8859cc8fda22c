"""Boundaries from vector files: any format that GDAL's vector drivers read, and LandXML."""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyogrio
import shapely
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.inputs.file_grid import grid_of_file
from geofence.inputs.landxml_file import is_landxml
from geofence.inputs.landxml_lines import read_lines
from geofence.inputs.layers import ARC_STEP_DEG, READ_ERRORS, Layer, check_file, read_layer
from geofence.site.grids import WGS84, check_places, same
from geofence.words import nearest

__all__ = ["Boundary", "read_boundary"]

Features = Literal["together", "each"]

STRAIGHT_ONLY = (".geojson", ".json", ".shp", ".gpx", ".kml")
"""Suffixes of files that cannot hold an arc."""


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
    names
        What its lines are called in the file, empty where they have no name: one for all parts, or one a feature.
    of
        For each part the row of its name.
    findings
        What was passed over or changed in reading.
    """

    file: Path
    crs: CRS
    parts: tuple[Floats, ...]
    names: tuple[str, ...]
    of: tuple[int, ...]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What is asked of a file; see :func:`read_boundary`."""

    layer: str | None
    grid: str | None
    feature: int | None
    features: Features
    name_field: str | None
    table: str


def read_boundary(
    file: Path,
    *,
    layer: str | None = None,
    grid: str | None = None,
    feature: int | None = None,
    features: Features = "together",
    name_field: str | None = None,
    table: str = "line",
) -> Boundary:
    """Read a boundary.

    Parameters
    ----------
    file
        Lines, polygon rings, or collections of them.
    layer
        Layer of a file with several; of LandXML the name of a parcel, plan feature or alignment.
    grid
        The file's grid, where the file does not say.
    feature
        Take only this one, counting from 1.
    features
        ``together``: all are one line; ``each``: every feature is a line of its own.
    name_field
        The field with the lines' names, where each feature is one; a LandXML file has names without it.
    table
        What the job calls the table that names the file, for errors: ``line``, ``line[2]``.

    Raises
    ------
    InputError
        The file is missing, damaged, or holds no usable line.
    GridError
        No grid is known, two are stated, or the coordinates cannot be in it.
    """
    asked = _Asked(layer=layer, grid=grid, feature=feature, features=features, name_field=name_field, table=table)
    check_file(file, option=f"{asked.table}.file")
    return _from_landxml(file, asked) if is_landxml(file) else _from_layer(file, asked)


def _from_layer(file: Path, asked: _Asked) -> Boundary:
    """Lines of a layer that GDAL reads."""
    findings: list[Finding] = []
    with _heard(findings):
        layer, geometries, called = _read(file, asked)
        curved = _curved(file, layer.name)
    lines, passed = _lines(file, _choose(file, geometries, asked), asked)
    findings += passed
    _, crs = grid_of_file(file.name, layer.crs, asked.grid, option=f"{asked.table}.grid")
    if curved or file.suffix.lower() == ".dxf":
        findings.append(_curves_note())
    if layer.named and not same(crs, WGS84):
        findings.append(
            _note("geojson-grid", f"The GeoJSON states its own grid, {crs.name}, as RFC 7946 no longer does")
        )
    parts = tuple(_part(file, number, line) for number, (_, line) in enumerate(lines, start=1))
    corners = np.concatenate(parts)
    check_places(crs, corners[:, 0], corners[:, 1], place=file.name, option=layer.other_grid)
    names, of = _named([feature for feature, _ in lines], called, asked.features)
    return Boundary(file=file, crs=crs, parts=parts, names=names, of=of, findings=tuple(findings))


def _named(rows: Sequence[int], names: Sequence[str], features: Features) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """Names of the lines, and which of them each part is of, where the parts are of these rows of features."""
    if features == "together":
        return ("",), (0,) * len(rows)
    drawn = list(dict.fromkeys(rows))
    return tuple(names[row] for row in drawn), tuple(drawn.index(row) for row in rows)


def _from_landxml(file: Path, asked: _Asked) -> Boundary:
    """Parcels, plan features or alignments; their names are layers."""
    if asked.name_field is not None:
        raise InputError(
            "has no fields: its lines have names of their own",
            file=file.name,
            place=f"{asked.table}.name_field",
            remedy="Take name_field out.",
        )
    found = read_lines(
        file,
        layer=asked.layer,
        grid=asked.grid,
        feature=asked.feature,
        several=asked.features == "each",
        step_deg=ARC_STEP_DEG,
        table=asked.table,
    )
    corners = np.concatenate(found.parts)
    check_places(found.crs, corners[:, 0], corners[:, 1], place=file.name, option=f"{asked.table}.grid")
    curves = [_curves_note()] if found.curved else []
    names, of = _named(found.of, found.names, asked.features)
    return Boundary(
        file=file, crs=found.crs, parts=found.parts, names=names, of=of, findings=(*found.findings, *curves)
    )


def _curves_note() -> Finding:
    return _note("curve-linearised", f"Curves are made of chords of {ARC_STEP_DEG} degrees of arc")


def _note(code: str, message: str) -> Finding:
    return Finding(code=code, severity="note", message=message)


@contextmanager
def _heard(findings: list[Finding]) -> Iterator[None]:
    """What GDAL remarks on while it reads becomes findings, each once."""
    with warnings.catch_warnings(record=True) as remarks:
        warnings.simplefilter("always")
        yield
    for remark in dict.fromkeys(str(remark.message).strip() for remark in remarks):
        findings.append(_note("file-remark", f"On reading the boundary's file GDAL remarks: {remark}"))


def _read(file: Path, asked: _Asked) -> tuple[Layer, list[Any], list[str]]:
    """The layer, its geometries (None where null), and what they are called."""
    field = asked.name_field
    layer = read_layer(
        file,
        layer=asked.layer,
        grid=asked.grid,
        table=asked.table,
        drawn="line",
        columns=[] if field is None else [field],
    )
    if field is not None and not layer.fields:
        raise InputError(
            f"has no field {field!r}",
            file=file.name,
            place=f"{asked.table}.name_field",
            remedy=nearest(field, tuple(map(str, pyogrio.read_info(file, layer=layer.name)["fields"]))),
        )
    geometries = list(shapely.from_wkb(layer.wkb, on_invalid="ignore"))
    for number, geometry in enumerate(geometries, start=1):
        if geometry is None and layer.wkb[number - 1] is not None:
            raise InputError(
                "is damaged: a line of one vertex, or a ring that does not close",
                file=file.name,
                place=f"feature {number}",
                remedy="Draw it anew.",
            )
    called = next(iter(layer.fields.values()), [None] * len(geometries))
    return layer, geometries, ["" if name is None else str(name).strip() for name in called]


def _curved(file: Path, layer: str) -> bool:
    """Whether arcs are in the layer; asked of GDAL apart, since they come as chords already."""
    if file.suffix.lower() in STRAIGHT_ONLY:
        return False
    quoted = layer.replace('"', '\\"')
    try:
        _, _, _, columns = pyogrio.raw.read(
            file, sql=f'SELECT OGR_GEOMETRY FROM "{quoted}"', sql_dialect="OGRSQL", read_geometry=False
        )
    except READ_ERRORS:
        return False
    kinds = {str(kind).upper() for kind in columns[0]}
    return any(word in kind for kind in kinds for word in ("CURVE", "CIRCULARSTRING", "SURFACE"))


def _choose(file: Path, geometries: list[Any], asked: _Asked) -> list[Any]:
    feature = asked.feature
    if not geometries:
        raise InputError("is empty: no feature", file=file.name, remedy="Draw the boundary as a line or polygon.")
    if feature is None:
        return geometries
    if not 1 <= feature <= len(geometries):
        raise InputError(
            "has no such feature",
            file=file.name,
            place=f"{asked.table}.feature",
            value=feature,
            limit=len(geometries),
            remedy="Count from 1.",
        )
    return [geometries[feature - 1]]


def _lines(file: Path, geometries: Sequence[Any], asked: _Asked) -> tuple[list[tuple[int, Any]], list[Finding]]:
    """The unbroken lines in the geometries with the rows of these, and notes on what was passed over."""
    findings = []
    nulls = sum(geometry is None or geometry.is_empty for geometry in geometries)
    if nulls:
        findings.append(_note("null-geometry", f"{nulls} of {len(geometries)} features have no geometry"))
    known = [row for row, geometry in enumerate(geometries) if geometry is not None and not geometry.is_empty]
    pieces = [(row, piece) for row in known for piece in _pieces(geometries[row])]
    other = Counter(piece.geom_type for _, piece in pieces if not _is_line(piece))
    lines = [(row, piece) for row, piece in pieces if _is_line(piece)]
    if not lines:
        held = ", ".join(f"{count} {kind}" for kind, count in sorted(other.items())) or "no geometry"
        raise InputError(
            f"holds no line, only {held}", file=file.name, remedy="Draw the boundary as a line or polygon."
        )
    drawn = len({row for row, _ in lines})
    if drawn > 1 and asked.features == "together":
        findings.append(
            _note(
                "several-features",
                f"All {drawn} features of the boundary's file are fenced; {asked.table}.feature chooses one",
            )
        )
    if other:
        held = ", ".join(f"{count} {kind}" for kind, count in sorted(other.items()))
        findings.append(_note("geometry-passed-over", f"{held} in the boundary's file is no line and was passed over"))
    if any(shapely.has_z(line) for _, line in lines):
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
