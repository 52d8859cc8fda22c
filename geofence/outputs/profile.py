"""``profile.csv``: the ground exactly as the engine used it, one row a station."""

from __future__ import annotations

from pathlib import Path

from geofence.outputs import csv_text
from geofence.outputs.digits import figures
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path) -> None:
    """Write the stations; every number reads back as the very float64 that the levels were chosen with.

    Rounded chainages could make two stations one where the ground bends close to a post.
    """
    stations = plan.stations
    columns = {
        "chainage_m": stations.chainage_m,
        "easting": stations.easting,
        "northing": stations.northing,
        "ground_level_m": stations.ground_level_m,
    }
    csv_text.write_table(path, {name: figures(values, missing="") for name, values in columns.items()})


OUTPUT = Output(filename="profile.csv", title="Ground along the line (CSV)", write=write)
