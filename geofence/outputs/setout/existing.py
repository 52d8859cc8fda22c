"""What a crew must know of posts that are in the ground already."""

from __future__ import annotations

from collections.abc import Mapping

from geofence.outputs.existing_words import beside_their_places, measured_tops
from geofence.outputs.setout.posts import Note
from geofence.outputs.setout.units import Units
from geofence.plan import FencePlan

__all__ = ["PLACE_DECIMALS", "beside_notes", "standing_notes"]

PLACE_DECIMALS = 3
"""Of eastings and northings."""

WORD = "STANDS"


def standing_notes(plan: FencePlan, units: Units) -> Mapping[int, Note]:
    """Of each post that exists, by row: where it stands, and whether its top was measured."""
    beside, measured = beside_their_places(plan, units.said), measured_tops(plan)
    found = {}
    for row, kind in enumerate(plan.fence.posts.kind):
        if kind == "existing":
            where = f", {beside[row]} of its place on the line" if row in beside else ""
            top = (
                "check its place and its top level"
                if row in measured
                else "check its place; its top was not measured: the height and the top level here are the wanted ones"
            )
            found[row] = Note(word=WORD, text=f"This post is in the ground already{where}: {top}.")
    return found


def beside_notes(plan: FencePlan, units: Units) -> Mapping[int, Note]:
    """Of each post that stands elsewhere than at its place on the line, by row: where."""
    existing, names = plan.existing, plan.post_names
    at = {row: which for which, row in enumerate(existing.post.tolist())}
    found = {}
    for row, beside in beside_their_places(plan, units.said).items():
        place = " ".join(f"{values[at[row]]:.{PLACE_DECIMALS}f}" for values in (existing.easting, existing.northing))
        text = f"{names[row]} is in the ground already and stands {beside} of this place, at {place}: find it there."
        found[row] = Note(word=WORD, text=text)
    return found
