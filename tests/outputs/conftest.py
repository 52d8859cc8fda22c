from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from geofence.outputs.map.page import OUTPUT
from geofence.plan import FencePlan
from tests.outputs.pages import Visit, opened
from tests.plans import made_up_plan

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("no chromium on this machine: CI runs the browser tests")
        pytest.skip("no chromium on this machine")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    return made_up_plan()


@pytest.fixture(scope="module")
def file(plan: FencePlan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    OUTPUT.write(plan, path)
    return path


@pytest.fixture
def visit(browser: Browser, file: Path) -> Iterator[Visit]:
    with opened(browser, file) as visit:
        yield visit
