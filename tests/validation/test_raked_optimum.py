"""Levels of a raked fence against optima found by other means.

Sources (all (c), independent libraries, or (a), the definition itself):

- Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation 10
  (2018), 119-142: HiGHS, a solver of mixed integer programmes, through ``scipy.optimize.milp``.
- S. Gillies and others, Shapely on GEOS: areas of polygons between a sloping underside and the ground.
- The definition: every combination of ends of one or two bays, priced one by one.

HiGHS is given a binary for each pair of ends of each bay, rises and falls at posts, and broken bays that loosen
constraints. The fewest broken bays come from one programme, the least cost with that number from a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from math import ceil, floor, prod, radians, tan

import numpy as np
import pytest
import shapely
from scipy.optimize import LinearConstraint

from geofence.engine import bay_ends
from geofence.engine.raked import RakedLevels, choose_rakes
from geofence.engine.records import LevelRules, Profile, RakeRules
from tests.validation.highs import minimum
from tests.validation.test_levels_optimum import THOUSANDTHS, TOLERANCE_M, exact, ground_between

SLACK_M = float(TOLERANCE_M)


@dataclass
class Bay:
    """One bay: the pairs of ends that count, in increments, with their prices and whether they keep its limits."""

    pairs: np.ndarray
    price: np.ndarray
    fits: np.ndarray


@dataclass
class Instance:
    profile: Profile
    start_m: np.ndarray
    end_m: np.ndarray
    rules: LevelRules
    rake: RakeRules
    closed: bool

    @cached_property
    def bays(self) -> list[Bay]:
        return [self.bay(start, end) for start, end in zip(self.start_m, self.end_m, strict=True)]

    def bay(self, start: float, end: float) -> Bay:
        """Every pair of ends between the lowest ground of the bay, less dig, and its highest, plus gap."""
        rules, ground = self.rules, ground_between(self.profile, start, end)
        increment, low, high = rules.increment_m, ground[:, 1].min(), ground[:, 1].max()
        lowest = floor((low - max(rules.dig_max_m, 0) + SLACK_M) / increment)
        highest = ceil((high + max(rules.gap_max_m, -rules.dig_max_m, 0) - SLACK_M) / increment)
        levels = range(lowest, highest + 1)
        pairs = np.array(list(product(levels, levels)))
        gap, dig = polygon_areas(ground, pairs * increment)
        share = (ground[:, 0] - start) / (end - start)
        above = increment * (pairs[:, :1] * (1 - share) + pairs[:, 1:] * share) - ground[:, 1]
        rise = np.abs(np.diff(pairs)[:, 0]) * increment
        fits = (above.max(axis=1) <= rules.gap_max_m + SLACK_M) & (-above.min(axis=1) <= rules.dig_max_m + SLACK_M)
        fits &= rise <= (end - start) * tan(radians(self.rake.rake_max_deg)) + SLACK_M
        return Bay(pairs, rules.gap_cost * gap + rules.dig_cost * dig, fits)

    @property
    def posts(self) -> list[tuple[int, int]]:
        """Pairs of bays that meet at a post."""
        count = len(self.start_m)
        return [(bay - 1, bay) for bay in range(1, count)] + ([(count - 1, 0)] if self.closed else [])

    def value(self, chosen: list[int]) -> tuple[int, float]:
        """Number of broken bays and cost of a choice of pairs, by the definition; infinite where it cannot be."""
        broken = [not bay.fits[row] for bay, row in zip(self.bays, chosen, strict=True)]
        cost = float(sum(bay.price[row] for bay, row in zip(self.bays, chosen, strict=True)))
        for before, bay in self.posts:
            change = int(self.bays[bay].pairs[chosen[bay], 0] - self.bays[before].pairs[chosen[before], 1])
            if self.rake.steps == "never" and change:
                return len(chosen) + 1, np.inf
            broken[bay] = broken[bay] or not self.allowed(change)
            cost += self.rules.step_cost * (change != 0)
            cost += self.rules.rise_cost * self.rules.increment_m * abs(change)
        return sum(broken), cost

    def allowed(self, change: int) -> bool:
        by = abs(change) * exact(self.rules.increment_m)
        least, most = exact(self.rules.step_min_m), exact(self.rules.step_max_m)
        return change == 0 or least - TOLERANCE_M <= by <= most + TOLERANCE_M


def polygon_areas(ground: np.ndarray, ends_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gap and dig areas as areas of polygons: what lies under the underside and not in the ground, and the reverse."""
    (start, end), depth = ground[[0, -1], 0], min(ground[:, 1].min(), ends_m.min()) - 1
    earth = shapely.polygons([(start, depth), *ground, (end, depth)])
    corners = np.empty((len(ends_m), 4, 2))
    corners[:, :, 0] = start, start, end, end
    corners[:, [0, 3], 1], corners[:, 1, 1], corners[:, 2, 1] = depth, ends_m[:, 0], ends_m[:, 1]
    under = shapely.polygons(corners)
    return shapely.area(shapely.difference(under, earth)), shapely.area(shapely.difference(earth, under))


def random_instance(seed: int, *, bays: tuple[int, int]) -> Instance:
    """Any mixture of mild, steep and rough ground, cliffs, generous and impossible limits, at all sorts of levels."""
    draw = np.random.default_rng(seed)
    count = int(draw.integers(*bays, endpoint=True))
    width = float(draw.choice([1.2, 1.885, 2.5]))
    length = count * width
    station = np.unique(np.concatenate([[0, length], draw.uniform(0, length, 2 * count)]))
    station = station[np.concatenate([[True], np.diff(station) > 1e-6])]
    level = np.cumsum(draw.normal(0, draw.choice([0.03, 0.08, 0.15]), len(station))) + draw.choice([-3.2, 0.0, 900.0])
    level += station * draw.choice([0.0, 0.1, -0.25])
    if draw.random() < 0.2:
        level[len(level) // 2 :] += draw.choice([0.8, -0.6])
    closed = bool(draw.random() < 0.4)
    if closed:
        level = level - (level[-1] - level[0]) * station / length
    pick = {
        "gap_max_m": [0.1, 0.15, 0.3],
        "dig_max_m": [0.1, 0.0, -0.05, 0.2],
        "step_min_m": [0.0, 0.05, 0.12, 0.2],
        "step_max_m": [0.02, 0.2, 0.3, 0.6],
        "gap_cost": [40.0, 3.7, 0.0],
        "dig_cost": [90.0, 5.3],
        "step_cost": [25.0, 2.1, 0.0],
        "rise_cost": [10.0, 0.0, 47.0],
    }
    chosen = {name: float(draw.choice(values)) for name, values in pick.items()}
    edges = np.linspace(0, length, count + 1)
    rules = LevelRules(increment_m=float(draw.choice([0.08, 0.1, 0.25])), **chosen)
    rake = RakeRules(
        rake_max_deg=float(draw.choice([4.0, 9.0, 15.0, 30.0])), steps="never" if draw.random() < 0.5 else "allowed"
    )
    profile = Profile(chainage_m=station, level_m=level)
    if draw.random() < 0.3:
        profile = with_bank(profile, edges[draw.integers(count)], float(draw.choice([0.4, -0.5, 1.1])), closed=closed)
    return Instance(profile, edges[:-1], edges[1:], rules, rake, closed)


def with_bank(profile: Profile, post_m: float, rise_m: float, *, closed: bool) -> Profile:
    """The ground with a bank a millimetre after a post; a ring comes down again before its end."""
    station = np.unique(np.append(profile.chainage_m, [post_m, post_m + 1e-3, profile.chainage_m[-1] - 1e-3]))
    raised = (station >= post_m + 1e-3) & ((station < station[-1]) if closed else True)
    return Profile(chainage_m=station, level_m=profile.level_at(station) + rise_m * raised)


def few_combinations(seed: int) -> Instance:
    """One or two bays; drawn again, from a seed a thousand higher, until all combinations of ends are at most 6000."""
    instance = random_instance(seed, bays=(1, 2))
    return instance if prod(len(bay.price) for bay in instance.bays) <= 6_000 else few_combinations(seed + 1000)


def highs(instance: Instance) -> tuple[int, float]:
    """Fewest broken bays, and the least cost with that number."""
    programme = Programme(instance)
    fewest = programme.solve(programme.broken_objective)
    chosen = programme.solve(THOUSANDTHS * programme.cost_objective, most_broken=instance.value(fewest)[0])
    return instance.value(chosen)


class Programme:
    """Columns: a binary per bay and pair; broken per bay; rise, fall, rises?, falls? per post."""

    def __init__(self, instance: Instance) -> None:
        self.instance = instance
        rules, bays, posts = instance.rules, instance.bays, len(instance.posts)
        self.first = np.concatenate([[0], np.cumsum([len(bay.price) for bay in bays])]).tolist()
        self.broken = self.first[-1]
        self.rise, self.fall, self.rises, self.falls = (self.broken + len(bays) + posts * part for part in range(4))
        self.columns = self.broken + len(bays) + 4 * posts
        every = np.concatenate([bay.pairs.ravel() for bay in bays])
        self.largest = int(np.ptp(every)) + 1
        per_level = rules.rise_cost * rules.increment_m
        self.cost_objective = np.concatenate(
            [
                *(bay.price for bay in bays),
                np.zeros(len(bays)),
                np.full(2 * posts, per_level),
                np.full(2 * posts, rules.step_cost),
            ]
        )
        self.broken_objective = np.zeros(self.columns)
        self.broken_objective[self.broken : self.broken + len(bays)] = 1
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []
        for number, bay in enumerate(bays):
            own = range(self.first[number], self.first[number + 1])
            self.row(dict.fromkeys(own, 1.0), 1, 1)
            outside = {column: 1.0 for column, fits in zip(own, bay.fits, strict=True) if not fits}
            self.row({**outside, self.broken + number: -1.0}, -np.inf, 0)
        for post, (before, bay) in enumerate(instance.posts):
            self.post_rows(post, before, bay)

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        self.entries += [(len(self.low), column, value) for column, value in terms.items()]
        self.low.append(low)
        self.high.append(high)

    def post_rows(self, post: int, before: int, bay: int) -> None:
        rules = self.instance.rules
        increment = exact(rules.increment_m)
        least = max(1, ceil((exact(rules.step_min_m) - TOLERANCE_M) / increment))
        most = max(0, floor((exact(rules.step_max_m) + TOLERANCE_M) / increment))
        balance: dict[int, float] = {self.rise + post: -1.0, self.fall + post: 1.0}
        # Levels count from the first bay's lowest, so that no coefficient is large.
        base = int(self.instance.bays[0].pairs.min())
        for column, (start, _) in enumerate(self.instance.bays[bay].pairs.tolist(), self.first[bay]):
            balance[column] = float(start - base)
        for column, (_, end) in enumerate(self.instance.bays[before].pairs.tolist(), self.first[before]):
            balance[column] = balance.get(column, 0.0) - float(end - base)
        self.row(balance, 0, 0)
        self.row({self.rises + post: 1.0, self.falls + post: 1.0}, -np.inf, 1)
        if self.instance.rake.steps == "never":
            self.row({self.rises + post: 1.0, self.falls + post: 1.0}, 0, 0)
        for amount, happens in ((self.rise + post, self.rises + post), (self.fall + post, self.falls + post)):
            broken = self.broken + bay
            self.row({amount: 1.0, happens: -float(self.largest)}, -np.inf, 0)
            self.row({amount: 1.0, happens: -float(least), broken: float(least)}, 0, np.inf)
            self.row({amount: 1.0, happens: -float(most), broken: -float(self.largest)}, -np.inf, 0)

    def solve(self, objective: np.ndarray, most_broken: int | None = None) -> list[int]:
        upper = np.ones(self.columns)
        upper[self.rise : self.rises] = self.largest
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
        return [int(found.x[a:b].argmax()) for a, b in zip(self.first[:-1], self.first[1:], strict=True)]


def planned(instance: Instance) -> RakedLevels:
    return choose_rakes(
        instance.profile,
        instance.start_m,
        instance.end_m,
        instance.rules,
        instance.rake,
        closed=instance.closed,
    )


def assert_equal(levels: RakedLevels, best: tuple[int, float]) -> None:
    """Costs to 1e-7: areas at levels of 900 m are good to 1e-9 m2, and a square metre costs up to 90."""
    assert levels.proven == "exact"
    assert int(levels.broken.sum()) == best[0]
    assert levels.cost.total == pytest.approx(best[1], rel=1e-9, abs=1e-7)


@pytest.mark.parametrize("group", range(10))
def test_highs_finds_the_same_optimum_on_200_small_rows(group: int) -> None:
    for seed in range(20 * group, 20 * group + 20):
        instance = random_instance(seed, bays=(2, 5))
        assert_equal(planned(instance), highs(instance))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1300))
def test_highs_finds_the_same_optimum_on_longer_rows(seed: int) -> None:
    instance = random_instance(seed, bays=(5, 14))
    assert_equal(planned(instance), highs(instance))


@pytest.mark.parametrize("group", range(4))
def test_bays_priced_a_few_at_a_time_end_at_the_same_optimum(group: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows too long to be priced at once are priced again when the path is traced back."""
    monkeypatch.setattr(bay_ends, "CHUNK_PAIRS", 40)
    monkeypatch.setattr(bay_ends, "CHUNK_STATIONS", 30)
    for seed in range(300 + 10 * group, 310 + 10 * group):
        instance = random_instance(seed, bays=(2, 5))
        assert_equal(planned(instance), highs(instance))


@pytest.mark.parametrize("seed", range(40))
def test_no_combination_of_ends_is_better(seed: int) -> None:
    """(a) All combinations of the ends of one or two bays, priced by the definition."""
    instance = few_combinations(seed)
    best = min(instance.value(list(chosen)) for chosen in product(*(range(len(bay.price)) for bay in instance.bays)))
    assert_equal(planned(instance), best)


@pytest.mark.parametrize("seed", range(20))
def test_areas_are_those_of_polygons(seed: int) -> None:
    """(c) Areas within 1e-11 m2; at levels of 900 m GEOS itself keeps no more than 1e-9."""
    instance = random_instance(seed, bays=(3, 20))
    levels = planned(instance)
    exact_to = 1e-11 if abs(levels.underside_from_m).max() < 100 else 1e-8
    for bay, (start, end) in enumerate(zip(instance.start_m, instance.end_m, strict=True)):
        ends = np.array([[levels.underside_from_m[bay], levels.underside_to_m[bay]]])
        gap, dig = polygon_areas(ground_between(instance.profile, start, end), ends)
        assert levels.gap_area_m2[bay] == pytest.approx(gap[0], abs=exact_to)
        assert levels.dig_area_m2[bay] == pytest.approx(dig[0], abs=exact_to)


@pytest.mark.parametrize("seed", range(0, 100, 5))
def test_bays_are_as_long_as_the_lines_drawn_from_post_to_post(seed: int) -> None:
    """(c) Slope lengths are those of shapely's lines; in a right triangle (a) width = length * cos(cut angle)."""
    instance = random_instance(seed, bays=(3, 20))
    levels = planned(instance)
    corners = [
        [(start, first), (end, last)]
        for start, end, first, last in zip(
            instance.start_m, instance.end_m, levels.underside_from_m, levels.underside_to_m, strict=True
        )
    ]
    assert levels.slope_length_m == pytest.approx(shapely.length(shapely.linestrings(corners)), rel=1e-12)
    width = instance.end_m - instance.start_m
    assert levels.slope_length_m * np.cos(np.radians(levels.cut_angle_deg)) == pytest.approx(width, rel=1e-12)
    assert np.sign(levels.cut_angle_deg) == pytest.approx(np.sign(levels.underside_to_m - levels.underside_from_m))
