"""The command line: parse, call, print."""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from geofence import __version__
from geofence import folder as folders
from geofence.errors import GeofenceError, OutputError

if TYPE_CHECKING:
    from geofence.crew_files import CrewFile
    from geofence.plan import FencePlan

__all__ = ["app", "main"]

PLANNED, PLANNED_WITH_STOPS, BAD_INPUT, OWN_FAULT, INTERRUPTED = 0, 1, 2, 3, 130
"""Exit codes."""

ORIGIN = "command line"
"""What plans and errors call the source of values given here."""

app = typer.Typer(
    name="geofence",
    help="Turn a boundary line and a ground survey into a fence that can be built.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class Fit(StrEnum):
    """Where cut bays go."""

    end = "end"
    start = "start"
    both_ends = "both-ends"
    equal = "equal"
    best = "best"


class Direction(StrEnum):
    """Which way along the line."""

    as_drawn = "as-drawn"
    reversed = "reversed"


Out = Annotated[Path, typer.Option("--out", help="Folder for the outputs; replaced whole or not at all.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, for programs.")]
JobFile = Annotated[Path | None, typer.Argument(metavar="[JOB]", help="Job file (TOML).", show_default=False)]
LineFile = Annotated[Path | None, typer.Option("--line", help="Boundary file, where there is no job file.")]
GroundFiles = Annotated[list[Path] | None, typer.Option("--ground", help="Ground file; repeat for several tiles.")]
Grid = Annotated[str | None, typer.Option("--grid", help="Working grid, such as EPSG:27700.")]
LineGrid = Annotated[str | None, typer.Option("--line-grid", help="Grid of a boundary file that states none.")]
GroundGrid = Annotated[str | None, typer.Option("--ground-grid", help="Grid of a ground file that states none.")]
LevelUnit = Annotated[str | None, typer.Option("--level-unit", help="Unit of the ground's levels: m, ft or ftUS.")]
Order = Annotated[
    str | None, typer.Option("--order", help="Columns of a point file without a header: point,northing,easting,level.")
]
Legs = Annotated[str | None, typer.Option("--legs", help="Legs to fence, by number: 1,2,5 (default: all).")]

PlanFolder = Annotated[
    Path, typer.Argument(metavar="PLAN", help="Folder of a finished plan, or its plan.npz.", show_default=False)
]
Also = Annotated[list[str] | None, typer.Option("--also", help="A further output, by name; repeat, or a,b,c.")]


@app.callback(invoke_without_command=True)
def root(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the trace of an error; may stand anywhere.")] = False,  # noqa: ARG001
) -> None:
    """Turn a boundary line and a ground survey into a fence that can be built."""
    if version:
        print(__version__)
        raise typer.Exit


@app.command()
def demo(out: Out = Path("alder-down-plan"), quiet: Quiet = False, as_json: Json = False) -> None:
    """Plan the sample estate that comes with geofence, and say where its map is."""
    from geofence.sample import SAMPLE_JOB

    _plan(SAMPLE_JOB, {}, {}, out, (), quiet=quiet, as_json=as_json)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="Folder for the job; made if it is not there.")],
) -> None:
    """Write a commented starter job file."""
    from geofence.sample import write_starter

    print(f"Starter job in {write_starter(folder)}: set line.file and ground.files, then run geofence inspect on it.")


@app.command()
def inspect(
    job: JobFile = None,
    line: LineFile = None,
    ground: GroundFiles = None,
    grid: Grid = None,
    line_grid: LineGrid = None,
    ground_grid: GroundGrid = None,
    level_unit: LevelUnit = None,
    order: Order = None,
    legs: Legs = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Tell what is in the inputs before planning: grids, legs, distances, coverage, levels."""
    from geofence import inspection, screen
    from geofence.planner import read_or_make_job

    values = _values(
        job={"grid": grid},
        line={"grid": line_grid, "legs": _numbers(legs)},
        ground={"grid": ground_grid, "level_unit": level_unit, "order": order},
    )
    the_job, _ = read_or_make_job(job, line=line, ground=ground, values=values, origin=ORIGIN)
    with screen.stages(show=not quiet and not as_json) as progress:
        seen = inspection.inspect(the_job, progress=progress)
    _tell(lambda: inspection.as_values(seen), lambda: screen.inspection(seen), quiet=quiet, as_json=as_json)


@app.command()
def plan(
    job: JobFile = None,
    out: Out = Path("fence-plan"),
    line: LineFile = None,
    ground: GroundFiles = None,
    system: Annotated[str | None, typer.Option("--system", help="Fence system: a name, or a TOML file.")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name of the job.")] = None,
    grid: Grid = None,
    line_grid: LineGrid = None,
    ground_grid: GroundGrid = None,
    level_unit: LevelUnit = None,
    order: Order = None,
    bridge_m: Annotated[float | None, typer.Option("--bridge-m", help="Bridge gaps in the ground up to this.")] = None,
    legs: Legs = None,
    direction: Annotated[Direction | None, typer.Option("--direction", help="Which way along the line.")] = None,
    offset_m: Annotated[float | None, typer.Option("--offset-m", help="Move the line; left is positive.")] = None,
    height_m: Annotated[float | None, typer.Option("--height-m", help="Height of the panels.")] = None,
    module_m: Annotated[float | None, typer.Option("--module-m", help="Full bay, centre to centre.")] = None,
    fit: Annotated[Fit | None, typer.Option("--fit", help="Where cut bays go.")] = None,
    gate: Annotated[
        list[str] | None, typer.Option("--gate", metavar="AT,WIDTH", help="Gate: chainage and width in m; repeat.")
    ] = None,
    also: Also = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Plan a fence and write posts, bays, levels, findings, stake-out points and the map."""
    values = _values(
        job={"name": name, "grid": grid},
        line={
            "grid": line_grid,
            "legs": _numbers(legs),
            "direction": direction and direction.value,
            "offset_m": offset_m,
        },
        ground={"grid": ground_grid, "level_unit": level_unit, "order": order, "bridge_m": bridge_m},
        fence={"height_m": height_m},
        layout={"module_m": module_m, "fit": fit and fit.value},
        gate=[_gate(text) for text in gate or ()],
    )
    files = {"line": line, "ground": ground, "system": system}
    _plan(job, files, values, out, _names(also), quiet=quiet, as_json=as_json)


@app.command()
def write(
    folder: PlanFolder,
    also: Also = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Another folder, to be given all the plan's files; or leave it out.")
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Write further outputs from a finished plan, without planning again."""
    from geofence import crew_files, screen
    from geofence.finished import write_further

    home = folder if out is None else out
    before = folders.there(home)
    the_plan, written = write_further(folder, _names(also), out=out)
    removed = sorted(before - folders.there(home))
    void = _names_of(crew_files.void_beside(home, plan=the_plan))
    _tell(
        lambda: _written(the_plan, written, home, removed, void),
        lambda: screen.written(the_plan, written, home, removed=removed, void=void),
        quiet=quiet,
        as_json=as_json,
    )


@app.command()
def stakeout(
    folder: PlanFolder,
    out: Annotated[Path, typer.Option("--out", help="The file; its note, a .txt, lies beside it.", show_default=False)],
    order: Annotated[
        str | None, typer.Option("--order", help="Columns: point,northing,easting,level,description or PNEZD.")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="grid, m, ft (0.3048 m) or ftUS; levels too.")] = None,
    decimals: Annotated[int | None, typer.Option("--decimals", help="Of coordinates and levels.")] = None,
    delimiter: Annotated[str | None, typer.Option("--delimiter", help="comma, semicolon, tab or space.")] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help="The decimal mark: point or comma.")] = None,
    header: Annotated[str | None, typer.Option("--header", help="names or none.")] = None,
    level: Annotated[str | None, typer.Option("--level", help="Whose: ground, top or toe.")] = None,
    description: Annotated[
        str | None, typer.Option("--description", help="Text, or a pattern such as '{code} top {top}'.")
    ] = None,
    code: Annotated[
        list[str] | None, typer.Option("--code", metavar="KIND=CODE", help="Code of a kind: corner=FC; repeat.")
    ] = None,
    name_length: Annotated[int | None, typer.Option("--name-length", help="Longest name the device takes.")] = None,
    prefix: Annotated[str | None, typer.Option("--prefix", help="What names begin with.")] = None,
    offset_m: Annotated[
        list[float] | None,
        typer.Option("--offset-m", help="Mark beside each post, left positive; repeat. 0: no marks."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Write a finished plan's points for a device, in the job's way or as the options say."""
    from geofence import crew_files, screen

    given = _values(
        stakeout={
            "order": order,
            "unit": unit,
            "decimals": decimals,
            "delimiter": delimiter,
            "decimal": decimal,
            "header": header,
            "level": level,
            "description": description,
            "codes": _codes(code),
            "name_length": name_length,
            "prefix": prefix,
            "offset_m": offset_m and [distance for distance in offset_m if distance],
        }
    )
    the_plan, files = crew_files.write_stakeout(folder, out, given.get("stakeout", {}), origin=ORIGIN)
    _tell(
        lambda: {"files": [str(file) for file in files], **the_plan.summary()},
        lambda: screen.written(the_plan, files, out.parent),
        quiet=quiet,
        as_json=as_json,
    )


@app.command()
def outputs(as_json: Json = False) -> None:
    """List the outputs: those of every run, and those that --also asks for."""
    from geofence import screen
    from geofence.plan import known_outputs

    known = known_outputs()
    _tell(lambda: [asdict(item) for item in known], lambda: screen.outputs(known), as_json=as_json)


@app.command()
def systems(as_json: Json = False) -> None:
    """List the fence systems with their dimensions, and where these come from."""
    from geofence import screen
    from geofence.systems import catalogue

    known = [catalogue.load(name) for name in catalogue.names()]
    _tell(
        lambda: {system.name: system.model_dump(mode="json") for system in known},
        lambda: screen.systems(known),
        as_json=as_json,
    )


@app.command()
def compare(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="Job file (TOML).", show_default=False)],
    systems: Annotated[
        list[str] | None,
        typer.Option("--systems", help="Systems by name or TOML file: a,b,c; or repeat.", show_default=False),
    ] = None,
    fits: Annotated[
        list[str] | None,
        typer.Option(
            "--fits", help="Where cut bays go: end,start,both-ends,equal,best; or repeat.", show_default=False
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
) -> None:
    """Plan a job with each of several systems or fits, or each pair, and set them side by side; nothing is written.

    Leaves with 0 whatever is found, even where every plan has stops: the table counts them.
    """
    from geofence import comparison, screen

    if not systems and not fits:
        raise typer.BadParameter("nothing to compare: give --systems a,b, or --fits end,best, or both")
    with screen.stages(show=not quiet and not as_json) as progress:
        candidates = comparison.compare(job, _names(systems), _names(fits), origin=ORIGIN, progress=progress)
    _tell(
        lambda: [candidate.as_values() for candidate in candidates],
        lambda: screen.comparison(candidates),
        quiet=quiet,
        as_json=as_json,
    )


def _plan(
    job: Path | None,
    files: dict[str, Any],
    values: dict[str, Any],
    out: Path,
    also: tuple[str, ...],
    *,
    quiet: bool,
    as_json: bool,
) -> None:
    """Plan, write, and say so."""
    from geofence import crew_files, screen
    from geofence.plan import outputs
    from geofence.planner import plan_fence

    folders.check(out, [output.filename for output in outputs(also)])
    before = folders.there(out)
    with screen.stages(show=not quiet and not as_json) as progress:
        the_plan = plan_fence(job, **files, values=values, origin=ORIGIN, progress=progress)
        progress("Writing the outputs")
        written = the_plan.write(out, also=also)
    removed, void = sorted(before - folders.there(out)), _names_of(crew_files.void_beside(out))
    _tell(
        lambda: _written(the_plan, written, out, removed, void),
        lambda: screen.plan_summary(the_plan, written, out, removed=removed, void=void),
        quiet=quiet,
        as_json=as_json,
    )
    if any(finding.severity == "stop" for finding in the_plan.fence.findings):
        raise typer.Exit(PLANNED_WITH_STOPS)


def _written(
    plan: FencePlan, files: Sequence[Path], folder: Path, removed: Sequence[str], void: Sequence[str]
) -> dict[str, Any]:
    """What was written and what became of an earlier plan's files, for programs."""
    names = [file.name for file in files]
    return {"folder": str(folder), "files": names, "removed": [*removed], "void": [*void], **plan.summary()}


def _names_of(crew: Sequence[CrewFile]) -> list[str]:
    """Names of stake-out files and their notes."""
    return [name for each in crew for name in (each.name, each.note)]


def _tell(values: Callable[[], Any], show: Callable[[], None], *, quiet: bool = False, as_json: bool = False) -> None:
    """Print a result: as JSON, for people, or not at all. A reader that leaves early does not change the exit code.

    Raises
    ------
    OutputError
        The output stream takes no more.
    """
    try:
        if as_json:
            print(json.dumps(values(), indent=2, allow_nan=False))
        elif not quiet:
            show()
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or the interpreter complains when it ends
    except OSError as error:
        raise OutputError(
            f"the result cannot be printed: {error.strerror}", remedy="Send the output elsewhere; files are complete."
        ) from error


def _values(**tables: Any) -> dict[str, Any]:
    """Job tables of the options that were given."""
    given = {
        table: {key: value for key, value in entries.items() if value is not None}
        if isinstance(entries, dict)
        else entries
        for table, entries in tables.items()
    }
    return {table: entries for table, entries in given.items() if entries}


def _names(texts: list[str] | None) -> tuple[str, ...]:
    """Names given one by one, or with commas between them."""
    return tuple(name.strip() for text in texts or () for name in text.split(","))


def _codes(texts: list[str] | None) -> dict[str, str] | None:
    """Codes of kinds, each ``corner=FC``."""
    if texts is None:
        return None
    for text in texts:
        if "=" not in text:
            raise typer.BadParameter(f"{text!r} is no KIND=CODE such as corner=FC", param_hint="--code")
    return dict(text.split("=", 1) for text in texts)


def _numbers(text: str | None) -> list[int] | str | None:
    """Leg numbers of ``1,2,5``."""
    if text is None or text == "all":
        return text
    try:
        return [int(part) for part in text.split(",")]
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no list of leg numbers such as 1,2,5", param_hint="--legs") from error


def _gate(text: str) -> dict[str, float]:
    """The gate of ``41.5,3.6``."""
    try:
        at_m, width_m = (float(part) for part in text.split(","))
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no AT,WIDTH such as 41.5,3.6", param_hint="--gate") from error
    return {"at_m": at_m, "width_m": width_m}


def main() -> None:
    """Run the command line and leave with its exit code."""
    if sys.stdout is None:  # closed by the shell
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    words = [word for word in sys.argv[1:] if word != "--debug"]
    debug = len(words) < len(sys.argv) - 1
    try:
        sys.exit(app(words, standalone_mode=False))
    except GeofenceError as problem:
        if debug:
            raise
        sys.exit(_refused(problem))
    except typer.Abort:
        print("geofence: stopped; the output folder is as it was", file=sys.stderr)
        sys.exit(INTERRUPTED)
    except Exception as fault:
        if hasattr(fault, "exit_code") and hasattr(fault, "show"):  # a mistake in the words, found by the parser
            fault.show()
            _as_json(fault, str(fault))
            sys.exit(BAD_INPUT)
        if debug:
            raise
        print(
            f"geofence: a fault of its own: {type(fault).__name__}: {fault}. Please report it with the trace that "
            "--debug shows.",
            file=sys.stderr,
        )
        sys.exit(OWN_FAULT)


OPTIONS = {
    "job.grid": "--grid",
    "line.file": "--line",
    "line.grid": "--line-grid",
    "line.legs": "--legs",
    "line.offset_m": "--offset-m",
    "ground.files": "--ground",
    "ground.grid": "--ground-grid",
    "ground.level_unit": "--level-unit",
    "ground.order": "--order",
    "ground.bridge_m": "--bridge-m",
    "fence.system": "--system",
    "layout.module_m": "--module-m",
    "stakeout.offset_m": "--offset-m",
    "stakeout.name_length": "--name-length",
}
"""Job keys that have an option of their own, to be named beside the key where an error's remedy names it."""


def _refused(problem: GeofenceError) -> int:
    from geofence import screen

    for key, option in OPTIONS.items():
        problem.remedy = re.sub(rf"\b{re.escape(key)}\b(?! \()", f"{key} ({option})", problem.remedy, count=1)
    screen.error(problem)
    _as_json(problem, problem.message, place=problem.place, remedy=problem.remedy)
    return BAD_INPUT


def _as_json(problem: Exception, message: str, *, place: str | None = None, remedy: str = "") -> None:
    """The error on the output stream too, where a program asked for JSON."""
    if "--json" in sys.argv:
        with contextlib.suppress(OSError):
            details = {"kind": type(problem).__name__, "message": message, "place": place, "remedy": remedy}
            print(json.dumps({"error": details}), flush=True)
