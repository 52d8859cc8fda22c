"""The long-section under the map, and its tie to the map both ways."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from geofence.outputs.map.page import OUTPUT
from geofence.plan import FencePlan
from tests.outputs.pages import PHONE, Visit, opened
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser
DARK = """(() => {
    const canvas = document.querySelector("#section-canvas");
    const [left, top, width, height] = BOX;
    const { data } = canvas.getContext("2d").getImageData(left, top, width, height);
    const first = [];
    for (let x = 0; x < width; x++) {
        for (let y = 0; y < height; y++) if (data[4 * (y * width + x)] < 110) { first.push(y); break; }
    }
    return first;
})()"""
"""Of each column of a box of the section that holds ink, how far down the first is, pixels."""


def on_section(visit: Visit, name: str) -> tuple[float, float]:
    place = visit.ask(f"geofenceMap.section.screen('{name}')")
    return place["x"], place["y"]


def reading(visit: Visit) -> str:
    return visit.page.inner_text("#section-reading")


def test_a_hand_on_the_section_marks_the_same_post_on_the_map(visit: Visit) -> None:
    for name in ("P007", "P031"):
        visit.page.mouse.move(*on_section(visit, name))
        assert reading(visit).startswith(f"{name} at 0+0")
        box = visit.page.locator(".here").bounding_box()
        place = visit.ask(f"geofenceMap.screen('{name}')")
        assert box is not None
        assert (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2) == pytest.approx(
            (place["x"], place["y"]), abs=1.5
        )
    visit.page.mouse.move(5, 5)
    assert visit.page.locator(".here").count() == 0
    assert reading(visit) == ""


def test_a_hand_on_the_map_marks_the_same_post_on_the_section(visit: Visit) -> None:
    for name in ("P007", "P031"):
        place = visit.ask(f"geofenceMap.screen('{name}')")
        visit.page.mouse.move(place["x"], place["y"])
        visit.page.wait_for_selector("#section-here:not([hidden])")
        visit.until(f"document.getElementById('section-reading').textContent.startsWith('{name} ')")
        box = visit.page.locator("#section-here").bounding_box()
        assert box is not None
        assert box["x"] + box["width"] / 2 == pytest.approx(on_section(visit, name)[0], abs=1.5)


def test_the_reading_within_a_bay_is_the_ground_there(visit: Visit, plan: FencePlan) -> None:
    """(a) half way between two posts, where the made-up ground runs straight."""
    visit.ask("geofenceMap.section.look(10, 30), null")
    visit.page.mouse.move(*on_section(visit, "B010"))
    level_m = plan.fence.posts.ground_level_m[9:11].mean()
    assert reading(visit).startswith("B010 at 0+017.9")
    assert float(reading(visit).split("ground ")[1].split(" m")[0]) == pytest.approx(level_m, abs=0.02)


def test_a_click_on_the_section_opens_the_post_on_the_map(visit: Visit) -> None:
    visit.page.mouse.click(*on_section(visit, "P025"))
    assert visit.numbers("post")["post"] == "P025"
    assert visit.ask("geofenceMap.section.picked()") == {"part": "post", "row": 24}
    visit.page.click(".popup >> text=P026 →")
    assert visit.ask("geofenceMap.section.picked()") == {"part": "post", "row": 25}
    visit.page.keyboard.press("Escape")
    visit.page.wait_for_selector(".popup", state="detached")
    assert visit.ask("geofenceMap.section.picked()") is None


def test_what_is_chosen_elsewhere_comes_into_view(visit: Visit) -> None:
    visit.ask("geofenceMap.section.look(0, 10), null")
    visit.page.click('.finding[data-code="gap-over-limit"]')
    view = visit.ask("geofenceMap.section.view()")
    assert view["from"] < 20 * 1.885 < view["to"]
    assert visit.ask("geofenceMap.section.picked().part") == "finding"


def test_names_and_steps_show_once_there_is_room(visit: Visit, plan: FencePlan) -> None:
    assert visit.ask("geofenceMap.section.drawn()")["labels"] == []
    visit.ask("geofenceMap.section.look(0, 12), null")
    drawn = visit.ask("geofenceMap.section.drawn()")
    assert {"P002", "P003", "P004"} <= set(drawn["labels"])
    steps = [float(step) for step in plan.fence.bays.step_m[:6] if abs(step) > 1e-9]
    wanted = {f"{'+' if step > 0 else '−'}{abs(step):.2f}" for step in steps}
    assert wanted
    assert wanted <= set(drawn["labels"])
    # Posts in view, and the one on each side whose bay reaches in.
    assert drawn["posts"] == 8


@pytest.fixture
def long_visit(browser: Browser, tmp_path: Path) -> Iterator[Visit]:
    path = tmp_path / "map.html"
    OUTPUT.write(made_up_plan(400, relief=False), path)
    with opened(browser, path) as visit:
        yield visit


def test_the_exaggeration_is_stated_and_can_be_chosen(long_visit: Visit) -> None:
    visit = long_visit
    stated = visit.page.locator("#section-stated")
    visit.page.select_option("#section-heights", "1")
    assert stated.inner_text() == "Heights drawn × 1"
    assert visit.ask("geofenceMap.section.drawn().exaggeration") == 1
    visit.page.select_option("#section-heights", "50")
    fitting = visit.ask("geofenceMap.section.drawn().exaggeration")
    assert 1 < fitting < 50
    assert stated.inner_text() == f"Heights drawn × {fitting:g}: × 50 does not fit here"


def test_the_exaggeration_is_that_of_the_picture(long_visit: Visit) -> None:
    """(a) pixels a metre of height over pixels a metre of length, measured on the axes' own scale."""
    visit = long_visit
    visit.page.select_option("#section-heights", "2")
    scales = visit.ask("(({ pxPerMetre, scaleY }) => [pxPerMetre, scaleY])(geofenceMap.section.scale())")
    first, second = on_section(visit, "P001"), on_section(visit, "P011")
    assert (second[0] - first[0]) / 18.85 == pytest.approx(scales[0], rel=1e-6)
    assert scales[1] / scales[0] == pytest.approx(2)


def test_wheel_drag_and_buttons_move_the_section(visit: Visit) -> None:
    x, y = on_section(visit, "P020")
    visit.page.mouse.move(x, y)
    for _ in range(5):
        visit.page.mouse.wheel(0, -100)
    visit.page.wait_for_timeout(100)
    view = visit.ask("geofenceMap.section.view()")
    assert view["to"] - view["from"] == pytest.approx(39 * 1.885 / 1.25**5)
    # The place under the pointer stays under it, but for the part of a pixel that a mouse cannot be set to.
    assert on_section(visit, "P020")[0] == pytest.approx(x, abs=2.5)
    visit.page.mouse.down()
    visit.page.mouse.move(x - 60, y, steps=3)
    visit.page.mouse.up()
    assert on_section(visit, "P020")[0] == pytest.approx(x - 60, abs=3.5)
    assert visit.page.locator(".popup").count() == 0
    visit.page.click("#section-whole")
    assert visit.ask("geofenceMap.section.view()") == pytest.approx({"from": 0, "to": 39 * 1.885}, abs=0.01)


def test_the_section_can_follow_the_map(visit: Visit) -> None:
    visit.ask("geofenceMap.view('P020', 21), null")
    visit.page.click("#section-as-map")
    view = visit.ask("geofenceMap.section.view()")
    assert view["from"] < 19 * 1.885 < view["to"]
    assert view["to"] - view["from"] < 60


def test_the_keyboard_walks_along_the_posts(visit: Visit, plan: FencePlan) -> None:
    canvas = visit.page.locator("#section-canvas")
    canvas.focus()
    visit.page.keyboard.press("ArrowRight")
    visit.page.keyboard.press("PageUp")
    posts = plan.fence.posts
    spoken = (
        f"P012 at 0+0{posts.chainage_m[11]:.2f}: ground {posts.ground_level_m[11]:.3f}, "
        f"top {posts.top_level_m[11]:.3f}, toe {posts.toe_level_m[11]:.3f} m"
    )
    assert canvas.get_attribute("aria-valuetext") == spoken
    assert canvas.get_attribute("aria-valuenow") == "12"
    assert visit.page.locator(".here").count() == 1
    visit.page.keyboard.press("Enter")
    assert visit.numbers("post")["post"] == "P012"
    visit.page.keyboard.press("End")
    assert canvas.get_attribute("aria-valuenow") == "40"
    visit.page.keyboard.press("Home")
    assert canvas.get_attribute("aria-valuenow") == "1"


def test_folding_the_section_gives_its_room_to_the_map(visit: Visit) -> None:
    before = visit.ask("geofenceMap.map.getSize().y")
    visit.page.click("#section-fold")
    visit.until(f"geofenceMap.map.getSize().y > {before} + 150")
    assert visit.page.get_attribute("#section-fold", "aria-expanded") == "false"
    visit.page.click("#section-fold")
    visit.until(f"geofenceMap.map.getSize().y === {before}")


def test_a_fence_of_many_thousands_is_drawn_in_pieces(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    OUTPUT.write(made_up_plan(20_000, relief=False), path)
    with opened(browser, path) as visit:
        drawn = visit.ask("geofenceMap.section.drawn()")
        assert 100 < drawn["pieces"] < 1000
        assert drawn["posts"] == 0
        # The bay that must not be built keeps its colour among its neighbours.
        found = visit.ask("""(() => {
            const canvas = document.getElementById("section-canvas");
            const { data } = canvas.getContext("2d").getImageData(0, 40, canvas.width, canvas.height - 70);
            const over = [213, 94, 0];
            for (let at = 0; at < data.length; at += 4) {
                if (over.every((part, step) => data[at + step] === part)) return true;
            }
            return false;
        })()""")
        assert found


def test_a_phone_has_the_section_too(browser: Browser, file: Path) -> None:
    with opened(browser, file, PHONE, has_touch=True, is_mobile=True) as visit:
        assert visit.ask("document.documentElement.scrollWidth") <= PHONE[0]
        visit.page.locator("#section-canvas").scroll_into_view_if_needed()
        visit.page.touchscreen.tap(*on_section(visit, "P025"))
        assert visit.numbers("post")["post"] in ("P024", "P025", "P026")


def test_the_ground_breaks_where_the_fence_does(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    """Two stretches: chainage stands still at a cliff between them, and no line leads down it."""
    stations = plan.stations
    twice = np.sort(np.concatenate([np.arange(40), [20]]))
    level_m = stations.ground_level_m[twice] + np.where(np.arange(41) > 20, -4.0, 0.0)
    cut = {name: getattr(stations, name)[twice] for name in ("chainage_m", "easting", "northing")}
    path = tmp_path / "map.html"
    (whole,) = plan.runs
    runs = tuple(
        replace(
            whole,
            posts=posts,
            chainage_m=plan.fence.posts.chainage_m[posts],
            bays=posts[:-1],
            stations=posts + moved,
            legs=np.arange(0),
        )
        for posts, moved in ((np.arange(21), 0), (np.arange(20, 40), 1))
    )
    OUTPUT.write(replace(plan, stations=replace(stations, **cut, ground_level_m=level_m), runs=runs), path)
    with opened(browser, path) as visit:
        visit.ask("geofenceMap.section.look(30, 45), null")
        assert visit.ask("geofenceMap.section.drawn().stretches") == 2


def test_each_chainage_has_a_tick_that_can_be_seen(visit: Visit) -> None:
    """In ink: in the colour of the texts' halo it would be lost on the paper."""
    visit.ask("geofenceMap.section.look(0, 60), null")
    assert visit.ask(DARK.replace("BOX", "[0, canvas.height - 19, canvas.width, 1]")) == [0] * 7


def test_a_fence_goes_up_and_down_smoothly_however_many_bays_there_are(browser: Browser, tmp_path: Path) -> None:
    """Drawn level, blocks of three pixels would have most columns at the height of the one before."""
    plan = made_up_plan(1000)
    wave_m = 100.0 + 10.0 * np.sin(np.arange(1000) / 12.0)
    sloping = {"top_from_m": wave_m[:-1], "top_to_m": wave_m[1:]}
    under = {"underside_from_m": wave_m[:-1] - 1.8, "underside_to_m": wave_m[1:] - 1.8}
    bays = replace(plan.fence.bays, **sloping, **under)
    posts = replace(plan.fence.posts, top_level_m=wave_m)
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, bays=bays, posts=posts, findings=())), path)
    with opened(browser, path) as visit:
        visit.ask("geofenceMap.section.drawn()")
        tops = visit.ask(DARK.replace("BOX", "[62, 26, canvas.width - 80, canvas.height - 60]"))
        assert len(tops) > 800
        assert np.mean(np.diff(tops) == 0) < 0.3
