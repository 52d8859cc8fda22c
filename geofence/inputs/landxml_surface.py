"""A surface of a LandXML file, as it is read: points, faces, and what it was made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.inputs.landxml_numbers import Misfit, points_of, rows_of, whole_numbers
from geofence.inputs.xml_stream import Attributes, Element

__all__ = ["FaceRows", "PointRows", "Surface", "is_hidden"]

Ints = NDArray[np.int64]

BATCH = 1 << 16
"""Rows whose texts are kept before they become numbers."""


def is_hidden(attributes: Attributes) -> bool:
    """Whether a face is marked as invisible, which takes it out of the surface.

    >>> is_hidden({"i": "1"}), is_hidden({"n": "2 3 0"}), is_hidden({"i": "0"})
    (True, False, False)
    """
    return attributes.get("i", "0").strip().lower() not in ("", "0", "false")


@dataclass(slots=True)
class PointRows:
    """The ``P`` of a surface."""

    _ids: list[str] = field(default_factory=list)
    _texts: list[str] = field(default_factory=list)
    _id_parts: list[Ints | list[str]] = field(default_factory=list)
    _parts: list[Floats] = field(default_factory=list)
    _taken: int = 0

    def __len__(self) -> int:
        return self._taken + len(self._texts)

    def take(self, attributes: Attributes, text: str) -> None:
        """One point, by its attributes and text."""
        self._ids.append(attributes.get("id", ""))
        self._texts.append(text)
        if len(self._texts) == BATCH:
            self._convert()

    def _convert(self) -> None:
        if not self._texts:
            return
        try:
            self._parts.append(points_of(self._texts))
        except Misfit as misfit:
            raise Misfit(self._taken + misfit.row, f"{misfit}: northing, easting and level") from None
        numbers = whole_numbers(self._ids, width=1)
        self._id_parts.append(self._ids if numbers is None else numbers[:, 0])
        self._taken += len(self._texts)
        self._ids, self._texts = [], []

    def values(self) -> Floats:
        """(n, 3) northing, easting, level; raises Misfit."""
        self._convert()
        self._parts = [np.concatenate(self._parts)] if self._parts else [np.zeros((0, 3))]
        return self._parts[0]

    def ids(self) -> Ints | list[str]:
        """The id of each, each once; raises Misfit."""
        self._convert()
        numbers = [part for part in self._id_parts if isinstance(part, np.ndarray)]
        if len(numbers) == len(self._id_parts):
            ids = np.concatenate(numbers) if numbers else np.zeros(0, dtype=np.int64)
            _refuse_twice(ids)
            return ids
        names = [str(name) for part in self._id_parts for name in part]
        if "" in names:
            raise Misfit(names.index(""), "a point has no id")
        _refuse_twice(np.array(names))
        return names


def _refuse_twice(ids: NDArray[Any]) -> None:
    if not np.all(ids[1:] > ids[:-1]):
        order = np.argsort(ids, kind="stable")
        twice = np.flatnonzero(ids[order[1:]] == ids[order[:-1]])
        if len(twice):
            row = int(order[twice + 1].min())
            raise Misfit(row, f"a second point has the id {ids[row]}")


@dataclass(slots=True)
class FaceRows:
    """The visible ``F`` of a surface; ``hidden`` counts the others."""

    hidden: int = 0
    _texts: list[str] = field(default_factory=list)
    _parts: list[Ints | list[list[str]]] = field(default_factory=list)
    _taken: int = 0

    def __len__(self) -> int:
        return self._taken + len(self._texts)

    def take(self, attributes: Attributes, text: str) -> None:
        """One face, by its attributes and text."""
        if attributes and is_hidden(attributes):
            self.hidden += 1
            return
        self._texts.append(text)
        if len(self._texts) == BATCH:
            self._convert()

    def _convert(self) -> None:
        if not self._texts:
            return
        numbers = whole_numbers(self._texts, width=3)
        self._parts.append(self._names() if numbers is None else numbers)
        self._taken += len(self._texts)
        self._texts = []

    def _names(self) -> list[list[str]]:
        faces = [text.replace(",", " ").split() for text in self._texts]
        for row, face in enumerate(faces):
            if len(face) != 3:
                raise Misfit(self._taken + row, f"a face has {len(face)} corners, not three", element="F")
        return faces

    def corners(self, ids: Ints | Sequence[str]) -> Ints:
        """(m, 3) rows of the points, whose ids are given; raises Misfit."""
        self._convert()
        if not self._parts:
            return np.zeros((0, 3), dtype=np.int64)
        numbers = [part for part in self._parts if isinstance(part, np.ndarray)]
        if len(numbers) == len(self._parts):
            whole = np.concatenate(numbers)
            self._parts = [whole]
            return rows_of(ids, whole)
        return rows_of(ids, [[str(name) for name in face] for part in self._parts for face in part])


@dataclass(slots=True, kw_only=True)
class Surface:
    """What one ``Surface`` holds.

    Attributes
    ----------
    name
        As the file has it; empty where it has none.
    number
        Which one of the file, from 1.
    first_point, first_face
        How many points, and visible faces, the file holds before it; by these a line is found again.
    definition
        Attributes of its ``Definition``, areas among them.
    kept
        Whether its content is kept, or only counted.
    sources
        The elements it was made from: break lines, contours, boundaries, data points.
    """

    name: str
    number: int
    first_point: int
    first_face: int
    kept: bool
    definition: Attributes = field(default_factory=dict)
    points: PointRows = field(default_factory=PointRows)
    faces: FaceRows = field(default_factory=FaceRows)
    sources: list[Element] = field(default_factory=list)
    counted: int = 0
    visible: int = 0

    @property
    def title(self) -> str:
        """How messages call it, and what chooses it."""
        return self.name or f"#{self.number}"

    def count_point(self, _attributes: Attributes, _text: str) -> None:
        """A point of a surface that is not kept."""
        self.counted += 1

    def count_face(self, attributes: Attributes, _text: str) -> None:
        """A face of a surface that is not kept."""
        self.visible += not is_hidden(attributes)

    @property
    def has_points(self) -> bool:
        """Whether a ground can be made of it."""
        return bool(self.counted or len(self.points) or self.sources)

    def forget(self) -> None:
        """Keep nothing but the counts."""
        self.counted += len(self.points)
        self.visible += len(self.faces)
        self.kept, self.points, self.faces = False, PointRows(), FaceRows()
        self.sources = self.sources[:1]
