"""Posts that must stand exactly where they are asked: those in the ground already, and those where lines meet."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from geofence.engine.chords import BentLine
from geofence.engine.openings import Opening
from geofence.engine.records import FixedPost, Floats, Path
from geofence.errors import LayoutError
from geofence.numeric import COINCIDENT_M, WIDTH_TOLERANCE_M, millimetres_up

__all__ = ["FixedPosts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedPosts:
    """The fixed posts of a line, in order and at least :data:`COINCIDENT_M` apart.

    ``posts``: one within :data:`COINCIDENT_M` of the line's end, a corner or a gate's post is that post, and stands at
    its chainage; a ring's first post is at 0, and ``ring_m`` is where the ring comes back to it.
    """

    posts: tuple[FixedPost, ...] = ()
    ring_m: float | None = None

    @classmethod
    def on(
        cls, fixed: Sequence[FixedPost], runs: Sequence[BentLine], openings: Sequence[Opening], path: Path
    ) -> FixedPosts:
        """Settle posts on a line.

        ``runs`` are the stretches of the line between its ends and corners, ``openings`` its gates, both in order. Of
        posts at one place an existing one is named.

        Raises
        ------
        LayoutError
            A post is not on the line, or stands within a gate.
        """
        first_m, last_m = runs[0].vertex_m[0], runs[-1].vertex_m[-1]
        marks = sorted(
            {first_m, *(run.vertex_m[-1] for run in runs)}.union(
                *((opening.start_m, opening.end_m) for opening in openings)
            )
        )
        settled: dict[float, FixedPost] = {}
        for post in sorted(fixed, key=lambda post: post.chainage_m):
            _check_on_line(post, path)
            at = _nearest(marks, post.chainage_m, post.chainage_m)
            if settled and abs(at - (last := next(reversed(settled)))) <= COINCIDENT_M and last not in marks:
                at = last
            at = first_m if path.closed and at == last_m else at
            _check_gates(post, at, openings)
            there = settled.get(at)
            if there is None or (there.kind, post.kind) == ("junction", "existing"):
                settled[at] = replace(post, chainage_m=at)
        in_order = sorted(settled.values(), key=lambda post: post.chainage_m)
        return cls(posts=tuple(in_order), ring_m=last_m if path.closed else None)

    def between(self, start_m: float, end_m: float) -> list[float]:
        """Chainages of those between two others, these left out."""
        first, last = (
            bisect_left(self.posts, edge_m, key=lambda post: post.chainage_m)
            for edge_m in (start_m + COINCIDENT_M, end_m - COINCIDENT_M)
        )
        return [post.chainage_m for post in self.posts[first:last]]

    def existing_at(self, chainage_m: float) -> FixedPost | None:
        """The existing post at a chainage where a post stands."""
        chainage_m = 0.0 if chainage_m == self.ring_m else chainage_m
        row = bisect_left(self.posts, chainage_m, key=lambda post: post.chainage_m)
        for post in self.posts[max(row - 1, 0) : row + 1]:
            if abs(post.chainage_m - chainage_m) <= WIDTH_TOLERANCE_M and post.kind == "existing":
                return post
        return None

    def rows(self, post_m: Floats) -> list[tuple[int, FixedPost]]:
        """Each with its row among a layout's posts."""
        places = post_m.tolist()
        return [(_row_of(places, post.chainage_m), post) for post in self.posts]


def _nearest(marks: Sequence[float], at_m: float, otherwise_m: float) -> float:
    row = bisect_left(marks, at_m)
    near = min(marks[max(row - 1, 0) : row + 1], key=lambda mark: abs(mark - at_m), default=otherwise_m)
    return near if abs(near - at_m) <= COINCIDENT_M else otherwise_m


def _row_of(places: Sequence[float], at_m: float) -> int:
    row = bisect_left(places, at_m)
    return min((near for near in (row - 1, row) if 0 <= near < len(places)), key=lambda near: abs(places[near] - at_m))


def _check_on_line(post: FixedPost, path: Path) -> None:
    outside = max(-post.chainage_m, post.chainage_m - path.length_m)
    if not outside <= COINCIDENT_M:
        raise LayoutError(
            f"the {post.kind} post {post.name} is not on the line".replace("  ", " "),
            rule="fixed-post-on-line",
            span_m=(post.chainage_m, post.chainage_m),
            value=f"{outside:.3f} m outside, on a line of {path.length_m:.3f} m",
            remedy="Leave it out, or move it onto the line.",
        )


def _check_gates(post: FixedPost, at_m: float, openings: Sequence[Opening]) -> None:
    row = bisect_left(openings, at_m, key=lambda opening: opening.end_m)
    if row == len(openings) or not openings[row].start_m < at_m < openings[row].end_m:
        return
    opening = openings[row]
    back, on = millimetres_up(opening.end_m - at_m), millimetres_up(at_m - opening.start_m)
    raise LayoutError(
        f"the {post.kind} post {post.name} stands in gate {opening.gate.name}".replace("  ", " "),
        rule="gate-without-post",
        gate=opening.gate.name,
        span_m=(opening.start_m, opening.end_m),
        value=round(min(on, back), 3),
        limit=0.0,
        unit="m",
        remedy=f"Move the gate {back:.3f} m back or {on:.3f} m on, make it narrower, or do without the post.",
    )
