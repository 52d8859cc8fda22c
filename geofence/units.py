"""Units that surveys and crews use, in metres, kilonewtons and kilograms."""

from __future__ import annotations

import math
from collections.abc import Mapping

__all__ = ["FOOT_M", "POUND_FORCE_KN", "POUND_KG", "UNITS_M", "US_SURVEY_FOOT_M", "same_unit", "unit_word"]

FOOT_M = 0.3048
"""The international foot, exactly (yard and pound agreement of 1959)."""

US_SURVEY_FOOT_M = 1200 / 3937
"""The foot of the United States' older surveys, two parts in a million longer (Mendenhall order of 1893)."""

UNITS_M: Mapping[str, float] = {"m": 1.0, "ft": FOOT_M, "ftUS": US_SURVEY_FOOT_M}
"""By the words that job files use. The survey foot was that of the United States until 2022 (NIST SP 811, B.6)."""

POUND_KG = 0.45359237
"""The pound, exactly (yard and pound agreement of 1959)."""

POUND_FORCE_KN = POUND_KG * 9.80665e-3
"""What a pound weighs under standard gravity (NIST SP 811, B.8)."""

_SAME = 1e-9
"""The two feet differ by 2000 times this; definitions of one unit, written with fewer digits, by less."""


def same_unit(one_m: float, other_m: float) -> bool:
    """Whether two units, in metres, are one."""
    return math.isclose(one_m, other_m, rel_tol=_SAME)


def unit_word(unit_m: float) -> str:
    """The word of :data:`UNITS_M` for a unit in metres; empty where there is none.

    >>> unit_word(0.3048006096), unit_word(0.3048), unit_word(20.1168)
    ('ftUS', 'ft', '')
    """
    return next((word for word, length_m in UNITS_M.items() if same_unit(unit_m, length_m)), "")
