"""Pegs that a crew would drive into a keep-clear: marks beside posts, and those of diagonals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.mark_zones import NoPeg, no_pegs, peg_free
from geofence.outputs.plain_text import one_line
from geofence.outputs.setout.checks import Diagonal
from geofence.outputs.setout.units import Units
from geofence.outputs.stakeout_points import stakeout_points
from geofence.plan import FencePlan
from geofence.stakeout_style import StakeoutStyle

__all__ = ["MOST_TOLD", "peg_texts"]

MOST_TOLD = 24
"""Pegs told one by one; those of diagonals, which no other file has, come first."""


def peg_texts(plan: FencePlan, units: Units, turns: Sequence[Diagonal]) -> tuple[str, ...]:
    """Each peg that would stand in a keep-clear: of the marks in the plan's own stake-out, and of the diagonals."""
    zones = peg_free(plan)
    if not zones:
        return ()
    marks = stakeout_points(plan, StakeoutStyle.of(plan))
    places = np.array([place for turn in turns for place in _places(plan, turn)]).reshape(-1, 2)
    pegs = [f"{side} of the diagonal at {_named(plan, turn)}" for turn in turns for side in "AB"]
    found = no_pegs(zones, places, np.full(len(places), _scale(plan)))
    told = [*_texts(pegs, found, units), *_texts(marks.name, marks.no_peg, units)]
    left = len(told) - MOST_TOLD
    more = (f"Drive no peg at {left} more marks either: stakeout.txt names them.",) if left > 0 else ()
    return (*told[:MOST_TOLD], *more)


def _texts(names: Sequence[str], found: Sequence[NoPeg | None], units: Units) -> Iterator[str]:
    for name, no_peg in zip(names, found, strict=True):
        if no_peg:
            away, wanted, zone = units.at_least(no_peg.away_m), units.said(no_peg.wanted_m), one_line(no_peg.zone)
            yield f"Drive no peg {name}: it is {away} from what is drawn of {zone} (keep-clear), and must be {wanted}."


def _named(plan: FencePlan, turn: Diagonal) -> str:
    """Which diagonal at a post, for there may be several."""
    names = plan.post_names
    post, one, other = (names[row] for row in (turn.row, *turn.toward))
    return f"{post} (A {f'from {one} past it' if turn.prolonged else f'toward {one}'}, B toward {other})"


def _places(plan: FencePlan, turn: Diagonal) -> Iterator[Floats]:
    """Pegs A and B on the grid."""
    places = np.column_stack([plan.places.easting, plan.places.northing])
    for toward, prolonged in zip(turn.toward, (turn.prolonged, False), strict=True):
        way = places[toward] - places[turn.row]
        reach = turn.setback_m * _scale(plan) / np.hypot(*way)
        yield places[turn.row] + (-reach if prolonged else reach) * way


def _scale(plan: FencePlan) -> float:
    """Grid units to a metre on the ground."""
    return plan.grid.combined_factor / plan.grid.unit_m
