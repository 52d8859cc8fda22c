"""What a LandXML file holds for a ground, read in one pass: units, grid, surfaces and points.

Versions 1.0 to 1.2 are read alike, by local names, with a namespace or without. No schema is asked: what is needed must
be there, and what is not known is passed over.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.errors import InputError
from geofence.inputs.landxml_numbers import Misfit, place_of
from geofence.inputs.landxml_surface import Surface, is_hidden
from geofence.inputs.xml_stream import Attributes, Element, FlatHandler, line_of, read_xml, root_of

__all__ = ["CG_POINTS", "NOT_GROUND", "ROOT", "CgPoints", "LandXml", "is_landxml", "read_landxml"]

Ints = NDArray[np.int64]

ROOT = "LandXML"

CG_POINTS = "CgPoints"
"""Chooses the points of the file where it has surfaces as well."""

NOT_GROUND = "donotinclude"
"""What a point's DTMAttribute says if it is no point of the ground."""

SOURCES = ("Breakline", "Contour", "Boundary", "DataPoints", "PointFile")
"""What a surface was made from."""


def is_landxml(file: Path) -> bool:
    """Whether a file is LandXML by its outermost element; never raises."""
    return root_of(file) == ROOT


def _nothing(_attributes: Attributes, _text: str) -> None:
    """Takes rows outside any surface."""


@dataclass(slots=True)
class CgPoints:
    """The ``CgPoint`` of a file: their attributes, and what numbers they have; none where one refers to another."""

    attributes: list[Attributes] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def take(self, attributes: Attributes, text: str) -> None:
        """One point."""
        self.attributes.append(attributes)
        self.texts.append(text)

    def place(self, row: int) -> tuple[float, ...] | None:
        """Northing, easting, and level where there is one; None where the point refers to another. Raises Misfit."""
        text = self.texts[row]
        if not text.strip():
            return None
        try:
            return place_of(text)
        except Misfit as misfit:
            raise Misfit(row, str(misfit), element="CgPoint") from None


class LandXml:
    """The content of a file.

    Attributes
    ----------
    units, system
        Its ``Units`` and ``CoordinateSystem``; None where it has none.
    version
        As the file states it.
    surfaces
        All, of which those that were chosen are kept; where none was and there are several, none is.
    points
        Its ``CgPoint``.
    """

    def __init__(self, file: Path, chosen: str | None) -> None:
        self.file, self._chosen = file, chosen
        self.units: Element | None = None
        self.system: Element | None = None
        self.version = ""
        self.surfaces: list[Surface] = []
        self.points = CgPoints()
        self._within: Surface | None = None
        self._points_seen = self._faces_seen = 0
        self.flat: dict[str, FlatHandler] = {"P": _nothing, "F": _nothing, "CgPoint": self.points.take}

    def opened(self, name: str, attributes: Attributes) -> None:
        """Note where the reading is."""
        if name == ROOT:
            self.version = attributes.get("version", "")
        elif name == "Surface":
            self._open_surface(attributes.get("name", "").strip())
        elif name == "Definition" and self._within is not None:
            self._within.definition = attributes

    def _open_surface(self, name: str) -> None:
        number = len(self.surfaces) + 1
        first = not any(surface.has_points for surface in self.surfaces)
        kept = first if self._chosen is None else self._chosen in (name, f"#{number}")
        self._within = surface = Surface(
            name=name, number=number, first_point=self._points_seen, first_face=self._faces_seen, kept=kept
        )
        self.surfaces.append(surface)
        self.flat["P"] = surface.points.take if kept else surface.count_point
        self.flat["F"] = surface.faces.take if kept else surface.count_face

    def closed(self, name: str) -> None:
        """Note where the reading is."""
        if name == "Surface" and self._within is not None:
            self._points_seen += self._within.counted + len(self._within.points)
            self._faces_seen += self._within.visible + len(self._within.faces)
            if self._chosen is None and self._within.has_points and not self._within.kept:
                for surface in self.surfaces:
                    surface.forget()
            self._within = None
            self.flat["P"] = self.flat["F"] = _nothing

    def taken(self, element: Element) -> None:
        """Keep an element where it belongs."""
        if element.name == "Units":
            self.units = self.units or element
        elif element.name == "CoordinateSystem":
            self.system = self.system or element
        elif self._within is not None and (self._within.kept or not self._within.sources):
            self._within.sources.append(element)

    def refusal(self, message: str, remedy: str, *, line: int | None = None) -> InputError:
        """An error of this file."""
        place = None if line is None else f"line {line}"
        return InputError(message, file=self.file.name, place=place, remedy=remedy)

    def misfit(self, misfit: Misfit, surface: Surface | None = None) -> InputError:
        """The error of a row, with its line: that of a surface, or of the file's points."""
        before = 0
        if surface is not None:
            before = surface.first_point if misfit.element == "P" else surface.first_face
        line = line_of(
            self.file,
            misfit.element,
            before + misfit.row,
            root=ROOT,
            counts=lambda attributes: misfit.element != "F" or not is_hidden(attributes),
        )
        return self.refusal(str(misfit), "Export the file anew, or mend that line.", line=line)

    def place(self, row: int) -> tuple[float, ...] | None:
        """Northing, easting and perhaps level of a point; None where it refers to another. Raises InputError."""
        try:
            return self.points.place(row)
        except Misfit as misfit:
            raise self.misfit(misfit) from None

    def mesh(self, surface: Surface) -> tuple[Floats, Ints]:
        """Points (n, 3) northing, easting, level of a surface, and faces (m, 3) of their rows; raises InputError."""
        try:
            points = surface.points.values()
            return points, surface.faces.corners(surface.points.ids())
        except Misfit as misfit:
            raise self.misfit(misfit, surface) from None


def read_landxml(file: Path, *, surface: str | None) -> LandXml:
    """Read a file; of its surfaces keep the one of this name (or number, as ``#2``), or the only one.

    Raises
    ------
    InputError
        It is no sound LandXML file, or a number in it is none; with the line.
    """
    content = LandXml(file, surface)
    try:
        read_xml(file, content, root=ROOT, whole=("Units", "CoordinateSystem", *SOURCES), flat=content.flat)
    except Misfit as misfit:
        raise content.misfit(misfit, content.surfaces[-1]) from None
    return content
