"""Texts of a PDF as they lie on paper, read by pdfplumber and measured by fontTools: the ink of every letter."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
from fontTools.pens.boundsPen import BoundsPen
from fontTools.ttLib import TTFont

POINT_MM = 25.4 / 72
NARROWED = 0.9
"""Width of letters, as a share of their typefaces' own; pdfplumber narrows their advances and does not tell."""
EAST_ASIAN_INK_EM = (0.0, -0.12, 1.0, 0.88)
"""Bounds of a letter whose typeface the reader supplies: its em box, as high as it is wide."""


@dataclass(frozen=True)
class DrawnText:
    """A run of letters on one base line: its start, direction, and the rectangle of its ink, in mm from lower left."""

    text: str
    x: float
    y: float
    turn_deg: float
    corners: np.ndarray


def texts_of(page: Any) -> list[DrawnText]:
    """The texts of a pdfplumber page: letters that follow each other on one base line."""
    found: list[list[dict[str, Any]]] = []
    for char in page.chars:
        if found and _follows(found[-1][-1], char):
            found[-1].append(char)
        else:
            found.append([char])
    return [text for text in map(_drawn, found) if text.text.strip()]


def texts_of_pages(file: Path) -> Iterator[list[DrawnText]]:
    with pdfplumber.open(file) as read:
        for page in read.pages:
            yield texts_of(page)
            page.close()


def overlapping(texts: list[DrawnText], *, by_mm: float) -> list[tuple[str, str]]:
    """Pairs of texts whose ink shares more than ``by_mm`` in every direction."""
    pairs = []
    boxes = np.array([[*text.corners.min(axis=0), *text.corners.max(axis=0)] for text in texts])
    for row, text in enumerate(texts):
        low, high = boxes[row, :2], boxes[row, 2:]
        near = np.flatnonzero(np.all(boxes[:, :2] < high, axis=1) & np.all(boxes[:, 2:] > low, axis=1))
        pairs += [
            (text.text, texts[other].text)
            for other in near
            if other > row and _depth(text.corners, texts[other].corners) > by_mm
        ]
    return pairs


def _follows(last: dict[str, Any], char: dict[str, Any]) -> bool:
    a, b, _, _, e, f = last["matrix"]
    length = math.hypot(a, b)
    if (a, b) != tuple(char["matrix"][:2]):
        return False
    # pdfplumber's advance of a letter, along its base line.
    step = last["adv"]
    x, y = e + a / length * step, f + b / length * step
    return math.hypot(char["matrix"][4] - x, char["matrix"][5] - y) < 0.02


def _drawn(chars: list[dict[str, Any]]) -> DrawnText:
    a, b, _, _, x, y = chars[0]["matrix"]
    turn = math.atan2(b, a)
    way, up = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    start = np.array([x, y])
    sides = []
    for char in chars:
        box = _ink(char["fontname"].split("+")[-1], char["text"])
        if box is not None:
            along = (np.array(char["matrix"][4:]) - start) @ way
            # Its advance tells its size: pdfplumber's own is that of the upright box about a turned letter.
            left, low, right, high = np.array(box) * char["adv"] * (1, 1 / NARROWED, 1, 1 / NARROWED)
            sides.append((along + left, low, along + right, high))
    x0, y0, _, _ = np.min(sides, axis=0) if sides else (0, 0, 0, 0)
    _, _, x1, y1 = np.max(sides, axis=0) if sides else (0, 0, 0, 0)
    corners = [start + way * u + up * v for u, v in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    text = "".join(char["text"] for char in chars)
    return DrawnText(text, x * POINT_MM, y * POINT_MM, math.degrees(turn), np.array(corners) * POINT_MM)


def _depth(one: np.ndarray, two: np.ndarray) -> float:
    """How deep two rectangles lie in each other: the least overlap along any of their sides' directions."""
    depth = math.inf
    for corners in (one, two):
        for side in (corners[1] - corners[0], corners[3] - corners[0]):
            length = math.hypot(*side)
            if length < 1e-9:
                return 0.0
            a, b = one @ side / length, two @ side / length
            depth = min(depth, a.max() - b.min(), b.max() - a.min())
    return depth


@cache
def _font(name: str) -> Any:
    font = TTFont(str(files("matplotlib") / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf"))
    return font.getGlyphSet(), font.getBestCmap()


@cache
def _ink(name: str, text: str) -> tuple[float, float, float, float] | None:
    """Bounds of a letter's ink, in its advances from its origin; None for a blank."""
    if not name.startswith("DejaVu"):
        return EAST_ASIAN_INK_EM
    glyphs, codes = _font(name)
    pen, glyph = BoundsPen(glyphs), glyphs[codes.get(ord(text[0]), ".notdef")]
    glyph.draw(pen)
    return None if pen.bounds is None else tuple(side / glyph.width for side in pen.bounds)
