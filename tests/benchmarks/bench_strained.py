"""Posts of strained wire fences: growth with the length, and against HiGHS and Dijkstra on the same bays.

    python -m tests.benchmarks.bench_strained

The peers get the bays ready-made, each with whether it holds and what it costs: HiGHS (``scipy.optimize.milp``) as a
flow of one unit, Dijkstra (``scipy.sparse.csgraph``) with one weight that counts broken bays, bays and cost. Working
these out is part of the time of the programme here, and not of theirs. Times are CPU seconds, the best of several runs.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra

from geofence.engine.chords import BentLine
from geofence.engine.records import LevelRules, Profile
from geofence.engine.stands import Stands, WireLimits
from geofence.engine.strained import choose_posts, strain_ends

LIMITS = WireLimits(height_m=0.15, gap_max_m=0.3, dig_max_m=-0.03, bay_min_m=1.0, bay_max_m=4.0)
PRICES = LevelRules(
    increment_m=0.05,
    gap_max_m=0.3,
    dig_max_m=-0.03,
    step_min_m=0.0,
    step_max_m=0.0,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=0.0,
    rise_cost=0.0,
)
PEERS_M = (50.0, 200.0)
LENGTHS_M = (100.0, 1_000.0, 10_000.0, 100_000.0)


def ground(length_m: float) -> Profile:
    """Hills, banks and ruts; stations every 0.25 m and where cells of 1 m would bend the ground."""
    rng = np.random.default_rng(1)
    even = np.linspace(0, length_m, int(length_m / 0.25) + 1)
    station = np.unique(np.concatenate([even, rng.uniform(0, length_m, int(1.3 * length_m))]))
    waves = ((8, 700), (3, 120), (0.8, 35), (0.25, 11), (0.08, 4))
    level = sum(high * np.sin(2 * np.pi * station / wide + rng.uniform(0, 6)) for high, wide in waves)
    return Profile(chainage_m=station, level_m=100 + level)


def places(length_m: float, limits: WireLimits) -> Stands:
    line = BentLine.from_turns([0.0, length_m], [0.0, 0.0])
    return Stands.along(ground(length_m), line, 0.0, length_m, limits)


def bays(stands: Stands) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Start, end, whether it is broken, and cost of every bay of an allowed width."""
    reach = stands.reach(1, len(stands), LIMITS)
    row, back = np.nonzero(reach.allowed)
    end = row + 1
    start = end - 1 - back
    width, clear = stands.clearance(start, end, LIMITS.height_m)
    gap = width * np.maximum((clear[:, 1:] + clear[:, :-1]) / 2, 0)  # no wire here is in the ground
    return start, end, ~reach.holds[row, back], PRICES.gap_cost * gap.sum(axis=1)


def highs(stands: Stands) -> float:
    start, end, broken, cost = bays(stands)
    column = np.arange(len(start))
    flow = coo_array(
        (np.repeat([1.0, -1.0], len(start)), (np.concatenate([start, end]), np.tile(column, 2))),
        shape=(len(stands), len(start)),
    )
    source = np.zeros(len(stands))
    source[0], source[-1] = 1.0, -1.0
    rules = [LinearConstraint(flow, source, source)]
    whole = np.ones(len(start))

    def solve() -> None:
        count = broken * 1e4 + 1
        least = milp(count, constraints=rules, integrality=whole, bounds=Bounds(0, 1)).fun
        limit = LinearConstraint(count[None, :], -np.inf, least + 0.5)
        milp(cost, constraints=[*rules, limit], integrality=whole, bounds=Bounds(0, 1))

    return seconds(solve, runs=1)


def shortest(stands: Stands) -> float:
    start, end, broken, cost = bays(stands)
    graph = csr_array((broken * 1e9 + 1e5 + cost, (start, end)), shape=(len(stands),) * 2)
    return seconds(lambda: dijkstra(graph, indices=0))


def seconds(work: Callable[[], object], *, runs: int = 3) -> float:
    times = []
    for _ in range(runs):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def main() -> None:
    print(f"{'length':>10} {'spacing':>8} {'places':>8} {'posts':>7} {'seconds':>8} {'us a place':>11}")
    for widest in (4.0, 10.0):
        limits = WireLimits(height_m=0.15, gap_max_m=0.3, dig_max_m=-0.03, bay_min_m=1.0, bay_max_m=widest)
        for length in LENGTHS_M:
            stands = places(length, limits)
            posts = len(choose_posts(stands, limits, PRICES)) + 1
            took = seconds(lambda at=stands, by=limits: choose_posts(at, by, PRICES), runs=3 if length < 1e5 else 1)
            each = took / len(stands) * 1e6
            print(f"{length:8.0f} m {widest:6.0f} m {len(stands):8d} {posts:7d} {took:8.3f} {each:11.1f}")
    posts = np.arange(0, 100_000.1, 4.0)
    print(f"strainers among {len(posts)} posts: {seconds(lambda: strain_ends(posts, 200.0)):.2f} s")
    for length in PEERS_M:
        stands = places(length, LIMITS)
        own = seconds(lambda at=stands: choose_posts(at, LIMITS, PRICES))
        slower, quicker = highs(stands) / own, shortest(stands) / own
        print(f"{length:.0f} m: HiGHS {slower:.0f} times as long, Dijkstra {quicker:.2f} times")


if __name__ == "__main__":
    main()
