"""Names for the runs of a plan in files that call each by a name of its own."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from geofence.outputs.plain_text import one_line
from geofence.plan import Run

__all__ = ["run_names"]

NAMELESS = "Fence"
"""The line of a job that has a single one without a name."""


def run_names(runs: Sequence[Run]) -> list[str]:
    """A name for each run, no two alike: that of its line, with a number where a line has several runs."""
    lines = [one_line(run.line) or NAMELESS for run in runs]
    count, number = Counter(lines), Counter[str]()
    names: dict[str, None] = {}
    for line in lines:
        name = line
        while name in names or (count[line] > 1 and name == line):
            number[line] += 1
            name = f"{line} {number[line]}"
        names[name] = None
    return list(names)
