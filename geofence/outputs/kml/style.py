"""How a fence looks in KML: the colours of the map, with widths and sizes that tell apart what colours could not.

Colours: Okabe and Ito (2008) for posts and findings, the muted scheme of P. Tol (2021) for zones. A balloon shows an
object's description and nothing else, since a name could hold anything, and a balloon reads it as HTML.
"""

from __future__ import annotations

from collections.abc import Iterator

__all__ = ["bay_style", "finding_style", "post_style", "styles", "zone_style"]

INK = "1d2a30"
VERMILLION = "d55e00"
POSTS = {
    "line": ("fbf9f3", 0.6, 0.0),
    "bend": ("fbf9f3", 0.8, 0.6),
    "end": (INK, 1.0, 0.9),
    "corner": ("0072b2", 1.0, 0.9),
    "gate": ("cc79a7", 0.9, 0.9),
    "junction": ("009e73", 1.0, 0.9),
    "strainer": ("56b4e9", 0.9, 0.7),
    "existing": ("e69f00", 0.9, 0.9),
    "other": (INK, 0.8, 0.7),
}
"""Colour of the mark, its size, and the size of its name: the names of thousands of line posts would hide the fence."""

BAYS = {"bay": (INK, 3.0), "gate": ("cc79a7", 6.0), "stop": (VERMILLION, 6.0), "check": ("e69f00", 5.0)}
ZONES = {
    "keep-clear": "aa4499",
    "no-fence": "882255",
    "setback": "332288",
    "max-height": "117733",
    "splay": "cc6677",
    "flood": "44aa99",
    "consult": "999933",
    "other": INK,
}
FINDINGS = {"stop": (VERMILLION, 1.3), "warn": ("e69f00", 1.1), "note": ("0072b2", 0.9)}

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
    for severity, (colour, mark) in FINDINGS.items():
        yield from _marked(f"finding-{severity}", colour, mark, 0.7)


def _marked(name: str, colour: str, mark: float, label: float) -> Iterator[str]:
    yield (
        f'<Style id="{name}"><IconStyle>{_colour(colour)}<scale>{mark:g}</scale></IconStyle>'
        f"<LabelStyle><scale>{label:g}</scale></LabelStyle>{_BALLOON}</Style>\n"
    )


def _line(colour: str, width: float) -> str:
    return f"<LineStyle>{_colour(colour)}<width>{width:g}</width></LineStyle>"


def _colour(rgb: str) -> str:
    """KML writes opacity first and red last."""
    return f"<color>ff{rgb[4:6]}{rgb[2:4]}{rgb[0:2]}</color>"
