"""What a job may choose of its drawings (DXF)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

from geofence.plan import FencePlan

__all__ = ["NAME_MM", "NOTE_MM", "DxfStyle", "PostsAs"]

NAME_MM, NOTE_MM = 1.8, 2.5
"""Heights of letters on paper, out of the steps of ISO 3098."""

PostsAs = Literal["2d", "3d"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DxfStyle:
    """How drawings are made.

    ``posts``: marks in the plane, or bodies from toe to top at their levels as well. ``scale``: of the plot that texts
    and marks are sized for, 500 for 1:500. ``exaggeration``: how many times heights are drawn in the long-section.
    """

    posts: PostsAs = "2d"
    scale: float = 500.0
    exaggeration: float = 5.0

    @classmethod
    def of(cls, plan: FencePlan) -> DxfStyle:
        """What the plan's job says in its table ``[dxf]``."""
        given: dict[str, Any] = {item.name: plan.value(f"dxf.{item.name}") for item in fields(cls)}
        return cls(**{name: value for name, value in given.items() if value is not None})
