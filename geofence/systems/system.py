"""What a fence system is: the dimensions of its panels and posts, each with where it comes from.

A system's file uses the names of the job file's keys: what stands under ``[layout]``, ``[levels]``, ``[posts]`` and
``fence.height_m`` there is what a job gets that leaves the key out. The kinds of quantity, with their limits, are
therefore the same for both and live here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, StringConstraints, model_validator

from geofence.engine.records import Slope, Steps
from geofence.numeric import LEVEL_TOLERANCE_M, WIDTH_TOLERANCE_M, snap_ceil, snap_floor
from geofence.plan import SystemFacts
from geofence.toml_file import fault, shown

__all__ = [
    "KEYS_OF_SLOPE",
    "NO_SOURCE",
    "OVERRIDABLE",
    "PANEL_KEYS",
    "Conflict",
    "Dimension",
    "Section",
    "System",
    "conflicts",
    "full_bay_m",
    "infill_height_m",
    "slopes_of",
]

NO_SOURCE = "common practice, no source"
"""The reference of a dimension that no document can be named for."""

OVERRIDABLE = {
    "fence": ("height_m",),
    "layout": ("module_m", "min_bay_m", "post_spacing_max_m", "strain_max_m"),
    "posts": ("embedment_m", "embedment_ratio", "post_reveal_m", "stock_lengths_m", "hole_diameter_m"),
    "gates": (
        "post_width_m",
        "post_hole_diameter_m",
        "post_embedment_m",
        "post_embedment_ratio",
        "post_reveal_m",
        "post_stock_lengths_m",
    ),
    "levels": (
        "increment_m",
        "gap_max_m",
        "dig_max_m",
        "step_min_m",
        "step_max_m",
        "rake_max_deg",
        "steps",
        "gate_clearance_m",
        "gap_cost",
        "dig_cost",
        "step_cost",
        "rise_cost",
    ),
    "wire": (
        "heights_m",
        "dropper_spacing_m",
        "diameter_m",
        "density_kg_per_m3",
        "modulus_kpa",
        "expansion_per_k",
        "tension_kn",
        "tension_max_kn",
        "temperature_c",
        "temperature_min_c",
        "temperature_max_c",
        "uplift_max_kn",
    ),
}
"""Tables and keys that a job may leave to its system."""

PANEL_KEYS = (
    "fence.height_m",
    "layout.module_m",
    "levels.step_min_m",
    "levels.step_max_m",
    "levels.step_cost",
    "levels.rise_cost",
)
"""Keys that panels need and wires do not."""

KEYS_OF_SLOPE: Mapping[Slope, tuple[str, ...]] = {
    "step": PANEL_KEYS,
    "rake": (*PANEL_KEYS, "levels.rake_max_deg", "levels.steps"),
    "strained": ("layout.post_spacing_max_m", "layout.strain_max_m", *(f"wire.{key}" for key in OVERRIDABLE["wire"])),
}
"""Keys that fences of a slope need, where not all do; to a fence of another slope such a key says nothing."""


def slopes_of(address: str) -> tuple[Slope, ...]:
    """The slopes that need a key; none where all fences do, or where it may be left out.

    >>> slopes_of("layout.module_m"), slopes_of("layout.min_bay_m")
    (('step', 'rake'), ())
    """
    return tuple(slope for slope, addresses in KEYS_OF_SLOPE.items() if address in addresses)


def _increasing(lengths: tuple[float, ...]) -> tuple[float, ...]:
    for shorter, longer in pairwise(lengths):
        if not shorter < longer:
            raise fault("must increase from one to the next", remedy="Write each length once, the shortest first.")
    return lengths


Bay = Annotated[float, Field(gt=0, le=20)]
PostSpacing = Annotated[float, Field(gt=0, le=100)]
StrainLength = Annotated[float, Field(gt=0, le=5000)]
Height = Annotated[float, Field(gt=0, le=10)]
Increment = Annotated[float, Field(gt=0, le=1)]
GapMax = Annotated[float, Field(ge=0, le=5)]
DigMax = Annotated[float, Field(ge=-5, le=5)]
Step = Annotated[float, Field(ge=0, le=5)]
RakeMax = Annotated[float, Field(ge=0, le=45)]
Clearance = Annotated[float, Field(ge=0, le=1)]
Cost = Annotated[float, Field(ge=0, le=1e6)]
Reveal = Annotated[float, Field(ge=0, le=1)]
Embedment = Annotated[float, Field(gt=0, le=5)]
EmbedmentRatio = Annotated[float, Field(ge=0, le=2)]
HoleDiameter = Annotated[float, Field(gt=0, le=2)]
PostWidth = Annotated[float, Field(gt=0, le=1)]
StockLength = Annotated[float, Field(gt=0, le=15)]
# TOML gives lists; a frozen record keeps tuples.
StockLengths = Annotated[tuple[StockLength, ...], Strict(False), AfterValidator(_increasing)]
Heights = Annotated[tuple[Height, ...], Strict(False), AfterValidator(_increasing)]
WireHeights = Annotated[tuple[Height, ...], Strict(False), Field(min_length=1), AfterValidator(_increasing)]
DropperSpacing = Annotated[float, Field(ge=0, le=100)]
WireDiameter = Annotated[float, Field(gt=0, le=0.05)]
Density = Annotated[float, Field(ge=500, le=25_000)]
Modulus = Annotated[float, Field(ge=1e5, le=1e9)]
Expansion = Annotated[float, Field(ge=0, le=1e-3)]
Force = Annotated[float, Field(gt=0, le=1000)]
Uplift = Annotated[float, Field(ge=0, le=1000)]
Temperature = Annotated[float, Field(ge=-90, le=90)]


def _short_name(word: str) -> str:
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", word):
        raise fault("is not a short name", remedy="Write lower-case letters, digits and single hyphens.")
    return word


Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]

Quantity = TypeVar("Quantity")


class Section(BaseModel):
    """A table of a file: no unknown keys, no text for numbers, no infinities, and not to be changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Dimension(Section, Generic[Quantity]):
    """A quantity and the document it comes from."""

    value: Quantity
    reference: Words = Field(description=f"a standard or handbook that gives the value, or {NO_SOURCE!r}")

    @model_validator(mode="before")
    @classmethod
    def _with_reference(cls, values: Any) -> Any:
        if isinstance(values, Mapping):
            return values
        raise fault(
            "stands without its reference", remedy=f'Write {{ value = {shown(values)}, reference = "{NO_SOURCE}" }}.'
        )


class SystemFence(Section):
    """Panels, from underside to top. A wire fence has none."""

    height_m: Dimension[Height] | None = None
    heights_m: Dimension[Heights] | None = None


class SystemLayout(Section):
    """Bays, centre to centre of posts; of a wire fence the widest, and the longest strain between two strainers."""

    module_m: Dimension[Bay] | None = None
    min_bay_m: Dimension[Bay]
    post_spacing_max_m: Dimension[PostSpacing] | None = None
    strain_max_m: Dimension[StrainLength] | None = None


class SystemPosts(Section):
    """Posts and their holes. ``width_m``: side or diameter."""

    width_m: Dimension[PostWidth]
    embedment_m: Dimension[Embedment]
    embedment_ratio: Dimension[EmbedmentRatio]
    post_reveal_m: Dimension[Reveal]
    stock_lengths_m: Dimension[StockLengths]
    hole_diameter_m: Dimension[HoleDiameter]


class SystemGates(Section):
    """Gate posts, where they differ from others."""

    post_width_m: Dimension[PostWidth] | None = None
    post_hole_diameter_m: Dimension[HoleDiameter] | None = None
    post_embedment_m: Dimension[Embedment] | None = None
    post_embedment_ratio: Dimension[EmbedmentRatio] | None = None
    post_reveal_m: Dimension[Reveal] | None = None
    post_stock_lengths_m: Dimension[StockLengths] | None = None


class SystemLevels(Section):
    """Limits of undersides, and the weights that choose between them; weights and words are choices, no references."""

    increment_m: Dimension[Increment]
    gap_max_m: Dimension[GapMax]
    dig_max_m: Dimension[DigMax]
    step_min_m: Dimension[Step] | None = None
    step_max_m: Dimension[Step] | None = None
    rake_max_deg: Dimension[RakeMax] | None = None
    steps: Steps | None = None
    gate_clearance_m: Dimension[Clearance]
    gap_cost: Cost
    dig_cost: Cost
    step_cost: Cost | None = None
    rise_cost: Cost | None = None


class SystemWire(Section):
    """The wires of a strained fence, all alike; :class:`geofence.engine.wire.WireRules` says what each key means."""

    heights_m: Dimension[WireHeights]
    dropper_spacing_m: Dimension[DropperSpacing]
    diameter_m: Dimension[WireDiameter]
    density_kg_per_m3: Dimension[Density]
    modulus_kpa: Dimension[Modulus]
    expansion_per_k: Dimension[Expansion]
    tension_kn: Dimension[Force]
    tension_max_kn: Dimension[Force]
    temperature_c: Dimension[Temperature]
    temperature_min_c: Dimension[Temperature]
    temperature_max_c: Dimension[Temperature]
    uplift_max_kn: Dimension[Uplift]


class Part(Section):
    """Something counted: ``count`` of it for each bay, post, or post at which the level changes."""

    name: Words
    per: Literal["bay", "post", "step"]
    count: Dimension[Annotated[int, Field(gt=0, le=1000)]]


class Takeoff(Section):
    """What ordering and handling need.

    ``panel_deduction_m``: a bay's width less the length of its panels; ``course_m``: height of one panel where several
    stand on each other.
    """

    panel_kg_per_m2: Dimension[Annotated[float, Field(gt=0, le=1000)]]
    post_kg_per_m: Dimension[Annotated[float, Field(gt=0, le=500)]]
    panel_deduction_m: Dimension[Annotated[float, Field(ge=-1, le=1)]] | None = None
    course_m: Dimension[Height] | None = None
    part: Annotated[tuple[Part, ...], Strict(False)] = ()


class System(Section):
    """A fence system as its file gives it. ``slope``: how it follows the ground."""

    name: Annotated[str, AfterValidator(_short_name)]
    title: Words
    slope: Slope
    fence: SystemFence = SystemFence()
    layout: SystemLayout
    posts: SystemPosts
    gates: SystemGates = SystemGates()
    levels: SystemLevels
    wire: SystemWire | None = None
    takeoff: Takeoff

    @model_validator(mode="after")
    def _has_the_keys_of_its_slope(self) -> System:
        values = self.values
        for address in values:
            if self.slope not in (slopes_of(address) or (self.slope,)):
                message, keys = f"says nothing to a system whose slope is {self.slope}", tuple(address.split("."))
                raise fault(message, keys=keys, value=values[address], remedy="Take it out.")
        for address in KEYS_OF_SLOPE[self.slope]:
            if address not in values:
                message, keys = "is missing from a system of this slope", tuple(address.split("."))
                raise fault(message, keys=keys, value=self.slope, remedy="Add it.")
        return self

    @model_validator(mode="after")
    def _agrees(self) -> System:
        for conflict in conflicts(self.values):
            raise fault(
                conflict.message,
                keys=(*conflict.addresses[0].split("."), "value"),
                value=conflict.value,
                limit=conflict.limit,
                remedy=conflict.remedy,
            )
        height = self.fence.height_m.value if self.fence.height_m else None
        if height is not None and not self.offers(height):
            keys = ("fence", "height_m", "value")
            raise fault("is not one of fence.heights_m", keys=keys, value=height, remedy="Add it there, or change it.")
        return self

    @property
    def values(self) -> dict[str, Any]:
        """Every quantity of posts, bays and levels under its dotted address, without its reference."""
        return {
            f"{table}.{key}": quantity.value if isinstance(quantity, Dimension) else quantity
            for table in OVERRIDABLE
            for key, quantity in getattr(self, table) or ()
            if quantity is not None
        }

    @property
    def defaults(self) -> dict[str, Any]:
        """What a job gets where it leaves a key out, under the key's dotted address."""
        values, addresses = self.values, (f"{table}.{key}" for table, keys in OVERRIDABLE.items() for key in keys)
        return {address: values[address] for address in addresses if address in values}

    @property
    def facts(self) -> SystemFacts:
        """What outputs say of the system, with its own dimensions."""
        return SystemFacts(
            name=self.name,
            title=self.title,
            slope=self.slope,
            module_m=full_bay_m(self.values),
            height_m=infill_height_m(self.values),
            post_width_m=self.posts.width_m.value,
            hole_diameter_m=self.posts.hole_diameter_m.value,
        )

    def offers(self, height_m: float) -> bool:
        """Whether its panels come in a height; a system that lists none comes in any."""
        heights = self.fence.heights_m
        return heights is None or any(abs(height_m - offered) <= WIDTH_TOLERANCE_M for offered in heights.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Quantities that cannot hold together.

    ``addresses`` are theirs, the likeliest mistake first; ``value`` and ``limit`` are those of the first.
    """

    addresses: tuple[str, ...]
    message: str
    value: float
    limit: float | None = None
    remedy: str


def full_bay_m(values: Mapping[str, Any]) -> float:
    """The widest bay: a module, or the most that two posts of a wire fence are apart; see :attr:`System.values`."""
    return float(values.get("layout.module_m", values.get("layout.post_spacing_max_m")))


def infill_height_m(values: Mapping[str, Any]) -> float:
    """From underside to top: of a panel, or from the lowest wire to the highest."""
    if "fence.height_m" in values:
        return float(values["fence.height_m"])
    return float(values["wire.heights_m"][-1] - values["wire.heights_m"][0])


def conflicts(values: Mapping[str, Any]) -> Iterator[Conflict]:
    """What cannot hold together in a system, or in a job on its system; ``values`` as :attr:`System.values`."""
    yield from _conflicts_of_bays(values)
    yield from _conflicts_of_levels(values)
    if "wire.heights_m" in values:
        yield from _conflicts_of_spacing(values)
        yield from _conflicts_of_heights(values)
        yield from _conflicts_of_tension(values)
    else:
        yield from _conflicts_of_steps(values)


def _conflicts_of_bays(values: Mapping[str, Any]) -> Iterator[Conflict]:
    module, min_bay, width = full_bay_m(values), values["layout.min_bay_m"], values["posts.width_m"]
    if "layout.module_m" in values and min_bay > module:
        yield Conflict(
            addresses=("layout.min_bay_m", "layout.module_m"),
            message="is wider than a full bay, layout.module_m",
            value=min_bay,
            limit=module,
            remedy="Make layout.min_bay_m at most layout.module_m.",
        )
    if min_bay <= width:
        yield Conflict(
            addresses=("layout.min_bay_m", "posts.width_m"),
            message="leaves nothing between two posts of posts.width_m",
            value=min_bay,
            limit=width,
            remedy="Make layout.min_bay_m more than posts.width_m.",
        )
    if values["posts.hole_diameter_m"] <= width:
        yield Conflict(
            addresses=("posts.hole_diameter_m", "posts.width_m"),
            message="is too narrow for a post of posts.width_m",
            value=values["posts.hole_diameter_m"],
            limit=width,
            remedy="Make posts.hole_diameter_m more than posts.width_m.",
        )


def _conflicts_of_levels(values: Mapping[str, Any]) -> Iterator[Conflict]:
    gap, dig = values["levels.gap_max_m"], values["levels.dig_max_m"]
    if gap + dig < -LEVEL_TOLERANCE_M:
        yield Conflict(
            addresses=("levels.dig_max_m", "levels.gap_max_m"),
            message="keeps open more than levels.gap_max_m allows",
            value=dig,
            limit=-gap,
            remedy="Make levels.dig_max_m larger (less negative), or levels.gap_max_m.",
        )


def _conflicts_of_steps(values: Mapping[str, Any]) -> Iterator[Conflict]:
    increment, least, most = (values[f"levels.{key}"] for key in ("increment_m", "step_min_m", "step_max_m"))
    if least > most:
        yield Conflict(
            addresses=("levels.step_min_m", "levels.step_max_m"),
            message="is above levels.step_max_m",
            value=least,
            limit=most,
            remedy="Make levels.step_min_m at most levels.step_max_m.",
        )
    elif most > 0 and max(1, snap_ceil(least / increment)) > snap_floor(most / increment):
        yield Conflict(
            addresses=("levels.increment_m", "levels.step_max_m", "levels.step_min_m"),
            message=f"allows no step: none of its multiples is from {shown(least)} m to {shown(most)} m",
            value=increment,
            remedy="Make levels.increment_m finer, or lower levels.step_min_m or raise levels.step_max_m.",
        )


def _conflicts_of_spacing(values: Mapping[str, Any]) -> Iterator[Conflict]:
    widest, narrowest, strain = (values[f"layout.{key}"] for key in ("post_spacing_max_m", "min_bay_m", "strain_max_m"))
    if narrowest > widest / 2:
        yield Conflict(
            addresses=("layout.min_bay_m", "layout.post_spacing_max_m"),
            message="is more than half of layout.post_spacing_max_m, so that some lengths could not be divided",
            value=narrowest,
            limit=widest / 2,
            remedy="Make layout.min_bay_m at most half of layout.post_spacing_max_m.",
        )
    if strain < widest:
        yield Conflict(
            addresses=("layout.strain_max_m", "layout.post_spacing_max_m"),
            message="is less than layout.post_spacing_max_m",
            value=strain,
            limit=widest,
            remedy="Make layout.strain_max_m at least layout.post_spacing_max_m.",
        )


def _conflicts_of_heights(values: Mapping[str, Any]) -> Iterator[Conflict]:
    lowest, gap, dig = values["wire.heights_m"][0], values["levels.gap_max_m"], values["levels.dig_max_m"]
    if lowest > gap:
        yield Conflict(
            addresses=("levels.gap_max_m", "wire.heights_m"),
            message="is less than the lowest wire is high at each post, the first of wire.heights_m",
            value=gap,
            limit=lowest,
            remedy="Make levels.gap_max_m more than the first of wire.heights_m: what is over is for hollows.",
        )
    if lowest < -dig:
        yield Conflict(
            addresses=("levels.dig_max_m", "wire.heights_m"),
            message="keeps open more than the lowest wire does at each post, the first of wire.heights_m",
            value=dig,
            limit=-lowest,
            remedy="Make levels.dig_max_m larger (less negative), or raise the first of wire.heights_m.",
        )


def _conflicts_of_tension(values: Mapping[str, Any]) -> Iterator[Conflict]:
    tension, most = values["wire.tension_kn"], values["wire.tension_max_kn"]
    at, coldest, hottest = (values[f"wire.temperature{key}"] for key in ("_c", "_min_c", "_max_c"))
    if tension > most:
        yield Conflict(
            addresses=("wire.tension_kn", "wire.tension_max_kn"),
            message="is more than wire.tension_max_kn",
            value=tension,
            limit=most,
            remedy="Make wire.tension_kn at most wire.tension_max_kn.",
        )
    if coldest > at:
        yield Conflict(
            addresses=("wire.temperature_min_c", "wire.temperature_c"),
            message="is above wire.temperature_c, at which the wires are strained",
            value=coldest,
            limit=at,
            remedy="Make wire.temperature_min_c the coldest that the wires get.",
        )
    if hottest < at:
        yield Conflict(
            addresses=("wire.temperature_max_c", "wire.temperature_c"),
            message="is below wire.temperature_c, at which the wires are strained",
            value=hottest,
            limit=at,
            remedy="Make wire.temperature_max_c the hottest that the wires get.",
        )
