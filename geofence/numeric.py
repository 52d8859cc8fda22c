"""Tolerances and snapping, in one table.

A count or a comparison that a user would make on paper must come out the same here, although 16.8 / 2.4 is
7.000000000000001 in floating point. Each tolerance says why it has its size.
"""

from __future__ import annotations

import math

__all__ = [
    "ANGLE_TOLERANCE_DEG",
    "BESIDE_M",
    "CELL_TOLERANCE",
    "COINCIDENT_M",
    "FLAT_M",
    "LATTICE_TOLERANCE",
    "LEVEL_TOLERANCE_M",
    "MODULE_SLACK_M",
    "ON_CIRCLE_M",
    "ON_EDGE_M",
    "RESOLVED_M",
    "SAME_LEVEL_M",
    "SAW_CUT_M",
    "SLIVER_RATIO",
    "STATION_SPACING_M",
    "WIDTH_TOLERANCE_M",
    "kept_down",
    "millimetres_down",
    "millimetres_up",
    "snap_ceil",
    "snap_floor",
]

WIDTH_TOLERANCE_M = 1e-6
"""Widths closer than this are equal: a thousand times finer than a tape, a thousand times coarser than
the float64 error of a chainage of 1000 km."""

LEVEL_TOLERANCE_M = 1e-7
"""Levels closer than this are equal: a limit met to a tenth of a micrometre is met. Levels reach 1e4 m, where
float64 resolves 2e-12 m; sums and a division by the increment cost a few digits of that."""

SAW_CUT_M = 1e-3
"""A stock length that is shorter than a post by less than this is as long as the post: a saw takes more off the end of
each length, and nobody digs a hole to the millimetre."""

COINCIDENT_M = 1e-3
"""Two fixed posts closer than this are one post: nobody digs two holes a millimetre apart, and stake-out
coordinates are given to the millimetre."""

RESOLVED_M = 1e-4
"""What coordinates resolve as files have them, so what one distance may differ by from file to file."""

ON_CIRCLE_M = 1e-7
"""Surveyed points this near the circle through three others lie on it: coordinates of 1e7 m with decimals are rounded
by up to 1e-9 m, and those of a turned grid of points by a few times that."""

ON_EDGE_M = 1e-9
"""A place this near the edge between two triangles is in either: their levels there differ by less, while float64
resolves 1e-12 m at the size of a survey."""

FLAT_M = 1e-4
"""A surveyed triangle less high than this is a line: coordinates are given to the millimetre."""

SLIVER_RATIO = 0.01
"""A triangle on the hull of a survey whose height is less than this part of its outer edge spans from point to point
past one that was shot between them: it comes of the hull's accidents, and tells nothing of the ground."""

BESIDE_M = 0.05
"""A place in a sliver of the hull this near a triangle that gives a level takes that level: a line set out through
surveyed points on the edge of the survey passes them by some centimetres."""

SAME_LEVEL_M = 5e-4
"""Levels of one place that differ by less are one level, written twice: surveyed levels are given to the millimetre."""

MODULE_SLACK_M = 5e-4
"""A span this much longer or shorter than whole modules is whole modules: boundaries are drawn to the millimetre, and
nobody cuts two panels because a leg of 16.8 m came out as 16.8003. A full bay stays within it of the module."""

ANGLE_TOLERANCE_DEG = 1e-6
"""Turns that differ by less are equal, and a turn of less is none: 0.03 micrometre aside at the end of a bay, while a
deflection worked out from coordinates in degrees is good to about 1e-7 degree on a leg of some metres."""

STATION_SPACING_M = 0.25
"""Widest spacing of ground samples along the line: what gap and dig areas are promised to, a quarter of the
cell of the finest common elevation models."""

CELL_TOLERANCE = 1e-7
"""A place this share of a cell from a line of cell centres is on it, so that a neighbour beyond a rounding error has no
weight: at eastings of 1e7 m float64 resolves 2e-9 m, a tenth of this for cells of 0.25 m."""

LATTICE_TOLERANCE = 0.01
"""Raster tiles whose cells are off by less than this share of a cell continue each other: corners written with six
decimals of a degree are off by up to 0.004 of a second-sized cell. On ground of 1 in 1 with cells of 1 m it is 1 cm."""


def snap_ceil(ratio: float, tolerance: float = 1e-6) -> int:
    """Smallest whole number not less than ``ratio``, taking a ratio within ``tolerance`` of a whole as that whole.

    >>> math.ceil(16.8 / 2.4), snap_ceil(16.8 / 2.4), snap_ceil(7.001)
    (8, 7, 8)
    """
    return math.ceil(ratio - tolerance)


def snap_floor(ratio: float, tolerance: float = 1e-6) -> int:
    """Largest whole number not more than ``ratio``, taking a ratio within ``tolerance`` of a whole as that whole.

    >>> math.floor(0.3 / 0.1), snap_floor(0.3 / 0.1), snap_floor(2.999)
    (2, 3, 2)
    """
    return math.floor(ratio + tolerance)


def millimetres_up(length_m: float) -> float:
    """A length rounded up to the millimetre, for a remedy that must still cure when it is followed to the letter.

    >>> millimetres_up(0.0351), millimetres_up(0.3), millimetres_down(0.4109)
    (0.036, 0.3, 0.41)
    """
    return snap_ceil(length_m * 1e3, 1e-3) / 1e3


def millimetres_down(length_m: float) -> float:
    """A length rounded down to the millimetre; see :func:`millimetres_up`."""
    return snap_floor(length_m * 1e3, 1e-3) / 1e3


def kept_down(distance_m: float, step_m: float = 1e-3) -> float:
    """A distance that something must keep, to whole steps and never rounded up; by default to the millimetre.

    What is within :data:`RESOLVED_M` of the next step is that step: a post that stands 0.75 m from a pipe stands no
    less from it because its coordinates end somewhere.

    >>> kept_down(0.5486), kept_down(0.74996), kept_down(0.5486, 0.01)
    (0.548, 0.75, 0.54)
    """
    return snap_floor(distance_m / step_m, RESOLVED_M / step_m) / (1 / step_m)
