"""What the terminal shows: summaries, tables, errors, and the stage at work."""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from geofence.engine.records import Finding
from geofence.errors import GeofenceError
from geofence.placed_findings import worst_first
from geofence.plan import SEVERITIES, FencePlan, KnownOutput

if TYPE_CHECKING:
    from geofence.comparison import Candidate
    from geofence.inspection import Inspection
    from geofence.planning.beside import Beside
    from geofence.planning.fieldwork import FieldSurvey
    from geofence.planning.surveyed import Progress
    from geofence.site.reading import Reading
    from geofence.systems.system import System

__all__ = ["comparison", "error", "inspection", "outputs", "plan_summary", "stages", "systems", "written"]

SHOWN_FINDINGS = 8
SHOWN_LEGS = 40
SHOWN_LINES = 12
WIDE = 1000
"""Columns of a table that goes to a program: nothing in it is broken."""
STYLES = {"stop": "bold red", "warn": "yellow", "note": "dim"}


class _Console(Console):
    """A console that leaves a reader's early leave to its caller."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def _console(*, stderr: bool = False) -> Console:
    return _Console(stderr=stderr, highlight=False, soft_wrap=not sys.stdout.isatty())


@contextmanager
def stages(*, show: bool) -> Iterator[Progress]:
    """A progress callback that shows the stage at work, on a terminal only."""
    console = _console(stderr=True)
    if not (show and console.is_terminal):
        yield lambda _stage: None
        return
    with console.status("Starting") as status:
        yield lambda stage: status.update(stage)


def error(problem: GeofenceError) -> None:
    """One readable paragraph on the error stream."""
    _console(stderr=True).print(Text("geofence: ", style="bold red") + Text(str(problem)))


def plan_summary(
    plan: FencePlan, files: Sequence[Path], folder: Path, *, removed: Sequence[str] = (), void: Sequence[str] = ()
) -> None:
    """The plan at a glance, its worst findings, where its files are, and what became of an earlier plan's."""
    console, summary = _console(), plan.summary()
    posts, bays = summary["posts"], summary["bays"]
    table = _facts(plan.name)
    table.add_row("length", f"{summary['length_m']:.2f} m on the ground")
    for row, (name, length_m) in enumerate([*summary.get("lines", {}).items()][:SHOWN_LINES]):
        table.add_row("" if row else "lines", Text(f"{name}: {length_m:.2f} m"))
    if len(plan.line_names) > SHOWN_LINES:
        table.add_row("", f"and {len(plan.line_names) - SHOWN_LINES} more lines")
    table.add_row("posts", f"{sum(posts.values())}  ({_counted(posts)})")
    table.add_row("bays", f"{sum(bays.values())}  ({_counted(bays)})")
    table.add_row("steps", str(summary["steps"]))
    table.add_row("steepest ground", f"{summary['steepest_ground_deg']:.1f}°")
    table.add_row("grid", f"{plan.grid.name}, combined factor {plan.grid.combined_factor:.6f}")
    table.add_row("findings", _severities(summary["findings"]))
    console.print(table)
    _findings(console, [item for item, _ in worst_first(plan)], everywhere="findings.csv has")
    console.print(f"{len(files)} files in {folder}", soft_wrap=True)
    _earlier(console, folder, removed, void)
    console.print(f"map: {folder / 'map.html'}", soft_wrap=True)


def _earlier(console: Console, folder: Path, removed: Sequence[str], void: Sequence[str]) -> None:
    """What became of the files of an earlier plan in the folder."""
    if removed:
        again = f"write them again with `geofence write {folder} --also NAME`"
        text = f"removed: {', '.join(removed)} of the earlier plan; {again}"
        console.print(Text(text, STYLES["warn"]), soft_wrap=True)
    if void:
        text = f"void: {', '.join(void)} from an earlier plan; `geofence stakeout` makes new ones"
        console.print(Text(text, STYLES["warn"]), soft_wrap=True)


def written(
    plan: FencePlan, files: Sequence[Path], folder: Path, *, removed: Sequence[str] = (), void: Sequence[str] = ()
) -> None:
    """What was written from a finished plan, and what became of an earlier plan's files in the folder."""
    console = _console()
    counts = plan.summary()["findings"]
    console.print(Text(plan.name, "bold") + Text(": ") + _severities(counts) + Text(" in findings"))
    for file in files:
        console.print(str(file), soft_wrap=True)
    _earlier(console, folder, removed, void)


def outputs(known: Sequence[KnownOutput]) -> None:
    """The outputs there are, and what those lack that cannot be written here; a line each where nobody looks on."""
    console = _console()
    if not console.is_terminal:
        console.width = WIDE
    table = Table(box=None, pad_edge=False)
    for heading in ("name", "written", "file", "what it is"):
        table.add_column(heading, overflow="fold")
    for item in known:
        when = "" if item.lack else "every run" if item.standing else "--also"
        table.add_row(item.name, when, item.file or "", Text(item.lack, "yellow") if item.lack else item.title)
    console.print(table)


def inspection(seen: Inspection) -> None:
    """What is in the inputs."""
    console = _console()
    table = _facts(seen.name)
    several = len(seen.lines) > 1 or math.isnan(seen.closure_m)
    closing = "closed" if seen.closed else "open" if several else f"open, {seen.closure_m:.3f} m from end to start"
    if len(seen.lines) > 1:
        closing = f"{len(seen.lines)} lines that meet at {seen.junctions} places"
    table.add_row("line", f"{seen.line_file}: {seen.vertices} vertices, {seen.drawn_legs} legs, {closing}")
    table.add_row("its grid", seen.line_grid)
    code = f" ({seen.grid.code})" if seen.grid.code else ""
    table.add_row("working grid", f"{seen.grid.name}{code}, in {seen.grid.unit}")
    table.add_row("combined factor", f"{seen.grid.combined_factor:.7f} grid for ground, mean along the line")
    table.add_row("to be fenced", f"{seen.length_m:.3f} m on the ground")
    table.add_row("ground", f"{', '.join(seen.ground_files)}, {seen.ground_grid}")
    table.add_row("levels", f"{seen.level_min_m:.2f} to {seen.level_max_m:.2f} m on {seen.grid.level_datum!r}")
    table.add_row("steepest", f"{seen.steepest_deg:.1f}°")
    table.add_row("covered", f"{seen.covered:.1%} of the line, {seen.station_count} stations")
    console.print(table)
    for gap in seen.without_level:
        console.print(Text(f"  no level at chainage {gap}", style="yellow"))
    if seen.field is not None:
        _field(console, seen.field)
    if len(seen.lines) > 1:
        console.print(_lines(seen))
    console.print(_legs(seen))
    _beside(console, seen.beside)
    gravest = sorted(seen.findings, key=lambda item: SEVERITIES.index(item.severity))
    _findings(console, gravest, everywhere="--json lists")


def _field(console: Console, field: FieldSurvey) -> None:
    """The survey of points, and how each of its files was read."""
    table = _facts("Survey")
    at_odds = f", {field.coincident_at_odds} of another level" if field.coincident_at_odds else ""
    table.add_row("points", f"{field.points}, {field.coincident} on another{at_odds}")
    west, south, east, north = field.box
    table.add_row("their box", f"easting {west:.2f} to {east:.2f}, northing {south:.2f} to {north:.2f}, working grid")
    table.add_row("their levels", f"{field.level_min_m:.2f} to {field.level_max_m:.2f} m")
    table.add_row("along the line", f"a point for every {field.spacing_m:.1f} m")
    table.add_row(
        "nearest point", f"{field.distance_mean_m:.1f} m away on average, {field.distance_max_m:.1f} m at most"
    )
    stretch = (
        "nowhere"
        if field.unsupported is None
        else "{}chainage {:.2f} to {:.2f} m the longest".format(
            field.unsupported_line and f"{field.unsupported_line} ", *field.unsupported
        )
    )
    table.add_row(f"over {field.limit_m:g} m", stretch)
    console.print(table)
    for reading in field.readings:
        console.print(_reading(reading))


def _reading(reading: Reading) -> Table:
    table = _facts(f"{reading.file.name}, {reading.kind}")
    for what, found in reading.how:
        table.add_row(what, Text(found))
    without = f", {reading.without_level} without a level" if reading.without_level else ""
    left_out = f", {reading.left_out} left out" if reading.left_out else ""
    table.add_row("points", f"{reading.points}{without}{left_out}")
    for number, (name, easting, northing, level) in enumerate(reading.first_rows):
        text = f"{name}: easting {easting:.10g}, northing {northing:.10g}, level {level:.3f} m"
        table.add_row("first rows" if number == 0 else "", Text(text))
    return table


def _lines(seen: Inspection) -> Table:
    """The lines, and what is fenced of each."""
    table = Table(title="Lines", title_justify="left", box=None, pad_edge=False)
    table.add_column("line")
    for heading in ("fenced m", "with others m", "legs", "runs"):
        table.add_column(heading, justify="right")
    for line in seen.lines[:SHOWN_LEGS]:
        lengths = (f"{line.length_m:.3f}", f"{line.shared_m:.3f}")
        table.add_row(Text(line.name), *lengths, str(line.legs), str(line.runs))
    if len(seen.lines) > SHOWN_LEGS:
        table.caption = f"and {len(seen.lines) - SHOWN_LEGS} more lines: --json lists all"
    return table


def _beside(console: Console, beside: Beside) -> None:
    """What is beside and on the line: a row each."""
    if beside.zones or beside.points:
        table = _facts("Beside the line")
        for zone in beside.zones:
            reach = f" within {zone.reach_m:.2f} m" if zone.reach_m else ""
            within = f"{_count(len(zone.within), 'stretch', 'stretches')} of the line{reach}"
            drawn = f"{zone.file or 'drawn by the job'}, {zone.grid}, {_count(zone.features, 'shape')}"
            table.add_row(Text(f"{zone.name}, {zone.rule}"), Text(f"{drawn}: {_away(zone.nearest_m)}, {within}"))
        for points in beside.points:
            found = f"{points.file}, {points.grid}, {_count(points.points, 'point')}"
            within = f"{points.within} within {points.reach_m:g} m"
            table.add_row(points.what, Text(f"{found}: {_away(points.nearest_m)}, {within}"))
        console.print(table)
    if beside.gates:
        table = Table(title="Gates", title_justify="left", box=None, pad_edge=False)
        for heading in ("gate", "line"):
            table.add_column(heading, overflow="fold")
        for heading in ("from m", "to m", "width m"):
            table.add_column(heading, justify="right")
        for gate in beside.gates:
            lengths = (f"{gate.from_m:.3f}", f"{gate.to_m:.3f}", f"{gate.width_m:.3f}")
            table.add_row(Text(gate.name), Text(gate.line), *lengths)
        console.print(table)


def _count(count: int, one: str, several: str = "") -> str:
    return f"{count} {one if count == 1 else several or f'{one}s'}"


def _away(nearest_m: float) -> str:
    return f"the nearest {nearest_m:.2f} m off" if math.isfinite(nearest_m) else "nowhere near the line"


def _legs(seen: Inspection) -> Table:
    legs, lined = seen.legs, len(seen.lines) > 1
    table = Table(title="Legs", title_justify="left", box=None, pad_edge=False)
    unit = "m" if seen.grid.unit_m == 1 else seen.grid.unit
    if lined:
        table.add_column("line")
    for heading in ("leg", "from m", "to m", "grid bearing °", f"grid {unit}", "ground m", "turn °"):
        table.add_column(heading, justify="right")
    for row in range(min(len(legs.number), SHOWN_LEGS)):
        table.add_row(
            *([Text(seen.leg_lines[row])] if lined else []),
            str(legs.number[row]),
            f"{legs.start_m[row]:.3f}",
            f"{legs.end_m[row]:.3f}",
            f"{legs.bearing_deg[row]:.4f}",
            f"{legs.grid_distance[row]:.3f}",
            f"{legs.ground_distance_m[row]:.3f}",
            f"{legs.deflection_deg[row]:+.3f}",
        )
    if len(legs.number) > SHOWN_LEGS:
        table.caption = f"and {len(legs.number) - SHOWN_LEGS} more legs: --json lists all"
    return table


COMPARED = {
    "posts": "posts", "moved_posts": "moved for keep-clears", "bays": "bays", "cut_bays": "cut bays",
    "broken_bays": "broken bays", "steps": "steps", "post_length_m": "posts in all, m", "gap_area_m2": "gap, m2",
    "gap_max_m": "widest gap, m", "dig_area_m2": "dig, m2", "dig_max_m": "deepest dig, m", "cost_gap": "cost of gap",
    "cost_dig": "cost of dig", "cost_step": "cost of steps", "cost_rise": "cost of their rise", "cost": "cost in all",
    "stop": "stop findings", "warn": "warn findings", "note": "note findings",
}  # fmt: skip
"""Rows of a comparison, with what they are called."""


def comparison(candidates: Sequence[Candidate]) -> None:
    """Fence systems and fits side by side, a column each, and what a dearer one has for it."""
    from geofence.comparison import dearer_for

    console = _console()
    if not console.is_terminal:
        console.width = WIDE
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for candidate in candidates:
        table.add_column(Text(candidate.name), justify="right", overflow="fold")
    for key, label in COMPARED.items():
        values = [("-" if candidate.refused else _figure(getattr(candidate, key))) for candidate in candidates]
        table.add_row(label, *values)
    console.print(table)
    for sentence in dearer_for(candidates):
        console.print(Text(f"  {sentence}"))
    for candidate in candidates:
        if candidate.refused:
            console.print(Text(f"  {candidate.name}: ", STYLES["warn"]) + Text(candidate.refused))


def _figure(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.2f}"


def systems(known: Sequence[System]) -> None:
    """The fence systems with their dimensions, and where these come from."""
    console = _console()
    for system in known:
        table = Table(title=f"{system.name}: {system.title}", title_justify="left", box=None, pad_edge=False)
        for heading in ("dimension", "value", "reference"):
            table.add_column(heading)
        for name, value, reference in _dimensions(system.model_dump(mode="json"), ""):
            table.add_row(name, Text(value), Text(reference, style="dim"))
        console.print(table)
        console.print()


def _dimensions(values: Any, address: str) -> Iterator[tuple[str, str, str]]:
    """Every dimension of a system with its address, value and reference; weights have no reference."""
    if isinstance(values, dict) and values.keys() == {"value", "reference"}:
        value = values["value"]
        yield address, ", ".join(map(str, value)) if isinstance(value, list) else str(value), values["reference"]
    elif isinstance(values, dict):
        for key, value in values.items():
            yield from _dimensions(value, f"{address}.{key}" if address else key)
    elif isinstance(values, list):
        for row, value in enumerate(values, start=1):
            yield from _dimensions(value, f"{address}[{row}]")
    elif isinstance(values, (int, float)):
        yield address, str(values), "a weight, to be set by the job"


def _facts(title: str) -> Table:
    table = Table(title=Text(title, style="bold"), title_justify="left", box=None, show_header=False, pad_edge=False)
    table.add_column(style="dim")
    table.add_column()
    return table


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in counts.items())


def _severities(counts: dict[str, int]) -> Text:
    return Text(", ").join(
        Text(f"{counts[word]} {word}", STYLES[word] if counts[word] else "dim") for word in SEVERITIES
    )


def _findings(console: Console, findings: Sequence[Finding], *, everywhere: str) -> None:
    """Findings in their order, a line each; of many only the first of each code, and how many more there are."""
    if len(findings) <= SHOWN_FINDINGS:
        shown = [(item, 0) for item in findings]
    else:
        counts, firsts = Counter(item.code for item in findings), {item.code: item for item in reversed(findings)}
        shown = [(item, counts[item.code] - 1) for item in findings if firsts[item.code] is item]
    for item, more in shown:
        where = "" if item.chainage_m is None else f" at {item.chainage_m:.2f} m"
        where = f" on {item.line}{where}" if item.line else where
        text = Text(f"  {item.severity}{where}: ", STYLES[item.severity]) + Text(item.message)
        console.print(text + Text(f" (and {more} more {item.code})", "dim") if more else text)
    if len(shown) < len(findings):
        console.print(Text(f"  {everywhere} all {len(findings)} findings", style="dim"))
