"""Layers of vector files: which one is meant, how GDAL reads it, and the grid that it states."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyogrio
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.errors import GridError, InputError, JobError
from geofence.inputs.geojson import stated_grid
from geofence.words import nearest

__all__ = ["ARC_STEP_DEG", "GEOJSON", "READ_ERRORS", "Layer", "check_file", "read_layer"]

ARC_STEP_DEG = 0.5
"""Curves become chords of this angle: a chord leaves an arc of radius r by r / 105,000, 1 mm at 100 m."""

GEOJSON = (".geojson", ".json")

READ_ERRORS = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """A layer as it stands in its file.

    Attributes
    ----------
    name
        What it is called.
    wkb
        (n,) the geometries of its features, None where one has none.
    fields
        (n,) values of its features by the name of the field.
    crs
        Its reference system, None where the file states none.
    named
        Whether that is named by a GeoJSON, as RFC 7946 no longer does.
    other_grid
        What a user sets where it is in another one.
    """

    name: str
    wkb: NDArray[Any]
    fields: Mapping[str, NDArray[Any]]
    crs: CRS | None
    named: bool
    other_grid: str


def check_file(file: Path, *, option: str) -> None:
    """Refuse a file that is not there or holds nothing; ``option`` is the key of the job that names it.

    Raises
    ------
    InputError
        It is so.
    """
    if file.is_dir():
        raise InputError(
            "is a folder, not a file", file=file, remedy="Name the file in it, or save what it holds as a GeoPackage."
        )
    if not file.is_file():
        raise InputError("there is no such file", file=file, remedy=f"Check {option}; paths start at the job file.")
    if file.stat().st_size == 0:
        raise InputError("is an empty file", file=file.name, remedy="Copy or save it anew.")


def read_layer(
    file: Path,
    *,
    layer: str | None,
    grid: str | None,
    table: str,
    drawn: str,
    geometry: str = "",
    columns: Sequence[str] | None = None,
) -> Layer:
    """Read a layer of a file that is there.

    Parameters
    ----------
    file
        A GeoJSON, or whatever else GDAL reads.
    layer
        The name of the layer; None for the only one.
    grid
        What the job says of a file without a grid: a GeoJSON that names none is then not in degrees.
    table
        What the job calls the table that names the file, for errors: ``line[2]``.
    drawn
        What the file should hold, for errors.
    geometry
        What a layer should have in the name of its kind of geometry to be the one that is meant: ``Point``.
    columns
        Names of the fields to read; all where left out.

    Raises
    ------
    InputError
        The file is damaged, or the layer is a table without geometry.
    JobError
        There is no such layer, or it is not certain which one is meant.
    GridError
        The file names a grid that PROJ does not know.
    """
    is_geojson = file.suffix.lower() in GEOJSON
    named = stated_grid(file, option=f"{table}.grid") if is_geojson else None
    name = _chosen(file, layer, geometry, option=f"{table}.layer")
    try:
        with _fine_arcs():
            meta, _, wkb, values = pyogrio.raw.read(file, layer=name, columns=columns)
    except READ_ERRORS as error:
        raise InputError(
            f"cannot be read: {error}", file=file.name, remedy="Save it anew from where it was drawn."
        ) from error
    if wkb is None:
        raise InputError("is a table without geometry", file=file.name, remedy=f"Give a file with the {drawn} drawn.")
    return Layer(
        name=name,
        wkb=wkb,
        fields=dict(zip(map(str, meta["fields"]), values, strict=True)),
        crs=_known(file, named if is_geojson and (named or grid) else meta["crs"]),
        named=named is not None,
        other_grid=f"{table}.grid" if grid or (is_geojson and not named) else "the file's own grid",
    )


def _chosen(file: Path, layer: str | None, geometry: str, *, option: str) -> str:
    """The layer that is meant."""
    try:
        layers = {str(name): str(kind) for name, kind in pyogrio.list_layers(file)}
    except READ_ERRORS as error:
        raise InputError(
            "is no vector file that can be read, or is damaged",
            file=file.name,
            remedy="Give a GeoJSON, GeoPackage, shapefile, DXF or another vector file.",
        ) from error
    if layer in layers:
        return str(layer)
    if layer is not None:
        raise JobError(f"{file.name} has no layer {layer!r}", place=option, remedy=nearest(layer, tuple(layers)))
    candidates = [name for name, kind in layers.items() if geometry in kind] or list(layers)
    if len(candidates) != 1:
        raise JobError(
            f"{file.name} has {len(candidates)} layers", place=option, remedy=f"Name one of: {', '.join(candidates)}."
        )
    return candidates[0]


@contextmanager
def _fine_arcs() -> Iterator[None]:
    """GDAL's step for curves, set for as long as a file is read."""
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG)})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


def _known(file: Path, text: str | None) -> CRS | None:
    """The reference system that a file states in a text of GDAL's; None for none."""
    try:
        return None if text is None else CRS.from_user_input(text)
    except CRSError as error:
        raise GridError(
            f"the file says its grid is {text!r}, which PROJ does not know",
            place=file.name,
            remedy="Mend it: assign the file a grid that is known, by its EPSG code.",
        ) from error
