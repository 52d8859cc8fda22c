"""The bays of a fence as they stand on the Earth: straight from post to post."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.joined import Joined
from geofence.engine.records import Floats, Ints
from geofence.site.profile import GroundLine

__all__ = ["DEGREE_M", "FenceChords"]

DEGREE_M = 110_500.0
"""A degree of the Earth, along a meridian or across, is nowhere shorter: distances by it are short by up to 1.1 %."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FenceChords:
    """Bays from post to post.

    Attributes
    ----------
    lon_deg, lat_deg
        (m, 2) the two posts of each bay of the joined fence, on the job's datum.
    run
        (m,) int64 row of each bay's run.
    """

    lon_deg: Floats
    lat_deg: Floats
    run: Ints

    @classmethod
    def of(cls, runs: Sequence[GroundLine], joined: Joined) -> FenceChords:
        """The bays of a fence on its runs."""
        lon, lat, own = [], [], []
        for row, (run, fence) in enumerate(zip(runs, joined.runs, strict=True)):
            posts = run.places(fence.posts.chainage_m - run.from_m)
            ends = np.column_stack([fence.bays.from_post, fence.bays.to_post])
            lon.append(posts[0][ends])
            lat.append(posts[1][ends])
            own.append(np.full(len(ends), row))
        return cls(lon_deg=np.concatenate(lon), lat_deg=np.concatenate(lat), run=np.concatenate(own))

    def within(self, reach_m: float, *, lon_deg: float, lat_deg: float) -> Ints:
        """Rows of the bays that come within a distance of a place; some that come within 1.1 % more among them."""
        x = ((self.lon_deg - lon_deg + 180) % 360 - 180) * np.cos(np.radians(lat_deg)) * DEGREE_M
        y = (self.lat_deg - lat_deg) * DEGREE_M
        dx, dy = np.diff(x)[:, 0], np.diff(y)[:, 0]
        squared = np.maximum(dx**2 + dy**2, np.finfo(float).tiny)
        share = np.clip(-(x[:, 0] * dx + y[:, 0] * dy) / squared, 0, 1)
        return np.flatnonzero(np.hypot(x[:, 0] + share * dx, y[:, 0] + share * dy) <= reach_m)
