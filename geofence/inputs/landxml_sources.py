"""What a LandXML surface was made from: data points, break lines and contours, and the boundaries where it ends."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.errors import InputError
from geofence.inputs.landxml_numbers import Misfit, point_list
from geofence.inputs.xml_stream import Element

__all__ = ["Sources", "extent_of", "listed", "sources_of"]

MARGIN = 1.0
"""Beyond the outermost points, in the file's unit: where only voids are drawn, they are cut out of all there is."""

VOIDS = ("void", "hole")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sources:
    """Points and lines of a surface.

    Attributes
    ----------
    points
        (n, 3) easting, northing, level.
    lines
        (k, 3) easting, northing, level, or NaN where a vertex has none.
    without_level
        How many data points have no level.
    passed
        What was passed over and why, in words.
    """

    points: Floats
    lines: tuple[Floats, ...]
    without_level: int
    passed: tuple[str, ...]


def sources_of(file: Path, elements: Sequence[Element]) -> Sources:
    """Data points, break lines and contours; raises InputError with the line where a number is none."""
    points: list[Floats] = [np.zeros((0, 3))]
    lines: list[Floats] = []
    passed: Counter[str] = Counter()
    without = 0
    for element in elements:
        if element.name == "DataPoints":
            flat, solid = (list(element.all(name)) for name in ("PntList2D", "PntList3D"))
            without += sum(len(listed(file, each)) for each in flat)
            points += [listed(file, each) for each in solid]
        elif element.name in ("Breakline", "Contour"):
            line = _line(file, element)
            if element.attributes.get("brkType", "").lower() == "nondestructive":
                passed["break lines that lie on the surface without shaping it were passed over"] += 1
            elif len(line) < 2:
                passed["lines of fewer than two vertices were passed over"] += 1
            else:
                lines.append(line)
        elif element.name == "PointFile":
            passed["files of points, which it only names, were not read"] += 1
    return Sources(
        points=np.concatenate(points),
        lines=tuple(lines),
        without_level=without,
        passed=tuple(f"{count} {text}" for text, count in passed.items()),
    )


def _line(file: Path, element: Element) -> Floats:
    """The vertices of a break line, or of a contour, whose one level is all vertices' where they have none."""
    parts = [listed(file, part) for part in element.children if part.name in ("PntList2D", "PntList3D")]
    line = np.concatenate([np.zeros((0, 3)), *parts])
    level = element.attributes.get("elev")
    if element.name == "Contour" and level is not None:
        try:
            line[np.isnan(line[:, 2]), 2] = float(level)
        except ValueError:
            raise _refused(file, element, f"a contour has the level {level!r}, which is no number") from None
    return line


def listed(file: Path, element: Element) -> Floats:
    """(k, 3) easting, northing, level of a list of points; NaN for the levels of a ``PntList2D``."""
    width = 2 if element.name == "PntList2D" else 3
    try:
        values = point_list(element.text, width=width)
    except Misfit as misfit:
        raise _refused(file, element, f"a {element.name} is no list of points: {misfit}") from None
    level = values[:, 2] if width == 3 else np.full(len(values), np.nan)
    return np.column_stack([values[:, 1], values[:, 0], level])


def _refused(file: Path, element: Element, message: str) -> InputError:
    return InputError(
        message, file=file.name, place=f"line {element.line}", remedy="Export the file anew, or mend that line."
    )


def extent_of(file: Path, elements: Sequence[Element], places: Floats) -> Any:
    """Polygons of easting, northing where the surface is: within outer boundaries, out of voids, and in their islands.

    None where no boundary is drawn. Boundaries shape no triangle: their levels, which files often leave at 0, count for
    nothing.
    """
    kinds: dict[str, list[Any]] = {"outer": [], "void": [], "island": []}
    for element in elements:
        if element.name == "Boundary":
            word = element.attributes.get("bndType", "outer").strip().lower()
            kind = "void" if word in VOIDS else word
            if kind not in kinds:
                raise _refused(file, element, f"a boundary is of the type {word!r}, not outer, void or island")
            kinds[kind].append(_area(file, element))
    if not any(kinds.values()):
        return None
    west, south = places[:, :2].min(axis=0) - MARGIN
    east, north = places[:, :2].max(axis=0) + MARGIN
    outer = shapely.union_all(kinds["outer"]) if kinds["outer"] else shapely.box(west, south, east, north)
    within = outer.difference(shapely.union_all(kinds["void"])).union(shapely.union_all(kinds["island"]))
    parts = [part for part in getattr(within, "geoms", [within]) if part.geom_type == "Polygon" and not part.is_empty]
    return shapely.MultiPolygon(parts)


def _area(file: Path, element: Element) -> Any:
    ring = _line(file, element)[:, :2]
    if len(np.unique(ring, axis=0)) < 3:
        raise _refused(file, element, "a boundary has fewer than three vertices")
    return shapely.make_valid(shapely.Polygon(ring))
