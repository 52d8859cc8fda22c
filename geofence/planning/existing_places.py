"""Where the posts that are in the ground already really stand, beside their places in the plan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geofence.engine.joined import Joined
from geofence.numeric import COINCIDENT_M
from geofence.plan import ExistingPosts, Places
from geofence.planning.existing import Spot, Standing
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids
from geofence.site.profile import GroundLine

__all__ = ["existing_posts"]


def existing_posts(
    site: SurveyedSite, runs: Sequence[GroundLine], joined: Joined, standing: Standing, places: Places
) -> ExistingPosts:
    """Where the posts that exist stand, in the order of the plan's posts; left and on of the bay ahead of each."""
    spots: dict[int, Spot] = {}
    for run, fence, rows, own in zip(runs, joined.runs, joined.rows, standing.spots, strict=True):
        for spot in own:
            apart = np.abs(fence.posts.chainage_m - run.from_m - spot.post.chainage_m)
            if apart.min() <= COINCIDENT_M:
                spots.setdefault(int(rows[int(np.argmin(apart))]), spot)
    if not spots:
        return ExistingPosts.none()
    row = np.array(sorted(spots))
    found = [spots[at] for at in row.tolist()]
    lon, lat = np.array([spot.lon_deg for spot in found]), np.array([spot.lat_deg for spot in found])
    easting, northing = site.to_grid.carry(lon, lat)
    east, north = easting - places.easting[row], northing - places.northing[row]
    ahead, unit = np.radians(places.bearing_deg[row]), grids.unit_m(site.grid)
    return ExistingPosts(
        post=row,
        name=tuple(spot.post.name for spot in found),
        left_m=(north * np.sin(ahead) - east * np.cos(ahead)) * unit,
        ahead_m=(east * np.sin(ahead) + north * np.cos(ahead)) * unit,
        easting=easting,
        northing=northing,
        top_level_m=np.array([spot.post.top_level_m for spot in found]),
    )
