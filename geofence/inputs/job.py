"""A job: what to fence, on which ground, with which system, by which rules.

It is read and checked as far as it can be checked alone, then resolved on its fence system: the rules the engine
works by, and each value as used with where it came from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from geofence import toml_file
from geofence.engine.records import Finding, LayoutRules, LevelRules, PanelRules, PostRules, RakeRules
from geofence.engine.wire import WireRules
from geofence.engine.wired import StrainRules
from geofence.errors import JobError
from geofence.inputs.control_keys import Control
from geofence.inputs.existing_keys import Existing
from geofence.inputs.job_file import (
    Fence,
    Gate,
    Gates,
    Ground,
    JobFile,
    Levels,
    Line,
    Naming,
    Posts,
    Spacing,
    Wire,
    Zone,
    job_schema,
)
from geofence.inputs.output_tables import Dxf, Gpx, LandXml, Setout, Sheets, Stakeout
from geofence.numeric import WIDTH_TOLERANCE_M
from geofence.plan import Parameter, SystemFacts
from geofence.systems.system import PANEL_KEYS, Section, System, conflicts, full_bay_m, infill_height_m, slopes_of
from geofence.toml_file import Keys, TomlFile, mistake, shown

__all__ = [
    "SCHEMA",
    "STARTER",
    "Job",
    "Resolved",
    "errors_say_where",
    "job_from_values",
    "job_schema",
    "read_job",
    "resolve",
]

SCHEMA = 1
"""The version of the job file that this release reads."""

DATA = frozenset(
    f".{word}"
    for word in (
        *("gpkg", "geojson", "json", "shp", "dxf", "gpx", "kml", "kmz", "fgb", "gml", "xml", "landxml"),
        *("tif", "tiff", "asc", "vrt", "img", "csv", "las", "laz"),
    )
)
"""Suffixes of boundaries and grounds, by which one in the place of a job file is known."""

STARTER = Path(__file__).with_name("starter.toml")
"""A commented job file to begin with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Given:
    """What was given, and by whom: a job file, values from elsewhere that go before it, or both."""

    file: TomlFile | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    origin: str = "command line"

    def origin_of(self, keys: Keys) -> str:
        if toml_file.holds(self.values, keys):
            return self.origin
        return "job" if self.file and toml_file.holds(self.file.values, keys) else "default"

    def place(self, keys: Keys) -> str:
        if self.file is None or toml_file.holds(self.values, keys):
            return f"{self.origin}, {toml_file.address(keys)}"
        return self.file.place(keys)

    @property
    def merged(self) -> dict[str, Any]:
        return _merged(self.file.values if self.file else {"schema": SCHEMA}, self.values)

    def refuse_vague(self) -> None:
        """Raise where what goes before the file would be of one of its several lines, and does not say which."""
        over, lines = self.values.get("line"), self.file.values.get("line") if self.file else None
        if isinstance(over, Mapping) and isinstance(lines, list) and "file" not in over:
            key = next(iter(over), "")
            raise JobError(
                "says nothing to a job with [[line]] tables: it is of one line",
                place=f"{self.origin}, line.{key}",
                remedy=f"Write {key} in the job file, under the [[line]] that it is for.",
            )


def _merged(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """``over`` on ``under``, table by table; a list replaces a list."""
    tables = {
        key: _merged(under[key], value)
        for key, value in over.items()
        if isinstance(value, Mapping) and isinstance(under.get(key), Mapping)
    }
    return {**under, **over, **tables}


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job as asked for; what its fence system decides is None until it is resolved.

    Attributes
    ----------
    job, lines, ground, fence, layout, gates, all_gates, levels, posts, wire, zones, stakeout, sheets, landxml, gpx,
    dxf, setout, control, existing
        The tables of the job file; ``lines`` its one table ``[line]`` or its tables ``[[line]]``, ``gates`` its tables
        ``[[gate]]``, ``all_gates`` its table ``[gates]``.
    base
        The folder that the job's paths are relative to.
    """

    job: Naming
    lines: tuple[Line, ...]
    ground: Ground
    fence: Fence
    layout: Spacing
    gates: tuple[Gate, ...]
    all_gates: Gates
    levels: Levels
    posts: Posts
    wire: Wire
    zones: tuple[Zone, ...]
    stakeout: Stakeout
    sheets: Sheets
    landxml: LandXml
    gpx: Gpx
    dxf: Dxf
    setout: Setout
    control: Control
    existing: Existing
    base: Path
    _given: _Given = field(repr=False, compare=False)

    @property
    def name(self) -> str:
        """The job's name; its file's where it gives none."""
        file = self._given.file
        return self.job.name or (file.file.stem if file else "fence")

    @property
    def file(self) -> Path | None:
        """The job file; None for a job made of values."""
        return self._given.file.file if self._given.file else None

    @property
    def line(self) -> Line:
        """The first line, of most jobs the only one."""
        return self.lines[0]

    @property
    def several(self) -> bool:
        """Whether its lines are tables ``[[line]]``, each with a name."""
        return isinstance(self._given.merged.get("line"), list | tuple)

    def line_keys(self, row: int) -> Keys:
        """Where the table of a line stands; rows from 0."""
        return ("line", row) if self.several else ("line",)

    def path(self, file: str) -> Path:
        """A file that the job names, relative to the job file."""
        return self.base / file

    def place(self, *keys: str | int) -> str:
        """How an error names the place of a value; rows from 0: ``place("gate", 0, "at_m")``."""
        return self._given.place(keys)

    def origin(self, *keys: str | int) -> str:
        """Where a value came from: ``job``, ``command line``, or ``default``; rows from 0."""
        return self._given.origin_of(keys)


def read_job(path: Path | str, *, overrides: Mapping[str, Any] | None = None, origin: str = "command line") -> Job:
    """Read and check a job file.

    Parameters
    ----------
    path
        The job file; its paths are relative to its folder.
    overrides
        Values that go before the file's, as nested mappings: ``{"layout": {"fit": "start"}}``.
    origin
        Who gave the overrides, for errors and for the plan's parameters.

    Raises
    ------
    JobError
        With file, line, dotted address, value, limit and remedy.
    """
    path = Path(path)
    try:
        file = toml_file.read(path, kind="job file", remedy="`geofence new DIR` writes one to begin with.")
    except JobError:
        if path.is_file() and path.suffix.lower() in DATA:
            raise JobError(
                "this is data, and no job file",
                place=str(path),
                remedy="Give a boundary by --line and the ground by --ground, or name a job file, which says where "
                "they are: `geofence new DIR` writes one to begin with.",
            ) from None
        raise
    return _job(_Given(file=file, values=overrides or {}, origin=origin), base=path.parent)


def job_from_values(values: Mapping[str, Any], *, base: Path, origin: str = "command line") -> Job:
    """A job without a file, from nested mappings named as in the job file; ``base`` is what its paths are relative to.

    Raises
    ------
    JobError
        With dotted address, value, limit and remedy.
    """
    return _job(_Given(values=values, origin=origin), base=base)


def _job(given: _Given, *, base: Path) -> Job:
    given.refuse_vague()
    values = given.merged
    _check_schema(values, given)
    checked = toml_file.validate(JobFile, values, place=given.place)
    gates = (gate.model_copy(update={"name": gate.name or f"G{n}"}) for n, gate in enumerate(checked.gate, start=1))
    return Job(
        job=checked.job,
        lines=checked.lines,
        ground=checked.ground,
        fence=checked.fence,
        layout=checked.layout,
        gates=tuple(gates),
        all_gates=checked.gates,
        levels=checked.levels,
        posts=checked.posts,
        wire=checked.wire,
        zones=checked.zone,
        stakeout=checked.stakeout,
        sheets=checked.sheets,
        landxml=checked.landxml,
        gpx=checked.gpx,
        dxf=checked.dxf,
        setout=checked.setout,
        control=checked.control,
        existing=checked.existing,
        base=base,
        _given=given,
    )


def _check_schema(values: Mapping[str, Any], given: _Given) -> None:
    """Refuse another version before its keys are held against this one's."""
    place, version = given.place(("schema",)), values.get("schema")
    if version is None:
        raise JobError("is missing", place=place, remedy=f"Write schema = {SCHEMA} as the first line.")
    if type(version) is not int or version != SCHEMA:
        raise JobError(
            "is not a version that this geofence reads",
            place=place,
            value=toml_file.shown(version),
            remedy=f"Write schema = {SCHEMA}, or use the geofence that the job was written for.",
        )


@contextmanager
def errors_say_where(job: Job, *keys: str | int) -> Iterator[None]:
    """Errors that give the address of a key in one of the job's tables also say the file and the line that it is on."""
    try:
        yield
    except JobError as error:
        table = f"{toml_file.address(keys)}."
        if error.place and error.place.startswith(table):
            error.place = job.place(*keys, error.place.removeprefix(table))
        raise


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """A job on its fence system: what the engine works by.

    Attributes
    ----------
    layouts
        The engine's rules of where posts stand, one for each of the job's tables of lines.
    levels, posts, panels
        Its other rules.
    rake
        How far bays may slope; None where they hang level.
    strain, wire
        How far apart posts of a wire fence stand, and its wires; None for panels.
    facts
        The system as used: with the job's module, height and hole where it has its own.
    parameters
        Every value as used under its dotted address, rows from 1 (``gate[1].width_m``), with where it came from;
        what neither job nor system gives has none.
    findings
        What the reader of the plan must know about the choice of values.
    """

    layouts: tuple[LayoutRules, ...]
    levels: LevelRules
    posts: PostRules
    panels: PanelRules
    rake: RakeRules | None
    strain: StrainRules | None
    wire: WireRules | None
    facts: SystemFacts
    parameters: Mapping[str, Parameter]
    findings: tuple[Finding, ...] = ()

    @property
    def layout(self) -> LayoutRules:
        """The rules of where posts of the job's first line stand."""
        return self.layouts[0]


def resolve(job: Job, system: System) -> Resolved:
    """The rules of a job on its fence system.

    Raises
    ------
    JobError
        A key says nothing to the system, or a value of the job cannot hold with another or with the system: a shortest
        bay wider than a full one, a step range that holds no step, a clearance above the largest gap.
    """
    in_vain = _set_in_vain(job, system)
    parameters = {key: value for key, value in _parameters(job, system).items() if key not in in_vain}
    values = {address: parameter.value for address, parameter in parameters.items()}
    _refuse_conflicts(job, system.values | values)
    used = _WITHOUT_PANELS | values | {"layout.module_m": full_bay_m(values), "fence.height_m": infill_height_m(values)}
    strained = system.slope == "strained"
    return Resolved(
        layouts=tuple(
            _record(LayoutRules, used, "layout", toml_file.address(job.line_keys(row))) for row in range(len(job.lines))
        ),
        levels=_record(LevelRules, used, "levels"),
        posts=_record(PostRules, used, "posts"),
        panels=_record(PanelRules, used, "fence", "levels"),
        rake=_record(RakeRules, used, "levels") if system.slope == "rake" else None,
        strain=_record(StrainRules, used, "layout") if strained else None,
        wire=_record(WireRules, used, "wire") if strained else None,
        facts=replace(
            system.facts,
            module_m=used["layout.module_m"],
            height_m=used["fence.height_m"],
            hole_diameter_m=values["posts.hole_diameter_m"],
        ),
        parameters=parameters,
        findings=(*_not_used(in_vain, system), *_findings(values, system)),
    )


_WITHOUT_PANELS: dict[str, Any] = {
    "layout.fit": "end",
    **{f"levels.{key}": 0.0 for key in ("step_min_m", "step_max_m", "step_cost", "rise_cost")},
}
"""What the engine's rules hold where wires make nothing of a key: they do not step, and have no cut bays to place."""

Record = TypeVar("Record", LayoutRules, LevelRules, PostRules, PanelRules, RakeRules, StrainRules, WireRules)


def _record(kind: type[Record], values: Mapping[str, Any], *tables: str) -> Record:
    """An engine record; each of its fields has the name of a key in one of the tables."""
    found: dict[str, Any] = {}
    for item in fields(kind):
        value = next(values[f"{table}.{item.name}"] for table in tables if f"{table}.{item.name}" in values)
        found[item.name] = tuple(value) if isinstance(value, list) else value
    return kind(**found)


def _parameters(job: Job, system: System) -> dict[str, Parameter]:
    defaults = system.defaults
    found = {"job.name": Parameter(value=job.name, origin=job.origin("job", "name"))}
    for keys, value in _leaves(job):
        address = toml_file.address(keys)
        if value is not None:
            found[address] = Parameter(value=value, origin=job.origin(*keys))
        elif address in defaults:
            default = defaults[address]
            value = list(default) if isinstance(default, tuple) else default
            found[address] = Parameter(value=value, origin=f"system {system.name}")
    return found


def _leaves(job: Job) -> Iterator[tuple[Keys, Any]]:
    """Every key of the job file with its value as JSON has it, None where it is left out."""
    tables: dict[Keys, Section] = {
        ("job",): job.job,
        **{job.line_keys(row): line for row, line in enumerate(job.lines)},
        ("ground",): job.ground,
        ("fence",): job.fence,
        ("layout",): job.layout,
        **{("gate", row): gate for row, gate in enumerate(job.gates)},
        ("gates",): job.all_gates,
        ("levels",): job.levels,
        ("posts",): job.posts,
        ("wire",): job.wire,
        **{("zone", row): zone for row, zone in enumerate(job.zones)},
        ("stakeout",): job.stakeout,
        ("sheets",): job.sheets,
        ("landxml",): job.landxml,
        ("gpx",): job.gpx,
        ("dxf",): job.dxf,
        ("setout",): job.setout,
        ("control",): job.control,
        ("existing",): job.existing,
    }
    for keys, table in tables.items():
        for key, value in table.model_dump(mode="json", by_alias=True).items():
            yield (*keys, key), value


def _set_in_vain(job: Job, system: System) -> tuple[str, ...]:
    """Addresses of what the job says of panels while its system has wires, as a job does that compares systems.

    Raises
    ------
    JobError
        Another key that the system's slope makes nothing of, lest it be thought to hold.
    """
    found = []
    for keys, value in _leaves(job):
        address = toml_file.address(keys)
        slopes = slopes_of(address)
        if value is None or not slopes or system.slope in slopes:
            continue
        if address not in PANEL_KEYS:
            raise JobError(
                f"says nothing to the system {system.name}, whose slope is {system.slope}",
                place=job.place(*keys),
                remedy=f"Take it out, or take a system whose slope is {' or '.join(slopes)}.",
            )
        found.append(address)
    if system.slope == "strained" and job.origin("layout", "fit") != "default":
        found.append("layout.fit")
    return tuple(found)


def _not_used(addresses: tuple[str, ...], system: System) -> Iterator[Finding]:
    if addresses:
        yield Finding(
            code="setting-not-used",
            severity="warn",
            message=f"{', '.join(addresses)} {'says' if len(addresses) == 1 else 'say'} nothing to the system "
            f"{system.name}, which has wires in place of panels",
            remedy="Heights of wires are in wire.heights_m, the widest bay is layout.post_spacing_max_m.",
        )


def _refuse_conflicts(job: Job, values: Mapping[str, Any]) -> None:
    """Raise on the first conflict, at the likeliest mistake: what overrides the job file, then what stands in it."""
    for conflict in conflicts(values):
        places = [tuple(address.split(".")) for address in conflict.addresses]
        first = places[0]
        # What overrides the file stands in no such list and comes first; of equals, the first address.
        given = min(places, key=lambda keys: {"job": 1, "default": 2}.get(job.origin(*keys), 0))
        if given == first:
            message, place = conflict.message, job.place(*first)
        else:
            message, place = f"does not go with {'.'.join(first)}, which {conflict.message}", job.place(*given)
        raise mistake(
            message, place=place, keys=first, value=conflict.value, limit=conflict.limit, remedy=conflict.remedy
        )


def _findings(values: Mapping[str, Any], system: System) -> Iterator[Finding]:
    height, room = values.get("fence.height_m"), values["levels.gap_max_m"] + values["levels.dig_max_m"]
    if height is not None and not system.offers(height) and system.fence.heights_m:
        yield Finding(
            code="height-not-offered",
            severity="warn",
            message=f"The system {system.name} does not come in a height of {shown(height)} m",
            remedy=f"Choose one of {', '.join(map(shown, system.fence.heights_m.value))} m, or have panels cut.",
            value=height,
            unit="m",
        )
    if system.slope != "strained" and room < values["levels.increment_m"] - WIDTH_TOLERANCE_M:
        yield Finding(
            code="increment-over-room",
            severity="warn",
            message="Undersides are so coarsely spaced that even flat ground may leave none within the limits",
            remedy="Make levels.increment_m finer, or allow more by levels.gap_max_m or levels.dig_max_m.",
            value=values["levels.increment_m"],
            limit=room,
            unit="m",
        )
