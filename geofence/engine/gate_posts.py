"""How deep the post stands that a gate's leaf hangs on.

A hung leaf pulls at its upper hinge and pushes at its lower one: a moment, and no force sideways. The International
Building Code (2021), 1807.3.2.1, gives the depth of a post without support at the ground under a force *P* at the
height *h*,

    d = A/2 (1 + sqrt(1 + 4.36 h / A)),   A = 2.34 P / (S1 b),   S1 = S d / 3,

*S* the lateral bearing for each metre of depth (table 1806.2) and *b* the diameter of the hole. Let *P* go to nothing
and *h* grow so that *P h* stays the moment *M*: then d = sqrt(1.09 x 2.34 M / (S1 b)), and with S1

    d^3 = 7.6518 M / (S b).

Wind on a closed gate, knocks, frost and sloping ground are not in it: a screening aid, not a design.
"""

from __future__ import annotations

from geofence.numeric import snap_ceil

__all__ = ["DEPTH_STEP_M", "GRAVITY_M_PER_S2", "depth_under_moment_m", "leaf_moment_knm"]

GRAVITY_M_PER_S2 = 9.80665
"""Standard gravity."""

DEPTH_STEP_M = 0.05
"""Depths are rounded up to this: nobody digs a hole more finely."""

MOMENT_FACTOR = 3 * 4.36 * 2.34 / 4


def leaf_moment_knm(mass_kg: float, length_m: float) -> float:
    """What a hung leaf bends its post by, kNm: its weight at half its length from the hinges.

    >>> round(leaf_moment_knm(100.0, 3.0), 3)
    1.471
    """
    return mass_kg * GRAVITY_M_PER_S2 / 1000 * length_m / 2


def depth_under_moment_m(moment_knm: float, *, bearing_kpa_per_m: float, hole_diameter_m: float) -> float:
    """The least depth of a post under a moment, rounded up to :data:`DEPTH_STEP_M`.

    >>> depth_under_moment_m(1.471, bearing_kpa_per_m=15.7, hole_diameter_m=0.3)
    1.35
    """
    depth = (MOMENT_FACTOR * moment_knm / (bearing_kpa_per_m * hole_diameter_m)) ** (1 / 3)
    return round(snap_ceil(depth / DEPTH_STEP_M) * DEPTH_STEP_M, 2)
