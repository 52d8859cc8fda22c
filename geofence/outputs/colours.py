"""Colours of posts, findings and zones in files for other programs, as red, green and blue.

Posts and findings by Okabe and Ito (2008), zones by the vibrant scheme of P. Tol (2021) and an olive of his muted one:
the colour-blind tell them apart, and they show on white and on black.
"""

from __future__ import annotations

__all__ = ["EARTH", "FINDINGS", "GATE", "INK", "LEG", "PAPER", "POSTS", "STEP", "ZONES", "Rgb"]

Rgb = tuple[int, int, int]

_BLUE, _GREEN, _PURPLE, _SKY, _ORANGE = (0, 114, 178), (0, 158, 115), (204, 121, 167), (86, 180, 233), (230, 159, 0)

INK: Rgb = (29, 42, 48)
PAPER: Rgb = (251, 249, 243)
EARTH: Rgb = (153, 153, 51)
GATE: Rgb = _PURPLE
LEG: Rgb = _GREEN
STEP: Rgb = (213, 94, 0)

POSTS: dict[str, Rgb] = {
    "corner": _BLUE,
    "gate": _PURPLE,
    "junction": _GREEN,
    "strainer": _SKY,
    "existing": _ORANGE,
}
"""Other kinds are in the colour of ink."""

FINDINGS: dict[str, Rgb] = {"stop": STEP, "warn": _ORANGE, "note": _BLUE}

ZONES: dict[str, Rgb] = {
    "keep-clear": (238, 51, 119),
    "no-fence": (204, 51, 17),
    "setback": (0, 119, 187),
    "max-height": (0, 153, 136),
    "splay": (238, 119, 51),
    "flood": (51, 187, 238),
    "consult": EARTH,
}
