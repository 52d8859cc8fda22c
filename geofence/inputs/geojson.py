"""GeoJSON as text: what GDAL reads around in silence is refused here, by its address (``features[3].geometry``)."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.errors import GridError, InputError

__all__ = ["stated_grid"]

DEPTH = {
    "Point": 0,
    "MultiPoint": 1,
    "LineString": 1,
    "MultiLineString": 2,
    "Polygon": 2,
    "MultiPolygon": 3,
}
"""How many lists stand around a position in each kind of geometry (RFC 7946, 3.1)."""

COLLECTIONS = {"FeatureCollection": "features", "GeometryCollection": "geometries"}
GEOMETRIES = (*DEPTH, "GeometryCollection")
ANY = (*GEOMETRIES, "Feature", "FeatureCollection")

POSITIONS_MIN = {"LineString": 2, "MultiLineString": 2, "Polygon": 4, "MultiPolygon": 4}
"""The fewest positions of a line, and of a ring, whose last repeats its first."""


def stated_grid(file: Path, *, option: str = "line.grid") -> str | None:
    """The grid that a GeoJSON file's ``crs`` member names, None where it has none; after a check of the whole file.

    ``option`` is the job's key for the file's grid.

    Raises
    ------
    InputError
        The file is no GeoJSON throughout; the error gives the address of the first fault.
    GridError
        The ``crs`` member names no grid that PROJ knows: GDAL would take longitude and latitude in its place.
    """
    content = _content(file)
    for address, geometry in _geometries(file, content, "", ANY):
        _check_geometry(file, geometry, address)
    return _named_grid(file, content, option)


def _content(file: Path) -> Any:
    try:
        content = json.loads(file.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError("is no JSON: it is not in UTF-8", file=file.name, remedy="Save it as UTF-8.") from error
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"is no JSON: {error}", file=file.name, remedy="Is the file cut short? Save it anew."
        ) from error
    if not isinstance(content, dict) or "type" not in content:
        raise InputError('is no GeoJSON: it has no "type"', file=file.name, remedy="Save the boundary as GeoJSON.")
    return content


def _named_grid(file: Path, content: dict[str, Any], option: str) -> str | None:
    member = content.get("crs")
    if member is None:
        return None
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    try:
        CRS.from_user_input(name)
    except CRSError as error:
        raise GridError(
            f'its "crs" names no grid that is known: {_short(member)}',
            place=file.name,
            remedy=f'Mend it, or take it out and set {option}, for instance {option} = "EPSG:27700".',
        ) from error
    return str(name)


def _geometries(file: Path, node: Any, address: str, allowed: Sequence[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every simple geometry below a node, with its address."""
    kind = node.get("type") if isinstance(node, dict) else None
    if kind not in allowed:
        wanted = "feature" if allowed == ("Feature",) else "geometry"
        shown = _short(node if kind is None else kind)
        raise InputError(
            f"{shown} is no GeoJSON {wanted}", file=file.name, place=address or None, remedy="See RFC 7946, 3."
        )
    dot = "." if address else ""
    if kind in COLLECTIONS:
        below = COLLECTIONS[kind]
        members = node.get(below)
        if not isinstance(members, list):
            raise InputError(
                f"the {below} of a {kind} are no list",
                file=file.name,
                place=f"{address}{dot}{below}",
                value=_short(members),
                remedy="See RFC 7946, 3.",
            )
        inside = ("Feature",) if kind == "FeatureCollection" else GEOMETRIES
        for row, member in enumerate(members):
            yield from _geometries(file, member, f"{address}{dot}{below}[{row}]", inside)
    elif kind == "Feature":
        if node.get("geometry") is not None:
            yield from _geometries(file, node["geometry"], f"{address}{dot}geometry", GEOMETRIES)
    else:
        yield address, node


def _check_geometry(file: Path, geometry: dict[str, Any], address: str) -> None:
    kind = geometry["type"]
    where = f"{address}.coordinates" if address else "coordinates"
    if kind == "Point" and geometry.get("coordinates") == []:  # an empty one
        return
    _check_nested(file, kind, where, geometry.get("coordinates"), DEPTH[kind])


def _check_nested(file: Path, kind: str, place: str, node: Any, depth: int) -> None:
    """Check the positions below a node that should have so many lists around each."""
    if not isinstance(node, list):
        raise _wrong_nesting(file, kind, place, node)
    if depth == 0:
        _check_position(file, kind, place, node)
        return
    for row, item in enumerate(node):
        _check_nested(file, kind, f"{place}[{row}]", item, depth - 1)
    if depth == 1 and node:
        _check_count(file, kind, place, node)


def _check_position(file: Path, kind: str, place: str, position: list[Any]) -> None:
    if any(isinstance(item, list) for item in position):
        raise _wrong_nesting(file, kind, place, position)
    if len(position) < 2 or not all(isinstance(item, (int, float)) and not isinstance(item, bool) for item in position):
        raise InputError(
            "a position is two or three numbers",
            file=file.name,
            place=place,
            value=_short(position),
            remedy="Write [longitude, latitude] without quotes.",
        )
    for item in position:
        if not math.isfinite(item):
            raise InputError(
                f"{json.dumps(item)} is no number",
                file=file.name,
                place=place,
                value=_short(position),
                remedy="Mend the vertex where the boundary was drawn.",
            )


def _check_count(file: Path, kind: str, place: str, positions: list[Any]) -> None:
    least = POSITIONS_MIN.get(kind, 0)
    if len(positions) < least:
        raise InputError(
            f"a {'line' if least == 2 else 'ring'} needs at least {'two' if least == 2 else 'four'} positions",
            file=file.name,
            place=place,
            value=len(positions),
            remedy="Draw the line anew.",
        )
    if least == 4 and positions[0] != positions[-1]:
        raise InputError(
            "a ring must end at the position where it starts",
            file=file.name,
            place=place,
            value=_short([positions[0], positions[-1]]),
            remedy="Repeat the first position at the end, or draw the boundary as a line.",
        )


def _wrong_nesting(file: Path, kind: str, place: str, node: Any) -> InputError:
    lists = "1 list" if DEPTH[kind] == 1 else f"{DEPTH[kind]} lists"
    return InputError(
        f"the coordinates of a {kind} are nested wrongly",
        file=file.name,
        place=place,
        value=_short(node),
        remedy=f"A {kind} has {lists} around each position (RFC 7946, 3.1).",
    )


def _short(node: Any) -> str:
    text = json.dumps(node)
    return text if len(text) <= 60 else f"{text[:57]}..."
