"""How long the writers take, against general writers of the same tables in the same run.

``python -m tests.benchmarks.bench_outputs [POSTS] [STATIONS]``; ratios below 1 are in favour of geofence. The peers are
pyogrio's GeoJSON writer and pandas' ``to_csv``, each given a table that is ready in memory.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pyogrio

from geofence import folder as folders
from geofence.outputs import bays, findings, plan_json, posts, profile, stakeout, stakeout_note
from geofence.plan import FencePlan, Output, Stations
from tests.plans import made_up_plan

REPEATS = 5
STAND_ALONE = (stakeout.OUTPUT, stakeout_note.OUTPUT, findings.OUTPUT, plan_json.OUTPUT)


def best_s(action: Callable[[], object]) -> float:
    """Shortest of several runs."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def long_plan(post_count: int, station_count: int) -> FencePlan:
    """A made-up plan with a profile of its own; stations carry all the digits that real ones do."""
    plan = made_up_plan(post_count, relief=False)
    chainage = np.linspace(0, plan.fence.posts.chainage_m[-1], station_count)
    stations = Stations(
        chainage_m=chainage,
        easting=560_000 + 0.7 * chainage,
        northing=5_900_000 + 0.7 * chainage,
        ground_level_m=80 + np.sin(chainage),
    )
    return replace(plan, stations=stations)


def compare(output: Output, plan: FencePlan, peer: Callable[[], object], folder: Path) -> None:
    ours = best_s(lambda: output.write(plan, folder / output.filename))
    theirs = best_s(peer)
    print(f"{output.filename:16} {ours:7.3f} s   peer {theirs:7.3f} s   ratio {ours / theirs:5.2f}")


def main(post_count: int = 50_000, station_count: int = 600_000) -> None:
    plan = long_plan(post_count, station_count)
    post_table, bay_table, profile_table = plan.posts, plan.bays, plan.profile
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for output, table in ((posts.OUTPUT, post_table), (bays.OUTPUT, bay_table)):
            compare(output, plan, partial(_write_geojson, table, folder / "peer.geojson"), folder)
        compare(profile.OUTPUT, plan, lambda: profile_table.to_csv(folder / "peer.csv", index=False), folder)
        for output in STAND_ALONE:
            print(f"{output.filename:16} {best_s(partial(output.write, plan, folder / output.filename)):7.3f} s")
        _whole(plan, folder / "out")


def _write_geojson(table: object, path: Path) -> None:
    pyogrio.write_dataframe(
        table, path, driver="GeoJSON", layer_options={"RFC7946": "YES", "COORDINATE_PRECISION": "9"}
    )


def _whole(plan: FencePlan, folder: Path) -> None:
    """All files into a folder that holds a set already, against the same writers without any care."""
    outputs = (posts.OUTPUT, bays.OUTPUT, profile.OUTPUT, *STAND_ALONE)
    files = tuple(output.filename for output in outputs)
    plan = replace(plan, provenance=replace(plan.provenance, files=files))
    writers = {output.filename: partial(output.write, plan) for output in outputs}
    careful = best_s(lambda: folders.replace(folder, writers))
    plain = best_s(lambda: [write(folder / name) for name, write in writers.items()])
    print(f"{'the whole folder':16} {careful:7.3f} s   plain {plain:6.3f} s   ratio {careful / plain:5.2f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
