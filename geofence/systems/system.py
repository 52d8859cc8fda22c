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
    "Conflict",
    "Dimension",
    "Section",
    "System",
    "conflicts",
]

NO_SOURCE = "common practice, no source"
"""The reference of a dimension that no document can be named for."""

OVERRIDABLE = {
    "fence": ("height_m",),
    "layout": ("module_m", "min_bay_m"),
    "posts": ("embedment_m", "embedment_ratio", "post_reveal_m", "stock_lengths_m", "hole_diameter_m"),
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
}
"""Tables and keys that a job may leave to its system."""

KEYS_OF_SLOPE: Mapping[Slope, tuple[str, ...]] = {"rake": ("levels.rake_max_deg", "levels.steps")}
"""Keys that fences of one slope need, and that say nothing to the others."""


def _increasing(lengths: tuple[float, ...]) -> tuple[float, ...]:
    for shorter, longer in pairwise(lengths):
        if not shorter < longer:
            raise fault("must increase from one to the next", remedy="Write each length once, the shortest first.")
    return lengths


Bay = Annotated[float, Field(gt=0, le=20)]
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
    """Panels, from underside to top."""

    height_m: Dimension[Height]
    heights_m: Dimension[Heights] | None = None


class SystemLayout(Section):
    """Bays, centre to centre of posts."""

    module_m: Dimension[Bay]
    min_bay_m: Dimension[Bay]


class SystemPosts(Section):
    """Posts and their holes. ``width_m``: side or diameter."""

    width_m: Dimension[PostWidth]
    embedment_m: Dimension[Embedment]
    embedment_ratio: Dimension[EmbedmentRatio]
    post_reveal_m: Dimension[Reveal]
    stock_lengths_m: Dimension[StockLengths]
    hole_diameter_m: Dimension[HoleDiameter]


class SystemLevels(Section):
    """Limits of undersides, and the weights that choose between them; weights and words are choices, no references."""

    increment_m: Dimension[Increment]
    gap_max_m: Dimension[GapMax]
    dig_max_m: Dimension[DigMax]
    step_min_m: Dimension[Step]
    step_max_m: Dimension[Step]
    rake_max_deg: Dimension[RakeMax] | None = None
    steps: Steps | None = None
    gate_clearance_m: Dimension[Clearance]
    gap_cost: Cost
    dig_cost: Cost
    step_cost: Cost
    rise_cost: Cost


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
    fence: SystemFence
    layout: SystemLayout
    posts: SystemPosts
    levels: SystemLevels
    takeoff: Takeoff

    @model_validator(mode="after")
    def _has_the_keys_of_its_slope(self) -> System:
        for slope, addresses in KEYS_OF_SLOPE.items():
            for address in addresses:
                keys, given = tuple(address.split(".")), address in self.values
                if given and slope != self.slope:
                    message = f"says nothing to a system whose slope is {self.slope}"
                    raise fault(message, keys=keys, value=self.values[address], remedy="Take it out.")
                if not given and slope == self.slope:
                    raise fault("is missing from a system of this slope", keys=keys, value=slope, remedy="Add it.")
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
        if not self.offers(self.fence.height_m.value):
            keys, height = ("fence", "height_m", "value"), self.fence.height_m.value
            raise fault("is not one of fence.heights_m", keys=keys, value=height, remedy="Add it there, or change it.")
        return self

    @property
    def values(self) -> dict[str, Any]:
        """Every quantity of posts, bays and levels under its dotted address, without its reference."""
        return {
            f"{table}.{key}": quantity.value if isinstance(quantity, Dimension) else quantity
            for table in OVERRIDABLE
            for key, quantity in getattr(self, table)
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
            module_m=self.layout.module_m.value,
            height_m=self.fence.height_m.value,
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


def conflicts(values: Mapping[str, Any]) -> Iterator[Conflict]:
    """What cannot hold together in a system, or in a job on its system; ``values`` as :attr:`System.values`."""
    yield from _conflicts_of_bays(values)
    yield from _conflicts_of_levels(values)


def _conflicts_of_bays(values: Mapping[str, Any]) -> Iterator[Conflict]:
    module, min_bay, width = (values[key] for key in ("layout.module_m", "layout.min_bay_m", "posts.width_m"))
    if min_bay > module:
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
    gap, dig, increment, least, most = (
        values[f"levels.{key}"] for key in ("gap_max_m", "dig_max_m", "increment_m", "step_min_m", "step_max_m")
    )
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
    if gap + dig < -LEVEL_TOLERANCE_M:
        yield Conflict(
            addresses=("levels.dig_max_m", "levels.gap_max_m"),
            message="keeps open more than levels.gap_max_m allows",
            value=dig,
            limit=-gap,
            remedy="Make levels.dig_max_m larger (less negative), or levels.gap_max_m.",
        )
