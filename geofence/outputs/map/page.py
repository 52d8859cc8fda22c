"""``map.html``: the interactive map, one file that opens with no network at all.

It is a folium map, so whatever folium can draw may be added to it, but its page is our own: Leaflet travels inside
the file, jQuery, Bootstrap and icon fonts stay out, posts and bays are drawn by one canvas layer instead of a marker
each, and everything that comes from files travels as JSON and is set as text.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from functools import cache
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import folium
from branca.element import Element, Figure, MacroElement
from folium.map import Layer
from folium.template import Template, tojavascript
from folium.utilities import JsCode
from xstatic.pkg import leaflet

from geofence.outputs.map import hillshade
from geofence.outputs.map.data import contour_data, map_data, relief_box, script_text
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "FenceMap", "view", "write"]

SCRIPTS = (
    "columns.js",
    "lines.js",
    "style.js",
    "geometry.js",
    "earth.js",
    "zones.js",
    "zone_distances.js",
    "gates.js",
    "terrain.js",
    "contours.js",
    "survey.js",
    "labels.js",
    "boundary.js",
    "bays.js",
    "posts.js",
    "finding_marks.js",
    "sheet.js",
    "popups.js",
    "panel.js",
    "section_ground.js",
    "section_bays.js",
    "section_posts.js",
    "section_axes.js",
    "section.js",
    "section_hand.js",
    "measure.js",
    "view_link.js",
    "paper.js",
    "page.js",
)
"""In the order in which they need each other; ``columns.js`` reads ``style.js`` only when it is called."""
PARTS = {
    "terrain": "Terrain",
    "contours": "Contours",
    "zones": "Zones",
    "survey": "Survey points",
    "boundary": "Boundary",
    "bays": "Bays",
    "posts": "Posts",
    "findings": "Findings",
}
MOST_ZOOM = 24
"""Two pixels a centimetre: a post of 50 mm is 9 pixels wide."""
SEAL = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"
"""Content security policy of the written file: the browser itself refuses every request."""
TILES = "https://tile.openstreetmap.org/{z}/{x}/{y}.png"
TILES_CREDIT = "© OpenStreetMap contributors"


def write(plan: FencePlan, path: Path) -> None:
    """Write the map of a plan; the same plan gives the same bytes."""
    page = FenceMap(plan)
    page.network = "none"
    path.write_text(page.get_root().render(), encoding="utf-8", newline="\n")


def view(plan: FencePlan, *, tiles: bool = False) -> FenceMap:
    """The map of a plan as a folium map, to show in a notebook or to add to.

    ``tiles`` puts OpenStreetMap's tiles under the plan. They need the network; the map can be read without them.
    """
    return FenceMap(plan, tiles=tiles)


class _Page(Figure):
    """The HTML document: like branca's, but it states its language."""

    _template = Template(
        "<!DOCTYPE html>\n"
        '<html lang="en">\n<head>\n'
        "{{ this.header.render(**kwargs) }}\n"
        "</head>\n<body>\n"
        "{{ this.html.render(**kwargs) }}\n"
        "<script>\n{{ this.script.render(**kwargs) }}\n</script>\n"
        "</body>\n</html>\n"
    )


class _Part(Layer):
    """An entry of the layer control that shows or hides one part of the sheet."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "var {{ this.get_name() }} = geofence.part({{ this.part|tojson }}).addTo({{ this._parent.get_name() }});"
        "{% endmacro %}"
    )

    def __init__(self, part: str, title: str) -> None:
        super().__init__(name=title, overlay=True)
        self._name, self._id = "part", part
        self.part = part

    def render(self, **kwargs: Any) -> Any:
        """Render without the child that folium would make anew, under a random name, at each call."""
        return MacroElement.render(self, **kwargs)  # type: ignore[no-untyped-call]


class _Start(MacroElement):
    """The last script of the page: puts it together."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "geofence.start({{ this._parent.get_name() }}, {{ this.options|tojavascript }});"
        "{% endmacro %}"
    )

    def __init__(self, *, tiles: bool) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name, self._id = "start", "page"
        self.options = {"tiles": tiles}


class _Verbatim(Element):
    """A piece of the page as it is: branca would read it as a template once more, and obey what a name says in it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **kwargs: Any) -> str:  # noqa: ARG002 - branca's signature
        """The text itself."""
        return self.text


class FenceMap(folium.Map):
    """A folium map of a plan, in a page that needs nothing from outside.

    Parameters
    ----------
    plan
        What to show.
    tiles
        Whether OpenStreetMap's tiles lie under it.
    """

    _template = Template("")

    def __init__(self, plan: FencePlan, *, tiles: bool = False) -> None:
        middle = [float(plan.places.lat_deg.mean()), float(plan.places.lon_deg[0])]
        super().__init__(location=middle, tiles=None, zoom_start=15, max_zoom=MOST_ZOOM, zoom_snap=0.5)
        # folium draws its ids at random; these make the same plan give the same bytes.
        self._name, self._id = "map", "fence"
        page = _Page(height="760px")
        page.add_child(self)
        self.default_js, self.default_css = [], []
        self.network: Literal["none", "allowed"] = "allowed"
        self.credited = tiles
        self.title = f"{plan.name} – fence plan"
        self.plan_json = script_text(map_data(plan))
        self.picture = self.terrain_json = self.contour_json = ""
        self._draw_terrain(plan)
        self._add_layers(tiles, zones=bool(plan.zones), survey=plan.shot is not None)

    def _draw_terrain(self, plan: FencePlan) -> None:
        picture = None if plan.relief is None else hillshade.draw(plan.relief)
        if plan.relief is None or picture is None:
            return
        self.picture = base64.b64encode(picture.png).decode("ascii")
        about = {
            "exaggeration": picture.exaggeration,
            "lowest_m": picture.lowest_m,
            "highest_m": picture.highest_m,
            "tints": hillshade.TINTS,
        }
        self.terrain_json = script_text(about | relief_box(plan, plan.relief))
        lines = contour_data(plan.relief)
        self.contour_json = script_text(lines) if lines else ""

    def _add_layers(self, tiles: bool, *, zones: bool, survey: bool) -> None:
        if tiles:
            base = folium.TileLayer(
                TILES, attr=TILES_CREDIT, name="Online base map", overlay=True, max_zoom=MOST_ZOOM, max_native_zoom=19
            )
            base._id = "base"
            base.add_to(self)
        present = {"terrain": bool(self.picture), "contours": bool(self.contour_json), "zones": zones, "survey": survey}
        for part, title in PARTS.items():
            if present.get(part, True):
                _Part(part, title).add_to(self)
        control = folium.LayerControl()
        control.options["collapsed"] = JsCode("geofence.narrow")  # type: ignore[assignment]
        control._id = "layers"
        control.add_to(self, name="layers")
        _Start(tiles=tiles).add_to(self, name="start")

    def render(self, **kwargs: Any) -> Any:
        """Render into the page, the layer control and the start after all that was added since."""
        page: Any = self.get_root()
        name = self.get_name()
        page.header.add_child(_Verbatim(self._head()), name=name)
        page.html.add_child(_Verbatim(self._body()), name=name)
        page.script.add_child(_Verbatim(self._start_of_script()), name=name)
        for last in ("layers", "start"):
            self._children.move_to_end(last)
            # Rendered before, they would keep their old places in the script.
            page.script._children.pop(self._children[last].get_name(), None)
        return super().render(**kwargs)  # type: ignore[no-untyped-call]

    def _head(self) -> str:
        seal = f'<meta http-equiv="Content-Security-Policy" content="{SEAL}">\n' if self.network == "none" else ""
        return (
            f"{seal}"
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            '<meta name="color-scheme" content="light">\n'
            '<link rel="icon" href="data:,">\n'
            f"<title>{escape(self.title)}</title>\n"
            f"<style>{_leaflet_css()}</style>\n"
            f"<style>{_asset('page.css')}</style>\n"
            f"<script>{_leaflet_js()}</script>"
        )

    def _body(self) -> str:
        """The page's skeleton, words of ours only, and what it shows, as JSON."""
        div = f'<div class="folium-map" id="{self.get_name()}" tabindex="0" role="region" aria-label="Map"></div>'
        skeleton = _asset("page.html").replace("{{ map_div }}", div).replace("{{ leaflet_version }}", leaflet.VERSION)
        contours = f'<script type="application/json" id="contour-data">{self.contour_json}</script>\n'
        terrain = (
            f'<img id="terrain-picture" hidden alt="" src="data:image/png;base64,{self.picture}">\n'
            f'<script type="application/json" id="terrain-data">{self.terrain_json}</script>\n'
            f"{contours if self.contour_json else ''}"
        )
        code = "\n".join(_asset(name) for name in SCRIPTS)
        return (
            f"{skeleton}{terrain if self.picture else ''}"
            f'<script type="application/json" id="plan-data">{self.plan_json}</script>\n'
            f"<script>\n{code}</script>"
        )

    def _start_of_script(self) -> str:
        name, options = self.get_name(), tojavascript(self.options)
        credit = f"L.control.attribution({{prefix: false}}).addTo({name});\n" if self.credited else ""
        return (
            f'var {name} = L.map("{name}", {{...{options}, ...geofence.mapOptions}})'
            f".setView({self.location}, {self.options['zoom']});\n{credit}"
        )


@cache
def _asset(name: str) -> str:
    return (files("geofence.outputs.map") / "assets" / name).read_text(encoding="utf-8")


def _leaflet_file(name: str) -> Path:
    return Path(leaflet.BASE_DIR) / name


@cache
def _leaflet_css() -> str:
    """Leaflet's style sheet with its pictures inside."""
    css = _leaflet_file("leaflet.css").read_text(encoding="utf-8")
    for name, uri in _pictures():
        css = css.replace(f"url(images/{name})", f"url({uri})")
    # A relic for a browser of 1999, and the only address left in it.
    return css.replace("behavior: url(#default#VML);", "")


@cache
def _leaflet_js() -> str:
    """Leaflet, and its marker's pictures by data instead of by address, for markers that others add."""
    js = _leaflet_file("leaflet.js").read_text(encoding="utf-8")
    code = "\n".join(line for line in js.splitlines() if not line.startswith("//# sourceMappingURL"))
    uris = dict(_pictures())
    marker = {
        "iconUrl": uris["marker-icon.png"],
        "iconRetinaUrl": uris["marker-icon-2x.png"],
        "shadowUrl": uris["marker-shadow.png"],
    }
    return f'{code}\nL.Icon.Default.imagePath = "";\nL.Icon.Default.mergeOptions({script_text(marker)});\n'


def _pictures() -> Iterator[tuple[str, str]]:
    """Name and data URI of each of Leaflet's pictures."""
    for file in sorted(_leaflet_file("images").glob("*.png")):
        yield file.name, f"data:image/png;base64,{base64.b64encode(file.read_bytes()).decode('ascii')}"


OUTPUT = Output(filename="map.html", title="Interactive map", write=write, view=view)
