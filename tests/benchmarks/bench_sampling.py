"""Levels along a 100 km line from a 20,000 x 20,000 raster: time and memory against peers in the same run.

    python tests/benchmarks/bench_sampling.py [--cells 20000] [--stations 400000]

Writes about 1.2 GB into a temporary folder and removes it. Each contender runs in a process of its own, after one run
that warms the file cache; the best of three runs counts. All run in one thread, so that on a busy machine the ratio of
processor seconds says more than that of the clock. Peers:

floor
    reading just the blocks that hold a neighbour of a station, each once, and doing nothing with them;
nearest
    ``rasterio.sample``, which gives the nearest cell and reads a window a station (on a share of the stations, scaled).
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

BLOCK = 512
WEST, NORTH = 400_000.0, 300_000.0


def write_raster(file: Path, cells: int) -> None:
    """Rolling ground with centimetre noise, tiled and deflated; noise makes blocks cost what surveyed ones cost."""
    import rasterio
    from rasterio import Affine
    from rasterio.windows import Window

    rng = np.random.default_rng(20)
    profile = {
        "driver": "GTiff",
        "width": cells,
        "height": cells,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:27700",
        "transform": Affine(1, 0, WEST, 0, -1, NORTH),
        "tiled": True,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
        "compress": "deflate",
        "bigtiff": "yes",
    }
    with rasterio.open(file, "w", **profile) as target:
        for row in range(0, cells, BLOCK):
            y = np.arange(row, min(row + BLOCK, cells))[:, None]
            x = np.arange(cells)[None, :]
            level = 80 + 30 * np.sin(x / 900) * np.cos(y / 700) + rng.normal(0, 0.02, (len(y), cells))
            target.write(level.astype(np.float32), 1, window=Window(0, row, cells, len(y)))


def line(cells: int, stations: int) -> tuple[np.ndarray, np.ndarray]:
    """Stations evenly along a zig-zag of five legs across the raster."""
    across = np.array([0.02, 0.98, 0.02, 0.98, 0.02, 0.98]) * cells
    down = np.array([0.02, 0.2, 0.4, 0.6, 0.8, 0.98]) * cells
    at = np.concatenate([[0], np.cumsum(np.hypot(np.diff(across), np.diff(down)))])
    along = np.linspace(0, at[-1], stations)
    return WEST + np.interp(along, at, across), NORTH - np.interp(along, at, down)


def run_geofence(file: Path, x: np.ndarray, y: np.ndarray) -> Callable[[], object]:
    from geofence.inputs.rasters import READER
    from geofence.site.ground import GroundOptions

    return lambda: READER.open([file], GroundOptions()).levels(x, y)


def run_bends(file: Path, x: np.ndarray, y: np.ndarray) -> Callable[[], object]:
    from geofence.inputs.rasters import READER
    from geofence.site.ground import GroundOptions

    return lambda: READER.open([file], GroundOptions()).bends(x, y)


def run_floor(file: Path, x: np.ndarray, y: np.ndarray) -> Callable[[], object]:
    import rasterio
    from rasterio.windows import Window

    column, row = np.floor(x - WEST - 0.5).astype(int), np.floor(NORTH - y - 0.5).astype(int)
    needed = {
        block
        for right in (0, 1)
        for below in (0, 1)
        for block in zip(((row + below) // BLOCK).tolist(), ((column + right) // BLOCK).tolist(), strict=True)
    }

    def read() -> int:
        with rasterio.Env(GDAL_CACHEMAX=32 * 2**20), rasterio.open(file) as source:
            for down, across in sorted(needed):
                left, top = across * BLOCK, down * BLOCK
                window = Window(left, top, min(BLOCK, source.width - left), min(BLOCK, source.height - top))
                source.read(1, window=window)
        return len(needed)

    return read


def run_nearest(file: Path, x: np.ndarray, y: np.ndarray) -> Callable[[], object]:
    import rasterio

    def read() -> int:
        with rasterio.open(file) as source:
            return sum(1 for _ in source.sample(zip(x, y, strict=True), 1))

    return read


CONTENDERS = {"geofence": run_geofence, "bends": run_bends, "floor": run_floor, "nearest": run_nearest}


def contend(name: str, file: Path, cells: int, stations: int) -> None:
    """Time one contender in this process and print the result as JSON."""
    run = CONTENDERS[name](file, *line(cells, stations))
    clock, processor = [], []
    for _ in range(1 if name == "nearest" else 3):
        start = time.perf_counter(), time.process_time()
        run()
        clock.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"clock": min(clock), "processor": min(processor), "peak_mb": peak}))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cells", type=int, default=20_000)
    parser.add_argument("--stations", type=int, default=400_000)
    parser.add_argument("--contender", choices=CONTENDERS)
    parser.add_argument("--file", type=Path)
    args = parser.parse_args()
    if args.contender:
        contend(args.contender, args.file, args.cells, args.stations)
        return
    with tempfile.TemporaryDirectory() as folder:
        file = args.file or Path(folder) / "ground.tif"
        if not file.exists():
            write_raster(file, args.cells)
        print(f"{args.cells} x {args.cells} cells, {file.stat().st_size / 1e6:.0f} MB, {args.stations} stations")
        found = {}
        for name in ("floor", *CONTENDERS):
            command = [sys.executable, __file__, "--contender", name, "--file", str(file)]
            command += ["--cells", str(args.cells), "--stations", str(args.stations)]
            found[name] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        for name, each in found.items():
            print(
                f"{name:10} {each['clock']:8.3f} s by the clock {each['processor']:8.3f} s of a processor "
                f"peak {each['peak_mb']:6.1f} MB"
            )
        ours, floor, nearest = (found[name] for name in ("geofence", "floor", "nearest"))
        for by in ("clock", "processor"):
            print(f"by the {by}: {ours[by] / floor[by]:.2f} of the floor (at most 1.15), ", end="")
            print(f"{nearest[by] / ours[by]:.1f} times faster than nearest (at least 10)")
        print(f"memory in all:       {ours['peak_mb']:.0f} MB (at most 200)")


if __name__ == "__main__":
    main()
