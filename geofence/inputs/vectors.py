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
from geofence.errors import GridError, InputError
from geofence.inputs.geojson import stated_grid
from geofence.inputs.landxml_file import is_landxml
from geofence.inputs.landxml_lines import read_lines
from geofence.inputs.layers import ARC_STEP_DEG, GEOJSON, READ_ERRORS, is_engineering, layers_of, read_layer
from geofence.registry import nearest
from geofence.site.grids import WGS84, check_places, read_grid, same

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
    _check_file(file, asked)
    return _from_landxml(file, asked) if is_landxml(file) else _from_layer(file, asked)


def _from_layer(file: Path, asked: _Asked) -> Boundary:
    """Lines of a layer that GDAL reads."""
    grid = asked.grid
    is_geojson = file.suffix.lower() in GEOJSON
    named = stated_grid(file, option=f"{asked.table}.grid") if is_geojson else None
    findings: list[Finding] = []
    with _heard(findings):
        found = _read(file, _layer(file, asked), asked)
    own = named if is_geojson and (named or grid) else found.crs_text
    lines, passed = _lines(file, _choose(file, found.geometries, asked), asked)
    findings += passed
    crs = _grid(file, own, asked)
    if found.curved or file.suffix.lower() == ".dxf":
        findings.append(_curves_note())
    if named is not None and not same(crs, WGS84):
        findings.append(
            _note("geojson-grid", f"The GeoJSON states its own grid, {crs.name}, as RFC 7946 no longer does")
        )
    parts = tuple(_part(file, number, line) for number, (_, line) in enumerate(lines, start=1))
    corners = np.concatenate(parts)
    option = f"{asked.table}.grid" if grid or (is_geojson and not named) else "the file's own grid"
    check_places(crs, corners[:, 0], corners[:, 1], place=file.name, option=option)
    names, of = _named([feature for feature, _ in lines], found.names, asked.features)
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


def _check_file(file: Path, asked: _Asked) -> None:
    if file.is_dir():
        raise InputError(
            "is a folder, not a file", file=file, remedy="Name the file in it, or save the boundary as a GeoPackage."
        )
    if not file.is_file():
        remedy = f"Check {asked.table}.file; paths start at the job file."
        raise InputError("there is no such file", file=file, remedy=remedy)
    if file.stat().st_size == 0:
        raise InputError("is an empty file", file=file.name, remedy="Copy or save it anew.")


@contextmanager
def _heard(findings: list[Finding]) -> Iterator[None]:
    """What GDAL remarks on while it reads becomes findings, each once."""
    with warnings.catch_warnings(record=True) as remarks:
        warnings.simplefilter("always")
        yield
    for remark in dict.fromkeys(str(remark.message).strip() for remark in remarks):
        findings.append(_note("file-remark", f"On reading the boundary's file GDAL remarks: {remark}"))


def _layer(file: Path, asked: _Asked) -> str:
    layer, layers, place = asked.layer, layers_of(file), f"{asked.table}.layer"
    if layer is not None and layer not in layers:
        raise InputError(f"has no layer {layer!r}", file=file.name, place=place, remedy=nearest(layer, tuple(layers)))
    if layer is None and len(layers) != 1:
        raise InputError(
            f"has {len(layers)} layers", file=file.name, remedy=f"Set {place} to one of: {', '.join(layers)}."
        )
    return layer if layer is not None else layers[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """What a layer holds: its grid's text, geometries (None where null), their names, and whether any is curved."""

    crs_text: str | None
    geometries: list[Any]
    names: list[str]
    curved: bool


def _read(file: Path, layer: str, asked: _Asked) -> _Found:
    meta, wkb, columns = read_layer(
        file, layer, drawn="line", columns=[] if asked.name_field is None else [asked.name_field]
    )
    if asked.name_field is not None and not len(columns):
        raise InputError(
            f"has no field {asked.name_field!r}",
            file=file.name,
            place=f"{asked.table}.name_field",
            remedy=nearest(asked.name_field, tuple(map(str, pyogrio.read_info(file, layer=layer)["fields"]))),
        )
    geometries = list(shapely.from_wkb(wkb, on_invalid="ignore"))
    for number, geometry in enumerate(geometries, start=1):
        if geometry is None and wkb[number - 1] is not None:
            raise InputError(
                "is damaged: a line of one vertex, or a ring that does not close",
                file=file.name,
                place=f"feature {number}",
                remedy="Draw it anew.",
            )
    names = ["" if name is None else str(name).strip() for name in columns[0]] if len(columns) else [""] * len(wkb)
    return _Found(crs_text=meta["crs"], geometries=geometries, names=names, curved=_curved(file, layer))


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


def _grid(file: Path, own: str | None, asked: _Asked) -> CRS:
    stated, option = asked.grid, f"{asked.table}.grid"
    if own is not None and is_engineering(own):
        own = None
    if own is None and stated is None:
        raise GridError(
            "the file does not say which grid it is in",
            place=file.name,
            remedy=f'Set {option}, for instance {option} = "EPSG:27700".',
        )
    if own is None:
        return read_grid(str(stated), address=option)
    crs = read_grid(own, address=file.name)
    if stated is not None and not same(crs, read_grid(stated, address=option)):
        raise GridError(
            f"the file is in {crs.name}, the job says {stated}",
            place=f"{file.name}, {option}",
            remedy=f"Leave {option} out, or mend the file.",
        )
    return crs


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
