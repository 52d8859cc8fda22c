"""Units of length that surveys come in, in metres."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["FOOT_M", "UNITS_M", "US_SURVEY_FOOT_M"]

FOOT_M = 0.3048
"""The international foot, exactly (yard and pound agreement of 1959)."""

US_SURVEY_FOOT_M = 1200 / 3937
"""The foot of the United States' older surveys, two parts in a million longer (Mendenhall order of 1893)."""

UNITS_M: Mapping[str, float] = {"m": 1.0, "ft": FOOT_M, "ftUS": US_SURVEY_FOOT_M}
"""By the words that job files use. The survey foot was that of the United States until 2022 (NIST SP 811, B.6)."""
