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

from geofence.outputs.dxf import plan as dxf
from geofence.outputs.dxf import section as dxf_section
from geofence.outputs.dxf.style import DxfStyle
from geofence.outputs.gis import gpkg, shapefile
from geofence.plan import FencePlan
from tests.plans import made_up_plan

REPEATS = 5


def best_s(*actions: Callable[[], object]) -> list[float]:
    """Shortest of several runs of each, in turn, so that whatever else the machine does is fair to all."""
    times: list[list[float]] = [[] for _ in actions]
    for _ in range(REPEATS):
        for row, action in enumerate(actions):
            start = time.perf_counter()
            action()
            times[row].append(time.perf_counter() - start)
    return list(map(min, times))


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


def told(name: str, ours: Callable[[], object], peer: str, theirs: Callable[[], object]) -> None:
    own, other = best_s(ours, theirs)
    print(f"{name:20} {own:7.3f} s   {peer:13} {other:7.3f} s   ratio {own / other:5.2f}")


def main(post_count: int = 50_000) -> None:
    plan = made_up_plan(post_count, relief=False)
    posts, bays = plan.posts.to_crs(32630), plan.bays.to_crs(32630)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fast = partial(fast_writer, plan, folder / "fast.dxf")
        told("plan.dxf", partial(dxf.write, plan, folder / "plan.dxf"), "fast writer", fast)
        start = time.perf_counter()
        full_document(plan, folder / "full.dxf")
        print(f"{'':20} {'':7}     full document {time.perf_counter() - start:7.3f} s")
        space = partial(dxf.write, plan, folder / "space.dxf", style=DxfStyle(posts="3d"))
        told("plan.dxf, in space", space, "fast writer", fast)
        told("section.dxf", partial(dxf_section.write, plan, folder / "section.dxf"), "fast writer", fast)
        layers = partial(_peer_gpkg, folder / "peer.gpkg", posts, bays)
        told("fence.gpkg", partial(gpkg.write, plan, folder / "fence.gpkg"), "pyogrio", layers)
        shapes = partial(_peer_shapes, folder, posts, bays)
        told("fence-shapefile.zip", partial(shapefile.write, plan, folder / "f.zip"), "pyogrio", shapes)
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
