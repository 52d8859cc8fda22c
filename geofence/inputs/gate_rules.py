"""What holds for each gate: its own table, then ``[gates]``, then the fence system, then what holds for other bays."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from geofence.engine.gate_posts import depth_under_moment_m, leaf_moment_knm
from geofence.engine.records import PostRules
from geofence.errors import JobError
from geofence.inputs.gate_keys import Swing, SwingLevel
from geofence.inputs.job import Job
from geofence.inputs.job_file import Gate
from geofence.plan import Parameter

__all__ = ["EMBEDMENT_RATIO", "GateRules", "gate_rules"]

EMBEDMENT_RATIO = 0.5
"""Of a gate's post: half its height above ground, a third of its length, is below. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GateRules:
    """A gate as it is to be.

    Attributes
    ----------
    name, width_m
        What it is called; centre to centre of its posts.
    swing
        To which side of the direction of travel its leaves swing, ``slide``, or ``none``; None: nobody said.
    leaves, hinge, open_deg, swing_level
        As in the job file.
    clearance_m, gap_max_m, slope_max_deg
        Under a leaf, at most under a closed one, and how steep the ground may rise from post to post.
    increment_m
        Undersides are at multiples of this.
    posts
        Rules for the first and the second post.
    post_width_m, hole_diameter_m
        What its posts and their holes measure.
    leaf_kg
        Mass of one leaf; None: nobody said.
    weight_depth_m
        Depth that the leaf asks of the post it hangs on; 0 where its mass is not known, or where it does not hang.
    """

    name: str
    width_m: float
    swing: Swing | None
    leaves: int
    hinge: str
    open_deg: float
    swing_level: SwingLevel
    clearance_m: float
    gap_max_m: float
    slope_max_deg: float
    increment_m: float
    posts: tuple[PostRules, PostRules]
    post_width_m: float
    hole_diameter_m: float
    leaf_kg: float | None
    weight_depth_m: float

    @property
    def leaf_m(self) -> float:
        """From the centre of the post that a leaf hangs at to its tip."""
        return self.width_m / self.leaves

    @property
    def hung_at(self) -> tuple[int, ...]:
        """Which of its posts, 0 and 1, have a leaf; both where nobody said which."""
        if self.swing == "none":
            return ()
        if self.leaves == 2 or self.swing is None:
            return (0, 1)
        return (0,) if self.hinge == "start" else (1,)

    @property
    def swings(self) -> bool:
        """Whether its leaves turn at their posts; those that slide do not, nor an opening without any."""
        return self.swing in ("left", "right", "both")


def gate_rules(job: Job, parameters: Mapping[str, Parameter], *, post_width_m: float) -> tuple[GateRules, ...]:
    """The rules of each gate of a job, in the job's order.

    Parameters
    ----------
    job
        The job.
    parameters
        Its values as used; see :class:`geofence.inputs.job.Resolved`.
    post_width_m
        Width of the system's posts.

    Raises
    ------
    JobError
        A gate's hole is too narrow for its post.
    """
    values = {address: parameter.value for address, parameter in parameters.items()}
    return tuple(_rules(job, row, gate, values, post_width_m) for row, gate in enumerate(job.gates))


class _Values:
    """What a gate has of each key: its own value, else that of ``[gates]``, which may be the system's."""

    def __init__(self, gate: Gate, values: Mapping[str, Any]) -> None:
        self.gate, self.values = gate, values

    def own(self, key: str, otherwise: Any = None) -> Any:
        """The value; ``otherwise`` where nothing says."""
        for value in (getattr(self.gate, key), self.values.get(f"gates.{key}")):
            if value is not None:
                return value
        return otherwise

    def post_rules(self) -> PostRules:
        """Rules for its posts, whatever hangs on them; of what nothing says, those of other posts."""
        ratio = max(EMBEDMENT_RATIO, self.values["posts.embedment_ratio"])
        return PostRules(
            post_reveal_m=self.own("post_reveal_m", self.values["posts.post_reveal_m"]),
            embedment_m=self.own("post_embedment_m", self.values["posts.embedment_m"]),
            embedment_ratio=self.own("post_embedment_ratio", ratio),
            stock_lengths_m=tuple(self.own("post_stock_lengths_m", ())),
        )


def _rules(job: Job, row: int, gate: Gate, values: Mapping[str, Any], post_width_m: float) -> GateRules:
    its = _Values(gate, values)
    width = its.own("post_width_m", post_width_m)
    hole = its.own("post_hole_diameter_m", values["posts.hole_diameter_m"])
    if hole <= width:
        raise JobError(
            "is too narrow for the gate's post",
            place=job.place("gate", row, "post_hole_diameter_m"),
            value=hole,
            limit=width,
            unit="m",
            remedy="Make post_hole_diameter_m more than post_width_m.",
        )
    swing = its.own("swing")
    found = GateRules(
        name=gate.name or f"G{row + 1}",
        width_m=gate.width_m,
        swing=swing,
        **{key: its.own(key) for key in ("leaves", "hinge", "open_deg", "swing_level", "slope_max_deg", "leaf_kg")},
        clearance_m=its.own("clearance_m", values["levels.gate_clearance_m"]),
        gap_max_m=math.inf if swing == "none" else its.own("gap_max_m", values["levels.gap_max_m"]),
        increment_m=values["levels.increment_m"],
        posts=(its.post_rules(), its.post_rules()),
        post_width_m=width,
        hole_diameter_m=hole,
        weight_depth_m=0.0,
    )
    return _weighed(found, soil_kpa_per_m=values["gates.soil_kpa_per_m"])


def _weighed(gate: GateRules, *, soil_kpa_per_m: float) -> GateRules:
    """The gate with the posts that its leaves hang on as deep as their mass asks for."""
    if gate.leaf_kg is None or gate.swing in ("slide", "none"):
        return gate
    depth = depth_under_moment_m(
        leaf_moment_knm(gate.leaf_kg, gate.leaf_m),
        bearing_kpa_per_m=soil_kpa_per_m,
        hole_diameter_m=gate.hole_diameter_m,
    )
    first, second = (
        replace(rules, embedment_m=max(rules.embedment_m, depth)) if end in gate.hung_at else rules
        for end, rules in enumerate(gate.posts)
    )
    return replace(gate, posts=(first, second), weight_depth_m=depth)
