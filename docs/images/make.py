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
SETOUT_DPI = 66
TITLES = {"client": "Alder Down home farm", "number": "AD-014", "revision": "A", "drawn": "K. M.", "checked": "J. O."}


def main() -> None:
    """Plan the sample, open its map with the network off, and take both pictures."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        plan_fence(SAMPLE_JOB, values={"sheets": TITLES}).write(folder, also=["sheets", "setout-pdf"])
        _take_sheet(Path(folder) / "sheets.pdf")
        _take_setout(Path(folder) / "setout.pdf")
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


def _take_setout(file: Path) -> None:
    """The first page of the set-out sheet, and the one with the gate's first post."""
    document = pypdfium2.PdfDocument(file)
    texts = [document[row].get_textpage().get_text_range() for row in range(len(document))]
    gate = max(row for row, text in enumerate(texts) if f"to {POST} (gate)" in text)
    pages = [document[row].render(scale=2 * SETOUT_DPI / 72).to_pil().convert("L") for row in (0, gate)]
    width, height = (side // 2 for side in pages[0].size)
    picture = Image.new("L", (2 * width + 12, height + 4), 128)
    for row, page in enumerate(pages):
        small = page.resize((width, height), Image.Resampling.LANCZOS)
        picture.paste(small, (2 + row * (width + 8), 2))
    picture.quantize(16).save(HERE / "setout.png", optimize=True)
    print(f"setout.png: {(HERE / 'setout.png').stat().st_size / 1000:.0f} kB")


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
