"""How long drawings and layers take, against general writers of the same things in the same run.

``python -m tests.benchmarks.bench_dxf [POSTS]``; ratios below 1 are in favour of geofence. The peer of ``plan.dxf`` is
ezdxf's fast writer (release 12, no blocks, no attributes) given a mark and a name for each post and a line for each
bay; that of ``fence.gpkg`` and of the shapefiles is pyogrio given tables of posts and bays that are ready in memory.
ezdxf's full document, with the same blocks and attributes as here, is told beside it.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import ezdxf
import pyogrio
from ezdxf.addons import r12writer

from geofence.outputs import dxf, dxf_section, gpkg, shapefile
from geofence.outputs.dxf_style import DxfStyle
from geofence.plan import FencePlan
from tests.plans import made_up_plan

REPEATS = 3


def best_s(action: Callable[[], object]) -> float:
    """Shortest of several runs."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def fast_writer(plan: FencePlan, path: Path) -> None:
    places = list(zip(plan.places.easting.tolist(), plan.places.northing.tolist(), strict=True))
    names = plan.post_names
    with r12writer(path) as drawing:
        for place, name in zip(places, names, strict=True):
            drawing.add_circle(place, 0.15, layer="posts")
            drawing.add_text(name, place, height=0.9, layer="names", rotation=45)
        for start, end in zip(plan.fence.bays.from_post.tolist(), plan.fence.bays.to_post.tolist(), strict=True):
            drawing.add_line(places[start], places[end], layer="bays")


def full_document(plan: FencePlan, path: Path) -> None:
    document = ezdxf.new("R2010")
    document.blocks.new("post").add_circle((0, 0), 0.15)
    space = document.modelspace()
    posts = plan.fence.posts
    for place, name, *levels in zip(
        zip(plan.places.easting.tolist(), plan.places.northing.tolist(), strict=True),
        plan.post_names,
        posts.ground_level_m.tolist(),
        posts.top_level_m.tolist(),
        posts.toe_level_m.tolist(),
        strict=True,
    ):
        insert = space.add_blockref("post", place, dxfattribs={"layer": "posts"})
        insert.add_attrib("NAME", name, place, dxfattribs={"height": 0.9})
        for tag, level in zip(("GROUND", "TOP", "TOE"), levels, strict=True):
            insert.add_attrib(tag, f"{level:.3f}", place, dxfattribs={"height": 0.9})
    document.saveas(path)


def told(name: str, ours: float, theirs: float, peer: str) -> None:
    print(f"{name:20} {ours:7.3f} s   {peer} {theirs:7.3f} s   ratio {ours / theirs:5.2f}")


def main(post_count: int = 50_000) -> None:
    plan = made_up_plan(post_count, relief=False)
    posts, bays = plan.posts.to_crs(32630), plan.bays.to_crs(32630)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fast = best_s(partial(fast_writer, plan, folder / "fast.dxf"))
        told("plan.dxf", best_s(partial(dxf.write, plan, folder / "plan.dxf")), fast, "fast writer  ")
        start = time.perf_counter()
        full_document(plan, folder / "full.dxf")
        print(f"{'':20} {'':7}     full document{time.perf_counter() - start:7.3f} s")
        for what, write in (
            ("plan.dxf, in space", partial(dxf.write, plan, folder / "space.dxf", style=DxfStyle(posts="3d"))),
            ("section.dxf", partial(dxf_section.write, plan, folder / "section.dxf")),
        ):
            print(f"{what:20} {best_s(write):7.3f} s")
        layers = best_s(lambda: _peer_gpkg(folder / "peer.gpkg", posts, bays))
        told("fence.gpkg", best_s(partial(gpkg.write, plan, folder / "fence.gpkg")), layers, "pyogrio      ")
        shapes = best_s(lambda: _peer_shapes(folder, posts, bays))
        told("fence-shapefile.zip", best_s(partial(shapefile.write, plan, folder / "f.zip")), shapes, "pyogrio      ")
        for file in ("plan.dxf", "fast.dxf", "fence.gpkg", "peer.gpkg", "f.zip"):
            print(f"{file:20} {(folder / file).stat().st_size / 1e6:7.1f} MB")


def _peer_gpkg(path: Path, posts: Any, bays: Any) -> None:
    path.unlink(missing_ok=True)
    pyogrio.write_dataframe(posts, path, layer="posts", driver="GPKG")
    pyogrio.write_dataframe(bays, path, layer="bays", driver="GPKG")


def _peer_shapes(folder: Path, posts: Any, bays: Any) -> None:
    """Under names of ten letters, or GDAL warns of every column."""
    for layer, table in (("posts", posts), ("bays", bays)):
        names = shapefile.short_names([column for column in table.columns if column != "geometry"])
        pyogrio.write_dataframe(table.rename(columns=names), folder / f"{layer}.shp", driver="ESRI Shapefile")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
