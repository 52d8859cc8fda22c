"""The whole job, from files to files, 10 km and 100 km of fence on one raster: stages, floors, growth, memory.

    python tests/benchmarks/bench_job.py [--cells 20000]

Each length runs in a process of its own, once to warm the file cache and once counted. A floor is what a stage cannot
do without, done by general-purpose libraries: reading the blocks that the line touches, the geodesic of every station,
the fingerprints of the inputs, posts and bays through pyogrio's GeoJSON writer, the profile through pandas.
Laying out posts, choosing levels and the map have no such floor and count in full on both sides.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks import bench_sampling


def write_line(file: Path, cells: int, length_m: float) -> None:
    """A zig-zag line of the length, inside the raster."""
    import pyogrio
    import shapely

    east, north = bench_sampling.line(cells, 400_000)
    apart = np.concatenate([[0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    keep = apart <= length_m
    turns = shapely.simplify(shapely.LineString(np.column_stack([east, north])[keep]), 0.01)
    pyogrio.raw.write(
        file, geometry=shapely.to_wkb([turns]), field_data=[], fields=[], crs="EPSG:27700", geometry_type="LineString"
    )


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def run(raster: Path, line: Path, out: Path) -> dict[str, Any]:
    """The job with its stages' seconds, as the progress callback sees them."""
    from geofence import plan_fence

    marks: list[tuple[str, float]] = []
    begin = time.perf_counter()
    plan = plan_fence(
        line=line, ground=raster, system="mesh-panel", progress=lambda stage: marks.append((stage, time.perf_counter()))
    )
    marks.append(("Writing the outputs", time.perf_counter()))
    plan.write(out)
    end = time.perf_counter()
    moments = [("Loading", begin), *marks, ("", end)]
    stages = {name: after - at for (name, at), (_, after) in itertools.pairwise(moments)}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    whole = {"stages": stages, "total_s": end - begin, "peak_mb": peak, "posts": len(plan.fence.posts)}
    return {**whole, "stations": len(plan.stations.chainage_m), "floors": floors(plan, raster, line, out)}


def floors(plan: Any, raster: Path, line: Path, out: Path) -> dict[str, float]:
    """Seconds that other libraries need for what must be done."""
    import pyogrio
    from pyproj import Geod

    x, y = plan.stations.easting, plan.stations.northing
    geod = Geod(ellps="airy")
    along = plan.stations.chainage_m
    read, _ = timed(bench_sampling.run_floor(raster, x, y))
    geodesic, _ = timed(lambda: geod.fwd(np.full_like(x, -2.0), np.full_like(x, 51.0), np.full_like(x, 30.0), along))
    digest, _ = timed(lambda: [hashlib.sha256(file.read_bytes()).hexdigest() for file in (line, raster)])
    posts, bays, profile = plan.posts, plan.bays, plan.profile
    write, _ = timed(
        lambda: [pyogrio.write_dataframe(t, out / n) for t, n in ((posts, "p.geojson"), (bays, "b.geojson"))]
    )
    csv, _ = timed(lambda: profile.to_csv(out / "p.csv", index=False))
    return {"blocks": read, "geodesics": geodesic, "digests": digest, "geojson": write, "csv": csv}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=20_000)
    parser.add_argument("--run", nargs=3, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run:
        print(json.dumps(run(*options.run)))
        return
    with tempfile.TemporaryDirectory() as folder:
        raster = Path(folder) / "dtm.tif"
        bench_sampling.write_raster(raster, options.cells)
        totals = {}
        for length in (10_000.0, 100_000.0):
            line, out = Path(folder) / f"line_{length:.0f}.gpkg", Path(folder) / "plan"
            write_line(line, options.cells, length)
            command = [sys.executable, "-m", "tests.benchmarks.bench_job", "--run", str(raster), str(line), str(out)]
            for _ in range(2):
                told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
                with suppress(FileNotFoundError):
                    (out / "p.csv").unlink()
            show(length, told)
            totals[length] = told["total_s"]
    print(f"growth from 10 km to 100 km: {totals[100_000.0] / totals[10_000.0]:.1f} times")


def show(length: float, told: dict[str, Any]) -> None:
    print(f"\n{length / 1000:.0f} km: {told['posts']} posts, {told['stations']} stations")
    for name, seconds in told["stages"].items():
        print(f"  {name:40s} {seconds:7.2f} s")
    print(f"  {'in all':40s} {told['total_s']:7.2f} s, peak {told['peak_mb']:.0f} MB")
    floor = sum(told["floors"].values())
    print("  floors: " + ", ".join(f"{name} {seconds:.2f} s" for name, seconds in told["floors"].items()))
    chosen = told["stages"]["Laying out posts and choosing levels"]
    print(f"  ratio to its floors, with the engine counted in full: {told['total_s'] / (floor + chosen):.2f}")


if __name__ == "__main__":
    main()
