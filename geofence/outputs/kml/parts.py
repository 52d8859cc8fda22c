"""Pieces of KML 2.2: schemas of values, folders, placemarks and shapes, each in the order that the standard wants."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.digits import POSITION, decimals_of, figures, fixed
from geofence.outputs.xml_text import content
from geofence.plan import Grid

__all__ = ["Columns", "data", "folder", "line", "pairs", "placemarks", "point", "polygon", "schema", "together"]

FIGURES = ("easting", "northing", "value", "limit")
"""Values that are numbers although their names end in no unit."""

Columns = Mapping[str, Sequence[Any] | Floats]
"""Values by name, a column each."""


def _is_figure(name: str) -> bool:
    return name in FIGURES or name.endswith("_m")


def schema(name: str, values: Iterable[str]) -> str:
    """What the values of a kind of object are: numbers or text."""
    fields = (f'<SimpleField type="{"double" if _is_figure(value) else "string"}" name="{value}"/>' for value in values)
    return f'<Schema name="{name}" id="{name}">{"".join(fields)}</Schema>\n'


def folder(title: str, inside: Iterable[str]) -> Iterator[str]:
    """A folder with placemarks."""
    yield f"<Folder>\n<name>{content(title)}</name>\n"
    yield from inside
    yield "</Folder>\n"


def placemarks(
    names: Iterable[str], words: Iterable[str], addresses: Iterable[str], values: Iterable[str], shapes: Iterable[str]
) -> Iterator[str]:
    """One placemark a row.

    Parameters
    ----------
    names
        Plain text.
    words
        HTML in which nothing of a user's is markup.
    addresses
        Of styles.
    values, shapes
        Elements as :func:`data`, :func:`point` and the others give them; a shape may be empty.
    """
    for name, said, address, given, shape in zip(names, words, addresses, values, shapes, strict=True):
        yield (
            f"<Placemark><name>{content(name)}</name><description>{content(said)}</description>"
            f"<styleUrl>{address}</styleUrl>{given}{shape}</Placemark>\n"
        )


def data(name: str, columns: Columns, grid: Grid) -> Iterator[str]:
    """The values of each row as typed data of a schema; a value that does not exist is left out."""
    cells = [
        [f'<SimpleData name="{value}">{text}</SimpleData>' if text else "" for text in _texts(value, column, grid)]
        for value, column in columns.items()
    ]
    for row in zip(*cells, strict=True):
        yield f'<ExtendedData><SchemaData schemaUrl="#{name}">{"".join(row)}</SchemaData></ExtendedData>'


def _texts(name: str, values: Sequence[Any] | Floats, grid: Grid) -> Iterable[str]:
    if _is_figure(name):
        return figures(np.array(values, dtype=np.float64), decimals_of(name, grid), missing="")
    known = {value: content("" if value is None else str(value)) for value in set(values)}
    return [known[value] for value in values]


def pairs(lon_deg: Floats, lat_deg: Floats) -> Iterable[str]:
    """Longitude and latitude of places, each as one text; no altitude, so that viewers lay them on the ground."""
    lon = np.round(lon_deg, POSITION)
    lon = np.where(np.abs(lon) > 180, (lon + 180) % 360 - 180, lon)
    return map(",".join, zip(fixed(lon, POSITION, missing=""), fixed(lat_deg, POSITION, missing=""), strict=True))


def point(pair: str) -> str:
    """A point."""
    return f"<Point><coordinates>{pair}</coordinates></Point>"


def line(places: Sequence[str]) -> str:
    """A line that follows the ground."""
    return f"<LineString><tessellate>1</tessellate><coordinates>{' '.join(places)}</coordinates></LineString>"


def polygon(places: Sequence[str]) -> str:
    """An area that follows the ground, its ring closed."""
    closed = places if places[0] == places[-1] else [*places, places[0]]
    ring = f"<LinearRing><coordinates>{' '.join(closed)}</coordinates></LinearRing>"
    return f"<Polygon><tessellate>1</tessellate><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"


def together(shapes: Sequence[str]) -> str:
    """Several shapes as one; nothing for none."""
    if len(shapes) < 2:
        return "".join(shapes)
    return f"<MultiGeometry>{''.join(shapes)}</MultiGeometry>"
