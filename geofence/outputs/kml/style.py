"""How a fence looks in KML: the colours of the map, with widths and sizes that tell apart what colours could not.

Zones are in the muted scheme of P. Tol (2021), as on the map: they lie over pictures of the ground. A balloon shows an
object's description and nothing else, since a name could hold anything, and a balloon reads it as HTML.
"""

from __future__ import annotations

from collections.abc import Iterator

from geofence.outputs import colours
from geofence.outputs.colours import INK, PAPER, Rgb

__all__ = ["bay_style", "finding_style", "post_style", "styles", "zone_style"]

POSTS: dict[str, tuple[Rgb, float, float]] = {
    "line": (PAPER, 0.6, 0.0),
    "bend": (PAPER, 0.8, 0.6),
    "end": (INK, 1.0, 0.9),
    "corner": (colours.POSTS["corner"], 1.0, 0.9),
    "gate": (colours.POSTS["gate"], 0.9, 0.9),
    "junction": (colours.POSTS["junction"], 1.0, 0.9),
    "strainer": (colours.POSTS["strainer"], 0.9, 0.7),
    "existing": (colours.POSTS["existing"], 0.9, 0.9),
    "other": (INK, 0.8, 0.7),
}
"""Colour of the mark, its size, and the size of its name: the names of thousands of line posts would hide the fence."""

BAYS: dict[str, tuple[Rgb, float]] = {
    "bay": (INK, 3.0),
    "gate": (colours.GATE, 6.0),
    "stop": (colours.FINDINGS["stop"], 6.0),
    "check": (colours.FINDINGS["warn"], 5.0),
}
ZONES: dict[str, Rgb] = {
    "keep-clear": (170, 68, 153),
    "no-fence": (136, 34, 85),
    "setback": (51, 34, 136),
    "max-height": (17, 119, 51),
    "splay": (204, 102, 119),
    "flood": (68, 170, 153),
    "consult": colours.EARTH,
    "other": INK,
}
FINDINGS = {"stop": 1.3, "warn": 1.1, "note": 0.9}
"""Sizes of their marks."""

_BALLOON = "<BalloonStyle><text>$[description]</text></BalloonStyle>"


def post_style(kind: str) -> str:
    """The address of the style of a kind of post."""
    return f"#post-{kind if kind in POSTS else 'other'}"


def bay_style(kind: str, mark: str) -> str:
    """The address of the style of a bay of a kind, with what is to be looked at (``STOP ...``)."""
    word = mark.partition(" ")[0].lower()
    return f"#bay-{word or ('gate' if kind == 'gate' else 'bay')}"


def zone_style(rule: str) -> str:
    """The address of the style of a zone's rule."""
    return f"#zone-{rule if rule in ZONES else 'other'}"


def finding_style(severity: str) -> str:
    """The address of the style of a finding."""
    return f"#finding-{severity}"


def styles() -> Iterator[str]:
    """All styles, one element each."""
    for kind, (colour, mark, label) in POSTS.items():
        yield from _marked(f"post-{kind}", colour, mark, label)
    for kind, (colour, width) in BAYS.items():
        yield f'<Style id="bay-{kind}">{_line(colour, width)}{_BALLOON}</Style>\n'
    for rule, colour in ZONES.items():
        yield f'<Style id="zone-{rule}">{_line(colour, 2.5)}<PolyStyle><fill>0</fill></PolyStyle>{_BALLOON}</Style>\n'
    for severity, mark in FINDINGS.items():
        yield from _marked(f"finding-{severity}", colours.FINDINGS[severity], mark, 0.7)


def _marked(name: str, colour: Rgb, mark: float, label: float) -> Iterator[str]:
    yield (
        f'<Style id="{name}"><IconStyle>{_colour(colour)}<scale>{mark:g}</scale></IconStyle>'
        f"<LabelStyle><scale>{label:g}</scale></LabelStyle>{_BALLOON}</Style>\n"
    )


def _line(colour: Rgb, width: float) -> str:
    return f"<LineStyle>{_colour(colour)}<width>{width:g}</width></LineStyle>"


def _colour(rgb: Rgb) -> str:
    """KML writes opacity first and red last."""
    return f"<color>ff{bytes(reversed(rgb)).hex()}</color>"
