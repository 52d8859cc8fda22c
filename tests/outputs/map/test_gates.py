"""Gates on the map: how their leaves open, what they are called."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser
from pyproj import Geod

from geofence.outputs.map.data import map_data
from geofence.outputs.map.page import OUTPUT
from geofence.plan import FencePlan, LeafWay, PlannedGate
from tests.outputs.pages import PHONE, Visit, opened
from tests.plans import HOSTILE, made_up_plan

pytestmark = pytest.mark.browser
GEOD = Geod(ellps="WGS84")
YARD, TRACK, STILE = 5, 12, 20
"""Rows of the bays that are gates."""


def way(plan: FencePlan, post: int, other: int, side: str, *, turn_deg: float = 90.0) -> LeafWay:
    """From a post along the bay to another, turned to the left (negative) or right; as long as the bay."""
    places = plan.places
    lon, lat = places.lon_deg[[post, other]], places.lat_deg[[post, other]]
    azimuth, _, length = GEOD.inv(lon[0], lat[0], lon[1], lat[1])
    turned = azimuth + (np.array([180.0, 180.0]) if side == "slide" else np.linspace(0, turn_deg, 10))
    reach = np.array([0.0, length]) if side == "slide" else np.full(10, length)
    tip_lon, tip_lat, _ = GEOD.fwd(np.full(len(turned), lon[0]), np.full(len(turned), lat[0]), turned, reach)
    return LeafWay(
        post=post, side=side, length_m=length, open_deg=0.0 if side == "slide" else abs(turn_deg),
        lon_deg=tip_lon, lat_deg=tip_lat, easting=tip_lon, northing=tip_lat,
    )  # fmt: skip


def gated(*names: str) -> FencePlan:
    """Three gates: a leaf that swings to both sides, one that slides, and an opening."""
    plan = made_up_plan()
    kinds = tuple("gate" if row in (YARD, TRACK, STILE) else kind for row, kind in enumerate(plan.fence.bays.kind))
    plan = replace(plan, fence=replace(plan.fence, bays=replace(plan.fence.bays, kind=kinds)))
    ways = {
        YARD: (way(plan, YARD, YARD + 1, "left", turn_deg=-90), way(plan, YARD, YARD + 1, "right", turn_deg=90)),
        TRACK: (way(plan, TRACK + 1, TRACK, "slide"),),
        STILE: (),
    }
    words = {YARD: ("both", 1), TRACK: ("slide", 1), STILE: ("none", 0)}
    gates = tuple(
        PlannedGate(
            name=name, bay=bay, swing=words[bay][0], leaves=words[bay][1], leaf_kg=None, post_width_m=0.1,
            hole_diameter_m=0.4, ways=ways[bay],
        )
        for name, bay in zip(names, (YARD, TRACK, STILE), strict=True)
    )  # fmt: skip
    return replace(plan, gates=gates)


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    return gated("Yard", "Track", "Stile")


def coloured(visit: Visit, lon_deg: float, lat_deg: float) -> list[int]:
    """Red, green, blue of the sheet at a place."""
    return list(
        visit.ask(
            f"""(() => {{
                const map = geofenceMap.map;
                const canvas = document.querySelector("canvas.sheet");
                const point = map.latLngToContainerPoint([{lat_deg}, {lon_deg}]);
                const [page, own] = [map.getContainer().getBoundingClientRect(), canvas.getBoundingClientRect()];
                const ratio = canvas.width / own.width;
                const x = Math.round((point.x + page.left + map.getContainer().clientLeft - own.left) * ratio);
                const y = Math.round((point.y + page.top + map.getContainer().clientTop - own.top) * ratio);
                const copy = Object.assign(document.createElement("canvas"), {{ width: 1, height: 1 }});
                const context = copy.getContext("2d");
                context.drawImage(canvas, -x, -y);
                return Array.from(context.getImageData(0, 0, 1, 1).data);
            }})()"""
        )
    )


class TestSwing:
    def test_leaves_in_view_are_drawn_with_the_bays(self, visit: Visit) -> None:
        visit.ask("geofenceMap.view('B006', 20), null")
        assert visit.ask("geofenceMap.drawn().leaves") == 3
        visit.ask("geofenceMap.view('B039', 22), null")
        assert visit.ask("geofenceMap.drawn().leaves") == 0

    def test_a_leaf_is_drawn_where_it_opens(self, visit: Visit, plan: FencePlan) -> None:
        """Half-way along and half-way open the ground is tinted; on the same ground beyond the tip it is not."""
        for part in ("Terrain", "Contours", "Boundary", "Posts"):
            visit.page.get_by_label(part, exact=True).uncheck()
        visit.ask("geofenceMap.view('B006', 22), null")
        places = plan.places
        lon, lat = places.lon_deg[YARD : YARD + 2], places.lat_deg[YARD : YARD + 2]
        azimuth, _, length = GEOD.inv(lon[0], lat[0], lon[1], lat[1])
        for side in (-1, 1):
            inside = GEOD.fwd(lon[0], lat[0], azimuth + side * 40, length * 0.75)[:2]
            beyond = GEOD.fwd(lon[0], lat[0], azimuth + side * 40, length * 1.25)[:2]
            assert coloured(visit, *inside)[3] == pytest.approx(0.24 * 255, abs=2)
            assert coloured(visit, *beyond)[3] == 0

    def test_goes_with_the_layer_of_the_bays(self, visit: Visit) -> None:
        visit.ask("geofenceMap.view('B006', 21), null")
        before = visit.sheet()
        visit.page.get_by_label("Bays", exact=True).uncheck()
        assert visit.sheet() != before
        assert "leaves" not in visit.ask("geofenceMap.drawn()")

    def test_the_legend_tells_of_it_where_there_is_one(self, browser: Browser, visit: Visit, tmp_path: Path) -> None:
        assert "a gate's leaf as it opens" in visit.page.locator('#legend [data-layer="bays"]').inner_text()
        OUTPUT.write(made_up_plan(), tmp_path / "map.html")
        with opened(browser, tmp_path / "map.html") as plain:
            assert "leaf" not in plain.page.locator("#legend").inner_text()


class TestNames:
    def test_a_gate_is_found_by_its_name(self, visit: Visit) -> None:
        visit.page.fill("#goto-input", " track ")
        visit.page.press("#goto-input", "Enter")
        assert visit.page.inner_text("#goto-answer") == "Showing B013."
        assert visit.numbers("bay")["bay"] == "B013"

    @pytest.mark.parametrize(
        ("bay", "name", "leaves", "opens"),
        [
            ("B006", "Yard", "1", "to both sides, 90°"),
            ("B013", "Track", "1", "slides along the fence"),
            ("B021", "Stile", "0", "an opening without a leaf"),
        ],
    )
    def test_a_popup_says_which_gate_it_is_and_how_it_opens(
        self, visit: Visit, bay: str, name: str, leaves: str, opens: str
    ) -> None:
        visit.ask(f"geofenceMap.open('{bay}'), null")
        numbers = visit.numbers("bay")
        assert numbers["kind"].startswith(f"Gate {name}, P")
        assert (numbers["leaves"], numbers["opens"]) == (leaves, opens)

    def test_hostile_ones_stay_text(self, browser: Browser, tmp_path: Path) -> None:
        OUTPUT.write(gated(" ".join(HOSTILE), "C:\\2019", "`${alert(1)}`"), tmp_path / "map.html")
        with opened(browser, tmp_path / "map.html", PHONE) as visit:
            visit.ask("geofenceMap.open('B006'), null")
            assert " ".join(HOSTILE).split()[0] in visit.numbers("bay")["kind"]


def test_ways_are_packed_to_a_millimetre(plan: FencePlan) -> None:
    (yard, *_) = map_data(plan)["gates"]
    assert yard["ways"][0]["lon_deg"]["decimals"] == 8
    assert [each["side"] for each in yard["ways"]] == ["left", "right"]
