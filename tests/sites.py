"""Small real sites for tests: rasters and boundary files written to disk, in any grid."""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

Surface = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def hilly(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """A smooth ground of hills some metres high, a function of metres from a corner."""
    return 100 + 4 * np.sin(x / 35) + 3 * np.cos(y / 50) + 0.02 * x


def write_raster(
    file: Path,
    *,
    crs: CRS,
    west: float,
    north: float,
    cell: float,
    shape: tuple[int, int],
    surface: Surface = hilly,
    **options: object,
) -> Path:
    """A float32 GeoTIFF of a surface of (x - west, north - y), sampled at cell centres."""
    rows, columns = shape
    x = (np.arange(columns) + 0.5) * cell
    y = (np.arange(rows) + 0.5) * cell
    level = surface(*np.meshgrid(x, y)).astype(np.float32)
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": "float32",
        "nodata": -9999.0,
        "crs": crs.to_wkt(),
        "transform": rasterio.transform.from_origin(west, north, cell, cell),
        **options,
    }
    with rasterio.open(file, "w", **profile) as target:
        target.write(level, 1)
    return file


def write_line(file: Path, corners: NDArray[np.float64] | Sequence[tuple[float, float]], *, crs: CRS | None) -> Path:
    """A GeoPackage (or whatever the suffix says) with one line."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "'crs' was not provided")
        pyogrio.raw.write(
            file,
            geometry=shapely.to_wkb([shapely.LineString(corners)]),
            field_data=[],
            fields=[],
            crs=None if crs is None else crs.to_wkt(),
            geometry_type="LineString",
            layer=file.stem,
        )
    return file


def carried(corners: NDArray[np.float64], source: CRS, target: CRS) -> NDArray[np.float64]:
    """Corners in another grid of the same datum."""
    return np.column_stack(Transformer.from_crs(source, target, always_xy=True).transform(*np.asarray(corners).T))


def geojson_line(corners: Sequence[tuple[float, float]]) -> str:
    """A GeoJSON text with one line."""
    geometry = {"type": "LineString", "coordinates": [list(corner) for corner in corners]}
    return json.dumps(
        {"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": geometry}]}
    )
