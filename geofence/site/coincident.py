"""Surveyed points at one place: merged where their levels agree, and decided by a policy where they do not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geofence.engine.records import Floats
from geofence.numeric import COINCIDENT_M, SAME_LEVEL_M

__all__ = ["Coincident", "Merged", "merged"]

Coincident = Literal["error", "mean", "lowest", "highest"]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Merged:
    """Points of which no two are at one place.

    Attributes
    ----------
    first
        (k,) row of the first point of each place, ascending.
    place
        (n,) which place each point is at.
    level_m, lowest_m, highest_m
        (k,) the level that the policy takes, and the extremes of those given.
    tree
        Finds the points near a place.
    """

    first: Ints
    place: Ints
    level_m: Floats
    lowest_m: Floats
    highest_m: Floats
    tree: cKDTree

    def nearest(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Ints]:
        """How far from each place the nearest point is, and at which place that is."""
        distance, point = self.tree.query(np.column_stack([x_m, y_m]))
        return np.asarray(distance), self.place[point]

    @property
    def at_odds(self) -> Flags:
        """(k,) places whose points differ in level."""
        return self.highest_m - self.lowest_m > SAME_LEVEL_M


def merged(x_m: Floats, y_m: Floats, level_m: Floats, policy: Coincident) -> Merged:
    """Points x_m, y_m (n,) with their levels, merged where a chain of them runs on within a millimetre at a time.

    The first of the points gives the place, and the level too where levels agree or the policy is ``error``.
    """
    tree = cKDTree(np.column_stack([x_m, y_m]))
    place, first = _places(tree)
    lowest, highest = np.full(len(first), np.inf), np.full(len(first), -np.inf)
    np.minimum.at(lowest, place, level_m)
    np.maximum.at(highest, place, level_m)
    level = level_m[first]
    chosen = {
        "error": level,
        "mean": np.bincount(place, weights=level_m, minlength=len(first)) / np.bincount(place, minlength=len(first)),
        "lowest": lowest,
        "highest": highest,
    }[policy]
    return Merged(
        first=first,
        place=place,
        level_m=np.where(highest - lowest > SAME_LEVEL_M, chosen, level),
        lowest_m=lowest,
        highest_m=highest,
        tree=tree,
    )


def _places(tree: cKDTree) -> tuple[Ints, Ints]:
    """Which place each point is at, and the first point of each."""
    if tree.count_neighbors(tree, COINCIDENT_M) == tree.n:
        return np.arange(tree.n), np.arange(tree.n)
    spots, spot = np.unique(tree.data, axis=0, return_inverse=True)  # a point may be there a thousand times
    pairs = cKDTree(spots).query_pairs(COINCIDENT_M, output_type="ndarray")
    shape = (len(spots), len(spots))
    links = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=shape)
    _, group = connected_components(links, directed=False)
    _, first, place = np.unique(group[spot.ravel()], return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return rank[place], first[order]
