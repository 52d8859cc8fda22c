"""``findings.csv``: what the reader of the plan must look at, one row a finding."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from geofence.outputs import csv_text
from geofence.outputs.digits import figures
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]

_CHAINAGES = ("chainage_m", "chainage_to_m")
_MEASURES = ("value", "limit")
_MEASURE_DECIMALS = 6
"""Of measured values in any unit: degrees need six, and what is finer than a micrometre is noise."""


def write(plan: FencePlan, path: Path) -> None:
    """Write the findings in the plan's order; a field is empty where a value does not exist."""
    columns = plan.finding_columns()
    csv_text.write_table(path, {name: _fields(name, values) for name, values in columns.items()})


def _fields(name: str, values: Sequence[object]) -> Iterable[str]:
    if name in _CHAINAGES + _MEASURES:
        numbers = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
        return figures(numbers, 4 if name in _CHAINAGES else _MEASURE_DECIMALS, missing="")
    return csv_text.words(None if value is None else str(value) for value in values)


OUTPUT = Output(filename="findings.csv", title="Findings (CSV)", write=write)
