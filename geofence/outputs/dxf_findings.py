"""The findings in a drawing (DXF): a mark at the place of each, with its number in the notes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geofence.engine.records import Finding
from geofence.outputs import on_grid
from geofence.outputs.dxf_blocks import FINDING_TAGS, finding_block, make_finding_blocks
from geofence.outputs.dxf_drawing import Drawing, Tag
from geofence.outputs.dxf_layers import NOTE, finding_layer
from geofence.outputs.dxf_style import NAME_MM
from geofence.outputs.dxf_text import line_text
from geofence.plan import FencePlan

__all__ = ["add_findings"]


def add_findings(drawing: Drawing, plan: FencePlan, numbered: Sequence[Finding]) -> None:
    """Each finding that has a place: a mark with its number in the notes, and the stretch that it is about."""
    make_finding_blocks(drawing)
    along = on_grid.chains(plan)
    height = NAME_MM * drawing.millimetre
    rows, at = [], []
    for row, finding in enumerate(numbered):
        path = on_grid.finding_path(plan, along, finding)
        if path is None:
            continue
        rows.append(row)
        at.append(on_grid.middle(path))
        if len(path) > 1:
            drawing.path(finding_layer(finding.severity), path, width=0.8 * drawing.millimetre)
    if not rows:
        return
    places = np.column_stack([np.array(at), np.zeros(len(at))])
    beside = places + np.array([1.7, -1.7 - NAME_MM, 0.0]) * drawing.millimetre
    layers = [finding_layer(numbered[row].severity) for row in rows]
    upright = np.zeros(len(rows))
    found = [numbered[row] for row in rows]
    columns = (
        [str(row + 1) for row in rows],
        [line_text(finding.code) for finding in found],
        [line_text(finding.message) for finding in found],
    )
    tags = [
        Tag(name=tag, texts=texts, layer=NOTE, height=height, at=beside, turn_deg=upright if tag == "NUMBER" else None)
        for tag, texts in zip(FINDING_TAGS, columns, strict=True)
    ]
    blocks = [finding_block(numbered[row].severity) for row in rows]
    drawing.inserts(blocks, layers, places, turn_deg=upright, tags=tags)
