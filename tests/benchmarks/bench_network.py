"""Where lines meet: against GEOS, which cuts the same lines at each other in a plane, in the same run.

    python tests/benchmarks/bench_network.py

The peer gives the places where straight lines of a plane meet; what is timed here finds them on the ellipsoid to a
nanometre, brings together what is within a tolerance, takes shared stretches out and tells near misses besides.
"""

from __future__ import annotations

import time

import numpy as np
import shapely
from pyproj import Geod

from geofence.site.geodesics import plane_about
from geofence.site.line import Line
from geofence.site.network import network

GEOD = Geod(ellps="GRS80")
PLANE = plane_about(GEOD, 10.4, 47.8)


def wandering(lines: int, *, legs: int = 10, size_m: float) -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    found = []
    for _ in range(lines):
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.3, legs))
        steps = 25 * np.column_stack([np.cos(heading), np.sin(heading)])
        found.append(rng.uniform(0, size_m, 2) + np.vstack([[0, 0], np.cumsum(steps, axis=0)]))
    return found


def fields(side: int) -> list[np.ndarray]:
    square = 50.0 * np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)])
    return [square + 50.0 * np.array([x, y]) for x in range(side) for y in range(side)]


def best_s(act: object, rounds: int = 3) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        act()  # type: ignore[operator]
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    cases = {
        "200 lines, 2,000 legs": wandering(200, size_m=2400),
        "2,000 lines, 20,000 legs": wandering(2000, size_m=7600),
        "900 fields that share their sides": fields(30),
    }
    for name, drawn in cases.items():
        lines = []
        for xy in drawn:
            lon, lat = (np.array(part) for part in PLANE.transform(*xy.T, direction="INVERSE"))
            if (xy[0] == xy[-1]).all():
                lon[-1], lat[-1] = lon[0], lat[0]
            lines.append(Line.through(lon, lat, geod=GEOD))
        flat = [shapely.LineString(xy) for xy in drawn]
        ours = best_s(lambda lines=lines: network(lines, join_m=0.02, near_m=1.0))
        theirs = best_s(lambda flat=flat: shapely.unary_union(flat))
        found = network(lines, join_m=0.02, near_m=1.0)
        print(
            f"{name}: {len(found.junctions)} junctions, {len(found.shared)} shared stretches in {ours:.2f} s, "
            f"GEOS {theirs:.3f} s, ratio {ours / theirs:.0f}"
        )


if __name__ == "__main__":
    main()
