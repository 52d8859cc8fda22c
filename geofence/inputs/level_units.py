"""Levels of files: the unit they are in and who says so, what no level can be, and levels moved by an offset."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError, JobError
from geofence.site.grids import unit_m
from geofence.site.ground import GroundOptions
from geofence.units import UNITS_M, same_unit, unit_word
from geofence.words import some_of

__all__ = [
    "LevelUnit",
    "check_levels",
    "level_unit",
    "offset_findings",
    "unit_findings",
    "unit_named",
    "vertical_unit_m",
]

LEVEL_MIN_M, LEVEL_MAX_M = -500.0, 9000.0
"""No ground is lower than the shore of the Dead Sea (-430 m) or higher than the highest mountain (8849 m): -9999 and
its like stand for a level that is not known."""

NAMED = 3
"""Most files that a finding names."""

SAY_UNIT = 'level_unit = "m", "ft" (0.3048 m) or "ftUS" (1200/3937 m)'

WORDS = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "ft": ("ft", "foot", "feet", "international foot", "international feet", "foot_intl", "ift"),
    "ftUS": (
        *("ftus", "us-ft", "us ft", "us_ft", "usft", "sft", "foot_us", "us foot"),
        *("us survey foot", "us survey feet", "us_survey_foot", "survey foot", "ussurveyfoot"),
    ),
}
BY_WORD = {word: unit for unit, words in WORDS.items() for word in words}


def unit_named(word: str) -> str | None:
    """The unit that a word stands for; None where it is not known.

    >>> unit_named("US survey foot"), unit_named("Meter"), unit_named("fathom")
    ('ftUS', 'm', None)
    """
    return BY_WORD.get(word.strip().casefold())


def vertical_unit_m(crs: CRS) -> float | None:
    """One unit of a grid's vertical axis in metres; None where it has none."""
    axes = [axis for axis in crs.axis_info if axis.direction == "up"]
    return float(axes[0].unit_conversion_factor) if axes else None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelUnit:
    """The unit of a file's levels: as the job says, else as the file says, else the metre.

    Attributes
    ----------
    file
        The file's name.
    job_m, file_m
        What each of the two says, metres; None where it says nothing.
    """

    file: str
    job_m: float | None
    file_m: float | None

    @property
    def metres(self) -> float:
        """One unit in metres."""
        return next((said for said in (self.job_m, self.file_m) if said is not None), 1.0)

    @property
    def origin(self) -> Literal["job", "job against file", "file", "nobody"]:
        """Who says so."""
        if self.job_m is None:
            return "nobody" if self.file_m is None else "file"
        return "job" if self.file_m is None or same_unit(self.job_m, self.file_m) else "job against file"

    def __str__(self) -> str:
        who = {
            "job": "the job",
            "job against file": f"the job; the file says {_told(self.file_m or 1.0)}",
            "file": "the file",
            "nobody": "assumed",
        }
        return f"{_told(self.metres)} ({who[self.origin]})"


def _told(unit_m: float) -> str:
    """A unit by its word, or by its length."""
    return unit_word(unit_m) or f"{unit_m:.10g} m"


def level_unit(file: str, file_m: float | None, crs: CRS, options: GroundOptions) -> LevelUnit:
    """The unit of the levels of a file in a grid; ``file_m`` is the one that the file states, metres.

    Raises
    ------
    JobError
        Nobody says, and places are in feet: levels may be either.
    """
    if options.level_unit is None and file_m is None and crs.is_projected and not same_unit(unit_m(crs), 1.0):
        raise JobError(
            f"places in {file} are in the {crs.axis_info[0].unit_name}, and it does not say the unit of its levels",
            place=f"{options.table}.level_unit",
            remedy=f"Say which one it is: {SAY_UNIT} in [{options.table}].",
        )
    return LevelUnit(
        file=file, job_m=None if options.level_unit is None else UNITS_M[options.level_unit], file_m=file_m
    )


def unit_findings(units: Sequence[LevelUnit]) -> list[Finding]:
    """What is to be told of units that nobody states, and of those that the job overrules."""
    found = []
    silent = [unit.file for unit in units if unit.origin == "nobody"]
    if silent:
        found.append(
            Finding(
                code="level-unit-assumed",
                severity="note",
                message=f"{some_of(silent, NAMED)} does not say the unit of its levels; metres are assumed",
                remedy=f"If they are feet, say so: {SAY_UNIT}.",
            )
        )
    overruled = [unit for unit in units if unit.origin == "job against file"]
    if overruled:
        stated = " and ".join(dict.fromkeys(_told(unit.file_m or 1.0) for unit in overruled))
        found.append(
            Finding(
                code="level-unit-overruled",
                severity="warn",
                message=f"The job says levels are in {_told(overruled[0].metres)}; "
                f"{some_of([unit.file for unit in overruled], NAMED)} says {stated}",
                remedy="Check a level against a known point; leave level_unit out if the file is right.",
            )
        )
    return found


def check_levels(file: str, level_m: Floats, place: Callable[[int], str]) -> None:
    """Refuse levels that no ground has, which stand for one that is not known; ``place`` says where a row stands.

    Raises
    ------
    InputError
        At the first such level.
    """
    if float(level_m.min()) >= LEVEL_MIN_M and float(level_m.max()) <= LEVEL_MAX_M:
        return
    row = int(np.argmax((level_m < LEVEL_MIN_M) | (level_m > LEVEL_MAX_M)))
    raise InputError(
        "no ground has such a level",
        file=file,
        place=place(row),
        value=round(float(level_m[row]), 3),
        limit=f"{LEVEL_MIN_M:g} to {LEVEL_MAX_M:g}",
        unit="m",
        remedy="Leave the level or the point out. Or are all levels in another unit? Set level_unit.",
    )


def offset_findings(options: GroundOptions) -> list[Finding]:
    """Tells that the job moves every level, where it does."""
    if not options.level_offset_m:
        return []
    return [
        Finding(
            code="level-offset",
            severity="note",
            message=f"Every level is moved by {options.level_offset_m:+g} m, as {options.table}.level_offset_m says",
            remedy="Check one against a known point.",
            value=options.level_offset_m,
            unit="m",
        )
    ]
