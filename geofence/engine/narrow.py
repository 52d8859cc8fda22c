"""What to say where no bays of allowed widths fit between two posts that must be where they are."""

from __future__ import annotations

from collections.abc import Sequence

from geofence.engine.chords import BentLine
from geofence.engine.keep_clear import task_of
from geofence.engine.records import Finding, FixedPost, LayoutRules
from geofence.engine.relaxing import relaxations
from geofence.engine.spans import Piece
from geofence.numeric import millimetres_down, millimetres_up

__all__ = ["too_narrow"]


def too_narrow(
    piece: Piece, first_bay: int, line: BentLine, ends: Sequence[FixedPost | None], rules: LayoutRules
) -> Finding:
    """The finding of a piece whose bays are too narrow.

    ``first_bay`` is its first bay's row in the plan, ``line`` the line around it, ``ends`` what exists already at its
    two ends.
    """
    said = _between_existing(piece, line, ends, rules) if any(ends) else _between_planned(piece, rules)
    message, remedy = said
    return Finding(
        code="bay-under-minimum",
        severity="stop",
        message=message,
        remedy=remedy,
        chainage_m=piece.start_m,
        chainage_to_m=piece.end_m[-1],
        bay=first_bay,
        value=piece.division.narrowest_m,
        limit=rules.min_bay_m,
        unit="m",
    )


def _between_planned(piece: Piece, rules: LayoutRules) -> tuple[str, str]:
    """Message and remedy where no bays of allowed widths fit between two posts that can be moved."""
    division = piece.division
    length, bays = division.length_m, division.bays
    farther = millimetres_up(bays * rules.min_bay_m - length)
    nearer = millimetres_up(length - (bays - 1) * rules.module_m)
    if bays == 1:
        message = f"Two posts that must be where they are stand {length:.3f} m apart, less than the narrowest bay"
        other_way = "or move both to one place"
    else:
        message = (
            f"{length:.3f} m between two posts that must be where they are is too long for {bays - 1} of the module "
        )
        message += f"and too short for {bays} of the narrowest bay"
        other_way = f"or {nearer:.3f} m nearer"
    fits = f"A min_bay_m of {millimetres_down(division.narrowest_m):.3f} m would fit"
    return message, f"{fits}, or move one of the two posts {farther:.3f} m away from the other, {other_way}."


def _between_existing(
    piece: Piece, line: BentLine, ends: Sequence[FixedPost | None], rules: LayoutRules
) -> tuple[str, str]:
    """The same where one of the posts, or both, are in the ground already."""
    length, bays = piece.division.length_m, piece.division.bays
    one, other = ("a post that must be where it is" if end is None else f"existing post {end.name}" for end in ends)
    where = f"{length:.3f} m between {one.rstrip()} and {other.rstrip()}"
    if bays == 1:
        message = f"{where} are less than the narrowest bay"
    else:
        message = f"{where} are too long for {bays - 1} of the module and too short for {bays} of the narrowest bay"
    ways = [way for _, way in relaxations(task_of(piece, line, (), rules))]
    without = " or ".join(dict.fromkeys(end.name or "the existing post" for end in ends if end is not None))
    makes = f"Any of these makes a way: {'; '.join(ways)}; or do" if ways else "Do"
    return message, f"{makes} without {without}: draw it, and leave it out of the file."
