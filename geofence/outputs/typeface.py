"""The lettering of drawings: which typeface draws each letter, and how wide a text is.

DejaVu Sans Condensed draws Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew and Arabic letters, Droid Sans Fallback
Chinese, Japanese and Korean ones; both come with the package and may be embedded. A letter that neither has is drawn as
an empty box. Widths are sums of the typefaces' own advances: no kerning, so that every reader of a drawing agrees.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import as_file, files
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

from arabic_reshaper import ArabicReshaper
from bidi.algorithm import get_display
from fontTools import subset
from fontTools.ttLib import TTFont

from geofence.outputs.plain_text import one_line

__all__ = ["ASCENT", "CAP_HEIGHT", "DESCENT", "Weight", "as_drawn", "font_bytes", "part_of_font", "parts", "width_em"]

Weight = Literal["regular", "bold"]

CAP_HEIGHT = 1493 / 2048
"""Height of a capital letter, as a share of the em."""
ASCENT, DESCENT = 1556 / 2048, 483 / 2048
"""How far letters reach above and below the base line without accents on capitals, as a share of the em."""

_FACES = {"regular": "DejaVuSansCondensed", "bold": "DejaVuSansCondensed-Bold"}
_FALLBACK = "DroidSansFallback"
_RIGHT_TO_LEFT = frozenset({"R", "AL"})
_reshape = ArabicReshaper({"delete_harakat": False}).reshape


@dataclass(frozen=True, slots=True)
class _Face:
    """A typeface: advance of each character it has, in ems."""

    name: str
    advance_em: dict[int, float]


@cache
def font_bytes(name: str) -> bytes:
    """A typeface's TrueType file."""
    with as_file(files("geofence.outputs") / "fonts" / f"{name}.ttf") as file:
        return Path(file).read_bytes()


@cache
def _face(name: str) -> _Face:
    font: Any = TTFont(BytesIO(font_bytes(name)), lazy=True)
    em, metrics = font["head"].unitsPerEm, font["hmtx"]
    return _Face(name, {code: metrics[glyph][0] / em for code, glyph in font.getBestCmap().items()})


def parts(text: str, weight: Weight = "regular") -> list[tuple[str, str]]:
    """A text as drawn, cut where the typeface changes: (name of the typeface, letters).

    >>> parts("Zaun 柵")
    [('DejaVuSansCondensed', 'Zaun '), ('DroidSansFallback', '柵')]
    """
    main = _face(_FACES[weight])
    if text.isascii():
        return [(main.name, text)]
    found: list[tuple[str, str]] = []
    for mark in text:
        name = main.name
        if ord(mark) not in main.advance_em and ord(mark) in _face(_FALLBACK).advance_em:
            name = _FALLBACK
        if found and found[-1][0] == name:
            found[-1] = (name, found[-1][1] + mark)
        else:
            found.append((name, mark))
    return found


@lru_cache(maxsize=20_000)
def width_em(text: str, weight: Weight = "regular") -> float:
    """Width of a text as drawn, in ems.

    >>> width_em("0000") == 4 * width_em("0")
    True
    """
    return sum(_advance_em(name, mark) for name, letters in parts(text, weight) for mark in letters)


def _advance_em(name: str, mark: str) -> float:
    advances = _face(name).advance_em
    return advances.get(ord(mark), _missing_em(name))


@cache
def _missing_em(name: str) -> float:
    font: Any = TTFont(BytesIO(font_bytes(name)), lazy=True)
    return float(font["hmtx"][".notdef"][0] / font["head"].unitsPerEm)


@lru_cache(maxsize=20_000)
def as_drawn(text: str) -> str:
    """A text on one line, from left to right as it is drawn: Arabic letters joined, right-to-left words turned.

    >>> as_drawn("gate\\nשלום") == "gate םולש"
    True
    """
    line = one_line(text)
    if line.isascii() or not any(unicodedata.bidirectional(mark) in _RIGHT_TO_LEFT for mark in line):
        return line
    return str(get_display(_reshape(line), base_dir="L"))


@lru_cache(maxsize=16)
def part_of_font(name: str, letters: frozenset[str]) -> bytes:
    """A typeface cut down to some letters and the ways they join, as WOFF; the same bytes each time."""
    font: Any = TTFont(BytesIO(font_bytes(name)), recalcTimestamp=False)
    options: Any = subset.Options()
    options.drop_tables += ["FFTM"]
    options.hinting = False
    options.notdef_outline = True
    cut: Any = subset.Subsetter(options)
    cut.populate(unicodes=_codes(letters))
    cut.subset(font)
    font.flavor = "woff"
    target = BytesIO()
    font.save(target, reorderTables=True)
    return target.getvalue()


def _codes(letters: Iterable[str]) -> list[int]:
    return sorted({ord(mark) for mark in letters})
