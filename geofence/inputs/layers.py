"""Layers of vector files: what there is in a file, how GDAL reads it, and what says nothing of a grid."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.errors import InputError

__all__ = ["ARC_STEP_DEG", "GEOJSON", "READ_ERRORS", "fine_arcs", "is_engineering", "layers_of"]

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
def fine_arcs() -> Iterator[None]:
    """GDAL's step for curves, set for as long as a file is read."""
    before = pyogrio.get_gdal_config_option("OGR_ARC_STEPSIZE")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG)})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": before})


def is_engineering(text: str) -> bool:
    """Whether a grid is a site's own, tied to nothing: so a GeoPackage says that its grid is not known."""
    try:
        return CRS.from_user_input(text).is_engineering
    except CRSError:
        return False
