"""``bays.geojson``: what hangs between the posts, at which levels, and how it meets the ground."""

from __future__ import annotations

from pathlib import Path

from geofence.outputs import geojson
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path) -> None:
    """Write the bays as lines from post to post."""
    lon, lat = plan.places.lon_deg, plan.places.lat_deg
    start, end = plan.fence.bays.from_post, plan.fence.bays.to_post
    spans = geojson.lines(lon[start], lat[start], lon[end], lat[end])
    geojson.write_collection(path, plan, layer="bays", columns=plan.bay_columns(), geometry=spans)


OUTPUT = Output(filename="bays.geojson", title="Bays as lines (GeoJSON)", write=write)
