"""What a crew checks what it has set out by: diagonals where the fence turns, and ties to marks that stand already."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M
from geofence.outputs.post_sizes import Sizes
from geofence.outputs.setout.posts import SetOutPost, Stretch
from geofence.outputs.setout.strings import HELD, spots
from geofence.outputs.setout.units import Units
from geofence.plan import FencePlan, MarkKind, Run
from geofence.site.tape import Spots, Tape, grid_bearing

__all__ = [
    "Chord",
    "Diagonal",
    "Straight",
    "Tie",
    "chord",
    "diagonals",
    "held_rows",
    "in_holes",
    "straights",
    "ties",
    "weakly_tied",
]

OBTUSE_DEG = 120.0
"""From here on the diagonal hardly changes with the angle, and that to the mark on the line prolonged does."""

TURN_MIN_DEG = 0.5
"""Ways that differ by less, or are less than this off straight on, are one line: 3 m along them are 26 mm apart."""

STRAIGHT_DEG = 0.05
"""A vertex that turns by no more is none to a string: 3 m on it is 3 mm."""

TIE_KINDS = HELD - {"strainer"}
"""Kinds that are tied to marks; strainers stand anywhere along a line."""

CUT_MIN_DEG = 30.0
"""Two ties that cross at less than this, or at more than 180 degrees less this, fix a post badly."""

TAPE_REACH_M = 50.0
"""A second boundary mark counts up to a long tape's length."""

IN_HOLE_M = 0.05
"""A mark this near to a hole's edge goes with the soil."""

CORNER_KEY = re.compile(r"line(\[\d+\])?\.corner_deg")
USUAL_CORNER_DEG = 10.0
"""Where a plan does not say from which turn on a vertex is a corner, as plans made by hand may not."""

MORE_THAN_CORNERS = frozenset({"end", "gate", "existing", "strainer"})
"""Kinds of post that hide that the line turns there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagonal:
    """Two marks about a post, equally far from it, and the distance between them; metres on the ground.

    Attributes
    ----------
    row
        The post.
    toward
        Rows of the posts towards which the marks stand, each on the line of the fence.
    setback_m
        From the post's centre to each mark.
    angle_deg
        Between the two ways, 0..180.
    prolonged
        The first mark stands on the line prolonged, past the post, since the fence turns but little.
    diagonal_m
        From mark to mark.
    """

    row: int
    toward: tuple[int, int]
    setback_m: float
    angle_deg: float
    prolonged: bool
    diagonal_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ray:
    """A way along the fence from a post: its azimuth, how far it is straight, and the next post on it."""

    azimuth_deg: float
    reach_m: float
    toward: int


def diagonals(plan: FencePlan, units: Units, *, setback_m: float) -> Iterator[Diagonal]:
    """At each post at which the fence turns, or lines meet, in the order of the plan's posts.

    Setbacks are such as the sheet's tape shows at once; shorter ones where the fence is straight for less.
    """
    asked_m = units.easily_taped_m(setback_m)
    rays: dict[int, list[_Ray]] = {}
    for run in plan.runs:
        for at in _turning(plan, run):
            rays.setdefault(int(run.posts[at]), []).extend(_rays(plan, run, at))
    for row in sorted(rays):
        around = sorted(rays[row], key=lambda ray: ray.azimuth_deg)
        for ray, following in zip(around, around[1:] + around[:1], strict=True):
            opening = (following.azimuth_deg - ray.azimuth_deg) % 360
            if TURN_MIN_DEG < opening < 180 - TURN_MIN_DEG:
                yield _diagonal(row, ray, following, opening, units, asked_m)


def _diagonal(row: int, ray: _Ray, following: _Ray, opening_deg: float, units: Units, asked_m: float) -> Diagonal:
    # the mark is tied to the line that is straight for longer, prolonged past the post
    one, other = sorted((ray, following), key=lambda way: -way.reach_m)
    prolonged = opening_deg > OBTUSE_DEG
    setback = asked_m if asked_m <= other.reach_m else units.taped_within_m(other.reach_m)
    angle = np.radians(180 - opening_deg if prolonged else opening_deg)
    return Diagonal(
        row=row,
        toward=(one.toward, other.toward),
        setback_m=setback,
        angle_deg=opening_deg,
        prolonged=prolonged,
        diagonal_m=2 * setback * float(np.sin(angle / 2)),
    )


def _turning(plan: FencePlan, run: Run) -> list[int]:
    """Places in a run of the posts at which the line turns or others meet it."""
    turns = np.abs(plan.legs.deflection_deg[run.legs]) >= _corner_deg(plan)
    vertices = plan.legs.start_m[run.legs][turns] if len(run.legs) else np.empty(0)
    kinds = plan.fence.posts.kind
    return [
        at
        for at, (row, chainage) in enumerate(zip(run.posts.tolist(), run.chainage_m.tolist(), strict=True))
        if kinds[row] in ("junction", "corner")
        or (kinds[row] in MORE_THAN_CORNERS and (np.abs(vertices - chainage) <= COINCIDENT_M).any())
    ]


def _corner_deg(plan: FencePlan) -> float:
    """The least turn that is a corner on any of the job's lines."""
    given = [value.value for name, value in plan.parameters.items() if CORNER_KEY.fullmatch(name)]
    return min(map(float, given), default=USUAL_CORNER_DEG)


def _rays(plan: FencePlan, run: Run, at: int) -> list[_Ray]:
    """The ways along a run from one of its posts, back and ahead."""
    chainage, count = float(run.chainage_m[at]), len(run.posts)
    begin, finish = plan.legs.start_m[run.legs], plan.legs.end_m[run.legs]
    found = []
    if at or run.closed:
        here = chainage if at else float(finish[-1])
        leg = int(np.searchsorted(finish, here - COINCIDENT_M))
        first = _straight(plan, run, leg, step=-1)
        azimuth = _azimuth(plan, run, at, leg, to_end=False)
        found.append(_Ray(azimuth_deg=azimuth, reach_m=here - float(begin[first]), toward=int(run.posts[at - 1])))
    if at < count - 1 or run.closed:
        leg = int(np.searchsorted(begin, chainage + COINCIDENT_M, side="right")) - 1
        last = _straight(plan, run, leg, step=1)
        azimuth = _azimuth(plan, run, at, leg, to_end=True)
        toward = int(run.posts[(at + 1) % count])
        found.append(_Ray(azimuth_deg=azimuth, reach_m=float(finish[last]) - chainage, toward=toward))
    return found


def _straight(plan: FencePlan, run: Run, leg: int, *, step: int) -> int:
    """The last leg of a run, back or ahead from one, before the line turns; it stays between the run's ends."""
    turns = np.abs(plan.legs.deflection_deg[run.legs])
    while 0 <= leg + step < len(turns) and turns[max(leg, leg + step)] <= STRAIGHT_DEG:
        leg += step
    return leg


def _azimuth(plan: FencePlan, run: Run, at: int, leg: int, *, to_end: bool) -> float:
    legs, places, row, edge = plan.legs, plan.places, run.posts[at], run.legs[leg]
    end = (legs.lon_to_deg, legs.lat_to_deg) if to_end else (legs.lon_from_deg, legs.lat_from_deg)
    azimuth, _, _ = Geod(ellps="WGS84").inv(places.lon_deg[row], places.lat_deg[row], end[0][edge], end[1][edge])
    return float(azimuth) % 360


@dataclass(frozen=True, slots=True, kw_only=True)
class Straight:
    """Stretches in one line, from the post at which the fence turned or began to the next at which it does or ends."""

    stretches: tuple[Stretch, ...]

    @property
    def start(self) -> SetOutPost:
        return self.stretches[0].start

    @property
    def end(self) -> SetOutPost:
        return self.stretches[-1].end

    @property
    def length_m(self) -> float:
        return sum(stretch.length_m for stretch in self.stretches)

    @property
    def bays(self) -> int:
        return sum(stretch.bays for stretch in self.stretches)


def straights(plan: FencePlan, along: Sequence[Stretch]) -> Iterator[Straight]:
    """Where a straight has held posts in between, such as those of gates: its whole length."""
    turning = _turning_rows(plan)
    chain: list[Stretch] = []
    for stretch in along:
        if chain and not (stretch.start is chain[-1].end and _goes_straight_on(chain[-1], stretch, turning)):
            if len(chain) > 1:
                yield Straight(stretches=tuple(chain))
            chain = []
        chain.append(stretch)
    if len(chain) > 1:
        yield Straight(stretches=tuple(chain))


def _goes_straight_on(one: Stretch, other: Stretch, turning: set[int]) -> bool:
    joint = one.end
    return joint.row not in turning and joint.kind in HELD and not (one.bent or other.bent)


def _turning_rows(plan: FencePlan) -> set[int]:
    """Posts at vertices that a string shows."""
    found = set()
    for run in plan.runs:
        legs = run.legs[np.abs(plan.legs.deflection_deg[run.legs]) > STRAIGHT_DEG]
        for chainage in plan.legs.start_m[legs].tolist():
            found |= set(run.posts[np.abs(run.chainage_m - chainage) <= COINCIDENT_M].tolist())
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """From a mark to a post: metres on the ground, grid bearing, and the post's ground above the mark.

    ``mark`` is its row in the plan's reference marks.
    """

    row: int
    mark: int
    distance_m: float
    bearing_deg: float
    rise_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chord:
    """The straight way from one post to another."""

    distance_m: float
    bearing_deg: float


def chord(plan: FencePlan, tape: Tape, one: int, other: int) -> Chord:
    """From post to post."""
    ends = [spots(plan, np.array([row])) for row in (one, other)]
    return Chord(distance_m=float(tape.between(*ends)[0]), bearing_deg=float(grid_bearing(*ends)[0]))


def held_rows(plan: FencePlan) -> NDArray[np.int64]:
    """Rows of the posts that are tied to marks."""
    return np.array([row for row, kind in enumerate(plan.fence.posts.kind) if kind in TIE_KINDS], dtype=np.int64)


def ties(plan: FencePlan, tape: Tape, kind: MarkKind, *, reach_m: float, second_reach_m: float) -> list[Tie]:
    """Ties of each held post to up to two marks of a kind: the nearest, and the nearest that crosses it well.

    A mark farther than ``reach_m``, or ``second_reach_m`` for the second, is none.
    """
    marks = np.array([row for row, word in enumerate(plan.marks.kind) if word == kind], dtype=np.int64)
    found: list[Tie] = []
    if not len(marks):
        return found
    for row in held_rows(plan).tolist():
        here, there = spots(plan, np.array([row])), _marks(plan, marks)
        distance, bearing = tape.between(there, here), grid_bearing(there, here)
        for nth, at in enumerate(_chosen(distance, bearing)):
            if distance[at] <= (second_reach_m if nth else reach_m):
                found.append(
                    Tie(
                        row=row,
                        mark=int(marks[at]),
                        distance_m=float(distance[at]),
                        bearing_deg=float(bearing[at]),
                        rise_m=float(plan.fence.posts.ground_level_m[row] - plan.marks.level_m[marks[at]]),
                    )
                )
    return found


def weakly_tied(ties: Iterable[Tie]) -> set[int]:
    """Rows of the posts of whose ties, to marks of any kind, no two cross well; a post on a mark needs no second."""
    of_post: dict[int, list[Tie]] = {}
    for tie in ties:
        of_post.setdefault(tie.row, []).append(tie)
    return {row for row, own in of_post.items() if len(own) > 1 and not _fixed(own)}


def _fixed(ties: Sequence[Tie]) -> bool:
    if any(tie.distance_m <= COINCIDENT_M for tie in ties):
        return True
    return any(_crossing(one.bearing_deg, other.bearing_deg) >= CUT_MIN_DEG for one, other in combinations(ties, 2))


def _crossing(one_deg: Floats | float, other_deg: Floats | float) -> Any:
    """The sharp angle at which ways of these bearings cross."""
    return np.abs((one_deg - other_deg + 90) % 180 - 90)


def _chosen(distance_m: Floats, bearing_deg: Floats) -> list[int]:
    """The nearest mark, and the nearest of the others whose tie crosses the first one's well, else the nearest."""
    order = np.argsort(distance_m, kind="stable").tolist()
    first, others = order[0], order[1:]
    if not others:
        return [first]
    if distance_m[first] <= COINCIDENT_M:  # the post stands on it: any way leads there
        return [first, others[0]]
    crossing = _crossing(bearing_deg, bearing_deg[first])
    return [first, next((at for at in others if crossing[at] >= CUT_MIN_DEG), others[0])]


def in_holes(plan: FencePlan, tape: Tape) -> dict[int, int]:
    """Marks, by row, that stand where a hole is dug, and the row of its post."""
    found = {}
    hole_m = Sizes.of(plan).hole_m
    radius = np.where(hole_m > 0, hole_m / 2 + IN_HOLE_M, -1.0)
    for mark in range(len(plan.marks)):
        away = np.hypot(
            plan.places.easting - plan.marks.easting[mark], plan.places.northing - plan.marks.northing[mark]
        )
        nearest = int(np.argmin(away))
        if tape.between(_marks(plan, np.array([mark])), spots(plan, np.array([nearest])))[0] <= radius[nearest]:
            found[mark] = nearest
    return found


def _marks(plan: FencePlan, rows: NDArray[np.int64]) -> Spots:
    marks = plan.marks
    return Spots(easting=marks.easting[rows], northing=marks.northing[rows], level_m=marks.level_m[rows])
