"""The layers of drawings (DXF), in plain words.

A layer without a colour of its own is black on white and white on black.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from geofence.outputs import colours
from geofence.outputs.dxf.drawing import Layer
from geofence.plan import SEVERITIES, FencePlan

__all__ = [
    "BAY",
    "BODY",
    "GATE",
    "GATE_NAME",
    "GROUND",
    "HOLE",
    "LEG",
    "LEG_TEXT",
    "MARK",
    "NAME",
    "NOTE",
    "PANEL",
    "SWING",
    "ZONE_TEXT",
    "finding_layer",
    "finding_layers",
    "plan_layers",
    "post_layer",
    "post_layers",
    "reach_layer",
    "space_layers",
    "zone_layer",
]

NAME, HOLE, BODY = "FENCE-POST-NAME", "FENCE-HOLE", "FENCE-POST-BODY"
BAY, PANEL = "FENCE-BAY", "FENCE-PANEL"
GATE, GATE_NAME, SWING = "FENCE-GATE", "FENCE-GATE-NAME", "FENCE-GATE-SWING"
GROUND, LEG, LEG_TEXT, MARK = "GROUND-LINE", "BOUNDARY-LEG", "BOUNDARY-LEG-TEXT", "SURVEY-MARK"
ZONE_TEXT, NOTE = "ZONE-TEXT", "NOTE"

_DASHED, _CHAIN, _DOTTED = (3.0, -1.5), (6.0, -1.5, 1.0, -1.5), (1.0, -1.0)


def plan_layers(plan: FencePlan) -> list[Layer]:
    """Those of a plan on the grid."""
    rules = tuple(dict.fromkeys(zone.rule for zone in plan.zones))
    return [
        *post_layers(plan),
        Layer(name=NAME, description="Names of the posts"),
        Layer(name=HOLE, description="Holes for the posts, at true size", colour=8, width_mm=0.13),
        Layer(name=BAY, description="Bays, from post to post", width_mm=0.35),
        *_gate_layers(plan),
        Layer(name=LEG, description="Legs of the boundary", rgb=colours.LEG, dashes_mm=_CHAIN),
        Layer(name=LEG_TEXT, description="Numbers, lengths and bearings of the legs", rgb=colours.LEG),
        *([Layer(name=MARK, description="Marks on the ground", colour=8)] if len(plan.marks) else ()),
        *(layer for rule in rules for layer in _zone_layers(rule)),
        *([Layer(name=ZONE_TEXT, description="Names and sources of the zones")] if rules else ()),
        *finding_layers(),
        Layer(name=NOTE, description="What to know of the drawing"),
    ]


def space_layers() -> list[Layer]:
    """Those of a fence in space."""
    return [
        Layer(name=BODY, description="Posts from toe to top", colour=8),
        Layer(name=PANEL, description="What hangs between the posts", colour=9),
        Layer(name=GROUND, description="The ground along the line", rgb=colours.EARTH),
    ]


def post_layers(plan: FencePlan) -> list[Layer]:
    """One for each kind of post."""
    return [
        Layer(name=post_layer(kind), description=f"Posts: {kind}", rgb=colours.POSTS.get(kind))
        for kind in dict.fromkeys(plan.fence.posts.kind)
    ]


def finding_layers() -> list[Layer]:
    """One for each severity."""
    return [
        Layer(name=finding_layer(word), description=f"Findings: {word}", rgb=colours.FINDINGS[word], width_mm=0.35)
        for word in SEVERITIES
    ]


def _gate_layers(plan: FencePlan) -> list[Layer]:
    found = []
    if "gate" in plan.fence.bays.kind:
        found.append(Layer(name=GATE, description="Gates", rgb=colours.GATE, width_mm=0.35))
    if plan.gates:
        found.append(Layer(name=GATE_NAME, description="Names of the gates", rgb=colours.GATE))
        found.append(
            Layer(name=SWING, description="How gates open", rgb=colours.GATE, dashes_mm=_DOTTED, width_mm=0.18)
        )
    return found


def _zone_layers(rule: str) -> Iterable[Layer]:
    """What is drawn, and how far the rule reaches round it."""
    rgb = colours.ZONES.get(rule)
    yield Layer(name=zone_layer(rule), description=f"Zones: {rule}", rgb=rgb)
    yield Layer(
        name=reach_layer(rule), description=f"Zones: reach of {rule}", rgb=rgb, dashes_mm=_DASHED, width_mm=0.18
    )


def post_layer(kind: str) -> str:
    """The name of the layer for posts of a kind."""
    return _named("fence-post", kind)


def finding_layer(severity: str) -> str:
    """The name of the layer for findings of a severity."""
    return _named("finding", severity)


def zone_layer(rule: str) -> str:
    """The name of the layer for zones of a rule, as drawn.

    >>> zone_layer("keep-clear")
    'ZONE-KEEP-CLEAR'
    """
    return _named("zone", rule)


def reach_layer(rule: str) -> str:
    """The name of the layer for how far a rule reaches round its zones."""
    return _named("zone", rule, "reach")


def _named(*words: str) -> str:
    """A name that every release of every program takes: capitals, digits and hyphens."""
    return re.sub(r"[^A-Z0-9]+", "-", "-".join(words).upper()).strip("-")
