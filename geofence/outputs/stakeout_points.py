"""The points of a stake-out file: the posts, and the marks beside them that outlive the holes."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats, Ints, Table
from geofence.errors import JobError
from geofence.outputs.mark_ways import mark_ways
from geofence.outputs.mark_zones import NoPeg, no_pegs, peg_free
from geofence.plan import FencePlan
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
    clear
        (n,) less than 1 for a mark at whose post no way keeps all marks clear of the fences.
    no_peg
        (n,) the keep-clear in which a mark would stand; None for one that stands in none, and for posts.
    """

    name: tuple[str, ...]
    post: Ints
    offset_m: Floats
    easting: Floats
    northing: Floats
    clear: Floats
    no_peg: tuple[NoPeg | None, ...]


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
    zones = peg_free(plan) if len(suffixes) else ()
    left, clear = mark_ways(plan, distances[1:], zones) if len(suffixes) else (np.ones((count, 2)), np.ones(count))
    easting = plan.places.easting[post] + offset_m * left[post, 0]
    northing = plan.places.northing[post] + offset_m * left[post, 1]
    in_zones = no_pegs(zones, np.column_stack([easting, northing]), np.hypot(*left.T)[post])
    return StakeoutPoints(
        name=tuple(name + suffix for name in names for suffix in ("", *suffixes.values())),
        post=post,
        offset_m=offset_m,
        easting=easting,
        northing=northing,
        clear=np.where(offset_m == 0, 1.0, clear[post]),
        no_peg=tuple(found if beside else None for found, beside in zip(in_zones, offset_m.tolist(), strict=True)),
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
