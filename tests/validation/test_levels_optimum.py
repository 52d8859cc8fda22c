"""Levels of a stepped fence against optima found by other means.

Sources (all (c), independent libraries, or (a), the definition itself):

- Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation 10
  (2018), 119-142: HiGHS, a solver of mixed integer programmes, through ``scipy.optimize.milp``.
- S. Gillies and others, Shapely on GEOS: areas of polygons.
- The definition: every combination of levels of a few bays, priced one by one.

HiGHS is given a programme that has nothing in common with a search over a lattice: a level chosen by binaries,
rises and falls at posts, and broken bays that loosen constraints. The fewest broken bays come from one programme, the
least cost with that number from a second. Its levels reach from below all ground to above it for every bay.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from math import ceil, floor

import numpy as np
import pytest
import shapely
from scipy.optimize import LinearConstraint

from geofence.engine import candidates
from geofence.engine.records import LevelRules, Profile
from geofence.engine.stepped import Levels, choose_levels
from tests.validation.highs import minimum

TOLERANCE_M = Fraction(1, 10**7)
THOUSANDTHS = 1000
"""HiGHS takes costs that differ by less than about 1e-6 for equal; given them in thousandths, by less than 1e-9."""


@dataclass
class Instance:
    """Bays on a ground, with the price of each level of each bay and whether it is within the bay's own limits."""

    profile: Profile
    start_m: np.ndarray
    end_m: np.ndarray
    rules: LevelRules
    closed: bool
    beyond: int = 6

    def __post_init__(self) -> None:
        rules, ground = self.rules, self.profile.level_m
        self.levels = np.arange(
            floor(ground.min() / rules.increment_m) - self.beyond,
            ceil(ground.max() / rules.increment_m) + self.beyond + 1,
        )
        underside = self.levels * rules.increment_m
        self.price = np.empty((len(self.start_m), len(self.levels)))
        self.fits = np.empty(self.price.shape, dtype=bool)
        for bay, (start, end) in enumerate(zip(self.start_m, self.end_m, strict=True)):
            gap, dig = polygon_areas(self.profile, start, end, underside)
            self.price[bay] = rules.gap_cost * gap + rules.dig_cost * dig
            ground = ground_between(self.profile, start, end)[:, 1]
            self.fits[bay] = (underside - ground.min() <= rules.gap_max_m + float(TOLERANCE_M)) & (
                ground.max() - underside <= rules.dig_max_m + float(TOLERANCE_M)
            )

    @property
    def posts(self) -> list[tuple[int, int]]:
        """Pairs of bays that meet at a post."""
        count = len(self.start_m)
        return [(bay - 1, bay) for bay in range(1, count)] + ([(count - 1, 0)] if self.closed else [])

    def allowed(self, change: int) -> bool:
        by = abs(change) * exact(self.rules.increment_m)
        least, most = exact(self.rules.step_min_m), exact(self.rules.step_max_m)
        return change == 0 or least - TOLERANCE_M <= by <= most + TOLERANCE_M

    def value(self, chosen: list[int]) -> tuple[int, float]:
        """Number of broken bays and cost of a choice of levels, by the definition."""
        broken = [not self.fits[bay, row] for bay, row in enumerate(chosen)]
        cost = float(sum(self.price[bay, row] for bay, row in enumerate(chosen)))
        for before, bay in self.posts:
            change = chosen[bay] - chosen[before]
            broken[bay] = broken[bay] or not self.allowed(change)
            cost += self.rules.step_cost * (change != 0)
            cost += self.rules.rise_cost * self.rules.increment_m * abs(change)
        return sum(broken), cost


def exact(number: float) -> Fraction:
    return Fraction(str(number))


def ground_between(profile: Profile, start: float, end: float) -> np.ndarray:
    line = shapely.linestrings(np.column_stack([profile.chainage_m, profile.level_m]))
    column = shapely.box(start, profile.level_m.min() - 1, end, profile.level_m.max() + 1)
    return shapely.get_coordinates(line.intersection(column))


def polygon_areas(profile: Profile, start: float, end: float, underside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gap and dig areas as areas of polygons: what lies under the underside and not in the ground, and the reverse."""
    depth = min(profile.level_m.min(), underside.min()) - 1
    ground = ground_between(profile, start, end)
    earth = shapely.polygons([(start, depth), *ground, (end, depth)])
    under = shapely.box(start, depth, end, underside)
    return shapely.area(shapely.difference(under, earth)), shapely.area(shapely.difference(earth, under))


def random_instance(seed: int, *, bays: tuple[int, int]) -> Instance:
    """Any mixture of mild and rough ground, cliffs, generous and impossible limits, at all sorts of levels."""
    draw = np.random.default_rng(seed)
    count = int(draw.integers(*bays, endpoint=True))
    width = float(draw.choice([0.6, 1.885, 2.5]))
    length = count * width
    station = np.unique(np.concatenate([[0, length], draw.uniform(0, length, 2 * count)]))
    station = station[np.concatenate([[True], np.diff(station) > 1e-6])]
    level = np.cumsum(draw.normal(0, draw.choice([0.02, 0.06, 0.15]), len(station))) + draw.choice([-3.2, 0.0, 9000.0])
    if draw.random() < 0.2:
        level[len(level) // 2 :] += draw.choice([1.2, -0.9])
    closed = bool(draw.random() < 0.4)
    if closed:
        level = level - (level[-1] - level[0]) * station / length
    pick = {
        "gap_max_m": [0.1, 0.15, 0.3, 0.8],
        "dig_max_m": [0.1, 0.0, -0.05, 0.3],
        "step_min_m": [0.0, 0.05, 0.12, 0.2],
        "step_max_m": [0.02, 0.2, 0.3, 0.6, 5.0],
        "gap_cost": [40.0, 3.7, 0.0],
        "dig_cost": [90.0, 5.3],
        "step_cost": [25.0, 2.1, 0.0],
        "rise_cost": [10.0, 0.0, 47.0],
    }
    chosen = {name: float(draw.choice(values)) for name, values in pick.items()}
    edges = np.linspace(0, length, count + 1)
    rules = LevelRules(increment_m=float(draw.choice([0.05, 0.1, 0.25])), **chosen)
    return Instance(Profile(chainage_m=station, level_m=level), edges[:-1], edges[1:], rules, closed)


def few_combinations(seed: int) -> Instance:
    """One to three bays; drawn again, from a seed a thousand higher, until they have at most 20 000 combinations."""
    instance = random_instance(seed, bays=(1, 3))
    instance.beyond = 2
    instance.__post_init__()
    return instance if len(instance.levels) ** len(instance.start_m) <= 20_000 else few_combinations(seed + 1000)


def highs(instance: Instance) -> tuple[int, float]:
    """Fewest broken bays, and the least cost with that number."""
    programme = Programme(instance)
    fewest = programme.solve(programme.broken_objective)
    chosen = programme.solve(THOUSANDTHS * programme.cost_objective, most_broken=instance.value(fewest)[0])
    return instance.value(chosen)


class Programme:
    """Columns: a binary per bay and level; broken per bay; rise, fall, rises?, falls? per post."""

    def __init__(self, instance: Instance) -> None:
        self.instance = instance
        rules, (bays, levels), posts = instance.rules, instance.price.shape, len(instance.posts)
        self.bays, self.levels = bays, levels
        self.broken = bays * levels
        self.rise, self.fall, self.rises, self.falls = (self.broken + bays + posts * part for part in range(4))
        self.columns = self.broken + bays + 4 * posts
        per_level = rules.rise_cost * rules.increment_m
        self.cost_objective = np.concatenate(
            [instance.price.ravel(), np.zeros(bays), np.full(2 * posts, per_level), np.full(2 * posts, rules.step_cost)]
        )
        self.broken_objective = np.zeros(self.columns)
        self.broken_objective[self.broken : self.broken + bays] = 1
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []
        for bay in range(bays):
            own = range(bay * levels, (bay + 1) * levels)
            self.row(dict.fromkeys(own, 1.0), 1, 1)
            outside = {column: 1.0 for column, fits in zip(own, instance.fits[bay], strict=True) if not fits}
            self.row({**outside, self.broken + bay: -1.0}, -np.inf, 0)
        for post, (before, bay) in enumerate(instance.posts):
            self.post_rows(post, before, bay)

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        self.entries += [(len(self.low), column, value) for column, value in terms.items()]
        self.low.append(low)
        self.high.append(high)

    def post_rows(self, post: int, before: int, bay: int) -> None:
        rules = self.instance.rules
        largest = self.levels
        increment = exact(rules.increment_m)
        least = max(1, ceil((exact(rules.step_min_m) - TOLERANCE_M) / increment))
        most = max(0, floor((exact(rules.step_max_m) + TOLERANCE_M) / increment))
        balance: dict[int, float] = {self.rise + post: -1.0, self.fall + post: 1.0}
        for level in range(self.levels if bay != before else 0):
            balance[bay * self.levels + level] = float(level)
            balance[before * self.levels + level] = -float(level)
        self.row(balance, 0, 0)
        self.row({self.rises + post: 1.0, self.falls + post: 1.0}, -np.inf, 1)
        for amount, happens in ((self.rise + post, self.rises + post), (self.fall + post, self.falls + post)):
            broken = self.broken + bay
            self.row({amount: 1.0, happens: -float(largest)}, -np.inf, 0)
            self.row({amount: 1.0, happens: -float(least), broken: float(least)}, 0, np.inf)
            self.row({amount: 1.0, happens: -float(most), broken: -float(largest)}, -np.inf, 0)

    def solve(self, objective: np.ndarray, most_broken: int | None = None) -> list[int]:
        upper = np.ones(self.columns)
        upper[self.rise : self.rises] = self.levels
        limit = () if most_broken is None else (LinearConstraint(self.broken_objective, -np.inf, most_broken),)
        found = minimum(
            objective,
            entries=self.entries,
            low=self.low,
            high=self.high,
            upper=upper,
            continuous=slice(self.rise, self.rises),
            also=limit,
        )
        return found.x[: self.broken].reshape(self.bays, self.levels).argmax(axis=1).tolist()


def planned(instance: Instance) -> Levels:
    return choose_levels(instance.profile, instance.start_m, instance.end_m, instance.rules, closed=instance.closed)


def assert_equal(levels: Levels, best: tuple[int, float]) -> None:
    assert levels.proven == "exact"
    assert int(levels.broken.sum()) == best[0]
    assert levels.cost.total == pytest.approx(best[1], rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("group", range(10))
def test_highs_finds_the_same_optimum_on_200_small_rows(group: int) -> None:
    for seed in range(20 * group, 20 * group + 20):
        instance = random_instance(seed, bays=(5, 10))
        assert_equal(planned(instance), highs(instance))


@pytest.mark.parametrize("seed", [0, 4, 16, 20, 24, 32])
def test_highs_finds_the_same_optimum_on_long_rows(seed: int) -> None:
    """Seeds with which HiGHS needs less than half a second; four of the six rows have broken bays."""
    instance = random_instance(seed, bays=(30, 60))
    assert_equal(planned(instance), highs(instance))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1300))
def test_highs_finds_the_same_optimum_on_rows_of_any_length(seed: int) -> None:
    instance = random_instance(seed, bays=(5, 40))
    assert_equal(planned(instance), highs(instance))


@pytest.mark.parametrize("group", range(4))
def test_too_few_levels_at_first_end_at_the_same_optimum(group: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting with one level around the ground, the search must find out by itself that it needs more."""
    monkeypatch.setattr(candidates, "_levels_worth", lambda cost, _: np.ones(len(cost), dtype=np.int64))
    monkeypatch.setattr(candidates, "MOST_ARRIVALS", 0)
    monkeypatch.setattr(candidates.BayRow, "_with_fitting", lambda _, low, high, __: (low, high))
    for seed in range(300 + 10 * group, 310 + 10 * group):
        instance = random_instance(seed, bays=(5, 9))
        assert_equal(planned(instance), highs(instance))


@pytest.mark.parametrize("seed", range(60))
def test_no_combination_of_levels_is_better(seed: int) -> None:
    """(a) All combinations of the levels of one to three bays, priced by the definition."""
    instance = few_combinations(seed)
    rows = range(len(instance.levels))
    best = min(instance.value(list(chosen)) for chosen in product(rows, repeat=len(instance.start_m)))
    levels = planned(instance)
    low, high = instance.levels[[0, -1]] * instance.rules.increment_m
    assert (int(levels.broken.sum()), levels.cost.total) <= (best[0], best[1] + 1e-9)
    if np.all((low - 1e-9 <= levels.underside_from_m) & (levels.underside_from_m <= high + 1e-9)):
        assert_equal(levels, best)


@pytest.mark.parametrize("seed", range(20))
def test_areas_are_those_of_polygons(seed: int) -> None:
    """(c) Areas within 1e-11 m2; at levels of 9000 m GEOS itself keeps no more than 1e-9."""
    instance = random_instance(seed, bays=(3, 20))
    levels = planned(instance)
    exact_to = 1e-11 if abs(levels.underside_from_m).max() < 100 else 1e-8
    for bay, (start, end) in enumerate(zip(instance.start_m, instance.end_m, strict=True)):
        gap, dig = polygon_areas(instance.profile, start, end, levels.underside_from_m[bay : bay + 1])
        assert levels.gap_area_m2[bay] == pytest.approx(gap[0], abs=exact_to)
        assert levels.dig_area_m2[bay] == pytest.approx(dig[0], abs=exact_to)
