"""How the layers of a plan are to look in a desktop program, told once for every language of styles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from geofence.outputs import colours
from geofence.outputs.colours import INK, PAPER, Rgb
from geofence.outputs.gis.layers import Shape

__all__ = ["STYLES", "Label", "Look", "Style", "Symbol"]

Mark = Literal["circle", "square", "triangle", "pentagon", "hexagon", "octagon", "diamond", "cross"]
Dash = tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """A sign, in millimetres on paper or screen.

    ``stroke`` and ``width_mm`` are a line's own, or the outline of a mark or an area; ``fill`` a mark's or an area's,
    None for none, ``opacity`` the fill's; ``mark`` and ``size_mm`` are a point's; ``dash_mm`` dashes and gaps in turn.
    """

    stroke: Rgb = INK
    width_mm: float = 0.26
    fill: Rgb | None = None
    opacity: float = 1.0
    mark: Mark = "circle"
    size_mm: float = 2.0
    dash_mm: Dash = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a value looks like; ``value`` None for every other."""

    value: str | None
    title: str
    symbol: Symbol


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A column that is written beside each place, at scales of at least 1 : ``least_scale``."""

    column: str
    size_pt: float = 7.0
    colour: Rgb = INK
    least_scale: int = 2500


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """A layer's looks: by the value of a column, the last for every other, or one look alone without a column."""

    shape: Shape
    looks: tuple[Look, ...]
    column: str | None = None
    label: Label | None = None


def _alone(shape: Shape, title: str, symbol: Symbol, label: Label | None = None) -> Style:
    return Style(shape=shape, looks=(Look(value=None, title=title, symbol=symbol),), label=label)


_POST_MARKS: dict[str, tuple[Mark, float]] = {
    "end": ("square", 2.6),
    "corner": ("diamond", 3.2),
    "bend": ("diamond", 2.6),
    "gate": ("square", 2.6),
    "junction": ("triangle", 3.2),
    "strainer": ("pentagon", 3.0),
    "existing": ("hexagon", 3.0),
}


def _post(kind: str) -> Look:
    mark, size_mm = _POST_MARKS[kind]
    fill = PAPER if kind == "bend" else colours.POSTS.get(kind, INK)
    return Look(value=kind, title=f"{kind} post", symbol=Symbol(fill=fill, mark=mark, size_mm=size_mm))


def _zones(shape: Shape, *, dash_mm: Dash = (), opacity: float = 0.0, width_mm: float = 0.4) -> Style:
    return Style(
        shape=shape,
        column="rule",
        looks=(
            *(
                Look(value=rule, title=rule, symbol=_zone(rgb, dash_mm, opacity, width_mm, shape))
                for rule, rgb in colours.ZONES.items()
            ),
            Look(value=None, title="other rules", symbol=_zone(INK, dash_mm, opacity, width_mm, shape)),
        ),
        label=Label(column="zone", size_pt=8.0, least_scale=10_000) if dash_mm == () else None,
    )


def _zone(rgb: Rgb, dash_mm: Dash, opacity: float, width_mm: float, shape: Shape) -> Symbol:
    fill = rgb if opacity or shape == "Point" else None
    return Symbol(
        stroke=rgb, fill=fill, opacity=opacity or 1.0, width_mm=width_mm, dash_mm=dash_mm, mark="cross", size_mm=3.0
    )


_FINDING_MARKS: dict[str, tuple[Mark, float]] = {
    "stop": ("octagon", 4.6),
    "warn": ("triangle", 4.6),
    "note": ("circle", 3.6),
}
_STAGED = (
    ("full", "full bay", INK, 0.5, ()),
    ("cut", "narrower bay", INK, 0.5, (2.0, 1.0)),
    ("gate", "gate", colours.GATE, 0.9, ()),
)

STYLES: Mapping[str, Style] = {
    "posts": Style(
        shape="Point",
        column="kind",
        looks=(
            *map(_post, _POST_MARKS),
            Look(value=None, title="line post", symbol=Symbol(fill=PAPER, size_mm=1.8)),
        ),
        label=Label(column="post", least_scale=1000),
    ),
    "bays": Style(
        shape="LineString",
        column="kind",
        looks=(
            *(
                Look(value=kind, title=title, symbol=Symbol(stroke=rgb, width_mm=width_mm, dash_mm=dash_mm))
                for kind, title, rgb, width_mm, dash_mm in _STAGED
            ),
            Look(value=None, title="other", symbol=Symbol(width_mm=0.5)),
        ),
    ),
    "runs": _alone("LineString", "fence", Symbol(stroke=PAPER, width_mm=1.6), Label(column="line", least_scale=25_000)),
    "legs": _alone("LineString", "boundary", Symbol(stroke=colours.LEG, dash_mm=(6.0, 1.5, 1.0, 1.5))),
    "profile": _alone("LineString Z", "ground along the line", Symbol(stroke=colours.EARTH, width_mm=0.2)),
    "gates": _alone(
        "LineString", "gate", Symbol(stroke=colours.GATE, width_mm=0.9), Label(column="gate", colour=(142, 68, 118))
    ),
    "gate_swings": _alone("LineString", "way of a leaf", Symbol(stroke=colours.GATE, dash_mm=(1.0, 1.0))),
    "findings": Style(
        shape="Point",
        column="severity",
        looks=(
            *(
                Look(value=word, title=word, symbol=Symbol(fill=colours.FINDINGS[word], mark=mark, size_mm=size_mm))
                for word, (mark, size_mm) in _FINDING_MARKS.items()
            ),
            Look(value=None, title="other", symbol=Symbol(size_mm=3.6)),
        ),
        label=Label(column="code", least_scale=1000),
    ),
    "finding_stretches": Style(
        shape="LineString",
        column="severity",
        looks=(
            *(
                Look(value=word, title=word, symbol=Symbol(stroke=rgb, width_mm=0.5 if word == "note" else 1.4))
                for word, rgb in colours.FINDINGS.items()
            ),
            Look(value=None, title="other", symbol=Symbol(width_mm=1.4)),
        ),
    ),
    "marks": _alone(
        "Point", "mark on the ground", Symbol(mark="cross", size_mm=2.2, width_mm=0.3), Label(column="mark")
    ),
    "zone_reach": _zones("MultiPolygon", dash_mm=(3.0, 1.5), opacity=0.15, width_mm=0.2),
    "zone_areas": _zones("MultiPolygon"),
    "zone_lines": _zones("LineString"),
    "zone_points": _zones("Point"),
}
"""By the layers' names."""
