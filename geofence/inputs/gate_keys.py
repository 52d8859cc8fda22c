"""What a job says of its gates: of all of them under ``[gates]``, of one in its ``[[gate]]``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from geofence.systems import system as kinds
from geofence.systems.system import Section

__all__ = ["GateKeys", "Gates", "Swing", "SwingLevel"]

Swing = Literal["left", "right", "both", "slide", "none"]
SwingLevel = Literal["check", "raise"]
LeafCount = Annotated[int, Field(ge=1, le=2)]
OpenAngle = Annotated[float, Field(gt=0, le=180)]
Crossfall = Annotated[float, Field(ge=0, le=45)]
Mass = Annotated[float, Field(gt=0, le=5000)]


class GateKeys(Section):
    """How a gate's leaves hang and open, and what its posts are; left out: as ``[gates]`` has it."""

    leaves: LeafCount | None = Field(default=None, description="how many leaves: 1 or 2, that meet in the middle")
    swing: Swing | None = Field(
        default=None,
        description="the side of the direction of travel to which leaves swing: left, right or both; slide, along the "
        "fence past the post they hang at; none, an opening without a leaf",
    )
    hinge: Literal["start", "end"] | None = Field(
        default=None, description="the post that a single leaf hangs at, or slides past: start or end"
    )
    open_deg: OpenAngle | None = Field(default=None, description="how far a leaf swings open")
    swing_level: SwingLevel | None = Field(
        default=None,
        description="check: a leaf hangs at the level of the opening, and ground that it strikes is a finding; raise: "
        "it hangs high enough to clear all ground that it passes",
    )
    clearance_m: kinds.Clearance | None = Field(
        default=None, description="under a leaf; levels.gate_clearance_m where left out"
    )
    gap_max_m: kinds.GapMax | None = Field(
        default=None, description="the most a closed leaf may stand above the ground; levels.gap_max_m where left out"
    )
    slope_max_deg: Crossfall | None = Field(
        default=None, description="the steepest that the ground may rise from post to post"
    )
    leaf_kg: Mass | None = Field(
        default=None, description="mass of one leaf; the post that it hangs on is set as deep as that asks for"
    )
    post_width_m: kinds.PostWidth | None = Field(default=None, description="gate posts: side or diameter")
    post_hole_diameter_m: kinds.HoleDiameter | None = Field(
        default=None, description="gate posts: diameter of the holes; posts.hole_diameter_m where nothing says"
    )
    post_embedment_m: kinds.Embedment | None = Field(
        default=None, description="gate posts: the least depth; posts.embedment_m where nothing says"
    )
    post_embedment_ratio: kinds.EmbedmentRatio | None = Field(
        default=None, description="gate posts: the least depth as a share of the height above ground; the deeper counts"
    )
    post_reveal_m: kinds.Reveal | None = Field(
        default=None, description="gate posts: post top above the higher of leaf and panel; posts.post_reveal_m"
    )
    post_stock_lengths_m: kinds.StockLengths | None = Field(
        default=None, description="gate posts: lengths they are sold in; cut to measure where nothing says"
    )


class Gates(GateKeys):
    """All gates, where their own table does not say otherwise."""

    leaves: LeafCount = Field(default=1, description="how many leaves: 1 or 2, that meet in the middle")
    hinge: Literal["start", "end"] = Field(
        default="start", description="the post that a single leaf hangs at, or slides past: start or end"
    )
    open_deg: OpenAngle = Field(default=90.0, description="how far a leaf swings open")
    swing_level: SwingLevel = Field(
        default="check",
        description="check: a leaf hangs at the level of the opening, and ground that it strikes is a finding; raise: "
        "it hangs high enough to clear all ground that it passes",
    )
    slope_max_deg: Crossfall = Field(default=5.0, description="the steepest that the ground may rise from post to post")
    soil_kpa_per_m: Annotated[float, Field(gt=0, le=1000)] = Field(
        default=15.7,
        description="lateral bearing of the soil for each metre of depth; IBC 2021, table 1806.2, has 15.7 for clay, "
        "23.6 for sand, 31.4 for gravel",
    )
