"""How long it takes to start: ``import geofence`` against a bare interpreter, ``geofence --help`` against typer's own.

    python tests/benchmarks/bench_start.py [--runs 21]

The contenders take turns; medians of processor seconds (user and system) of whole processes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

BARE_TYPER = """
import typer
app = typer.Typer()
@app.command()
def one(number: int = 1) -> None: "One."
@app.command()
def two(number: int = 1) -> None: "Two."
app()
"""


def seconds(command: Sequence[str]) -> float:
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, _, used = os.wait4(process.pid, 0)
    process.returncode = 0
    return used.ru_utime + used.ru_stime


def ratio(name: str, ours: Sequence[str], peer: Sequence[str], runs: int) -> None:
    pairs = [(seconds(ours), seconds(peer)) for _ in range(runs + 1)][1:]
    own, other = (statistics.median(side) for side in zip(*pairs, strict=True))
    print(f"{name}: {own * 1000:.1f} ms against {other * 1000:.1f} ms, ratio {own / other:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=21)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare_program.py"
        bare.write_text(BARE_TYPER)
        python = sys.executable
        ratio("import geofence", [python, "-c", "import geofence"], [python, "-c", "pass"], runs)
        ratio("geofence --help", [python, "-m", "geofence", "--help"], [python, str(bare), "--help"], runs)


if __name__ == "__main__":
    main()
