"""Lines of a LandXML file that can be a boundary: parcels, plan features and alignments."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.inputs.landxml_curves import Bent, Place, arc, clothoid
from geofence.inputs.landxml_file import ROOT, CgPoints
from geofence.inputs.landxml_grid import check_unit, grid_of, units_of
from geofence.inputs.landxml_numbers import Misfit, place_of
from geofence.inputs.landxml_sources import listed
from geofence.inputs.xml_stream import Attributes, Element, FlatHandler, line_of, read_xml
from geofence.site.grids import unit_m
from geofence.words import nearest, some_of

__all__ = ["LandXmlLines", "read_lines"]

KINDS = {"Parcel": "parcel", "PlanFeature": "plan feature", "Alignment": "alignment"}
"""The elements that have lines, and how messages call them."""

MEET_M = 0.005
"""Ends this near each other are one vertex: each is rounded to the millimetre, and those of curves are worked out."""

NAMES_SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandXmlLines:
    """Lines of one or several features.

    Attributes
    ----------
    crs
        Their grid.
    parts
        For each unbroken line (k, 2): easting, northing.
    names, of
        What the features are called, and for each part the row of its feature.
    curved
        Whether arcs or spirals are among them, as chords.
    findings
        What was changed or passed over.
    """

    crs: CRS
    parts: tuple[Floats, ...]
    names: tuple[str, ...]
    of: tuple[int, ...]
    curved: bool
    findings: tuple[Finding, ...]


@dataclass(slots=True, kw_only=True)
class _Feature:
    kind: str
    name: str
    geometries: list[Element] = field(default_factory=list)

    @property
    def title(self) -> str:
        return self.name or f"the {KINDS[self.kind]} without a name"


def read_lines(
    file: Path,
    *,
    layer: str | None,
    grid: str | None,
    feature: int | None,
    step_deg: float,
    several: bool = False,
    table: str = "line",
) -> LandXmlLines:
    """Read the lines of a file.

    Parameters
    ----------
    layer
        Name of the parcel, plan feature or alignment; needed where the file has several.
    grid
        The file's grid, where it states none.
    feature
        Which one, counting from 1, of those of that name or of all.
    step_deg
        Arcs become chords of this angle.
    several
        Whether all of that name, or all there are, are taken.
    table
        What the job calls the table that names the file, for errors.

    Raises
    ------
    InputError
        It is no sound LandXML, has no line, several of them, or none of that name.
    GridError
        Nobody states its grid, or its unit is another.
    """
    content = _Content(file)
    read_xml(file, content, root=ROOT, whole=("Units", "CoordinateSystem", "CoordGeom"), flat=content.flat)
    crs = grid_of(file, content.system, given=grid, option=f"{table}.grid")
    units = units_of(file, content.units)
    check_unit(file, units, crs, line=content.units.line if content.units else None, option=f"{table}.grid")
    found = _named(file, [each for each in content.features if each.geometries], layer, table)
    chosen = found if several else _chosen(file, found, layer, feature, table)
    drawing = _Drawing(file=file, points=content.points, step_deg=step_deg)
    meet = MEET_M / unit_m(crs) if crs.is_projected else MEET_M / 111_000
    geometries = [(row, geometry) for row, each in enumerate(chosen) for geometry in each.geometries]
    lines = [(row, part) for row, geometry in geometries for part in drawing.line(geometry, meet)]
    parts = [part for _, part in lines]
    if not parts:
        raise InputError("holds no line", file=file.name, remedy="Draw the boundary as a parcel or plan feature.")
    findings = [_gaps(len(parts) - len(geometries))] if len(parts) > len(geometries) else []
    return LandXmlLines(
        crs=crs,
        parts=tuple(parts),
        names=tuple(each.name for each in chosen),
        of=tuple(row for row, _ in lines),
        curved=drawing.curved,
        findings=tuple(findings),
    )


def _gaps(count: int) -> Finding:
    return Finding(
        code="boundary-broken",
        severity="warn",
        message=f"At {count} places the pieces of the boundary do not meet; it is taken as {count + 1} lines or more",
        remedy="If the boundary is one line, draw it so.",
        value=float(count),
    )


class _Content:
    """What a file holds of lines, as it is read."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.units: Element | None = None
        self.system: Element | None = None
        self.points = CgPoints()
        self.features: list[_Feature] = []
        self._open: list[_Feature] = []
        self.flat: dict[str, FlatHandler] = {"P": self._pass, "F": self._pass, "CgPoint": self.points.take}

    @staticmethod
    def _pass(_attributes: Attributes, _text: str) -> None:
        """Surfaces have no boundary lines."""

    def opened(self, name: str, attributes: Attributes) -> None:
        if name in KINDS:
            self._open.append(_Feature(kind=name, name=attributes.get("name", "").strip()))
            self.features.append(self._open[-1])

    def closed(self, name: str) -> None:
        if name in KINDS:
            self._open.pop()

    def taken(self, element: Element) -> None:
        if element.name == "Units":
            self.units = self.units or element
        elif element.name == "CoordinateSystem":
            self.system = self.system or element
        elif self._open:
            self._open[-1].geometries.append(element)


def _named(file: Path, features: list[_Feature], layer: str | None, table: str) -> list[_Feature]:
    """The features of a name, or all."""
    if not features:
        raise InputError(
            "holds no parcel, plan feature or alignment with lines",
            file=file.name,
            remedy="Export the boundary as a parcel or plan feature.",
        )
    titles = tuple(each.title for each in features)
    named = [each for each in features if layer in (None, each.title)]
    if not named:
        raise InputError(
            f"has no parcel, plan feature or alignment {layer!r}",
            file=file.name,
            place=f"{table}.layer",
            remedy=nearest(str(layer), tuple(dict.fromkeys(titles))),
        )
    return named


def _chosen(file: Path, named: list[_Feature], layer: str | None, number: int | None, table: str) -> list[_Feature]:
    """Of the features of a name the one with a number, or the only one."""
    if number is not None:
        if number > len(named):
            raise InputError(
                "has no such feature",
                file=file.name,
                place=f"{table}.feature",
                value=number,
                limit=len(named),
                remedy="Count from 1.",
            )
        return [named[number - 1]]
    if len(named) > 1:
        listing = some_of([f"{KINDS[each.kind]} {each.title!r}" for each in named], NAMES_SHOWN)
        raise InputError(
            f"has {len(named)} parcels, plan features or alignments" + (f" {layer!r}" if layer else ""),
            file=file.name,
            remedy=f"Set {f'{table}.feature, counting from 1' if layer else f'{table}.layer'}, to one of: {listing}.",
        )
    return named


@dataclass(slots=True, kw_only=True)
class _Drawing:
    """Makes vertices of the elements of a ``CoordGeom``."""

    file: Path
    points: CgPoints
    step_deg: float
    curved: bool = False
    _named: dict[str, list[int]] | None = None

    def line(self, geometry: Element, meet: float) -> list[Floats]:
        """The unbroken lines of a ``CoordGeom``, each from its first vertex to its last."""
        pieces = [piece for child in geometry.children if (piece := self._piece(child)) is not None]
        pieces = [piece for piece in pieces if len(piece) > 1]
        return [_closed(part, meet) for part in _chained(pieces, meet)]

    def _piece(self, element: Element) -> Floats | None:
        try:
            if element.name == "Line":
                return np.array([self._end(element, "Start"), self._end(element, "End")])
            if element.name == "IrregularLine":
                return self._irregular(element)
            if element.name == "Chain":
                return np.array([self._of_name(element, name) for name in element.text.split()])
            if element.name == "Curve":
                return self._curve(element)
            return self._spiral(element) if element.name == "Spiral" else None
        except Bent as bent:
            raise self._refused(element, f"the {element.name.lower()} contradicts itself: {bent}") from None

    def _refused(self, element: Element, message: str, remedy: str = "Mend it where it was drawn.") -> InputError:
        return InputError(message, file=self.file.name, place=f"line {element.line}", remedy=remedy)

    def _irregular(self, element: Element) -> Floats:
        lists = [listed(self.file, part)[:, :2] for part in element.children if part.name in ("PntList2D", "PntList3D")]
        ends = [np.array([self._place(part)]) for name in ("Start", "End") if (part := element.child(name))]
        first, last = (ends[:1], ends[1:]) if element.child("Start") else ([], ends)
        whole = np.concatenate([*first, *lists, *last])
        fresh = np.append(True, np.any(np.diff(whole, axis=0) != 0, axis=1))
        return np.asarray(whole[fresh])

    def _curve(self, element: Element) -> Floats:
        self.curved = True
        chord = element.attributes.get("crvType", "").lower() == "chord"
        return arc(
            self._end(element, "Start"),
            self._end(element, "Center"),
            self._end(element, "End"),
            rotation=element.attributes.get("rot", ""),
            step_deg=self.step_deg,
            length=None if chord else self._number(element, "length"),
        )

    def _spiral(self, element: Element) -> Floats:
        self.curved = True
        kind = element.attributes.get("spiType", "clothoid")
        if kind.lower() != "clothoid":
            raise self._refused(
                element, f"a spiral of the type {kind!r} is not known here", "Export the line with points along it."
            )
        radii = (self._number(element, key) for key in ("radiusStart", "radiusEnd"))
        start, end = (radius if radius else math.inf for radius in radii)
        return clothoid(
            self._end(element, "Start"),
            self._end(element, "End"),
            length=self._number(element, "length") or 0.0,
            radius_start=start,
            radius_end=end,
            rotation=element.attributes.get("rot", ""),
            step_deg=self.step_deg,
        )

    def _number(self, element: Element, key: str) -> float | None:
        word = element.attributes.get(key)
        if word is None:
            return None
        try:
            number = float(word)
        except ValueError:
            number = math.nan
        if math.isnan(number):
            raise self._refused(element, f"its {key} is {word!r}, which is no number")
        return number

    def _end(self, element: Element, name: str) -> Place:
        point = element.child(name)
        if point is None:
            raise self._refused(element, f"the {element.name.lower()} has no {name}")
        return self._place(point)

    def _place(self, point: Element) -> Place:
        """Of a point with coordinates of its own, or the name of another."""
        if not point.text.strip() and "pntRef" in point.attributes:
            return self._of_name(point, point.attributes["pntRef"].strip())
        try:
            north, east, *_ = place_of(point.text)
        except Misfit as misfit:
            raise self._refused(point, f"its place cannot be read: {misfit}") from None
        return east, north

    def _of_name(self, element: Element, name: str) -> Place:
        if self._named is None:
            self._named = {}
            for row, attributes in enumerate(self.points.attributes):
                self._named.setdefault(attributes.get("name", "").strip(), []).append(row)
        try:
            places = {place[:2] for row in self._named.get(name, []) if (place := self.points.place(row))}
        except Misfit as misfit:
            line = line_of(self.file, "CgPoint", misfit.row, root=ROOT)
            raise InputError(
                f"the point {name!r}: {misfit}", file=self.file.name, place=f"line {line}", remedy="Mend that line."
            ) from None
        if len(places) != 1:
            count = "no point has" if not places else f"{len(places)} points at different places have"
            raise self._refused(element, f"{count} the name {name!r}", "Export the line with coordinates of its own.")
        north, east = places.pop()
        return east, north


def _chained(pieces: Sequence[Floats], meet: float) -> Iterator[Floats]:
    """Unbroken lines of pieces in their order, each turned round where only so it goes on from the one before."""
    line: list[Floats] = []
    for row, piece in enumerate(pieces):
        if line and _near(line[-1][-1], piece[0], meet):
            line.append(piece[1:])
        elif line and _near(line[-1][-1], piece[-1], meet):
            line.append(piece[-2::-1])
        else:
            if line:
                yield np.concatenate(line)
            after = pieces[row + 1] if row + 1 < len(pieces) else None
            line = [piece[::-1] if after is not None and _only_turned(piece, after, meet) else piece]
    if line:
        yield np.concatenate(line)


def _only_turned(piece: Floats, after: Floats, meet: float) -> bool:
    """Whether the next piece goes on from this one's start, and not from its end."""
    ends = (after[0], after[-1])
    return any(_near(piece[0], end, meet) for end in ends) and not any(_near(piece[-1], end, meet) for end in ends)


def _near(one: Floats, other: Floats, meet: float) -> bool:
    return math.dist(one, other) <= meet


def _closed(part: Floats, meet: float) -> Floats:
    """A line that comes back to its first vertex does so exactly."""
    if len(part) > 3 and _near(part[0], part[-1], meet):
        part = part.copy()
        part[-1] = part[0]
    return part
