"""Zones and contours on the map."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from playwright.sync_api import Browser
from pyproj import Geod, Transformer

from geofence.outputs.map.page import OUTPUT
from geofence.plan import FencePlan, PlannedZone, ZoneOutline
from tests.outputs.pages import Visit, opened
from tests.plans import HOSTILE, hostile_plan, made_up_plan

pytestmark = pytest.mark.browser
TO_DEGREES = Transformer.from_crs(32630, 4326, always_xy=True)


def outline(places: list[tuple[float, float]], *, area: bool = False) -> ZoneOutline:
    """Of eastings and northings from the corner where the made-up fence begins."""
    east, north = np.array(places).T
    lon, lat = TO_DEGREES.transform(560_000 + east, 5_900_000 + north)
    return ZoneOutline(lon_deg=lon, lat_deg=lat, area=area)


SHAPES = {
    "Gas main": [[(10.0, 60.0), (34.0, 31.0), (90.0, 5.0)]],
    "Stream": [[(-10.0, 40.0), (60.0, 75.0)]],
    "Barrow": [[(40.0, 20.0), (70.0, 20.0), (70.0, 45.0), (40.0, 45.0), (40.0, 20.0)]],
    "Oak": [[(20.0, 10.0)]],
}


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    rules = {
        "Gas main": ("keep-clear", 1.5, 0.0, "utility drawing 14, 2026-03"),
        "Stream": ("setback", 1.0, 8.0, "bylaw 7"),
        "Barrow": ("consult", 0.0, 0.0, ""),
        "Oak": ("no-fence", 6.0, 0.0, "tree survey"),
    }
    zones = tuple(
        PlannedZone(
            name=name, rule=rule, buffer_m=buffer_m, limit_m=limit_m, source=source,
            outlines=tuple(outline(ring, area=name == "Barrow") for ring in SHAPES[name]),
        )
        for name, (rule, buffer_m, limit_m, source) in rules.items()
    )  # fmt: skip
    return replace(made_up_plan(), zones=zones)


def expected_m(plan: FencePlan, name: str, rows: list[int]) -> float:
    """(c) shapely in the UTM grid, brought to the ground by the scale that pyproj gives at the place."""
    east, north = plan.places.easting[rows] - 560_000, plan.places.northing[rows] - 5_900_000
    here = shapely.LineString(np.column_stack([east, north])) if len(rows) > 1 else shapely.Point(east[0], north[0])
    ring = SHAPES[name][0]
    shape = (shapely.Polygon if name == "Barrow" else shapely.LineString if len(ring) > 1 else shapely.Point)(ring)
    grid_m = here.distance(shape)
    lon, lat = TO_DEGREES.transform([560_000.0, 560_000.0], [5_900_000.0, 5_900_100.0])
    ellipsoid = Geod(ellps="WGS84").line_length(lon, lat) / 100.0
    height_m = float(plan.stations.ground_level_m.mean())
    return grid_m * ellipsoid * (1 + height_m / 6_380_000)


def test_zones_are_listed_with_their_sources(visit: Visit) -> None:
    lines = visit.page.locator('#legend [data-layer="zones"] li').all_inner_texts()
    assert lines == [
        "Gas main: no post, 1.5 m around it. Source: utility drawing 14, 2026-03",
        "Stream: setback, 9 m around it. Source: bylaw 7",
        "Barrow: consult. Source: none stated",
        "Oak: no fence, 6 m around it. Source: tree survey",
    ]
    assert visit.ask("geofenceMap.drawn().zones") == 4
    visit.page.get_by_role("checkbox", name="Zones").uncheck()
    assert "zones" not in visit.ask("geofenceMap.drawn()")


def test_a_place_alone_has_its_name_close_up(visit: Visit) -> None:
    visit.ask("geofenceMap.view('P005', 21), null")
    assert "Oak · no fence" in visit.ask("geofenceMap.drawn().labels")
    visit.ask("geofenceMap.view('P005', 15), null")
    assert "Oak · no fence" not in visit.ask("geofenceMap.drawn().labels")


@pytest.mark.parametrize(("name", "rows"), [("P008", [7]), ("P023", [22]), ("P040", [39]), ("B016", [15, 16])])
def test_a_popup_tells_how_far_the_nearest_zones_are(visit: Visit, plan: FencePlan, name: str, rows: list[int]) -> None:
    """To what is drawn; a post's that is near as all files have it, to the millimetre and never rounded up."""
    visit.ask(f"geofenceMap.open('{name}'), null")
    seen = visit.numbers("post" if name[0] == "P" else "bay")
    reach_m = {"Gas main": 1.5, "Stream": 9.0, "Barrow": 0.0, "Oak": 6.0}
    expected = sorted((expected_m(plan, zone, rows), number) for number, zone in enumerate(reach_m))
    for metres, number in expected[:3]:
        near = name[0] == "P" and metres < list(reach_m.values())[number] + 9.9
        decimals = 3 if near else 2
        shown = seen[f"zone-{number}"].removesuffix(" m")
        assert len(shown.partition(".")[2]) == decimals
        below = metres - float(shown)
        assert -0.2e-3 < below < 10.0**-decimals + 0.2e-3, number
    assert f"zone-{expected[3][1]}" not in seen


def test_a_popup_says_to_what_it_measures(visit: Visit) -> None:
    visit.ask("geofenceMap.open('P023'), null")
    words = visit.page.inner_text(".popup")
    assert "Nearest zones, as drawn" in words


def test_a_click_on_a_zone_tells_its_rule_and_source(visit: Visit) -> None:
    visit.ask("geofenceMap.map.setZoom(19, {animate: false}), null")
    lon, lat = TO_DEGREES.transform(560_055.0, 5_900_025.0)
    place = visit.ask(
        f"""(() => {{ const point = geofenceMap.map.latLngToContainerPoint([{lat}, {lon}]);
        const frame = geofenceMap.map.getContainer(); const box = frame.getBoundingClientRect();
        return [box.left + frame.clientLeft + point.x, box.top + frame.clientTop + point.y]; }})()"""
    )
    visit.page.mouse.click(*place)
    seen = visit.numbers("zone")
    assert (seen["name"], seen["rule"], seen["source"]) == ("Barrow", "consult", "none stated")


def test_the_reach_is_drawn_as_far_as_it_goes(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    """(a) a disc of 6 m about a point: its pixels' area, by the scale of the map there."""
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, zones=plan.zones[3:], relief=None), path)
    with opened(browser, path) as visit:
        for layer in ("Boundary", "Bays", "Posts", "Findings"):
            visit.page.get_by_role("checkbox", name=layer).uncheck()
        lon, lat = TO_DEGREES.transform(560_020.0, 5_900_010.0)
        visit.ask(f"geofenceMap.map.setView([{lat}, {lon}], 20, {{animate: false}}), null")
        metres = 40_075_016.686 / 256 * np.cos(np.radians(lat)) / 2**20
        below = int(6.0 / metres) + 4  # its name stands below that
        pixels = visit.ask(f"""(() => {{
            const canvas = document.querySelector("canvas.sheet");
            const rows = Math.round(canvas.height / 2 + {below});
            const {{ data }} = canvas.getContext("2d").getImageData(0, 0, canvas.width, rows);
            let count = 0;
            for (let at = 3; at < data.length; at += 4) count += data[at] > 20;
            return count;
        }})()""")
        # Half of the rim's width lies outside.
        assert np.sqrt(pixels / np.pi) * metres - 0.65 * metres == pytest.approx(6.0, rel=0.005)


def test_hostile_zones_are_shown_and_do_nothing(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    text = " ".join(HOSTILE)
    hostile = replace(plan.zones[2], name=text, source=text, rule="unheard-of")
    path = tmp_path / "map.html"
    OUTPUT.write(replace(hostile_plan(), zones=(hostile,)), path)
    with opened(browser, path) as visit:
        assert text in str(visit.page.text_content('#legend [data-layer="zones"] li'))
        visit.ask("geofenceMap.open('P010'), null")
        assert visit.numbers("post")["zone-0"].endswith(" m")


def test_contours_are_a_layer_with_their_levels(visit: Visit, browser: Browser, tmp_path: Path) -> None:
    """(a) the made-up hill is 20 m high: lines every metre, every fifth heavy and labelled."""
    assert visit.ask("geofenceMap.drawn().contours") > 10
    assert "every 1 m" in visit.page.inner_text('#legend [data-layer="contours"]')
    assert {"85", "90"} & set(visit.ask("geofenceMap.drawn().labels"))
    visit.page.get_by_role("checkbox", name="Contours").uncheck()
    assert "contours" not in visit.ask("geofenceMap.drawn()")
    path = tmp_path / "bare.html"
    OUTPUT.write(made_up_plan(relief=False), path)
    with opened(browser, path) as bare:
        assert bare.page.locator('#legend [data-layer="contours"]').count() == 0
        assert bare.ask("geofenceMap.shown()") == ["bays", "boundary", "findings", "posts"]


def test_a_contour_lies_where_the_ground_has_its_level(visit: Visit, plan: FencePlan) -> None:
    """(a) the made-up hill: exp(-r^2 / 900) about cell 60, 50 has level 90 at r = sqrt(900 ln 2) cells."""
    relief = plan.relief
    assert relief is not None
    radius = np.sqrt(900 * np.log(2))
    column, row = 60 + radius, 50
    lon = relief.west_deg + (column + 0.5) / 160 * (relief.east_deg - relief.west_deg)
    lat = relief.north_deg - (row + 0.5) / 120 * (relief.north_deg - relief.south_deg)
    nearest = visit.ask(
        f"""(() => {{
        const [x, y] = geofence.project({lon}, {lat});
        const data = JSON.parse(document.getElementById("contour-data").textContent);
        const box = JSON.parse(document.getElementById("terrain-data").textContent);
        const [west, north] = geofence.project(box.west_deg, box.north_deg);
        const [east, south] = geofence.project(box.east_deg, box.south_deg);
        const {{ lines }} = new geofence.Contours(data, {{ west, north, east, south }});
        const line = lines.find((one) => one.levelM === 90);
        let best = Infinity;
        for (let at = 1; at < line.x.length; at++) {{
            const piece = [line.x[at - 1], line.y[at - 1], line.x[at], line.y[at]];
            best = Math.min(best, geofence.segmentDistance(x, y, ...piece));
        }}
        return best / ((east - west) / 160);
    }})()"""
    )
    # Smoothing pushes a round hill's side by a fraction of a cell.
    assert nearest < 0.6
