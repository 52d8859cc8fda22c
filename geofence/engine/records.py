"""The engine's records: what it is asked, and what it answers.

All lengths and levels are metres; chainages run along the line on the ground from its first post. Array fields
are read-only float64 of the shape that the docstring gives (``int64`` where it says so). Tables are columns: row i
of each array of a :class:`Posts` is post i.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Bays",
    "Cost",
    "Fence",
    "Finding",
    "Fit",
    "FixedKind",
    "FixedPost",
    "Floats",
    "Gate",
    "Ints",
    "KeepClear",
    "Layout",
    "LayoutRules",
    "LevelRules",
    "PanelRules",
    "Path",
    "PostRules",
    "Posts",
    "Profile",
    "RakeRules",
    "Severity",
    "Slope",
    "Steps",
    "Strains",
    "Table",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Severity = Literal["stop", "warn", "note"]
Fit = Literal["end", "start", "both-ends", "equal", "best"]
PostKind = Literal["end", "corner", "bend", "line", "gate", "junction", "strainer", "existing"]
FixedKind = Literal["existing", "junction"]
BayKind = Literal["full", "cut", "gate"]
Slope = Literal["step", "rake", "strained"]
"""How a fence follows the ground: level bays that step at posts, bays that slope, or wires strained over it."""
Steps = Literal["never", "allowed"]


def read_only(values: Any, dtype: type = np.float64) -> NDArray[Any]:
    """``values`` as a read-only array, copied unless it already is one."""
    if isinstance(values, np.ndarray) and values.dtype == dtype and not values.flags.writeable:
        return values
    array: NDArray[Any] = np.array(values, dtype=dtype)
    array.flags.writeable = False
    return array


def seal(record: Any) -> None:
    """Make the arrays of a dataclass read-only where they are: for a record whose maker hands them over."""
    for item in fields(record):
        if isinstance(values := getattr(record, item.name), np.ndarray):
            values.flags.writeable = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something the reader of the plan must look at.

    Attributes
    ----------
    code
        Short stable name, lower case with hyphens: ``gap-over-limit``.
    severity
        ``stop`` (do not build this as it is), ``warn`` (decide), ``note`` (know).
    message, remedy
        What is so, and what would cure it; plain sentences.
    chainage_m, chainage_to_m
        Where it is, or from where to where; None for the whole plan.
    post, bay
        Row in the plan's posts or bays, from 0; None where it concerns no single one.
    value, limit, unit
        What was measured, the limit, and the unit of both (``m``, ``deg``, ``posts`` of a count; empty where there is
        none).
    line
        Name of the line that it is on, whose chainages these are; empty where the job has no named lines.
    posts
        Rows of all posts that it concerns, in order, where these may be several: ``post`` is the first of them.
    """

    code: str
    severity: Severity
    message: str
    remedy: str = ""
    chainage_m: float | None = None
    chainage_to_m: float | None = None
    post: int | None = None
    bay: int | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    line: str = ""
    posts: tuple[int, ...] = ()


class Table:
    """Base of the column records: arrays become read-only, and every column has the same length.

    A column that is left at :data:`NOT_GIVEN` becomes NaN.
    """

    __slots__ = ()

    def __post_init__(self) -> None:
        lengths: set[int] = set()
        for item in fields(self):  # type: ignore[arg-type]
            values = getattr(self, item.name)
            if values is NOT_GIVEN:
                values = np.full(next(iter(lengths)), np.nan)
                object.__setattr__(self, item.name, values)
            if isinstance(values, (np.ndarray, list)):
                dtype = np.int64 if item.type == "Ints" else np.float64
                object.__setattr__(self, item.name, read_only(values, dtype))
            if isinstance(values, (np.ndarray, list, tuple)):
                lengths.add(len(values))
        if len(lengths) > 1:
            raise ValueError(f"{type(self).__name__}: columns of different lengths {sorted(lengths)}")


NOT_GIVEN: Floats = np.empty(0)
"""Stands for a column of NaN of the table's length; such columns come after those that every table has."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile(Table):
    """The ground along the line: straight between stations.

    Attributes
    ----------
    chainage_m
        (n,) increasing, first 0, last the length of the line.
    level_m
        (n,) ground levels, all finite.
    """

    chainage_m: Floats
    level_m: Floats

    def __post_init__(self) -> None:
        Table.__post_init__(self)
        if len(self.chainage_m) < 2 or not np.all(np.diff(self.chainage_m) > 0):
            raise ValueError("a profile needs at least two stations with increasing chainages")
        if not np.all(np.isfinite(self.level_m)):
            raise ValueError("a profile needs a level at every station")

    def level_at(self, chainage_m: Any) -> Floats:
        """Ground level at chainages, linear between stations; held at the ends."""
        return np.asarray(np.interp(chainage_m, self.chainage_m, self.level_m), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path(Table):
    """The line as the engine sees it: where it turns, and by how much.

    Attributes
    ----------
    vertex_m
        (k,) chainages of the vertices, first 0, last the length; between two the line is straight.
    deflection_deg
        (k,) turn at each vertex, right (clockwise) positive, -180..180. At the two ends of an open path it is 0;
        on a closed one both carry the turn at the shared first vertex.
    closed
        True for a ring: its last vertex is its first.
    """

    vertex_m: Floats
    deflection_deg: Floats
    closed: bool = False

    @property
    def length_m(self) -> float:
        return float(self.vertex_m[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """An opening between two posts.

    Attributes
    ----------
    name
        What it is called, for findings.
    chainage_m
        Where its first post stands.
    width_m
        Centre to centre of its posts.
    clearance_m
        Under its leaf; None: as :class:`PanelRules` has it.
    gap_max_m
        Most that its leaf may hang over the ground; None: as :class:`LevelRules` has it, infinite: no limit.
    passes_m
        Highest ground beside the opening that its leaf must clear as well, a level.
    posts
        Rules for its first and its second post; None: as for other posts.
    """

    name: str
    chainage_m: float
    width_m: float
    clearance_m: float | None = None
    gap_max_m: float | None = None
    passes_m: float = -math.inf
    posts: tuple[PostRules, PostRules] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepClear:
    """A stretch of the line in which no post may stand; at its two ends one may.

    Attributes
    ----------
    name, source
        What is kept clear of, and what says so; for findings.
    from_m, to_m
        The stretch.
    zone
        Whose ``buffer_m`` it is: all stretches of a zone are as wide as that makes them. Empty: that of ``name``.
    buffer_m
        The part of the distance that is a choice: each end can come in by so much and no more. Infinite where that is
        not known.
    limit_m
        How far from what is drawn a post's centre must stand; None where that is not known.
    apart_m
        How far from what is drawn the place at a chainage is; None where that is not known.
    """

    name: str
    from_m: float
    to_m: float
    source: str = ""
    zone: str = ""
    buffer_m: float = math.inf
    limit_m: float | None = None
    apart_m: Callable[[float], float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedPost:
    """A post that must stand exactly here.

    Attributes
    ----------
    chainage_m
        Where on the line.
    kind
        ``existing``: it is in the ground already; ``junction``: another line meets this one here.
    name
        What it is called, for findings.
    off_m
        How far from here an existing post really stands: the line may pass beside it.
    top_level_m
        Level of an existing post's top; NaN where it is not known.
    """

    chainage_m: float
    kind: FixedKind
    name: str = ""
    off_m: float = 0.0
    top_level_m: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutRules:
    """How posts are spread along the line.

    Attributes
    ----------
    module_m
        A full bay, centre to centre.
    min_bay_m
        Narrowest cut bay.
    fit
        Where cut bays go between two fixed posts: ``end``, ``start``, ``both-ends`` (alike at both), ``equal`` (all
        bays alike), ``best`` (where the levels come out cheapest).
    corner_deg
        A vertex that turns by this or more is a corner and gets a post.
    line_tolerance_m
        How far a bay's chord may leave the line at a bend.
    """

    module_m: float
    min_bay_m: float
    fit: Fit = "end"
    corner_deg: float = 10.0
    line_tolerance_m: float = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRules:
    """Limits and prices that choose the undersides. ``dig_max_m`` negative: a clearance kept open.

    Costs are in any one currency or weight: ``gap_cost`` and ``dig_cost`` per m2, ``step_cost`` per post at which
    the level changes, ``rise_cost`` per metre of change.
    """

    increment_m: float
    gap_max_m: float
    dig_max_m: float
    step_min_m: float
    step_max_m: float
    gap_cost: float
    dig_cost: float
    step_cost: float
    rise_cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RakeRules:
    """How a fence slopes with the ground.

    Attributes
    ----------
    rake_max_deg
        The steepest that a bay may slope, from level.
    steps
        Whether neighbouring bays may meet a post at different levels: ``never``, or ``allowed`` within the limits of
        steps of :class:`LevelRules`.
    """

    rake_max_deg: float
    steps: Steps = "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class PostRules:
    """How long posts are.

    Attributes
    ----------
    post_reveal_m
        Post top above the higher neighbouring panel's top.
    embedment_m
        Least depth of the toe below the ground.
    embedment_ratio
        Least depth as a share of the post's height above ground; the deeper of the two counts.
    stock_lengths_m
        Lengths posts are sold in, increasing; empty: cut to measure.
    """

    post_reveal_m: float
    embedment_m: float
    embedment_ratio: float = 0.0
    stock_lengths_m: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelRules:
    """What hangs between two posts: ``height_m`` from underside to top, ``gate_clearance_m`` under a gate."""

    height_m: float
    gate_clearance_m: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where posts stand along one line, and the bays between them.

    Attributes
    ----------
    post_m
        (n,) chainages, increasing. On a closed path the first post is not repeated at the end.
    post_kind
        (n,) words of :data:`PostKind`.
    deflection_deg
        (n,) turn of the line at the post, right positive; 0 away from vertices.
    bay_kind
        (m,) words; m = n - 1 on an open path, n on a closed one. Bay j runs from post j to post (j + 1) mod n.
    bay_end_m
        (m,) chainage at which bay j ends (the path's length for the last bay of a ring).
    width_m
        (m,) centre to centre: the chord where the line bends within the bay.
    findings
        Troubles of the layout; ``post`` and ``bay`` are rows here.
    existing
        The posts that exist already, each with its row, in order.
    """

    post_m: Floats
    post_kind: tuple[PostKind, ...]
    deflection_deg: Floats
    bay_kind: tuple[BayKind, ...]
    bay_end_m: Floats
    width_m: Floats
    findings: tuple[Finding, ...] = ()
    existing: tuple[tuple[int, FixedPost], ...] = ()

    def __post_init__(self) -> None:
        for name in ("post_m", "deflection_deg", "bay_end_m", "width_m"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def bay_start_m(self) -> Floats:
        """(m,) chainage at which bay j starts."""
        return self.post_m[: len(self.bay_end_m)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What the chosen levels cost, and its parts, in the currency of :class:`LevelRules`."""

    gap: float = 0.0
    dig: float = 0.0
    step: float = 0.0
    rise: float = 0.0

    @classmethod
    def of(cls, rules: LevelRules, *, gap_area_m2: Floats, dig_area_m2: Floats, step_m: Floats) -> Cost:
        """What bays with these areas, and steps from the bay before, cost by the rules' prices."""
        return cls(
            gap=rules.gap_cost * float(gap_area_m2.sum()),
            dig=rules.dig_cost * float(dig_area_m2.sum()),
            step=rules.step_cost * int(np.count_nonzero(step_m)),
            rise=rules.rise_cost * float(np.abs(step_m).sum()),
        )

    @property
    def total(self) -> float:
        """The sum of all parts."""
        return self.gap + self.dig + self.step + self.rise

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            gap=self.gap + other.gap,
            dig=self.dig + other.dig,
            step=self.step + other.step,
            rise=self.rise + other.rise,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posts(Table):
    """One row a post. NaN where a value does not exist: a support on a side without a panel; the toe, the embedment and
    the stock of a post that exists already.

    Attributes
    ----------
    chainage_m, kind, deflection_deg
        As in :class:`Layout`.
    ground_level_m, top_level_m, toe_level_m
        (n,) levels.
    embedment_m
        (n,) depth of the toe below the ground, positive.
    stock_length_m
        (n,) length to order; the longest stock where the post needs an extension; the length itself without stock.
    support_back_m, support_ahead_m
        (n,) how far below the post's top the neighbouring underside sits, positive down; NaN without a neighbour.
    uplift_kn
        (n,) how hard strained wires pull the post up at their coldest, down negative; NaN without wires.
    """

    chainage_m: Floats
    kind: tuple[PostKind, ...]
    deflection_deg: Floats
    ground_level_m: Floats
    top_level_m: Floats
    toe_level_m: Floats
    embedment_m: Floats
    stock_length_m: Floats
    support_back_m: Floats
    support_ahead_m: Floats
    uplift_kn: Floats = field(default_factory=lambda: NOT_GIVEN)

    @property
    def height_m(self) -> Floats:
        """(n,) height of the post out of the ground."""
        return self.top_level_m - self.ground_level_m

    @property
    def length_m(self) -> Floats:
        """(n,) from top to toe."""
        return self.top_level_m - self.toe_level_m

    @property
    def foot_level_m(self) -> Floats:
        """(n,) how far down they are known to reach, to draw them: their toes, the ground where nobody knows these."""
        return np.where(np.isnan(self.toe_level_m), self.ground_level_m, self.toe_level_m)

    def __len__(self) -> int:
        return len(self.kind)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bays(Table):
    """One row a bay.

    Attributes
    ----------
    kind
        (m,) ``full``, ``cut`` or ``gate``.
    from_post, to_post
        (m,) int64 rows of the posts at either side; the last bay of a ring ends at its first post.
    start_m, end_m
        (m,) chainages.
    width_m
        (m,) centre to centre.
    underside_from_m, underside_to_m, top_from_m, top_to_m
        (m,) levels at the two posts.
    step_m
        (m,) level change from the bay before, up positive; 0 where there is none before, or at a gate.
    gap_max_m, dig_max_m
        (m,) the largest underside above ground, and ground above underside, anywhere in the bay; negative where the
        whole bay lies on the other side.
    gap_area_m2, dig_area_m2
        (m,) the area between underside and ground, above and below it.
    slope_length_m
        (m,) centre to centre of the posts along the slope, which is the length of a wire; NaN where panels hang level.
    cut_angle_deg
        (m,) how far off square a rail's ends, or a panel's, are cut to stand plumb at the posts: the slope of the bay,
        up positive; NaN where panels hang level, and for wires.
    sag_m
        (m,) how far wires sag below the straight line at their hottest; NaN where there are none.
    droppers
        (m,) how many droppers keep the wires apart; NaN where there are no wires.
    """

    kind: tuple[BayKind, ...]
    from_post: Ints
    to_post: Ints
    start_m: Floats
    end_m: Floats
    width_m: Floats
    underside_from_m: Floats
    underside_to_m: Floats
    top_from_m: Floats
    top_to_m: Floats
    step_m: Floats
    gap_max_m: Floats
    dig_max_m: Floats
    gap_area_m2: Floats
    dig_area_m2: Floats
    slope_length_m: Floats = field(default_factory=lambda: NOT_GIVEN)
    cut_angle_deg: Floats = field(default_factory=lambda: NOT_GIVEN)
    sag_m: Floats = field(default_factory=lambda: NOT_GIVEN)
    droppers: Floats = field(default_factory=lambda: NOT_GIVEN)

    def __len__(self) -> int:
        return len(self.kind)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strains(Table):
    """Wires between two posts that hold their pull, one row a strain; none where a fence has no strained wires.

    Attributes
    ----------
    from_post, to_post
        (k,) int64 rows of the posts at either end.
    start_m, end_m
        (k,) chainages.
    wires
        (k,) int64 how many wires.
    wire_length_m
        (k,) length of one wire, from post to post along the slope.
    tension_kn, tension_cold_kn, tension_hot_kn
        (k,) pull of one wire as it is strained, and at the coldest and the hottest.
    """

    from_post: Ints
    to_post: Ints
    start_m: Floats
    end_m: Floats
    wires: Ints
    wire_length_m: Floats
    tension_kn: Floats
    tension_cold_kn: Floats
    tension_hot_kn: Floats

    @classmethod
    def none(cls) -> Strains:
        """Those of a fence without wires."""
        columns: dict[str, Any] = {item.name: np.empty(0) for item in fields(cls)}
        return cls(**columns)

    def __len__(self) -> int:
        return len(self.start_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fence:
    """A planned fence: posts, bays, strains of wire, findings, and what its levels cost."""

    posts: Posts
    bays: Bays
    findings: tuple[Finding, ...]
    cost: Cost
    strains: Strains = field(default_factory=Strains.none)
