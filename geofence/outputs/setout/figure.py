"""A post and its neighbours as the set-out sheet shows them: what is meant by each of its words."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

__all__ = ["Figure", "Label", "Way", "post_figure"]

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A line through points; ``closed`` ones are filled with ``fill``."""

    points: tuple[Point, ...]
    width_mm: float = 0.3
    closed: bool = False
    fill: str = "#ffffff"


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A text at the start, middle or end of its base line."""

    text: str
    x: float
    y: float
    anchor: Literal["start", "middle", "end"] = "middle"


@dataclass(slots=True)
class Figure:
    """Lines, the last on top, and labels, in millimetres from the lower left corner."""

    width_mm: float
    height_mm: float
    ways: list[Way] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)

    def box(self, x0: float, y0: float, x1: float, y1: float, *, fill: str = "#ffffff", width_mm: float = 0.3) -> None:
        """A filled rectangle."""
        corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
        self.ways.append(Way(points=corners, closed=True, fill=fill, width_mm=width_mm))

    def line(self, *points: Point, width_mm: float = 0.3) -> None:
        """A line."""
        self.ways.append(Way(points=points, width_mm=width_mm))

    def measure(self, one: Point, other: Point) -> None:
        """A dimension line, upright or level, with a stroke across each of its ends."""
        self.line(one, other, width_mm=0.25)
        for x, y in (one, other):
            self.line((x - 1, y - 1), (x + 1, y + 1), width_mm=0.5)


GROUND = ((2.0, 17.0), (70.0, 19.0), (125.0, 25.0), (184.0, 26.0))
POSTS = (36.0, 93.0, 150.0)
HALF_POST, HALF_HOLE, HOLE = 1.5, 7.0, 13.0
UNDERSIDES, PANEL, REVEAL = (22.0, 28.0), 22.0, 1.5
SOIL, SHADE = "#d9d9d9", "#efefef"


def post_figure(*, wires: bool) -> Figure:
    """The figure, 186 mm wide, of panels or of wires."""
    figure = Figure(186.0, 62.0)
    tops = (UNDERSIDES[0] + PANEL + REVEAL, UNDERSIDES[1] + PANEL + REVEAL, UNDERSIDES[1] + PANEL + REVEAL)
    for x in POSTS:
        ground = _ground(x)
        figure.box(x - HALF_HOLE, ground - HOLE, x + HALF_HOLE, ground, fill=SOIL)
    figure.line(*GROUND, width_mm=0.7)
    for bay, underside in enumerate(UNDERSIDES):
        _bay(figure, POSTS[bay], POSTS[bay + 1], underside, wires=wires)
    for x, top in zip(POSTS, tops, strict=True):
        figure.box(x - HALF_POST, _ground(x) - HOLE, x + HALF_POST, top, fill="#ffffff", width_mm=0.5)
    _say(figure, tops, wires=wires)
    return figure


def _ground(x: float) -> float:
    for (x0, y0), (x1, y1) in pairwise(GROUND):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return GROUND[-1][1]


def _bay(figure: Figure, start: float, end: float, underside: float, *, wires: bool) -> None:
    if not wires:
        figure.box(start + HALF_POST, underside, end - HALF_POST, underside + PANEL, fill=SHADE)
        return
    for share in (0.0, 0.3, 0.62, 1.0):
        height = underside + PANEL * share
        figure.line((start, height), (end, height), width_mm=0.35)


def _say(figure: Figure, tops: tuple[float, float, float], *, wires: bool) -> None:
    first, middle, last = POSTS
    ground, toe = _ground(first), _ground(first) - HOLE
    figure.measure((first - 12, ground), (first - 12, tops[0]))
    figure.line((first - 14, tops[0]), (first - HALF_POST, tops[0]), width_mm=0.15)
    figure.labels.append(Label(text="Sticks out", x=first - 14, y=33, anchor="end"))
    figure.measure((first - 12, toe), (first - 12, ground))
    figure.line((first - 14, toe), (first - HALF_HOLE, toe), width_mm=0.15)
    figure.labels.append(Label(text="Hole", x=first - 14, y=toe + 5, anchor="end"))
    figure.measure((first - HALF_HOLE, toe - 2), (first + HALF_HOLE, toe - 2))
    figure.labels.append(Label(text="wide", x=first + HALF_HOLE + 3, y=toe - 3, anchor="start"))
    figure.measure((middle - 6, UNDERSIDES[0]), (middle - 6, tops[1]))
    figure.line((middle - 7, tops[1]), (middle + 8, tops[1]), width_mm=0.15)
    figure.labels.append(Label(text="Drop back", x=middle - 8, y=34, anchor="end"))
    figure.measure((middle + 6, UNDERSIDES[1]), (middle + 6, tops[1]))
    figure.labels.append(Label(text="Drop ahead", x=middle + 8, y=40, anchor="start"))
    if not wires:
        figure.line((middle + HALF_POST, UNDERSIDES[0]), (middle + 21, UNDERSIDES[0]), width_mm=0.15)
        figure.measure((middle + 19, UNDERSIDES[0]), (middle + 19, UNDERSIDES[1]))
        figure.labels.append(Label(text="Step", x=middle + 22, y=UNDERSIDES[0] - 4.5, anchor="middle"))
    figure.measure((last + 12, _ground(last) - HOLE), (last + 12, tops[2]))
    figure.line((last + HALF_POST, tops[2]), (last + 14, tops[2]), width_mm=0.15)
    figure.line((last + HALF_HOLE, _ground(last) - HOLE), (last + 14, _ground(last) - HOLE), width_mm=0.15)
    figure.labels.append(Label(text="Post long", x=last + 14, y=33, anchor="start"))
    height = tops[1] + 5
    for x in (middle, last):
        figure.line((x, tops[1] + 0.5), (x, height + 1.5), width_mm=0.15)
    figure.measure((middle, height), (last, height))
    figure.labels.append(Label(text="To next", x=(middle + last) / 2, y=height + 1.2))
