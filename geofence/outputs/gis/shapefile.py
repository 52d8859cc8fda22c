"""``fence-shapefile.zip``: posts and bays as shapefiles, for programs that read nothing newer.

The format has names of ten letters and texts of 254 bytes. Which column has which name, and which texts were cut, is
in ``read-me.txt`` beside them.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray

from geofence.outputs.facts import facts
from geofence.outputs.gis import layers as gis_layers
from geofence.outputs.gis.layers import GisLayer
from geofence.outputs.on_grid import grid_crs
from geofence.plan import FencePlan, Output

__all__ = ["LONGEST_BYTES", "OUTPUT", "short_names", "write"]

LONGEST_NAME = 10
LONGEST_BYTES = 254
_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_DATE = "2000-01-01"
"""Of the tables, and of their files: the same plan gives the same bytes."""

SHORT = {
    "chainage_m": "chain_m",
    "ground_level_m": "ground_m",
    "top_level_m": "top_m",
    "toe_level_m": "toe_m",
    "embedment_m": "embed_m",
    "stock_length_m": "stock_m",
    "bearing_deg": "bear_deg",
    "deflection_deg": "turn_deg",
    "support_back_m": "sup_back_m",
    "support_ahead_m": "sup_ahd_m",
    "survey_distance_m": "survey_m",
    "stands_easting": "stands_e",
    "stands_northing": "stands_n",
    "stands_left_m": "left_m",
    "stands_ahead_m": "ahead_m",
    "stands_top_level_m": "own_top_m",
    "underside_from_m": "under_fr_m",
    "underside_to_m": "under_to_m",
    "top_from_m": "top_fr_m",
    "gap_area_m2": "gap_m2",
    "dig_area_m2": "dig_m2",
    "slope_length_m": "slope_m",
    "cut_angle_deg": "cut_deg",
}


def short_names(columns: Sequence[str]) -> dict[str, str]:
    """Of each column, its name in a shapefile: its own, a known short one, or its beginning; no two alike.

    >>> short_names(["top_level_m", "some_long_name_m", "some_long_name_deg"])
    {'top_level_m': 'top_m', 'some_long_name_m': 'some_long_', 'some_long_name_deg': 'some_long2'}
    """
    found: dict[str, str] = {}
    for column in columns:
        name = wanted = SHORT.get(column, column)[:LONGEST_NAME]
        number = 1
        while name in found.values():
            number += 1
            name = wanted[: LONGEST_NAME - len(str(number))] + str(number)
        found[column] = name
    return found


def write(plan: FencePlan, path: Path) -> None:
    """Write posts and bays, with their grid, and what to know of them."""
    layers = (gis_layers.posts(plan), gis_layers.bays(plan))
    crs = plan.grid.code or grid_crs(plan).to_wkt()
    cut = {layer.name: _cut(layer) for layer in layers}
    with tempfile.TemporaryDirectory() as name, zipfile.ZipFile(path, "w", compresslevel=1) as archive:
        folder = Path(name)
        for layer in layers:
            _write_layer(folder, layer, crs)
            for suffix in _PARTS:
                _add(archive, f"{layer.name}{suffix}", (folder / f"{layer.name}{suffix}").read_bytes())
        told = "".join(f"{line}\r\n" for line in _told(plan, layers, cut))
        _add(archive, "read-me.txt", told.encode("utf-8", "backslashreplace"))


def _add(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    year, month, day = map(int, _DATE.split("-"))
    entry = zipfile.ZipInfo(name, (year, month, day, 0, 0, 0))
    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
    archive.writestr(entry, content)


def _write_layer(folder: Path, layer: GisLayer, crs: str) -> None:
    names = short_names(list(layer.columns))
    pyogrio.raw.write(
        folder / f"{layer.name}.shp",
        geometry=shapely.to_wkb(layer.shapes),
        field_data=[_fitting(values) for values in layer.columns.values()],
        fields=[names[column] for column in layer.columns],
        driver="ESRI Shapefile",
        crs=crs,
        geometry_type=layer.shape,
        layer_options={"ENCODING": "UTF-8", "DBF_DATE_LAST_UPDATE": _DATE},
    )


def _fitting(values: NDArray[Any]) -> NDArray[Any]:
    """A column whose texts fit; cut at the end of a character."""
    if values.dtype != object:
        return values
    found = np.empty(len(values), dtype=object)
    found[:] = [
        text if text is None else text.encode("utf-8")[:LONGEST_BYTES].decode("utf-8", "ignore") for text in values
    ]
    return found


def _cut(layer: GisLayer) -> list[str]:
    """Which texts of a layer are cut: column, and name of the row."""
    first = next(iter(layer.columns.values()))
    return [
        f"{layer.name}, {first[row]}: {column}"
        for column, values in layer.columns.items()
        if values.dtype == object
        for row, text in enumerate(values)
        if text is not None and len(text) * 4 > LONGEST_BYTES and len(text.encode("utf-8")) > LONGEST_BYTES
    ]


def _told(plan: FencePlan, layers: Sequence[GisLayer], cut: Mapping[str, Sequence[str]]) -> Iterator[str]:
    for topic, text in facts(plan, places="easting and northing on the grid", levels="in metres"):
        yield f"{topic}: {text}"
    yield "encoding: UTF-8"
    for layer in layers:
        yield ""
        yield f"COLUMNS OF {layer.name}.dbf"
        for column, name in short_names(list(layer.columns)).items():
            yield f"{name:<{LONGEST_NAME}}  {column}"
    texts = [text for part in cut.values() for text in part]
    yield ""
    yield f"TEXTS THAT WERE CUT AT {LONGEST_BYTES} BYTES, the most that the format holds: {len(texts) or 'none'}"
    yield from texts


OUTPUT = Output(filename="fence-shapefile.zip", title="Posts and bays as shapefiles (ZIP)", write=write, standing=False)
