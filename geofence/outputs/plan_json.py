"""``plan.json``: what was planned, from which values and files, at what cost; and the list of files written with it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from datetime import date, time
from enum import Enum
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from geofence.folder import PROGRAM
from geofence.plan import FencePlan, Output
from geofence.stakeout_style import StakeoutStyle

__all__ = ["OUTPUT", "SCHEMA", "content", "plain", "write"]

SCHEMA = 1
"""Rises when a member changes its meaning or goes; new members do not raise it."""


def write(plan: FencePlan, path: Path) -> None:
    """Write the plan's record as strict JSON; the same plan gives the same bytes but for its time stamp."""
    told = content(plan, files=plan.provenance.files or (path.name,))
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, indent=2)
    path.write_text(text + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")


def content(plan: FencePlan, *, files: Sequence[str]) -> dict[str, Any]:
    """What is told of a plan, as JSON reads it back; ``files`` are those written together."""
    told: dict[str, Any] = plain(_told(plan, files))
    return told


def _told(plan: FencePlan, files: Sequence[str]) -> dict[str, Any]:
    cost, grid, provenance = plan.fence.cost, plan.grid, plan.provenance
    return {
        "program": PROGRAM,
        "schema": SCHEMA,
        "name": plan.name,
        "summary": plan.summary(),
        "parameters": {
            name: {"value": item.value, "origin": item.origin} for name, item in sorted(plan.parameters.items())
        },
        "optimum": {
            "broken_bays": len(plan.broken_bays),
            "cost": cost.total,
            "gap": cost.gap,
            "dig": cost.dig,
            "step": cost.step,
            "rise": cost.rise,
        },
        **({"strains": _strains(plan)} if len(plan.fence.strains) else {}),
        "grid": {
            "name": grid.name,
            "code": grid.code,
            "unit": grid.unit,
            "unit_m": grid.unit_m,
            "level_datum": grid.level_datum,
            "wkt": grid.wkt,
        },
        "scale": grid.combined_factor,
        "units": _units(plan),
        "system": plan.system,
        "provenance": {
            "inputs": dict(sorted(provenance.inputs.items())),
            "packages": dict(sorted(provenance.packages.items())),
            "planned_at": provenance.planned_at,
        },
        "cautions": plan.cautions,
        "files": files,
    }


def _strains(plan: FencePlan) -> list[dict[str, Any]]:
    """One object a strain of wire."""
    columns = plan.strain_columns()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _units(plan: FencePlan) -> dict[str, str]:
    """What the numbers of all files written together are in."""
    staked = StakeoutStyle.of(plan).unit_name(plan)
    return {
        "easting, northing": f"{plan.grid.unit}, on the grid",
        "stakeout.csv": f"{staked}; coordinates on the grid, levels on the level datum",
        "_m": "metre; levels on the level datum, lengths and chainages on the ground",
        "_m2": "square metre",
        "_kn": "kilonewton; of one wire, or of all wires on a post",
        "_deg": "degree; bearings clockwise from grid north, turns to the right positive",
        "scale": "grid distance divided by ground distance, mean along the line",
        "optimum": "the currency or weight of levels.gap_cost and its like; broken_bays is a count",
    }


def plain(value: Any) -> Any:
    """A value as JSON has it: numpy's numbers as Python's, paths as text with ``/``, sets sorted, records as objects.

    A number that is not finite has no JSON and becomes ``null``.

    >>> plain({"file": PurePath("a") / "b.tif", "limit": float("inf"), "rows": np.arange(2)})
    {'file': 'a/b.tif', 'limit': None, 'rows': [0, 1]}

    Raises
    ------
    TypeError
        A kind of value that has no plain form.
    """
    if isinstance(value, (np.generic, np.ndarray)):
        value = value.tolist()
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, (date, time)):
        return value.isoformat()
    return _plain_many(value)


def _plain_many(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        value = {item.name: getattr(value, item.name) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, Set):
        return sorted(map(plain, value))
    if isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no plain form: {value!r}")


OUTPUT = Output(filename="plan.json", title="The plan's record (JSON)", write=write)
