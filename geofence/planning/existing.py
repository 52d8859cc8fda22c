"""A job's posts that are in the ground already: read, set on the line, and matched with what has to stand there."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geofence.engine.records import Finding, FixedPost, Floats
from geofence.errors import JobError
from geofence.inputs.existing_keys import Existing
from geofence.inputs.gate_rules import gate_rules
from geofence.inputs.job import Job, Resolved
from geofence.inputs.points import Marks, read_marks
from geofence.numeric import ANGLE_TOLERANCE_DEG, COINCIDENT_M, WIDTH_TOLERANCE_M, millimetres_up
from geofence.planning.gates import PlacedGate, place_gates
from geofence.planning.grounds import options_of
from geofence.planning.surveyed import SurveyedSite, existing_file
from geofence.site.feet import feet
from geofence.site.profile import GroundLine
from geofence.site.true_plane import stretches
from geofence.words import some_of

__all__ = ["Spot", "Standing", "stand"]

LOOK_M = 5.0
"""A post farther than this from the line belongs to something else, and is only counted."""

NAMED = 5
"""Most posts that a finding names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A post that exists: as the run has it, by chainage within the run, and where it stands, on the line's datum."""

    post: FixedPost
    lon_deg: float
    lat_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What exists on the line.

    Attributes
    ----------
    spots
        The posts of each run, in its direction.
    gates
        The job's gates, moved to the posts that exist beside theirs.
    findings
        What was found in reading them and setting them on the line.
    """

    spots: tuple[tuple[Spot, ...], ...]
    gates: tuple[PlacedGate, ...]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Post:
    """A post beside a run.

    ``point``: its row in the file; ``line``: the name of the run's line, and ``from_m`` the run's first chainage in it;
    ``foot_m``: the chainage of its foot within the run; ``left_m``: how far left of it, and of that ``beyond_m`` along
    the line; ``top_m``: its top, NaN if not known; ``lon_deg``, ``lat_deg``: where it stands, on the line's datum.
    """

    point: int
    name: str
    run: int
    line: str
    from_m: float
    foot_m: float
    left_m: float
    beyond_m: float
    top_m: float
    lon_deg: float
    lat_deg: float

    @property
    def away_m(self) -> float:
        return abs(self.left_m)

    @property
    def chainage_m(self) -> float:
        """The chainage of its foot in the line."""
        return self.foot_m + self.from_m

    def __str__(self) -> str:
        side, line = "left" if self.left_m > 0 else "right", self.line and f" of {self.line}"
        return f"{self.name} ({self.away_m:.3f} m {side} at {self.chainage_m:.2f} m{line})"

    def at(self, at_m: float, *, along_m: float) -> Spot:
        """The post as one that the run has at a chainage, so far along the line from its foot."""
        off_m = math.hypot(self.left_m, along_m)
        post = FixedPost(chainage_m=at_m, kind="existing", name=self.name, off_m=off_m, top_level_m=self.top_m)
        return Spot(post=post, lon_deg=self.lon_deg, lat_deg=self.lat_deg)

    def on_line(self, keys: Existing) -> bool:
        """Whether it stands near enough to be one of the line's posts."""
        return (
            self.away_m <= keys.aside_max_m + WIDTH_TOLERANCE_M
            and self.beyond_m <= keys.same_post_m + WIDTH_TOLERANCE_M
        )


def stand(job: Job, site: SurveyedSite, runs: Sequence[GroundLine], rules: Resolved) -> Standing:
    """Set the job's existing posts on its line, and its gates.

    A post is at its foot on the line. One near an end, a corner, a junction or a gate's post is that post: a gate moves
    to it, the others stay where the line has them.

    Parameters
    ----------
    job, site
        The job and its site.
    runs
        Its runs with a level at every station.
    rules
        Its values as resolved.

    Raises
    ------
    InputError, GridError, JobError
        The file cannot be used, or a post stands too far from the line and that is to be refused.
    LayoutError
        A gate cannot stand where it is asked for.
    """
    gates = place_gates(job, gate_rules(job, rules.parameters, post_width_m=rules.facts.post_width_m), site, runs)
    file = existing_file(job)
    if file is None:
        return Standing(spots=((),) * len(runs), gates=tuple(gates))
    corner_deg = [rules.layouts[site.line_of(row).table].corner_deg for row in range(len(runs))]
    junctions_m = [[post.chainage_m for post in posts] for posts in site.meetings.posts(runs)]
    keys = job.existing
    marks = read_marks(file, options_of(keys, "existing"))
    crossing = site.to_degrees(marks.crs)
    shifts = crossing.findings("file of existing posts", marks.crs.name, site.grid.name)
    beside = _beside(job, site, runs, marks, crossing.carry(marks.x, marks.y))
    found = [*marks.findings, *shifts, *_said(job, marks, beside)]
    spots: list[tuple[Spot, ...]] = []
    moved: list[PlacedGate] = []
    for row, run in enumerate(runs):
        line = _Line.of(job, row, run, corner_deg[row], junctions_m[row])
        own = sorted((post for post in beside if post.run == row and post.on_line(keys)), key=lambda post: post.foot_m)
        placed, here = [], []
        for gate in gates:
            if gate.run == row:
                gate, shifted = line.moved(gate, own)
                placed.append(gate)
                here += shifted
        settled, in_gates = line.settled(own, placed)
        found += [replace(item, line=site.name_of(row)) for item in (*here, *in_gates)]
        spots.append(tuple(settled))
        moved += placed
    return Standing(spots=tuple(spots), gates=tuple(moved), findings=tuple(found))


def _beside(
    job: Job, site: SurveyedSite, runs: Sequence[GroundLine], marks: Marks, lon_lat: tuple[Floats, Floats]
) -> list[_Post]:
    """The posts that stand near a run: each at the nearest, and at others that come as near at the same place."""
    top = marks.level_m if job.existing.levels == "tops" else np.full(len(marks.x), np.nan)
    posts: list[list[_Post]] = [[] for _ in marks.names]
    for row, run in enumerate(runs):
        planes = stretches(row, run, datum=site.grid, geoid_separation_m=job.job.geoid_separation_m)
        found = feet(planes, *lon_lat, look_m=LOOK_M)
        for point in np.flatnonzero(np.isfinite(found.away_m)).tolist():
            posts[point].append(
                _Post(
                    point=point,
                    name=marks.names[point],
                    run=row,
                    line=site.name_of(row),
                    from_m=run.from_m,
                    foot_m=float(found.chainage_m[point]) - run.from_m,
                    left_m=float(found.away_m[point]),
                    beyond_m=float(found.beyond_m[point]),
                    top_m=float(top[point]),
                    lon_deg=float(lon_lat[0][point]),
                    lat_deg=float(lon_lat[1][point]),
                )
            )
    return [post for each in posts for post in _where_lines_meet(each, runs, job.existing.same_post_m)]


def _where_lines_meet(posts: Sequence[_Post], runs: Sequence[GroundLine], same_m: float) -> Iterator[_Post]:
    """Of one post beside several runs the nearest, and those on which its foot is at the same place."""
    if not posts:
        return
    first = min(posts, key=lambda post: post.away_m)
    yield first
    lon, lat = (part.item() for part in runs[first.run].places(np.array([first.foot_m])))
    for post in posts:
        if post is not first:
            other = runs[post.run].places(np.array([post.foot_m]))
            *_, apart = runs[post.run].line.geod.inv(lon, lat, other[0].item(), other[1].item())
            if apart <= same_m:
                yield post


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A run as posts are set on it: ``marks_m`` are chainages at which one must stand anyway; 0 is a ring's end too."""

    row: int
    run: GroundLine
    marks_m: tuple[float, ...]
    same_m: float

    @classmethod
    def of(cls, job: Job, row: int, run: GroundLine, corner_deg: float, junctions_m: Sequence[float]) -> _Line:
        turns = np.abs(run.line.deflection_deg[1:-1])
        corners = run.vertex_m[1:-1][turns >= corner_deg - ANGLE_TOLERANCE_DEG]
        ends = (0.0,) if run.line.closed else (0.0, float(run.vertex_m[-1]))
        marks = (*ends, *corners.tolist(), *junctions_m)
        return cls(row=row, run=run, marks_m=marks, same_m=job.existing.same_post_m + WIDTH_TOLERANCE_M)

    @property
    def length_m(self) -> float:
        return float(self.run.vertex_m[-1])

    def apart_m(self, one_m: float, other_m: float) -> float:
        """How far apart two places are along the line; round a ring the shorter way."""
        apart = abs(one_m - other_m)
        return min(apart, self.length_m - apart) if self.run.line.closed else apart

    def moved(self, gate: PlacedGate, posts: Sequence[_Post]) -> tuple[PlacedGate, list[Finding]]:
        """The gate at the existing post that is nearest to one of its own, unless these must be where they are."""
        ends = (gate.chainage_m, gate.chainage_m + gate.rules.width_m)
        held = any(self.apart_m(mark, end) <= COINCIDENT_M for mark in self.marks_m for end in ends)
        near = [(self.apart_m(post.foot_m, end), post.foot_m - end, post) for post in posts for end in ends if not held]
        apart, by_m, post = min(near, key=lambda each: each[0], default=(math.inf, 0.0, None))
        start, end = ends[0] + by_m, ends[1] + by_m
        if post is None or not WIDTH_TOLERANCE_M < apart <= self.same_m or start < 0 or end > self.length_m:
            return gate, []
        return replace(gate, chainage_m=start), [_gate_moved(gate, post, by_m, start + self.run.from_m)]

    def settled(self, posts: Sequence[_Post], gates: Sequence[PlacedGate]) -> tuple[list[Spot], list[Finding]]:
        """The posts where they count and where they stand, and a finding for each that stands in a gate."""
        openings = [(gate, gate.chainage_m, gate.chainage_m + gate.rules.width_m) for gate in gates]
        targets = [*self.marks_m, *(end for _, *ends in openings for end in ends)]
        at = self._matched(posts, targets)
        spots: list[Spot] = []
        findings: list[Finding] = []
        for row, post in enumerate(posts):
            here = at.get(row, post.foot_m)
            inside = [each for each in openings if each[1] + COINCIDENT_M < here < each[2] - COINCIDENT_M]
            if inside:
                findings.append(_in_gate(post, *inside[0]))
                continue
            spots.append(post.at(here, along_m=self.apart_m(here, post.foot_m)))
        return sorted(spots, key=lambda spot: spot.post.chainage_m), findings

    def _matched(self, posts: Sequence[_Post], targets_m: Sequence[float]) -> dict[int, float]:
        """Rows of posts that are one of those that stand anyway, and where that is; the nearest first, each once."""
        pairs = sorted(
            (apart, row, target)
            for row, post in enumerate(posts)
            for target in targets_m
            if (apart := self.apart_m(post.foot_m, target)) <= self.same_m
        )
        at: dict[int, float] = {}
        for _, row, target in pairs:
            if row not in at and all(self.apart_m(target, taken) > COINCIDENT_M for taken in at.values()):
                at[row] = target
        return at


def _gate_moved(gate: PlacedGate, post: _Post, by_m: float, at_m: float) -> Finding:
    way = "on" if by_m > 0 else "back"
    return Finding(
        code="gate-moved-to-post",
        severity="note",
        message=f"Gate {gate.rules.name} stands {abs(by_m):.3f} m farther {way} than asked: its post is existing post "
        f"{post.name}",
        remedy="Or have a smaller existing.same_post_m, and a post of its own for the gate.",
        chainage_m=at_m,
        value=by_m,
        unit="m",
    )


def _in_gate(post: _Post, gate: PlacedGate, start_m: float, end_m: float) -> Finding:
    back, on = millimetres_up(end_m - post.foot_m), millimetres_up(post.foot_m - start_m)
    return Finding(
        code="existing-post-in-gate",
        severity="stop",
        message=f"Existing post {post.name} stands in the opening of gate {gate.rules.name}; the plan does without it",
        remedy=f"Draw it, and leave it out of the file; or move the gate {back:.3f} m back or {on:.3f} m on.",
        chainage_m=post.chainage_m,
        value=min(back, on),
        limit=0.0,
        unit="m",
    )


def _said(job: Job, marks: Marks, beside: Sequence[_Post]) -> Iterator[Finding]:
    """What is to be known of the file's points as a whole."""
    keys, source = job.existing, job.existing.file
    aside = [post for post in beside if not post.on_line(keys)]
    if aside and keys.aside == "refuse":
        raise _refused(job, aside[0])
    if aside:
        yield _aside(keys, aside)
    elsewhere = len(marks.names) - len({post.point for post in beside})
    if elsewhere:
        yield _elsewhere(elsewhere, len(marks.names), str(source))
    if keys.levels == "none" and np.isfinite(marks.level_m).any():
        yield Finding(
            code="existing-levels-unused",
            severity="note",
            message=f"The points of {source} have levels, and nothing says what they are of: they are not looked at",
            remedy='If they are those of the tops of the posts, say so: existing.levels = "tops".',
        )


def _aside(keys: Existing, posts: Sequence[_Post]) -> Finding:
    nearest = min(posts, key=lambda post: post.away_m)
    return Finding(
        code="existing-post-aside",
        severity="warn",
        message=f"Too far from the line to be its posts, and left out: {some_of([*map(str, posts)], NAMED)}",
        remedy="Draw them, or move the line to them; allow more by existing.aside_max_m, beyond an end or outside a "
        "corner by existing.same_post_m.",
        line=nearest.line,
        chainage_m=nearest.chainage_m,
        value=nearest.away_m,
        limit=keys.aside_max_m,
        unit="m",
    )


def _refused(job: Job, post: _Post) -> JobError:
    return JobError(
        f"existing post {post} stands too far from the line",
        place=job.place("existing", "aside"),
        value=round(post.away_m, 3),
        limit=job.existing.aside_max_m,
        unit="m",
        remedy='Leave it out of the file, or allow more by existing.aside_max_m; or set existing.aside = "leave-out".',
    )


def _elsewhere(count: int, total: int, source: str) -> Finding:
    every = count == total
    lies, is_left_out = ("lies", "is left out") if count == 1 else ("lie", "are left out")
    return Finding(
        code="existing-posts-elsewhere",
        severity="warn" if every else "note",
        message=f"{'All' if every and count > 1 else count} of the {total} points of {source} {lies} more than "
        f"{LOOK_M:g} m from the line, and {is_left_out}",
        remedy="Is the grid of the points right? Set existing.grid." if every else "",
        value=float(count),
    )
