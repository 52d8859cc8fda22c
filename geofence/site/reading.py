"""How a survey's file was read, for those who must judge whether it was read rightly."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["FirstRow", "Reading"]

FirstRow = tuple[str, float, float, float]
"""Name of a point, or where it stands in the file (``line 2``); easting, northing in the file's grid and unit; level in
metres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How one file was read.

    Attributes
    ----------
    file
        The file.
    kind
        What it is: ``text``, ``layer``, ``laser scan``, ...
    how
        What was found in it or stated by the job, in words: ``("delimiter", "semicolon")``.
    points
        How many points were taken.
    without_level, left_out
        How many were not, since they have no level, or since they are not of the codes or classes that are wanted.
    first_rows
        The first points taken.
    """

    file: Path
    kind: str
    how: tuple[tuple[str, str], ...]
    points: int
    without_level: int = 0
    left_out: int = 0
    first_rows: tuple[FirstRow, ...] = ()
