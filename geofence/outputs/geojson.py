"""A GeoJSON feature collection (RFC 7946) made column by column.

Positions are longitude, latitude on WGS 84 with 9 decimals, and nothing else. A collection carries, as foreign members
(RFC 7946, 6.1), what its numbers are in and the cautions. No ``crs`` member, no number that is not finite.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.digits import DEGREES, POSITION, decimals_of, figures
from geofence.plan import FencePlan, Grid

__all__ = ["lines", "points", "write_collection"]

_PAIR = f"[%.{POSITION}f,%.{POSITION}f]"
_POINT = f'{{"type":"Point","coordinates":{_PAIR}}}'
_LINE = f'{{"type":"LineString","coordinates":[{_PAIR},{_PAIR}]}}'
_TWO_LINES = f'{{"type":"MultiLineString","coordinates":[[{_PAIR},{_PAIR}],[{_PAIR},{_PAIR}]]}}'


def points(lon_deg: Floats, lat_deg: Floats) -> list[str]:
    """The geometry of points, (n,) each."""
    return list(map(_POINT.__mod__, zip(_longitudes(lon_deg).tolist(), _rounded(lat_deg).tolist(), strict=True)))


def lines(lon_from_deg: Floats, lat_from_deg: Floats, lon_to_deg: Floats, lat_to_deg: Floats) -> list[str]:
    """The geometry of lines between two places, (n,) each; one that crosses the antimeridian is cut in two there."""
    start, end = _longitudes(lon_from_deg), _longitudes(lon_to_deg)
    # a place on the antimeridian itself is called +180 or -180 after the side that its line lies on
    start = _beside(start, end)
    end = _beside(end, start)
    columns = (start, _rounded(lat_from_deg), end, _rounded(lat_to_deg))
    rows = list(zip(*(column.tolist() for column in columns), strict=True))
    texts = list(map(_LINE.__mod__, rows))
    for row in np.flatnonzero(np.abs(end - start) > 180).tolist():
        texts[row] = _cut(*rows[row])
    return texts


def _longitudes(lon_deg: Floats) -> Floats:
    """Longitudes brought into -180..180, as they are written."""
    return _rounded(np.where(np.abs(lon_deg) > 180, (lon_deg + 180) % 360 - 180, lon_deg))


def _rounded(degrees: Floats) -> Floats:
    return np.asarray(np.round(degrees, POSITION) + 0.0)  # + 0.0: no negative zero


def _beside(lon_deg: Floats, other_deg: Floats) -> Floats:
    return np.where(np.abs(lon_deg) == 180, np.copysign(180.0, other_deg), lon_deg)


def _cut(lon_from: float, lat_from: float, lon_to: float, lat_to: float) -> str:
    """Two lines that meet at the antimeridian (RFC 7946, 3.1.9)."""
    side = 180.0 if lon_from > 0 else -180.0
    share = (side - lon_from) / (lon_to + 2 * side - lon_from)
    lat = lat_from + share * (lat_to - lat_from)
    return _TWO_LINES % (lon_from, lat_from, side, lat, -side, lat, lon_to, lat_to)


def write_collection(
    path: Path, plan: FencePlan, *, layer: str, columns: Mapping[str, Sequence[Any] | Floats], geometry: Sequence[str]
) -> None:
    """Write a collection, one feature a line; ``columns`` become its properties in their order.

    ``layer`` is the name that a reader gives the table; columns of floats are rounded by their unit, and what is
    not finite is ``null``.
    """
    names = ",".join(f"{_text(name)}:%s" for name in columns)
    feature = f'{{"type":"Feature","properties":{{{names}}},"geometry":%s}}'
    texts = [_texts(name, values, plan.grid) for name, values in columns.items()]
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
        file.write(f'{{"type":"FeatureCollection","name":{_text(layer)},"plan":{_text(_about(plan))},"features":[\n')
        file.writelines(_separated(map(feature.__mod__, zip(*texts, geometry, strict=True))))
        file.write("\n]}\n")


def _separated(features: Iterable[str]) -> Iterable[str]:
    separator = ""
    for feature in features:
        yield separator + feature
        separator = ",\n"


def _texts(name: str, values: Sequence[Any] | Floats, grid: Grid) -> Iterable[str]:
    if isinstance(values, np.ndarray):
        if name == "bearing_deg":  # 359.9999999 is north, not 360
            values = np.round(values, DEGREES) % 360
        return figures(values, decimals_of(name, grid), missing="null")
    known = {word: _text(word) for word in set(values)}
    return [known[word] for word in values]


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _about(plan: FencePlan) -> dict[str, Any]:
    """What a reader must know to use the numbers."""
    grid = plan.grid
    return {
        "name": plan.name,
        "grid": {"name": grid.name, "code": grid.code, "unit": grid.unit, "unit_m": grid.unit_m},
        "level_datum": grid.level_datum,
        "units": {
            "coordinates": "degree, WGS 84",
            "easting, northing": f"{grid.unit}, on the grid",
            "_m": "metre; levels on the level datum, lengths and chainages on the ground",
            "_m2": "square metre",
            "_kn": "kilonewton, up positive",
            "_deg": "degree; bearings clockwise from grid north, turns to the right positive",
        },
        "cautions": list(plan.cautions),
    }
