"""What can be seen from a triangle past the break lines."""

from __future__ import annotations

import numpy as np

from geofence.engine.records import Floats
from geofence.site.cells import ENDLESS, Ints
from geofence.site.discs import Discs
from geofence.site.mesh import NEXT, Mesh

__all__ = ["covering", "within_sight"]

BLINDS = 4
"""Pieces of break lines looked past at most, the nearest: what they do not hide is taken to be seen."""

PAIRS = 2_000_000
"""Pairs of a disc and a piece of a break line worked on in one go, to bound the memory."""


def within_sight(mesh: Mesh, triangle: Ints, discs: Discs) -> Discs:
    """The discs within triangles' circles without what lies behind break lines that cut through them.

    A piece of a break line with neither end in the disc parts it in two, and from a triangle on one side nothing is
    seen on the other.
    """
    edges = _pieces(mesh)
    limits = np.empty((len(triangle), BLINDS, 3))
    step = max(PAIRS // max(len(edges), 1), 1)
    for first in range(0, len(triangle), step):
        rows = np.arange(first, min(first + step, len(triangle)))
        limits[rows] = _blinds(mesh, triangle[rows], discs.of(rows), edges)
    return Discs(x=discs.x, y=discs.y, radius=discs.radius, limits=limits)


def covering(mesh: Mesh, triangle: Ints) -> Discs:
    """Triangles, as pieces of discs about them."""
    x, y = mesh.x[mesh.corner[triangle]], mesh.y[mesh.corner[triangle]]
    middle_x, middle_y = x.mean(axis=1), y.mean(axis=1)
    radius = np.hypot(x - middle_x[:, None], y - middle_y[:, None]).max(axis=1)
    return Discs(x=middle_x, y=middle_y, radius=radius, limits=mesh.lines(triangle))


def _pieces(mesh: Mesh) -> Ints:
    """(f, 2) ends of the fixed edges."""
    triangle, edge = np.nonzero(mesh.fixed & (mesh.neighbour < np.arange(len(mesh))[:, None]))
    return np.column_stack([mesh.corner[triangle, edge], mesh.corner[triangle, NEXT[edge]]])


def _blinds(mesh: Mesh, triangle: Ints, discs: Discs, edges: Ints) -> Floats:
    """(k, BLINDS, 3) limits: the nearest pieces that cut through each disc, and none for the rest."""
    (ax, bx), (ay, by) = mesh.x[edges].T, mesh.y[edges].T
    length = np.hypot(bx - ax, by - ay)
    a, b = (ay - by) / length, (bx - ax) / length
    centre_x, centre_y, radius = discs.x[:, None], discs.y[:, None], discs.radius[:, None]
    inner = radius * (1 - 1e-9) - 1e-7  # the ends of a triangle's own edges are on the circle, but for rounding
    outside = (np.hypot(ax - centre_x, ay - centre_y) >= inner) & (np.hypot(bx - centre_x, by - centre_y) >= inner)
    along = b * (centre_x - ax) - a * (centre_y - ay)
    aside = a * (centre_x - ax) + b * (centre_y - ay)
    cuts = outside & (np.abs(aside) < radius) & (along > 0) & (along < length)
    middle_x, middle_y = (part[mesh.corner[triangle]].mean(axis=1)[:, None] for part in (mesh.x, mesh.y))
    side = a * (middle_x - ax) + b * (middle_y - ay)
    far = np.where(cuts, np.abs(side), np.inf)
    chosen = np.argsort(far, axis=1)[:, :BLINDS]
    row = np.arange(len(triangle))[:, None]
    sign = np.sign(side[row, chosen])
    offset = a * ax + b * ay
    lines = np.stack([sign * a[chosen], sign * b[chosen], sign * offset[chosen]], axis=2)
    limits = np.full((len(triangle), BLINDS, 3), (0.0, 0.0, -ENDLESS))
    limits[:, : lines.shape[1]] = np.where(np.isfinite(far[row, chosen])[:, :, None], lines, (0.0, 0.0, -ENDLESS))
    return limits
