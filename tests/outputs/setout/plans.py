"""Made-up plans for tests of the set-out sheet: lines that meet, a ring, a corner, marks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from geofence.engine.records import Bays, Fence, Finding, Posts
from geofence.plan import FencePlan, Legs, Places, ReferenceMarks, Run, Stations
from tests.plans import made_up_plan

__all__ = ["EAST", "NORTH", "STEP_M", "plan_through", "square", "tee", "with_findings", "with_marks"]

EAST, NORTH = 560_000.0, 5_900_000.0
STEP_M = 2.0
Array = NDArray[np.float64]


def plan_through(
    places: Array, runs: tuple[tuple[str, tuple[int, ...], bool], ...], kinds: tuple[str, ...]
) -> FencePlan:
    """A plan of posts at metres east and north of a corner of EPSG:32630, with runs of (line, rows of posts, closed).

    The ground is at 50 m + row / 10, the underside of bay j at 50.2 + 0.1 j, panels are 1.8 m high, posts reveal 5 mm.
    Each bay is a leg of its own; a bay is as long as its ends are apart on the grid.
    """
    count, xy = len(places), np.asarray(places, dtype=float)
    ends = [
        (line, a, b) for line, rows, closed in runs for a, b in zip(rows, (*rows[1:], *rows[:1] * closed), strict=False)
    ]
    from_post, to_post = (np.array([end[at] for end in ends]) for at in (1, 2))
    width = np.hypot(*(xy[to_post] - xy[from_post]).T)
    underside = 50.2 + 0.1 * np.arange(len(ends))
    top = np.full(count, -np.inf)
    np.maximum.at(top, from_post, underside + 1.8)
    np.maximum.at(top, to_post, underside + 1.8)
    top += 0.005
    ground = 50 + np.arange(count) / 10
    planned, first = [], 0
    start, end = np.empty(len(ends)), np.empty(len(ends))
    for line, rows, closed in runs:
        number = len(rows) if closed else len(rows) - 1
        bays = np.arange(first, first + number)
        at = np.concatenate([[0.0], np.cumsum(width[bays])])
        start[bays], end[bays] = at[:-1], at[1:]
        chainage = at[: len(rows)]
        planned.append(
            Run(
                line=line,
                posts=np.array(rows),
                chainage_m=chainage,
                bays=bays,
                stations=np.arange(2),
                legs=bays,
                closed=closed,
            )
        )
        first += number
    own = np.zeros(count)
    for run in reversed(planned):
        own[run.posts] = run.chainage_m
    base = made_up_plan(max(count, 10))
    nothing = np.full(count, np.nan)
    posts = Posts(
        chainage_m=own, kind=kinds, deflection_deg=np.zeros(count), ground_level_m=ground, top_level_m=top,
        toe_level_m=ground - 0.6, embedment_m=np.full(count, 0.6), stock_length_m=np.full(count, 3.0),
        support_back_m=nothing, support_ahead_m=nothing,
    )  # fmt: skip
    level = dict.fromkeys(("underside_from_m", "underside_to_m"), underside)
    tops = dict.fromkeys(("top_from_m", "top_to_m"), underside + 1.8)
    zero = {name: np.zeros(len(ends)) for name in ("gap_max_m", "dig_max_m", "gap_area_m2", "dig_area_m2")}
    bays_of_plan = Bays(
        kind=("full",) * len(ends), from_post=from_post, to_post=to_post, start_m=start, end_m=end, width_m=width,
        step_m=np.full(len(ends), 0.1), **level, **tops, **zero,
    )  # fmt: skip
    grid = np.array([EAST, NORTH]) + xy
    lon, lat = Transformer.from_crs(32630, 4326, always_xy=True).transform(*grid.T)
    bearing = np.degrees(np.arctan2(*(grid[to_post] - grid[from_post]).T)) % 360
    turn = np.zeros(len(ends))
    for run in planned:
        turn[run.bays[1:]] = (np.diff(bearing[run.bays]) + 180) % 360 - 180
        if run.closed:
            turn[run.bays[0]] = (bearing[run.bays[0]] - bearing[run.bays[-1]] + 180) % 360 - 180
    legs = Legs(
        number=tuple(range(1, len(ends) + 1)), start_m=start, end_m=end,
        lon_from_deg=lon[from_post], lat_from_deg=lat[from_post], lon_to_deg=lon[to_post], lat_to_deg=lat[to_post],
        bearing_deg=bearing, grid_distance=width, deflection_deg=turn,
    )  # fmt: skip
    return replace(
        base,
        fence=Fence(posts=posts, bays=bays_of_plan, findings=(), cost=base.fence.cost),
        places=Places(
            lon_deg=lon, lat_deg=lat, easting=grid[:, 0], northing=grid[:, 1], bearing_deg=np.zeros(count),
            survey_distance_m=nothing,
        ),
        stations=Stations(
            chainage_m=np.arange(2.0), easting=np.zeros(2), northing=np.zeros(2), ground_level_m=np.zeros(2)
        ),
        legs=legs,
        runs=tuple(planned),
        relief=None,
    )  # fmt: skip


def tee() -> FencePlan:
    """Line A of 5 posts to the east; from its third, a junction, line B of 4 more to the north."""
    a = [(STEP_M * row, 0.0) for row in range(5)]
    b = [(2 * STEP_M, STEP_M * row) for row in range(1, 5)]
    kinds = ("end", "line", "junction", "line", "end", "line", "line", "line", "end")
    return plan_through(np.array([*a, *b]), (("A", (0, 1, 2, 3, 4), False), ("B", (2, 5, 6, 7, 8), False)), kinds)


def square(side: int = 3) -> FencePlan:
    """A ring of ``side`` bays along each of four sides, clockwise from its south-west corner."""
    step = np.repeat([(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)], side, axis=0) * STEP_M
    places = np.concatenate([np.zeros((1, 2)), np.cumsum(step[:-1], axis=0)])
    kinds = tuple("corner" if row % side == 0 else "line" for row in range(4 * side))
    return plan_through(places, (("yard", tuple(range(4 * side)), True),), kinds)


def with_marks(plan: FencePlan, marks: list[tuple[str, str, float, float, float]]) -> FencePlan:
    """Marks of (name, kind, metres east, metres north, level) from the plan's corner."""
    name, kind, x, y, level = zip(*marks, strict=True)
    return replace(
        plan,
        marks=ReferenceMarks(
            name=name, kind=kind, easting=EAST + np.array(x), northing=NORTH + np.array(y), level_m=np.array(level)
        ),
    )


def with_findings(plan: FencePlan, *findings: Finding) -> FencePlan:
    return replace(plan, fence=replace(plan.fence, findings=findings))
