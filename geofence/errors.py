"""Every exception that geofence raises for a mistake a user can mend.

One class per kind of mistake. Each carries, as far as it applies, the place, the value found, the limit with
its unit, and the remedy; ``str()`` puts them into one readable text.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

__all__ = [
    "GeofenceError",
    "GridError",
    "GroundError",
    "InputError",
    "JobError",
    "LayoutError",
    "OutputError",
]


class GeofenceError(Exception):
    """Base of all geofence errors.

    Parameters
    ----------
    message
        What is wrong, in one sentence without a full stop.
    place
        Where: a file and the place in it, a dotted address in the job, a chainage range.
    value, limit
        The value found and the limit it breaks, as a reader should see them.
    unit
        Unit of both.
    remedy
        What to do about it, as a sentence.

    Examples
    --------
    >>> print(GeofenceError("the gate is wider than its leg", place="gate[1].width_m", value=12.0,
    ...                     limit=9.5, unit="m", remedy="Move the gate or make it narrower."))
    gate[1].width_m: the gate is wider than its leg: 12.0 m, limit 9.5 m. Move the gate or make it narrower.
    """

    def __init__(
        self,
        message: str,
        *,
        place: str | None = None,
        value: object = None,
        limit: object = None,
        unit: str = "",
        remedy: str = "",
    ) -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.value = value
        self.limit = limit
        self.unit = unit
        self.remedy = remedy

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        text = f"{self.place}: {self.message}" if self.place else self.message
        if self.value is not None:
            text += f": {self.value}{unit}"
        if self.limit is not None:
            text += f"{',' if self.value is not None else ':'} limit {self.limit}{unit}"
        text += "."
        return f"{text} {self.remedy}" if self.remedy else text


class JobError(GeofenceError):
    """A value in the job file or on the command line; ``place`` is its dotted address (``layout.min_bay_m``)."""


class InputError(GeofenceError):
    """A file that cannot be used as it is; ``place`` starts with the file's name."""

    def __init__(
        self,
        message: str,
        *,
        file: Path | str,
        place: str | None = None,
        value: object = None,
        limit: object = None,
        unit: str = "",
        remedy: str = "",
    ) -> None:
        self.file = str(file)
        where = f"{self.file}, {place}" if place else self.file
        super().__init__(message, place=where, value=value, limit=limit, unit=unit, remedy=remedy)


class GridError(GeofenceError):
    """A coordinate reference system is missing, unusable, or cannot hold the coordinates."""


class GroundError(GeofenceError):
    """The ground gives no level somewhere along the line.

    ``chainages_m`` lists (from, to) of each stretch without a level, in metres on the ground.
    """

    def __init__(
        self,
        message: str,
        *,
        chainages_m: Sequence[tuple[float, float]] = (),
        place: str | None = None,
        value: object = None,
        limit: object = None,
        unit: str = "",
        remedy: str = "",
    ) -> None:
        super().__init__(message, place=place, value=value, limit=limit, unit=unit, remedy=remedy)
        self.chainages_m = tuple(chainages_m)


class LayoutError(GeofenceError):
    """The posts cannot stand as asked: a gate off its leg, an offset that folds the line.

    ``rule`` names the rule, ``span_m`` the (from, to) chainages it concerns, ``gate`` the gate that is at fault.
    """

    def __init__(
        self,
        message: str,
        *,
        rule: str,
        span_m: tuple[float, float] | None = None,
        gate: str = "",
        place: str | None = None,
        value: object = None,
        limit: object = None,
        unit: str = "",
        remedy: str = "",
    ) -> None:
        super().__init__(message, place=place, value=value, limit=limit, unit=unit, remedy=remedy)
        self.rule = rule
        self.span_m = span_m
        self.gate = gate


class OutputError(GeofenceError):
    """The output folder cannot be written: read-only, full, or holding files that are not ours."""
