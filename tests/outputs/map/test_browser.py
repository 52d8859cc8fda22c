"""The map as its reader meets it: opened from a file in chromium, with no network."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import folium
import numpy as np
import pytest
from playwright.sync_api import Browser

from geofence.engine.records import Fence, Finding
from geofence.outputs.map.page import OUTPUT, view
from geofence.plan import FencePlan
from tests.outputs.pages import DESKTOP, PHONE, Visit, opened
from tests.plans import HOSTILE, hostile_plan, made_up_plan

pytestmark = pytest.mark.browser
LEG_LABELS = "geofenceMap.drawn().labels.filter((label) => label.startsWith('Leg'))"


def first_posts(plan: FencePlan, count: int) -> FencePlan:
    """The plan cut down to its first posts and the bays between them, without findings."""

    def cut(table: Any, rows: int) -> Any:
        return replace(table, **{item.name: getattr(table, item.name)[:rows] for item in fields(table)})

    fence: Fence = replace(
        plan.fence, posts=cut(plan.fence.posts, count), bays=cut(plan.fence.bays, count - 1), findings=()
    )
    (run,) = plan.runs
    posts = np.arange(count)
    part = replace(run, posts=posts, chainage_m=run.chainage_m[posts], bays=posts[:-1], legs=np.arange(1))
    return replace(plan, fence=fence, places=cut(plan.places, count), legs=cut(plan.legs, 1), runs=(part,))


def test_it_opens_from_a_file_and_shows_the_plan(visit: Visit, plan: FencePlan) -> None:
    assert visit.page.inner_text("#job-name") == plan.name
    facts = {str(cell.get_attribute("data-field")): cell.inner_text() for cell in visit.page.locator("#facts dd").all()}
    summary = plan.summary()
    assert facts == {
        "length_m": f"{summary['length_m']:.2f} m",
        "posts": "40",
        "bays": "39\u00a0full",
        "steps": str(summary["steps"]),
        "steepest_ground_deg": f"{summary['steepest_ground_deg']:.1f}°",
        "grid": "WGS 84 / UTM zone 30N (EPSG:32630)",
        "unit": "metre",
        "level_datum": "invented datum",
        "combined_factor": "0.99960000",
    }
    assert visit.ask("geofenceMap.shown()") == ["bays", "boundary", "contours", "findings", "posts", "terrain"]
    drawn = visit.ask("geofenceMap.drawn()")
    assert (drawn["pieces"], drawn["posts"], drawn["findings"]) == (39, 40, 2)


@pytest.mark.parametrize(("name", "zoom"), [("P001", 24), ("P013", 19), ("P040", 22)])
def test_a_click_on_a_post_shows_its_numbers(visit: Visit, plan: FencePlan, name: str, zoom: int) -> None:
    visit.click(name, zoom)
    seen = visit.numbers("post")
    row = plan.post_names.index(name)
    for column, values in plan.post_columns().items():
        if column in ("kind", "findings"):
            continue
        value = values[row]
        unit = "°" if column.endswith("_deg") else "m"
        missing = not isinstance(value, str) and math.isnan(value)
        if missing and column == "survey_distance_m":
            assert column not in seen
            continue
        wanted = value if isinstance(value, str) else "none" if missing else f"{value:.3f} {unit}"
        assert seen[column] == wanted, column
    assert seen["lat_deg"] == f"{plan.places.lat_deg[row]:.9f} °"
    assert seen["lon_deg"] == f"{plan.places.lon_deg[row]:.9f} °"
    assert seen["kind"] == ("Line post" if name == "P013" else "End post")
    bearing = visit.page.locator(".popup dt", has_text="Grid bearing").inner_text()
    # Nothing lies ahead of the last post: its bearing is that of the bay behind.
    assert bearing == ("Grid bearing of the bay behind" if name == "P040" else "Grid bearing ahead")


def test_a_click_on_a_bay_shows_its_numbers(visit: Visit, plan: FencePlan) -> None:
    visit.click("B007", 22)
    seen = visit.numbers("bay")
    for column, values in plan.bay_columns().items():
        if column in ("from_post", "to_post", "kind", "findings"):
            continue
        value = values[6]
        unit = "m²" if column.endswith("_m2") else "m"
        assert seen[column] == (value if isinstance(value, str) else f"{value:.3f} {unit}"), column
    assert seen["kind"] == "Full bay, P007 to P008"


def test_a_popup_has_a_button_that_closes_it(visit: Visit) -> None:
    for name in ("P004", "P005"):
        visit.click(name, 22)
        visit.page.get_by_role("button", name="Close", exact=True).click()
        visit.page.wait_for_selector(".popup", state="detached")


def test_the_popup_of_a_post_tells_its_findings_and_leads_to_its_neighbours(visit: Visit) -> None:
    visit.click("P004", 22)
    assert "longer than the longest stock length" in visit.numbers("post")["findings"]
    visit.page.click(".popup >> text=P005 →")
    assert visit.numbers("post")["post"] == "P005"


def test_every_post_of_a_finding_of_several_tells_it_and_counts_have_their_word(
    browser: Browser, plan: FencePlan, tmp_path: Path
) -> None:
    moved = Finding(
        code="moved", severity="note", message="2 posts", chainage_m=9.0, post=5, posts=(5, 7), value=2.0, unit="posts"
    )
    OUTPUT.write(replace(plan, fence=replace(plan.fence, findings=(moved,))), tmp_path / "map.html")
    for name, told in (("P006", True), ("P007", False), ("P008", True)):
        with opened(browser, tmp_path / "map.html") as visit:
            visit.click(name, 22)
            assert ("findings" in visit.numbers("post")) is told
    with opened(browser, tmp_path / "map.html") as visit:
        visit.page.click('.finding[data-code="moved"]')
        assert visit.numbers("finding")["value"] == "2 posts"


def test_the_pointer_names_what_it_is_on(visit: Visit) -> None:
    visit.ask("geofenceMap.view('P010', 22), null")
    place = visit.ask("geofenceMap.screen('P010')")
    visit.page.mouse.move(place["x"], place["y"])
    visit.page.wait_for_selector(".tip >> text=P010 · Line post")
    visit.page.mouse.move(place["x"] + 150, place["y"] + 150)
    visit.page.wait_for_selector(".tip", state="detached")


def test_switching_a_layer_off_takes_it_from_the_sheet_and_the_legend(visit: Visit) -> None:
    before = visit.sheet()
    for layer in ("Terrain", "Boundary", "Bays", "Posts", "Findings"):
        box = visit.page.get_by_role("checkbox", name=layer)
        box.uncheck()
        assert layer.lower() not in visit.ask("geofenceMap.shown()")
        assert visit.sheet() != before, layer
        assert visit.page.locator(f'#legend [data-layer="{layer.lower()}"].off').count() == 1
        box.check()
        assert visit.sheet() == before, layer
        assert visit.page.locator("#legend .off").count() == 0


def test_posts_that_are_switched_off_cannot_be_clicked(visit: Visit) -> None:
    visit.page.get_by_role("checkbox", name="Posts").uncheck()
    visit.click("P010", 22)
    assert visit.numbers("bay")["bay"] in ("B009", "B010")


def test_a_finding_in_the_list_moves_the_map_and_opens(visit: Visit, plan: FencePlan) -> None:
    visit.ask("geofenceMap.view('P040', 19), null")
    visit.page.click('.finding[data-code="post-extended"]')
    seen = visit.numbers("finding")
    assert seen["message"] == "The post is longer than the longest stock length."
    assert (seen["value"], seen["limit"], seen["chainage_m"]) == ("3.12 m", "2.70 m", "5.66 m")
    centre = visit.ask("(({lat, lng}) => [lat, lng])(geofenceMap.map.getCenter())")
    # The popup may push the map a little: a few metres at this zoom.
    assert centre == pytest.approx([plan.places.lat_deg[3], plan.places.lon_deg[3]], abs=5e-5)
    assert visit.ask("geofenceMap.map.getZoom()") >= 21
    visit.page.click(".popup >> text=Numbers of P004")
    assert visit.numbers("post")["post"] == "P004"


def test_findings_are_listed_worst_first_and_filtered_by_severity(visit: Visit) -> None:
    codes = "[...document.querySelectorAll('.finding')].map((one) => one.dataset.code)"
    assert visit.ask(codes) == ["gap-over-limit", "post-extended", "grid-chosen"]
    visit.page.get_by_role("button", name="Warn 1").click()
    assert visit.ask(codes) == ["gap-over-limit", "grid-chosen"]
    assert visit.page.inner_text("#findings-status") == "2 of 3 listed, worst first"
    visit.page.get_by_role("button", name="Stop 1").click()
    visit.page.get_by_role("button", name="Note 1").click()
    assert visit.ask(codes) == []
    assert visit.page.is_disabled("#finding-next")


def test_the_keyboard_walks_through_findings_on_the_map_and_in_the_list(visit: Visit) -> None:
    whole = visit.ask("geofenceMap.map.getZoom()")
    visit.page.focus(".folium-map")
    visit.page.keyboard.press("n")
    assert visit.numbers("finding")["code"] == "gap-over-limit"
    visit.page.keyboard.press("n")
    assert visit.numbers("finding")["code"] == "post-extended"
    visit.page.keyboard.press("p")
    assert visit.numbers("finding")["code"] == "gap-over-limit"
    visit.page.focus('.finding[data-code="gap-over-limit"]')
    visit.page.keyboard.press("ArrowDown")
    assert visit.numbers("finding")["code"] == "post-extended"
    assert visit.ask("document.activeElement.dataset.code") == "post-extended"
    assert visit.page.inner_text("#findings-status").startswith("2 of 3: ")
    visit.page.keyboard.press("Tab")
    assert visit.ask("document.activeElement.id") == "finding-previous"
    visit.page.keyboard.press("Escape")
    visit.page.focus("#finding-next")
    visit.page.keyboard.press("Enter")
    # A finding of the whole plan has no place: the whole plan is shown.
    visit.page.wait_for_selector(".popup", state="detached")
    assert visit.ask("geofenceMap.map.getZoom()") == whole
    assert visit.page.inner_text("#findings-status").startswith("3 of 3: ")


def test_go_to_finds_posts_bays_and_chainages(visit: Visit) -> None:
    """(a) 10.0 / 1.885 = 5.3: the sixth bay."""
    for asked, part, name in (
        ("p7", "post", "P007"),
        ("B012", "bay", "B012"),
        ("10,0 m", "bay", "B006"),
        ("0+010", "bay", "B006"),
        ("0+073.5", "bay", "B039"),
    ):
        visit.page.fill("#goto-input", asked)
        visit.page.keyboard.press("Enter")
        assert visit.numbers(part)[part] == name
    assert visit.page.inner_text("#goto-answer") == "Showing B039, which holds 0+073.50."


@pytest.mark.parametrize("asked", ["P041", "0+74", "1+010", "10+", "", "1e1", "-3"])
def test_what_is_not_found_leaves_nothing_open(visit: Visit, asked: str) -> None:
    visit.click("P004", 22)
    visit.numbers("post")
    visit.page.fill("#goto-input", asked)
    visit.page.keyboard.press("Enter")
    assert "Type a name like P001 or B001, or a chainage from 0 to 73.5" in visit.page.inner_text("#goto-answer")
    visit.page.wait_for_selector(".popup", state="detached")
    assert visit.page.get_attribute("#goto-input", "aria-invalid") == "true"


def lengths_in_view(visit: Visit) -> bool:
    """Whether all that a crew measures can be seen in the open popup without scrolling."""
    return bool(
        visit.ask("""(() => {
        const box = document.querySelector(".leaflet-popup-content").getBoundingClientRect();
        const cue = document.querySelector(".popup-more");
        const floor = cue ? cue.getBoundingClientRect().top : box.bottom;
        const wanted = ["stock_length_m", "length_m", "height_m", "embedment_m", "support_back_m", "support_ahead_m"];
        return wanted.every((name) => {
            const cell = document.querySelector(`.popup [data-field="${name}"]`).getBoundingClientRect();
            return cell.top >= box.top - 1 && cell.bottom <= floor + 1 && cell.right <= box.right + 1;
        });
    })()""")
    )


def beside_the_popup(visit: Visit) -> float:
    """Room between the popup and the nearer side of the map, pixels; negative where it is cut off."""
    return float(
        visit.ask("""(() => {
        const box = (name) => document.querySelector(name).getBoundingClientRect();
        const [map, popup] = [box(".folium-map"), box(".leaflet-popup")];
        return Math.min(popup.left - map.left, map.right - popup.right);
    })()""")
    )


@pytest.mark.parametrize("size", [(375, 667), (375, 812), (320, 640)])
def test_on_a_phone_a_crew_sees_its_lengths_first_and_that_there_is_more(
    browser: Browser, file: Path, size: tuple[int, int]
) -> None:
    with opened(browser, file, size, has_touch=True, is_mobile=True, reduced_motion="reduce") as visit:
        visit.ask("geofenceMap.open('P004'), null")
        visit.page.wait_for_timeout(100)
        assert lengths_in_view(visit)
        assert beside_the_popup(visit) >= 0
        for _ in range(6):
            visit.ask("document.querySelector('.popup-more').click()")
            visit.page.wait_for_timeout(30)
        assert visit.page.locator(".popup-more.done").count() == 1
        assert visit.page.get_by_role("button", name="P005 →").is_visible()


def test_on_a_desk_a_popup_shows_all_at_once(browser: Browser, file: Path) -> None:
    for size in (DESKTOP, (1280, 720)):
        with opened(browser, file, size) as visit:
            visit.click("P010", 22)
            visit.numbers("post")
            assert lengths_in_view(visit)
            assert visit.page.locator(".popup-more").count() == 0


def test_a_full_turn_is_shown_as_nothing(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    """(a) 359.998 degrees to two decimals, and 359.9996 to three, are due north."""
    bearing = plan.places.bearing_deg.copy()
    bearing[3] = 359.9996
    legs = replace(plan.legs, bearing_deg=np.array([359.998, 359.9996]))
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, legs=legs, places=replace(plan.places, bearing_deg=bearing)), path)
    with opened(browser, path) as visit:
        assert [label[-6:] for label in visit.ask(LEG_LABELS)] == [" 0.00°"] * 2
        visit.page.click("#legs summary")
        bearings = [row.inner_text() for row in visit.page.locator("#legs-body td:nth-child(4)").all()]
        assert bearings == ["359.998", "0.000"]
        visit.click("P004", 22)
        assert visit.numbers("post")["bearing_deg"] == "0.000 °"


def test_columns_of_sloping_and_wired_fences_are_shown_where_there_are_any(
    browser: Browser, plan: FencePlan, tmp_path: Path
) -> None:
    slope_length_m = np.where(np.arange(39) == 4, np.nan, 1.9)
    bays = replace(plan.fence.bays, slope_length_m=slope_length_m, cut_angle_deg=np.full(39, -6.25))
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, bays=bays)), path)
    with opened(browser, path) as visit:
        visit.click("B008", 22)
        seen = visit.numbers("bay")
        assert (seen["slope_length_m"], seen["cut_angle_deg"]) == ("1.900 m", "-6.250 °")
        visit.click("B005", 22)
        assert "slope_length_m" not in visit.numbers("bay")
        assert "sag_m" not in seen


def test_a_post_tells_which_way_its_wires_pull(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    posts = replace(plan.fence.posts, uplift_kn=np.where(np.arange(40) == 7, -0.25, 0.5))
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, posts=posts)), path)
    with opened(browser, path) as visit:
        for name, told in (("P007", "Pulled up by wires 0.500 kN"), ("P008", "Pressed down by wires 0.250 kN")):
            visit.ask(f"geofenceMap.open('{name}'), null")
            assert told in " ".join(visit.page.inner_text(".leaflet-popup .popup").split())


def two_stretches(plan: FencePlan) -> FencePlan:
    """The plan without its findings and without the bay between P020 and P021."""
    bays = plan.fence.bays
    kept = np.delete(np.arange(39), 19)
    cut = {item.name: getattr(bays, item.name) for item in fields(bays)}
    cut = {name: [column[row] for row in kept] if len(column) == 39 else column for name, column in cut.items()}
    fence = replace(plan.fence, bays=replace(bays, **(cut | {"kind": tuple(cut["kind"])})), findings=())
    (whole,) = plan.runs
    runs = tuple(
        replace(whole, posts=posts, chainage_m=whole.chainage_m[posts], bays=own, stations=posts)
        for posts, own in ((np.arange(20), np.arange(19)), (np.arange(20, 40), np.arange(19, 38)))
    )
    return replace(plan, fence=fence, runs=runs)


def test_each_stretch_of_a_fence_has_its_last_post(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    OUTPUT.write(two_stretches(plan), path)
    with opened(browser, path) as visit:
        drawn = visit.ask("geofenceMap.drawn()")
        assert (drawn["pieces"], drawn["posts"]) == (38, 40)
        visit.click("P020", 22)
        assert visit.numbers("post")["post"] == "P020"
        assert visit.page.locator(".popup dt", has_text="of the bay behind").count() == 1


def test_leg_labels_show_once_there_is_room(visit: Visit) -> None:
    assert visit.ask(LEG_LABELS) == ["Leg 1 · 37.70 m · 45.00°", "Leg 2 · 35.81 m · 58.09°"]
    visit.ask("geofenceMap.map.setZoom(15, {animate: false}), null")
    assert visit.ask(LEG_LABELS) == []
    visit.ask("geofenceMap.view('P010', 23), null")
    labels = visit.ask("geofenceMap.drawn().labels")
    assert "P010" in labels
    assert any(label.startswith("1.885 m · gap 0.") for label in labels)


def test_a_corner_has_its_name_before_the_line_post_beside_it(
    browser: Browser, plan: FencePlan, tmp_path: Path
) -> None:
    kind = [*plan.fence.posts.kind]
    kind[12] = "corner"
    lon_deg, lat_deg = plan.places.lon_deg.copy(), plan.places.lat_deg.copy()
    for place in (lon_deg, lat_deg):
        place[12] = 0.8 * place[11] + 0.2 * place[12]
    fence = replace(plan.fence, posts=replace(plan.fence.posts, kind=tuple(kind)))
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=fence, places=replace(plan.places, lon_deg=lon_deg, lat_deg=lat_deg)), path)
    with opened(browser, path) as visit:
        visit.ask("geofenceMap.view('P013', 21.5), null")
        names = set(visit.ask("geofenceMap.drawn().labels"))
        assert "P013" in names
        assert "P012" not in names


def test_a_leg_is_named_only_where_its_name_can_be_read(visit: Visit, plan: FencePlan) -> None:
    """A corner of the map shows too little of the leg; the canvas reaches further, but nobody sees a name there."""
    legs = plan.legs
    lat, lon = (legs.lat_from_deg[0] + legs.lat_to_deg[0]) / 2, (legs.lon_from_deg[0] + legs.lon_to_deg[0]) / 2
    visit.ask(f"geofenceMap.map.setView([{lat}, {lon}], 23, {{ animate: false }}), null")
    assert visit.ask(LEG_LABELS) == ["Leg 1 · 37.70 m · 45.00°"]
    visit.ask(
        "geofenceMap.map.panBy(geofenceMap.map.getSize().divideBy(2).subtract([20, 20]), { animate: false }), null"
    )
    assert visit.ask(LEG_LABELS) == []


def test_a_bay_over_a_limit_is_never_thinned_away(browser: Browser, tmp_path: Path) -> None:
    """Two thousand bays on a few hundred pixels: the one that must not be built still shows its own colour."""
    path = tmp_path / "map.html"
    OUTPUT.write(made_up_plan(2000, relief=False), path)
    with opened(browser, path) as visit:
        assert visit.ask("geofenceMap.drawn().pieces") < 1000
        count = """(colour) => {
            const canvas = document.querySelector("canvas.sheet");
            const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
            let count = 0;
            for (let at = 0; at < data.length; at += 4) count += colour.every((part, step) => data[at + step] === part);
            return count;
        }"""
        visit.page.get_by_role("checkbox", name="Findings").uncheck()
        assert visit.page.evaluate(count, [213, 94, 0]) > 0


def test_hostile_names_are_shown_and_do_nothing(browser: Browser, tmp_path: Path) -> None:
    plan = hostile_plan()
    path = tmp_path / "map.html"
    OUTPUT.write(plan, path)
    with opened(browser, path, PHONE) as visit:
        assert visit.page.text_content("#job-name") == plan.name
        assert visit.page.text_content('[data-field="level_datum"]') == HOSTILE[0]
        assert visit.page.text_content('[data-field="grid"]') == f"{HOSTILE[2]} (EPSG:32630)"
        visit.page.click('.finding[data-code="invented"]')
        assert visit.numbers("finding")["message"] == f"{plan.name}."
        visit.click("P003", 22)
        assert plan.name in visit.numbers("post")["findings"]
        assert visit.ask("document.documentElement.scrollWidth") <= PHONE[0]
        assert visit.ask("document.querySelectorAll('.finding b, #job-name *').length") == 0


def test_on_a_phone_all_layers_can_be_chosen_without_scrolling(browser: Browser, file: Path) -> None:
    with opened(browser, file, PHONE, has_touch=True, is_mobile=True, reduced_motion="reduce") as visit:
        visit.page.focus(".leaflet-control-layers-toggle")
        visit.page.keyboard.press("Enter")
        rows = visit.ask("""[...document.querySelectorAll(".leaflet-control-layers label")].map((row) => {
            const [box, word] = row.querySelectorAll("input, input + span");
            return [row.offsetHeight, word.getBoundingClientRect().left - box.getBoundingClientRect().right];
        })""")
        assert len(rows) == 6
        assert all(height >= 40 and 4 <= apart <= 8 for height, apart in rows)
        listed = "document.querySelector('.leaflet-control-layers-list')"
        assert visit.ask(f"{listed}.scrollHeight <= {listed}.clientHeight")


def test_a_phone_has_the_map_first_and_no_sideways_scroll(browser: Browser, file: Path) -> None:
    with opened(browser, file, PHONE, has_touch=True, is_mobile=True) as visit:
        assert visit.ask("document.documentElement.scrollWidth") <= PHONE[0]
        tops = visit.ask("['.map-frame', '#findings-list'].map((one) => document.querySelector(one).offsetTop)")
        assert tops[0] < 200 < tops[1]
        visit.ask("geofenceMap.view('P013', 21), null")
        place = visit.ask("geofenceMap.screen('P013')")
        visit.page.touchscreen.tap(place["x"], place["y"])
        assert visit.numbers("post")["post"] == "P013"


@pytest.mark.parametrize("case", ["no relief", "two posts", "no findings"])
def test_sparse_plans_open(browser: Browser, plan: FencePlan, tmp_path: Path, case: str) -> None:
    cases = {
        "no relief": lambda: made_up_plan(relief=False),
        "two posts": lambda: first_posts(plan, 2),
        "no findings": lambda: replace(plan, fence=replace(plan.fence, findings=())),
    }
    sparse = cases[case]()
    path = tmp_path / "map.html"
    OUTPUT.write(sparse, path)
    with opened(browser, path) as visit:
        visit.click("P002", 22)
        assert visit.numbers("post")["chainage_m"] == "1.885 m"
        assert visit.ask("geofenceMap.shown().includes('terrain')") == (case != "no relief")
        if case != "no relief":
            assert "Nothing found" in visit.page.inner_text("#findings-status")


def test_thousands_of_findings_are_listed_a_hundred_at_a_time(
    browser: Browser, plan: FencePlan, tmp_path: Path
) -> None:
    many = tuple(
        Finding(code=f"f{number}", severity="note", message="Look", chainage_m=number / 40) for number in range(2500)
    )
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, findings=many)), path)
    with opened(browser, path) as visit:
        assert visit.page.locator(".finding").count() == 100
        visit.page.click("#findings-more")
        assert visit.page.locator(".finding").count() == 200
        # Backwards from the start is the last one, wherever the list has got to.
        visit.page.click("#finding-previous")
        assert visit.numbers("finding")["code"] == "f2499"


def test_paper_gets_a_map_of_its_own_width(visit: Visit) -> None:
    before = visit.ask("geofenceMap.map.getSize().x")
    order = "[...document.querySelectorAll('.margin > section > h2')].map((one) => one.textContent)"
    on_screen = visit.ask(order)
    visit.ask("window.dispatchEvent(new Event('beforeprint')), null")
    assert visit.ask("geofenceMap.map.getSize().x") < 700
    assert visit.ask("geofenceMap.drawn().pieces") == 39
    # A crew must not have to turn the page for the cautions, however many findings there are.
    assert visit.ask(order) == ["At a glance", "Before anyone digs", "Legend"]
    assert visit.page.is_visible("text=Order an extension.")
    visit.ask("window.dispatchEvent(new Event('afterprint')), null")
    assert visit.ask("geofenceMap.map.getSize().x") == before
    assert visit.ask(order) == on_screen
    assert not visit.page.is_visible("text=Order an extension.")


def sheets(visit: Visit) -> int:
    """How many sheets of paper the page takes; (c) counted in the PDF that chromium makes."""
    return visit.page.pdf(prefer_css_page_size=True).count(b"/Type /Page\n")


def test_findings_stay_whole_on_the_sheets_after_the_map(
    browser: Browser, visit: Visit, plan: FencePlan, tmp_path: Path
) -> None:
    assert sheets(visit) == 2
    visit.ask("window.dispatchEvent(new Event('beforeprint')), null")
    # A few of them share the second sheet with the section.
    assert visit.page.locator(".section-frame.new-sheet + .findings-block.on-second").count() == 1
    clean = tmp_path / "clean.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, findings=())), clean)
    with opened(browser, clean) as nothing_found:
        assert sheets(nothing_found) == 1
    many = tuple(
        Finding(code=f"f{number}", severity="note", message="Look", remedy="Look again.", bay=number % 39)
        for number in range(120)
    )
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, fence=replace(plan.fence, findings=many)), path)
    with opened(browser, path) as crowded:
        assert 4 <= sheets(crowded) <= 6
        crowded.ask("window.dispatchEvent(new Event('beforeprint')), null")
        assert crowded.page.locator(".findings-block.new-sheet .finding").count() == 120
        assert crowded.ask("document.querySelector('.map-frame').offsetHeight") > 340


def test_a_step_of_zoom_draws_the_sheet_once(visit: Visit) -> None:
    assert (
        visit.ask("""(() => {
        const cleared = CanvasRenderingContext2D.prototype.clearRect;
        let drawn = 0;
        CanvasRenderingContext2D.prototype.clearRect = function (...box) { drawn++; cleared.apply(this, box); };
        geofenceMap.map.setZoom(geofenceMap.map.getZoom() + 1, { animate: false });
        return drawn;
    })()""")
        == 1
    )


def test_the_sheet_lies_on_whole_pixels(visit: Visit) -> None:
    """Between them words and thin lines are blurred."""
    for name, zoom in (("P003", 19), ("P017", 20.5), ("P031", 22)):
        visit.ask(f"geofenceMap.view('{name}', {zoom}), null")
        laid = visit.ask("""(() => {
            const { e, f } = new DOMMatrixReadOnly(document.querySelector("canvas.sheet").style.transform);
            return [e % 1, f % 1];
        })()""")
        assert [abs(part) for part in laid] == [0, 0]


def test_less_motion_is_honoured(browser: Browser, file: Path) -> None:
    with opened(browser, file, reduced_motion="reduce") as visit:
        assert visit.ask("geofenceMap.map.options.zoomAnimation") is False


def test_markers_that_others_add_need_no_network(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    page = view(plan)
    place = [float(plan.places.lat_deg[5]), float(plan.places.lon_deg[5])]
    marker = folium.Marker(place)
    marker.add_to(page)
    path = tmp_path / "map.html"
    page.save(str(path))
    with opened(browser, path) as visit:
        assert visit.ask("document.querySelector('.leaflet-marker-icon').naturalWidth") == 25


def test_a_picture_lies_where_its_box_says(browser: Browser, plan: FencePlan, tmp_path: Path) -> None:
    """(a) terrain that is known in one place only: what is drawn of it has its middle there, to half a cell."""
    relief = plan.relief
    assert relief is not None
    level = np.full((60, 80), np.nan, dtype=np.float32)
    level[20:25, 50:57] = 90.0
    path = tmp_path / "map.html"
    OUTPUT.write(replace(plan, relief=replace(relief, level_m=level)), path)
    with opened(browser, path) as visit:
        for layer in ("Boundary", "Bays", "Posts", "Findings"):
            visit.page.get_by_role("checkbox", name=layer).uncheck()
        visit.ask("geofenceMap.map.setZoom(17, {animate: false}), null")
        found = visit.ask("""(() => {
            const canvas = document.querySelector("canvas.sheet");
            const { data, width } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
            let [x, y, count] = [0, 0, 0];
            for (let at = 0; at < data.length; at += 4) {
                if (data[at + 3] < 128) continue;
                x += (at / 4) % width; y += Math.floor(at / 4 / width); count += 1;
            }
            const box = canvas.getBoundingClientRect();
            const frame = geofenceMap.map.getContainer();
            const map = frame.getBoundingClientRect();
            const [left, top] = [map.left + frame.clientLeft, map.top + frame.clientTop];
            const point = [box.left - left + x / count + 0.5, box.top - top + y / count + 0.5];
            const place = geofenceMap.map.containerPointToLatLng(point);
            return { lat: place.lat, lng: place.lng, count };
        })()""")
        assert found["count"] > 100
        cell_deg = (relief.east_deg - relief.west_deg) / 80, (relief.north_deg - relief.south_deg) / 60
        assert found["lng"] == pytest.approx(relief.west_deg + cell_deg[0] * 53.5, abs=cell_deg[0] / 2)
        assert found["lat"] == pytest.approx(relief.north_deg - cell_deg[1] * 22.5, abs=cell_deg[1] / 2)
