"""The tape on the map, held against pyproj, and the link that restores a view."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser
from pyproj import Geod

from geofence.plan import FencePlan, Parameter
from tests.outputs.pages import Visit, opened
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser
WGS84 = Geod(ellps="WGS84")
SEPARATION_M = 1920.0
"""Of an invented geoid, so high that a forgotten scale would show: 0.03 %."""


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    plan = made_up_plan()
    separation = {"job.geoid_separation_m": Parameter(value=SEPARATION_M, origin="job")}
    return replace(plan, parameters={**plan.parameters, **separation})


def height_m(plan: FencePlan) -> float:
    return float(plan.stations.ground_level_m.mean()) + SEPARATION_M


def scale(plan: FencePlan) -> float:
    """(a) 1 + h / R, R the mean radius of curvature at the latitude of the plan."""
    a, f = WGS84.a, WGS84.f
    e2 = f * (2 - f)
    sine = np.sin(np.radians(plan.places.lat_deg[0]))
    return float(1 + height_m(plan) / (a * np.sqrt(1 - e2) / (1 - e2 * sine**2)))


@pytest.mark.parametrize("lat_deg", [-64.0, 0.0, 12.5, 47.3, 70.0])
@pytest.mark.parametrize("reach_deg", [0.0002, 0.01, 0.3])
def test_the_tape_agrees_with_pyproj(visit: Visit, plan: FencePlan, lat_deg: float, reach_deg: float) -> None:
    """(c) Karney's geodesics: asked for is 0.1 %; found are 2 parts in ten million, up to rings of 50 km."""
    ring = [(lat_deg + reach_deg * y, 13.0 + reach_deg * x) for x, y in ((0, 0), (1, 0.2), (1.3, 0.9), (0.4, 1.1))]
    there = [{"lat": lat, "lng": lng} for lat, lng in ring]
    ask = "([places, height]) => { const earth = new geofence.Earth(height); return [0, 1, 2].map((row) => "
    ask += "earth.distance(places[row], places[row + 1])).concat([earth.area(places)]); }"
    *stretches, area = visit.page.evaluate(ask, [there, 0.0])
    lats, lngs = [lat for lat, _ in ring], [lng for _, lng in ring]
    assert stretches == pytest.approx(WGS84.line_lengths(lngs, lats), rel=2e-7)
    # Sides that are straight on the map of the area are not quite geodesics.
    assert area == pytest.approx(abs(WGS84.polygon_area_perimeter(lngs, lats)[0]), rel=2e-5)
    *high, high_area = visit.page.evaluate(ask, [there, height_m(plan)])
    factor = high[0] / stretches[0]
    assert factor == pytest.approx(scale(plan), abs=3e-6)
    assert high_area / area == pytest.approx(factor**2, abs=1e-6)


def test_points_set_by_hand_are_measured_on_the_ground(visit: Visit, plan: FencePlan) -> None:
    visit.page.click("#measure")
    names = ("P001", "P025", "P040")
    for name in names:
        place = visit.ask(f"geofenceMap.screen('{name}')")
        visit.page.mouse.click(place["x"] + 2, place["y"] + 2)
    assert visit.page.locator(".popup").count() == 0
    rows = [plan.post_names.index(name) for name in names]
    lon, lat = plan.places.lon_deg[rows], plan.places.lat_deg[rows]
    # A click beside a post takes the post.
    distance_m = WGS84.line_length(lon, lat) * scale(plan)
    measured = visit.ask("geofenceMap.measured()")
    assert measured["distanceM"] == pytest.approx(distance_m, abs=2e-3)
    area_m2 = abs(WGS84.polygon_area_perimeter(lon, lat)[0]) * scale(plan) ** 2
    assert measured["areaM2"] == pytest.approx(area_m2, rel=1e-3)
    shown = visit.page.inner_text("#measure-result")
    assert f"Distance {distance_m:.2f} m" in shown
    assert "Area " in shown
    stated = visit.page.inner_text("#measure-scale")
    assert f"{height_m(plan):.0f} m above the ellipsoid (× {scale(plan):.7f}" in stated
    assert "× 0.99960000" in stated


def test_the_tape_works_by_keyboard_and_goes_away(visit: Visit) -> None:
    visit.page.click("#measure")
    visit.page.focus(".folium-map")
    visit.page.keyboard.press("Enter")
    visit.ask("geofenceMap.map.panBy([200, 0], {animate: false}), null")
    visit.page.keyboard.press("Enter")
    assert visit.page.inner_text("#measure-result").startswith("Distance ")
    visit.page.keyboard.press("Backspace")
    assert visit.page.inner_text("#measure-result") == "One point set. Set the next."
    visit.page.keyboard.press("Escape")
    assert not visit.page.is_visible("#measure-panel")
    assert visit.page.get_attribute("#measure", "aria-pressed") == "false"
    visit.click("P010", 22)
    assert visit.numbers("post")["post"] == "P010"


def test_a_way_that_crosses_itself_has_no_area(visit: Visit) -> None:
    visit.page.click("#measure")
    for x, y in ((300, 200), (600, 500), (600, 200), (300, 500)):
        visit.page.mouse.click(x, y)
    assert "crosses itself: no area" in visit.page.inner_text("#measure-result")


def view_of(visit: Visit) -> dict[str, Any]:
    found: dict[str, Any] = visit.ask("""(() => {
        const centre = geofenceMap.map.getCenter();
        return {
            view: [geofenceMap.map.getZoom(), centre.lat, centre.lng],
            section: geofenceMap.section.view(), shown: geofenceMap.shown(),
            picked: geofenceMap.section.picked(),
        };
    })()""")
    return found


def test_a_link_restores_the_view(browser: Browser, file: Path, visit: Visit) -> None:
    assert "#" not in visit.page.url
    visit.page.get_by_role("checkbox", name="Terrain").uncheck()
    visit.click("P012", 21.5)
    visit.numbers("post")
    visit.page.wait_for_timeout(600)
    visit.ask("geofenceMap.section.look(12, 31), null")
    visit.page.click("#copy-link")
    link, before = visit.page.url, view_of(visit)
    assert "open=P012" in link
    with opened(browser, file, link=link.split("#")[1]) as other:
        assert other.numbers("post")["post"] == "P012"
        after = view_of(other)
        assert after["view"] == pytest.approx(before["view"], abs=2e-7)
        assert after["section"] == pytest.approx(before["section"], abs=0.01)
        assert (after["shown"], after["picked"]) == (before["shown"], before["picked"])
        assert "terrain" not in after["shown"]


def test_a_link_to_a_finding_opens_it(browser: Browser, file: Path) -> None:
    with opened(browser, file, link="view=20/53.24608/-2.10062&open=finding+2") as visit:
        assert visit.numbers("finding")["code"] == "post-extended"


@pytest.mark.parametrize(
    "link",
    [
        "findings-heading",
        "view=",
        "view=a/b/c",
        "view=20/95/0",
        "view=20/53",
        "view=20/53/-2&open=<b>&off=x&section=9-1",
    ],
)
def test_an_address_that_is_no_link_of_ours_does_no_harm(browser: Browser, file: Path, link: str) -> None:
    with opened(browser, file, link=link) as visit:
        assert visit.ask("geofenceMap.drawn().findings >= 0")
        assert visit.page.locator(".popup").count() == 0


def test_a_link_put_into_an_open_page_is_followed(visit: Visit) -> None:
    visit.ask("void (window.location.hash = '#view=21/53.24608/-2.10062&open=B007')")
    assert visit.numbers("bay")["bay"] == "B007"
    assert visit.ask("geofenceMap.map.getZoom()") == 21
