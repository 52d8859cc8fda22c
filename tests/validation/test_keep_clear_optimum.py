"""Layouts round keep-clears against optima found by other means.

Sources (all (c), independent libraries, or (a), the definition itself):

- Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation 10
  (2018), 119-142: HiGHS, a solver of mixed integer programmes, through ``scipy.optimize.milp``.
- The definition: every layout on a lattice of decimetres, walked through one by one.

HiGHS is given posts as continuous unknowns, with binaries for the side of each keep-clear that a post stands on, for
the place among the plain layout's that it keeps, and for bays that are cut; nothing of intervals of reachable places.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from geofence.engine.layout import lay_out
from geofence.engine.records import Fit, KeepClear, Layout, LayoutRules, Path

FITS: tuple[Fit, ...] = ("end", "start", "both-ends", "equal")
SAME_M = 1e-5

Rank = tuple[int, int, int, int]
"""Posts in keep-clears, bays, posts that stand elsewhere than without, cut bays (0 where all are alike)."""


@dataclass(frozen=True)
class Instance:
    length_m: float
    rules: LayoutRules
    barred: tuple[tuple[float, float], ...]

    def laid(self, *, keep_clear: bool = True) -> Layout:
        path = Path(vertex_m=[0.0, self.length_m], deflection_deg=[0.0, 0.0])
        bars = [KeepClear(name="x", from_m=a, to_m=b) for a, b in self.barred] if keep_clear else []
        return lay_out(path, [], self.rules, keep_clear=bars)

    @property
    def wanted(self) -> list[float]:
        return self.laid(keep_clear=False).post_m[1:-1].tolist()

    def fits(self) -> bool:
        return not self.laid(keep_clear=False).findings

    def rank(self, posts: np.ndarray) -> tuple[Rank, float]:
        """The rank of a layout by its posts alone, and its narrowest bay."""
        inner, widths = posts[1:-1], np.diff(posts)
        inside = sum(any(a + SAME_M < post < b - SAME_M for a, b in self.barred) for post in inner)
        wanted = np.array(self.wanted)
        moved = sum(len(wanted) == 0 or np.abs(wanted - post).min() > SAME_M for post in inner)
        cut = 0 if self.rules.fit == "equal" else int(np.sum(widths < self.rules.module_m - SAME_M))
        return (inside, len(widths), moved, cut), float(widths.min())


def instances(seed: int, count: int) -> Iterator[Instance]:
    """Random stretches that can be laid out without keep-clears, each with posts in the way of some."""
    random = np.random.default_rng(seed)
    while count:
        module = round(random.uniform(1.5, 3.0), 2)
        narrowest = round(module * random.uniform(0.15, 0.85), 2)
        length = round(module * random.uniform(1.5, 5.0), 2)
        bars = tuple(
            (round(middle - half, 2), round(middle + half, 2))
            for middle, half in zip(
                random.uniform(0, length, random.integers(1, 4)), random.uniform(0.1, 0.62 * module, 3), strict=False
            )
        )
        fit = FITS[random.integers(4)]
        found = Instance(length, LayoutRules(module_m=module, min_bay_m=narrowest, fit=fit), bars)
        if found.fits() and any(a < post < b for post in found.wanted for a, b in bars):
            count -= 1
            yield found


def by_highs(instance: Instance) -> tuple[Rank, float] | None:
    """The least rank over all numbers of bays, and the widest narrowest bay with it."""
    best: tuple[Rank, float] | None = None
    rules, length = instance.rules, instance.length_m
    for bays in range(max(1, math.ceil(length / rules.module_m - 1e-9)), int(length / rules.min_bay_m + 1e-9) + 1):
        found = _by_highs(instance, bays)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
        if best is not None and best[0][0] == 0:
            break
    return best


def _by_highs(instance: Instance, bays: int) -> tuple[Rank, float] | None:
    rules, length, posts, wanted = instance.rules, instance.length_m, bays - 1, instance.wanted
    bars = len(instance.barred)
    # unknowns: posts | barred | moved | left of a bar | right of it | place kept | cut bays | narrowest
    at = np.cumsum([0, posts, posts, posts, posts * bars, posts * bars, posts * len(wanted), bays, 1])
    x, inside, moved, left, right, keeps, cut, narrowest = (int(each) for each in at[:-1])
    rows: list[tuple[dict[int, float], float, float]] = []

    def width(bay: int) -> tuple[dict[int, float], float]:
        terms = {x + bay: 1.0} if bay < posts else {}
        return terms | ({x + bay - 1: -1.0} if bay else {}), length if bay == posts else 0.0

    for bay in range(bays):
        terms, fixed = width(bay)
        rows.append((terms, rules.min_bay_m - fixed, rules.module_m - fixed))
        rows.append((terms | {cut + bay: rules.module_m}, rules.module_m - fixed, np.inf))
        rows.append((terms | {narrowest: -1.0}, -fixed, np.inf))
    for post in range(posts):
        for bar, (start, end) in enumerate(instance.barred):
            row = post * bars + bar
            # A keep-clear may reach past the ends of the stretch; a binary of 0 must leave the post all of 0 to length.
            rows.append(({x + post: 1.0, left + row: length - start}, -np.inf, length))
            rows.append(({x + post: 1.0, right + row: -end}, 0.0, np.inf))
            rows.append(({left + row: 1.0, right + row: 1.0, inside + post: 1.0}, 1.0, np.inf))
        places = range(keeps + post * len(wanted), keeps + (post + 1) * len(wanted))
        rows.append(({moved + post: 1.0, **dict.fromkeys(places, 1.0)}, 1.0, 1.0))
        for place, kept_m in zip(places, wanted, strict=True):
            rows.append(({x + post: 1.0, place: length - kept_m}, -np.inf, length))
            rows.append(({x + post: 1.0, place: -kept_m}, 0.0, np.inf))
    size = int(at[-1])
    matrix = np.zeros((len(rows), size))
    for number, (terms, _, _) in enumerate(rows):
        for column, factor in terms.items():
            matrix[number, column] = factor
    base, cost = bays + 1, np.zeros(size)
    cost[inside : inside + posts] = base**2
    cost[moved : moved + posts] = base
    cost[cut : cut + bays] = 0 if rules.fit == "equal" else 1
    cost[narrowest] = -0.5 / rules.module_m
    upper = np.ones(size)
    upper[x : x + posts], upper[narrowest] = length, rules.module_m
    integer = np.ones(size)
    integer[x : x + posts] = integer[narrowest] = 0
    found = milp(
        cost,
        constraints=LinearConstraint(matrix, [low for _, low, _ in rows], [high for _, _, high in rows]),
        bounds=Bounds(np.zeros(size), upper),
        integrality=integer,
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None:
        return None
    whole = np.round(found.x).astype(int)
    cuts = 0 if rules.fit == "equal" else int(whole[cut : cut + bays].sum())
    rank = (int(whole[inside : inside + posts].sum()), bays, int(whole[moved : moved + posts].sum()), cuts)
    return rank, float(found.x[narrowest])


def agrees(instance: Instance) -> None:
    rank, narrowest = instance.rank(instance.laid().post_m)
    other = by_highs(instance)
    assert other is not None, instance
    assert rank == other[0], instance
    # HiGHS keeps constraints to 1e-6 of unknowns of up to 18 m: 0.05 mm
    assert narrowest == pytest.approx(other[1], abs=1e-4), instance


def test_highs_finds_the_same_optimum_on_200_stretches() -> None:
    for instance in instances(20261125, 200):
        agrees(instance)


@pytest.mark.slow
def test_highs_finds_the_same_optimum_on_a_thousand_more() -> None:
    for instance in instances(7, 1000):
        agrees(instance)


def on_lattice(length: int, module: int, narrowest: int, barred: list[tuple[int, int]], wanted: set[int]) -> Rank:
    """The least rank of all layouts on whole numbers: bay by bay, every place and every rank reached."""
    reached: dict[int, set[tuple[int, int, int]]] = {0: {(0, 0, 0)}}
    best: Rank | None = None
    for bays in range(1, length // narrowest + 1):
        following: dict[int, set[tuple[int, int, int]]] = {}
        for place, ranks in reached.items():
            for width in range(narrowest, module + 1):
                post = place + width
                if post > length:
                    break
                inside = post < length and any(a < post < b for a, b in barred)
                moved = post < length and post not in wanted
                step = (int(inside), int(moved), int(width < module))
                least = {tuple(a + b for a, b in zip(rank, step, strict=True)) for rank in ranks}
                following.setdefault(post, set()).update(least)  # type: ignore[arg-type]
        reached = {post: {min(ranks)} for post, ranks in following.items()}
        if length in reached:
            inside, moved, cut = min(reached[length])
            rank = (inside, bays, moved, cut)
            best = rank if best is None else min(best, rank)
    assert best is not None
    return best


def test_no_layout_on_a_lattice_is_better() -> None:
    """With whole decimetres throughout, some best layout stands on whole decimetres: widths are differences."""
    random = np.random.default_rng(11)
    done = 0
    while done < 120:
        module = int(random.integers(15, 30))
        narrowest, length = int(random.integers(3, module)), int(random.integers(2 * module, 6 * module))
        bars = [
            (int(a), int(a + w)) for a, w in zip(random.integers(1, length, 2), random.integers(2, 20, 2), strict=True)
        ]
        fit = FITS[random.integers(2)]
        rules = LayoutRules(module_m=module / 10, min_bay_m=narrowest / 10, fit=fit)
        instance = Instance(length / 10, rules, tuple((a / 10, b / 10) for a, b in bars))
        wanted = np.array(instance.wanted) * 10
        if not instance.fits() or np.abs(wanted - np.round(wanted)).max(initial=0.0) > 1e-6:
            continue
        done += 1
        rank, _ = instance.rank(instance.laid().post_m)
        assert rank == on_lattice(length, module, narrowest, bars, set(np.round(wanted).astype(int).tolist())), instance


def test_the_rank_is_that_of_the_definition() -> None:
    """(a) By hand: 24 m of ten modules with 1 m barred in the middle, laid with one bay more."""
    instance = Instance(24.0, LayoutRules(module_m=2.4, min_bay_m=0.4), ((11.5, 12.5),))
    posts = np.array([*np.arange(5) * 2.4, 10.8, 13.2, *np.arange(6, 11) * 2.4])
    assert instance.rank(posts) == ((0, 11, 2, 2), pytest.approx(1.2))
    assert instance.laid().post_m == pytest.approx(posts)
    assert all(width > 0 for width in (end - start for start, end in pairwise(posts)))


def test_a_keep_clear_past_the_end_leaves_the_other_posts_alone() -> None:
    """(a) By hand: 1.37 and 3.37 are 2.00 m apart, more than a module of 1.95 m, so some post stands between them.

    Three bays are the fewest on 4.66 m. Laid without keep-clears, posts stand at 0.76 and 2.71: the one of them that is
    in the way is no more than must be, so both stay, and the bay of 0.76 m is the only one that is cut.
    """
    barred = ((1.37, 3.33), (1.79, 3.37), (3.44, 5.84))
    instance = Instance(4.66, LayoutRules(module_m=1.95, min_bay_m=0.67, fit="start"), barred)
    assert instance.rank(instance.laid().post_m) == ((1, 3, 0, 1), pytest.approx(0.76))
    assert by_highs(instance) == ((1, 3, 0, 1), pytest.approx(0.76, abs=1e-4))
