"""The tables of the job file: every key with its kind, default and limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    Discriminator,
    Field,
    Strict,
    Tag,
    field_validator,
    model_validator,
)
from pydantic.json_schema import GenerateJsonSchema

from geofence.engine.records import Fit, Steps
from geofence.inputs.control_keys import Control
from geofence.inputs.existing_keys import Existing
from geofence.inputs.file_keys import File, Files, Name, Order, PointKeys
from geofence.inputs.gate_keys import GateKeys, Gates
from geofence.inputs.output_tables import Dxf, Gpx, LandXml, Setout, Sheets, Stakeout
from geofence.systems import system as kinds
from geofence.systems.system import Section
from geofence.toml_file import fault

__all__ = [
    "Check",
    "ClearTo",
    "Fence",
    "Gate",
    "Gates",
    "Ground",
    "JobFile",
    "LegEnds",
    "Levels",
    "Line",
    "MeasuredFrom",
    "Naming",
    "Patch",
    "Posts",
    "Rule",
    "Spacing",
    "Survey",
    "Wire",
    "Zone",
    "job_schema",
]


def _two(what: str, example: str) -> BeforeValidator:
    """Takes a list of two as a pair; anything else is refused as not being what is wanted."""

    def pair(value: Any) -> Any:
        if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
            raise fault(f"is not {what}", remedy=f"Write it as {example}.")
        return tuple(value)

    return BeforeValidator(pair)


Count = Annotated[int, Field(ge=1)]
Position = Annotated[tuple[float, float], _two("a position", "[easting, northing]")]


class Naming(Section):
    """What the job is called, and what its coordinates and levels are in."""

    name: Name | None = Field(
        default=None, description="the job's name, on every output; the file's own where left out"
    )
    grid: Name | None = Field(
        default=None,
        description="the working grid, such as EPSG:27700; chosen from the ground or the place where left out",
    )
    geoid_separation_m: float = Field(default=0.0, ge=-150, le=150, description="ellipsoid height minus level")
    level_datum: Name = Field(
        default="not stated", description="a name for what levels are above, carried to every output"
    )


class LegEnds(Section):
    """Legs from one boundary vertex to another, each the nearest to a position in the working grid."""

    from_: Position = Field(alias="from", description="where the first leg starts, [easting, northing]")
    to: Position = Field(description="where the last leg ends, [easting, northing]")


def _kind_of_legs(value: Any) -> str:
    if isinstance(value, (Mapping, LegEnds)):
        return "ends"
    return "numbers" if isinstance(value, (list, tuple)) else "word"


Legs = Annotated[
    Annotated[Literal["all"], Tag("word")]
    | Annotated[tuple[Count, ...], Strict(False), Field(min_length=1), Tag("numbers")]
    | Annotated[LegEnds, Tag("ends")],
    Discriminator(_kind_of_legs),
]


class Line(Section):
    """The boundary, and which part of it to fence. Of several lines each is a [[line]]."""

    name: Name | None = Field(default=None, description="the line's name; of several, L1, L2, ... where left out")
    file: File = Field(description="the vector file with the boundary")
    layer: Name | None = Field(default=None, description="the layer, where the file has several")
    feature: Count | None = Field(default=None, description="the feature, counted from 1, where the layer has several")
    features: Literal["together", "each"] = Field(
        default="together",
        description="together: all features of the file are one line; each: every feature is a line of its own",
    )
    name_field: Name | None = Field(default=None, description='features = "each": the field with the lines\' names')
    grid: Name | None = Field(default=None, description="the file's grid, only where it carries none")
    legs: Legs = Field(
        default="all",
        description='"all", leg numbers such as [1, 2, 5], or { from = [e, n], to = [e, n] }',
    )
    direction: Literal["as-drawn", "reversed"] = Field(default="as-drawn", description="the direction of travel")
    offset_m: float = Field(
        default=0.0, ge=-1000, le=1000, description="distance from the boundary, left of travel positive"
    )
    corner_deg: float = Field(default=10.0, gt=0, lt=180, description="a vertex that turns by this or more is a corner")
    line_tolerance_m: float = Field(default=0.02, ge=0, le=10, description="how far a bay may leave a line that bends")

    @field_validator("legs", mode="before")
    @classmethod
    def _some_legs(cls, value: Any) -> Any:
        if _kind_of_legs(value) == "word" and value != "all":
            raise fault(
                "does not say which legs", remedy='Write "all", [1, 2] or { from = [e, n], to = [e, n] }, with numbers.'
            )
        if _kind_of_legs(value) == "numbers" and len(set(map(str, value))) < len(value):
            raise fault("names a leg twice", remedy="Write each leg once.")
        return value

    @model_validator(mode="after")
    def _says_nothing_in_vain(self) -> Line:
        if self.features == "together" and self.name_field is not None:
            raise fault(
                'says nothing to features = "together"', keys=("name_field",), remedy='Write features = "each".'
            )
        for key in ("feature", "legs") if self.features == "each" else ():
            if getattr(self, key) not in (None, "all"):
                raise fault(
                    f'does not go with features = "each": {key} is of one line', keys=(key,), remedy=f"Take {key} out."
                )
        return self


def _kind_of_lines(value: Any) -> str:
    return "tables" if isinstance(value, (list, tuple)) else "table"


Lines = Annotated[
    Annotated[Line, Tag("table")] | Annotated[tuple[Line, ...], Strict(False), Field(min_length=1), Tag("tables")],
    Discriminator(_kind_of_lines),
]


def _kind_of_survey(value: Any) -> str:
    return "table" if isinstance(value, (Mapping, Survey)) else "files"


class GroundFiles(Section):
    """The files of a ground."""

    files: Files = Field(description="the ground's files, one or a list")


class Survey(PointKeys, GroundFiles):
    """Files with levels, and how to read them."""

    order: Order | None = Field(
        default=None,
        description="columns of a text file of points without a header that names them, such as "
        "point,northing,easting,level,code, or in letters PNEZC",
    )
    level_datum: Name | None = Field(
        default=None, description="a name for what the files' levels are above; told where it is not the job's"
    )
    surface: Name | None = Field(default=None, description="the surface of a LandXML file, where it holds several")
    classes: Annotated[tuple[Annotated[int, Field(ge=0, le=255)], ...], Strict(False), Field(min_length=1)] = Field(
        default=(2,), description="classes of the points of a laser scan to take; 2 is ground"
    )
    max_edge_m: float | None = Field(
        default=None, gt=0, description="no level where a triangle between surveyed points has a longer edge"
    )
    coincident: Literal["error", "mean", "lowest", "highest"] = Field(
        default="error", description="what counts where surveyed points at one place differ in level"
    )


TOLERANCE_M = 0.10
"""A root mean square of 10 cm is what airborne laser scanning promises on bare ground (USGS Lidar Base Specification,
quality level 2): a ground that is worse against points shot in the field is not what it is sold as."""


class Patch(Survey):
    """A survey over a raster: within its hull the survey counts."""

    tolerance_m: float = Field(
        default=TOLERANCE_M, gt=0, le=100, description="largest mismatch along the seam, root mean square"
    )


class Check(Survey):
    """Points shot in the field to hold the ground against."""

    tolerance_m: float = Field(
        default=TOLERANCE_M, gt=0, le=100, description="largest difference from the ground, root mean square"
    )


class Ground(Survey):
    """Where ground levels come from."""

    reader: Name | None = Field(default=None, description="the reader to use; found from the files where left out")
    band: Count | None = Field(default=None, description="the raster's band, counted from 1, where it has several")
    bridge_m: float = Field(
        default=0.0, ge=0, le=1000, description="longest gap in the ground to bridge by a straight line"
    )
    survey_distance_max_m: float = Field(
        default=15.0, gt=0, le=10_000, description="a post farther from every surveyed point is a finding"
    )
    patch: (
        Annotated[Annotated[Files, Tag("files")] | Annotated[Patch, Tag("table")], Discriminator(_kind_of_survey)]
        | None
    ) = Field(default=None, description="a survey that counts within its hull: its files, or a table as below")
    check: (
        Annotated[Annotated[Files, Tag("files")] | Annotated[Check, Tag("table")], Discriminator(_kind_of_survey)]
        | None
    ) = Field(default=None, description="points to hold the ground against: their files, or a table as below")

    @property
    def patch_survey(self) -> Patch | None:
        """The patch as a table, whichever way it is written."""
        return self.patch if self.patch is None or isinstance(self.patch, Patch) else Patch(files=self.patch)

    @property
    def check_points(self) -> Check | None:
        """The check points as a table, whichever way they are written."""
        return self.check if self.check is None or isinstance(self.check, Check) else Check(files=self.check)


class Fence(Section):
    """Which fence."""

    system: File = Field(default="aac-panel", description="a fence system's name, or the path of its TOML file")
    height_m: kinds.Height | None = Field(default=None, description="panels: from underside to top")
    open_share: float = Field(
        default=0.0, ge=0, le=1, description="share of a panel's face that is open: 0 for a solid one"
    )


class Spacing(Section):
    """How posts are spread along the line."""

    module_m: kinds.Bay | None = Field(default=None, description="a full bay, centre to centre of its posts")
    min_bay_m: kinds.Bay | None = Field(default=None, description="the narrowest cut bay")
    post_spacing_max_m: kinds.PostSpacing | None = Field(
        default=None, description="wire fences: the most that two posts may be apart"
    )
    strain_max_m: kinds.StrainLength | None = Field(
        default=None, description="wire fences: the most that two posts may be apart that hold the wires' pull"
    )
    join_m: float = Field(
        default=0.02,
        ge=0,
        le=1,
        description="lines that come this near meet; a miss by more, and less than a metre, is a finding",
    )
    fit: Fit = Field(
        default="end",
        description="where cut bays go: end, start, both-ends, equal (all bays alike), or best (where the levels come "
        "out cheapest)",
    )


class GatePlace(Section):
    """Where a gate stands, and how wide it is."""

    name: Name | None = Field(default=None, description="the gate's name; G1, G2, ... where left out")
    line: Name | None = Field(
        default=None, description="the name of its line, where a job has several; with near the nearest where left out"
    )
    at_m: float | None = Field(default=None, ge=0, description="chainage of its first post; this or near")
    near: Position | None = Field(
        default=None,
        description="[easting, northing] of its middle in the working grid, or a place beside it; this or at_m",
    )
    width_m: float = Field(gt=0, le=30, description="centre to centre of its posts")

    @model_validator(mode="after")
    def _stands_at_one_place(self) -> GatePlace:
        if self.at_m is None and self.near is None:
            raise fault("does not say where it is", remedy="Write at_m, a chainage, or near, a position.")
        if self.at_m is not None and self.near is not None:
            raise fault("says twice where it is, by at_m and by near", remedy="Leave one of them out.")
        return self


class Gate(GateKeys, GatePlace):
    """An opening. What it leaves out of how its leaves hang, and of its posts, is as [gates] has it."""

    @model_validator(mode="after")
    def _says_nothing_in_vain(self) -> Gate:
        if self.hinge is not None and self.leaves == 2:
            raise fault("says nothing to two leaves, each at its own post", keys=("hinge",), remedy="Take it out.")
        if self.open_deg is not None and self.swing in ("slide", "none"):
            raise fault(f"says nothing to swing = {self.swing!r}", keys=("open_deg",), remedy="Take it out.")
        return self


class Levels(Section):
    """Limits of the undersides, and the weights that choose between them."""

    increment_m: kinds.Increment | None = Field(default=None, description="undersides are at multiples of this")
    gap_max_m: kinds.GapMax | None = Field(default=None, description="the most an underside may stand above the ground")
    dig_max_m: kinds.DigMax | None = Field(
        default=None,
        description="the most the ground may stand above an underside; negative: a clearance that stays open",
    )
    step_min_m: kinds.Step | None = Field(default=None, description="the smallest step, where there is one")
    step_max_m: kinds.Step | None = Field(default=None, description="the largest step")
    rake_max_deg: kinds.RakeMax | None = Field(
        default=None, description="raked fences: the steepest that a bay may slope, from level"
    )
    steps: Steps | None = Field(
        default=None, description="raked fences: whether bays may meet a post at different levels, never or allowed"
    )
    gate_clearance_m: kinds.Clearance | None = Field(default=None, description="clear height under a gate")
    gap_cost: kinds.Cost | None = Field(default=None, description="weight of a square metre of gap")
    dig_cost: kinds.Cost | None = Field(default=None, description="weight of a square metre of dig")
    step_cost: kinds.Cost | None = Field(default=None, description="weight of a post at which the level changes")
    rise_cost: kinds.Cost | None = Field(default=None, description="weight of a metre of level change")


class Posts(Section):
    """How long posts are, and what they stand in."""

    embedment_m: kinds.Embedment | None = Field(default=None, description="the least depth of the toe below the ground")
    embedment_ratio: kinds.EmbedmentRatio | None = Field(
        default=None, description="the least depth as a share of the post's height above ground; the deeper counts"
    )
    post_reveal_m: kinds.Reveal | None = Field(default=None, description="post top above the higher panel's top")
    stock_lengths_m: kinds.StockLengths | None = Field(
        default=None, description="lengths posts are sold in, increasing; [] for posts cut to measure"
    )
    hole_diameter_m: kinds.HoleDiameter | None = Field(default=None, description="diameter of the holes")


class Wire(Section):
    """Strained wires: where they run, what they are strained to, and how warm and cold they get."""

    heights_m: kinds.WireHeights | None = Field(
        default=None, description="each wire above the ground at each post, the lowest first"
    )
    dropper_spacing_m: kinds.DropperSpacing | None = Field(
        default=None, description="widest spacing of the droppers that keep wires apart between posts; 0 for none"
    )
    diameter_m: kinds.WireDiameter | None = Field(default=None, description="diameter of a wire")
    density_kg_per_m3: kinds.Density | None = Field(default=None, description="density of its metal")
    modulus_kpa: kinds.Modulus | None = Field(default=None, description="modulus of elasticity of its metal")
    expansion_per_k: kinds.Expansion | None = Field(
        default=None, description="linear thermal expansion of its metal, for each degree"
    )
    tension_kn: kinds.Force | None = Field(default=None, description="what each wire is strained to")
    tension_max_kn: kinds.Force | None = Field(
        default=None, description="the most that a wire should carry; more in the cold is a finding"
    )
    temperature_c: kinds.Temperature | None = Field(
        default=None, description="how warm it is when the wires are strained, degrees Celsius"
    )
    temperature_min_c: kinds.Temperature | None = Field(
        default=None, description="the coldest that the wires get, degrees Celsius"
    )
    temperature_max_c: kinds.Temperature | None = Field(
        default=None, description="the hottest that the wires get, degrees Celsius"
    )
    uplift_max_kn: kinds.Uplift | None = Field(
        default=None, description="the upward pull that a post holds without more; a harder one is a finding"
    )


Rule = Literal["keep-clear", "no-fence", "setback", "max-height", "splay", "flood", "consult"]


MeasuredFrom = Literal["lower", "higher", "mean", "step"]
ClearTo = Literal["hole", "post", "centre"]

KEYS_OF_RULES: Mapping[str, tuple[str, ...]] = {
    "clear_to": ("keep-clear",),
    "measured_from": ("max-height", "splay"),
    "step_limit_m": ("max-height", "splay"),
    "band_from_m": ("splay",),
    "band_to_m": ("splay",),
    "level_m": ("splay", "flood"),
    "open_share_min": ("flood",),
}
"""The rules to which a key says something; with another it would be passed over in silence."""


class Zone(Section):
    """An area with a rule."""

    name: Name | None = Field(default=None, description="what it is called in findings; its file where left out")
    file: File | None = Field(default=None, description="the vector file with the zone; this or apex")
    layer: Name | None = Field(default=None, description="the layer, where the file has several")
    grid: Name | None = Field(default=None, description="the file's grid, only where it carries none")
    apex: Position | None = Field(
        default=None, description="[easting, northing] where the two sides of a visibility triangle meet; this or file"
    )
    toward: (
        Annotated[tuple[Position, Position], _two("two positions", "[[easting, northing], [easting, northing]]")] | None
    ) = Field(default=None, description="a position on each side of the triangle: along lot lines or centre lines")
    legs_m: Annotated[tuple[Annotated[float, Field(gt=0, le=1000)], ...], _two("two lengths", "[7.5, 7.5]")] | None = (
        Field(default=None, description="how far the triangle reaches along each side, on the ground")
    )
    rule: Rule = Field(
        description="what holds there: keep-clear, no-fence, setback, max-height, splay, flood or consult"
    )
    buffer_m: float = Field(default=0.0, ge=0, le=10_000, description="how far around the drawn shape the rule reaches")
    limit_m: float = Field(default=0.0, ge=-500, le=9000, description="the rule's limit, where it has one")
    clear_to: ClearTo = Field(
        default="hole", description="keep-clear: what stays buffer_m away: the hole's edge, the post, or its centre"
    )
    measured_from: MeasuredFrom = Field(
        default="lower",
        description="max-height, splay: the ground within a bay that heights are measured from: its lower, its higher "
        "or its mean level; or step, where limit_m holds over the higher and step_limit_m over the lower",
    )
    step_limit_m: float | None = Field(
        default=None, gt=0, le=20, description="measured_from step: height allowed at the lower side of a step"
    )
    band_from_m: float | None = Field(
        default=None, ge=0, le=20, description="splay: heights that stay open, from here; from limit_m where left out"
    )
    band_to_m: float | None = Field(default=None, gt=0, le=50, description="splay: to here; to the sky where left out")
    level_m: float | None = Field(
        default=None,
        ge=-500,
        le=9000,
        description="the level that heights of a splay are above, such as a kerb's; flood: of the water",
    )
    open_share_min: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="flood: share of the fence below the water, or of all of it, that does as well if it is open",
    )
    source: str = Field(default="", description="the document that the rule comes from, with its date")

    @model_validator(mode="after")
    def _is_drawn_once(self) -> Zone:
        triangle = {"apex": self.apex, "toward": self.toward, "legs_m": self.legs_m}
        given = [key for key, value in triangle.items() if value is not None]
        if self.file is None and not given:
            raise fault("is missing", keys=("file",), remedy="Name the zone's file; or give apex, toward and legs_m.")
        if self.file is not None and given:
            raise fault("does not go with file", keys=(given[0],), remedy="Give a file, or apex, toward and legs_m.")
        missing = [key for key in triangle if key not in given]
        if given and missing:
            raise fault("is missing", keys=(missing[0],), remedy="A triangle has apex, toward and legs_m.")
        return self

    @model_validator(mode="after")
    def _has_its_limit(self) -> Zone:
        if self.rule == "max-height" and self.limit_m <= 0:
            raise fault("needs a height above 0 m for the rule max-height", keys=("limit_m",), remedy="Write limit_m.")
        if self.rule == "setback" and self.limit_m <= 0:
            raise fault("needs a distance above 0 m for the rule setback", keys=("limit_m",), remedy="Write limit_m.")
        if (self.measured_from == "step") != (self.step_limit_m is not None):
            raise fault(
                'goes with measured_from = "step", and that with it',
                keys=("step_limit_m",),
                remedy="Give both or neither.",
            )
        if self.step_limit_m is not None and self.step_limit_m < self.limit_m:
            raise fault("is less than limit_m", keys=("step_limit_m",), value=self.step_limit_m, limit=self.limit_m)
        if self.band_to_m is not None and self.band_to_m <= (self.band_from_m or self.limit_m):
            raise fault("is not above the band's lower end", keys=("band_to_m",), value=self.band_to_m)
        return self

    @model_validator(mode="after")
    def _says_nothing_in_vain(self) -> Zone:
        for key, rules in KEYS_OF_RULES.items():
            if key in self.model_fields_set and self.rule not in rules:
                raise fault(f"says nothing to the rule {self.rule}", keys=(key,), remedy=f"Take {key} out.")
        return self


class JobFile(Section):
    schema_: Literal[1] = Field(alias="schema", description="version of the job file")
    job: Naming = Field(
        default=Naming(), description="what the job is called, and what its coordinates and levels are in"
    )
    line: Lines = Field(description="the table [line] with the boundary's file")
    ground: Ground = Field(description="the table [ground] with the ground's files")
    fence: Fence = Field(default=Fence(), description="which fence")
    layout: Spacing = Field(default=Spacing(), description="how posts are spread along the line")
    gate: Annotated[tuple[Gate, ...], Strict(False)] = Field(default=(), description="openings, one table each")
    gates: Gates = Field(default=Gates(), description="what holds for all gates")
    levels: Levels = Field(default=Levels(), description="limits of the undersides, and their weights")
    posts: Posts = Field(default=Posts(), description="how long posts are, and what they stand in")
    wire: Wire = Field(
        default=Wire(),
        description="strained wires: where they run, what they are strained to, and how warm and cold they get",
    )
    existing: Existing = Field(default=Existing(), description="posts that are in the ground already")
    zone: Annotated[tuple[Zone, ...], Strict(False)] = Field(
        default=(), description="areas with a rule, one table each"
    )
    stakeout: Stakeout = Field(default=Stakeout(), description="points for the stake-out device")
    sheets: Sheets = Field(default=Sheets(), description="drawings on paper")
    landxml: LandXml = Field(default=LandXml(), description="points and alignments for survey devices")
    gpx: Gpx = Field(default=Gpx(), description="waypoints for hand-held units")
    dxf: Dxf = Field(default=Dxf(), description="drawings for drawing programs")
    setout: Setout = Field(default=Setout(), description="the set-out sheet for the crew")
    control: Control = Field(default=Control(), description="control points that posts are tied to")

    @property
    def lines(self) -> tuple[Line, ...]:
        """The lines, in one table or several; where several are, each has a name."""
        if isinstance(self.line, Line):
            return (self.line,)
        return tuple(
            line if line.name or line.features == "each" else line.model_copy(update={"name": f"L{number}"})
            for number, line in enumerate(self.line, start=1)
        )

    @model_validator(mode="after")
    def _names_differ(self) -> JobFile:
        gates = [gate.name or f"G{number}" for number, gate in enumerate(self.gate, start=1)]
        lines = [line.name for line in self.lines]
        for table, named in (("gate", gates), ("line", lines)):
            for row, name in enumerate(named):
                if name is not None and name in named[:row]:
                    raise fault(f"is the name of an earlier {table}", keys=(table, row, "name"), value=name)
        return self


class _TomlSchema(GenerateJsonSchema):
    """JSON schema of what can stand in a TOML file, which has no null: a key without a default is left out."""

    def nullable_schema(self, schema: Any) -> Any:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: Any) -> Any:
        inner = super().default_schema(schema)
        if "default" in inner and inner["default"] is None:
            del inner["default"]
        return inner


def job_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of the job file."""
    schema = JobFile.model_json_schema(schema_generator=_TomlSchema)
    return {**schema, "title": "geofence job file"}
