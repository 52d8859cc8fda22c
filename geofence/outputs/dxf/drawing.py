"""A drawing (DXF, release 2010) under way: its frame by ezdxf, entities that are many written as they will stand.

The frame (header, layers, blocks, notes) is made and written by ezdxf. Entities by the ten thousand would take it
minutes of a long fence's time: they are columns here, formatted whole and put among the frame's entities, each with a
handle that the frame leaves free.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any, Literal

import ezdxf
import numpy as np
from ezdxf.document import Drawing as Document
from ezdxf.layouts import BlockLayout, Modelspace

from geofence.engine.records import Floats
from geofence.units import FOOT_M, US_SURVEY_FOOT_M, same_unit

__all__ = ["METRE", "US_SURVEY_FOOT", "Drawing", "Layer", "Tag"]

RELEASE = "R2010"
"""The first release whose texts are UTF-8 is R2007; R2010 is what drawing programs of the last fifteen years write."""

FOOT, METRE, US_SURVEY_FOOT = 2, 6, 21
_UNITS = ((1.0, METRE), (FOOT_M, FOOT), (US_SURVEY_FOOT_M, US_SURVEY_FOOT))
_UNITLESS = 0
_FONT = "arial.ttf"
"""Any outline font has letters beyond the Latin ones, or a stand-in that has; the format's own stroke fonts do not."""

_HIDDEN = 1
_FIRST_OF_MANY = 0x1000000
"""Handles of the columns begin here, far above those of the frame."""

_MARK = "  0\nSECTION\n  2\nENTITIES\n"
_AT = "10\n%.5f\n20\n%.5f\n30\n%.5f\n"
_TO = "11\n%.5f\n21\n%.5f\n31\n%.5f\n"
_CORNERS = _AT + _TO + "12\n%.5f\n22\n%.5f\n32\n%.5f\n13\n%.5f\n23\n%.5f\n33\n%.5f\n"
"""Places to a hundredth of a millimetre or better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A layer.

    ``colour`` is of the format's own table, where 7 is black on white and white on black; ``rgb`` a true colour in its
    place. ``dashes_mm``: lengths of dashes and, negative, gaps on paper; none for a line that is drawn through.
    ``width_mm`` is that of its lines on paper.
    """

    name: str
    description: str
    colour: int = 7
    rgb: tuple[int, int, int] | None = None
    dashes_mm: tuple[float, ...] = ()
    width_mm: float = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tag:
    """An attribute of blocks, a column of texts: shown where ``at`` (n, 3) says, or there but hidden."""

    name: str
    texts: Sequence[str]
    layer: str
    height: float
    at: Floats
    turn_deg: Floats | None = None


class Drawing:
    """A drawing in grid units, for a plot at a scale.

    Parameters
    ----------
    unit_m
        One drawing unit in metres.
    scale
        The plot's: 500 for 1:500. It decides how large texts and marks are, and nothing else.
    layers
        Those of the drawing.
    """

    def __init__(self, *, unit_m: float, scale: float, layers: Iterable[Layer]) -> None:
        with _fixed_meta_data():
            self.document: Document = ezdxf.new(RELEASE)
        self.millimetre = scale / 1000 / unit_m
        self.space: Modelspace = self.document.modelspace()
        self._owner = self.space.layout_key
        self._next = _FIRST_OF_MANY
        self._many: list[Iterable[str]] = []
        self._low, self._high = np.full(3, np.inf), np.full(3, -np.inf)
        self._units(unit_m)
        self.document.styles.get("Standard").dxf.font = _FONT
        for layer in layers:
            self._layer(layer)

    def _units(self, unit_m: float) -> None:
        code = next((code for length_m, code in _UNITS if same_unit(unit_m, length_m)), _UNITLESS)
        header = self.document.header
        header["$INSUNITS"] = code
        header["$MEASUREMENT"] = 0 if code in (FOOT, US_SURVEY_FOOT) else 1
        header["$LUNITS"], header["$LUPREC"] = 2, 4

    def _layer(self, layer: Layer) -> None:
        made = self.document.layers.add(layer.name, color=layer.colour, lineweight=round(layer.width_mm * 100))
        made.description = layer.description
        if layer.rgb:
            made.rgb = layer.rgb
        if layer.dashes_mm:
            lengths = [length * self.millimetre for length in layer.dashes_mm]
            pattern = [sum(map(abs, lengths)), *lengths]
            self.document.linetypes.add(layer.name, pattern, description=layer.description)
            made.dxf.linetype = layer.name

    def block(self, name: str, *, tags: Iterable[str] = ()) -> BlockLayout:
        """A new block, in the drawing's unit, with the names of its attributes."""
        block = self.document.blocks.new(name)
        block.block_record.dxf.units = self.document.header["$INSUNITS"]
        for tag in tags:
            block.add_attdef(tag, (0, 0), height=self.millimetre, dxfattribs={"prompt": tag.lower(), "flags": _HIDDEN})
        return block

    # --------------------------------------------------------------------------------------------- columns of entities

    def lines(self, layer: str | Sequence[str], start: Floats, end: Floats) -> None:
        """Straight lines between places (n, 3)."""
        self._seen(start, end)
        form = self._head("LINE", "AcDbLine") + _AT + _TO
        self._add(form, len(start), 1, layer, *start.T, *end.T)

    def faces(self, layer: str | Sequence[str], corners: Floats) -> None:
        """Four-sided faces by their corners (n, 4, 3), round about."""
        self._seen(corners.reshape(-1, 3))
        self._add(self._head("3DFACE", "AcDbFace") + _CORNERS, len(corners), 1, layer, *corners.reshape(-1, 12).T)

    def inserts(
        self,
        blocks: str | Sequence[str],
        layer: str | Sequence[str],
        at: Floats,
        *,
        turn_deg: Floats,
        stretch: Floats | None = None,
        tags: Sequence[Tag] = (),
    ) -> None:
        """Blocks at places (n, 3), turned anticlockwise, ``stretch``-ed upward; each with an attribute of every tag."""
        self._seen(at)
        form = self._head("INSERT", "AcDbBlockReference") + ("66\n1\n" if tags else "") + "2\n%s\n" + _AT
        columns: list[Any] = [layer, blocks, *at.T]
        if stretch is not None:
            form, columns = form + "43\n%.5f\n", [*columns, stretch]
        form, columns = form + "50\n%.4f\n", [*columns, turn_deg]
        handle = range(self._next, self._next + len(at) * (len(tags) + 2), len(tags) + 2)
        for tag in tags:
            lettering, more = _lettering(tag.texts, tag.height, tag.at, tag.turn_deg)
            form += "0\nATTRIB\n5\n%X\n330\n%X\n100\nAcDbEntity\n8\n%s\n100\nAcDbText\n" + lettering
            form += f"100\nAcDbAttribute\n2\n{tag.name}\n70\n{0 if tag.turn_deg is not None else _HIDDEN}\n"
            columns += [None, handle, tag.layer, *more]
        if tags:
            form += "0\nSEQEND\n5\n%X\n330\n%X\n100\nAcDbEntity\n8\n%s\n"
            columns += [None, handle, layer]
        self._add(form, len(at), len(tags) + 2 if tags else 1, *columns)

    def texts(self, layer: str, texts: Sequence[str], height: float, at: Floats, *, turn_deg: Floats) -> None:
        """Texts of one line that begin at places (n, 3), on their base line."""
        self._seen(at)
        lettering, columns = _lettering(texts, height, at, turn_deg)
        form = self._head("TEXT", "AcDbText") + lettering + "100\nAcDbText\n"
        self._add(form, len(texts), 1, layer, *columns)

    def path(self, layer: str, places: Floats, *, closed: bool = False, width: float = 0.0) -> None:
        """A line through places (n, 2) in the plane; ``width`` in drawing units."""
        self._seen(np.column_stack([places, np.zeros(len(places))]))
        width_code = f"43\n{width:.5f}\n" if width else ""
        form = self._head("LWPOLYLINE", "AcDbPolyline") + f"90\n{len(places)}\n70\n{int(closed)}\n{width_code}"
        corners = "".join(map("10\n%.5f\n20\n%.5f\n".__mod__, map(tuple, places.tolist())))
        self._add(form + corners, 1, 1, layer)

    def path_in_space(self, layer: str, places: Floats) -> None:
        """A line through places (n, 3)."""
        self._seen(places)
        begin = self._next
        self._add(self._head("POLYLINE", "AcDb3dPolyline") + "66\n1\n10\n0.0\n20\n0.0\n30\n0.0\n70\n8\n", 1, 1, layer)
        part = f"0\n%s\n5\n%X\n330\n{begin:X}\n100\nAcDbEntity\n8\n%s\n"
        corner = part.replace("%s", "VERTEX", 1) + "100\nAcDbVertex\n100\nAcDb3dPolylineVertex\n" + _AT + "70\n32\n"
        self._add(corner, len(places), 1, layer, *places.T)
        self._add(part.replace("%s", "SEQEND", 1), 1, 1, layer)

    def note(
        self,
        layer: str,
        text: str,
        at: tuple[float, float],
        *,
        height: float,
        width: float = 0.0,
        turn_deg: float = 0.0,
        hold: Literal["corner", "middle"] = "corner",
    ) -> None:
        """A paragraph, with the commands of the format; without a width it never wraps.

        A place holds its upper left corner, or its middle.
        """
        self.space.add_mtext(
            text,
            dxfattribs={
                "layer": layer, "insert": at, "char_height": height, "width": width, "rotation": turn_deg,
                "line_spacing_factor": 1.1, "attachment_point": 5 if hold == "middle" else 1,
            },
        )  # fmt: skip
        self._seen(np.array([[*at, 0.0]]))

    def _head(self, kind: str, marker: str) -> str:
        """The codes with which an entity begins: its handle, and its layer."""
        return f"0\n{kind}\n5\n%X\n330\n{self._owner}\n100\nAcDbEntity\n8\n%s\n100\n{marker}\n"

    def _add(self, form: str, count: int, handles: int, *columns: Any) -> None:
        """Entities of a form, one a row of the columns, with so many handles each; None is a column of the next."""
        first, self._next = self._next, self._next + count * handles
        rows: list[Iterable[Any]] = []
        for column in (None, *columns):
            if column is None:
                rows.append(range(first, first + count * handles, handles))
                first += 1
            elif isinstance(column, np.ndarray):
                rows.append(column.tolist())
            else:
                rows.append(repeat(column, count) if isinstance(column, str) else column)
        self._many.append(map(form.__mod__, zip(*rows, strict=True)))

    def _seen(self, *places: Floats) -> None:
        for each in places:
            if len(each):
                self._low = np.minimum(self._low, each.min(axis=0))
                self._high = np.maximum(self._high, each.max(axis=0))

    # ------------------------------------------------------------------------------------------------------- writing

    @property
    def extent(self) -> tuple[Floats, Floats]:
        """(3,) the lowest and the highest coordinates so far."""
        return self._low, self._high

    def save(self, path: Path) -> None:
        """Write the drawing; the same drawing gives the same bytes."""
        low, high = self._low.tolist(), self._high.tolist()
        self.space.reset_extents(low, high)
        middle = (self._low + self._high) / 2
        height = max(high[1] - low[1], (high[0] - low[0]) / 1.5, self.millimetre) * 1.1
        self.document.set_modelspace_vport(height, middle[:2].tolist())
        self.document.entitydb.handles.reset(f"{self._next:X}")
        frame = io.StringIO()
        with _fixed_meta_data():
            self.document.write(frame)
        before, mark, after = frame.getvalue().partition(_MARK)
        with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
            file.write(before + mark)
            for entities in self._many:
                file.writelines(entities)
            file.write(after)


def _lettering(texts: Sequence[str], height: float, at: Floats, turn_deg: Floats | None) -> tuple[str, list[Any]]:
    """The part of a text or an attribute that is lettering, and its columns."""
    form, columns = f"{_AT}40\n{height:.5f}\n1\n%s\n", [*at.T, texts]
    return (form, columns) if turn_deg is None else (form + "50\n%.4f\n", [*columns, turn_deg])


@contextmanager
def _fixed_meta_data() -> Iterator[None]:
    """Files of ezdxf carry the time and a number by chance, unless they are told not to."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
