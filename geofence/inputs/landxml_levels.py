"""Levels of a LandXML file: their unit, and whether they can be levels at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError
from geofence.inputs.landxml_grid import SAME_UNIT, Units
from geofence.inputs.level_units import LEVEL_MAX_M, LEVEL_MIN_M, SAY_UNIT, ask_if_feet
from geofence.site.ground import GroundOptions
from geofence.units import UNITS_M

__all__ = ["LevelUnit", "check_levels", "datum_findings", "level_unit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelUnit:
    """One unit of levels in metres, its word, who says so, and what is to be told of it."""

    metres: float
    word: str
    origin: str
    findings: tuple[Finding, ...] = ()


def level_unit(file: Path, units: Units, crs: CRS, options: GroundOptions) -> LevelUnit:
    """The unit of levels: as the job says, else as the file says, else metres in a grid of metres.

    Raises
    ------
    JobError
        Nobody says, and the grid is not in metres.
    """
    given = options.level_unit
    if given is not None:
        contradicted = units.level_m is not None and abs(units.level_m / UNITS_M[given] - 1) > SAME_UNIT
        overruled = Finding(
            code="level-unit-overruled",
            severity="warn",
            message=f"The job says levels are in {given}; {file.name} says {units.level}",
            remedy="Check a level against a known point; leave level_unit out if the file is right.",
        )
        return LevelUnit(
            metres=UNITS_M[given],
            word=given,
            origin=f"the job; the file says {units.level}" if contradicted else "the job",
            findings=(overruled,) if contradicted else (),
        )
    if units.level_m is not None:
        return LevelUnit(metres=units.level_m, word=str(units.level), origin="the file")
    ask_if_feet(file.name, crs, table=options.table)
    assumed = Finding(
        code="level-unit-assumed",
        severity="note",
        message=f"{file.name} does not say the unit of its levels; metres are assumed",
        remedy=f"If they are feet, say so: {SAY_UNIT}.",
    )
    return LevelUnit(metres=1.0, word="m", origin="assumed", findings=(assumed,))


def datum_findings(file: Path, datum: str, options: GroundOptions) -> list[Finding]:
    """What the file says its levels are above, and whether the job says otherwise."""
    if not datum:
        return []
    if options.level_datum is not None and options.level_datum.casefold() != datum.casefold():
        return [
            Finding(
                code="level-datum-overruled",
                severity="warn",
                message=f"The job says the levels of {file.name} are above {options.level_datum!r}; "
                f"the file says {datum!r}",
                remedy="Find out which is true: level datums differ by decimetres and more.",
            )
        ]
    return [
        Finding(
            code="level-datum-stated",
            severity="note",
            message=f"By their file, levels are in {datum!r}",
            remedy="Check that job.level_datum says the same.",
        )
    ]


def check_levels(file: Path, places: Floats, level_m: Floats) -> None:
    """Refuse levels that no ground has, which stand for one that is not known; raises InputError with the place."""
    if float(level_m.min()) >= LEVEL_MIN_M and float(level_m.max()) <= LEVEL_MAX_M:
        return
    row = int(np.argmax((level_m < LEVEL_MIN_M) | (level_m > LEVEL_MAX_M)))
    raise InputError(
        "no ground has such a level",
        file=file.name,
        place=f"the point at northing {places[row, 1]:.10g}, easting {places[row, 0]:.10g}",
        value=round(float(level_m[row]), 3),
        limit=f"{LEVEL_MIN_M:g} to {LEVEL_MAX_M:g}",
        unit="m",
        remedy="Take the point out. Or are all levels in another unit? Set level_unit.",
    )
