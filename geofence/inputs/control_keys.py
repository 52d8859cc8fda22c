"""The job file's table of control points: marks that stand already, which posts are tied to."""

from __future__ import annotations

from pydantic import Field

from geofence.inputs.file_keys import MarksFile, PointKeys

__all__ = ["Control"]


class Control(PointKeys, MarksFile):
    """Control points, which the set-out sheet ties posts to."""

    reach_m: float = Field(default=300.0, gt=0, le=10_000, description="the longest tie from a control point to a post")
