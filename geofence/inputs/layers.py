"""Layers of vector files: what there is in a file, how GDAL reads it, and what says nothing of a grid."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.errors import InputError

__all__ = ["ARC_STEP_DEG", "GEOJSON", "READ_ERRORS", "is_engineering", "layers_of", "read_layer"]

ARC_STEP_DEG = 0.5
"""Curves become chords of this angle: a chord leaves an arc of radius r by r / 105,000, 1 mm at 100 m."""

GEOJSON = (".geojson", ".json")

READ_ERRORS = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError)


def layers_of(file: Path) -> list[str]:
    """Names of a file's layers.

    Raises
    ------
    InputError
        GDAL makes nothing of it.
    """
    try:
        return [str(name) for name, _ in pyogrio.list_layers(file)]
    except pyogrio.errors.DataSourceError as error:
        raise InputError(
            "is no vector file that can be read, or is damaged",
            file=file.name,
            remedy="Give a GeoJSON, GeoPackage, shapefile, DXF or another vector file.",
        ) from error


@contextmanager
def _fine_arcs() -> Iterator[None]:
    """GDAL's step for curves, set for as long as a file is read."""
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG)})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


def read_layer(file: Path, layer: str, *, drawn: str, **options: Any) -> tuple[dict[str, Any], Any, Any]:
    """What GDAL says of a layer, its geometries as WKB, and its fields.

    ``drawn`` is what the file should hold, for the error; ``options`` go to pyogrio.

    Raises
    ------
    InputError
        The layer is damaged, or a table without geometry.
    """
    try:
        with _fine_arcs():
            meta, _, wkb, columns = pyogrio.raw.read(file, layer=layer, **options)
    except READ_ERRORS as error:
        raise InputError(
            f"cannot be read: {error}", file=file.name, remedy="Save it anew from where it was drawn."
        ) from error
    if wkb is None:
        raise InputError("is a table without geometry", file=file.name, remedy=f"Give a file with the {drawn} drawn.")
    return meta, wkb, columns


def is_engineering(text: str) -> bool:
    """Whether a grid is a site's own, tied to nothing: so a GeoPackage says that its grid is not known."""
    try:
        return CRS.from_user_input(text).is_engineering
    except CRSError:
        return False
