"""The set-out sheet on paper, printed by chromium and read back by PDFium; and on a screen, for everyone.

(c) axe-core 4 of Deque Systems, from the package axe-playwright-python.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from geofence.engine.records import Finding
from geofence.outputs.setout.html import write
from geofence.outputs.setout.parts import SERVICES, SIGN_OFF
from geofence.outputs.setout.style import PAPERS_MM, Paper, SetoutStyle
from geofence.plan import FencePlan
from tests.outputs.drawn_plans import plan_of
from tests.outputs.pages import DESKTOP, PHONE, opened
from tests.outputs.setout.plans import square, with_findings, with_marks
from tests.outputs.setout.printed import PrintedPage, read_pdf
from tests.plans import HOSTILE, hostile_plan, made_up_plan

pytestmark = pytest.mark.browser
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
SHEETS = {
    "posts": (lambda: made_up_plan(120), SetoutStyle()),
    "letter": (lambda: made_up_plan(60), SetoutStyle(paper="letter")),
    "checks": (lambda: plan_of("ring on A4"), SetoutStyle()),
    "inches": (lambda: plan_of("feet"), SetoutStyle(units="ft-in")),
}


def pushed(lines: int) -> FencePlan:
    """A short fence with about so many lines to look at first, so that its tables begin farther down."""
    return with_findings(square(), Finding(code="x", severity="warn", message="look here " * (10 * lines)))


PUSHED = {f"{lines} lines": (lambda lines=lines: pushed(lines), SetoutStyle()) for lines in range(45, 75, 4)}

STARTS = "What the columns|Post|From|Mark|Gate|Ties|Stretches|Diagonals|The posts"
"""Of the figure's heading, of heads and of other headings."""

Printed = Callable[[str], list[PrintedPage]]


@pytest.fixture(scope="module")
def printed(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Printed:
    """A sheet as chromium prints it, on the paper that its own style sheet asks for."""
    folder = tmp_path_factory.mktemp("printed")

    @cache
    def made(name: str) -> list[PrintedPage]:
        plan, style = (SHEETS | PUSHED)[name]
        write(plan(), folder / "setout.html", style=style)
        with opened(browser, folder / "setout.html") as visit:
            visit.page.pdf(path=str(folder / "printed.pdf"), prefer_css_page_size=True, print_background=True)
        return read_pdf(folder / "printed.pdf")

    return made


class TestPages:
    @pytest.mark.parametrize(("name", "paper"), [("posts", "A4"), ("letter", "letter")])
    def test_fit_a_clipboard_and_are_numbered(self, printed: Printed, name: str, paper: str) -> None:
        pages = printed(name)
        assert len(pages) > 4
        for page in pages:
            assert (page.width_mm, page.height_mm) == pytest.approx(PAPERS_MM[paper], abs=0.5)
            assert page.lines[-1].text == f"Page {page.number} of {len(pages)}"

    @pytest.mark.parametrize("name", SHEETS)
    def test_each_says_the_caution_and_has_lines_to_sign_on(self, printed: Printed, name: str) -> None:
        for page in printed(name):
            assert SERVICES in page.lines[0].text
            assert page.lines[-2].text == " ".join(SIGN_OFF)

    @pytest.mark.parametrize("name", SHEETS)
    def test_every_page_of_a_table_begins_with_a_heading_or_a_head(self, printed: Printed, name: str) -> None:
        for page in printed(name)[1:]:
            first = next(line.text for line in page.lines if line.y < page.lines[0].y - 4)
            assert re.match(r"What the columns|Post|From|Mark|Gate|Ties|Stretches|Diagonals|The posts", first), (
                page.number,
                first,
            )

    def test_the_head_of_the_posts_comes_again(self, printed: Printed) -> None:
        headed = [page.number for page in printed("posts") if "Running To next Hole Post long Sticks out" in page.words]
        assert len(headed) >= 5
        assert headed == list(range(headed[0], headed[-1] + 1))

    @pytest.mark.parametrize("name", ["posts", "letter", "checks", "inches"])
    def test_no_row_is_split(self, printed: Printed, name: str) -> None:
        """Both lines of each cell stand on one page: 2 to 7 mm below a post's name is its kind, or its angle."""
        seen = set()
        for page in printed(name):
            for line in page.lines:
                for post in line.parts:
                    if not (re.fullmatch(r"P\d{3}", post.text) and 18 < post.x0 < 32):
                        continue
                    under = [part for part in page.parts if abs(part.x0 - post.x0) < 0.5 and 2 < post.y0 - part.y0 < 7]
                    assert [part for part in under if re.match(r"end|line|corner|gate|bend|[\d.]+°", part.text)], post
                    seen.add(post.text)
        assert set(SHEETS[name][0]().post_names) <= seen

    def test_a_finding_stands_on_the_page_of_its_post(self, printed: Printed) -> None:
        (page,) = [page for page in printed("posts") if "The panel would hang" in page.words]
        assert re.search(r"P061 .*STOP B061, P061 to P062: The panel would hang", page.words)

    @pytest.mark.parametrize("name", [*SHEETS, *PUSHED])
    def test_no_heading_is_left_alone(self, printed: Printed, name: str) -> None:
        """Below each heading of a table there is its head and a row at least, wherever on the page it stands."""
        titles = {"Posts to set first", "Ties from marks to posts", "Stretches from post to post", "Gates", "The posts"}
        count = 0
        for page in printed(name):
            texts = [line.text for line in page.lines]
            for at, text in enumerate(texts):
                if text in titles:
                    count += 1
                    assert any(re.search(r"P\d{3}", later) for later in texts[at + 2 :]), (page.number, text)
        assert count >= 2

    @pytest.mark.parametrize("name", SHEETS)
    def test_nothing_lies_beyond_the_margin_or_on_its_neighbour(self, printed: Printed, name: str) -> None:
        """The words of the figure are drawn twice, the first time as a halo: its page is left out."""
        for page in printed(name):
            for line in page.lines if "What the columns" not in page.words else ():
                assert all(part.x0 >= 9 and part.x1 <= page.width_mm - 9 for part in line.parts), line.text
                assert all(one.x1 <= other.x0 for one, other in pairwise(line.parts)), line.text

    @pytest.mark.parametrize("paper", ["A4", "letter"])
    @pytest.mark.parametrize("name", ["feet", "wires"])
    def test_feet_and_inches_are_whole_on_their_line(
        self, browser: Browser, tmp_path: Path, name: str, paper: Paper
    ) -> None:
        write(plan_of(name), tmp_path / "setout.html", style=SetoutStyle(paper=paper, units="ft-in"))
        within_px = round((PAPERS_MM[paper][0] - 20) / 25.4 * 96)
        with opened(browser, tmp_path / "setout.html", (within_px, 1000)) as visit:
            visit.page.emulate_media(media="print")
            broken = visit.ask("""[...document.querySelectorAll("table.data td:not(.text) > *")].filter((one) => {
                const whole = document.createRange();
                whole.selectNodeContents(one);
                return one.closest("tr:not(.note, .band)") && whole.getBoundingClientRect().height > 20;
            }).map((one) => one.textContent)""")
        assert broken == []

    def test_what_stands_on_the_second_line_stays_there_where_the_first_is_empty(
        self, browser: Browser, tmp_path: Path
    ) -> None:
        plan = plan_of("wires")
        bays = replace(plan.fence.bays, droppers=np.full(len(plan.fence.bays), np.nan))
        write(replace(plan, fence=replace(plan.fence, bays=bays)), tmp_path / "setout.html")
        with opened(browser, tmp_path / "setout.html") as visit:
            heights = visit.ask("""[...document.querySelectorAll(".data td b:empty")]
                .map((one) => one.getBoundingClientRect().height)""")
        assert min(heights) > 14


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("setout") / "setout.html"
    marks = [(name, "control", 20.0 * row, -15.0, 80.0) for row, name in enumerate(HOSTILE)]
    write(with_marks(hostile_plan(), marks), path)
    return path


class TestOnAScreen:
    @pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desk", "phone"])
    def test_axe_finds_no_fault(self, browser: Browser, file: Path, size: tuple[int, int]) -> None:
        with opened(browser, file, size) as visit:
            found = Axe().run(visit.page, options=RULES).response["violations"]
            assert [(fault["id"], [node["target"] for node in fault["nodes"]]) for fault in found] == []

    def test_axe_would_find_a_fault(self, browser: Browser, file: Path) -> None:
        with opened(browser, file) as visit:
            visit.ask("document.documentElement.removeAttribute('lang')")
            found = Axe().run(visit.page, options=RULES).response["violations"]
            assert "html-has-lang" in [fault["id"] for fault in found]

    def test_on_a_phone_only_the_tables_scroll_sideways(self, browser: Browser, file: Path) -> None:
        with opened(browser, file, PHONE) as visit:
            assert visit.ask("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
            assert visit.ask(
                "[...document.querySelectorAll('.scroll')].some((one) => one.scrollWidth > one.clientWidth)"
            )

    def test_words_are_black_on_white(self, browser: Browser, file: Path) -> None:
        """Readable in the sun: every colour that a word has is black, white on black, or on the grey of a stripe."""
        with opened(browser, file) as visit:
            colours = visit.ask("""[...new Set([...document.querySelectorAll("main *")].map((one) => {
                const style = getComputedStyle(one);
                return style.color + " on " + style.backgroundColor;
            }))].sort()""")
        clear = "rgba(0, 0, 0, 0)"
        assert set(colours) == {
            f"rgb(0, 0, 0) on {clear}", "rgb(0, 0, 0) on rgb(236, 236, 236)", "rgb(0, 0, 0) on rgb(255, 255, 255)",
            "rgb(255, 255, 255) on rgb(0, 0, 0)",
        }  # fmt: skip
