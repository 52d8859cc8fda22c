"""Levels of a raked fence: whole rows of growing length, and HiGHS where it still answers.

    python -m tests.benchmarks.bench_raked

Rows have a station every 0.25 m, so about ten a bay. HiGHS (``scipy.optimize.milp``) gets the ready-made prices of the
same pairs of ends, as the flow of one unit through levels at posts and pairs of ends: its easiest form, without broken
bays. The time to make the prices counts for the dynamic programme only. Times are CPU seconds, the best of several
runs, so that other work on the machine counts little.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from geofence.engine.areas import Stations
from geofence.engine.bay_ends import BayEnds
from geofence.engine.raked import choose_rakes
from geofence.engine.records import LevelRules, Profile, RakeRules

MODULE_M = 2.4
RULES = LevelRules(
    increment_m=0.05,
    gap_max_m=0.15,
    dig_max_m=0.10,
    step_min_m=0.05,
    step_max_m=0.60,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=25.0,
    rise_cost=10.0,
)


def rolling(bays: int, steep: float) -> tuple[Profile, np.ndarray, np.ndarray]:
    """Hills of about a kilometre, their steepest slope ``steep``, and rough ground; a station every 0.25 m."""
    length = bays * MODULE_M
    station = np.linspace(0, length, int(np.ceil(length / 0.25)) + 1)
    rough = np.random.default_rng(1).normal(0, 0.01, len(station))
    level = 80 + 150 * steep * np.sin(station / 150) + 0.04 * np.sin(station / 3) + rough
    edges = np.append(np.arange(bays) * MODULE_M, length)
    return Profile(chainage_m=station, level_m=level), edges[:-1], edges[1:]


def by_highs(row: BayEnds) -> float:
    """The least cost of a continuous row of bays within their limits: a flow from post to post along pairs of ends."""
    ends, first, start, end, price = row.ends, 0, [], [], []
    for bay, table in enumerate(row.prices(0, len(row.breakable)).within):
        low, high = np.nonzero(np.isfinite(table))
        # Levels at the post between two bays are numbered alike from both sides.
        base = int(min(ends.to_low[bay], ends.from_low[bay + 1])) if bay + 1 < len(row.breakable) else ends.to_low[bay]
        here = int(min(ends.to_low[bay - 1], ends.from_low[bay])) if bay else int(ends.from_low[bay])
        count = int(max(ends.to_high[bay - 1], ends.from_high[bay])) - here + 1 if bay else int(ends.from_count[bay])
        start.append(first + low + ends.from_low[bay] - here)
        end.append(first + count + high + ends.to_low[bay] - base)
        price.append(table[low, high])
        first += count
    nodes, arcs = int(max(part.max() for part in end)) + 1, np.concatenate(price)
    column = np.tile(np.arange(len(arcs)), 2)
    sign = np.repeat([1.0, -1.0], len(arcs))
    flow = coo_array((sign, (np.concatenate([*end, *start]), column)), shape=(nodes, len(arcs))).tocsr()
    inner = flow[int(ends.from_count[0]) : first]
    leaves = coo_array(
        (np.ones(len(start[0])), (np.zeros(len(start[0]), dtype=int), np.arange(len(start[0])))), (1, len(arcs))
    )
    found = milp(
        arcs,
        bounds=Bounds(0, 1),
        constraints=[LinearConstraint(inner, 0, 0), LinearConstraint(leaves.tocsr(), 1, 1)],
    )
    return float(found.fun)


def seconds(work: Callable[[], float], runs: int) -> tuple[float, float]:
    """CPU seconds of the quickest run, and what it gave."""
    best, result = np.inf, np.nan
    for _ in range(runs):
        begin = time.process_time()
        result = work()
        best = min(best, time.process_time() - begin)
    return best, result


def against_highs() -> None:
    rake = RakeRules(rake_max_deg=20.0)
    for bays in (10, 100, 1_000):
        profile, start, end = rolling(bays, 0.1)
        own, cost = seconds(lambda row=(profile, start, end): choose_rakes(*row, RULES, rake).cost.total, 5)
        row = BayEnds.within_limits(Stations.under(profile, start, end), end - start, RULES, rake)
        taken, found = seconds(lambda row=row: by_highs(row), 1)
        assert abs(found - cost) <= 1e-6 * cost, (found, cost)
        print(
            f"{bays:6d} bays, {int(row.ends.pairs.sum())} pairs of ends: all of it {own * 1e3:7.1f} ms; HiGHS, prices "
            f"ready-made, {taken * 1e3:9.1f} ms, {taken / own:6.1f} times as long; cost {cost:.3f} both"
        )


def whole_rows() -> None:
    print("choose_rakes, areas and all")
    for name, steep, gap, rake in (
        ("within limits", 0.1, 0.15, RakeRules(rake_max_deg=20.0)),
        ("raked and stepped", 0.4, 0.40, RakeRules(rake_max_deg=15.0, steps="allowed")),
        ("twice the room", 0.1, 0.40, RakeRules(rake_max_deg=20.0)),
        ("steep, many broken", 0.5, 0.15, RakeRules(rake_max_deg=20.0)),
    ):
        before = np.nan
        for bays in (1_250, 5_000, 20_000, 80_000):
            row, rules = rolling(bays, steep), LevelRules(**{**FIELDS, "gap_max_m": gap})
            taken, _ = seconds(lambda row=row, rules=rules, rake=rake: choose_rakes(*row, rules, rake).cost.total, 2)
            levels = choose_rakes(*row, rules, rake)
            print(
                f"  {bays:6d} bays, {name:20s} {taken:7.3f} s, {taken / before:5.2f} times a quarter of them; "
                f"{int(levels.broken.sum())} broken, {np.count_nonzero(levels.step_m)} steps, {levels.proven}"
            )
            before = taken


FIELDS = {name: getattr(RULES, name) for name in LevelRules.__slots__}


if __name__ == "__main__":
    against_highs()
    whole_rows()
