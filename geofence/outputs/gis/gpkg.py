"""``fence.gpkg``: the plan as a GeoPackage (OGC 12-128), with a table for each kind of thing and how it is to look.

Places are on the job's grid. GDAL writes the tables; how they look stands in ``layer_styles``, a table that desktop
programs read by convention, each style as QML and as SLD.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import pyogrio
import shapely

from geofence.outputs.gis.layers import GisLayer, all_layers
from geofence.outputs.gis.qml import qml
from geofence.outputs.gis.sld import sld
from geofence.outputs.gis.styles import STYLES, Style
from geofence.outputs.on_grid import grid_crs
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]

_MOMENT = "2000-01-01T00:00:00.000Z"
"""Of every table's last change: the same plan gives the same bytes. When it was planned stands in ``plan.json``."""

_VERSION = "1.3"
"""Programs of some years ago know it as well."""

_GEOMETRY = "geom"

_STYLE_TABLE = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME
)
"""


def write(plan: FencePlan, path: Path) -> None:
    """Write the layers, and how they are to look."""
    path.unlink(missing_ok=True)
    layers = all_layers(plan)
    crs = plan.grid.code or grid_crs(plan).to_wkt()
    with _settings():
        for layer in layers:
            _write_layer(path, layer, crs)
    _write_styles(path, [layer for layer in layers if layer.shape != "none"])


@contextmanager
def _settings() -> Iterator[None]:
    """GDAL stamps tables with the time and waits for the disk at every table, unless it is told otherwise.

    Whoever asked for the file sees to it that it is on the disk.
    """
    wanted = {"OGR_CURRENT_DATE": _MOMENT, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _write_layer(path: Path, layer: GisLayer, crs: str) -> None:
    spatial = layer.shape != "none"
    pyogrio.raw.write(
        path,
        geometry=shapely.to_wkb(layer.shapes) if spatial else None,
        field_data=list(layer.columns.values()),
        fields=list(layer.columns),
        layer=layer.name,
        driver="GPKG",
        crs=crs if spatial else None,
        geometry_type=layer.shape if spatial else None,
        dataset_options={} if path.exists() else {"VERSION": _VERSION},
        layer_options={"IDENTIFIER": layer.name, "DESCRIPTION": layer.title, "GEOMETRY_NAME": _GEOMETRY},
    )


def _write_styles(path: Path, layers: Sequence[GisLayer]) -> None:
    rows = [_row(layer, STYLES[layer.name]) for layer in layers if layer.name in STYLES]
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA synchronous = OFF")
        base.execute(_STYLE_TABLE)
        base.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
            " styleQML, styleSLD, useAsDefault, description, owner, ui, update_time)"
            " VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)",
            rows,
        )
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
            " VALUES ('layer_styles', 'attributes', 'layer_styles', 'How the layers are to look', ?)",
            (_MOMENT,),
        )
        base.execute("INSERT INTO gpkg_ogr_contents VALUES ('layer_styles', ?)", (len(rows),))


def _row(layer: GisLayer, style: Style) -> tuple[str, ...]:
    return (layer.name, _GEOMETRY, layer.name, qml(style), sld(layer.name, style), layer.title, _MOMENT)


OUTPUT = Output(filename="fence.gpkg", title="All layers with their styles (GeoPackage)", write=write, standing=False)
