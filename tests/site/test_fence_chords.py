"""Bays near a place: (a) closed forms near the equator, where a degree is 111.3 km across."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from geofence.site.fence_chords import FenceChords

WGS84 = Geod(ellps="WGS84")


def chords(*bays: tuple[float, float, float, float], lon: float = 30.0, lat: float = 0.0) -> FenceChords:
    """Bays from (east, north) to (east, north), metres from a place."""
    ends = np.array(bays).reshape(-1, 2, 2)
    east, north = ends[..., 0].ravel(), ends[..., 1].ravel()
    found = WGS84.fwd(
        np.full(east.shape, lon), np.full(east.shape, lat), np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    )
    shape = (len(bays), 2)
    return FenceChords(
        lon_deg=found[0].reshape(shape), lat_deg=found[1].reshape(shape), run=np.zeros(len(bays), dtype=np.int64)
    )


class TestWithin:
    @pytest.mark.parametrize(("lon", "lat"), [(30.0, 0.0), (-2.0, 54.0), (180.0, 10.0), (25.0, -70.0)])
    def test_what_comes_near_with_its_middle_or_its_end(self, lon: float, lat: float) -> None:
        bays = chords((-50, 3, 50, 3), (3, 0, 9, 0), (-9, -2, -3, -2), (0, 3.7, 0, 9), (4, 4, 90, 90), lon=lon, lat=lat)
        assert bays.within(3.6, lon_deg=lon, lat_deg=lat).tolist() == [0, 1, 2]

    def test_none_is_forgotten_for_the_shape_of_the_earth(self) -> None:
        """A degree northwards is 0.6 % less than one across, at the equator."""
        bays = chords((0, 3.599, 0, 9), (3.599, 0, 9, 0), (0, 3.65, 0, 9), (3.65, 0, 9, 0))
        assert {0, 1} <= set(bays.within(3.6, lon_deg=30.0, lat_deg=0.0).tolist())
