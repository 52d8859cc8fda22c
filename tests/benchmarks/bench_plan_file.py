"""How long a finished plan takes to be kept and read back, and how large it is, against general peers in the same run.

``python -m tests.benchmarks.bench_plan_file [POSTS] [STATIONS]``; ratios below 1 are in favour of geofence. The peers
are numpy's ``savez_compressed``, ``savez`` and ``load`` of the columns alone, and pyogrio with posts and bays alone, as
a GeoPackage. Ours besides carries kinds, findings and all else, packs and unpacks records, and takes the digests.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyogrio

from geofence import plan_file
from geofence.finished import write_further
from geofence.inputs.plan_file import read_plan
from geofence.outputs import plan_file as writer
from geofence.outputs import stakeout
from geofence.stakeout_style import StakeoutStyle
from tests.benchmarks.bench_outputs import best_s, long_plan


def main(post_count: int = 50_000, station_count: int = 600_000) -> None:
    plan = long_plan(post_count, station_count)
    columns = {name.replace("/", "."): column for name, column in plan_file.pack(plan).columns.items()}
    numbers = sum(column.nbytes for column in columns.values())
    tables = {"posts": plan.posts, "bays": plan.bays}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ours, packed, plain, layers = (folder / each for each in ("plan.npz", "packed.npz", "plain.npz", "peer.gpkg"))
        write = compare("write", lambda: writer.OUTPUT.write(plan, ours), None)
        compare("  numpy.savez_compressed", lambda: np.savez_compressed(packed, **columns), write)
        compare("  numpy.savez", lambda: np.savez(plain, **columns), write)
        compare("  pyogrio, posts and bays", lambda: _write_layers(tables, layers), write)
        read = compare("read", lambda: read_plan(ours), None)
        compare("  numpy.load of savez_compressed", lambda: _load(packed), read)
        compare("  numpy.load of savez", lambda: _load(plain), read)
        compare(
            "  pyogrio, posts and bays", lambda: [pyogrio.read_dataframe(layers, layer=each) for each in tables], read
        )
        for file in (ours, packed, plain, layers):
            print(f"{file.name:32} {file.stat().st_size / 1e6:7.2f} MB")
        print(f"{'the numbers themselves':32} {numbers / 1e6:7.2f} MB")
        style = StakeoutStyle(offset_m=(1.0, -1.0), unit="ft", decimal="comma", delimiter="semicolon")
        compare("stakeout.csv, usual", lambda: stakeout.write(plan, folder / "crew.csv", style=StakeoutStyle()), None)
        compare("stakeout.csv, all options", lambda: stakeout.write(plan, folder / "crew.csv", style=style), None)
        plan.write(folder / "out")
        compare("write --also profile", lambda: write_further(folder / "out", ["profile"]), None)
        compare("all anew", lambda: plan.write(folder / "out"), None)


def compare(what: str, action: Callable[[], object], ours_s: float | None) -> float:
    """Time something; as a ratio of ours to it where it is a peer."""
    seconds = best_s(action)
    ratio = "" if ours_s is None else f"   ours {ours_s / seconds:6.2f} times that"
    print(f"{what:32} {seconds:7.3f} s{ratio}")
    return seconds


def _load(file: Path) -> list[object]:
    with np.load(file) as members:
        return [members[name] for name in members.files]


def _write_layers(tables: dict[str, object], file: Path) -> None:
    file.unlink(missing_ok=True)
    for layer, table in tables.items():
        pyogrio.write_dataframe(table, file, layer=layer, driver="GPKG")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
