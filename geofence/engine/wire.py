"""Strained wires: sag, tension at another temperature, and what they pull on a post.

A wire of weight w per metre under a tension T hangs below the straight line between two posts as a catenary. For the
shallow sag of a strained wire that is a parabola to within a thousandth: with l the distance between the posts along
the slope and d the horizontal one, the wire sags by w l^2 / 8T and is longer than l by w^2 d^2 l / 24T^2.

Between two strainer posts the wire slides through the fastenings of the posts in between, so it has one tension. Its
length without tension does not change but with temperature, which gives the change-of-state equation of overhead lines

    (T2 - T1) / EA + alpha (t2 - t1) = R^2 / 24 ((w / T2)^2 - (w / T1)^2),    R^2 = sum d^2 l / sum l

with R the ruling span. Where the sag is nothing, T changes by EA alpha for each degree that it gets colder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from geofence.engine.records import Floats

__all__ = ["WireRules", "catenary", "changed_tension_kn", "ruling_span_m", "sag_m", "uplift_kn"]

STANDARD_GRAVITY = 9.80665
"""m/s2, by definition (3rd General Conference on Weights and Measures, 1901)."""

_NEWTON_STEPS = 100
"""Newton's steps at least halve the way to the root here; 100 halvings leave nothing of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireRules:
    """The wires of a strained fence, all alike.

    Attributes
    ----------
    heights_m
        Each wire above the ground at each post, increasing.
    diameter_m
        Of one wire.
    density_kg_per_m3, modulus_kpa, expansion_per_k
        Of its steel: density, modulus of elasticity, linear thermal expansion.
    tension_kn, temperature_c
        What each wire is strained to, and how warm it is then.
    temperature_min_c, temperature_max_c
        The coldest and the hottest that it gets.
    tension_max_kn
        The most that one wire should carry.
    uplift_max_kn
        The upward pull that a post holds without more.
    dropper_spacing_m
        Widest spacing of droppers, the battens that keep wires apart between posts; 0 for none.
    """

    heights_m: tuple[float, ...]
    diameter_m: float
    density_kg_per_m3: float
    modulus_kpa: float
    expansion_per_k: float
    tension_kn: float
    temperature_c: float
    temperature_min_c: float
    temperature_max_c: float
    tension_max_kn: float
    uplift_max_kn: float
    dropper_spacing_m: float = 0.0

    @property
    def section_m2(self) -> float:
        return math.pi / 4 * self.diameter_m**2

    @property
    def stiffness_kn(self) -> float:
        """Force that would double the wire's length, if it could: modulus times section."""
        return self.modulus_kpa * self.section_m2

    @property
    def weight_kn_per_m(self) -> float:
        return self.density_kg_per_m3 * self.section_m2 * STANDARD_GRAVITY / 1e3

    def tension_at_kn(self, temperature_c: float, ruling_m: Any) -> Floats:
        """Tension of one wire at a temperature, for strains with these ruling spans."""
        return changed_tension_kn(
            self.tension_kn,
            stiffness_kn=self.stiffness_kn,
            free_strain=self.expansion_per_k * (temperature_c - self.temperature_c),
            weight_kn_per_m=self.weight_kn_per_m,
            ruling_m=ruling_m,
        )


def catenary(span_m: Any, tension_kn: Any, weight_kn_per_m: float) -> tuple[Floats, Floats]:
    """Sag and length of a wire between two supports at one level; ``tension_kn`` at its lowest point.

    With c = T / w the sag is c (cosh(span / 2c) - 1), the length 2 c sinh(span / 2c).

    >>> sag, length = catenary(120.0, 61.45 * 0.02943, 0.02943)
    >>> round(float(sag), 1), round(float(length))
    (31.7, 140)
    """
    scale = np.asarray(tension_kn, dtype=np.float64) / weight_kn_per_m
    half = np.asarray(span_m, dtype=np.float64) / (2 * scale)
    # cosh(x) - 1 as 2 sinh^2(x / 2): exact to the last digits where the sag is small.
    return np.asarray(2 * scale * np.sinh(half / 2) ** 2), np.asarray(2 * scale * np.sinh(half))


def sag_m(slope_length_m: Any, tension_kn: Any, weight_kn_per_m: float) -> Floats:
    """Vertical sag below the straight line between two posts, by the parabola: w l^2 / 8T."""
    return np.asarray(weight_kn_per_m * np.square(slope_length_m) / (8 * np.asarray(tension_kn)))


def ruling_span_m(width_m: Floats, slope_length_m: Floats) -> float:
    """The one bay that answers to temperature as a strain of unlike bays does; (m,) horizontal and slope lengths.

    >>> round(ruling_span_m(np.array([4.0, 4.0]), np.array([4.0, 4.0])), 9)
    4.0
    """
    return math.sqrt(float(np.sum(width_m**2 * slope_length_m) / np.sum(slope_length_m)))


def changed_tension_kn(
    tension_kn: Any,
    *,
    stiffness_kn: float,
    free_strain: float,
    weight_kn_per_m: float,
    ruling_m: Any,
    weight_then_kn_per_m: float | None = None,
) -> Floats:
    """Tension after a change of temperature, or of load.

    Parameters
    ----------
    tension_kn
        Tension before.
    stiffness_kn
        Modulus times section.
    free_strain
        By how much of its length the wire would lengthen were it free: expansion times the rise in temperature.
    weight_kn_per_m, weight_then_kn_per_m
        Load per length of wire before and after; the same where left out.
    ruling_m
        Ruling span.

    Returns
    -------
    numpy.ndarray
        The one positive root T of T^3 + K T^2 = B, where B = EA (w2 R)^2 / 24 and
        K = EA (w1 R)^2 / 24 T1^2 + EA free_strain - T1. Any common unit of force will do.

    Notes
    -----
    T^3 + K T^2 - B changes sign once among its coefficients, so it has one positive root (Descartes); from any point
    above that root Newton's method comes down to it without passing it, for the cubic curves upwards there.

    Examples
    --------
    A steel wire of 0.5 mm2 without weight, 20 K colder: EA alpha 20 = 24 N more.

    >>> float(changed_tension_kn(0.1, stiffness_kn=100.0, free_strain=-20 * 1.2e-5, weight_kn_per_m=0.0, ruling_m=4.0))
    0.124
    """
    before, ruling = np.asarray(tension_kn, dtype=np.float64), np.asarray(ruling_m, dtype=np.float64)
    then = weight_kn_per_m if weight_then_kn_per_m is None else weight_then_kn_per_m
    square = stiffness_kn * ruling**2 / 24
    k = np.asarray(square * (weight_kn_per_m / before) ** 2 + stiffness_kn * free_strain - before)
    b = np.asarray(square * then**2)
    tension = np.maximum(0.0, -k) + np.cbrt(b)
    for _ in range(_NEWTON_STEPS):
        slope = tension * (3 * tension + 2 * k)
        over = tension**2 * (tension + k) - b
        step = np.divide(over, slope, out=np.zeros_like(tension), where=slope > 0)
        if not np.any(step > 1e-15 * tension):
            break
        tension = tension - step
    return tension


def uplift_kn(tension_kn: Any, rise_m: Any, slope_length_m: Any) -> Floats:
    """How hard a wire pulls the post up that it leaves with this rise: the tension times the sine of its slope.

    A post 0.5 m below its neighbours, each 5 m along the slope, under 1 kN: a tenth by each wire.

    >>> float(uplift_kn(1.0, 0.5, 5.0))
    0.1
    """
    return np.asarray(tension_kn * np.asarray(rise_m) / slope_length_m)
