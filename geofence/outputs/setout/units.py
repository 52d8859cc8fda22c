"""Figures as a crew reads them off a tape and a staff: metres, decimal feet, or feet and inches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from geofence.numeric import kept_down, snap_floor
from geofence.outputs.finding_words import Said
from geofence.plan import FencePlan
from geofence.units import FOOT_M, POUND_FORCE_KN, unit_word

__all__ = ["INCH_PARTS", "TapeUnit", "Units", "bearing", "degrees_minutes_seconds"]

TapeUnit = Literal["m", "ft", "ft-in"]

INCH_PARTS = 16
"""A tape's finest marks in inches: a sixteenth is 1.6 mm."""

_DECIMALS = {"m": 3, "ft": 2, "ft-in": 2}
"""Of lengths and levels: a millimetre, a hundredth of a foot."""

_TOGETHER = "\u00a0"
"""A blank at which no line ends: 264' 10 at the end of one line and 3/16" on the next are misread."""


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
        return cls(tape=tape, foot_m=plan.grid.unit_m if unit_word(plan.grid.unit_m) in ("ft", "ftUS") else FOOT_M)

    @property
    def inches(self) -> bool:
        """Whether lengths are in feet and inches, which take more room."""
        return self.tape == "ft-in"

    @property
    def staff(self) -> str:
        """The unit of levels, in short."""
        return "m" if self.tape == "m" else "ft"

    @property
    def in_brackets(self) -> Said | None:
        """How lengths that are told in metres are told once more; None where the sheet is in metres."""
        return None if self.tape == "m" else self.said

    @property
    def level_words(self) -> str:
        """What levels are in."""
        return "metres" if self.tape == "m" else "decimal feet"

    @property
    def words(self) -> str:
        """What lengths and levels are in, for the head of the sheet."""
        if self.tape == "m":
            return "metres"
        kind = "US survey feet" if unit_word(self.foot_m) == "ftUS" else "international feet"
        feet = f"{kind} (1 ft = {self.foot_m:.10g} m)"
        return feet if self.tape == "ft" else f"feet and inches to 1/{INCH_PARTS}, levels decimal {feet}"

    def said(self, value_m: float) -> str:
        """A length with its unit, for a sentence.

        >>> Units().said(0.05), Units(tape="ft").said(0.05)
        ('0.050 m', '0.16 ft')
        """
        return self.length(value_m) + ("" if self.inches else f" {self.tape}")

    def at_least(self, value_m: float) -> str:
        """A distance that must be kept, with its unit: never rounded up.

        >>> Units().at_least(0.5488), Units(tape="ft").at_least(0.5488), Units().at_least(0.75)
        ('0.548 m', '1.80 ft', '0.750 m')
        """
        step_m = {"m": 1e-3, "ft": self.foot_m / 100, "ft-in": self.foot_m / 12 / INCH_PARTS}[self.tape]
        return self.said(kept_down(value_m, step_m))

    def length(self, value_m: float) -> str:
        """A length, or nothing for one that does not exist.

        >>> Units().length(1.885), Units(tape="ft").length(1.885)
        ('1.885', '6.18')
        >>> print(Units(tape="ft-in").length(1.885).replace("\\u00a0", " "))
        6' 2 3/16"
        """
        if not math.isfinite(value_m):
            return ""
        return _feet_inches(value_m / self.foot_m) if self.inches else self._decimal(value_m)

    def level(self, value_m: float) -> str:
        """A level or a difference of levels, decimal."""
        return self._decimal(value_m) if math.isfinite(value_m) else ""

    def rise(self, value_m: float) -> str:
        """A difference of levels with its sign; none for nought."""
        text = self.level(value_m)
        return f"+{text}" if text and float(text) > 0 else text

    def signed(self, value_m: float) -> str:
        """A length with its sign; a bare 0 for nought.

        >>> Units().signed(0.05), Units().signed(-0.00001), Units(tape="ft").signed(-0.05)
        ('+0.050', '0', '-0.16')
        """
        text = self.length(value_m)
        if text and not any(digit in text for digit in "123456789"):
            return "0"
        return f"+{text}" if value_m > 0 else text

    def force(self, value_kn: float) -> str:
        """A pull with its unit.

        >>> Units().force(1.1), Units(tape="ft").force(1.1)
        ('1.10 kN', '247 lbf')
        """
        return f"{value_kn:.2f} kN" if self.tape == "m" else f"{value_kn / POUND_FORCE_KN:.0f} lbf"

    def easily_taped_m(self, value_m: float) -> float:
        """A length for a peg that a tape shows at once: in feet the nearest of whole and half ones, not none."""
        half_m = self.foot_m / 2
        return value_m if self.tape == "m" else max(round(value_m / half_m), 1) * half_m

    def taped_within_m(self, reach_m: float) -> float:
        """The longest length of whole and half metres or feet within a reach; the reach itself where none is."""
        half_m = 0.5 if self.tape == "m" else self.foot_m / 2
        return snap_floor(reach_m / half_m) * half_m or reach_m

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
    text = _TOGETHER.join(words) + '"'
    return f"{sign}{whole}'{_TOGETHER}{text}" if whole else f"{sign}{text}"


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
