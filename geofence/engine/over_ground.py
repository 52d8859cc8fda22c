"""How high bays stand over their ground: a rule may ask for less than a whole bay."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Bays, Floats, Posts, Profile
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["OverGround", "bays_over_ground", "posts_within"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OverGround:
    """A bay, or the part of it that is asked for, over its ground.

    Attributes
    ----------
    bay
        Row of the bay.
    chainage_m
        (n,) the part's two ends and the stations between them; all that follows is straight from one to the next.
    ground_m, underside_m, top_m
        (n,) levels there.
    stepped
        Whether the bay's top is at another level than a neighbour's at the post between them.
    """

    bay: int
    chainage_m: Floats
    ground_m: Floats
    underside_m: Floats
    top_m: Floats
    stepped: bool

    @property
    def height_m(self) -> Floats:
        """(n,) of the top over the ground."""
        return self.top_m - self.ground_m

    @property
    def mean_height_m(self) -> float:
        """Of the top over the ground, mean along the part."""
        run = float(self.chainage_m[-1] - self.chainage_m[0])
        return float(np.trapezoid(self.height_m, self.chainage_m)) / run if run > 0 else float(self.height_m[0])

    def open_share(self, *, face: float, water_m: float | None) -> float:
        """How much of what stands from the ground up to the water is open; up to the top without a water level.

        ``face`` is the open share of a panel's own face. 1 where no water stands.
        """
        above = self.top_m if water_m is None else np.minimum(self.top_m, water_m)
        wet = np.maximum(above - self.ground_m, 0.0)
        hung = np.clip(above - np.maximum(self.underside_m, self.ground_m), 0.0, wet)
        whole = float(np.trapezoid(wet, self.chainage_m))
        return 1.0 if whole <= 0 else 1.0 - (1.0 - face) * float(np.trapezoid(hung, self.chainage_m)) / whole


def bays_over_ground(
    bays: Bays, profile: Profile, *, from_m: float, to_m: float, profile_from_m: float = 0.0
) -> Iterator[OverGround]:
    """The bays, or parts of them, between two chainages; ``profile_from_m`` is the chainage of the profile's start."""
    tops = _tops_differ(bays)
    for bay in np.flatnonzero((bays.end_m > from_m) & (bays.start_m < to_m)).tolist():
        start, end = float(bays.start_m[bay]), float(bays.end_m[bay])
        first, last = max(start, from_m), min(end, to_m)
        station = profile.chainage_m + profile_from_m
        between = station[np.searchsorted(station, first, "right") : np.searchsorted(station, last, "left")]
        at = np.array([first, *between, last])
        share = (at - start) / (end - start)
        yield OverGround(
            bay=bay,
            chainage_m=at,
            ground_m=profile.level_at(at - profile_from_m),
            underside_m=bays.underside_from_m[bay] + share * (bays.underside_to_m[bay] - bays.underside_from_m[bay]),
            top_m=bays.top_from_m[bay] + share * (bays.top_to_m[bay] - bays.top_from_m[bay]),
            stepped=bool(tops[bay]),
        )


def _tops_differ(bays: Bays) -> NDArray[np.bool_]:
    """(m,) whether a bay's top meets that of a neighbour at another level."""
    after = np.flatnonzero(bays.to_post[:-1] == bays.from_post[1:])
    differ = np.zeros(len(bays), dtype=bool)
    here = after[np.abs(bays.top_to_m[after] - bays.top_from_m[after + 1]) > LEVEL_TOLERANCE_M]
    differ[here] = differ[here + 1] = True
    if len(bays) > 1 and bays.to_post[-1] == bays.from_post[0]:
        closing = abs(float(bays.top_to_m[-1] - bays.top_from_m[0])) > LEVEL_TOLERANCE_M
        differ[[0, -1]] |= closing
    return differ


def posts_within(posts: Posts, *, from_m: float, to_m: float) -> list[int]:
    """Rows of the posts from one chainage to another."""
    return np.flatnonzero((posts.chainage_m >= from_m) & (posts.chainage_m <= to_m)).tolist()
