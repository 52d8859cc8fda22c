"""The job file's table of posts that are in the ground already."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from geofence.inputs.file_keys import MarksFile, PointKeys

__all__ = ["Existing"]


class Existing(PointKeys, MarksFile):
    """Posts that are in the ground already: they stay, and the others are laid out between them."""

    levels: Literal["none", "tops"] = Field(
        default="none", description="what the file's levels are: tops, of the posts; none: they are not looked at"
    )
    aside_max_m: float = Field(
        default=0.25, ge=0, le=10, description="how far from the line a post may stand and still be one of its posts"
    )
    aside: Literal["leave-out", "refuse"] = Field(
        default="leave-out", description="what becomes of posts farther from the line than that"
    )
    same_post_m: float = Field(
        default=0.10,
        ge=0,
        le=10,
        description="how far from an end, a corner or a gate's post it may stand along the line and still be that post",
    )
