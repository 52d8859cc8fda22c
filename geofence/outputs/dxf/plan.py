"""``plan.dxf``: the plan as a drawing, on the job's grid at 1:1 in grid units.

Nothing in it is scaled, shifted or turned: x is the easting, y the northing. In a drawing in space z is the level, in
the same unit. Posts are blocks with their name and levels as attributes.
"""

from __future__ import annotations

from pathlib import Path

from geofence.outputs.dxf.drawing import Drawing
from geofence.outputs.dxf.fence import add_bays, add_bodies, add_gates, add_posts
from geofence.outputs.dxf.findings import add_findings
from geofence.outputs.dxf.layers import plan_layers, space_layers
from geofence.outputs.dxf.notes import add_notes
from geofence.outputs.dxf.site import add_legs, add_marks, add_zones
from geofence.outputs.dxf.style import DxfStyle
from geofence.placed_findings import worst_first
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path, *, style: DxfStyle | None = None) -> None:
    """Write the drawing, as the job's table ``[dxf]`` has it, or as ``style``."""
    style = style or DxfStyle.of(plan)
    layers = plan_layers(plan) + (space_layers() if style.posts == "3d" else [])
    drawing = Drawing(unit_m=plan.grid.unit_m, scale=style.scale, layers=layers)
    add_legs(drawing, plan)
    add_zones(drawing, plan)
    add_bays(drawing, plan, style.posts)
    add_gates(drawing, plan)
    if style.posts == "3d":
        add_bodies(drawing, plan)
    numbered = worst_first(plan)
    add_findings(drawing, plan, numbered)
    add_posts(drawing, plan, style.posts)
    add_marks(drawing, plan)
    add_notes(drawing, plan, [finding for finding, _ in numbered], _says(plan, style))
    drawing.save(path)


def _says(plan: FencePlan, style: DxfStyle) -> tuple[tuple[str, str], ...]:
    """What this drawing is, for its notes."""
    unit = plan.grid.unit
    space = (
        f"z is the level, in {unit}: posts stand from toe to top, their marks and bays lie on the ground, all else at 0"
        if style.posts == "3d"
        else f"it is flat, levels are attributes of the posts, in {unit}"
    )
    existing = "; posts that exist already are where they stand, with a line to their places on the fence's line"
    return (
        (
            "drawing",
            f"x is easting, y northing, at 1:1 in {unit}, grid north up; {space}"
            f"{existing if len(plan.existing) else ''}",
        ),
        ("plot", f"texts and marks are sized for a plot at 1:{style.scale:g}; posts and holes are at true size"),
    )


OUTPUT = Output(filename="plan.dxf", title="The plan as a drawing (DXF)", write=write, standing=False)
