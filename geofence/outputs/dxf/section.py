"""``section.dxf``: the long-section as a drawing, apart from the plan: chainage across, levels up, exaggerated.

It is in grid units, as the plan is. Runs stand side by side along their line, and lines below each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geofence.engine.records import Finding, Floats
from geofence.outputs import colours
from geofence.outputs.digits import fixed
from geofence.outputs.dxf.blocks import finding_block, make_finding_blocks
from geofence.outputs.dxf.drawing import Drawing, Layer, Tag
from geofence.outputs.dxf.layers import (
    BAY,
    GATE,
    GROUND,
    NAME,
    NOTE,
    finding_layer,
    finding_layers,
    post_layer,
    post_layers,
)
from geofence.outputs.dxf.lettering import LETTER_WIDTH, second_row, side_by_side
from geofence.outputs.dxf.notes import add_notes
from geofence.outputs.dxf.style import NAME_MM, NOTE_MM, DxfStyle
from geofence.outputs.dxf.text import line_text, paragraph
from geofence.outputs.thinned import kept
from geofence.placed_findings import FindingPlace, worst_first
from geofence.plan import FencePlan, Output
from geofence.plan_lines import posts_in_order
from geofence.plan_parts import Run

__all__ = ["OUTPUT", "write"]

SCALE, STEP = "SCALE", "FENCE-STEP"
_GROUND_TOLERANCE_M = 0.005
_LINES_APART_MM = 45.0
_LEVEL_LINES_MM, _TICKS_MM = 15.0, 20.0
"""Scale lines and ticks are at least so far apart on paper."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Where a line's section lies: y = ``foot`` + exaggeration x (level - ``datum``), all in drawing units."""

    unit_m: float
    exaggeration: float
    datum: float
    foot: float

    def at(self, chainage_m: Floats, level_m: Floats) -> Floats:
        """(n, 3) places on the drawing."""
        up = self.foot + self.exaggeration * (np.asarray(level_m) / self.unit_m - self.datum)
        return np.column_stack([np.asarray(chainage_m) / self.unit_m, up, np.zeros(len(up))])


def write(plan: FencePlan, path: Path, *, style: DxfStyle | None = None) -> None:
    """Write the drawing, exaggerated and sized as the job's table ``[dxf]`` has it, or as ``style``."""
    style = style or DxfStyle.of(plan)
    drawing = Drawing(unit_m=plan.grid.unit_m, scale=style.scale, layers=_layers(plan))
    make_finding_blocks(drawing)
    numbered = worst_first(plan)
    foot = 0.0
    for name, runs in _lines(plan):
        frame, top = _frame(plan, runs, style, foot)
        _scale(drawing, plan, runs, frame, top, name)
        for run in runs:
            _ground(drawing, plan, run, frame)
            _bays(drawing, plan, run, frame)
            _posts(drawing, plan, run, frame)
        _findings(drawing, plan, name, frame, numbered)
        foot = frame.foot - _LINES_APART_MM * drawing.millimetre
    add_notes(drawing, plan, [finding for finding, _ in numbered], _says(plan, style))
    drawing.save(path)


def _layers(plan: FencePlan) -> list[Layer]:
    return [
        Layer(name=SCALE, description="Levels and chainages", colour=8, width_mm=0.13),
        Layer(name=GROUND, description="The ground along the line", rgb=colours.EARTH, width_mm=0.35),
        Layer(name=BAY, description="Bays: underside, top and ends", rgb=colours.POSTS["corner"]),
        Layer(name=GATE, description="Gates", rgb=colours.GATE),
        Layer(name=STEP, description="Changes of level at posts", rgb=colours.STEP),
        *post_layers(plan),
        Layer(name=NAME, description="Names of the posts"),
        *finding_layers(),
        Layer(name=NOTE, description="What to know of the drawing"),
    ]


def _says(plan: FencePlan, style: DxfStyle) -> tuple[tuple[str, str], ...]:
    unit = plan.grid.unit
    return (
        (
            "drawing",
            f"long-section; x is chainage on the ground, in {unit}; heights are drawn {style.exaggeration:g} times "
            f"higher than long: y is {style.exaggeration:g} x (level - level of the lowest scale line), in {unit}, "
            "of the first line; those of further lines lie below",
        ),
        ("plot", f"texts are sized for a plot at 1:{style.scale:g} along the line"),
    )


def _lines(plan: FencePlan) -> Iterator[tuple[str, list[Run]]]:
    """The lines' names, each with its runs."""
    for name in dict.fromkeys(run.line for run in plan.runs):
        yield name, [run for run in plan.runs if run.line == name]


def _span(plan: FencePlan, runs: Sequence[Run]) -> tuple[float, float]:
    """The lowest toe or ground and the highest top, in drawing units."""
    posts, rows = plan.fence.posts, np.concatenate([run.posts for run in runs])
    ground = plan.stations.ground_level_m[np.concatenate([run.stations for run in runs])]
    low = min(float(np.min(ground)), float(np.min(plan.fence.posts.foot_level_m[rows])))
    high = max(float(np.max(ground)), float(np.max(posts.top_level_m[rows])))
    return low / plan.grid.unit_m, high / plan.grid.unit_m


def _frame(plan: FencePlan, runs: Sequence[Run], style: DxfStyle, foot: float) -> tuple[_Frame, float]:
    """Where a line's section lies below ``foot``, and the level of its highest scale line."""
    millimetre = style.scale / 1000 / plan.grid.unit_m
    low, high = _span(plan, runs)
    step = _round_step(_LEVEL_LINES_MM * millimetre / style.exaggeration)
    datum = math.floor(low / step) * step
    top = math.ceil(high / step) * step
    below = foot - style.exaggeration * (top - datum) if foot else 0.0
    return _Frame(unit_m=plan.grid.unit_m, exaggeration=style.exaggeration, datum=datum, foot=below), top


def _round_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10, ... that is not less.

    >>> _round_step(1.5), _round_step(0.3)
    (2.0, 0.5)
    """
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least * (1 - 1e-9))


def _scale(drawing: Drawing, plan: FencePlan, runs: Sequence[Run], frame: _Frame, top: float, name: str) -> None:
    """Lines at round levels, ticks at round chainages, both with their figures, and the line's name."""
    unit, height = plan.grid.unit_m, NAME_MM * drawing.millimetre
    ends = plan.stations.chainage_m[np.concatenate([run.stations for run in runs])] / unit
    left, right = float(ends.min()), float(ends.max())
    step = _round_step(_LEVEL_LINES_MM * drawing.millimetre / frame.exaggeration)
    levels: Floats = frame.datum + step * np.arange(round((top - frame.datum) / step) + 1.0)
    lines = frame.at(np.full(len(levels), left * unit), levels * unit)
    drawing.lines(SCALE, lines, lines + np.array([right - left, 0.0, 0.0]))
    decimals = max(0, -math.floor(math.log10(step)))
    figures = list(fixed(levels, decimals, missing=""))
    wide = max(map(len, figures)) * height
    drawing.texts(SCALE, figures, height, lines - (wide, height / 2, 0.0), turn_deg=np.zeros(len(lines)))
    every = _round_step(_TICKS_MM * drawing.millimetre)
    along: Floats = every * np.arange(math.ceil(left / every - 1e-9), math.floor(right / every + 1e-9) + 1.0)
    ticks = frame.at(along * unit, np.full(len(along), frame.datum * unit))
    drawing.lines(SCALE, ticks, ticks - (0.0, 2 * drawing.millimetre, 0.0))
    figures = list(fixed(along, 0 if every >= 1 else 2, missing=""))
    below = ticks - (0.0, 2.6 * drawing.millimetre + height, 0.0)
    drawing.texts(SCALE, figures, height, below, turn_deg=np.zeros(len(ticks)))
    if name:
        head = frame.at(np.array([left * unit]), np.array([top * unit]))[0]
        place = (float(head[0]), float(head[1]) + 9 * drawing.millimetre)
        drawing.note(NOTE, paragraph(name), place, height=NOTE_MM * drawing.millimetre)


def _ground(drawing: Drawing, plan: FencePlan, run: Run, frame: _Frame) -> None:
    chainage_m = plan.stations.chainage_m[run.stations]
    level_m = plan.stations.ground_level_m[run.stations]
    rows = kept(chainage_m, level_m, tolerance_m=_GROUND_TOLERANCE_M)
    drawing.path(GROUND, frame.at(chainage_m[rows], level_m[rows])[:, :2])


def _bays(drawing: Drawing, plan: FencePlan, run: Run, frame: _Frame) -> None:
    """Each bay by its underside, its top and its ends, and how much it steps from the one before."""
    bays, rows = plan.fence.bays, run.bays
    levels_m = (bays.underside_from_m, bays.underside_to_m, bays.top_to_m, bays.top_from_m)
    chainages_m = (bays.start_m, bays.end_m, bays.end_m, bays.start_m)
    corners = [frame.at(at[rows], level[rows]) for at, level in zip(chainages_m, levels_m, strict=True)]
    layers = [GATE if bays.kind[row] == "gate" else BAY for row in rows]
    for one, other in zip(corners, corners[1:] + corners[:1], strict=True):
        drawing.lines(layers, one, other)
    steps = rows[np.abs(bays.step_m[rows]) > 0]
    unit, height = plan.grid.unit_m, NAME_MM * drawing.millimetre
    toes_m = plan.fence.posts.foot_level_m[bays.from_post[steps]]
    at = frame.at(bays.start_m[steps], toes_m)
    texts = [f"{step:+.3f}" for step in (bays.step_m[steps] / unit).tolist()]
    beside = at + np.array([height / 2, -6.0 * height, 0.0])
    drawing.texts(STEP, texts, height, beside, turn_deg=np.full(len(steps), 90.0))


def _posts(drawing: Drawing, plan: FencePlan, run: Run, frame: _Frame) -> None:
    posts, (rows, chainage_m) = plan.fence.posts, posts_in_order(run, plan.fence.bays)
    toes, tops = (frame.at(chainage_m, level[rows]) for level in (posts.foot_level_m, posts.top_level_m))
    drawing.lines([post_layer(posts.kind[row]) for row in rows], toes, tops)
    height, names = NAME_MM * drawing.millimetre, plan.post_names
    lines_up = second_row(np.diff(tops[:, 0]), 1.3 * height) * LETTER_WIDTH * height * (1 + max(map(len, names)))
    above = tops + np.array([height / 2, drawing.millimetre, 0.0])
    above[:, 1] += lines_up
    drawing.texts(NAME, [names[row] for row in rows], height, above, turn_deg=np.full(len(rows), 90.0))


def _findings(
    drawing: Drawing,
    plan: FencePlan,
    line: str,
    frame: _Frame,
    numbered: Sequence[tuple[Finding, FindingPlace | None]],
) -> None:
    """The numbers of a line's findings below the ground that they are about."""
    stations, feet_m = plan.stations, plan.fence.posts.foot_level_m
    grounds = {
        row: (stations.chainage_m[run.stations], stations.ground_level_m[run.stations])
        for row, run in enumerate(plan.runs)
        if run.line == line
    }
    placed = [
        (number, finding, place)
        for number, (finding, place) in enumerate(numbered, start=1)
        if place is not None and place.run in grounds
    ]
    if not placed:
        return
    height = NAME_MM * drawing.millimetre
    levels_m = [min(np.interp(place.at_m, *grounds[place.run]), feet_m[place.behind]) for *_, place in placed]
    at = frame.at(np.array([place.at_m for *_, place in placed]), np.array(levels_m))
    at -= (0.0, 15 * drawing.millimetre, 0.0)
    turn_deg = np.zeros(len(at))
    numbers = [str(number) for number, *_ in placed]
    beside = at + np.array([2.6, -NAME_MM / 2, 0.0]) * drawing.millimetre
    beside[:, :2] = side_by_side(beside[:, :2], np.tile([1.0, 0.0], (len(at), 1)), numbers, height)
    tags = [
        Tag(name="NUMBER", texts=numbers, layer=NOTE, height=height, at=beside, turn_deg=turn_deg),
        Tag(name="CODE", texts=[line_text(found.code) for _, found, _ in placed], layer=NOTE, height=height, at=at),
    ]
    layers = [finding_layer(found.severity) for _, found, _ in placed]
    drawing.inserts([finding_block(found.severity) for _, found, _ in placed], layers, at, turn_deg=turn_deg, tags=tags)


OUTPUT = Output(filename="section.dxf", title="The long-section as a drawing (DXF)", write=write, standing=False)
