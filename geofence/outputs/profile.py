"""``profile.csv``: the ground exactly as the engine used it, one row a station."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from geofence.outputs import csv_text
from geofence.outputs.digits import figures
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path) -> None:
    """Write the stations; every number reads back as the very float64 that the levels were chosen with.

    Rounded chainages could make two stations one where the ground bends close to a post.
    """
    columns = {
        name: figures(values, missing="") if isinstance(values, np.ndarray) else csv_text.words(values)
        for name, values in plan.profile_columns().items()
    }
    csv_text.write_table(path, columns)


OUTPUT = Output(filename="profile.csv", title="Ground along the line (CSV)", write=write)
