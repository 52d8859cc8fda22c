"""``setout.pdf``: the set-out sheet for the crew, ready to be printed; the same pages on every machine."""

from __future__ import annotations

from pathlib import Path

from geofence.outputs.paper.pdf import write_pdf
from geofence.outputs.setout.content import setout_sheet
from geofence.outputs.setout.pages import pages
from geofence.outputs.setout.style import PAPERS_MM, SetoutStyle
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path, *, style: SetoutStyle | None = None) -> None:
    """Write the set-out sheet of a plan; ``style`` in place of the job's own."""
    style = style or SetoutStyle.of(plan)
    width, height = PAPERS_MM[style.paper]
    sheet = setout_sheet(plan, style)
    write_pdf(pages(sheet, width_mm=width, height_mm=height), path, title=f"Set-out sheet: {sheet.name}")


OUTPUT = Output(
    filename="setout.pdf", title="Set-out sheet for the crew, to be printed (PDF)", write=write, standing=False
)
