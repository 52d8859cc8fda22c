"""A page of the map as tests see it: opened from a file with no network, all that goes wrong written down."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page

DESKTOP, PHONE = (1400, 900), (390, 844)


@dataclass
class Visit:
    """An open page, and everything that went wrong on it."""

    page: Page
    requests: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    def ask(self, script: str) -> Any:
        return self.page.evaluate(script)

    def numbers(self, part: str) -> dict[str, str]:
        """The fields of the open popup, which must be that of a post, bay or finding."""
        self.page.wait_for_selector(f'.popup[data-part="{part}"]')
        cells = self.page.locator(f'.popup[data-part="{part}"] [data-field]')
        return {str(cell.get_attribute("data-field")): str(cell.text_content()) for cell in cells.all()}

    def click(self, name: str, zoom: float) -> None:
        """Click on the place of a post or bay, at a zoom."""
        self.ask(f"geofenceMap.map.closePopup(), geofenceMap.view('{name}', {zoom}), null")
        place = self.ask(f"geofenceMap.screen('{name}')")
        self.page.mouse.click(place["x"], place["y"])

    def until(self, script: str) -> None:
        """Wait until a script is true; the page's own policy forbids playwright's way, which evaluates in the page."""
        for _ in range(100):
            if self.ask(script):
                return
            self.page.wait_for_timeout(30)
        raise AssertionError(f"never true: {script}")

    def sheet(self) -> bytes:
        """What is drawn, pixel for pixel."""
        return str(self.ask("document.querySelector('canvas.sheet').toDataURL()")).encode()


@contextmanager
def opened(
    browser: Browser, path: Path, size: tuple[int, int] = DESKTOP, *, link: str = "", **options: Any
) -> Iterator[Visit]:
    """The page in a window of a size, at a link's address; fails for any request, message or error."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **options)
    context.set_offline(True)
    context.set_default_timeout(4000)
    visit = Visit(context.new_page())

    def requested(url: str) -> None:
        if not url.startswith(("data:", "blob:", path.as_uri())):
            visit.requests.append(url)

    visit.page.on("request", lambda request: requested(request.url))
    visit.page.on("console", lambda message: visit.troubles.append(f"{message.type}: {message.text}"))
    visit.page.on("pageerror", lambda error: visit.troubles.append(f"page error: {error}"))
    visit.page.on("dialog", lambda dialog: (visit.troubles.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    visit.page.goto(path.as_uri() + (f"#{link}" if link else ""))
    try:
        yield visit
        assert visit.requests == []
        assert visit.troubles == []
    finally:
        context.close()
