"""Makes the pictures of the docs from the sample: ``python docs/images/make.py``. Needs chromium, pypdfium2."""

from __future__ import annotations

import io
import shutil
import tempfile
from pathlib import Path

import pypdfium2
from PIL import Image, ImageOps
from playwright.sync_api import Page, sync_playwright

from geofence import plan_fence
from geofence.sample import SAMPLE_JOB

HERE = Path(__file__).parent
SIZE = {"width": 1200, "height": 760}
POST = "P130"
"""The post at which the field gate of the sample begins."""
POST_ZOOM = 20.5
SHEET, SHEET_DPI = 5, 72
"""The sheet with that gate."""
TITLES = {"client": "Alder Down home farm", "number": "AD-014", "revision": "A", "drawn": "K. M.", "checked": "J. O."}


def main() -> None:
    """Plan the sample, open its map with the network off, and take both pictures."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        plan_fence(SAMPLE_JOB, values={"sheets": TITLES}).write(folder, also=["sheets"])
        _take_sheet(Path(folder) / "sheets.pdf")
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        context = browser.new_context(viewport=SIZE, offline=True, reduced_motion="reduce")
        page = context.new_page()
        page.goto((Path(folder) / "map.html").as_uri())
        _take(page, "map.png")
        _open(page, POST)
        _take(page, "post.png")
        browser.close()


def _take_sheet(file: Path) -> None:
    page = pypdfium2.PdfDocument(file)[SHEET - 1]
    picture = page.render(scale=2 * SHEET_DPI / 72).to_pil().convert("RGB")
    picture = picture.resize((picture.width // 2, picture.height // 2), Image.Resampling.LANCZOS)
    picture.quantize(128, Image.Quantize.MAXCOVERAGE).save(HERE / "sheet.png", optimize=True)
    print(f"sheet.png: {(HERE / 'sheet.png').stat().st_size / 1000:.0f} kB")


def _open(page: Page, post: str) -> None:
    page.evaluate(f"geofenceMap.view('{post}', {POST_ZOOM}), null")
    place = page.evaluate(f"geofenceMap.screen('{post}')")
    page.mouse.click(place["x"], place["y"])
    page.wait_for_selector('.popup[data-part="post"]')
    page.click("#section-as-map")
    page.mouse.move(place["x"], SIZE["height"] - 5)


def _take(page: Page, name: str) -> None:
    page.wait_for_timeout(800)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    # The last bit of a colour cannot be seen, and is a third of the file.
    ImageOps.posterize(picture, 7).save(HERE / name, optimize=True)
    print(f"{name}: {(HERE / name).stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
