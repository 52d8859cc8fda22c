"""Surveyed points on the map."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geofence.outputs.map.data import map_data
from geofence.plan import FencePlan, ShotPoints
from tests.outputs.pages import Visit
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser
LEVELS = np.array([81.2345, -1.25, 79.0])


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    """Points half a metre north of the first, and six and eight metres north of the fifth and eighth post."""
    plan = made_up_plan()
    north = np.array([0.5, 6.0, 8.0]) / 111_200
    rows = [0, 4, 7]
    shot = ShotPoints(
        lon_deg=plan.places.lon_deg[rows], lat_deg=plan.places.lat_deg[rows] + north, level_m=LEVELS, reach_m=41.27
    )
    return replace(plan, shot=shot)


def test_points_are_drawn_with_levels_close_up_and_hidden_on_ask(visit: Visit) -> None:
    visit.ask("geofenceMap.view('P005', 21), null")
    drawn = visit.ask("geofenceMap.drawn()")
    assert drawn["survey"] == 3
    assert {"-1.25", "79.00"} <= set(drawn["labels"])
    visit.ask("geofenceMap.view('P005', 19), null")
    assert not {"-1.25", "79.00"} & set(visit.ask("geofenceMap.drawn().labels"))
    visit.page.get_by_label("Survey points").uncheck()
    assert "survey" not in visit.ask("geofenceMap.drawn()")


def test_a_click_tells_the_level(visit: Visit) -> None:
    visit.ask("geofenceMap.view('P005', 21), null")
    visit.page.wait_for_timeout(100)
    place = visit.ask(
        """(() => {
            const map = geofenceMap.map;
            const post = geofenceMap.screen('P005');
            const metres = 40075016.686 * Math.cos(map.getCenter().lat * Math.PI / 180) / (256 * 2 ** map.getZoom());
            return { x: post.x, y: post.y - 6 / metres };
        })()"""
    )
    visit.page.mouse.click(place["x"], place["y"])
    popup = visit.page.locator("article[data-part=shot]")
    assert popup.locator("[data-field=level_m]").inner_text() == "-1.250 m"
    assert float(popup.locator("[data-field=lat_deg]").inner_text().removesuffix(" °")) == pytest.approx(
        made_up_plan().places.lat_deg[4] + 6 / 111_200, abs=1e-8
    )


def test_legend_says_how_far_from_the_line(visit: Visit) -> None:
    text = visit.page.locator("#legend [data-layer=survey]").inner_text()
    assert "3 points" in text
    assert "41.3 m" in text


def test_a_plan_on_a_raster_has_no_such_layer() -> None:
    assert map_data(made_up_plan())["shot"] is None
