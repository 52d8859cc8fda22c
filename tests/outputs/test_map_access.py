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

from geofence.outputs.map import OUTPUT
from geofence.plan import PlannedZone
from tests.outputs.pages import DESKTOP, PHONE, Visit, opened
from tests.outputs.test_map_zones import outline
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
@pytest.mark.parametrize("state", STATES)
def test_axe_finds_no_fault(browser: Browser, file: Path, size: tuple[int, int], state: str) -> None:
    with opened(browser, file, size, reduced_motion="reduce") as visit:
        visit.ask(STATES[state])
        visit.page.wait_for_timeout(100)
        assert faults(visit) == []


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
