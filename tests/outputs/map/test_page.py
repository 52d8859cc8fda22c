from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import folium
import numpy as np
import pytest

from geofence import registry
from geofence.outputs.map import page as fence_map
from geofence.outputs.map.page import OUTPUT, FenceMap
from geofence.plan import FencePlan
from tests.plans import hostile_plan, made_up_plan

ADDRESSES = {"src", "href", "action", "data", "poster", "srcset"}


class Page(HTMLParser):
    """Elements with their attributes, and the title, as a browser would find them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.title = ""
        self.inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.inside = tag

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002 - the parser's signature
        self.inside = ""

    def handle_data(self, data: str) -> None:
        if self.inside == "title":
            self.title += data


def written(plan: FencePlan, folder: Path) -> str:
    path = folder / "map.html"
    OUTPUT.write(plan, path)
    return path.read_text(encoding="utf-8")


def test_it_is_the_output_called_map() -> None:
    assert registry.find(registry.OUTPUTS, "map") is OUTPUT
    assert OUTPUT.filename == "map.html"
    assert isinstance(made_up_plan().map(), folium.Map)


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "1.html", tmp_path / "2.html"
    OUTPUT.write(made_up_plan(), first)
    OUTPUT.write(made_up_plan(), second)
    assert first.read_bytes() == second.read_bytes()
    tiled = [fence_map.view(made_up_plan(), tiles=True).get_root().render() for _ in range(2)]
    assert tiled[0] == tiled[1]


def test_rendering_twice_changes_nothing() -> None:
    page = fence_map.view(made_up_plan()).get_root()
    assert page.render() == page.render()


def test_nothing_is_fetched_from_anywhere(tmp_path: Path) -> None:
    page = Page(written(made_up_plan(), tmp_path))
    addresses = [
        value or "" for _, attributes in page.elements for name, value in attributes.items() if name in ADDRESSES
    ]
    assert addresses
    assert all(value.startswith(("data:", "#")) for value in addresses)


def test_the_style_sheets_hold_their_pictures(tmp_path: Path) -> None:
    text = written(made_up_plan(), tmp_path)
    css = "".join(part.split("</style>")[0] for part in text.split("<style>")[1:])
    assert css.count("url(") == css.count("url(data:image/png;base64,") == 3
    assert "@import" not in css


def test_the_browser_is_told_to_refuse_requests_of_the_written_file_only(tmp_path: Path) -> None:
    assert "default-src 'none'" in written(made_up_plan(), tmp_path)
    # A map in hand may be added to: a plug-in of folium brings its own addresses.
    assert "Content-Security-Policy" not in fence_map.view(made_up_plan()).get_root().render()


def test_no_helper_library_of_folium_is_asked_for() -> None:
    text = fence_map.view(made_up_plan()).get_root().render().lower()
    assert not [word for word in ("jquery", "bootstrap", "fontawesome", "awesome-markers", "cdn.") if word in text]


def test_hostile_names_add_no_element(tmp_path: Path) -> None:
    plain, hostile = Page(written(made_up_plan(), tmp_path)), Page(written(hostile_plan(), tmp_path))
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in plain.elements]
    assert hostile.title == f"{hostile_plan().name} – fence plan"


def test_a_name_is_no_template(tmp_path: Path) -> None:
    """branca reads what it is given as a template: braces in a name would be run."""
    name = "{{ 7 * 7 }} {% for %} {# gone #} {% raw %}"
    text = written(made_up_plan(name=name), tmp_path)
    assert Page(text).title == f"{name} – fence plan"
    assert f'"name":"{name}"' in text


def test_the_page_states_its_language_and_may_be_zoomed(tmp_path: Path) -> None:
    page = Page(written(made_up_plan(), tmp_path))
    assert ("html", {"lang": "en"}) in page.elements
    viewport = next(attributes for tag, attributes in page.elements if attributes.get("name") == "viewport")
    assert viewport["content"] == "width=device-width, initial-scale=1"


def test_the_time_of_planning_is_not_in_the_map(tmp_path: Path) -> None:
    plan = made_up_plan()
    later = replace(plan, provenance=replace(plan.provenance, planned_at="2031-01-01T00:00:00Z"))
    assert written(plan, tmp_path) == written(later, tmp_path)


def test_tiles_come_only_when_asked_for_and_with_their_credit() -> None:
    tiled = fence_map.view(made_up_plan(), tiles=True).get_root().render()
    assert "tile.openstreetmap.org" in tiled
    assert "OpenStreetMap contributors" in tiled
    assert "openstreetmap" not in fence_map.view(made_up_plan()).get_root().render().lower()


def test_terrain_is_a_layer_only_where_there_is_a_picture(tmp_path: Path) -> None:
    plan = made_up_plan()
    assert plan.relief is not None
    unknown = replace(plan.relief, level_m=np.full((4, 4), np.nan, dtype=np.float32))
    assert 'id="terrain-picture"' in written(plan, tmp_path)
    for bare in (made_up_plan(relief=False), replace(plan, relief=unknown)):
        text = written(bare, tmp_path)
        assert 'id="terrain-picture"' not in text
        assert 'geofence.part("terrain")' not in text


def test_what_is_added_after_a_first_look_comes_before_them_too() -> None:
    page = fence_map.view(made_up_plan())
    page.get_root().render()
    group = folium.FeatureGroup(name="Hedges")
    group.add_to(page)
    script = page.get_root().render()
    assert script.index(f"var {group.get_name()}") < script.index("L.control.layers(")


def test_what_is_added_comes_before_the_layer_control_and_the_start() -> None:
    page = fence_map.view(made_up_plan())
    group = folium.FeatureGroup(name="Hedges")
    group.add_to(page)
    script = page.get_root().render()
    assert (
        script.index(f"var {group.get_name()}") < script.index("L.control.layers(") < script.index("geofence.start(map")
    )


def test_twenty_thousand_posts_stay_small(tmp_path: Path) -> None:
    """Measured at 1.3 MB, a sixth of which is Leaflet; (d) not independent."""
    text = written(made_up_plan(20_000, relief=False), tmp_path)
    assert len(text) < 1_700_000


def test_folium_lists_stay_as_folium_has_them() -> None:
    page = FenceMap(made_up_plan())
    page.add_js_link("hedges", "https://example.org/hedges.js")
    assert 'src="https://example.org/hedges.js"' in page.get_root().render()
    assert FenceMap(made_up_plan()).default_js == []
    assert len(folium.Map.default_js) > 1


@pytest.mark.parametrize("name", ["page.html", "page.css", *fence_map.SCRIPTS])
def test_the_assets_are_data_of_the_package(name: str) -> None:
    assert fence_map._asset(name).strip()
