"""What the first sheet says of the whole plan, and the list of findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

from geofence.outputs.finding_words import sentences
from geofence.outputs.paper.text_flow import Paragraph
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets.drawing_signs import SEVERITY_INKS
from geofence.outputs.sheets.findings import NumberedFinding, place_words
from geofence.outputs.sheets.options import SheetOptions
from geofence.plan import SEVERITIES, FencePlan, PlannedZone

__all__ = ["note_paragraphs"]


TITLE_LETTERS = 20
"""What the title block may have to cut short is told in full among the notes."""
GROUPS = {
    "stop": "Stop: do not build this as it is",
    "warn": "Warn: decide before this is built",
    "note": "Note: know of this",
}


def note_paragraphs(
    plan: FencePlan,
    options: SheetOptions,
    findings: Sequence[NumberedFinding],
    sheets: Mapping[int, str],
    *,
    goes_on: str = "",
) -> Iterator[Paragraph]:
    """The notes of a plan, with what stops it first, and what is only to be known of it last.

    ``sheets`` name the sheet of each finding by its number; ``goes_on`` is the sheet on which the notes go on.
    """
    yield Paragraph(one_line(plan.name), kind="heading")
    yield Paragraph(_counted(findings), kind="heading")
    if not findings:
        yield Paragraph("Nothing was found.")
    if goes_on:
        yield Paragraph(f"Continued on sheet {goes_on}.")
    yield from _group(plan, findings, sheets, "stop")
    yield from _group(plan, findings, sheets, "warn")
    yield from _headed("The fence", (*_summary(plan), *_long_titles(options)))
    yield from _headed("How to read these sheets", _reading(plan, options))
    notes = (Paragraph(one_line(note), f"{number}") for number, note in enumerate(options.notes, start=1))
    yield from _headed("Notes", notes)
    yield from _headed("Zones", map(_zone, plan.zones))
    yield from _group(plan, findings, sheets, "note")


def _headed(title: str, paragraphs: Iterable[Paragraph]) -> Iterator[Paragraph]:
    """A heading with what stands under it; nothing where there is nothing."""
    told = tuple(paragraphs)
    if told:
        yield Paragraph(title, kind="heading")
        yield from told


def _counted(findings: Sequence[NumberedFinding]) -> str:
    counts = Counter[str](item.finding.severity for item in findings)
    told = ", ".join(f"{counts[severity]} {severity}" for severity in SEVERITIES if counts[severity])
    return f"Findings: {told}" if told else "Findings"


def _group(
    plan: FencePlan, findings: Sequence[NumberedFinding], sheets: Mapping[int, str], severity: str
) -> Iterator[Paragraph]:
    group = (item for item in findings if item.finding.severity == severity)
    yield from _headed(GROUPS[severity], (_finding(plan, item, sheets.get(item.number, "")) for item in group))


def _long_titles(options: SheetOptions) -> Iterator[Paragraph]:
    """What the title block has no room for."""
    for label in ("client", "number", "revision", "drawn", "checked", "date"):
        text = one_line(getattr(options, label))
        if len(text) > TITLE_LETTERS:
            yield Paragraph(text, label.capitalize())


def _zone(zone: PlannedZone) -> Paragraph:
    limits = [f"{word} {value:g} m" for word, value in (("buffer", zone.buffer_m), ("limit", zone.limit_m)) if value]
    source = one_line(zone.source) or "no source stated"
    return Paragraph(f"{', '.join([zone.rule, *limits])}. Source: {source}", f"{one_line(zone.name)}:")


def _summary(plan: FencePlan) -> Iterator[Paragraph]:
    told, full = plan.summary(), "at most" if plan.system.slope == "strained" else "full bays"
    for label, text in (
        ("Fence", f"{one_line(plan.system.title)}, {plan.system.height_m:.3f} m high"),
        ("Length", f"{told['length_m']:.2f} m on the ground"),
        ("Posts", f"{sum(told['posts'].values())} ({_counts(told['posts'])}), {plan.system.post_width_m:.3f} m wide, "
                  f"in holes of {plan.system.hole_diameter_m:.3f} m"),
        ("Bays", f"{sum(told['bays'].values())} ({_counts(told['bays'])}), {full} {plan.system.module_m:.3f} m"),
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
        "already, with a stroke to its place on the line; dot, in between. Circle round a post: a vertex of the "
        "boundary; triangle with a dot: a control "
        "point. Findings: full triangle, stop: do not build this as it is; open triangle, decide; ring, know; a band "
        "along the fence shows how far the first two reach. Their numbers "
        "run in the order of the fence; the list has what stops first, then what to decide, then what to know."
    )


def _finding(plan: FencePlan, item: NumberedFinding, sheet: str) -> Paragraph:
    finding, place = item.finding, place_words(plan, item.finding)
    where, found = f" at {place}" if place else "", f" [sheet {sheet}]" if sheet else ""
    text = f"{finding.severity}{where}: {sentences(finding, None)}{found}"
    return Paragraph(text, f"{item.number}", ink=SEVERITY_INKS[finding.severity])
