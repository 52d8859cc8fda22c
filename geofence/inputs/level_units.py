"""Units of levels: what each is in metres, and how files spell it; and levels moved by an offset."""

from __future__ import annotations

from pyproj import CRS

from geofence.engine.records import Finding
from geofence.errors import JobError
from geofence.site.grids import unit_m
from geofence.site.ground import GroundOptions

__all__ = ["LEVEL_MAX_M", "LEVEL_MIN_M", "SAY_UNIT", "ask_if_feet", "offset_findings", "unit_named"]

LEVEL_MIN_M, LEVEL_MAX_M = -500.0, 9000.0
"""No ground is lower than the shore of the Dead Sea (-430 m) or higher than the highest mountain (8849 m): -9999 and
its like stand for a level that is not known."""

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


def ask_if_feet(file: str, crs: CRS, *, table: str) -> None:
    """Refuse a file whose places are in feet and which does not say the unit of its levels: it may be either.

    Raises
    ------
    JobError
        The grid is projected and its unit is not the metre.
    """
    if crs.is_projected and abs(unit_m(crs) - 1) > 1e-9:
        raise JobError(
            f"places in {file} are in the {crs.axis_info[0].unit_name}, and it does not say the unit of its levels",
            place=f"{table}.level_unit",
            remedy=f"Say which one it is: {SAY_UNIT} in [{table}].",
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
