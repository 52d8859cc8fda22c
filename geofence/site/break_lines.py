"""Break lines of a survey as edges between its points, split where they meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from geofence.engine.records import Floats
from geofence.errors import InputError
from geofence.numeric import COINCIDENT_M
from geofence.site.cells import File, Ints, ranges, widened
from geofence.site.corridor import Edges
from geofence.site.plane import Plane

__all__ = ["Net", "marked", "net_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Net:
    """Points and the edges between them.

    Attributes
    ----------
    x_m, y_m, level_m
        (n,) the survey's points, then those that break lines add: vertices with a level of their own, and the places at
        which two lines meet between vertices, once with the level of each.
    ends
        (k, 2) rows of the points at the ends of each edge.
    """

    x_m: Floats
    y_m: Floats
    level_m: Floats
    ends: Ints


def net_of(x_m: Floats, y_m: Floats, level_m: Floats, lines: Sequence[Floats], *, plane: Plane, source: str) -> Net:
    """The points x_m, y_m (n,), metres, and the edges along lines (k, 3): x, y in metres, level or NaN.

    Raises
    ------
    InputError
        A vertex has no level, and no point within a millimetre.
    """
    vertices = np.concatenate(lines)
    own = np.isfinite(vertices[:, 2])
    row = np.empty(len(vertices), dtype=np.int64)
    row[own] = len(x_m) + np.arange(np.count_nonzero(own))
    row[~own] = _rows_at(x_m, y_m, vertices[~own], plane=plane, source=source)
    net = Net(
        x_m=np.append(x_m, vertices[own, 0]),
        y_m=np.append(y_m, vertices[own, 1]),
        level_m=np.append(level_m, vertices[own, 2]),
        ends=_legs(row, [len(line) for line in lines]),
    )
    return _split(net)


def _legs(row: Ints, lengths: Sequence[int]) -> Ints:
    """Pairs of consecutive vertices of each line, each pair once."""
    last = np.cumsum(lengths) - 1
    ends = np.sort(np.column_stack([row[:-1], row[1:]])[np.delete(np.arange(len(row)), last)], axis=1)
    return np.unique(ends[ends[:, 0] < ends[:, 1]], axis=0)


def _rows_at(x: Floats, y: Floats, vertices: Floats, *, plane: Plane, source: str) -> Ints:
    """The points that vertices lie on."""
    if not len(vertices):
        return np.zeros(0, dtype=np.int64)
    points = File.of(lambda rows: (x[rows], y[rows]), len(x), company=9.0)
    near = points.members(widened(points.cells.visited(vertices[:, 0], vertices[:, 1])))
    off, row = cKDTree(np.column_stack([x[near], y[near]])).query(vertices[:, :2], distance_upper_bound=COINCIDENT_M)
    if np.isinf(off).any():
        stray = vertices[int(np.argmax(off))]
        raise InputError(
            "a vertex of a break line has no level and lies on no point",
            file=source,
            place=f"vertex at {plane.named(*stray[:2])}",
            remedy="Give the vertex a level, or draw the line through surveyed points.",
        )
    found: Ints = near[row]
    return found


def _split(net: Net) -> Net:
    """The net with edges split where they meet between their ends."""
    segments = shapely.linestrings(
        np.stack([np.column_stack([net.x_m[end], net.y_m[end]]) for end in net.ends.T], axis=1)
    )
    one, other = shapely.STRtree(segments).query(segments, predicate="dwithin", distance=COINCIDENT_M)
    later = one < other
    one, other = one[later], other[later]
    meets = [_meeting(net, *pair) for pair in ((one, other), (other, one))]
    edge = np.concatenate([edge for edge, _ in meets])
    share = np.concatenate([share for _, share in meets])
    if not len(edge):
        return net
    order = np.lexsort((share, edge))
    edge, share = edge[order], share[order]
    return _with_nodes(net, edge, share)


def _meeting(net: Net, edge: Ints, other: Ints) -> tuple[Ints, Floats]:
    """Where edges are met between their ends by others: (edge, share of its length)."""
    ax, ay = net.x_m[net.ends[edge, 0]], net.y_m[net.ends[edge, 0]]
    dx, dy = net.x_m[net.ends[edge, 1]] - ax, net.y_m[net.ends[edge, 1]] - ay
    length = np.hypot(dx, dy)
    along, aside = [], []
    for end in (0, 1):
        px, py = net.x_m[net.ends[other, end]] - ax, net.y_m[net.ends[other, end]] - ay
        along.append((px * dx + py * dy) / length)
        aside.append((dx * py - dy * px) / length)
    found = [(edge, along[end], np.abs(aside[end]) <= COINCIDENT_M) for end in (0, 1)]
    apart = aside[0] - aside[1]
    through = (aside[0] * aside[1] < 0) & (np.minimum(np.abs(aside[0]), np.abs(aside[1])) > COINCIDENT_M)
    share = aside[0] / np.where(through, apart, 1.0)
    found.append((edge, along[0] + share * (along[1] - along[0]), through))
    rows = np.concatenate([row[met] for row, _, met in found])
    place = np.concatenate([place[met] for _, place, met in found])
    whole = np.concatenate([length[met] for _, _, met in found])
    between = (place > COINCIDENT_M) & (place < whole - COINCIDENT_M)
    return rows[between], place[between] / whole[between]


def _with_nodes(net: Net, edge: Ints, share: Floats) -> Net:
    """The net with nodes on edges, in the order of edge and share; each node takes its level from its edge."""
    start, end = net.ends[edge].T
    node = len(net.x_m) + np.arange(len(edge))
    x, y, level = (values[start] + share * (values[end] - values[start]) for values in (net.x_m, net.y_m, net.level_m))
    first = np.append(True, edge[1:] != edge[:-1])
    last = np.append(first[1:], True)
    before = np.where(first, start, np.append(-1, node[:-1]))
    pieces = np.concatenate([np.column_stack([before, node]), np.column_stack([node[last], end[last]])])
    whole = np.delete(net.ends, np.unique(edge), axis=0)
    return Net(
        x_m=np.append(net.x_m, x),
        y_m=np.append(net.y_m, y),
        level_m=np.append(net.level_m, level),
        ends=np.concatenate([whole, pieces]),
    )


def marked(net: Net, points: File) -> Edges:
    """The net's edges with marks along them, filed in the cells of its points."""
    start, end = net.ends.T
    dx, dy = net.x_m[end] - net.x_m[start], net.y_m[end] - net.y_m[start]
    parts = np.maximum(np.ceil(np.hypot(dx, dy) / points.cells.size * 2), 1).astype(np.int64)
    edge, step = ranges(np.zeros_like(parts), parts)
    share = step / parts[edge]
    x, y = net.x_m[start[edge]] + share * dx[edge], net.y_m[start[edge]] + share * dy[edge]
    return Edges(
        ends=net.ends,
        marks=File.under(points.cells, lambda rows: (x[rows], y[rows]), len(x)),
        edge=edge,
        reach_m=points.cells.size / 4,
    )
