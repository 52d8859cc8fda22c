"""One file of points, as it stands: text, a layer of a vector file, a laser scan, or the points of LandXML."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.inputs.landxml_points import read_landxml_points
from geofence.inputs.las import read_las
from geofence.inputs.point_columns import NEEDED, PLACE
from geofence.inputs.point_layer import read_point_layer
from geofence.inputs.point_text import PointText, read_point_text
from geofence.site.ground import GroundOptions
from geofence.units import UNITS_M

__all__ = ["LAYER", "SCAN", "TEXT", "XML", "PointFile", "read_point_file"]

TEXT = (".csv", ".txt", ".tsv", ".xyz", ".pts", ".pnt", ".asc", ".dat", ".prn")
LAYER = (".geojson", ".json", ".gpkg", ".shp", ".fgb")
SCAN = (".las", ".laz")
XML = (".xml", ".landxml")
"""Suffixes of the four kinds of file."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointFile:
    """The points of one file before units and grids are brought in.

    Attributes
    ----------
    file, kind
        The file, and what it is: ``text``, ``layer``, ``laser scan``, ``LandXML``.
    x, y
        (n,) in the file's grid and unit, finite.
    level
        (n,) in the file's unit, NaN where there is none.
    where
        (n,) int64, the points' numbers, as ``place`` calls them (``line``, ``feature``, ``point``, ``CgPoint``).
    how
        What was found in the file or stated by the job, in words.
    crs
        The file's reference system, None where it states none.
    place_unit, level_unit
        Units that its header states, None likewise.
    by_letters_xy
        Whether its columns are called x and y alone.
    code, name
        (n,) texts; None where there are none, or they are not wanted.
    left_out
        Points that were passed over already.
    findings
        What is to be told of the file.
    """

    file: Path
    kind: str
    x: Floats
    y: Floats
    level: Floats
    where: NDArray[np.int64]
    place: str
    how: tuple[tuple[str, str], ...]
    crs: CRS | None = None
    place_unit: str | None = None
    level_unit_m: float | None = None
    by_letters_xy: bool = False
    code: NDArray[Any] | None = None
    name: NDArray[Any] | None = None
    left_out: int = 0
    findings: tuple[Finding, ...] = ()

    def at(self, row: int) -> str:
        """Where a row stands in the file, such as ``line 12``."""
        return f"{self.place} {self.where[row]}"


def read_point_file(file: Path, options: GroundOptions, *, names: bool) -> PointFile:
    """Read a file of points, of whatever kind; ``names`` asks for the points' names.

    Raises
    ------
    InputError, GridError, JobError
        As the readers of the four kinds.
    """
    if not file.exists():
        raise InputError("there is no such file", file=file, remedy=f"Check files in [{options.table}].")
    suffix = file.suffix.lower()
    if suffix in SCAN:
        return _scan(file, options)
    if suffix in XML:
        return _landxml(file, options)
    return _layer(file, options) if suffix in LAYER else _text(file, options, names=names)


def _text(file: Path, options: GroundOptions, *, names: bool) -> PointFile:
    texts = (*(("code",) if options.codes else ()), *(("name",) if names else ()))
    need = NEEDED if options.levels == "needed" else PLACE
    text = read_point_text(
        file, order=options.order, decimal=options.decimal, texts=texts, need=need, table=options.table
    )
    return PointFile(
        file=file,
        kind="text",
        x=text.easting,
        y=text.northing,
        level=text.level,
        where=text.line,
        place="line",
        how=_how(text),
        place_unit=text.columns.place_unit,
        level_unit_m=None if text.columns.level_unit is None else UNITS_M[text.columns.level_unit],
        by_letters_xy=text.columns.by_letters_xy and options.order is None,
        code=text.code,
        name=text.name,
    )


def _how(text: PointText) -> tuple[tuple[str, str], ...]:
    return (
        ("encoding", text.encoding),
        ("delimiter", text.layout.delimiter),
        ("decimal", text.decimal),
        ("columns", str(text.columns)),
        ("order from", text.columns_from),
        *((("lines of titles", str(text.layout.title_lines)),) if text.layout.title_lines else ()),
        *((("lines of comment", str(text.comment_lines)),) if text.comment_lines else ()),
    )


def _layer(file: Path, options: GroundOptions) -> PointFile:
    layer = read_point_layer(
        file,
        layer=options.layer,
        level_field=options.level_field,
        grid=options.grid,
        levels=options.levels,
        table=options.table,
    )
    return PointFile(
        file=file,
        kind="layer",
        x=layer.x,
        y=layer.y,
        level=layer.level,
        where=layer.feature,
        place="feature",
        how=(("layer", layer.layer), ("levels from", layer.level_from)),
        crs=layer.crs,
        code=layer.code,
        name=layer.name,
    )


def _scan(file: Path, options: GroundOptions) -> PointFile:
    scan = read_las(file, classes=options.classes, table=options.table)
    return PointFile(
        file=file,
        kind="laser scan",
        x=scan.x,
        y=scan.y,
        level=scan.z,
        where=np.arange(1, len(scan.x) + 1),
        place="point",
        how=(("version", f"LAS {scan.version}"), ("classes", ", ".join(map(str, options.classes)))),
        crs=scan.crs,
        left_out=scan.total - len(scan.x),
    )


def _landxml(file: Path, options: GroundOptions) -> PointFile:
    found = read_landxml_points(file, options)
    return PointFile(
        file=file,
        kind="LandXML",
        x=found.x,
        y=found.y,
        level=found.level,
        where=found.row,
        place="CgPoint",
        how=(("version", found.version), ("order", "northing, easting, level")),
        crs=found.crs,
        level_unit_m=found.level_unit_m,
        code=found.code,
        name=found.name,
        left_out=found.left_out,
        findings=found.findings,
    )
