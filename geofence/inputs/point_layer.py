"""Points from a layer of a vector file: GeoJSON, GeoPackage, shapefile; levels from Z or from a field."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Floats
from geofence.errors import InputError, JobError
from geofence.inputs.layers import GEOJSON, read_layer
from geofence.inputs.point_columns import Role, role_named
from geofence.words import nearest

__all__ = ["PointLayer", "read_point_layer"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointLayer:
    """The points of a layer.

    Attributes
    ----------
    x, y
        (n,) in the layer's grid and unit.
    level
        (n,) as they stand there, NaN where there is none.
    feature
        (n,) int64, which feature each is of, from 1.
    code, name
        (n,) texts of the fields so called; None where there is none.
    crs
        The layer's grid, None where it states none.
    layer
        The layer's name.
    level_from
        ``Z``, or ``field NAME``; ``nothing`` where there are no levels.
    """

    x: Floats
    y: Floats
    level: Floats
    feature: NDArray[np.int64]
    code: NDArray[Any] | None
    name: NDArray[Any] | None
    crs: CRS | None
    layer: str
    level_from: str


def read_point_layer(
    file: Path, *, layer: str | None = None, level_field: str | None = None, grid: str | None = None,
    levels: Literal["needed", "optional"] = "needed", table: str = "ground",
) -> PointLayer:  # fmt: skip
    """The points of a layer with their levels.

    ``grid`` is what the job says of a file without one: a GeoJSON that names none is then not in degrees. A file
    without any level is refused, unless ``levels`` are optional.

    Raises
    ------
    InputError
        It is no vector file that can be read, or holds no points.
    JobError
        It is not certain which layer, or which field, holds the levels.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what GDAL remarks on concerns other members than points and fields
        found = read_layer(file, layer=layer, grid=grid, table=table, drawn="points", geometry="Point")
    if file.suffix.lower() in GEOJSON:
        _refuse_half_levels(file)
    points, feature = _points(file, found.wkb)
    level, level_from = _levels(file, points, feature, found.fields, level_field, levels, table)
    return PointLayer(
        x=shapely.get_x(points),
        y=shapely.get_y(points),
        level=level,
        feature=feature + 1,
        code=_text(found.fields, ("code", "description"), feature),
        name=_text(found.fields, ("point",), feature),
        crs=found.crs,
        layer=found.name,
        level_from=level_from,
    )


def _points(file: Path, wkb: Any) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Single points, and the feature of each from 0; multi-points taken apart."""
    geometries = shapely.from_wkb(wkb)
    known = np.flatnonzero(~(shapely.is_missing(geometries) | shapely.is_empty(geometries)))
    kinds = shapely.get_type_id(geometries[known])
    wrong = ~np.isin(kinds, [shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT])
    if not len(known) or wrong.any():
        held = geometries[known[np.argmax(wrong)]].geom_type if wrong.any() else "no geometry"
        raise InputError(
            f"holds no points to survey by, but {held}",
            file=file.name,
            place=f"feature {known[np.argmax(wrong)] + 1}" if wrong.any() else None,
            remedy="Give a layer of points alone.",
        )
    points, of = shapely.get_parts(geometries[known], return_index=True)
    places = shapely.get_coordinates(points)
    if not np.isfinite(places).all():
        row = int(known[of[np.argmin(np.isfinite(places).all(axis=1))]])
        raise InputError(
            "a coordinate is not a number", file=file.name, place=f"feature {row + 1}", remedy="Mend the point."
        )
    return points, known[of]


def _levels(
    file: Path, points: NDArray[Any], feature: NDArray[np.int64], fields: Mapping[str, Any], chosen: str | None,
    levels: Literal["needed", "optional"], table: str,
) -> tuple[Floats, str]:  # fmt: skip
    numbers = [name for name, values in fields.items() if values.dtype.kind in "iuf"]
    if chosen is not None:
        if chosen not in numbers:
            what = "no number" if chosen in fields else "no field"
            raise JobError(
                f"{file.name} has {what} {chosen!r}",
                place=f"{table}.level_field",
                remedy=nearest(chosen, tuple(numbers)),
            )
        return fields[chosen][feature].astype(np.float64), f"field {chosen}"
    level = shapely.get_z(points).astype(np.float64)
    if np.isfinite(level).any() and np.any(level[np.isfinite(level)] != 0.0):
        return level, "Z"
    if levels == "optional":
        return np.full(len(points), np.nan), "nothing"
    why = "their Z is 0 throughout, which is no level" if np.isfinite(level).any() else "they have no Z"
    raise JobError(
        f"the points of {file.name} have no levels: {why}",
        place=f"{table}.level_field",
        remedy=f"Name the field that holds them; its number fields: {', '.join(numbers) or 'none'}.",
    )


def _text(fields: Mapping[str, Any], roles: Sequence[Role], feature: NDArray[np.int64]) -> NDArray[Any] | None:
    """The first field whose name has one of the roles, as text."""
    for role in roles:
        for name, values in fields.items():
            if role_named(name) == role:
                texts = ["" if value is None or value != value else str(value) for value in values.tolist()]
                return np.array(texts, dtype=str)[feature]
    return None


def _refuse_half_levels(file: Path) -> None:
    """Refuse a multi-point of which some positions have a level and others none: GDAL would make these 0."""
    for address, positions in _multipoints(json.loads(file.read_text(encoding="utf-8-sig")), ""):
        if len({len(position) > 2 for position in positions}) > 1:
            raise InputError(
                "some positions of a MultiPoint have a level and others have none",
                file=file.name,
                place=address,
                remedy="Write each as a Point of its own.",
            )


def _multipoints(node: Any, address: str) -> Iterator[tuple[str, Sequence[Sequence[float]]]]:
    if isinstance(node, dict):
        if node.get("type") == "MultiPoint":
            yield f"{address}.coordinates".lstrip("."), node["coordinates"]
        for key in ("features", "geometries"):
            for row, member in enumerate(node.get(key) or ()):
                yield from _multipoints(member, f"{address}.{key}[{row}]".lstrip("."))
        yield from _multipoints(node.get("geometry"), f"{address}.geometry".lstrip("."))
