"""The map against folium with one CircleMarker a post, in the same run and the same browser.

Run: ``python -m tests.benchmarks.bench_map [posts ...]``. Without numbers: 1,000, 20,000 and 50,000 posts. The peer is
drawn up to 20,000 posts, with folium's own canvas (``prefer_canvas``) and Leaflet put into the file, as it would
otherwise be blank without a network; its popups hold two numbers a post, ours all of them, and the zones, contours
and long-section that the peer does without.

size    megabytes of the file, and of it the terrain picture (the peer has none)
build   processor seconds from the plan to the file on disk
first   seconds from the start of loading to the first picture
zoom    milliseconds from a zoom step to the second frame after it (33 where nothing is to do at 60 frames a second),
        eight steps in: the median of all, and the best run's worst
pan     the same for twenty steps of a drag
heap    megabytes that the page's scripts hold after that
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import folium
import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from geofence.outputs.map import page as fence_map
from geofence.plan import FencePlan, PlannedZone, ZoneOutline
from tests.plans import made_up_plan

PEER_UP_TO = 20_000
ZONES = 20
RUNS = 3
FIND_MAP = "(window.geofenceMap ? geofenceMap.map : Object.values(window).find((one) => one instanceof L.Map))"
FRAMES = """async ({ steps, act }) => {
    const map = %s;
    const frame = () => new Promise(requestAnimationFrame);
    const times = [];
    await frame();
    for (let step = 0; step < steps; step++) {
        const before = await frame();
        if (act === "zoom") map.setZoom(map.getZoom() + 1, { animate: false });
        else map.panBy([40, 30], { animate: false });
        await frame();
        times.push((await frame()) - before);
    }
    times.sort((one, other) => one - other);
    return [times[Math.floor(times.length / 2)], times[times.length - 1]];
}""".replace("%s", FIND_MAP)


def ours(plan: FencePlan, path: Path) -> None:
    fence_map.write(plan, path)


def peer(plan: FencePlan, path: Path) -> None:
    """A folium map as its guide shows it, one CircleMarker a post, Leaflet inside."""
    places, posts = plan.places, plan.fence.posts
    page = folium.Map(tiles=None, prefer_canvas=True, max_zoom=24)
    page.default_js, page.default_css = [], []
    page.get_root().header.add_child(
        folium.Element(f"<style>{fence_map._leaflet_css()}</style><script>{fence_map._leaflet_js()}</script>")
    )
    rows = zip(places.lat_deg, places.lon_deg, posts.ground_level_m, posts.length_m, strict=True)
    for lat_deg, lon_deg, level_m, length_m in rows:
        popup = folium.Popup(f"{level_m:.3f} m, {length_m:.3f} m")
        folium.CircleMarker([lat_deg, lon_deg], radius=3, fill=True, popup=popup).add_to(page)
    page.fit_bounds([[places.lat_deg.min(), places.lon_deg.min()], [places.lat_deg.max(), places.lon_deg.max()]])
    page.save(str(path))


def zoned(plan: FencePlan) -> FencePlan:
    """The plan with a band of 200 corners beside each of twenty parts of its line, and a reach round it."""
    lon, lat = plan.places.lon_deg, plan.places.lat_deg
    zones = []
    for number, rows in enumerate(np.array_split(np.arange(len(lon)), ZONES)):
        along = rows[np.linspace(0, len(rows) - 1, 100).astype(int)]
        east = np.concatenate([lon[along] + 1e-4, lon[along[::-1]] + 3e-4])
        north = np.concatenate([lat[along], lat[along[::-1]]])
        zones.append(
            PlannedZone(
                name=f"Zone {number}", rule=("setback", "keep-clear")[number % 2], source="invented",
                buffer_m=2.0, limit_m=3.0, outlines=(ZoneOutline(lon_deg=east, lat_deg=north, area=True),),
            )
        )  # fmt: skip
    return replace(plan, zones=tuple(zones))


def measure(
    browser: Browser, build: Callable[[FencePlan, Path], None], plan: FencePlan, path: Path
) -> dict[str, float]:
    started = time.process_time()
    build(plan, path)
    built = time.process_time() - started
    first, zoom, pan, heap = [], [], [], []
    for _ in range(RUNS):
        page = browser.new_page(viewport={"width": 1400, "height": 900}, bypass_csp=True)
        page.add_init_script("window.$ = (one) => [one];")  # folium's popups ask jQuery for their element
        first.append(first_picture(page, path))
        zoom.append(page.evaluate(FRAMES, {"steps": 8, "act": "zoom"}))
        pan.append(page.evaluate(FRAMES, {"steps": 20, "act": "pan"}))
        heap.append(heap_mb(page))
        page.close()
    return {
        "size": path.stat().st_size / 1e6,
        "build": built,
        "first": statistics.median(first),
        "zoom": statistics.median(median for median, _ in zoom),
        "zoom worst": min(worst for _, worst in zoom),
        "pan": statistics.median(median for median, _ in pan),
        "pan worst": min(worst for _, worst in pan),
        "heap": statistics.median(heap),
    }


def heap_mb(page: Page) -> float:
    """What the page's scripts hold, by the browser's own count."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    return float(session.send("Runtime.getHeapUsage")["usedSize"]) / 1e6


def first_picture(page: Page, path: Path) -> float:
    """Seconds until a frame has followed the page's last script."""
    page.goto(path.as_uri(), wait_until="load", timeout=120_000)
    script = (
        "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))))"
    )
    return float(page.evaluate(script)) / 1000


def report(name: str, posts: int, seen: dict[str, float]) -> None:
    print(
        f"{name:>14} {posts:>7,} posts  size {seen['size']:6.2f} MB  build {seen['build']:6.2f} s  "
        f"first {seen['first']:5.2f} s  zoom {seen['zoom']:.0f} to {seen['zoom worst']:.0f} ms  "
        f"pan {seen['pan']:.0f} to {seen['pan worst']:.0f} ms  heap {seen['heap']:.0f} MB"
    )


def main(counts: list[int]) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for count in counts:
            plan = zoned(made_up_plan(count))
            mine = measure(browser, ours, plan, Path(folder) / "ours.html")
            report("geofence", count, mine)
            if count > PEER_UP_TO:
                continue
            theirs = measure(browser, peer, plan, Path(folder) / "peer.html")
            report("CircleMarkers", count, theirs)
            ratios = "  ".join(f"{key} {theirs[key] / mine[key]:.1f}" for key in mine)
            print(f"{'times better':>14} {ratios}")
        browser.close()


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1_000, 20_000, 50_000])
