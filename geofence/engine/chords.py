"""A line with bends, and walking along it by chord: what a crew does that measures straight from post to post."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from geofence.numeric import COINCIDENT_M

__all__ = ["BentLine"]

_SECANT_STEPS = 30
"""Three or four are usual; more than this and the place reached jumps."""

_LANDED_M = 1e-9
"""Near enough to the end: float64 places a walk of 100 km to about 1e-10 m."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BentLine:
    """A line of straight legs, laid out in a plane from its chainages and turns alone.

    Only the shape near a bay counts, so the plane's origin is the first vertex and its first leg points along y.

    Attributes
    ----------
    vertex_m
        k chainages of the vertices, increasing, k >= 2.
    x_m, y_m
        k positions of the vertices in the plane.
    leg_x, leg_y
        k - 1 unit directions of the legs. The last leg goes on for ever, so that a walk may run past the end.
    """

    vertex_m: tuple[float, ...]
    x_m: tuple[float, ...]
    y_m: tuple[float, ...]
    leg_x: tuple[float, ...]
    leg_y: tuple[float, ...]

    @classmethod
    def from_turns(cls, vertex_m: Sequence[float], deflection_deg: Sequence[float]) -> BentLine:
        """The line with these vertices; the turn at each is right positive, and those at the two ends do not count.

        >>> square = BentLine.from_turns([0.0, 3.0, 7.0], [0.0, 90.0, 0.0])
        >>> round(square.chord_m(0.0, 7.0), 9)
        5.0
        """
        heading = x = y = 0.0
        xs, ys, legs_x, legs_y = [x], [y], [], []
        for index in range(len(vertex_m) - 1):
            if index:
                heading += math.radians(deflection_deg[index])
            length = vertex_m[index + 1] - vertex_m[index]
            legs_x.append(math.sin(heading))
            legs_y.append(math.cos(heading))
            x += length * legs_x[-1]
            y += length * legs_y[-1]
            xs.append(x)
            ys.append(y)
        return cls(vertex_m=tuple(vertex_m), x_m=tuple(xs), y_m=tuple(ys), leg_x=tuple(legs_x), leg_y=tuple(legs_y))

    def reversed(self) -> BentLine:
        """The same line from its other end; a chainage c becomes first + last vertex - c."""
        both_ends_m = self.vertex_m[0] + self.vertex_m[-1]
        return BentLine(
            vertex_m=tuple(both_ends_m - vertex for vertex in self.vertex_m[::-1]),
            x_m=self.x_m[::-1],
            y_m=self.y_m[::-1],
            leg_x=tuple(-x for x in self.leg_x[::-1]),
            leg_y=tuple(-y for y in self.leg_y[::-1]),
        )

    def _leg(self, chainage_m: float) -> int:
        """The leg that holds a chainage; at a vertex the one ahead."""
        return bisect_right(self.vertex_m, chainage_m, 1, len(self.vertex_m) - 1) - 1

    def _place(self, chainage_m: float, leg: int) -> tuple[float, float]:
        along = chainage_m - self.vertex_m[leg]
        return self.x_m[leg] + along * self.leg_x[leg], self.y_m[leg] + along * self.leg_y[leg]

    def place(self, chainage_m: float) -> tuple[float, float]:
        """Position x, y of a chainage in the plane."""
        return self._place(chainage_m, self._leg(chainage_m))

    def chord_m(self, from_m: float, to_m: float) -> float:
        """Straight distance between two chainages."""
        return math.dist(self.place(from_m), self.place(to_m))

    def _between(self, from_m: float, to_m: float) -> tuple[int, int]:
        vertices = self.vertex_m
        return bisect_right(vertices, from_m + COINCIDENT_M), bisect_left(vertices, to_m - COINCIDENT_M)

    def bends_m(self, from_m: float, to_m: float) -> tuple[float, ...]:
        """Chainages of the vertices between two others, those that coincide with either left out."""
        first, last = self._between(from_m, to_m)
        return self.vertex_m[first:last]

    def departure_m(self, from_m: float, to_m: float) -> float:
        """Farthest that the line goes from the chord between two chainages.

        Along a straight leg the distance to a segment has no maximum but at the leg's ends, so the vertices decide.
        """
        first, last = self._between(from_m, to_m)
        if first >= last:
            return 0.0
        (x, y), (to_x, to_y) = self.place(from_m), self.place(to_m)
        run_x, run_y = to_x - x, to_y - y
        square = run_x * run_x + run_y * run_y
        farthest = 0.0
        for vertex in range(first, last):
            off_x, off_y = self.x_m[vertex] - x, self.y_m[vertex] - y
            share = min(1.0, max(0.0, (off_x * run_x + off_y * run_y) / square)) if square else 0.0
            farthest = max(farthest, math.hypot(off_x - share * run_x, off_y - share * run_y))
        return farthest

    def walk(self, from_m: float, chord_m: float) -> Iterator[float]:
        """Chainages of posts, each the first place ahead that lies ``chord_m`` from the post before; without end."""
        post, leg, final = from_m, self._leg(from_m), len(self.leg_x) - 1
        while leg < final:
            whole = int((self.vertex_m[leg + 1] - post) // chord_m)
            for count in range(1, whole + 1):
                yield post + count * chord_m
            post, leg = self._across(post + whole * chord_m, leg, chord_m)
            yield post
        count = 0
        while True:
            count += 1
            yield post + count * chord_m

    def _across(self, post_m: float, leg: int, chord_m: float) -> tuple[float, int]:
        """The next post where it lies beyond the end of this leg, and its leg."""
        x, y = self._place(post_m, leg)
        leg, final = leg + 1, len(self.leg_x) - 1
        while leg < final and math.hypot(self.x_m[leg + 1] - x, self.y_m[leg + 1] - y) < chord_m:
            leg += 1
        off_x, off_y = self.x_m[leg] - x, self.y_m[leg] - y
        along = off_x * self.leg_x[leg] + off_y * self.leg_y[leg]
        aside = off_x * self.leg_y[leg] - off_y * self.leg_x[leg]
        return self.vertex_m[leg] - along + math.sqrt(chord_m * chord_m - aside * aside), leg

    def posts_m(self, from_m: float, chords_m: Sequence[tuple[int, float]]) -> list[float]:
        """Chainages of the posts after ``from_m`` for (count, chord) pairs walked one after the other."""
        posts: list[float] = []
        for count, chord_m in chords_m:
            posts.extend(islice(self.walk(posts[-1] if posts else from_m, chord_m), count))
        return posts

    def alike_m(
        self, from_m: float, to_m: float, runs: Sequence[tuple[int, float | None]], *, longest_m: float
    ) -> float | None:
        """The one chord by which bays end at ``to_m``: that of the runs, (count, chord) in order, which say None.

        Found by the secant method: on a straight line the place reached grows by the number of such bays for each unit
        of the chord, and a slight bend changes that little. None where no chord up to ``longest_m`` does: on a line
        that turns back within a bay, the place that a walk reaches jumps as the chord grows.
        """

        def past_end(chord_m: float) -> float:
            chords = [(count, chord_m if chord is None else chord) for count, chord in runs]
            return self.posts_m(from_m, chords)[-1] - to_m

        chord, past, slope = longest_m, past_end(longest_m), float(sum(count for count, chord in runs if chord is None))
        for _ in range(_SECANT_STEPS):
            if abs(past) < _LANDED_M:
                return chord
            closer = chord - past / slope
            if not 0.0 < closer <= longest_m or closer == chord:
                return None
            closer_past = past_end(closer)
            slope = (closer_past - past) / (closer - chord)
            chord, past = closer, closer_past
            if slope <= 0.0:
                return None
        return None
