"""What the first sheet says of the whole plan, and the list of findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from geofence.outputs.paper.text_flow import Paragraph
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.drawing_signs import SEVERITY_INKS
from geofence.outputs.sheets.findings import NumberedFinding, place_words
from geofence.outputs.sheets.options import SheetOptions
from geofence.plan import FencePlan

__all__ = ["note_paragraphs"]


TITLE_LETTERS = 20
"""What the title block may have to cut short is told in full among the notes."""


def note_paragraphs(plan: FencePlan, options: SheetOptions, findings: Sequence[NumberedFinding]) -> Iterator[Paragraph]:
    """The notes of a plan: what it is, what was found, how to read the sheets."""
    yield Paragraph(one_line(plan.name), kind="heading")
    yield from _summary(plan)
    for label in ("client", "number", "revision", "drawn", "checked", "date"):
        text = one_line(getattr(options, label))
        if len(text) > TITLE_LETTERS:
            yield Paragraph(text, label.capitalize())
    yield Paragraph("How to read these sheets", kind="heading")
    yield from _reading(plan, options)
    if options.notes:
        yield Paragraph("Notes", kind="heading")
        for number, note in enumerate(options.notes, start=1):
            yield Paragraph(one_line(note), f"{number}")
    if plan.zones:
        yield Paragraph("Zones", kind="heading")
        for zone in plan.zones:
            source = one_line(zone.source) or "no source stated"
            limits = [
                f"{word} {value:g} m" for word, value in (("buffer", zone.buffer_m), ("limit", zone.limit_m)) if value
            ]
            yield Paragraph(f"{', '.join([zone.rule, *limits])}. Source: {source}", f"{one_line(zone.name)}:")
    yield Paragraph("Findings", kind="heading")
    if not findings:
        yield Paragraph("Nothing was found.")
    for item in findings:
        yield _finding(plan, item)


def _summary(plan: FencePlan) -> Iterator[Paragraph]:
    told = plan.summary()
    for label, text in (
        ("Fence", f"{one_line(plan.system.title)}, {plan.system.height_m:.3f} m high"),
        ("Length", f"{told['length_m']:.2f} m on the ground"),
        ("Posts", f"{sum(told['posts'].values())} ({_counts(told['posts'])}), {plan.system.post_width_m:.3f} m wide, "
                  f"in holes of {plan.system.hole_diameter_m:.3f} m"),
        ("Bays", f"{sum(told['bays'].values())} ({_counts(told['bays'])}), full bays {plan.system.module_m:.3f} m"),
        ("Steps", f"{told['steps']}; steepest ground {told['steepest_ground_deg']:.1f}°"),
        ("Inputs", ", ".join(one_line(name) for name in sorted(plan.provenance.inputs)) or "not stated"),
    ):  # fmt: skip
        yield Paragraph(text, label)


def _counts(kinds: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))


def _reading(plan: FencePlan, options: SheetOptions) -> Iterator[Paragraph]:
    yield Paragraph(
        "Plans are on the grid: lengths scaled from them are grid distances, and a ground distance is "
        f"{1 / plan.grid.combined_factor:.6f} times as long. Long-sections run by chainage, in ground distances. "
        "Set out by coordinates and the tables, never by scaling from paper."
    )
    times = options.exaggeration
    heights = "as along the line" if times == 1 else f"heights are drawn {times:g} times as large as lengths"
    yield Paragraph(
        f"Long-sections: 1:{options.section_scale:g} along, 1:{options.level_scale:g} up; {heights}. Where the ground "
        "leaves the paper, the section is broken at a post and goes on above another datum level."
    )
    yield Paragraph(
        "Tables give every post; each sheet begins with the post at which the one before ends. Names of line posts and "
        "labels of steps stand in the drawing where there is room for them. A step is the change of the underside at "
        "a post, in metres, up positive."
    )
    yield Paragraph(
        "Posts: full square, an end, corner, strainer or junction; open square, beside a gate; ring with a dot, there "
        "already; dot, in between. Circle round a post: a vertex of the boundary; triangle with a dot: a control "
        "point. Findings: full triangle, stop: do not build this as it is; open triangle, decide; ring, know; a band "
        "along the fence shows how far the first two reach. Their numbers "
        "are those of the list below."
    )


def _finding(plan: FencePlan, item: NumberedFinding) -> Paragraph:
    finding, place = item.finding, place_words(plan, item.finding)
    where = f" at {place}" if place else ""
    message = one_line(finding.message).rstrip(".")
    remedy = f" {one_line(finding.remedy)}" if finding.remedy else ""
    text = f"{finding.severity}{where}: {message}.{remedy}"
    return Paragraph(text, f"{item.number}", ink=SEVERITY_INKS[finding.severity])
