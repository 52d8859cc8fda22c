"""Elevation rasters for tests, written to disk, and opened as ground."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio import Affine

from geofence.inputs.rasters import READER
from geofence.site.ground import GroundOptions
from geofence.site.raster import RasterGround

METRE = Affine(1, 0, 400_000, 0, -1, 100_000)
"""North-up cells of one metre."""


def write(
    file: Path, numbers: Any, *, transform: Affine = METRE, crs: str | None = "EPSG:27700", **options: Any
) -> Path:
    """Write (rows, columns) or (bands, rows, columns) of numbers; GeoTIFF where no driver is named."""
    bands = np.atleast_3d(numbers.T).T if numbers.ndim == 2 else numbers
    profile = {
        "driver": "GTiff",
        "height": bands.shape[1],
        "width": bands.shape[2],
        "count": bands.shape[0],
        "dtype": bands.dtype,
        "transform": transform,
        "crs": crs,
        **options,
    }
    with rasterio.open(file, "w", **profile) as target:
        target.write(bands)
    return file


def ground(*files: Path, **options: Any) -> RasterGround:
    """Open files as ground, with the job's options."""
    return READER.open(files, GroundOptions(**options))


def centres(transform: Affine, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """x, y (rows, columns) of cell centres."""
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]] + 0.5
    a, b, x, d, e, y = transform[:6]
    return x + a * column + b * row, y + d * column + e * row


def places(transform: Affine, row: Any, column: Any) -> tuple[np.ndarray, np.ndarray]:
    """x, y of (row, column) counted from the centre of the first cell."""
    row, column = np.asarray(row, dtype=float) + 0.5, np.asarray(column, dtype=float) + 0.5
    a, b, x, d, e, y = transform[:6]
    return x + a * column + b * row, y + d * column + e * row
