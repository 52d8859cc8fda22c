"""How long a text of points takes to read, against pandas in the same run.

``python -m tests.benchmarks.bench_points [POINTS]``; ratios below 1 are in favour of geofence. The peer is
``pandas.read_csv`` of the same file, told nothing; geofence finds encoding, delimiter and header, proves that every row
has its fields and every number is one, and leaves names and codes unread where they are not asked for.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas

from geofence.inputs.point_text import read_point_text

REPEATS = 7


def best_s(action: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def rows(count: int) -> list[tuple[int, float, float, float]]:
    generator = np.random.default_rng(1)
    columns = (
        560_000 + generator.uniform(0, 3000, count),
        5_800_000 + generator.uniform(0, 3000, count),
        100 + generator.normal(0, 5, count),
    )
    return list(zip(range(count), *(column.tolist() for column in columns), strict=True))


KINDS = {
    "names and codes": ("point,easting,northing,level,code", "P%d,%.3f,%.3f,%.3f,GL"),
    "numbers alone": ("point,easting,northing,level", "%d,%.3f,%.3f,%.3f"),
    "remarks with blanks": ("point,easting,northing,level,description", "P%d,%.3f,%.3f,%.3f,toe of bank"),
    "quoted remarks": ("point,easting,northing,level,description", 'P%d,%.3f,%.3f,%.3f,"toe, of bank"'),
}


def main(count: int = 1_000_000) -> None:
    points = rows(count)
    print(f"{count} points, the best of {REPEATS} runs each")
    with tempfile.TemporaryDirectory() as folder:
        for kind, (header, form) in KINDS.items():
            file = Path(folder) / "points.csv"
            file.write_text("\n".join([header, *map(form.__mod__, points)]) + "\n")
            theirs = best_s(lambda file=file: pandas.read_csv(file))  # type: ignore[misc]
            ours = best_s(lambda file=file: read_point_text(file))  # type: ignore[misc]
            print(f"{kind:20} {ours:7.3f} s   pandas {theirs:7.3f} s   ratio {ours / theirs:5.2f}")
    print(f"most memory of the whole run {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
