"""A page as SVG 1.1: millimetres on paper, text as text, in a typeface that travels inside the file.

Chinese, Japanese and Korean letters are drawn in what the viewer has, at the width that they were measured with.
"""

from __future__ import annotations

import base64
from collections import defaultdict
from collections.abc import Iterable, Iterator
from string import printable

from geofence.outputs.paper import typeface
from geofence.outputs.paper.page import Area, Lettering, Page, Pen, Points, Stroke
from geofence.outputs.paper.typeface import Weight
from geofence.outputs.xml_text import DECLARATION, content

__all__ = ["page_as_svg"]

FAMILIES = "Lettering,'DejaVu Sans',sans-serif"
"""The typeface that travels; for viewers that overlook it, and letters that it has not, what they have themselves."""

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
    styles = ["path{stroke:none}\n", f"text{{font-family:{FAMILIES};font-kerning:none;white-space:pre}}\n"]
    for item in page.items:
        if isinstance(item, Stroke) and item.pen not in pens:
            pens[item.pen] = name = f"p{len(pens)}"
            pen, dash = item.pen, " ".join(_number(length) for length in item.pen.dash_mm)
            style = f"fill:none;stroke:{pen.ink};stroke-width:{_number(pen.width_mm)};stroke-linejoin:round"
            style += f";stroke-dasharray:{dash}" if dash else ";stroke-linecap:round"
            styles.append(f".{name}{{{style}}}\n")
    return pens, styles


def _faces(page: Page) -> Iterator[str]:
    """The weights of the typeface that the page needs, cut down to its letters."""
    used: defaultdict[tuple[Weight, str], set[str]] = defaultdict(set)
    for item in page.letterings:
        for name, letters in typeface.parts(item.text, item.weight):
            if name not in typeface.LEFT_TO_THE_READER:
                used[item.weight, name].update(letters)
    for (weight, name), marks in sorted(used.items()):
        data = base64.b64encode(typeface.part_of_font(name, USUAL | marks)).decode("ascii")
        css = "bold" if weight == "bold" else "normal"
        yield f"@font-face{{font-family:Lettering;font-weight:{css};src:url(data:font/woff;base64,{data})}}\n"


def _way(page: Page, rings: Iterable[Points], end: str) -> str:
    ways = []
    for ring in rings:
        places = (f"{_number(x)} {_number(page.height_mm - y)}" for x, y in ring.tolist())
        ways.append("M" + "L".join(places) + end)
    return "".join(ways)


def _letter(page: Page, item: Lettering) -> str:
    """A text that starts at the origin of its own axes: placed, turned and narrowed all at once."""
    ways = [f"translate({_number(item.x)} {_number(page.height_mm - item.y)})"]
    ways += [f"rotate({_number(-item.turn_deg)})"] if item.turn_deg else []
    ways.append(f"scale({_number(typeface.NARROWED)} 1)")
    weight = ' font-weight="bold"' if item.weight == "bold" else ""
    width = _number(item.width_mm / typeface.NARROWED)
    return (
        f'<text transform="{"".join(ways)}" font-size="{_number(item.em_mm)}" textLength="{width}" '
        f'fill="{item.ink}"{weight}>{content(item.text)}</text>\n'
    )


def _number(value: float) -> str:
    """A length to a tenth of a micrometre, without zeros at its end."""
    return f"{value:.4f}".rstrip("0").rstrip(".")
