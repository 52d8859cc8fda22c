"""``section.dxf``: the long-section as a drawing, apart from the plan: chainage across, levels up, exaggerated.

It is in grid units, as the plan is. Runs stand side by side along their line, and lines below each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
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
from geofence.outputs.findings_order import worst_first
from geofence.outputs.thinned import kept
from geofence.plan import FencePlan, Output
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
    numbered = worst_first(plan.fence.findings)
    foot = 0.0
    for name, runs in _lines(plan):
        frame, top = _frame(plan, runs, style, foot)
        _scale(drawing, plan, runs, frame, top, name)
        for run in runs:
            _ground(drawing, plan, run, frame)
            _bays(drawing, plan, run, frame)
            _posts(drawing, plan, run, frame)
        _findings(drawing, plan, runs, frame, numbered)
        foot = frame.foot - _LINES_APART_MM * drawing.millimetre
    add_notes(drawing, plan, numbered, _says(plan, style))
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
    posts, rows, chainage_m = plan.fence.posts, run.posts, run.chainage_m
    if run.closed:  # the first post is the last one too
        rows = np.append(rows, rows[0])
        chainage_m = np.append(chainage_m, plan.fence.bays.end_m[run.bays[-1]])
    toes, tops = (frame.at(chainage_m, level[rows]) for level in (posts.foot_level_m, posts.top_level_m))
    drawing.lines([post_layer(posts.kind[row]) for row in rows], toes, tops)
    height, names = NAME_MM * drawing.millimetre, plan.post_names
    lines_up = second_row(np.diff(tops[:, 0]), 1.3 * height) * LETTER_WIDTH * height * (1 + max(map(len, names)))
    above = tops + np.array([height / 2, drawing.millimetre, 0.0])
    above[:, 1] += lines_up
    drawing.texts(NAME, [names[row] for row in rows], height, above, turn_deg=np.full(len(rows), 90.0))


def _findings(
    drawing: Drawing, plan: FencePlan, runs: Sequence[Run], frame: _Frame, numbered: Sequence[Finding]
) -> None:
    """The numbers of the findings below the ground that they are about."""
    feet, stretches = plan.fence.posts.foot_level_m, [_Stretch.of(plan, run) for run in runs]
    placed = [(row, *place) for row, item in enumerate(numbered) if (place := _place(stretches, feet, item))]
    if not placed:
        return
    rows, chainages_m, levels_m = zip(*placed, strict=True)
    height = NAME_MM * drawing.millimetre
    at = frame.at(np.array(chainages_m), np.array(levels_m)) - (0.0, 15 * drawing.millimetre, 0.0)
    turn_deg = np.zeros(len(at))
    numbers = [str(row + 1) for row in rows]
    beside = at + np.array([2.6, -NAME_MM / 2, 0.0]) * drawing.millimetre
    beside[:, :2] = side_by_side(beside[:, :2], np.tile([1.0, 0.0], (len(at), 1)), numbers, height)
    tags = [
        Tag(name="NUMBER", texts=numbers, layer=NOTE, height=height, at=beside, turn_deg=turn_deg),
        Tag(name="CODE", texts=[line_text(numbered[row].code) for row in rows], layer=NOTE, height=height, at=at),
    ]
    layers = [finding_layer(numbered[row].severity) for row in rows]
    drawing.inserts([finding_block(numbered[row].severity) for row in rows], layers, at, turn_deg=turn_deg, tags=tags)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stretch:
    """A run with what is looked up of it for every finding: chainages of its posts, and of the middles of its bays."""

    run: Run
    at_post_m: Mapping[int, float]
    in_bay_m: Mapping[int, float]
    station_m: Floats
    ground_m: Floats

    @classmethod
    def of(cls, plan: FencePlan, run: Run) -> _Stretch:
        bays = plan.fence.bays
        middle_m = (bays.start_m[run.bays] + bays.end_m[run.bays]) / 2
        return cls(
            run=run,
            at_post_m=dict(zip(run.posts.tolist(), run.chainage_m.tolist(), strict=True)),
            in_bay_m=dict(zip(run.bays.tolist(), middle_m.tolist(), strict=True)),
            station_m=plan.stations.chainage_m[run.stations],
            ground_m=plan.stations.ground_level_m[run.stations],
        )

    def chainage_m(self, finding: Finding) -> float | None:
        """Where a finding is in this run; None where it is elsewhere, or about the whole plan."""
        if finding.line and finding.line != self.run.line:
            return None
        if finding.post is not None:
            return self.at_post_m.get(finding.post)
        if finding.bay is not None:
            return self.in_bay_m.get(finding.bay)
        if finding.chainage_m is None:
            return None
        to_m = finding.chainage_m if finding.chainage_to_m is None else finding.chainage_to_m
        middle_m = (finding.chainage_m + to_m) / 2
        return middle_m if self.station_m[0] <= middle_m <= self.station_m[-1] else None


def _place(stretches: Sequence[_Stretch], feet: Floats, finding: Finding) -> tuple[float, float] | None:
    """Chainage and lowest level of what a finding is about, if it is in one of the runs."""
    for stretch in stretches:
        chainage_m = stretch.chainage_m(finding)
        if chainage_m is not None:
            row = int(np.searchsorted(stretch.run.chainage_m, chainage_m, side="right")) - 1
            ground_m = float(np.interp(chainage_m, stretch.station_m, stretch.ground_m))
            return chainage_m, min(ground_m, float(feet[stretch.run.posts[max(row, 0)]]))
    return None


OUTPUT = Output(filename="section.dxf", title="The long-section as a drawing (DXF)", write=write, standing=False)
