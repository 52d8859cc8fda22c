"""A network on the map: lines one after another on the long-section, each with its own chainages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from geofence.outputs.map.data import map_data
from geofence.outputs.map.lines import lines_data
from geofence.outputs.map.page import OUTPUT
from tests.networks import HOSTILE_NAMES, hostile_paddocks, paddocks, run_of
from tests.outputs.map.test_data import unpacked
from tests.outputs.pages import Visit, opened
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def visit(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visit]:
    path: Path = tmp_path_factory.mktemp("network") / "map.html"
    OUTPUT.write(paddocks(), path)
    with opened(browser, path) as page:
        yield page


class TestData:
    def test_runs_have_their_own_chainages_only_where_posts_are_shared(self) -> None:
        plan = paddocks()
        data = lines_data(plan)
        assert data["names"] == ["Home", "East", "Top", "Lane"]
        for run, told in zip(plan.runs, data["runs"], strict=True):
            posts = unpacked(told["posts"], told["count"]).astype(int)
            assert posts.tolist() == run.posts.tolist()
            chainage_m = plan.fence.posts.chainage_m[posts].copy()
            for place, metres in told["chainages"]:
                chainage_m[place] = metres
            assert chainage_m == pytest.approx(run.chainage_m, abs=5e-4)
            assert told["end_m"] == pytest.approx(plan.fence.bays.end_m[run.bays[-1]], abs=5e-4)

    def test_one_line_takes_next_to_no_room(self) -> None:
        (run,) = lines_data(made_up_plan(5000))["runs"]
        assert run["chainages"] == []
        assert len(str(run)) < 200

    def test_a_finding_lies_on_its_own_line(self) -> None:
        """(a) All stand at the middle of a stretch of bays, on the line that they name."""
        plan = paddocks()
        found = map_data(plan)["findings"]
        lines = [found["texts"][row] for row in found["line"]]
        for at, line in enumerate(lines):
            if line:
                run = run_of(plan, line)
                assert plan.runs[found["run"][at]] is run
                middle = (found["chainage_m"][at] + found["chainage_to_m"][at]) / 2
                assert found["at_m"][at] == pytest.approx(middle, abs=1e-3)
                near = int(run.posts[np.argmin(np.abs(run.chainage_m - middle))])
                apart = np.hypot(
                    (found["lon_deg"][at] - plan.places.lon_deg[near]) * 68_000,
                    (found["lat_deg"][at] - plan.places.lat_deg[near]) * 111_000,
                )
                assert apart < 1.2  # half a bay of 1.885 m, and what a degree of longitude is off
        assert lines.count("Home") == 2


class TestSection:
    def test_lines_follow_each_other_and_one_can_be_chosen(self, visit: Visit) -> None:
        assert visit.ask("geofenceMap.section.drawn().lines") == ["Home", "East", "Top", "Lane"]
        visit.page.select_option("#section-line", label="Lane")
        assert visit.ask("geofenceMap.section.drawn().lines") == ["Lane"]
        view = visit.ask("geofenceMap.section.view()")
        assert view["to"] - view["from"] == pytest.approx(paddocks().summary()["lines"]["Lane"], abs=2e-3)
        visit.page.click("#section-whole")
        assert visit.page.input_value("#section-line") == "-1"

    def test_a_shared_post_is_drawn_on_each_of_its_lines(self, visit: Visit) -> None:
        visit.page.select_option("#section-line", label="Lane")
        plan = paddocks()
        drawn = visit.ask("geofenceMap.section.drawn()")
        assert drawn["posts"] == len(run_of(plan, "Lane").posts)
        visit.page.click("#section-whole")

    def test_a_place_is_told_with_its_line(self, visit: Visit) -> None:
        visit.page.select_option("#section-line", label="Top")
        box = visit.page.locator("#section-canvas").bounding_box()
        assert box
        visit.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
        visit.until("document.getElementById('section-reading').textContent.includes('Top 0+0')")
        visit.page.click("#section-whole")


class TestMap:
    def test_a_shared_post_names_its_lines(self, visit: Visit) -> None:
        plan = paddocks()
        row = plan.post_columns()["meets"].index("Lane 20.007")
        visit.ask(f"geofenceMap.open('{plan.post_names[row]}'), null")
        numbers = visit.numbers("post")
        assert (numbers["line"], numbers["meets"]) == ("Home", "Lane 0+020.01")

    def test_a_line_s_chainage_is_found(self, visit: Visit) -> None:
        plan = paddocks()
        visit.page.fill("#goto-input", "lane 60.5")
        visit.page.press("#goto-input", "Enter")
        run = run_of(plan, "Lane")
        bay = plan.bay_names[int(run.bays[np.searchsorted(run.chainage_m, 60.5) - 1])]
        assert visit.page.inner_text("#goto-answer") == f"Showing {bay}, which holds Lane 0+060.50."
        visit.page.fill("#goto-input", "60.5")
        visit.page.press("#goto-input", "Enter")
        assert "the name of a line and a chainage on it" in visit.page.inner_text("#goto-answer")

    def test_each_line_s_axis_begins_at_nought(self, visit: Visit) -> None:
        """Its beginning is told before its other chainages, however narrow it is drawn."""
        written = visit.ask(
            """(() => {
                const seen = [];
                const own = CanvasRenderingContext2D.prototype.fillText;
                CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) {
                    seen.push(text);
                    own.call(this, text, ...rest);
                };
                document.getElementById("section-whole").click();
                CanvasRenderingContext2D.prototype.fillText = own;
                return seen;
            })()"""
        )
        assert written.count("0+000") == len(paddocks().line_names)

    def test_legs_and_findings_name_their_line(self, visit: Visit) -> None:
        assert visit.page.locator("#legs-body tr").count() == 12
        assert visit.page.locator("#legs-body tr").first.locator("td").first.text_content() == "Home"
        assert "Home 40.01 to 80.03 m" in visit.page.inner_text("#findings-list")


def test_names_of_lines_are_text(browser: Browser, tmp_path: Path) -> None:
    plan = hostile_paddocks(tmp_path)
    OUTPUT.write(plan, tmp_path / "map.html")
    with opened(browser, tmp_path / "map.html") as visit:  # which lets no dialog, error or request pass
        assert visit.page.locator("#section-line option").nth(2).text_content() == HOSTILE_NAMES[1]
        visit.ask("geofenceMap.open('P001'), null")
        assert visit.numbers("post")["line"] == HOSTILE_NAMES[0]
