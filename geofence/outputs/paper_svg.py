"""A page as SVG 1.1: millimetres on paper, text as text, in typefaces that travel inside the file."""

from __future__ import annotations

import base64
from collections import defaultdict
from collections.abc import Iterable, Iterator
from string import printable

from geofence.outputs import typeface
from geofence.outputs.paper import Area, Lettering, Page, Pen, Points, Stroke
from geofence.outputs.xml_text import DECLARATION, attribute, content

__all__ = ["page_as_svg"]

USUAL = frozenset(printable.strip()) | frozenset(" °±×²³·–—…→")
"""Letters that nearly every sheet has: carried by each, so that a typeface is cut once for most of them."""


def page_as_svg(page: Page) -> str:
    """The page as the text of an SVG file; a unit of its coordinates is a millimetre."""
    return "".join(_parts(page))


def _parts(page: Page) -> Iterator[str]:
    width, height = _number(page.width_mm), _number(page.height_mm)
    yield DECLARATION
    yield f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
    yield f'viewBox="0 0 {width} {height}">\n'
    yield f"<title>{content(page.title)}</title>\n<style>\n"
    yield from _faces(page)
    pens, styles = _classes(page)
    yield from styles
    yield f'</style>\n<rect width="{width}" height="{height}" fill="#ffffff"/>\n'
    for item in page.items:
        if isinstance(item, Stroke):
            way = _way(page, (item.points,), "Z" if item.closed else "")
            yield f'<path class="{pens[item.pen]}" d="{way}"/>\n'
        elif isinstance(item, Area):
            yield f'<path fill="{item.fill}" fill-rule="evenodd" d="{_way(page, item.rings, "Z")}"/>\n'
        else:
            yield _letter(page, item)
    yield "</svg>\n"


def _classes(page: Page) -> tuple[dict[Pen, str], list[str]]:
    """A class for each pen on the page, and the style sheet's lines for them."""
    pens: dict[Pen, str] = {}
    styles = ["path{stroke:none}\n", "text{font-kerning:none;white-space:pre}\n"]
    for item in page.items:
        if isinstance(item, Stroke) and item.pen not in pens:
            pens[item.pen] = name = f"p{len(pens)}"
            pen, dash = item.pen, " ".join(_number(length) for length in item.pen.dash_mm)
            style = f"fill:none;stroke:{pen.ink};stroke-width:{_number(pen.width_mm)};stroke-linejoin:round"
            style += f";stroke-dasharray:{dash}" if dash else ";stroke-linecap:round"
            styles.append(f".{name}{{{style}}}\n")
    return pens, styles


def _faces(page: Page) -> Iterator[str]:
    """The typefaces that the page needs, cut down to its letters."""
    used: defaultdict[str, set[str]] = defaultdict(set)
    for item in page.letterings:
        for name, letters in typeface.parts(item.text, item.weight):
            used[name].update(letters)
    for name, marks in sorted(used.items()):
        usual: frozenset[str] = frozenset() if name == "DroidSansFallback" else USUAL
        data = base64.b64encode(typeface.part_of_font(name, usual | marks)).decode("ascii")
        yield f"@font-face{{font-family:{name};src:url(data:font/woff;base64,{data})}}\n"


def _way(page: Page, rings: Iterable[Points], end: str) -> str:
    ways = []
    for ring in rings:
        places = (f"{_number(x)} {_number(page.height_mm - y)}" for x, y in ring.tolist())
        ways.append("M" + "L".join(places) + end)
    return "".join(ways)


def _letter(page: Page, item: Lettering) -> str:
    families = ",".join(dict.fromkeys(name for name, _ in typeface.parts(item.text, item.weight)))
    style = f"font-family:{families},sans-serif"
    style += ";font-weight:bold" if item.weight == "bold" else ""
    x, y = _number(item.x), _number(page.height_mm - item.y)
    turn = f' transform="rotate({_number(-item.turn_deg)} {x} {y})"' if item.turn_deg else ""
    return (
        f'<text x="{x}" y="{y}" font-size="{_number(item.em_mm)}" textLength="{_number(item.width_mm)}" '
        f'fill="{item.ink}" style={attribute(style)}{turn}>{content(item.text)}</text>\n'
    )


def _number(value: float) -> str:
    """A length to a tenth of a micrometre, without zeros at its end."""
    return f"{value:.4f}".rstrip("0").rstrip(".")
