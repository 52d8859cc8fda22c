"""Reading a LandXML surface: time and memory against peers in the same run.

    python tests/benchmarks/bench_landxml.py [--points 1000000 2500000]

Writes files of about 125 bytes a point into a temporary folder and removes them. Each contender runs in a process of
its own; the best of three runs counts, in processor seconds, since all run in one thread. Peers, through lxml:

floor
    ``iterparse`` over the file, each element freed as it comes, and nothing done with it;
plain
    the same with the numbers taken: ``float`` and ``int`` of the texts, into arrays at the end.

Memory is the most that the process held, less what it held before.
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


def write_surface(file: Path, points: int) -> tuple[int, int]:
    """A square grid of points with noise, two faces a cell; how many points and faces."""
    side = round(points**0.5)
    rng = np.random.default_rng(7)
    with file.open("w", encoding="ascii") as out:
        out.write('<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">\n')
        out.write('<Units><Metric linearUnit="meter"/></Units>\n<CoordinateSystem epsgCode="27700"/>\n')
        out.write('<Surfaces><Surface name="big"><Definition surfType="TIN">\n<Pnts>\n')
        for row in range(side):
            noise = rng.random((side, 3))
            out.writelines(
                f'  <P id="{row * side + column + 1}">{200_000 + row * 2 + a:.3f} {400_000 + column * 2 + b:.3f} '
                f"{50 + c:.3f}</P>\n"
                for column, (a, b, c) in enumerate(noise.tolist())
            )
        out.write("</Pnts>\n<Faces>\n")
        for row in range(side - 1):
            first = row * side + 1
            out.writelines(
                f"  <F>{at} {at + 1} {at + side}</F>\n  <F>{at + 1} {at + side + 1} {at + side}</F>\n"
                for at in range(first, first + side - 1)
            )
        out.write("</Faces></Definition></Surface></Surfaces></LandXML>\n")
    return side * side, 2 * (side - 1) ** 2


def elements(file: Path):  # type: ignore[no-untyped-def]
    from lxml import etree

    for _, element in etree.iterparse(file, events=("end",), resolve_entities=False, no_network=True, huge_tree=True):
        yield element
        element.clear(keep_tail=True)
        while element.getprevious() is not None:
            del element.getparent()[0]


def floor(file: Path) -> int:
    """How many elements there are."""
    return sum(1 for _ in elements(file))


def plain(file: Path) -> int:
    """What one would write first."""
    ids, places, faces = [], [], []
    for element in elements(file):
        if element.tag.endswith("}P"):
            ids.append(int(element.get("id")))
            places.append([float(word) for word in element.text.split()])
        elif element.tag.endswith("}F"):
            faces.append([int(word) for word in element.text.split()])
    return len(np.array(places)) + len(np.array(faces)) + len(np.array(ids)) * 0


def ours(file: Path) -> int:
    """The reader up to the ground's points and faces, all checks included."""
    from geofence.inputs.landxml import read_survey
    from geofence.site.ground import GroundOptions

    survey, _ = read_survey(file, GroundOptions())
    assert survey.faces is not None
    return len(survey) + len(survey.faces)


CONTENDERS: dict[str, Callable[[Path], int]] = {"floor": floor, "plain": plain, "ours": ours}


def measured(name: str, file: Path) -> dict[str, float]:
    """Processor seconds and memory of one run, in this process."""
    from lxml import etree  # noqa: F401

    import geofence.inputs.landxml  # noqa: F401  imports do not count

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin = time.process_time()
    count = CONTENDERS[name](file)
    seconds = time.process_time() - begin
    return {"seconds": seconds, "mb": (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024, "n": count}


def best(name: str, file: Path) -> dict[str, float]:
    runs = [
        json.loads(
            subprocess.run([sys.executable, __file__, "--run", name, str(file)], capture_output=True, check=True).stdout
        )
        for _ in range(3)
    ]
    return min(runs, key=lambda run: float(run["seconds"]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, nargs="+", default=[250_000, 1_000_000])
    parser.add_argument("--run", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.run:
        print(json.dumps(measured(asked.run[0], Path(asked.run[1]))))
        return
    with tempfile.TemporaryDirectory() as folder:
        for points in asked.points:
            file = Path(folder) / f"{points}.xml"
            held, faces = write_surface(file, points)
            print(f"{held:,} points, {faces:,} faces, {file.stat().st_size / 1e6:.0f} MB")
            runs = {name: best(name, file) for name in CONTENDERS}
            for name, run in runs.items():
                ratio = run["seconds"] / runs["floor"]["seconds"]
                print(f"  {name:6} {run['seconds']:7.2f} s  {ratio:5.2f} x floor  {run['mb']:7.0f} MB more")
            file.unlink()


if __name__ == "__main__":
    main()
