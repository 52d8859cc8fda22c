"""Which way from a post the marks beside it stand: square off the line, and clear of every fence and keep-clear."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from geofence.engine.records import Floats
from geofence.outputs.mark_zones import PegFree
from geofence.plan import FencePlan, Run
from geofence.plan_lines import posts_in_order

__all__ = ["CLEAR_M", "CLEAR_SHARE", "mark_ways"]

CLEAR_M = 0.3
"""A peg so far from the middle of a fence outlives its building: half a hole, and as much again; common practice, no
source."""
CLEAR_SHARE = 0.7
"""A mark too near to its post for that stands this part of its distance from every fence, as it does beside a square
corner where the angle is halved."""

_TURNS = np.radians([turn for by in range(0, 61, 5) for turn in dict.fromkeys((by, -by))])
"""Tried one after the other; beyond, left is hardly left any more."""


def mark_ways(plan: FencePlan, offset_m: Floats, zones: Sequence[PegFree] = ()) -> tuple[Floats, Floats]:
    """Which way each post's marks stand, and how clear of the fences.

    Square off the line; where it turns, along the line that halves the angle. A bay's width, which is ground distance,
    gives the scale of the grid there. A post at which lines meet goes by the first of them; one to which its line comes
    back, by the first time. Where a mark would stand in a keep-clear or in a fence, all marks of that post are turned
    about it together, by as few times 5 degrees as keep them clear of both. Where nothing does, as few marks as can be
    stand in keep-clears, and those as far as can be from what is drawn; where none do, by what keeps them clearest of
    the fences.

    Parameters
    ----------
    plan
        The plan.
    offset_m
        (k,) distances of the marks of each post, left positive, none of them 0.
    zones
        Its keep-clears.

    Returns
    -------
    left
        (n, 2) how far in easting and northing a metre on the ground to the left of each post is, for its marks.
    clear
        (n,) 1 where every mark stands as far from all fences as it should, or farther; else the least part of that.
    """
    ways = _left(plan)
    places, bays = np.column_stack([plan.places.easting, plan.places.northing]), plan.fence.bays
    fences = shapely.STRtree(shapely.linestrings(places[np.column_stack([bays.from_post, bays.to_post])]))
    found, best, clear = ways.copy(), np.full(len(ways), -np.inf), np.ones(len(ways))
    rows = np.arange(len(ways))
    for turn in _TURNS:
        tried = ways[rows] @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        of_fences = _clear(fences, places[rows], tried, offset_m)
        of_zones = _in_zones(zones, places[rows], tried, offset_m)
        worth = np.where(of_zones < 0, of_zones, of_fences)
        better = worth > best[rows] + 1e-9
        found[rows[better]], best[rows[better]], clear[rows[better]] = tried[better], worth[better], of_fences[better]
        rows = rows[worth < 1.0]
        if not len(rows):
            break
    return found, clear


def _in_zones(zones: Sequence[PegFree], places: Floats, ways: Floats, offset_m: Floats) -> Floats:
    """(n,) 0 where no mark of a post stands in a keep-clear; else less, the more the more marks do, then the deeper."""
    share, scale = np.ones((len(places), len(offset_m))), np.hypot(*ways.T)
    farthest_m = float(np.abs(offset_m).max())
    for zone in zones:
        near = np.flatnonzero(zone.away_m(places, scale) < zone.wanted_m + farthest_m)
        marks = places[near, np.newaxis] + offset_m[:, np.newaxis] * ways[near, np.newaxis]
        for column in range(len(offset_m)):
            apart = zone.away_m(marks[:, column], scale[near])
            share[near, column] = np.minimum(share[near, column], apart / zone.wanted_m)
    return np.asarray(np.where(share < 1.0, share - (1 + len(offset_m)), 0.0).sum(axis=1))


def _clear(fences: shapely.STRtree, places: Floats, ways: Floats, offset_m: Floats) -> Floats:
    """(n,) how clear of the fences the marks of each post stand: 1 where each is as far off as wanted, or farther."""
    marks = shapely.points(places[:, np.newaxis] + offset_m[:, np.newaxis] * ways[:, np.newaxis])
    wanted = np.hypot(*ways.T)[:, np.newaxis] * np.minimum(CLEAR_M, CLEAR_SHARE * np.abs(offset_m))
    (near, _), apart = fences.query_nearest(
        marks.ravel(), max_distance=float(wanted.max()), return_distance=True, all_matches=False
    )
    share = np.ones(marks.size)
    share[near] = np.minimum(apart / wanted.ravel()[near], 1.0)
    return np.asarray(share.reshape(marks.shape).min(axis=1))


def _left(plan: FencePlan) -> Floats:
    """(n, 2) square off the line, or along what halves its angle."""
    left = np.full((len(plan.fence.posts), 2), np.nan)
    for run in reversed(plan.runs):
        # Of a row that is there twice the last value stays.
        left[run.posts[::-1]] = _left_of_run(plan, run)[::-1]
    return left


def _left_of_run(plan: FencePlan, run: Run) -> Floats:
    places, (rows, _) = plan.places, posts_in_order(run, plan.fence.bays)
    east, north = np.diff(places.easting[rows]), np.diff(places.northing[rows])
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
    return np.asarray(side * per_metre[:, np.newaxis])
