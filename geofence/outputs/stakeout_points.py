"""The points of a stake-out file: the posts, and the marks beside them that outlive the holes."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats, Ints, Table
from geofence.errors import JobError
from geofence.plan import FencePlan, Run
from geofence.stakeout_style import StakeoutStyle

__all__ = ["StakeoutPoints", "stakeout_points"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StakeoutPoints(Table):
    """Points in the order of the posts, each post before the marks beside it.

    Attributes
    ----------
    name
        (n,) unique.
    post
        (n,) int64 rows of the plan's posts.
    offset_m
        (n,) how far beside its post a mark is, on the ground, left of travel positive; 0 for the post itself.
    easting, northing
        (n,) units of the grid.
    """

    name: tuple[str, ...]
    post: Ints
    offset_m: Floats
    easting: Floats
    northing: Floats


def stakeout_points(plan: FencePlan, style: StakeoutStyle) -> StakeoutPoints:
    """The points of a plan.

    Raises
    ------
    JobError
        Names of the allowed length cannot tell so many points apart.
    """
    suffixes = _suffixes(style.offset_m)
    names = _post_names(plan, style, longest_suffix=max(map(len, suffixes.values()), default=0))
    distances = np.array([0.0, *suffixes])
    count, each = len(names), len(distances)
    post = np.repeat(np.arange(count), each)
    offset_m = np.tile(distances, count)
    left_east, left_north = _left(plan) if len(suffixes) else (np.zeros(count), np.zeros(count))
    return StakeoutPoints(
        name=tuple(name + suffix for name in names for suffix in ("", *suffixes.values())),
        post=post,
        offset_m=offset_m,
        easting=plan.places.easting[post] + offset_m * left_east[post],
        northing=plan.places.northing[post] + offset_m * left_north[post],
    )


def _suffixes(offset_m: tuple[float, ...]) -> dict[float, str]:
    """What the names of marks end in, the nearest first: ``L`` and ``R``, the next ones ``L2`` and ``R2``.

    >>> _suffixes((2.0, 1.0, -1.5))
    {1.0: 'L', 2.0: 'L2', -1.5: 'R'}
    """
    found = {}
    for letter, sign in (("L", 1), ("R", -1)):
        side = sorted((distance for distance in offset_m if distance * sign > 0), key=abs)
        for number, distance in enumerate(side, start=1):
            found[distance] = letter if number == 1 else f"{letter}{number}"
    return found


def _post_names(plan: FencePlan, style: StakeoutStyle, *, longest_suffix: int) -> list[str]:
    """The plan's own names with the prefix asked for; where they are too long, a part of it and the post's number."""
    names = [style.prefix + re.sub(r"^[A-Za-z]+", "", name) for name in plan.post_names]
    limit = math.inf if style.name_length is None else style.name_length
    if max(map(len, names)) + longest_suffix <= limit:
        return names
    digits = len(str(len(names)))
    room = int(limit) - digits - longest_suffix
    if room < 0:
        raise JobError(
            f"names of {style.name_length} characters cannot tell {len(names)} posts apart",
            place="stakeout.name_length",
            value=style.name_length,
            limit=digits + longest_suffix,
            remedy="Allow longer names, or fewer marks beside each post.",
        )
    return [f"{style.prefix[:room]}{number:0{digits}d}" for number in range(1, len(names) + 1)]


def _left(plan: FencePlan) -> tuple[Floats, Floats]:
    """How far in easting and northing a metre on the ground to the left of each post is.

    Square off the line; where it turns, along the line that halves the angle. A bay's width, which is ground distance,
    gives the scale of the grid there. A post at which lines meet goes by the first of them; one to which its line comes
    back, by the first time.
    """
    east, north = np.full((2, len(plan.fence.posts)), np.nan)
    for run in reversed(plan.runs):
        own_east, own_north = _left_of_run(plan, run)
        back = run.posts[::-1]  # of a row that is there twice the last value stays
        east[back], north[back] = own_east[::-1], own_north[::-1]
    return east, north


def _left_of_run(plan: FencePlan, run: Run) -> tuple[Floats, Floats]:
    places = plan.places
    ends = np.append(run.posts, run.posts[:1]) if run.closed else run.posts
    east, north = np.diff(places.easting[ends]), np.diff(places.northing[ends])
    reach = np.hypot(east, north)
    scale = reach / plan.fence.bays.width_m[run.bays]
    ahead = np.column_stack([-north / reach, east / reach, scale])
    if run.closed:
        ahead, behind = ahead, np.roll(ahead, 1, axis=0)
    else:
        ahead, behind = np.vstack([ahead, ahead[-1:]]), np.vstack([ahead[:1], ahead])
    side = ahead[:, :2] + behind[:, :2]
    length = np.hypot(*side.T)
    back = length < 1e-9  # the line turns back on itself: square off the bay ahead
    side[back], length[back] = ahead[back, :2], 1.0
    per_metre = (ahead[:, 2] + behind[:, 2]) / 2 / length
    return side[:, 0] * per_metre, side[:, 1] * per_metre
