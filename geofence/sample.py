"""The invented estate that ships with the package: Alder Down."""

from __future__ import annotations

from pathlib import Path

__all__ = ["LONG_JOB", "SAMPLE_DATA", "SAMPLE_JOB"]

_HERE = Path(__file__).parent
SAMPLE_DATA = _HERE / "sample_data" if (_HERE / "sample_data").is_dir() else _HERE.parent / "sample_data"
"""In a wheel beside this module, in a checkout at the top level."""

SAMPLE_JOB = SAMPLE_DATA / "alder_down" / "fence.toml"
LONG_JOB = SAMPLE_DATA / "alder_down_long" / "fence.toml"
