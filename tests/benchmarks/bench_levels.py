"""Levels of a stepped fence: the dynamic programme against HiGHS and Dijkstra, and whole rows.

    python -m tests.benchmarks.bench_levels

The peers get the same states: 1,000 bays with 40 candidate levels each, steps of up to 12 levels. Dijkstra
(``scipy.sparse.csgraph``) gets the state graph, once ready-made and once with the time to build it by array operations.
HiGHS (``scipy.optimize.milp``) gets the same graph as a flow of one unit, of 100 bays only: 1,000 take a minute.
Times are CPU seconds, the best of several runs, so that other work on the machine counts little.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra

from geofence.engine.areas import BayGround
from geofence.engine.candidates import FAR_LEVEL
from geofence.engine.chain import Chain, StepPrices, best_path, unbroken_path
from geofence.engine.records import LevelRules, Profile
from geofence.engine.stepped import choose_levels

MODULE_M = 1.885
RULES = LevelRules(
    increment_m=0.05,
    gap_max_m=0.30,
    dig_max_m=0.25,
    step_min_m=0.05,
    step_max_m=0.60,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=25.0,
    rise_cost=10.0,
)
LEVELS = 40


def rolling(bays: int, steep: float) -> tuple[Profile, np.ndarray, np.ndarray]:
    """Hills of about a kilometre, their steepest slope ``steep``, and rough ground; a station every 0.25 m."""
    length = bays * MODULE_M
    station = np.linspace(0, length, int(np.ceil(length / 0.25)) + 1)
    rough = np.random.default_rng(1).normal(0, 0.01, len(station))
    level = 80 + 150 * steep * np.sin(station / 150) + 0.04 * np.sin(station / 3) + rough
    edges = np.append(np.arange(bays) * MODULE_M, length)
    return Profile(chainage_m=station, level_m=level), edges[:-1], edges[1:]


def states(bays: int) -> tuple[Chain, StepPrices]:
    """Bays with 40 candidates each around their ground."""
    profile, start, end = rolling(bays, 0.1)
    ground = BayGround.under(profile, start, end)
    low = np.round(ground.lowest_m / RULES.increment_m).astype(np.int64) - LEVELS // 2
    gap, dig = ground.areas(low, low + LEVELS - 1, RULES.increment_m)
    chain = Chain(
        low=low,
        high=low + LEVELS - 1,
        price=RULES.gap_cost * gap + RULES.dig_cost * dig,
        fit_low=low,
        fit_high=low + LEVELS - 1,
        outside_price=np.full(bays, np.inf),
        outside_fits=np.zeros(bays, dtype=bool),
    )
    return chain, StepPrices(least=1, most=12, change=RULES.step_cost, rise=RULES.rise_cost * RULES.increment_m)


def arcs(chain: Chain, steps: StepPrices) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """From, to and price of every allowed arc; the source is the node after the last state."""
    bays = len(chain.low)
    price = chain.price.reshape(bays, LEVELS)
    level = chain.low[:, None] + np.arange(LEVELS)
    change = level[1:, None, :] - level[:-1, :, None]
    by = steps.allowed_price(chain.reach)[change + chain.reach] + price[1:, None, :]
    bay, before, after = np.nonzero(np.isfinite(by))
    source = np.full(LEVELS, bays * LEVELS)
    return (
        np.concatenate([bay * LEVELS + before, source]),
        np.concatenate([(bay + 1) * LEVELS + after, np.arange(LEVELS)]),
        np.concatenate([by[bay, before, after], price[0]]),
    )


def by_dijkstra(graph: csr_array) -> float:
    distance, _ = dijkstra(graph, indices=graph.shape[0] - 1, return_predecessors=True)
    return float(distance[-LEVELS - 1 : -1].min())


def graph_of(chain: Chain, steps: StepPrices) -> csr_array:
    start, end, price = arcs(chain, steps)
    nodes = len(chain.price) + 1
    return csr_array((price, (start, end)), shape=(nodes, nodes))


def by_highs(chain: Chain, steps: StepPrices) -> float:
    start, end, price = arcs(chain, steps)
    states, count = len(chain.price), len(price)
    flow = coo_array(
        (np.repeat([1.0, -1.0], count), (np.concatenate([end, start]), np.tile(np.arange(count), 2))),
        shape=(states + 1, count),
    ).tocsr()[: states - LEVELS]
    ends = coo_array((np.ones(LEVELS), (np.zeros(LEVELS, dtype=int), np.arange(count - LEVELS, count))), (1, count))
    constraints = [LinearConstraint(flow, 0, 0), LinearConstraint(ends.tocsr(), 1, 1)]
    found = milp(price, bounds=Bounds(0, 1), constraints=constraints)
    return float(found.fun)


def seconds(work: Callable[[], float], runs: int) -> tuple[float, float]:
    """CPU seconds of the quickest run, and what it gave."""
    best, result = np.inf, np.nan
    for _ in range(runs):
        begin = time.process_time()
        result = work()
        best = min(best, time.process_time() - begin)
    return best, result


def against_peers(bays: int, *, highs: bool) -> None:
    chain, steps = states(bays)
    graph = graph_of(chain, steps)
    own, cost = seconds(lambda: unbroken_path(chain, steps, -FAR_LEVEL, FAR_LEVEL).cost, 9)
    print(f"{bays} bays x {LEVELS} levels, {graph.nnz} arcs; dynamic programme {own * 1e3:.2f} ms, cost {cost:.3f}")
    peers: dict[str, tuple[Callable[[], float], int]] = {
        "general search, with broken bays": (lambda: best_path(chain, steps, -FAR_LEVEL, FAR_LEVEL).cost, 5),
        "Dijkstra, graph ready-made": (lambda: by_dijkstra(graph), 5),
        "Dijkstra, building the graph": (lambda: by_dijkstra(graph_of(chain, steps)), 3),
    }
    if highs:
        peers["HiGHS, network flow"] = (lambda: by_highs(chain, steps), 1)
    for name, (work, runs) in peers.items():
        taken, found = seconds(work, runs)
        assert abs(found - cost) <= 1e-6 * cost, (name, found, cost)
        print(f"  {name:34s} {taken * 1e3:9.2f} ms  {taken / own:7.1f} times the dynamic programme")


def whole_rows() -> None:
    print("choose_levels, areas and all; of that the ground and the areas of every candidate")
    for bays in (1_000, 5_300, 50_000):
        for name, steep, rules in (
            ("within limits", 0.1, RULES),
            ("40 levels a bay", 0.1, replace(RULES, gap_max_m=1.1, dig_max_m=1.0)),
            ("steep, most broken", 0.5, replace(RULES, gap_max_m=0.15, dig_max_m=0.1)),
        ):
            row = rolling(bays, steep)
            taken, _ = seconds(lambda row=row, rules=rules: choose_levels(*row, rules).cost.total, 3)
            levels = choose_levels(*row, rules)
            ground, _ = seconds(lambda row=row, rules=rules: ground_and_areas(*row, rules), 3)
            print(
                f"  {bays:6d} bays, {name:20s} {taken * 1e3:8.1f} ms, ground and areas {ground * 1e3:6.1f} ms, "
                f"{int(levels.broken.sum())} broken, {levels.proven}"
            )


def ground_and_areas(profile: Profile, start: np.ndarray, end: np.ndarray, rules: LevelRules) -> float:
    ground = BayGround.under(profile, start, end)
    low = np.floor((ground.lowest_m - rules.dig_max_m) / rules.increment_m).astype(np.int64)
    high = np.ceil((ground.highest_m + rules.gap_max_m) / rules.increment_m).astype(np.int64)
    return float(ground.areas(low, high, rules.increment_m)[0].sum())


if __name__ == "__main__":
    against_peers(100, highs=True)
    against_peers(1_000, highs=False)
    whole_rows()
