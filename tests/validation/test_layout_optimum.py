"""Layouts against optima found by other means, and walking by chord against other geometry.

Sources:

- (c) Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming
  Computation 10 (2018), 119-142: HiGHS, a solver of mixed integer programmes, through ``scipy.optimize.milp``. It is
  given bays with widths and a binary each for full or cut; how many bays there are is tried from one up. With posts
  that are fixed it is given one programme for the whole line, with binaries for which post stands at which place.
- (c) S. Gillies and others, Shapely on GEOS: where a circle about a post meets the line.
- (a) A chord c of a circle of radius R stands over the angle 2 asin(c / 2R); vertices n legs of angle a apart on it are
  2 R sin(n a / 2) apart.
- (a) The definition itself on bent lines: every choice of vertices for posts, each piece laid by bisection on a
  polyline of complex numbers.
"""

from __future__ import annotations

from bisect import bisect
from itertools import combinations, pairwise
from math import asin, ceil, inf, radians, sin

import numpy as np
import pytest
import shapely
from scipy.optimize import Bounds, LinearConstraint, milp

from geofence.engine.chords import BentLine
from geofence.engine.layout import lay_out
from geofence.engine.records import Fit, FixedPost, Layout, LayoutRules, Path
from tests.engine.lines import arc, drawn, path

Score = tuple[int, int, float]  # bays, cut bays, narrowest


def programme(bays: int, length_m: float, rules: LayoutRules) -> tuple[Bounds, list[LinearConstraint]]:
    """Variables: a width and a flag ``full`` for each bay, then the narrowest width."""
    module, least = rules.module_m, rules.min_bay_m
    zero, one = np.zeros(2 * bays + 1), np.eye(2 * bays + 1)
    width, full, narrowest = one[:bays], one[bays:-1], one[-1]
    rows = [LinearConstraint(zero + width.sum(axis=0), length_m, length_m)]
    rows += [LinearConstraint(width[i] - (module - least) * full[i], least, module) for i in range(bays)]
    rows += [LinearConstraint(width[i] - narrowest, 0, inf) for i in range(bays)]
    if rules.fit == "both-ends":
        for i in range(bays // 2):
            rows.append(LinearConstraint(np.array([width[i] - width[-1 - i], full[i] - full[-1 - i]]), 0, 0))
        for i in range((bays - 1) // 2):
            rows.append(LinearConstraint(full[i + 1] - full[i], 0, inf))
    if rules.fit == "equal":
        rows += [LinearConstraint(width[i + 1] - width[i], 0, 0) for i in range(bays - 1)]
    return Bounds(0, np.array([module] * bays + [1] * bays + [module])), rows


def highs(length_m: float, rules: LayoutRules) -> Score | None:
    """Fewest bays, then fewest cut bays, then the widest narrowest; None where no number of bays fits."""
    for bays in range(1, ceil(length_m / rules.min_bay_m) + 1):
        bounds, rows = programme(bays, length_m, rules)
        whole = np.array([0] * bays + [1] * bays + [0])
        fewest = milp(-whole, integrality=whole, bounds=bounds, constraints=rows)
        if not fewest.success:
            continue
        full = round(-fewest.fun)
        rows.append(LinearConstraint(whole, full, full))
        widest = milp(-np.eye(2 * bays + 1)[-1], integrality=whole, bounds=bounds, constraints=rows)
        return bays, bays - full, -widest.fun
    return None


def score(layout: Layout) -> Score:
    return len(layout.bay_kind), layout.bay_kind.count("cut"), float(layout.width_m.min())


def lengths(rng: np.random.Generator, module_m: float, least_m: float) -> float:
    """Any length, one on a grid of 50 mm, one at the edge of what bays can fill, or one between n bays and n + 1."""
    count = int(rng.integers(1, 9))
    edges = (count * module_m, count * least_m, count * module_m + least_m, count * module_m + 2 * least_m)
    few = int(rng.integers(0, 3))
    between = rng.uniform(few * module_m, max(few * module_m, (few + 1) * least_m)) + 0.01
    return float(rng.choice([rng.uniform(0.2, 9 * module_m), 0.05 * rng.integers(4, 400), between, *edges]))


@pytest.mark.parametrize("fit", ["end", "start", "both-ends", "equal"])
def test_highs_finds_the_same_optimum_on_straight_spans(fit: Fit) -> None:
    rng = np.random.default_rng(["end", "start", "both-ends", "equal"].index(fit))
    impossible = 0
    for _ in range(100):
        module = float(rng.choice([1.885, 2.0, 2.4, 3.0]))
        rules = LayoutRules(module_m=module, min_bay_m=float(rng.uniform(0.1, 0.97) * module), fit=fit)
        length = lengths(rng, module, rules.min_bay_m)
        layout = lay_out(path([length]), [], rules)
        best = highs(length, rules)
        impossible += best is None
        assert [item.code for item in layout.findings] == ([] if best else ["bay-under-minimum"]), (length, rules)
        if best:
            assert score(layout)[:2] == best[:2], (length, rules)
            # HiGHS keeps its constraints to 1e-6 or so.
            assert score(layout)[2] == pytest.approx(best[2], abs=1e-5), (length, rules)
    assert 5 <= impossible <= 60


def with_fixed(bays: int, fixed_m: list[float], length_m: float, rules: LayoutRules) -> Score | None:
    """The best of so many bays on the whole line, some posts of which stand at these places."""
    bounds, rows = programme(bays, length_m, rules)
    columns, posts, places = 2 * bays + 1, bays - 1, len(fixed_m)
    size = columns + posts * places
    rows = [
        LinearConstraint(np.pad(np.atleast_2d(row.A), ((0, 0), (0, size - columns))), row.lb, row.ub) for row in rows
    ]
    reached = np.pad(np.tri(posts, bays), ((0, 0), (0, size - bays)))
    for place, at in enumerate(fixed_m):
        stands = np.eye(size)[columns + place * posts : columns + (place + 1) * posts]
        rows.append(LinearConstraint(stands.sum(axis=0), 1, 1))
        rows.append(LinearConstraint(reached + (length_m - at) * stands, -inf, length_m))
        rows.append(LinearConstraint(reached - at * stands, 0, inf))
    bounds = Bounds(0, np.append(bounds.ub, np.ones(posts * places)))
    whole = np.array([0] * bays + [1] * bays + [0] + [1] * (posts * places))
    count = np.eye(size)[bays : columns - 1].sum(axis=0)
    fewest = milp(-count, integrality=whole, bounds=bounds, constraints=rows)
    if not fewest.success:
        return None
    full = round(-fewest.fun)
    rows.append(LinearConstraint(count, full, full))
    widest = milp(-np.eye(size)[columns - 1], integrality=whole, bounds=bounds, constraints=rows)
    return bays, bays - full, -widest.fun


@pytest.mark.parametrize("fit", ["end", "start"])
def test_highs_finds_the_same_optimum_with_posts_that_exist(fit: Fit) -> None:
    """100 lines each, with one to three fixed posts; where no layout keeps the limits both say so."""
    rng = np.random.default_rng(["end", "start"].index(fit) + 77)
    impossible = 0
    for _ in range(100):
        rules = LayoutRules(module_m=2.4, min_bay_m=float(rng.uniform(0.1, 0.8) * 2.4), fit=fit)
        gaps = rng.choice([rng.uniform(0.3, 5.0, 4), 0.1 * rng.integers(3, 50, 4), 2.4 * rng.integers(1, 3, 4)])
        *fixed, length = np.cumsum(gaps[: rng.integers(2, 5)]).tolist()
        layout = lay_out(path([length]), [], rules, fixed=[FixedPost(chainage_m=at, kind="existing") for at in fixed])
        tried = (with_fixed(bays, fixed, length, rules) for bays in range(2, int(length / rules.min_bay_m + 1e-9) + 1))
        best = next((found for found in tried if found is not None), None)
        impossible += best is None
        assert {item.code for item in layout.findings} == (set() if best else {"bay-under-minimum"}), (fixed, rules)
        assert set(fixed) <= set(layout.post_m.tolist())
        if best:
            assert score(layout)[:2] == best[:2], (fixed, length, rules)
            assert score(layout)[2] == pytest.approx(best[2], abs=1e-5), (fixed, length, rules)
    assert 5 <= impossible <= 70


class Drawn:
    """A bent line as complex numbers, with a walk that brackets and bisects along each leg."""

    def __init__(self, line: Path) -> None:
        self.vertex_m = line.vertex_m.tolist()
        self.corner = (shapely.get_coordinates(drawn(line)) @ [1, 1j]).tolist()

    def at(self, chainage_m: float) -> complex:
        leg = min(bisect(self.vertex_m, chainage_m), len(self.vertex_m) - 1)  # the last goes on for ever
        share = (chainage_m - self.vertex_m[leg - 1]) / (self.vertex_m[leg] - self.vertex_m[leg - 1])
        return complex(self.corner[leg - 1] + share * (self.corner[leg] - self.corner[leg - 1]))

    def step(self, from_m: float, chord_m: float) -> float:
        post = self.at(from_m)
        ahead = [v for v in self.vertex_m if v > from_m] + [self.vertex_m[-1] + 2 * chord_m]
        low, high = next((a, b) for a, b in pairwise([from_m, *ahead]) if abs(self.at(b) - post) >= chord_m)
        for _ in range(45):
            middle = (low + high) / 2
            low, high = (low, middle) if abs(self.at(middle) - post) >= chord_m else (middle, high)
        return high

    def walk(self, from_m: float, chords_m: list[float]) -> list[float]:
        posts = [from_m]
        for chord in chords_m:
            posts.append(self.step(posts[-1], chord))
        return posts

    def departure_m(self, start_m: float, end_m: float) -> float:
        a, b = self.at(start_m), self.at(end_m)
        inside = [self.at(v) for v in self.vertex_m if start_m < v < end_m]
        return max((abs(((z - a) * (b - a).conjugate()).imag) / abs(b - a) for z in inside), default=0.0)

    def piece(self, start_m: float, end_m: float, rules: LayoutRules) -> list[float] | None:
        """Widths of the fewest bays, then fewest cut bays, placed as the fit says; None if none keep the limits."""
        bays, reached = 0, start_m
        while reached < end_m - 1e-6:
            bays, reached = bays + 1, self.step(reached, rules.module_m)
        for cuts in range(bays + 1) if abs(reached - end_m) < 1e-6 else range(1, bays + 1):
            pattern = self.pattern(bays, cuts, rules.fit)
            if pattern is None:
                continue
            low, high = 0.01, rules.module_m
            for _ in range(40 if cuts else 0):
                middle = (low + high) / 2
                widths = [rules.module_m if full else middle for full in pattern]
                low, high = (low, middle) if self.walk(start_m, widths)[-1] > end_m else (middle, high)
            if high >= rules.min_bay_m - 1e-9:
                widths = [rules.module_m if full else high for full in pattern]
                posts = [*self.walk(start_m, widths)[:-1], end_m]
                near = all(self.departure_m(a, b) <= rules.line_tolerance_m + 1e-6 for a, b in pairwise(posts))
                return widths if near else None
        return None

    @staticmethod
    def pattern(bays: int, cuts: int, fit: Fit) -> list[bool] | None:
        """Which bays are full; None where this many cut bays do not suit the fit."""
        if cuts == bays or (fit == "end"):
            return [True] * (bays - cuts) + [False] * cuts
        if fit == "start":
            return [False] * cuts + [True] * (bays - cuts)
        if fit == "both-ends" and cuts % 2 == 0:
            return [False] * (cuts // 2) + [True] * (bays - cuts) + [False] * (cuts // 2)
        return None

    def best(self, rules: LayoutRules) -> Score | None:
        """The best of all choices of vertices for posts; None where no choice keeps every limit."""
        best: Score | None = None
        places = range(len(self.vertex_m))
        pieces = {(a, b): self.piece(self.vertex_m[a], self.vertex_m[b], rules) for a, b in combinations(places, 2)}
        for count in range(len(self.vertex_m) - 1):
            for chosen in combinations(places[1:-1], count):
                found = [pieces[pair] for pair in pairwise([0, *chosen, places[-1]])]
                if any(widths is None for widths in found):
                    continue
                widths = [width for piece in found for width in piece or ()]
                cuts = sum(width < rules.module_m for width in widths)
                this = (len(widths), cuts, -round(min(widths), 6))
                best = this if best is None else min(best, this)
        return best and (best[0], best[1], -best[2])


@pytest.mark.parametrize("fit", ["end", "start", "both-ends", "equal"])
def test_no_choice_of_vertices_is_better_on_bent_lines(fit: Fit) -> None:
    rng = np.random.default_rng(8)
    possible = posts_on_bends = 0
    for _ in range(20):
        bends = int(rng.integers(1, 5))
        line = path(rng.uniform(0.3, rng.choice([1.5, 7.0]), bends + 1), rng.uniform(-6, 6, bends))
        rules = LayoutRules(module_m=float(rng.choice([1.885, 2.4])), min_bay_m=float(rng.uniform(0.3, 1.2)), fit=fit)
        layout = lay_out(line, [], rules)
        best = Drawn(line).best(rules)
        assert (best is None) == bool(layout.findings), line
        if best:
            possible += 1
            posts_on_bends += layout.post_kind.count("bend")
            assert score(layout)[:2] == best[:2], line
            assert score(layout)[2] == pytest.approx(best[2], abs=2e-6), line
    assert possible >= 8
    assert posts_on_bends >= 5


@pytest.mark.parametrize(
    ("legs_m", "turns_deg", "fit", "least_m"),
    [
        # Fewer bays and fewer cut bays ask for different vertices.
        ([0.53, 9.28, 4.1, 8.14, 0.36, 3.83], [0.0, 1.8, 4.7, -3.4, 0.8], "both-ends", 0.4),
        ([5.59, 3.97, 3.79, 0.78, 1.18], [-2.3, -5.0, 0.7, 4.9], "both-ends", 0.6),
        # The best vertex is not near the first full bay that leaves the line.
        ([11.75, 7.2, 4.04, 2.49], [2.1, -3.7, 0.9], "equal", 0.6),
        ([4.4, 11.21, 11.17, 9.66], [-1.2, 4.3, -0.5], "both-ends", 0.4),
    ],
)
def test_lines_on_which_a_shorter_look_goes_wrong(
    legs_m: list[float], turns_deg: list[float], fit: Fit, least_m: float
) -> None:
    line, rules = path(legs_m, turns_deg), LayoutRules(module_m=2.4, min_bay_m=least_m, fit=fit)
    best = Drawn(line).best(rules)
    assert best is not None
    assert score(lay_out(line, [], rules)) == pytest.approx(best, abs=2e-6)


class TestWalkingByChord:
    def test_a_circle_about_each_post_meets_the_line_at_the_next(self) -> None:
        # GEOS draws a circle as a polygon: with 4096 sides of a radius of 2.4 m it lies within 0.8 micrometre of one.
        rng = np.random.default_rng(4)
        line = path(rng.uniform(0.3, 6.0, 40), rng.uniform(-9.9, 9.9, 39))
        bent = BentLine.from_turns(line.vertex_m.tolist(), line.deflection_deg.tolist())
        picture, post = drawn(line), 0.0
        for following in bent.walk(0.0, 2.4):
            if following > line.length_m:
                break
            circle = shapely.line_interpolate_point(picture, post).buffer(2.4, quad_segs=1024).exterior
            met = shapely.line_locate_point(picture, shapely.get_parts(shapely.intersection(circle, picture)))
            assert following == pytest.approx(min(met[met > post]), abs=5e-6)
            post = following
        assert post > 100

    @pytest.mark.parametrize("radius_m", [3.0, 15.0, 400.0])
    def test_chords_of_a_circle(self, radius_m: float) -> None:
        # Legs of 5 mm: a post stands within leg^2 / 8R, a micrometre, of the circle, and its angle within half of that.
        chord, leg_angle = 1.885, 2 * asin(0.005 / 2 / radius_m)
        line = arc_of_chords(radius_m, leg_angle, 1500)
        bent = BentLine.from_turns(line.vertex_m.tolist(), line.deflection_deg.tolist())
        for count, post in zip(range(1, 4), bent.walk(0.0, chord), strict=False):
            angle = post / 0.005 * leg_angle
            assert angle * radius_m == pytest.approx(2 * asin(chord / 2 / radius_m) * count * radius_m, abs=5e-6)

    @pytest.mark.parametrize("legs", [2, 3, 7])
    def test_from_vertex_to_vertex_of_a_regular_polygon(self, legs: int) -> None:
        turn = radians(2.0)
        line = arc(0.3 / turn, 0.3, 7 * legs)
        chord = 0.3 * sin(legs * turn / 2) / sin(turn / 2)
        rules = LayoutRules(module_m=chord, min_bay_m=0.3 * chord, line_tolerance_m=0.1)
        layout = lay_out(line, [], rules)
        assert layout.bay_kind == ("full",) * 7
        assert layout.post_m == pytest.approx(0.3 * legs * np.arange(8), abs=1e-9)


def arc_of_chords(radius_m: float, leg_angle: float, legs: int) -> Path:
    """A polyline with its vertices on a circle."""
    return path([2 * radius_m * sin(leg_angle / 2)] * legs, [np.degrees(leg_angle)] * (legs - 1))
