"""What a plan is made of beside its fence: where things stand, what the numbers are in, what they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from geofence.engine.records import Floats, Ints, Slope, Table, read_only

__all__ = [
    "ExistingPosts",
    "Grid",
    "LeafWay",
    "Legs",
    "MarkKind",
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
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The grid that eastings and northings are in.

    ``unit_m`` is one grid unit in metres; ``combined_factor`` the mean, along the line, of grid distance divided by
    ground distance.
    """

    name: str
    code: str | None
    wkt: str
    unit: str
    unit_m: float
    level_datum: str
    combined_factor: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places(Table):
    """Where posts stand. Rows as in the plan's posts.

    ``lon_deg``, ``lat_deg``: WGS 84; ``easting``, ``northing``: units of the grid; ``bearing_deg``: grid bearing of the
    fence ahead, 0..360 clockwise from grid north (at the last post of an open line, of the bay behind);
    ``survey_distance_m``: from the post to the nearest surveyed point, NaN where the ground is no survey of points.
    """

    lon_deg: Floats
    lat_deg: Floats
    easting: Floats
    northing: Floats
    bearing_deg: Floats
    survey_distance_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations(Table):
    """The ground as the engine used it: one row a station."""

    chainage_m: Floats
    easting: Floats
    northing: Floats
    ground_level_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Legs(Table):
    """The boundary's fenced legs. ``number`` counts from 1 as drawn; positions WGS 84; bearings on the grid."""

    number: tuple[int, ...]
    start_m: Floats
    end_m: Floats
    lon_from_deg: Floats
    lat_from_deg: Floats
    lon_to_deg: Floats
    lat_to_deg: Floats
    bearing_deg: Floats
    grid_distance: Floats
    deflection_deg: Floats

    @property
    def ground_distance_m(self) -> Floats:
        """(n,) lengths on the ground."""
        return self.end_m - self.start_m


MarkKind = Literal["boundary", "control"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferenceMarks(Table):
    """Points on the ground that posts are tied to, whether or not the fence runs through them.

    Attributes
    ----------
    name, kind
        (n,) what each is called, and whether it is a vertex of the boundary or a control point.
    easting, northing
        (n,) units of the grid.
    level_m
        (n,) of a control point its own, else of the ground; NaN where there is none.
    """

    name: tuple[str, ...]
    kind: tuple[MarkKind, ...]
    easting: Floats
    northing: Floats
    level_m: Floats

    @classmethod
    def none(cls) -> ReferenceMarks:
        """Those of a plan without any."""
        nothing = np.empty(0)
        return cls(name=(), kind=(), easting=nothing, northing=nothing, level_m=nothing)

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExistingPosts(Table):
    """Where the posts that are in the ground already really stand: the plan has each on its line.

    Attributes
    ----------
    post, name
        (n,) int64 rows of the plan's posts, and what the job's file calls them.
    left_m, ahead_m
        (n,) how far left of its place in the plan each stands, and how far on along the bay ahead, on the grid in
        metres; negative: right, back.
    easting, northing
        (n,) where it stands, units of the grid.
    top_level_m
        (n,) measured level of its top; NaN where nobody measured it.
    """

    post: Ints
    name: tuple[str, ...]
    left_m: Floats
    ahead_m: Floats
    easting: Floats
    northing: Floats
    top_level_m: Floats

    @classmethod
    def none(cls) -> ExistingPosts:
        """Those of a plan without any."""
        nothing = np.empty(0)
        return cls(
            post=nothing.astype(np.int64),
            name=(),
            left_m=nothing,
            ahead_m=nothing,
            easting=nothing,
            northing=nothing,
            top_level_m=nothing,
        )

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """An unbroken stretch of fence, in its order along its line.

    Attributes
    ----------
    line
        Name of the line it belongs to; empty where a job has a single line without a name.
    posts
        (k,) int64 rows of the plan's posts. A ring's first post is not repeated; a post at which lines meet belongs
        to a run of each.
    chainage_m
        (k,) chainages of these posts in this line.
    bays
        (j,) int64 rows of the plan's bays: bay i stands between posts i and i + 1, the last of a ring ends at its
        first post.
    stations, legs
        (s,), (q,) int64 rows of the plan's stations and of the boundary's legs.
    closed
        True for a ring.
    """

    line: str
    posts: Ints
    chainage_m: Floats
    bays: Ints
    stations: Ints
    legs: Ints
    closed: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "chainage_m", read_only(self.chainage_m))
        for name in ("posts", "bays", "stations", "legs"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.int64))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShotPoints(Table):
    """Surveyed points beside the line, for the map.

    Attributes
    ----------
    lon_deg, lat_deg
        (n,) WGS 84.
    level_m
        (n,) levels, in metres above the datum of the ground.
    reach_m
        Every surveyed point that lies within this of the line is here, about.
    """

    lon_deg: Floats
    lat_deg: Floats
    level_m: Floats
    reach_m: float

    def __len__(self) -> int:
        return len(self.level_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneOutline:
    """A line, the ring of an area, or a point (one position) as a zone's file has it; WGS 84."""

    lon_deg: Floats
    lat_deg: Floats
    area: bool

    def __post_init__(self) -> None:
        for name in ("lon_deg", "lat_deg"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneStretch:
    """Where a line is within reach of a zone: the zone and its feature by name, the line, and chainages in it.

    Of a keep-clear the stretch in which no post's centre may stand.
    """

    name: str
    line: str
    from_m: float
    to_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedZone:
    """A zone that the plan was held against.

    ``buffer_m`` is how far the rule reaches around the drawn shape, ``limit_m`` its limit; ``source`` what says so.
    ``outlines`` shows what is drawn near the line, ``stretches`` where the lines are within reach of it.
    """

    name: str
    rule: str
    source: str
    buffer_m: float
    limit_m: float
    outlines: tuple[ZoneOutline, ...]
    stretches: tuple[ZoneStretch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeafWay:
    """The way of a gate's leaf as it opens to one side.

    Attributes
    ----------
    post
        Row of the post that it hangs at.
    side
        Of the direction of travel: ``left`` or ``right``; ``slide``: past its post, along the fence.
    length_m, open_deg
        From the post to the leaf's tip, on the ground; how far it turns, 0 where it slides.
    lon_deg, lat_deg, easting, northing
        (k,) the tip from closed to open, WGS 84 and grid. Of a leaf that slides (2,): it as it stands open, from its
        post to its far end.
    """

    post: int
    side: str
    length_m: float
    open_deg: float
    lon_deg: Floats
    lat_deg: Floats
    easting: Floats
    northing: Floats

    def __post_init__(self) -> None:
        for name in ("lon_deg", "lat_deg", "easting", "northing"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedGate:
    """A gate of the plan.

    Attributes
    ----------
    name, bay
        What it is called; row of its bay.
    swing
        ``left``, ``right``, ``both``, ``slide``, ``none`` (an opening without a leaf) or ``not stated``.
    leaves, leaf_kg
        How many, and the mass of one; None where nobody said.
    post_width_m, hole_diameter_m
        What its posts and their holes measure.
    ways
        Each way in which a leaf opens; none where nobody said how, and without a leaf.
    clearance_m
        What was asked for under its leaves; None in plans that do not say.
    """

    name: str
    bay: int
    swing: str
    leaves: int
    leaf_kg: float | None
    post_width_m: float
    hole_diameter_m: float
    ways: tuple[LeafWay, ...] = ()
    clearance_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A job value as used, and where it came from.

    ``origin``: ``job``, ``command line``, ``call`` (from Python), ``system NAME`` or ``default``.
    """

    value: Any
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemFacts:
    """What outputs say of the fence system."""

    name: str
    title: str
    slope: Slope
    module_m: float
    height_m: float
    post_width_m: float
    hole_diameter_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """``inputs``: file name (no folder) to sha256; ``packages``: name to version; ``planned_at``: ISO 8601 UTC.

    ``files`` names the files that are written together: :meth:`FencePlan.write` fills it in.
    """

    inputs: Mapping[str, str]
    packages: Mapping[str, str]
    planned_at: str
    files: tuple[str, ...] = ()
