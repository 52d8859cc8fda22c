"""The findings in a drawing (DXF): a mark at the place of each, with its number in the notes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from geofence.engine.records import Finding, Floats
from geofence.outputs import on_grid
from geofence.outputs.dxf.blocks import FINDING_TAGS, finding_block, make_finding_blocks
from geofence.outputs.dxf.drawing import Drawing, Tag
from geofence.outputs.dxf.layers import NOTE, finding_layer
from geofence.outputs.dxf.lettering import LETTER_WIDTH, axes, readable, side_by_side
from geofence.outputs.dxf.style import NAME_MM
from geofence.outputs.dxf.text import line_text
from geofence.outputs.finding_words import said_in, with_brackets
from geofence.placed_findings import FindingPlace
from geofence.plan import FencePlan

__all__ = ["add_findings"]

_NUMBER_MM = 5.4
_STRETCH_MM = 0.8
"""Width of stretches to stop or to decide at; those to know of are thin lines, lest they hide the fence."""


def add_findings(drawing: Drawing, plan: FencePlan, numbered: Sequence[tuple[Finding, FindingPlace | None]]) -> None:
    """Each finding that has a place: a mark with its number in the notes, and the stretch that it is about."""
    make_finding_blocks(drawing)
    along = on_grid.chains(plan)
    found, numbers, at = [], [], []
    for number, (finding, place) in enumerate(numbered, start=1):
        if place is None:
            continue
        found.append(finding)
        numbers.append(str(number))
        at.append(along[place.run].place(place.at_m))
        if place.reaches:
            width = 0.0 if finding.severity == "note" else _STRETCH_MM * drawing.millimetre
            drawing.path(finding_layer(finding.severity), along[place.run].path(place.from_m, place.to_m), width=width)
    if found:
        _mark(drawing, plan, found, numbers, np.column_stack([np.array(at), np.zeros(len(at))]))


def _mark(drawing: Drawing, plan: FencePlan, found: Sequence[Finding], numbers: Sequence[str], places: Floats) -> None:
    height, said = NAME_MM * drawing.millimetre, said_in(plan.grid.unit_m, plan.grid.unit)
    beside, turn_deg = _beside(drawing, plan, places, numbers)
    columns = (
        numbers,
        [line_text(finding.code) for finding in found],
        [line_text(with_brackets(finding.message, said)) for finding in found],
    )
    tags = [
        Tag(name=tag, texts=texts, layer=NOTE, height=height, at=beside, turn_deg=turn_deg if tag == "NUMBER" else None)
        for tag, texts in zip(FINDING_TAGS, columns, strict=True)
    ]
    layers = [finding_layer(finding.severity) for finding in found]
    blocks = [finding_block(finding.severity) for finding in found]
    drawing.inserts(blocks, layers, places, turn_deg=np.zeros(len(found)), tags=tags)


def _beside(drawing: Drawing, plan: FencePlan, places: Floats, numbers: Sequence[str]) -> tuple[Floats, Floats]:
    """Where numbers begin, and how they are turned: along the fence, on the side away from the posts' names, and beyond
    what is written of the legs."""
    height = NAME_MM * drawing.millimetre
    posts = np.column_stack([plan.places.easting, plan.places.northing])
    _, nearest = cKDTree(posts).query(places[:, :2])
    directions_deg = on_grid.directions_deg(plan)[nearest]
    names, _ = axes(readable(directions_deg + 90))
    turn_deg = readable(directions_deg)
    along, up = axes(turn_deg)
    aside = names * _NUMBER_MM * drawing.millimetre + up * height / 2 + along * LETTER_WIDTH * height / 2
    begin = side_by_side(places[:, :2] - aside, along, numbers, height)
    return np.column_stack([begin, places[:, 2]]), turn_deg
