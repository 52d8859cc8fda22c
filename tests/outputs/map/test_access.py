"""The map for everyone: WCAG 2.2 A and AA as far as axe-core sees, targets large enough, and all of it by keyboard.

(c) axe-core 4 of Deque Systems, from the package axe-playwright-python.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from geofence.outputs.map.page import OUTPUT
from geofence.plan import PlannedZone
from tests.outputs.map.test_zones import outline
from tests.outputs.pages import DESKTOP, PHONE, Visit, opened
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
STATES = {
    "as it opens": "null",
    "a post open": "geofenceMap.open('P004'), null",
    "a finding open": "document.querySelector('.finding').click(), null",
    "measuring": "document.getElementById('measure').click(), null",
    "details open": "document.querySelectorAll('details').forEach((one) => (one.open = true)), null",
    "section folded": "document.getElementById('section-fold').click(), null",
    "nothing found": "(() => { document.getElementById('goto-input').value = 'x'; "
    "document.getElementById('goto').requestSubmit(); })()",
}


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    zone = PlannedZone(
        name="Barrow", rule="consult", source="heritage list", buffer_m=2.0, limit_m=0.0,
        outlines=(outline([(40.0, 20.0), (70.0, 20.0), (70.0, 45.0), (40.0, 20.0)], area=True),),
    )  # fmt: skip
    OUTPUT.write(replace(made_up_plan(), zones=(zone,)), path)
    return path


def faults(visit: Visit) -> list[tuple[str, str, list[Any]]]:
    found = Axe().run(visit.page, options=RULES).response["violations"]
    return [(fault["id"], fault["impact"], [node["target"] for node in fault["nodes"]]) for fault in found]


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desk", "phone"])
def test_axe_finds_no_fault(browser: Browser, file: Path, size: tuple[int, int]) -> None:
    with opened(browser, file, size, reduced_motion="reduce") as visit:
        for state in STATES if size == DESKTOP else ("a post open",):
            visit.ask(STATES[state])
            assert faults(visit) == [], state


def test_axe_would_find_a_fault(browser: Browser, file: Path) -> None:
    with opened(browser, file) as visit:
        visit.ask("document.querySelector('label[for=goto-input]').remove()")
        assert "label" in [fault[0] for fault in faults(visit)]


def test_everything_can_be_reached_by_keyboard(browser: Browser, file: Path) -> None:
    """WCAG 2.1.1 and 2.4.11: each control in turn gets the focus, and is not under the map while it has it."""
    with opened(browser, file, PHONE) as visit:
        seen = []
        for _ in range(60):
            visit.page.keyboard.press("Tab")
            here = visit.ask("""(() => {
                const one = document.activeElement;
                if (one === document.body) return null;
                const box = one.getBoundingClientRect();
                const top = document.elementFromPoint(box.left + box.width / 2, box.top + Math.min(box.height / 2, 20));
                const clear = Boolean(top && (one.contains(top) || top.contains(one)));
                return [one.id || one.className || one.tagName, clear];
            })()""")
            if here is None:
                break
            seen.append(tuple(here))
        names = [name for name, _ in seen]
        wanted = {"section-canvas", "section-heights", "goto-input", "measure", "copy-link", "finding", "finding-next"}
        assert wanted <= set(names)
        assert [name for name, visible in seen if not visible] == []


CONTRAST = """(() => {
    const parts = (colour) => (colour.match(/[\\d.]+/g) || []).map(Number);
    const linear = (part) => (part / 255 <= 0.04045 ? part / 255 / 12.92 : ((part / 255 + 0.055) / 1.055) ** 2.4);
    const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
    const ground = (one) => {
        for (let at = one; at; at = at.parentElement) {
            const colour = parts(getComputedStyle(at).backgroundColor);
            if (colour.length === 3) return colour;
        }
        return [255, 255, 255];
    };
    const ratio = (one, other) => {
        const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
        return (high + 0.05) / (low + 0.05);
    };
    const said = [...document.querySelectorAll("body *")].filter((one) =>
        one.getClientRects().length && !one.disabled &&
        [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim()));
    return said.map((one) => [ratio(parts(getComputedStyle(one).color), ground(one)), one.textContent.slice(0, 30)]);
})()"""


def luminance(colour: str) -> float:
    """(b) WCAG 2.2, relative luminance of a colour ``#rrggbb``."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("state", ["a post open", "a finding open", "measuring", "details open"])
def test_all_words_stand_out(browser: Browser, file: Path, state: str) -> None:
    """(b) WCAG 1.4.3: 4.5 : 1 against the nearest ground that is painted."""
    with opened(browser, file) as visit:
        visit.ask(STATES[state])
        found = visit.ask(CONTRAST)
        assert len(found) > 60
        assert [words for ratio, words in found if ratio < 4.5] == []


def test_what_is_drawn_stands_out(browser: Browser, file: Path) -> None:
    """(b) WCAG 1.4.3 for words on the drawings, 1.4.11 (3 : 1) for lines, on paper and on the terrain's tints."""
    with opened(browser, file) as visit:
        style = visit.ask("(({ style }) => style)(geofence)")
        terrain = visit.ask("JSON.parse(document.getElementById('terrain-data').textContent).tints")
    grounds = [style["PAPER"], *("#" + bytes(tint).hex() for tint in terrain)]
    words = [style[name] for name in ("INK", "QUIET", "STEP", "CONTOUR_TEXT", "BOUNDARY")]
    words += [zone["text"] for zone in style["ZONES"].values()]
    # Words on the drawings wear a halo of paper.
    assert {word: contrast(word, style["PAPER"]) for word in words if contrast(word, style["PAPER"]) < 4.5} == {}
    lines = [style["INK"], style["GROUND"], style["BOUNDARY"], *(zone["text"] for zone in style["ZONES"].values())]
    assert min(contrast(line, ground) for line in lines for ground in grounds) >= 3
