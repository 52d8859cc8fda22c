"""Figures as a crew reads them off a tape and a staff: metres, decimal feet, or feet and inches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from geofence.plan import FencePlan
from geofence.units import FOOT_M, US_SURVEY_FOOT_M

__all__ = ["INCH_PARTS", "TapeUnit", "Units", "bearing", "degrees_minutes_seconds"]

TapeUnit = Literal["m", "ft", "ft-in"]

INCH_PARTS = 16
"""A tape's finest marks in inches: a sixteenth is 1.6 mm."""

_DECIMALS = {"m": 3, "ft": 2, "ft-in": 2}
"""Of lengths and levels: a millimetre, a hundredth of a foot."""

_FEET_OF_GRID = (FOOT_M, US_SURVEY_FOOT_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """How lengths are written; a foot is the grid's own where the grid is in feet.

    Levels are decimal in any unit, since staffs are: in feet too where lengths are in feet and inches.
    """

    tape: TapeUnit = "m"
    foot_m: float = FOOT_M

    @classmethod
    def of(cls, plan: FencePlan, tape: TapeUnit) -> Units:
        """For a plan."""
        own = next((foot for foot in _FEET_OF_GRID if math.isclose(foot, plan.grid.unit_m, rel_tol=1e-9)), FOOT_M)
        return cls(tape=tape, foot_m=own)

    @property
    def level_words(self) -> str:
        """What levels are in."""
        return "metres" if self.tape == "m" else "decimal feet"

    @property
    def words(self) -> str:
        """What lengths and levels are in, for the head of the sheet."""
        if self.tape == "m":
            return "metres"
        kind = "international feet" if self.foot_m == FOOT_M else "US survey feet"
        feet = f"{kind} (1 ft = {self.foot_m:.10g} m)"
        return feet if self.tape == "ft" else f"feet and inches to 1/{INCH_PARTS}, levels decimal {feet}"

    def said(self, value_m: float) -> str:
        """A length with its unit, for a sentence.

        >>> Units().said(0.05), Units(tape="ft-in").said(0.05)
        ('0.050 m', '1 15/16"')
        """
        return self.length(value_m) + ("" if self.tape == "ft-in" else f" {self.tape}")

    def length(self, value_m: float) -> str:
        """A length, or nothing for one that does not exist.

        >>> Units().length(1.885), Units(tape="ft").length(1.885), Units(tape="ft-in").length(1.885)
        ('1.885', '6.18', '6\\' 2 3/16"')
        """
        if not math.isfinite(value_m):
            return ""
        return _feet_inches(value_m / self.foot_m) if self.tape == "ft-in" else self._decimal(value_m)

    def level(self, value_m: float) -> str:
        """A level or a difference of levels, decimal."""
        return self._decimal(value_m) if math.isfinite(value_m) else ""

    def rise(self, value_m: float) -> str:
        """A difference of levels with its sign; none for nought."""
        text = self.level(value_m)
        return f"+{text}" if text and float(text) > 0 else text

    def signed(self, value_m: float) -> str:
        """A length with its sign; a bare 0 for nought.

        >>> Units().signed(0.05), Units().signed(-0.00001), Units(tape="ft-in").signed(-0.05)
        ('+0.050', '0', '-1 15/16"')
        """
        text = self.length(value_m)
        if text and not any(digit in text for digit in "123456789"):
            return "0"
        return f"+{text}" if value_m > 0 else text

    def _decimal(self, value_m: float) -> str:
        decimals = _DECIMALS[self.tape]
        value = round(value_m / (1.0 if self.tape == "m" else self.foot_m), decimals) + 0.0
        return f"{value:.{decimals}f}"


def _feet_inches(feet: float) -> str:
    parts = round(abs(feet) * 12 * INCH_PARTS)
    sign = "-" if feet < 0 and parts else ""
    whole, rest = divmod(parts, 12 * INCH_PARTS)
    inches, part = divmod(rest, INCH_PARTS)
    shared = math.gcd(part, INCH_PARTS)
    fraction = f"{part // shared}/{INCH_PARTS // shared}" if part else ""
    words = [word for word in (str(inches) if inches or not fraction else "", fraction) if word]
    text = " ".join(words) + '"'
    return f"{sign}{whole}' {text}" if whole else f"{sign}{text}"


def bearing(degrees: float) -> str:
    """A bearing in decimal degrees; 0.0001 degree is 0.2 mm in 100 m.

    >>> bearing(359.99999), bearing(45.2)
    ('0.0000', '45.2000')
    """
    return f"{round(degrees, 4) % 360:.4f}"


def degrees_minutes_seconds(degrees: float) -> str:
    """A bearing in degrees, minutes and seconds.

    >>> degrees_minutes_seconds(45.5042), degrees_minutes_seconds(359.99999)
    ('45°30\\'15"', '0°00\\'00"')
    """
    seconds = round(degrees * 3600) % (360 * 3600)
    return f"{seconds // 3600}°{seconds // 60 % 60:02d}'{seconds % 60:02d}\""
