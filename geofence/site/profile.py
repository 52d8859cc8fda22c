"""The ground along a line: levels at stations, the stretches without any, and chainages on the ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from geofence.engine.records import Finding, Floats, Path, Profile, read_only
from geofence.errors import GroundError
from geofence.numeric import STATION_SPACING_M, WIDTH_TOLERANCE_M
from geofence.site.ground import Ground, State
from geofence.site.ground_distance import along_ground, radius_of_curvature
from geofence.site.line import Line

__all__ = ["GroundLine", "Stretch", "bridged", "check_steepness", "sample", "stretches_without_level"]

SPACING_M = STATION_SPACING_M * 0.998
"""Stations on the ellipsoid, a little closer than on the ground: at a level of 9000 m the ground is 0.14 % longer."""

MEAN_SLOPE_MAX = 1.0
"""Rise over run that the ground cannot have on average along a fence line (45 degrees): a wrong vertical unit."""

JUMP_MAX_M = 5.0
"""A change between two stations that no fence line has: a void that is not marked as one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the line without a level: chainages from and to, and why (``no data``, ``outside the data``).

    ``line``: the line's name where there are several.
    """

    from_m: float
    to_m: float
    reason: str
    line: str = ""

    def __str__(self) -> str:
        on = f" on {self.line}" if self.line else ""
        return f"{self.from_m:.2f} to {self.to_m:.2f} m{on} ({self.reason})"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroundLine:
    """One run of the line with its ground.

    Attributes
    ----------
    line
        The run.
    distance_m, chainage_m, level_m
        (n,) at each station: distance on the ellipsoid, on the ground, and ground level; NaN where there is none.
    state
        (n,) uint8, :class:`State` of each station.
    from_m
        Chainage in the whole plan at which this run begins.
    """

    line: Line
    distance_m: Floats
    chainage_m: Floats
    level_m: Floats
    state: NDArray[np.uint8]
    from_m: float = 0.0

    @property
    def profile(self) -> Profile:
        """The ground as the engine takes it; needs a level at every station."""
        return Profile(chainage_m=self.chainage_m, level_m=self.level_m)

    @property
    def path(self) -> Path:
        """The run as the engine takes it."""
        return Path(vertex_m=self.vertex_m, deflection_deg=self.line.deflection_deg, closed=self.line.closed)

    @property
    def vertex_m(self) -> Floats:
        """(k,) chainages of the line's vertices within this run."""
        return np.interp(self.line.vertex_distance_m, self.distance_m, self.chainage_m)

    def places(self, chainage_m: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude at chainages within this run."""
        return self.line.at(np.interp(chainage_m, self.chainage_m, self.distance_m))


def sample(
    line: Line,
    ground: Ground,
    to_ground: Transformer,
    *,
    geoid_separation_m: float,
    also_m: Sequence[float] = (),
) -> GroundLine:
    """Sample the ground along a line, at most 0.25 m apart and wherever the ground bends.

    ``to_ground`` takes longitude and latitude on the line's datum to the ground's grid; ``also_m`` are distances along
    the line, on the ellipsoid, at which there is to be a station too. Stations without a level have
    NaN; their share of the chainage is reckoned at the neighbouring levels.
    """
    distance = _with_places(_regular(line), also_m)
    x, y = (np.asarray(part) for part in to_ground.transform(*line.at(distance)))
    distance, x, y = _with_bends(distance, x, y, ground)
    found = ground.levels(x, y)
    height = _filled(distance, found.level_m) + geoid_separation_m
    leg = line.leg_at((distance[:-1] + distance[1:]) / 2)
    radius = radius_of_curvature(line.geod, line.lat_deg[:-1], line.azimuth_deg)[leg]
    return GroundLine(
        line=line,
        distance_m=read_only(distance),
        chainage_m=read_only(along_ground(distance, height, radius)),
        level_m=read_only(found.level_m),
        state=found.state,
    )


def _regular(line: Line) -> Floats:
    """Distances at most :data:`SPACING_M` apart, with every vertex among them."""
    ends = line.vertex_distance_m
    parts = np.maximum(np.ceil(line.length_m / SPACING_M).astype(int), 1)
    leg = np.repeat(np.arange(len(line)), parts)
    step = np.arange(len(leg)) - np.repeat(np.cumsum(parts) - parts, parts)
    return np.append(ends[leg] + step / parts[leg] * line.length_m[leg], ends[-1])


def _with_places(distance: Floats, also_m: Sequence[float]) -> Floats:
    """Distances with further ones among them, but for those that are there already."""
    if not len(also_m):
        return distance
    also = np.asarray(also_m)
    after = np.clip(np.searchsorted(distance, also), 1, len(distance) - 1)
    apart = np.minimum(np.abs(distance[after] - also), np.abs(distance[after - 1] - also))
    return np.union1d(distance, also[apart > WIDTH_TOLERANCE_M])


def _with_bends(distance: Floats, x: Floats, y: Floats, ground: Ground) -> tuple[Floats, Floats, Floats]:
    """The stations and, between them, the places where the ground bends; of stations that coincide the first."""
    row, share = ground.bends(x, y)
    gap = distance[row + 1] - distance[row]
    between = (share * gap > WIDTH_TOLERANCE_M) & ((1 - share) * gap > WIDTH_TOLERANCE_M)
    row, share = row[between], share[between]

    def merged(values: Floats) -> Floats:
        return np.concatenate([values, values[row] + share * (values[row + 1] - values[row])])

    place = merged(distance)
    order = np.argsort(place, kind="stable")
    order = order[np.append(True, np.diff(place[order]) > WIDTH_TOLERANCE_M)]
    return place[order], merged(x)[order], merged(y)[order]


def _filled(distance_m: Floats, level_m: Floats) -> Floats:
    known = np.isfinite(level_m)
    if not known.any():
        return np.zeros_like(level_m)
    return np.interp(distance_m, distance_m[known], level_m[known])


def stretches_without_level(ground_line: GroundLine) -> list[Stretch]:
    """Where the ground gives no level: each stretch from the last station with one to the next."""
    missing = np.concatenate([[False], ~np.isfinite(ground_line.level_m), [False]])
    edges = np.flatnonzero(missing[1:] != missing[:-1])
    chainage, last = ground_line.chainage_m + ground_line.from_m, len(ground_line.chainage_m) - 1
    stretches = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        state = ground_line.state[first:after]
        reason = "outside the data" if np.any(state == State.OUTSIDE) else "no data"
        stretches.append(
            Stretch(from_m=float(chainage[max(first - 1, 0)]), to_m=float(chainage[min(after, last)]), reason=reason)
        )
    return stretches


def bridged(ground_line: GroundLine, *, bridge_m: float, place: str) -> tuple[GroundLine, list[Finding]]:
    """The ground with its gaps of up to ``bridge_m`` bridged straight, each with a finding.

    Raises
    ------
    GroundError
        A gap is longer, or at an end of the line; the error lists all such stretches.
    """
    gaps = stretches_without_level(ground_line)
    if not gaps:
        return ground_line, []
    known = np.isfinite(ground_line.level_m)
    refused = [gap.to_m - gap.from_m > bridge_m + WIDTH_TOLERANCE_M for gap in gaps]
    refused[0] |= not known[0]
    refused[-1] |= not known[-1]
    if any(refused):
        too_wide = [gap for gap, is_refused in zip(gaps, refused, strict=True) if is_refused]
        raise _no_level(too_wide, bridge_m=bridge_m, place=place)
    level = _filled(ground_line.distance_m, ground_line.level_m)
    return replace(ground_line, level_m=read_only(level)), [_bridge_finding(gap, bridge_m) for gap in gaps]


def _bridge_finding(gap: Stretch, bridge_m: float) -> Finding:
    return Finding(
        code="ground-bridged",
        severity="warn",
        message=f"The ground gives no level here ({gap.reason}); it is bridged straight from side to side",
        remedy="Shoot levels here, or look at the place before ordering.",
        chainage_m=gap.from_m,
        chainage_to_m=gap.to_m,
        value=round(gap.to_m - gap.from_m, 3),
        limit=bridge_m,
        unit="m",
    )


def _no_level(gaps: list[Stretch], *, bridge_m: float, place: str) -> GroundError:
    shown = "; ".join(str(gap) for gap in gaps[:6]) + (f"; and {len(gaps) - 6} more" if len(gaps) > 6 else "")
    longest = max(gap.to_m - gap.from_m for gap in gaps)
    return GroundError(
        f"the ground gives no level on {len(gaps)} {'stretches' if len(gaps) > 1 else 'stretch'}, by chainage {shown}",
        chainages_m=[(gap.from_m, gap.to_m) for gap in gaps],
        place=place,
        value=round(longest, 2),
        limit=bridge_m,
        unit="m",
        remedy="Add ground data there, fence fewer legs (line.legs), or bridge inner gaps (ground.bridge_m).",
    )


def check_steepness(ground_line: GroundLine, *, place: str) -> None:
    """Refuse a ground that is steeper than any ground: a wrong vertical unit, or a void not marked as one.

    Raises
    ------
    GroundError
        With the chainage and what to set.
    """
    level, chainage = ground_line.level_m, ground_line.chainage_m + ground_line.from_m
    rise = np.abs(np.diff(level))
    jump = int(np.nanargmax(rise)) if np.isfinite(rise).any() else 0
    if rise[jump] > JUMP_MAX_M:
        raise GroundError(
            f"the level jumps between chainage {chainage[jump]:.2f} and {chainage[jump + 1]:.2f} m, "
            f"from {level[jump]:.2f} to {level[jump + 1]:.2f}",
            chainages_m=[(float(chainage[jump]), float(chainage[jump + 1]))],
            place=place,
            value=round(float(rise[jump]), 2),
            limit=JUMP_MAX_M,
            unit="m",
            remedy="Is that level a void? Mark it as no-data in the file. Or is the vertical unit another? "
            "Set ground.level_unit.",
        )
    known = np.isfinite(rise)
    run = float(np.diff(chainage)[known].sum())
    mean = float(rise[known].sum()) / run if run else 0.0
    if mean > MEAN_SLOPE_MAX:
        raise GroundError(
            "the ground along the line is steeper on average than any fence line",
            place=place,
            value=round(float(np.degrees(np.arctan(mean))), 1),
            limit=45,
            unit="deg",
            remedy='Is the vertical unit another? Set ground.level_unit ("m", "ft" or "ftUS").',
        )
