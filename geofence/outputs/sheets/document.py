"""``sheets.pdf`` and ``sheets-svg.zip``: the fence in plan and long-section, true to scale, on numbered sheets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import numpy as np

from geofence.errors import JobError
from geofence.outputs.paper.page import LETTERING_MM, Page, Pen
from geofence.outputs.paper.pdf import write_pdf
from geofence.outputs.paper.svg import page_as_svg
from geofence.outputs.paper.text_flow import Column, Line, draw_lines, flowed, lines_of
from geofence.outputs.plain_text import one_line
from geofence.outputs.sheets import drawing_signs as signs
from geofence.outputs.sheets.fence_line import FenceLine, fence_lines
from geofence.outputs.sheets.findings import NumberedFinding, numbered_findings
from geofence.outputs.sheets.frame import SheetFrame, scale_words, sheet_frame
from geofence.outputs.sheets.key_plan import key_plan
from geofence.outputs.sheets.long_section import SectionDrawing
from geofence.outputs.sheets.notes import note_paragraphs
from geofence.outputs.sheets.options import SheetOptions, sheet_options
from geofence.outputs.sheets.section_pieces import fitting_exaggeration
from geofence.outputs.sheets.strip_plan import LABELS_MM, PlanDrawing
from geofence.outputs.sheets.strip_table import COLUMN_MM, LEADER_MM, TITLES_MM, StripTable, strip_table
from geofence.outputs.sheets.strips import Room, Strip, cut_into_strips
from geofence.outputs.sheets.zones import DrawnZone, drawn_zones
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "SVG_OUTPUT", "sheets", "write", "write_svg"]

Rectangle = tuple[float, float, float, float]

PLAN_HEADING_MM, SECTION_HEADING_MM = 14.0, 8.0
TOGETHER_MM = (50.0, 60.0)
"""Plan above section on one sheet, where the paper leaves these heights to them at least."""
PLAN_SHARE = 0.45
BESIDE_MM = 10.0
"""Outlines on the key plan go round what is on a sheet, and so much of that sheet's paper beside it."""
END_MM = 6.0
"""Beyond the end of a section, for the match line's words."""
NOTES_SHARE = 0.4
COLUMN_WIDTH_MM = 118.0
GAP_MM = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arrangement:
    """Where plan and section stand on a sheet: on one, or (``plan`` and ``section`` both high) on two."""

    way: Literal["together", "apart"]
    plan: Rectangle
    section: Rectangle


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawings:
    """Everything that the sheets of a plan are drawn from."""

    plan: FencePlan
    options: SheetOptions
    frame: SheetFrame
    lines: list[FenceLine]
    zones: list[DrawnZone]
    findings: list[NumberedFinding]
    table: StripTable
    arrangement: _Arrangement
    strips: list[Strip]


def sheets(plan: FencePlan) -> Iterator[Page]:
    """The sheets of a plan, one after the other: the key plan with notes, the strips, and notes that go on.

    Raises
    ------
    JobError
        The paper is of no known size; or at a scale that the plan's job asks for a bay is wider, or by the exaggeration
        higher, than there is room on it.
    """
    return _pages(_drawings(plan))


def write(plan: FencePlan, path: Path) -> None:
    """Write all sheets as one PDF.

    Raises
    ------
    JobError
        As :func:`sheets`.
    """
    write_pdf(sheets(plan), path, title=f"{one_line(plan.name)}: plan and long-section")


def write_svg(plan: FencePlan, path: Path) -> None:
    """Write a zip with an SVG file for each sheet.

    Raises
    ------
    JobError
        As :func:`sheets`.
    """
    with ZipFile(path, "w", ZIP_DEFLATED) as target:
        for number, page in enumerate(sheets(plan), start=1):
            # The time of every member is the earliest that a zip can hold: the same plan, the same bytes.
            member = ZipInfo(f"sheet-{number:03d}.svg")
            member.compress_type = ZIP_DEFLATED
            target.writestr(member, page_as_svg(page))


def _drawings(plan: FencePlan) -> _Drawings:
    options = sheet_options(plan)
    frame, lines = sheet_frame(plan, options), fence_lines(plan)
    findings = numbered_findings(plan)
    table = strip_table(lines, findings, slope=plan.system.slope)
    arrangement = _arrangement(frame.body, table.height_mm)
    room = _room(arrangement, options)
    _refuse_bays_wider_than(room, options, lines)
    options = _with_fitting_exaggeration(options, lines, arrangement)
    frame = replace(frame, options=options)
    strips = [strip for number, line in enumerate(lines) for strip in cut_into_strips(line, number, room)]
    return _Drawings(
        plan=plan, options=options, frame=frame, lines=lines, zones=drawn_zones(plan), findings=findings, table=table,
        arrangement=arrangement, strips=strips,
    )  # fmt: skip


def _arrangement(body: Rectangle, table_mm: float) -> _Arrangement:
    """Plan over section over table on one sheet where they have room, else each with a sheet to itself."""
    x0, y0, x1, y1 = body
    datum = y0 + 2 + table_mm + LEADER_MM
    left, right = x0 + TITLES_MM + 2, x1 - END_MM
    free = y1 - datum - PLAN_HEADING_MM - SECTION_HEADING_MM
    if free >= sum(TOGETHER_MM):
        plan_mm = max(TOGETHER_MM[0], free * PLAN_SHARE)
        low = y1 - PLAN_HEADING_MM - plan_mm
        return _Arrangement(
            way="together",
            plan=(x0, low, x1, y1 - PLAN_HEADING_MM),
            section=(left, datum, right, low - SECTION_HEADING_MM),
        )
    return _Arrangement(
        way="apart", plan=(x0, y0, x1, y1 - PLAN_HEADING_MM), section=(left, datum, right, y1 - SECTION_HEADING_MM)
    )


def _refuse_bays_wider_than(room: Room, options: SheetOptions, lines: Sequence[FenceLine]) -> None:
    """Raise where the job asks for scales with which a single bay is wider than the paper."""
    widest_m = max(float(np.diff(line.chainage_m).max()) for line in lines)
    rooms = {"scale": (options.scale, room.plan_m[0]), "section_scale": (options.section_scale, room.section_m)}
    for key, (scale, room_m) in rooms.items():
        if widest_m > room_m:
            raise JobError(
                "draws a bay wider than the paper has room for",
                place=f"sheets.{key if key in options.asked else 'scale'}",
                value=f"1:{scale:g}",
                limit=f"1:{scale * widest_m / room_m:.0f}",
                remedy="Take a smaller scale or larger paper, or leave it out.",
            )


def _with_fitting_exaggeration(
    options: SheetOptions, lines: Sequence[FenceLine], arrangement: _Arrangement
) -> SheetOptions:
    """The options with an exaggeration that draws every bay on the paper.

    Raises
    ------
    JobError
        The job asks for one that does not.
    """
    height_mm = arrangement.section[3] - arrangement.section[1]
    fits = fitting_exaggeration(
        lines, options.exaggeration, section_scale=options.section_scale, height_mm=height_mm,
        widest="bay" if "exaggeration" in options.asked else "piece",
    )  # fmt: skip
    if "exaggeration" in options.asked and fits < options.exaggeration:
        raise JobError(
            "draws a bay higher than the paper has room for",
            place="sheets.exaggeration",
            value=options.exaggeration,
            limit=fits,
            remedy="Make it smaller, take larger paper or a smaller scale, or leave it out.",
        )
    return replace(options, exaggeration=fits)


def _room(arrangement: _Arrangement, options: SheetOptions) -> Room:
    plan, section = arrangement.plan, arrangement.section
    wide, high = plan[2] - plan[0] - 2 * LABELS_MM[0], plan[3] - plan[1] - 2 * LABELS_MM[1]
    along = section[2] - section[0]
    return Room(
        plan_m=(wide * options.scale / 1000, high * options.scale / 1000),
        section_m=along * options.section_scale / 1000,
        columns=int(along / COLUMN_MM) + 1,
    )


def _pages(drawn: _Drawings) -> Iterator[Page]:
    each = 1 if drawn.arrangement.way == "together" else 2
    strips_end = 1 + each * len(drawn.strips)
    box, column = _first_boxes(drawn.frame.body)
    placed, rest = _first_notes(drawn, column, strips_end + 1, each=each)
    columns = _list_columns(drawn.frame.body, column.x1 - column.x0)
    lists = []
    while rest:
        on_sheet, rest = flowed(rest, columns)
        lists.append(on_sheet)
    count = strips_end + len(lists)
    yield _first_sheet(drawn, count, box, column, placed, each=each)
    for number, strip in enumerate(drawn.strips):
        yield from _strip_sheets(drawn, strip, number, count, each=each)
    for number, on_sheet in enumerate(lists, start=strips_end + 1):
        yield _list_sheet(drawn, number, count, on_sheet)


def _first_notes(drawn: _Drawings, column: Column, next_sheet: int, *, each: int) -> tuple[list[Line], list[Line]]:
    """The notes that stand on the first sheet, and those that go on on the next sheet of notes."""
    sheets_of = _sheets_of_findings(drawn, each=each)
    rest: list[Line] = []
    for goes_on in ("", f"{next_sheet}"):
        told = note_paragraphs(drawn.plan, drawn.options, drawn.findings, sheets_of, goes_on=goes_on)
        ((_, placed),), rest = flowed(lines_of(told, column.x1 - column.x0), [column])
        if not rest:
            break
    return placed, rest


def _sheets_of_findings(drawn: _Drawings, *, each: int) -> dict[int, str]:
    """The sheet of the strip on which each finding's sign stands, by the finding's number."""
    found = {}
    for number, strip in enumerate(drawn.strips):
        for item in drawn.findings:
            if item.on(strip, drawn.lines[strip.line]):
                found[item.number] = _sheet_name(2 + each * number, each=each)
    return found


def _sheet_name(first: int, *, each: int) -> str:
    return f"{first}" if each == 1 else f"{first}–{first + 1}"


def _first_boxes(body: Rectangle) -> tuple[Rectangle, Column]:
    x0, y0, x1, y1 = body
    split = x1 - min(NOTES_SHARE * (x1 - x0), COLUMN_WIDTH_MM + 2 * GAP_MM)
    return (x0, y0, split, y1 - PLAN_HEADING_MM), Column(split + GAP_MM / 2, y0 + 2, x1 - GAP_MM / 2, y1 - 3)


def _list_columns(body: Rectangle, width_mm: float) -> list[Column]:
    x0, y0, x1, y1 = body
    count = max(1, int((x1 - x0) / (width_mm + GAP_MM)))
    lefts = [x0 + GAP_MM / 2 + number * (width_mm + GAP_MM) for number in range(count)]
    return [Column(left, y0 + 2, left + width_mm, y1 - 3) for left in lefts]


def _first_sheet(
    drawn: _Drawings, count: int, box: Rectangle, column: Column, lines: Sequence[Line], *, each: int
) -> Page:
    named = [(_sheet_name(2 + each * number, each=each), strip) for number, strip in enumerate(drawn.strips)]
    beside_m = BESIDE_MM * drawn.options.scale / 1000
    key = key_plan(drawn.lines, drawn.zones, named, drawn.plan, beside_m=beside_m, box=box)
    page = drawn.frame.sheet("Key plan and notes", 1, count, scales=scale_words(key.scale))
    key.draw(page, box)
    page.line([(box[0], box[3]), (box[2], box[3])], Pen(0.18))
    page.line([(box[2], box[1]), (box[2], drawn.frame.body[3])], Pen(0.18))
    _heading(
        page,
        box,
        f"Key plan {scale_words(key.scale)}",
        "Outlines: the stretch on each sheet, by the sheet's number",
        key.scale,
        0.0,
    )
    draw_lines(page, column, lines)
    return page


def _strip_sheets(drawn: _Drawings, strip: Strip, number: int, count: int, *, each: int) -> Iterator[Page]:
    first, options = 2 + each * number, drawn.options
    before = f"sheet {first - each}" if _meets(drawn.strips, number - 1, number) else ""
    after = f"sheet {first + each}" if _meets(drawn.strips, number, number + 1) else ""
    if each == 1:
        scales = f"{scale_words(options.scale)}, up {scale_words(options.level_scale)}"
        page = drawn.frame.sheet(_shows(drawn, strip, "Plan and section"), first, count, scales=scales)
        _draw_plan(drawn, page, strip, before, after)
        _draw_section(drawn, page, strip, before, after)
        yield page
        return
    page = drawn.frame.sheet(_shows(drawn, strip, "Plan"), first, count, scales=scale_words(options.scale))
    _draw_plan(drawn, page, strip, before, after)
    yield page
    before, after = (f"sheet {first + 1 + step}" if sheet else "" for sheet, step in ((before, -each), (after, each)))
    scales = f"{scale_words(options.section_scale)}, up {scale_words(options.level_scale)}"
    page = drawn.frame.sheet(_shows(drawn, strip, "Section"), first + 1, count, scales=scales)
    _draw_section(drawn, page, strip, before, after)
    yield page


def _meets(strips: Sequence[Strip], one: int, two: int) -> bool:
    """Whether two neighbouring strips share a post, at a match line."""
    return one >= 0 and two < len(strips) and strips[one].line == strips[two].line


def _shows(drawn: _Drawings, strip: Strip, what: str) -> str:
    names = drawn.lines[strip.line].names
    return f"{what} {names[strip.first]}–{names[strip.last]}"


def _stretch(drawn: _Drawings, strip: Strip) -> str:
    line = drawn.lines[strip.line]
    name = one_line(line.chain.run.line)[:40]
    posts = f"{line.names[strip.first]} to {line.names[strip.last]}"
    chainages = f"chainage {line.chainage_m[strip.first]:.3f} to {line.chainage_m[strip.last]:.3f} m"
    return f"{f'{name}: ' if name else ''}{posts}, {chainages}"


def _draw_plan(drawn: _Drawings, page: Page, strip: Strip, before: str, after: str) -> None:
    box, options = drawn.arrangement.plan, drawn.options
    _heading(page, box, f"Plan {scale_words(options.scale)}", _stretch(drawn, strip), options.scale, strip.turn_rad)
    drawing = PlanDrawing(
        plan=drawn.plan, lines=drawn.lines, zones=drawn.zones, findings=drawn.findings,
        scale=options.scale,
    )  # fmt: skip
    drawing.draw(page, box, strip, before=before, after=after)


def _draw_section(drawn: _Drawings, page: Page, strip: Strip, before: str, after: str) -> None:
    box, options = drawn.arrangement.section, drawn.options
    up = f"{scale_words(options.section_scale)} along, {scale_words(options.level_scale)} up"
    times = f"heights {options.exaggeration:g} times lengths" if options.exaggeration != 1 else "heights as lengths"
    x, y = box[0] - TITLES_MM + 1, box[3] + 2.2
    end = page.text(f"Long-section {up}", x, y, cap_mm=2.5, weight="bold").bounds[2]
    page.text(f"({times}); {_stretch(drawn, strip)}", end + 3, y)
    drawing = SectionDrawing(
        plan=drawn.plan, lines=drawn.lines, gate_names={gate.bay: gate.name for gate in drawn.plan.gates},
        section_scale=options.section_scale, level_scale=options.level_scale,
    )  # fmt: skip
    posts = drawing.draw(page, box, strip, before=before, after=after)
    page.text("Datum level m", x, box[1] + 0.7)
    drawn.table.draw(page, box[0], box[2], box[1] - LEADER_MM, strip, posts)


def _heading(page: Page, box: Rectangle, title: str, text: str, scale: float, turn_rad: float) -> None:
    """Over a plan: what it is, its scale bar, and where north is."""
    y = box[3] + PLAN_HEADING_MM
    x = page.text(title, box[0] + 2, y - 5.4, cap_mm=3.5, weight="bold").bounds[2]
    page.text(text, box[0] + 2, y - 11.2, cap_mm=LETTERING_MM[0])
    signs.scale_bar(page, max(x + 8, box[2] - 85), y - 8.6, scale)
    signs.north_point(page, box[2] - 8, y - PLAN_HEADING_MM / 2, turn_rad, radius_mm=4.0)


def _list_sheet(drawn: _Drawings, number: int, count: int, on_sheet: list[tuple[Column, list[Line]]]) -> Page:
    page = drawn.frame.sheet("Notes and findings", number, count, scales="none")
    for column, lines in on_sheet:
        draw_lines(page, column, lines)
    return page


OUTPUT = Output(filename="sheets.pdf", title="Plan and long-section on sheets (PDF)", write=write, standing=False)
SVG_OUTPUT = Output(
    filename="sheets-svg.zip", title="Plan and long-section on sheets (SVG)", write=write_svg, standing=False
)
