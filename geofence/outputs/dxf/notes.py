"""The notes of a drawing (DXF): what it is in, what to take care of, and its findings by their numbers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from geofence.engine.records import Finding
from geofence.outputs.dxf.drawing import Drawing
from geofence.outputs.dxf.layers import NOTE
from geofence.outputs.dxf.style import NOTE_MM
from geofence.outputs.dxf.text import paragraph
from geofence.outputs.facts import facts
from geofence.outputs.finding_words import said_in, told
from geofence.plan import FencePlan

__all__ = ["add_notes"]

_WIDTH_MM = 190.0
_MARGIN_MM = 15.0
_MOST_FINDINGS = 300
"""Told one by one: some pages; the table of findings has them all."""


def add_notes(drawing: Drawing, plan: FencePlan, findings: Sequence[Finding], says: Iterable[tuple[str, str]]) -> None:
    """Put the notes below all that is drawn so far; ``findings`` in the order of their numbers."""
    low, _ = drawing.extent
    at = (float(low[0]), float(low[1]) - _MARGIN_MM * drawing.millimetre)
    text = r"\P".join(_lines(plan, findings, says))
    drawing.note(NOTE, text, at, height=NOTE_MM * drawing.millimetre, width=_WIDTH_MM * drawing.millimetre)


def _lines(plan: FencePlan, findings: Sequence[Finding], says: Iterable[tuple[str, str]]) -> Iterator[str]:
    yield rf"{{\H1.6x;{paragraph(plan.name)}}}"
    yield ""
    known = facts(plan, places="on the grid, not on the ground", levels=f"in {plan.grid.unit}")
    said = said_in(plan.grid.unit_m, plan.grid.unit)
    brackets = (("findings", f"in metres, as in findings.csv, and in brackets in {plan.grid.unit}"),) if said else ()
    for label, sentence in (*says, *known, *brackets):
        if label not in ("job", "coordinates"):
            yield f"{paragraph(label.upper())}: {paragraph(sentence)}"
    yield ""
    yield rf"{{\H1.2x;{'FINDINGS' if findings else 'NOTHING WAS FOUND'}}}"
    for number, finding in enumerate(findings[:_MOST_FINDINGS], start=1):
        yield f"{number}  {paragraph(told(plan, finding, said))}"
    if len(findings) > _MOST_FINDINGS:
        yield f"and {len(findings) - _MOST_FINDINGS} more: in findings.csv, and on their marks"
