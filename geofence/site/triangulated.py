"""The surface of a survey's points: linear in each triangle of the Delaunay triangulation of all of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.numeric import BESIDE_M, COINCIDENT_M, WIDTH_TOLERANCE_M
from geofence.site.break_lines import marked, net_of
from geofence.site.cells import File, Flags, Ints
from geofence.site.coincident import Coincident, Merged
from geofence.site.corridor import Corridor, Patch, hull_of
from geofence.site.delaunay import FAR
from geofence.site.ground import State
from geofence.site.hull import Hull
from geofence.site.mesh import Mesh
from geofence.site.plane import Plane

__all__ = ["Triangulated"]

COMPANY = 9.0
"""Points to a cell: cells three points wide, with their neighbours a corridor nine points wide."""

MOVES = 32
"""Flat triangles that lie one behind the other are passed through at most this often."""


class Triangulated:
    """The surface from points x, y (n,) in the grid with level_m.

    Parameters
    ----------
    lines
        Break lines, (k, 2) x, y in the grid or (k, 3) with levels.
    max_edge_m
        A triangle with a longer edge gives no level.
    coincident
        What decides the level of points at one place.
    source
        How messages call the survey.

    Raises
    ------
    InputError
        Fewer than three points, or all on one line.
    """

    def __init__(
        self,
        x: Floats,
        y: Floats,
        level_m: Floats,
        lines: Sequence[Floats] = (),
        *,
        plane: Plane,
        max_edge_m: float,
        coincident: Coincident,
        source: str,
    ) -> None:
        self._plane, self._max_edge_m, self._policy, self._source = plane, max_edge_m, coincident, source
        edges = None
        if lines:
            net = net_of(
                *plane.local(x, y), level_m, [_local(line, plane) for line in lines], plane=plane, source=source
            )
            level_m = net.level_m
            points = File.of(lambda rows: (net.x_m[rows], net.y_m[rows]), len(level_m), company=COMPANY)
            edges = marked(net, points)
        else:
            points = File.of(lambda rows: plane.local(x[rows], y[rows]), len(x), company=COMPANY)
        hull = hull_of(points)
        self.hull = Hull.of(*points.places(hull), source=source, count=len(points.cell))
        self._corridor = Corridor(points, level_m, edges=edges, hull=hull, coincident=coincident, source=source)
        self._odds: dict[tuple[float, float], tuple[float, float]] = {}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Coincident points on which levels so far depended."""
        if not self._odds:
            return ()
        worst = max(self._odds.values(), key=lambda pair: pair[1] - pair[0])
        return (
            Finding(
                code="points-coincident",
                severity="warn",
                message=f"At {_counted(len(self._odds), 'place')} along the line points of {self._source} differ in "
                f"level, by up to {worst[1] - worst[0]:.3f} m ({worst[0]:.3f} and {worst[1]:.3f}); "
                f"the {self._policy} level is taken",
                remedy="Find out which of the points is right and remove the other.",
                value=round(worst[1] - worst[0], 4),
                unit="m",
            ),
        )

    def levels(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Ints]:
        """Levels (NaN for none) and states at places in the plane."""
        level, state = np.full(len(x_m), np.nan), np.full(len(x_m), int(State.NO_DATA))
        if not len(x_m):
            return level, state
        patch, _, at, foot_x, foot_y = self._settled(x_m, y_m)
        mesh = patch.mesh
        given = np.flatnonzero(self._gives(mesh)[at])
        weight = mesh.weights(at[given], foot_x[given], foot_y[given])
        corner = mesh.corner[at[given]] - FAR
        self._note_odds(patch.points, corner[weight > 0], mesh)
        level[given] = np.sum(weight * patch.points.level_m[corner], axis=1)
        state[given] = State.LEVEL
        beyond = np.flatnonzero(mesh.outer[at] > 0)
        state[beyond[~self.hull.holds(x_m[beyond], y_m[beyond])]] = State.OUTSIDE
        return level, state

    def bends(self, x_m: Floats, y_m: Floats) -> tuple[Ints, Floats]:
        """Where the polyline through places crosses edges of triangles; (index, fraction), sorted."""
        if len(x_m) < 2:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        while True:
            patch, found, *_ = self._settled(x_m, y_m)
            index, fraction, before, after = patch.mesh.crossed(x_m, y_m, found)
            passed = after[(patch.mesh.outer[after] == 0) & ~patch.mesh.flat[after]]
            if self._corridor.prove(patch, passed):
                break
        met = (patch.mesh.outer[before] == 0) | (patch.mesh.outer[after] == 0)
        met &= (fraction > 0) & (fraction < 1)
        index, fraction = index[met], fraction[met]
        order = np.lexsort((fraction, index))
        index, fraction = index[order], fraction[order]
        gap = np.hypot(np.diff(x_m), np.diff(y_m))[index]
        fresh = np.ones(len(index), dtype=bool)
        fresh[1:] = (np.diff(index) > 0) | (np.diff(fraction) * gap[1:] > WIDTH_TOLERANCE_M)
        return index[fresh], fraction[fresh]

    def nearest_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Distances from places to the nearest point."""
        return self._corridor.nearest_m(x_m, y_m) if len(x_m) else np.zeros(0)

    def _settled(self, x: Floats, y: Floats) -> tuple[Patch, Ints, Ints, Floats, Floats]:
        """A patch with the triangle that each place is in, and with the one whose level it takes, and where in that.

        All those that the levels depend on are proven.
        """
        while True:
            patch = self._corridor.about(x, y)
            mesh = patch.mesh
            found = patch.locate(x, y)
            at, foot_x, foot_y = _drawn_in(mesh, found, x, y)
            beyond = np.flatnonzero(mesh.outer[at] == 1)
            held = at[beyond[self.hull.holds(x[beyond], y[beyond])]]
            needed = mesh.thin_ahead(np.concatenate([at[mesh.outer[at] == 0], held]))
            if self._corridor.prove(patch, needed[~mesh.flat[needed]]):
                return patch, found, at, foot_x, foot_y

    def _gives(self, mesh: Mesh) -> Flags:
        """Which triangles give levels."""
        short = mesh.length.max(axis=1) <= self._max_edge_m
        return np.asarray((mesh.outer == 0) & ~mesh.flat & ~mesh.sliver & short)

    def _note_odds(self, points: Merged, place: Ints, mesh: Mesh) -> None:
        """Remember coincident points that differ, or refuse them."""
        for odd in np.unique(place[points.at_odds[place]]):
            low, high = float(points.lowest_m[odd]), float(points.highest_m[odd])
            x, y = float(mesh.x[odd + FAR]), float(mesh.y[odd + FAR])
            if self._policy == "error":
                raise InputError(
                    f"points at one place differ in level, {low:.3f} and {high:.3f} m",
                    file=self._source,
                    place=f"point at {self._plane.named(x, y)}",
                    value=round(high - low, 4),
                    unit="m",
                    remedy='Remove the wrong one, or say which to take: coincident = "mean", "lowest" or "highest".',
                )
            self._odds[x, y] = (low, high)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _local(line: Floats, plane: Plane) -> Floats:
    """A break line in the plane, with a column of levels."""
    level = line[:, 2] if line.shape[1] == 3 else np.full(len(line), np.nan)
    return np.column_stack([*plane.local(line[:, 0], line[:, 1]), level])


def _drawn_in(mesh: Mesh, found: Ints, x: Floats, y: Floats) -> tuple[Ints, Floats, Floats]:
    """For places in no triangle with a level of its own: the nearest that has one, and the nearest place in that.

    From outside the hull over a millimetre at most, from a sliver along it over some centimetres.
    """
    at, foot_x, foot_y = found.copy(), x.copy(), y.copy()
    poor = (mesh.outer > 0) | mesh.flat | mesh.sliver
    active = np.flatnonzero(poor[at])
    for _ in range(MOVES):
        if not len(active):
            break
        here = at[active]
        onto, near_x, near_y = _nearest_edge(mesh, here, foot_x[active], foot_y[active])
        reach = np.where(mesh.outer[here] > 0, COINCIDENT_M, BESIDE_M)
        close = np.hypot(near_x - x[active], near_y - y[active]) <= reach
        moved = (onto >= 0) & (close | mesh.flat[here])
        active = active[moved]
        at[active], foot_x[active], foot_y[active] = onto[moved], near_x[moved], near_y[moved]
        active = active[poor[at[active]]]
    return at, foot_x, foot_y


def _nearest_edge(mesh: Mesh, triangle: Ints, x: Floats, y: Floats) -> tuple[Ints, Floats, Floats]:
    """The triangle behind the nearest edge that leads inward, and the nearest place on that edge; -1 for none.

    From outside the edge of the hull leads inward, or its corner; from a thin triangle the two shorter edges do.
    """
    best = np.full(len(triangle), np.inf)
    onto, best_x, best_y = np.full(len(triangle), -1), x.copy(), y.copy()
    longest = np.argmax(mesh.length[triangle], axis=1)
    far = mesh.corner[triangle] < mesh.far
    for edge in range(3):
        ends_far = far[:, edge] | far[:, (edge + 1) % 3]
        leads = np.where(mesh.outer[triangle] > 0, ~ends_far, longest != edge)
        foot_x, foot_y, off = mesh.foot(triangle, np.full(len(triangle), edge), x, y)
        lone = (mesh.outer[triangle] == 2) & ~far[:, edge]
        vertex = mesh.corner[triangle, edge]
        foot_x, foot_y = np.where(lone, mesh.x[vertex], foot_x), np.where(lone, mesh.y[vertex], foot_y)
        off = np.where(lone, np.hypot(x - foot_x, y - foot_y), off)
        behind = np.where(lone, mesh.any_triangle[vertex], mesh.neighbour[triangle, edge])
        better = (leads | lone) & (off < best)
        best[better], onto[better] = off[better], behind[better]
        best_x[better], best_y[better] = foot_x[better], foot_y[better]
    return onto, best_x, best_y
