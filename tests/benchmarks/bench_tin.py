"""Levels from survey points along a line: time and memory against a triangulation of everything in the same run.

    python tests/benchmarks/bench_tin.py [--points 100000 1000000] [--stations 40000] [--shape random]

Each contender runs in a process of its own and says how long it took from points in memory to levels, and how much
memory it took on top of the points (Linux). The best of three runs counts; SciPy runs once from a million points on,
and with one thread, which is faster for it. Peer: ``scipy.spatial.Delaunay`` with ``LinearNDInterpolator``, coordinates
centred first. On a grid levels differ where the two cut a square along different diagonals. 5,000,000 points need 4 GB
and two minutes.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

EAST, NORTH = 412_000.0, 287_000.0


def points(count: int, shape: str) -> np.ndarray:
    """One point a square metre at random or on a grid; or one every half metre along traverses 20 m apart."""
    rng = np.random.default_rng(11)
    side = np.sqrt(count)
    if shape == "grid":
        edge = int(side)
        return np.stack(np.meshgrid(np.arange(edge), np.arange(edge)), axis=-1).reshape(-1, 2).astype(np.float64)
    if shape == "traverses":
        side = np.sqrt(count * 10)
        rows, along = int(side / 20), np.arange(0, side, 0.5)
        lines = [np.column_stack([along, np.full(len(along), 20.0 * row)]) for row in range(rows)]
        return np.concatenate(lines) + rng.random((rows * len(along), 2)) * 0.05
    return rng.random((count, 2)) * side


def line(places: np.ndarray, stations: int) -> np.ndarray:
    """Stations evenly along a boundary of four legs about most of the places."""
    corners = np.array([[0.1, 0.12], [0.9, 0.2], [0.85, 0.9], [0.3, 0.8], [0.1, 0.12]])
    corners = places.min(axis=0) + corners * np.ptp(places, axis=0)
    at = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    way = np.linspace(0, at[-1], stations)
    return np.column_stack([np.interp(way, at, part) for part in corners.T])


def run_geofence(x: np.ndarray, y: np.ndarray, level: np.ndarray, at: np.ndarray) -> np.ndarray:
    from pyproj import CRS

    from geofence.site.survey_points import SurveyPoints
    from geofence.site.tin import TinGround

    data = SurveyPoints(x=x, y=y, level_m=level, crs=CRS(27700), files=(), source="points")
    return TinGround(data).levels(at[:, 0], at[:, 1]).level_m


def run_with_bends(x: np.ndarray, y: np.ndarray, level: np.ndarray, at: np.ndarray) -> np.ndarray:
    """What a survey asks: the bends, then the levels of stations and bends, and the distances to the nearest points."""
    from pyproj import CRS

    from geofence.site.survey_points import SurveyPoints
    from geofence.site.tin import TinGround

    data = SurveyPoints(x=x, y=y, level_m=level, crs=CRS(27700), files=(), source="points")
    ground = TinGround(data)
    index, fraction = ground.bends(at[:, 0], at[:, 1])
    every = np.concatenate([at, at[index] + fraction[:, None] * (at[index + 1] - at[index])])
    levels = ground.levels(every[:, 0], every[:, 1]).level_m
    ground.support_m(every[:, 0], every[:, 1])
    return levels[: len(at)]


def run_scipy(x: np.ndarray, y: np.ndarray, level: np.ndarray, at: np.ndarray) -> np.ndarray:
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import Delaunay

    origin = np.array([EAST, NORTH])
    triangles = Delaunay(np.column_stack([x, y]) - origin)
    return np.asarray(LinearNDInterpolator(triangles, level)(at - origin))


CONTENDERS: dict[str, Callable[..., np.ndarray]] = {
    "geofence": run_geofence,
    "with bends": run_with_bends,
    "scipy": run_scipy,
}


def contend(name: str, count: int, stations: int, shape: str) -> None:
    """One contender in this process; prints seconds, megabytes and the levels' file."""
    import pyproj  # noqa: F401
    import scipy.interpolate
    import scipy.spatial  # noqa: F401

    import geofence.site.tin  # noqa: F401

    places = np.add(points(count, shape), (EAST, NORTH))
    at = line(places, stations)
    x, y = (np.ascontiguousarray(part) for part in places.T)
    level = 80 + 6 * np.sin(x / 40) * np.cos(y / 55)
    del places
    for column in (x, y, level):
        column.flags.writeable = False
    before = memory_kb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
    seconds = []
    for _ in range(1 if name == "scipy" and count >= 1_000_000 else 3):
        start = time.perf_counter()
        levels = CONTENDERS[name](x, y, level, at)
        seconds.append(time.perf_counter() - start)
    more = (memory_kb("VmHWM") - before) / 1024
    with tempfile.NamedTemporaryFile(suffix=".npy", delete=False) as out:
        np.save(out, levels)
    print(json.dumps({"seconds": min(seconds), "megabytes": more, "levels": out.name}))


def memory_kb(what: str) -> int:
    """A figure of this process's memory, as Linux states it."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(row.split()[1] for row in status.splitlines() if row.startswith(what)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, nargs="+", default=[100_000, 1_000_000])
    parser.add_argument("--stations", type=int, default=40_000)
    parser.add_argument("--shape", choices=("random", "grid", "traverses"), default="random")
    parser.add_argument("--contender", choices=tuple(CONTENDERS))
    options = parser.parse_args()
    if options.contender:
        contend(options.contender, options.points[0], options.stations, options.shape)
        return
    print(f"{options.stations} stations, points: {options.shape}")
    print(f"{'points':>9}  {'contender':<10} {'s':>8} {'MB more':>8} {'scipy takes':>12}  levels differ by over 1e-9")
    for count in options.points:
        results = {name: run(name, count, options) for name in CONTENDERS}
        peer = results["scipy"]
        expected = np.load(peer["levels"])
        for name, result in results.items():
            levels = np.load(result["levels"])
            ratio = f"{peer['seconds'] / result['seconds']:.0f} times"
            differ = f"{np.count_nonzero(~(np.abs(levels - expected) <= 1e-9))} of {len(levels)}"
            print(f"{count:>9}  {name:<10} {result['seconds']:>8.3f} {result['megabytes']:>8.0f} {ratio:>12}  {differ}")
        for result in results.values():
            Path(str(result["levels"])).unlink()


def run(name: str, count: int, options: argparse.Namespace) -> dict[str, object]:
    """A contender in a process of its own."""
    command = [sys.executable, __file__, "--contender", name, "--points", str(count)]
    command += ["--stations", str(options.stations), "--shape", options.shape]
    single = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=single)
    result: dict[str, object] = json.loads(done.stdout)
    return result


if __name__ == "__main__":
    main()
