"""The stretches of a line between two posts that must be where they are."""

from __future__ import annotations

from dataclasses import dataclass

from geofence.engine.chords import BentLine
from geofence.engine.openings import Opening
from geofence.engine.spans import Division, Piece

__all__ = ["Stretch"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """The stretch between two posts that must be where they are; one bay where it is an opening.

    ``line`` is the line around it, cut at its corners.
    """

    start_m: float
    end_m: float
    line: BentLine
    opening: Opening | None = None

    @property
    def gate(self) -> Piece:
        """The one bay of an opening."""
        width_m = self.end_m - self.start_m if self.opening is None else self.opening.width_m
        bay = Division(head=0, full=1, tail=0, full_m=width_m)
        return Piece(start_m=self.start_m, division=bay, end_m=[self.end_m], departure_m=[0.0])
