"""Signs on drawings: posts, findings, marks, the north point, the scale bar. Each has a shape of its own, so that no
reading hangs on colour alone."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.paper.page import BLACK, WHITE, Page, Pen, text_width_mm

__all__ = [
    "SEVERITY_BANDS",
    "SEVERITY_INKS",
    "finding_sign",
    "mark_sign",
    "north_point",
    "place_sign",
    "post_sign",
    "round_steps",
    "scale_bar",
]

SEVERITY_INKS = {"stop": "#cc3311", "warn": "#d55e00", "note": "#0077bb"}
"""Red and blue of P. Tol's vibrant scheme (2021), vermilion of Okabe and Ito (2008): told apart by the colour-blind."""
SEVERITY_BANDS = {"stop": "#f0b5a6", "warn": "#f5cda8"}
"""Tints of the first two, for stretches; notes, many of which are of the whole line, have none."""
THIN, FIRM = Pen(0.18), Pen(0.25)
SPECIAL = frozenset({"end", "corner", "strainer", "junction"})


def post_sign(page: Page, x: float, y: float, kind: str) -> None:
    """A post in plan: a dot; a square where it holds more than a line; open beside a gate; a ring if it stands."""
    if kind == "existing":
        page.area(_round(x, y, 0.8), fill=WHITE, pen=FIRM)
        page.area(_round(x, y, 0.3), fill=BLACK)
    elif kind == "gate":
        page.area(_square(x, y, 0.75), fill=WHITE, pen=FIRM)
    elif kind in SPECIAL:
        page.area(_square(x, y, 0.75), fill=BLACK)
    else:
        page.area(_round(x, y, 0.42), fill=BLACK)


def finding_sign(page: Page, x: float, y: float, severity: str) -> None:
    """A finding: a full triangle to stop at, an open one to decide at, a ring to know of."""
    ink = SEVERITY_INKS[severity]
    if severity == "note":
        page.area(_round(x, y, 0.8), fill=WHITE, pen=Pen(0.3, ink))
        return
    triangle = [(x - 1.1, y - 0.75), (x + 1.1, y - 0.75), (x, y + 1.15)]
    page.area(triangle, fill=ink if severity == "stop" else WHITE, pen=Pen(0.3, ink))


def mark_sign(page: Page, x: float, y: float, kind: str) -> None:
    """A control point: a triangle with a dot; a vertex of the boundary: a ring."""
    if kind == "control":
        page.area([(x - 1.5, y - 0.9), (x + 1.5, y - 0.9), (x, y + 1.7)], fill=WHITE, pen=FIRM)
        page.area(_round(x, y, 0.25), fill=BLACK)
    else:
        page.area(_round(x, y, 1.4), fill=WHITE, pen=THIN)


def place_sign(page: Page, x: float, y: float, ink: str) -> None:
    """A ring at a zone that is drawn as a place."""
    page.area(_round(x, y, 0.7), fill=WHITE, pen=Pen(0.25, ink))


def north_point(page: Page, x: float, y: float, turn_rad: float, *, radius_mm: float = 5.0) -> None:
    """An arrow to grid north, which is ``turn_rad`` counter-clockwise of up, with its letter at its tip."""
    ahead = np.array([-math.sin(turn_rad), math.cos(turn_rad)])
    aside = np.array([ahead[1], -ahead[0]])
    middle, r = np.array([x, y]), radius_mm
    page.line(middle + _round(0, 0, r * 0.62), THIN, end="closed")
    tip, tail = middle + ahead * r * 0.62, middle - ahead * r * 0.62
    notch = middle - ahead * r * 0.35
    left, right = tail - aside * r * 0.3, tail + aside * r * 0.3
    page.area(np.array([tip, left, notch]), fill=WHITE, pen=THIN)
    page.area(np.array([tip, right, notch]), fill=BLACK, pen=THIN)
    letter = middle + ahead * (r + 0.6)
    page.text("N", letter[0], letter[1] - 0.9, anchor="middle", weight="bold")


def scale_bar(page: Page, x: float, y: float, scale: float, *, longest_mm: float = 60.0) -> None:
    """A bar of round lengths in four fields, alternately full, labelled in metres."""
    step_m = round_steps(longest_mm / 4 * scale / 1000)
    wide = step_m * 1000 / scale
    for field in range(4):
        left = x + field * wide
        ring = [(left, y), (left + wide, y), (left + wide, y + 1.2), (left, y + 1.2)]
        page.area(ring, fill=WHITE if field % 2 else BLACK, pen=THIN)
    for field in (0, 1, 2):
        page.text(f"{step_m * field:g}", x + field * wide, y + 1.9, anchor="middle")
    last = f"{step_m * 4:g}"
    page.text(f"{last} m", x + 4 * wide - text_width_mm(last) / 2, y + 1.9)


def round_steps(most: float) -> float:
    """The largest of 1, 2 and 5 times a power of ten that is at most ``most``.

    >>> round_steps(4.2), round_steps(0.5), round_steps(10)
    (2.0, 0.5, 10.0)
    """
    power = 10.0 ** math.floor(math.log10(most) + 1e-9)
    return max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= most * (1 + 1e-9))


def _square(x: float, y: float, half: float) -> list[tuple[float, float]]:
    return [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]


def _round(x: float, y: float, radius: float) -> Floats:
    return np.array(list(_around(x, y, radius)))


def _around(x: float, y: float, radius: float) -> Iterator[tuple[float, float]]:
    for part in range(16):
        angle = part * math.pi / 8
        yield x + radius * math.cos(angle), y + radius * math.sin(angle)
