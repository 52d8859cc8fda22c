"""Where the lines of a job meet: the runs that are fenced, the posts that they share, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Finding, FixedPost
from geofence.numeric import COINCIDENT_M
from geofence.planning.drawn import DrawnLine
from geofence.site.line import Line
from geofence.site.near_misses import NearMiss
from geofence.site.network import Junction, Network, Shared, network
from geofence.site.parted import Parted, parted
from geofence.site.profile import GroundLine

__all__ = ["Meetings", "brought_together"]

NEAR_M = 1.0
"""Ends that miss each other by less were hardly meant to: no gate is so narrow, and nobody walks between."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Meetings:
    """A job's lines as they meet.

    Attributes
    ----------
    lines
        As drawn.
    network
        Their runs, junctions and shared stretches.
    line
        For each run the row of its line.
    source
        For each stretch that the network was made of the row of its line.
    join_m
        What is no farther apart was brought together.
    parted
        Lines that run together as drawn and no longer as moved; rows as in ``source``.
    """

    lines: tuple[DrawnLine, ...]
    network: Network
    line: tuple[int, ...]
    source: tuple[int, ...]
    join_m: float
    parted: tuple[Parted, ...] = ()

    def visited_m(self, run: int) -> list[float]:
        """Distances along a run, on the ellipsoid, at which it meets others or itself."""
        return [along for junction in self.network.junctions for row, along in junction.visits if row == run]

    def places(self, runs: Sequence[GroundLine]) -> list[list[tuple[int, float]]]:
        """For each junction rows of the runs that meet there, and chainages within them."""
        return [
            [
                (row, float(np.interp(along, runs[row].distance_m, runs[row].chainage_m)))
                for row, along in junction.visits
            ]
            for junction in self.network.junctions
        ]

    def posts(self, runs: Sequence[GroundLine]) -> list[list[FixedPost]]:
        """For each run the posts that must stand where it meets others or itself."""
        found: list[list[FixedPost]] = [[] for _ in runs]
        for junction, places in zip(self.network.junctions, self.places(runs), strict=True):
            for row, chainage_m in places:
                name = f"the junction with {self._others(junction, row)}"
                found[row].append(FixedPost(chainage_m=chainage_m, kind="junction", name=name))
        return found

    def _others(self, junction: Junction, run: int) -> str:
        others = dict.fromkeys(self.lines[self.line[row]].told for row, _ in junction.visits if row != run)
        return ", ".join(others) or "itself"

    def shared_m(self, runs: Sequence[GroundLine]) -> list[float]:
        """For each line how much of it is fenced with lines before it, on the ground."""
        found = [0.0] * len(self.lines)
        for shared in self.network.shared:
            start, end = self._stretch(shared, runs)
            found[self.source[shared.other]] += end - start
        return found

    def fenced_with(self, line: int) -> list[str]:
        """Names of the other lines that parts of a line are fenced with, each once."""
        owners = [self.source[shared.owner] for shared in self.network.shared if self.source[shared.other] == line]
        return [self.lines[owner].name for owner in dict.fromkeys(owners) if owner != line]

    @staticmethod
    def _stretch(shared: Shared, runs: Sequence[GroundLine]) -> tuple[float, float]:
        """Chainages of a shared stretch on its owner's line."""
        run = runs[shared.run]
        start, end = np.interp([shared.from_m, shared.to_m], run.distance_m, run.chainage_m) + run.from_m
        return float(start), float(end)

    def findings(self, runs: Sequence[GroundLine]) -> list[Finding]:
        """What is to be known of how the lines meet."""
        return [
            *self._moved(),
            *(self._shared(each, runs) for each in self.network.shared),
            *self._without_run(),
            *(self._parted(each, runs) for each in self.parted),
            *(self._near(miss, runs) for miss in self.network.near),
        ]

    def _moved(self) -> Iterator[Finding]:
        if self.network.moved:
            count = self.network.moved
            yield Finding(
                code="lines-joined",
                severity="note",
                message=f"{count} {'vertex was' if count == 1 else 'vertices were'} moved by up to "
                f"{self.network.moved_m:.4f} m, so that lines meet",
                remedy="If the boundary lies elsewhere, mend its file; layout.join_m says how far a vertex may go.",
                value=round(self.network.moved_m, 4),
                limit=self.join_m,
                unit="m",
            )

    def _shared(self, shared: Shared, runs: Sequence[GroundLine]) -> Finding:
        start, end = self._stretch(shared, runs)
        owner, other = self.lines[self.source[shared.owner]], self.lines[self.source[shared.other]]
        if owner is other:
            return _over_itself(owner, start, end)
        return Finding(
            code="boundary-shared",
            severity="note",
            message=f"{owner.told[:1].upper()}{owner.told[1:]} and {other.told} run together here over "
            f"{end - start:.2f} m, and are fenced once, with {owner.told}",
            remedy="Where the other line's fence should stand instead, put that line first in the job.",
            chainage_m=start,
            chainage_to_m=end,
            value=round(end - start, 3),
            unit="m",
            line=owner.name,
        )

    def _without_run(self) -> Iterator[Finding]:
        for row in sorted(set(range(len(self.lines))) - set(self.line)):
            yield Finding(
                code="line-not-fenced",
                severity="note",
                message=f"All of {self.lines[row].told} runs together with lines before it, and is fenced with them",
                remedy="None, if that is so; else look at the line's file.",
                line=self.lines[row].name,
            )

    def _parted(self, parted: Parted, runs: Sequence[GroundLine]) -> Finding:
        line, other = self.lines[self.source[parted.line]], self.lines[self.source[parted.other]]
        return Finding(
            code="boundary-parted",
            severity="warn",
            message=f"{line.told[:1].upper()}{line.told[1:]} and {other.told} run together as drawn over "
            f"{parted.length_m:.2f} m, and no longer as offset_m has moved them: two fences stand there, "
            f"{parted.apart_m:.3f} m apart",
            remedy="If one fence is to stand there, leave offset_m out and draw the boundary where the fence is to be; "
            "or have a [[line]] with offset_m only for lines that share no side.",
            chainage_m=self._beside(parted, runs),
            value=round(parted.apart_m, 3),
            limit=self.join_m,
            unit="m",
            line=line.name,
        )

    def _beside(self, parted: Parted, runs: Sequence[GroundLine]) -> float | None:
        """The chainage, on its line, of the station nearest to where two lines are parted; None if it has no run."""
        found = []
        for row, run in enumerate(runs):
            if self.line[row] == self.source[parted.line]:
                lon, lat = run.places(run.chainage_m)
                _, _, apart = run.line.geod.inv(
                    lon, lat, np.full(len(lon), parted.lon_deg), np.full(len(lon), parted.lat_deg)
                )
                at = int(np.argmin(apart))
                found.append((float(apart[at]), float(run.chainage_m[at]) + run.from_m))
        return min(found)[1] if found else None

    def _near(self, miss: NearMiss, runs: Sequence[GroundLine]) -> Finding:
        line, other = self.lines[self.source[miss.line]], self.lines[self.source[miss.other]]
        chainage_m = self._chainage(miss, runs)
        where = other.told if other is not line else "itself, farther on"
        called = f"The end of {line.told}" if miss.end else f"{line.told[:1].upper()}{line.told[1:]}"
        what = f"{called} comes within {miss.apart_m:.3f} m of {where}"
        if miss.vertices > 1:
            what += f", and at {miss.vertices} vertices within {NEAR_M:g} m"
        remedy = "If the two are one boundary it is fenced twice: draw it once, or raise layout.join_m to as much."
        if miss.end:
            remedy = "Is it meant to end there? Draw it to the line, or raise layout.join_m to as much."
        return Finding(
            code="ends-nearly-meet" if miss.end else "lines-nearly-meet",
            severity="warn",
            message=f"{what}, and does not meet it",
            remedy=remedy,
            chainage_m=chainage_m,
            value=round(miss.apart_m, 4),
            limit=self.join_m,
            unit="m",
            line=line.name,
        )

    def _chainage(self, miss: NearMiss, runs: Sequence[GroundLine]) -> float | None:
        """Where on its line a vertex is that misses another; None where the line is not fenced there."""
        own = [run for row, run in enumerate(runs) if self.line[row] == self.source[miss.line]]
        for run in own:
            line = run.line
            _, _, apart = line.geod.inv(
                line.lon_deg,
                line.lat_deg,
                np.full(len(line.lon_deg), miss.lon_deg),
                np.full(len(line.lon_deg), miss.lat_deg),
            )
            at = int(np.argmin(apart))
            if apart[at] < COINCIDENT_M:
                return float(run.vertex_m[at]) + run.from_m
        return None


def _over_itself(line: DrawnLine, start_m: float, end_m: float) -> Finding:
    return Finding(
        code="line-over-itself",
        severity="warn",
        message=f"{line.told[:1].upper()}{line.told[1:]} goes the same way twice here, for {end_m - start_m:.2f} m, "
        "and is fenced once",
        remedy="Look whether it was drawn so by mistake, as where it was drawn too far and back: then draw it once.",
        chainage_m=start_m,
        chainage_to_m=end_m,
        value=round(end_m - start_m, 3),
        unit="m",
        line=line.name,
    )


def brought_together(
    lines: Sequence[DrawnLine],
    wanted: Sequence[Sequence[Line]],
    *,
    unmoved: Sequence[Sequence[Line]] | None = None,
    join_m: float,
) -> Meetings:
    """The runs that are fenced of what is wanted of each line; ``unmoved`` is the same before it was moved sideways."""
    source = tuple(row for row, runs in enumerate(wanted) for _ in runs)
    moved = [run for runs in wanted for run in runs]
    drawn = [run for runs in unmoved or wanted for run in runs]
    met = network(moved, join_m=join_m, near_m=NEAR_M)
    return Meetings(
        lines=tuple(lines),
        network=met,
        line=tuple(source[row] for row in met.line),
        source=source,
        join_m=join_m,
        parted=() if len(lines) == 1 or drawn == moved else parted(drawn, moved, join_m=join_m),
    )
