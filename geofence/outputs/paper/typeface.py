"""The lettering of drawings: which typeface draws each letter, and how wide a text is.

DejaVu Sans draws Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew and Arabic letters; its files come with matplotlib
and may be embedded. The typefaces of Chinese, Japanese and Korean letters are the reader's own: such a letter is as
wide as its em, whatever draws it. A letter that has neither is drawn as an empty box.

All letters are drawn at :data:`NARROWED` of their width, so that more of them find room. Widths are sums of the
typefaces' own advances: no kerning, so that every reader of a drawing agrees.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache, lru_cache
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

from arabic_reshaper import ArabicReshaper
from bidi.algorithm import get_display
from fontTools import subset
from fontTools.ttLib import TTFont

from geofence.errors import JobError
from geofence.outputs.plain_text import one_line

__all__ = [
    "ASCENT",
    "CAP_HEIGHT",
    "DESCENT",
    "LEFT_TO_THE_READER",
    "NARROWED",
    "Weight",
    "as_drawn",
    "font_bytes",
    "part_of_font",
    "parts",
    "width_em",
]

Weight = Literal["regular", "bold"]

CAP_HEIGHT = 1493 / 2048
"""Height of a capital letter, as a share of the em."""
ASCENT, DESCENT = 1556 / 2048, 483 / 2048
"""How far letters reach above and below the base line without accents on capitals, as a share of the em."""
NARROWED = 0.9
"""Width of drawn letters, as a share of that which their typefaces give them."""

_FACES = {"regular": "DejaVuSans", "bold": "DejaVuSans-Bold"}

LEFT_TO_THE_READER = {"STSong-Light": "gbk", "HeiseiKakuGo-W5": "cp932", "HYSMyeongJo-Medium": "cp949"}
"""Typefaces that readers of PDF supply: Chinese, Japanese, Korean; and an encoding of the letters that each has."""

_EAST_ASIAN_EM = {"W": 1.0, "F": 1.0, "H": 0.5}
"""Advance of a letter by its East Asian width (Unicode Standard Annex 11): wide, full-width, half-width."""
_KANA = re.compile("[\u3040-\u30ff\u31f0-\u31ff\uff66-\uff9f]")
_HANGUL = re.compile("[\u1100-\u11ff\u3130-\u318f\uac00-\ud7a3]")
_RIGHT_TO_LEFT = frozenset({"R", "AL"})
_reshape = ArabicReshaper({"delete_harakat": False}).reshape


def _folder() -> Path:
    """Where matplotlib keeps DejaVu Sans."""
    # Found, not imported: nothing of matplotlib itself is needed, and its import is slow.
    spec = find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError("matplotlib, which has the typeface of drawings, is not installed", name="matplotlib")
    return Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


_FOLDER = _folder()


@cache
def font_bytes(name: str) -> bytes:
    """A typeface's TrueType file.

    Raises
    ------
    JobError
        matplotlib is installed without it, as some systems pack it.
    """
    file = _FOLDER / f"{name}.ttf"
    if not file.is_file():
        raise JobError(
            f"matplotlib, which has the typeface of drawings, is installed here without it: no file {file}",
            remedy="Install it with its files: python -m pip install --force-reinstall matplotlib.",
        )
    return file.read_bytes()


@cache
def _advances_em(name: str) -> dict[int, float]:
    """Advance of each character that a typeface has; of the box that it draws for others, under -1."""
    font: Any = TTFont(BytesIO(font_bytes(name)), lazy=True)
    em, metrics = font["head"].unitsPerEm, font["hmtx"]
    found = {code: metrics[glyph][0] / em for code, glyph in font.getBestCmap().items()}
    return {**found, -1: metrics[".notdef"][0] / em}


def parts(text: str, weight: Weight = "regular") -> list[tuple[str, str]]:
    """A text as drawn, cut where the typeface changes: (name of the typeface, letters).

    >>> parts("Zaun 柵")
    [('DejaVuSans', 'Zaun '), ('STSong-Light', '柵')]
    """
    main = _FACES[weight]
    if text.isascii():
        return [(main, text)]
    readers, found = _readers(text), list[tuple[str, str]]()
    for mark in text:
        name = main if ord(mark) in _advances_em(main) else _reader(mark, readers) or main
        if found and found[-1][0] == name:
            found[-1] = (name, found[-1][1] + mark)
        else:
            found.append((name, mark))
    return found


def _readers(text: str) -> list[str]:
    """The readers' typefaces in the order in which a text wants them: Han letters as its kana or Hangul have them."""
    if _KANA.search(text):
        first = "HeiseiKakuGo-W5"
    elif _HANGUL.search(text):
        first = "HYSMyeongJo-Medium"
    else:
        first = "STSong-Light"
    return sorted(LEFT_TO_THE_READER, key=lambda name: name != first)


def _reader(mark: str, readers: list[str]) -> str | None:
    """The first of some readers' typefaces that has a letter."""
    wide = unicodedata.east_asian_width(mark) in _EAST_ASIAN_EM
    return next((name for name in readers if _has(mark, LEFT_TO_THE_READER[name])), None) if wide else None


@lru_cache(maxsize=20_000)
def _has(mark: str, encoding: str) -> bool:
    try:
        mark.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


@lru_cache(maxsize=20_000)
def width_em(text: str, weight: Weight = "regular") -> float:
    """Width of a text as drawn, narrowed, in ems.

    >>> width_em("0000") == 4 * width_em("0")
    True
    """
    return NARROWED * sum(_advance_em(name, mark) for name, letters in parts(text, weight) for mark in letters)


def _advance_em(name: str, mark: str) -> float:
    if name in LEFT_TO_THE_READER:
        return _EAST_ASIAN_EM[unicodedata.east_asian_width(mark)]
    advances = _advances_em(name)
    return advances.get(ord(mark), advances[-1])


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
