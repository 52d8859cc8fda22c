"""Arcs and spirals of LandXML as chords, by easting and northing."""

from __future__ import annotations

import cmath
import math

import numpy as np

from geofence.engine.records import Floats

__all__ = ["Bent", "arc", "clothoid"]

Place = tuple[float, float]
"""Easting, northing."""

CLOSE = 0.05
CLOSE_SHARE = 1e-3
"""What a curve's own numbers may disagree by, in the file's unit or as a share of the curve: they are rounded, and
lengths of some files are measured on the ground."""

LENGTH_SHARE = 0.01
"""A stated length that differs by more is that of another curve: of the other way round, for instance."""


class Bent(ValueError):  # noqa: N818
    """The numbers of a curve contradict each other."""


def arc(
    start: Place, centre: Place, end: Place, *, rotation: str, step_deg: float, length: float | None = None
) -> Floats:
    """(k, 2) vertices of an arc from start to end, clockwise (``cw``) or counter-clockwise (``ccw``) on the plan.

    ``length`` is what the file states; raises Bent where it, or the centre, does not fit.

    >>> arc((0, 1), (0, 0), (1, 0), rotation="cw", step_deg=45).round(3).tolist()
    [[0.0, 1.0], [0.707, 0.707], [1.0, 0.0]]
    """
    from_centre = [complex(x - centre[0], y - centre[1]) for x, y in (start, end)]
    radius, other = (abs(arm) for arm in from_centre)
    if min(radius, other) == 0 or abs(radius - other) > max(CLOSE, CLOSE_SHARE * radius):
        raise Bent(f"its centre is {radius:.3f} from its start and {other:.3f} from its end")
    turn = _turn(rotation)
    begin, finish = (cmath.phase(arm) for arm in from_centre)
    sweep = (turn * (finish - begin)) % (2 * math.pi) or 2 * math.pi
    if length is not None and abs(sweep * radius - length) > max(CLOSE, LENGTH_SHARE * length):
        raise Bent(f"by its centre and direction it is {sweep * radius:.3f} long, by its own length {length:.3f}")
    share = np.linspace(0, 1, max(math.ceil(math.degrees(sweep) / step_deg - 1e-9), 1) + 1)
    angle = begin + turn * sweep * share
    reach = radius + (other - radius) * share
    vertices = np.column_stack([centre[0] + reach * np.cos(angle), centre[1] + reach * np.sin(angle)])
    vertices[0], vertices[-1] = start, end
    return vertices


def clothoid(
    start: Place, end: Place, *, length: float, radius_start: float, radius_end: float, rotation: str, step_deg: float
) -> Floats:
    """(k, 2) vertices of a spiral whose curvature grows evenly from start to end; an infinite radius is none.

    Its tangents follow from its ends and its shape. Raises Bent where its ends are not as far apart as its shape
    has it.
    """
    if not (math.isfinite(length) and length > 0):
        raise Bent("its length is no length")
    begin, grow = 1 / radius_start, (1 / radius_end - 1 / radius_start) / length
    turned = abs(begin) * length + abs(grow) * length**2 / 2
    steps = max(math.ceil(math.degrees(turned) / step_deg), 2)
    along = np.linspace(0, length, 2 * steps + 1)  # every second one is the middle that Simpson's rule takes
    heading = np.exp(1j * _turn(rotation) * (begin * along + grow * along**2 / 2))
    pieces = (heading[:-2:2] + 4 * heading[1:-1:2] + heading[2::2]) * (length / steps / 6)
    local = np.concatenate([[0], np.cumsum(pieces)])
    chord = complex(end[0] - start[0], end[1] - start[1])
    if abs(abs(chord) - abs(local[-1])) > max(CLOSE, CLOSE_SHARE * length):
        raise Bent(f"its ends are {abs(chord):.3f} apart, by its length and radii {abs(local[-1]):.3f}")
    placed = complex(*start) + local * (chord / local[-1])
    vertices = np.column_stack([placed.real, placed.imag])
    vertices[-1] = end
    return vertices


def _turn(rotation: str) -> int:
    try:
        return {"ccw": 1, "cw": -1}[rotation.strip().lower()]
    except KeyError:
        raise Bent(f"it turns {rotation!r}, neither cw nor ccw") from None
