"""The Delaunay triangulation of points, with break lines as edges, and one choice among its equals.

The triangulating is done by PythonCDT, whose predicates are exact: no point is lost at any coordinates, and where no
four points lie on a circle, the result depends on the points alone. Where four or more do, as in all squares of a grid
of points, any diagonals are Delaunay; here they start at the westernmost of these points, of several the southernmost,
so that the level at a place never depends on which other points were triangulated along with it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pythoncdt
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geofence.engine.records import Floats
from geofence.numeric import ON_CIRCLE_M
from geofence.site.mesh import NEXT, Mesh

__all__ = ["FAR", "Delaunay"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LIBRARY_CORNERS = 3
"""Vertices that PythonCDT puts about the first points it gets."""

FAR = LIBRARY_CORNERS + 4
"""Vertices of a mesh that are no points."""

FAR_REACH = 1e4
"""Distance of the far corners, in diagonals of the survey. A triangle on the hull is missing where its circle holds a
far corner, and it is then thinner than 1 : 10 000, a sliver by any measure."""

ROUND_MAX_M = 1e6
"""Circles of a larger radius are not looked at for further points on them: they are slivers, and their radius is known
to less than the distance that would count as being on them."""


class Delaunay:
    """A triangulation that can be added to.

    Parameters
    ----------
    west, south, east, north
        Box of all points that may ever be added, metres.
    """

    def __init__(self, west: float, south: float, east: float, north: float) -> None:
        reach = FAR_REACH * max(float(np.hypot(east - west, north - south)), 1.0)
        x, y = (west + east) / 2, (south + north) / 2
        self._corners = np.array([[x - reach, y], [x, y - reach], [x + reach, y], [x, y + reach]])
        self._library: Any = pythoncdt.Triangulation(  # its stubs do not take arrays for buffers
            pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.NOT_ALLOWED, 0.0
        )
        self._started = False

    def add(self, x: Floats, y: Floats) -> None:
        """Add points, no two of them at one place; they become the next vertices, the first has number :data:`FAR`."""
        places = np.column_stack([x, y])
        self._library.insert_vertices(places if self._started else np.concatenate([self._corners, places]))
        self._started = True

    def fix(self, edges: Ints) -> None:
        """Make edges (k, 2), pairs of vertices, part of the triangulation; RuntimeError where two of them cross."""
        self._library.insert_edges(np.ascontiguousarray(edges - LIBRARY_CORNERS, dtype=np.uint32))

    def mesh(self) -> Mesh:
        """The triangles as they are now."""
        vertices = self._library.vertices_array(copy=True)
        x, y = vertices["x"].astype(np.float64), vertices["y"].astype(np.float64)
        corner = self._library.triangles_array(copy=True)["vertices"].astype(np.int64)
        fixed = np.array([(edge.v1, edge.v2) for edge in self._library.fixed_edges_iter()], dtype=np.int64)
        mesh = Mesh.of(x, y, corner, far=FAR, fixed_edges=fixed.reshape(-1, 2))
        chosen = _fans(mesh)
        return mesh if chosen is None else Mesh.of(x, y, chosen, far=FAR, fixed_edges=fixed.reshape(-1, 2))


def _ties(mesh: Mesh) -> tuple[Ints, Ints]:
    """Pairs of neighbouring triangles whose four corners lie on one circle, and whose shared edge is free."""
    round_ = np.flatnonzero((mesh.outer == 0) & ~mesh.flat)
    centre_x, centre_y, radius = (np.full(len(mesh), np.nan) for _ in range(3))
    centre_x[round_], centre_y[round_], radius[round_] = mesh.circles(round_)
    radius[radius > ROUND_MAX_M] = np.nan
    one, edge = np.nonzero((mesh.neighbour > np.arange(len(mesh))[:, None]) & ~mesh.fixed)
    other = mesh.neighbour[one, edge]
    shared = mesh.corner[one, edge] + mesh.corner[one, NEXT[edge]]
    opposite = mesh.corner[other].sum(axis=1) - shared
    off = np.hypot(mesh.x[opposite] - centre_x[one], mesh.y[opposite] - centre_y[one]) - radius[one]
    size = radius * mesh.area2  # off times size is the same seen from either triangle
    tied = np.abs(off) * size[one] <= ON_CIRCLE_M * np.minimum(size[one], size[other])
    return one[tied], other[tied]


def _fans(mesh: Mesh) -> Ints | None:
    """Corners of the triangles with each polygon of points on a circle cut into a fan; None where all are already."""
    one, other = _ties(mesh)
    if not len(one):
        return None
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(mesh), len(mesh)))
    _, group = connected_components(links, directed=False)
    grouped = np.bincount(group) > 1
    inside = np.flatnonzero(grouped[group])
    apex = _apexes(mesh, group, inside)
    is_fan = np.ones(len(grouped), dtype=bool)
    np.logical_and.at(is_fan, group[inside], np.any(mesh.corner[inside] == apex[group[inside], None], axis=1))
    inside = inside[~is_fan[group[inside]]]
    if not len(inside):
        return None
    fan, fan_group = _fan(mesh, group, apex, inside)
    sound = _sound(mesh, fan, fan_group, group, inside, len(grouped))
    kept = np.ones(len(mesh), dtype=bool)
    kept[inside[sound[group[inside]]]] = False
    return np.concatenate([mesh.corner[kept], fan[sound[fan_group]]])


def _apexes(mesh: Mesh, group: Ints, inside: Ints) -> Ints:
    """For each group of triangles the vertex that is westernmost, of several the southernmost."""
    vertex, owner = mesh.corner[inside].ravel(), np.repeat(group[inside], 3)
    order = np.lexsort((mesh.y[vertex], mesh.x[vertex], owner))
    first = order[np.unique(owner[order], return_index=True)[1]]
    apex = np.full(int(group.max()) + 1, -1, dtype=np.int64)
    apex[owner[first]] = vertex[first]
    return apex


def _fan(mesh: Mesh, group: Ints, apex: Ints, inside: Ints) -> tuple[Ints, Ints]:
    """Triangles from each group's apex to the edges about it, and their groups."""
    beyond = mesh.neighbour[inside]
    rim = (beyond < 0) | (group[beyond] != group[inside][:, None]) | mesh.fixed[inside]
    row, edge = np.nonzero(rim)
    triangle = inside[row]
    start, end, top = mesh.corner[triangle, edge], mesh.corner[triangle, NEXT[edge]], apex[group[triangle]]
    free = (start != top) & (end != top)
    return np.column_stack([top, start, end])[free], group[triangle[free]]


def _sound(mesh: Mesh, fan: Ints, fan_group: Ints, group: Ints, inside: Ints, groups: int) -> Flags:
    """Which groups' fans are as many triangles as before, all of them counter-clockwise."""
    x, y = mesh.x[fan], mesh.y[fan]
    area2 = (x[:, 1] - x[:, 0]) * (y[:, 2] - y[:, 0]) - (y[:, 1] - y[:, 0]) * (x[:, 2] - x[:, 0])
    sound: Flags = np.bincount(fan_group, minlength=groups) == np.bincount(group[inside], minlength=groups)
    sound[fan_group[area2 <= 0]] = False
    return sound
