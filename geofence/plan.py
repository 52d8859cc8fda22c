"""The plan: what was planned, complete; tables, map and files on demand."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geofence import folder as folders
from geofence import registry
from geofence.engine.records import Fence, Floats, Table
from geofence.errors import JobError
from geofence.plan_lines import met_lines, own_lines
from geofence.plan_parts import (
    ExistingPosts,
    Grid,
    LeafWay,
    Legs,
    MarkKind,
    Parameter,
    Places,
    PlannedGate,
    PlannedZone,
    Provenance,
    ReferenceMarks,
    Run,
    ShotPoints,
    Stations,
    SystemFacts,
    ZoneOutline,
    ZoneStretch,
)

if TYPE_CHECKING:
    import folium
    import geopandas
    import pandas

    from geofence.site.ground import Relief

__all__ = [
    "CAUTIONS",
    "SEVERITIES",
    "ExistingPosts",
    "FencePlan",
    "Grid",
    "KnownOutput",
    "LeafWay",
    "Legs",
    "MarkKind",
    "Output",
    "Parameter",
    "Places",
    "PlannedGate",
    "PlannedZone",
    "Provenance",
    "ReferenceMarks",
    "Run",
    "ShotPoints",
    "Stations",
    "SystemFacts",
    "ZoneOutline",
    "ZoneStretch",
    "asked_outputs",
    "known_outputs",
    "outputs",
]

SEVERITIES = ("stop", "warn", "note")

POST_EXTRAS = ("uplift_kn",)
STANDS = ("easting", "northing", "left_m", "ahead_m", "top_level_m")
BAY_EXTRAS = ("slope_length_m", "cut_angle_deg", "sag_m", "droppers")
"""Columns of posts that wires pull, and of bays that slope or have wires; a fence has those that it has a value in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A plug-in of the group ``geofence.outputs``: one kind of file.

    ``write(plan, path)`` makes the file; ``standing`` outputs are written by every run, the others on ask.
    ``view(plan, **options)`` gives the same thing as an object to look at, where there is one.
    """

    filename: str
    title: str
    write: Callable[[FencePlan, Path], None]
    standing: bool = True
    view: Callable[..., Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownOutput:
    """An output there is; ``extra`` is the one of its package that it needs, empty for none.

    Where it cannot be loaded, ``lack`` says why and what to do, and no more is known of it.
    """

    name: str
    extra: str = ""
    file: str | None = None
    title: str | None = None
    standing: bool | None = None
    lack: str = ""


BROKEN = frozenset(
    f"{name}-limit" for name in ("gap-over", "dig-over", "clearance-under", "step-over", "step-under", "rake-over")
)
"""Codes of the findings of bays that break a limit of their levels."""

CAUTIONS = (
    "Have the boundary confirmed by a licensed surveyor before anything is built on it.",
    "Have underground services located before digging: this plan knows nothing of pipes and cables it was not given.",
    "Depths of footings are a screening aid, not a design, and wind is not looked at: local codes and a licensed "
    "engineer decide.",
    "A fence is not a retaining wall: where ground stands above an underside, cut it back or hold it by other means.",
)
"""Said by every output that a crew may carry."""

WIRE_CAUTION = (
    "Strained wire stores energy and whips back where it or its fastening gives way: stand clear. Tension and uplift "
    "are a screening aid, not a design: local codes and a licensed engineer decide."
)
"""Said as well where wires are strained."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FencePlan:
    """A planned fence on its site.

    Attributes
    ----------
    name
        The job's name.
    fence
        Posts, bays, findings and cost: everything that was chosen.
    places
        Where the posts stand, row by row with ``fence.posts``.
    stations, legs
        The ground and the boundary along the line.
    runs
        The unbroken stretches of the fence: how posts, bays, stations and legs follow each other.
    grid, system, parameters, provenance
        What the numbers are in, and what they came from.
    relief
        Picture of the terrain for the map; None without one.
    zones
        What the plan was held against, in the order of the job.
    gates
        Its gates, in the order of their bays.
    marks
        Points on the ground that posts are tied to: vertices of the boundary, control points.
    shot
        Points of the survey that the ground comes from, those nearest to the line; None where it is no survey.
    existing
        Where the posts that are in the ground already stand.
    """

    name: str
    fence: Fence
    places: Places
    stations: Stations
    legs: Legs
    runs: tuple[Run, ...]
    grid: Grid
    system: SystemFacts
    parameters: Mapping[str, Parameter]
    provenance: Provenance
    relief: Relief | None = None
    zones: tuple[PlannedZone, ...] = ()
    gates: tuple[PlannedGate, ...] = ()
    marks: ReferenceMarks = field(default_factory=ReferenceMarks.none)
    shot: ShotPoints | None = None
    existing: ExistingPosts = field(default_factory=ExistingPosts.none)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What every output of this plan says that a crew may carry."""
        return (*CAUTIONS, WIRE_CAUTION) if len(self.fence.strains) else CAUTIONS

    def value(self, address: str, default: Any = None) -> Any:
        """A value of the job as used, by its dotted address (``layout.fit``); the default where the plan has none."""
        parameter = self.parameters.get(address)
        return default if parameter is None or parameter.value is None else parameter.value

    @property
    def post_names(self) -> tuple[str, ...]:
        """(n,) unique, short and ASCII, as stake-out devices want them: ``P001``."""
        return _names("P", len(self.fence.posts))

    @property
    def bay_names(self) -> tuple[str, ...]:
        """(m,) ``B001``."""
        return _names("B", len(self.fence.bays))

    @property
    def broken_bays(self) -> tuple[int, ...]:
        """Rows of the bays that break a limit of their levels: the ground allows none that keep all."""
        return tuple(sorted({item.bay for item in self.fence.findings if item.code in BROKEN and item.bay is not None}))

    @property
    def line_names(self) -> tuple[str, ...]:
        """Names of the job's lines that are fenced, in its order; none where it has one line and no name for it."""
        return tuple(dict.fromkeys(run.line for run in self.runs if run.line))

    @property
    def posts(self) -> geopandas.GeoDataFrame:
        """Posts as points (WGS 84), with the columns of ``posts.geojson``."""
        import geopandas
        import shapely

        points = shapely.points(self.places.lon_deg, self.places.lat_deg)
        return geopandas.GeoDataFrame(self.post_columns(), geometry=points, crs="OGC:CRS84")

    @property
    def bays(self) -> geopandas.GeoDataFrame:
        """Bays as lines (WGS 84), with the columns of ``bays.geojson``."""
        import geopandas
        import numpy as np
        import shapely

        ends = np.column_stack([self.places.lon_deg, self.places.lat_deg])
        rows = np.column_stack([self.fence.bays.from_post, self.fence.bays.to_post])
        return geopandas.GeoDataFrame(self.bay_columns(), geometry=shapely.linestrings(ends[rows]), crs="OGC:CRS84")

    @property
    def findings(self) -> pandas.DataFrame:
        """One row a finding, with the columns of ``findings.csv``."""
        import pandas

        return pandas.DataFrame(self.finding_columns())

    @property
    def profile(self) -> pandas.DataFrame:
        """The ground as the engine used it, with the columns of ``profile.csv``."""
        import pandas

        return pandas.DataFrame(self.profile_columns())

    def profile_columns(self) -> dict[str, Sequence[Any] | Floats]:
        """The columns of ``profile.csv`` in its order."""
        columns: dict[str, Sequence[Any] | Floats] = {
            item.name: getattr(self.stations, item.name) for item in fields(self.stations)
        }
        if self.line_names:
            columns["line"] = own_lines(self.runs, "station", len(self.stations.chainage_m))
        return columns

    def post_columns(self) -> dict[str, Sequence[Any] | Floats]:
        """The columns of ``posts.geojson`` in its order, as :meth:`bay_columns`; NaN where a value does not exist."""
        posts, places, lined = self.fence.posts, self.places, bool(self.line_names)
        return {
            "post": self.post_names,
            "kind": posts.kind,
            "chainage_m": posts.chainage_m,
            "easting": places.easting,
            "northing": places.northing,
            "ground_level_m": posts.ground_level_m,
            "top_level_m": posts.top_level_m,
            "toe_level_m": posts.toe_level_m,
            "height_m": posts.height_m,
            "embedment_m": posts.embedment_m,
            "length_m": posts.length_m,
            "stock_length_m": posts.stock_length_m,
            "bearing_deg": places.bearing_deg,
            "deflection_deg": posts.deflection_deg,
            "support_back_m": posts.support_back_m,
            "support_ahead_m": posts.support_ahead_m,
            "survey_distance_m": places.survey_distance_m,
            "findings": self._codes("post", len(posts)),
            **({"gate": self.gate_names("post")} if self.gates else {}),
            **(
                {"line": own_lines(self.runs, "post", len(posts)), "meets": met_lines(self.runs, len(posts))}
                if lined
                else {}
            ),
            **_given(posts, POST_EXTRAS),
            **self._stands(),
        }

    @property
    def bay_words(self) -> tuple[str, ...]:
        """What to call each bay: its kind, or ``wire``; nothing in a bay of wires is cut, however wide it is."""
        kinds = self.fence.bays.kind
        strained = self.system.slope == "strained"
        return tuple("wire" if strained and kind != "gate" else kind for kind in kinds)

    def bay_columns(self) -> dict[str, Sequence[Any] | Floats]:
        """The columns of ``bays.geojson`` in its order; those that only some fences have where this one has them."""
        bays, names = self.fence.bays, self.post_names
        return {
            "bay": self.bay_names,
            "from_post": [names[row] for row in bays.from_post],
            "to_post": [names[row] for row in bays.to_post],
            "kind": bays.kind,
            "width_m": bays.width_m,
            "underside_from_m": bays.underside_from_m,
            "underside_to_m": bays.underside_to_m,
            "top_from_m": bays.top_from_m,
            "top_to_m": bays.top_to_m,
            "step_m": bays.step_m,
            "gap_max_m": bays.gap_max_m,
            "dig_max_m": bays.dig_max_m,
            "gap_area_m2": bays.gap_area_m2,
            "dig_area_m2": bays.dig_area_m2,
            "findings": self._codes("bay", len(bays)),
            **({"gate": self.gate_names("bay")} if self.gates else {}),
            **({"line": own_lines(self.runs, "bay", len(bays))} if self.line_names else {}),
            **_given(bays, BAY_EXTRAS),
        }

    def _stands(self) -> dict[str, Floats]:
        """Where the posts that exist really stand, a column each; nothing where a fence has none."""
        import numpy as np

        found: dict[str, Floats] = {}
        for name in STANDS if len(self.existing) else ():
            column = np.full(len(self.fence.posts), np.nan)
            column[self.existing.post] = getattr(self.existing, name)
            found[f"stands_{name}"] = column
        return found

    def finding_columns(self) -> dict[str, list[Any]]:
        """The columns of ``findings.csv`` in its order; None where a value does not exist."""
        posts, bays = self.post_names, self.bay_names
        found = self.fence.findings
        return {
            "code": [item.code for item in found],
            "severity": [item.severity for item in found],
            "chainage_m": [item.chainage_m for item in found],
            "chainage_to_m": [item.chainage_to_m for item in found],
            "post": [None if item.post is None else posts[item.post] for item in found],
            "bay": [None if item.bay is None else bays[item.bay] for item in found],
            "value": [item.value for item in found],
            "limit": [item.limit for item in found],
            "unit": [item.unit for item in found],
            "message": [item.message for item in found],
            "remedy": [item.remedy for item in found],
            **({"line": [item.line or None for item in found]} if self.line_names else {}),
        }

    def strain_columns(self) -> dict[str, Sequence[Any] | Floats]:
        """The strains of wire, one row each; wire in all is ``wires`` times ``wire_length_m``."""
        strains, names = self.fence.strains, self.post_names
        columns: dict[str, Sequence[Any] | Floats] = {
            item.name: getattr(strains, item.name) for item in fields(strains)
        }
        ends = {part: [names[row] for row in getattr(strains, part)] for part in ("from_post", "to_post")}
        return columns | ends

    def _codes(self, part: Literal["post", "bay"], count: int) -> list[str]:
        """The finding codes of each post or bay, joined by blanks."""
        codes: dict[int, dict[str, None]] = {}
        for finding in self.fence.findings:
            row = getattr(finding, part)
            several = finding.posts if part == "post" else ()
            for each in several or ([] if row is None else [row]):
                codes.setdefault(each, {})[finding.code] = None
        return [" ".join(codes[row]) if row in codes else "" for row in range(count)]

    def gate_names(self, part: Literal["post", "bay"]) -> list[str]:
        """Of each post or bay the name of its gate, empty where it has none; of a post between two gates both."""
        bays = self.fence.bays
        names: list[list[str]] = [[] for _ in range(len(self.fence.posts if part == "post" else bays))]
        for gate in self.gates:
            rows = (gate.bay,) if part == "bay" else (int(bays.from_post[gate.bay]), int(bays.to_post[gate.bay]))
            for row in rows:
                names[row].append(gate.name)
        return ["; ".join(each) for each in names]

    def summary(self) -> dict[str, Any]:
        """Counts and extremes for the end of a run and for ``plan.json``."""
        import numpy as np

        from geofence.engine.slope import steepest_deg

        posts, bays = self.fence.posts, self.fence.bays
        return {
            "length_m": float(np.sum(self.legs.ground_distance_m)),
            "posts": dict(sorted(Counter(posts.kind).items())),
            "bays": dict(sorted(Counter(self.bay_words).items())),
            "steps": int(np.count_nonzero(bays.step_m)),
            **({"lines": self._lengths()} if self.line_names else {}),
            **self._wire(),
            "steepest_ground_deg": steepest_deg(self.stations.chainage_m, self.stations.ground_level_m),
            "findings": {word: sum(item.severity == word for item in self.fence.findings) for word in SEVERITIES},
        }

    def _lengths(self) -> dict[str, float]:
        """How much of each line is fenced with it, on the ground."""
        lengths = dict.fromkeys(self.line_names, 0.0)
        for run in self.runs:
            lengths[run.line] += float(self.legs.ground_distance_m[run.legs].sum())
        return lengths

    def _wire(self) -> dict[str, Any]:
        """How much wire and how many droppers, where there are any."""
        import numpy as np

        strains = self.fence.strains
        if not len(strains):
            return {}
        return {
            "strains": len(strains),
            "wire_m": float(np.sum(strains.wires * strains.wire_length_m)),
            "droppers": int(np.nansum(self.fence.bays.droppers)),
        }

    def _repr_html_(self) -> str:
        """What a notebook shows: a drawing and a table, without scripts; the map is :meth:`map`."""
        from geofence.glance import glance

        return glance(self)

    def map(self, *, tiles: bool = False) -> folium.Map:
        """The interactive map; ``tiles`` adds online base tiles, which it can be read without."""
        picture: folium.Map = registry.find(registry.OUTPUTS, "map").view(self, tiles=tiles)
        return picture

    def write(self, folder: Path | str, *, also: Iterable[str] = ()) -> tuple[Path, ...]:
        """Write the standing outputs and those named in ``also`` into a folder, all or none; returns the files.

        Raises
        ------
        OutputError
            The folder cannot be written, or holds files of these names that geofence did not write.
        """
        chosen = outputs(also)
        files = tuple(sorted(output.filename for output in chosen))
        plan = replace(self, provenance=replace(self.provenance, files=files))
        return folders.replace(Path(folder), {output.filename: partial(output.write, plan) for output in chosen})


def outputs(also: Iterable[str] = ()) -> list[Output]:
    """The standing outputs and those named; one whose own packages are not installed counts only when named.

    Raises
    ------
    JobError
        No output has such a name, or what it needs is not installed.
    """
    asked = tuple(also)
    chosen = asked_outputs(asked)
    for name in registry.names(registry.OUTPUTS):
        if name not in asked:
            with suppress(JobError):
                output = registry.find(registry.OUTPUTS, name)
                chosen += [output] if output.standing else []
    return chosen


def asked_outputs(names: Iterable[str]) -> list[Output]:
    """The outputs of these names; raises as :func:`outputs` does."""
    return [registry.find(registry.OUTPUTS, name) for name in dict.fromkeys(names)]


def known_outputs() -> list[KnownOutput]:
    """Every output there is, the standing ones first, then by name."""
    known = [_known(name) for name in registry.names(registry.OUTPUTS)]
    return sorted(known, key=lambda item: (not item.standing, item.name))


def _known(name: str) -> KnownOutput:
    extra = registry.extra(registry.OUTPUTS, name)
    try:
        output: Output = registry.find(registry.OUTPUTS, name)
    except JobError as trouble:
        return KnownOutput(name=name, extra=extra, lack=str(trouble))
    return KnownOutput(name=name, extra=extra, file=output.filename, title=output.title, standing=output.standing)


def _given(table: Table, names: Iterable[str]) -> dict[str, Floats]:
    """Those of a table's columns that have a value in any row."""
    import numpy as np

    return {name: getattr(table, name) for name in names if np.isfinite(getattr(table, name)).any()}


@lru_cache(maxsize=8)
def _names(letter: str, count: int) -> tuple[str, ...]:
    digits = max(3, len(str(count)))
    return tuple(f"{letter}{number:0{digits}d}" for number in range(1, count + 1))
