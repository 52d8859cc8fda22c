"""``posts.geojson``: where every post stands, and how long and how deep it is."""

from __future__ import annotations

from pathlib import Path

from geofence.outputs import geojson
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]


def write(plan: FencePlan, path: Path) -> None:
    """Write the posts as points; a value that does not exist is ``null``."""
    places = geojson.points(plan.places.lon_deg, plan.places.lat_deg)
    geojson.write_collection(path, plan, layer="posts", columns=plan.post_columns(), geometry=places)


OUTPUT = Output(filename="posts.geojson", title="Posts as points (GeoJSON)", write=write)
