"""How long LandXML, GPX and KML take to write, and how much memory, against general writers in the same run.

``python -m tests.benchmarks.bench_xml [POSTS] [STATIONS]``; ratios below 1 are in favour of geofence. The peers are

- lxml's serializer, given the whole document as a tree in memory: it formats no number and only writes down;
- lxml as a program would use it: building that tree, from texts that are ready, and writing it;
- pyogrio with GDAL's drivers, given a table in memory: for GPX the waypoints alone, for KML posts and bays.
"""

from __future__ import annotations

import sys
import tempfile
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
from lxml import etree

from geofence.outputs import gpx
from geofence.outputs.kml import document as kml
from geofence.outputs.landxml import document as landxml
from geofence.plan import FencePlan, Output
from tests.benchmarks.bench_outputs import best_s, long_plan


def main(post_count: int = 50_000, station_count: int = 600_000) -> None:
    plan = long_plan(post_count, station_count)
    plan = replace(plan, runs=(replace(plan.runs[0], stations=np.arange(station_count)),))
    peers: dict[str, tuple[str, Callable[[Path], object]]] = {
        "fence.gpx": ("pyogrio, waypoints alone", partial(_write_gpx, _waypoints(plan))),
        "fence.kml": ("pyogrio, posts and bays", partial(_write_kml, (plan.posts, plan.bays))),
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for output in (landxml.OUTPUT, gpx.OUTPUT, kml.OUTPUT):
            file = folder / output.filename
            ours = best_s(partial(output.write, plan, file))
            size, peak = file.stat().st_size / 1e6, _peak_mb(output, plan, file)
            print(f"{output.filename}  {ours:6.3f} s  {size:6.1f} MB  {peak:6.1f} MB of memory at most")
            tree = etree.parse(file, etree.XMLParser(huge_tree=True))
            peer = folder / "peer.xml"
            _compare(ours, "lxml, a ready tree", partial(_serialize, tree, peer))
            _compare(ours, "lxml, building and writing", partial(_build, tree.getroot(), peer))
            if output.filename in peers:
                title, write = peers[output.filename]
                _compare(ours, title, partial(write, folder))


def _compare(ours: float, title: str, peer: Callable[[], object]) -> None:
    theirs = best_s(peer)
    print(f"    {title:26} {theirs:6.3f} s   ratio {ours / theirs:5.2f}")


def _peak_mb(output: Output, plan: FencePlan, file: Path) -> float:
    tracemalloc.start()
    output.write(plan, file)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return peak


def _serialize(tree: etree._ElementTree, file: Path) -> None:
    tree.write(file, encoding="UTF-8", xml_declaration=True)


def _build(root: etree._Element, file: Path) -> None:
    _serialize(etree.ElementTree(_copied(root, None)), file)


def _copied(element: etree._Element, parent: etree._Element | None) -> etree._Element:
    tag, attributes = element.tag, dict(element.attrib)
    made = etree.Element(tag, attributes) if parent is None else etree.SubElement(parent, tag, attributes)
    made.text = element.text
    for child in element:
        _copied(child, made)
    return made


def _waypoints(plan: FencePlan) -> geopandas.GeoDataFrame:
    posts = plan.posts
    columns = {"name": posts.post, "desc": posts.findings, "sym": posts.kind, "type": posts.kind}
    return geopandas.GeoDataFrame(columns, geometry=posts.geometry, crs=posts.crs)


def _write_gpx(table: geopandas.GeoDataFrame, folder: Path) -> None:
    pyogrio.write_dataframe(table, folder / "peer.gpx", driver="GPX", layer="waypoints", geometry_type="Point")


def _write_kml(tables: tuple[geopandas.GeoDataFrame, geopandas.GeoDataFrame], folder: Path) -> None:
    file = folder / "peer.kml"
    file.unlink(missing_ok=True)
    for number, table in enumerate(tables):
        pyogrio.write_dataframe(table, file, driver="LIBKML", layer=f"layer{number}", append=number > 0)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
