"""How the set-out sheet is laid out: the job's table ``[setout]``, as a plan carries it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

from geofence.errors import JobError
from geofence.outputs.setout.units import TapeUnit
from geofence.plan import FencePlan
from geofence.words import must_be_known

__all__ = ["CONTROL_REACH_M", "PAPERS_MM", "SETBACK_M", "Paper", "SetoutStyle"]

Paper = Literal["A4", "letter"]

PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height, standing: ISO 216; ANSI/ASME Y14.1, size A."""

SETBACK_M = 3.0
"""Two sides of 3 m at a right angle have a diagonal of 4.243 m: within reach of one man and one tape."""

CONTROL_REACH_M = 300.0
"""A sight of a total station that stays within a few millimetres in the heat over the ground. Common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetoutStyle:
    """How the sheet is laid out.

    Attributes
    ----------
    paper
        ``A4`` or ``letter``, standing.
    units
        ``m``, ``ft`` (decimal) or ``ft-in``.
    setback_m
        From a corner to each of the two marks whose distance checks it.
    reach_m
        Longest tie to a control point.

    Raises
    ------
    JobError
        A word that is not one of those above, or a length that is none; ``place`` is the option's dotted address.
    """

    paper: Paper = "A4"
    units: TapeUnit = "m"
    setback_m: float = SETBACK_M
    reach_m: float = CONTROL_REACH_M

    def __post_init__(self) -> None:
        must_be_known(self.paper, get_args(Paper), place="setout.paper")
        must_be_known(self.units, get_args(TapeUnit), place="setout.units")
        for place, value in (("setout.setback_m", self.setback_m), ("control.reach_m", self.reach_m)):
            if not value > 0:
                raise JobError("is no distance", place=place, value=value, unit="m", remedy="Write one above 0.")

    @classmethod
    def of(cls, plan: FencePlan) -> SetoutStyle:
        """As the plan's job has it; what it does not say is as it is above."""
        addresses = {
            "paper": "setout.paper",
            "units": "setout.units",
            "setback_m": "setout.setback_m",
            "reach_m": "control.reach_m",
        }
        given: dict[str, Any] = {name: plan.value(address) for name, address in addresses.items()}
        return cls(**{name: value for name, value in given.items() if value is not None})
