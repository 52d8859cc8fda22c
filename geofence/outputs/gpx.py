"""``fence.gpx``: posts as waypoints and runs of fence as tracks, for hand-held units (GPX 1.1).

A hand-held unit finds a place to some metres: enough to find a post in a hedge, never to set one out, and the file says
so. A height in GPX is above mean sea level, while the levels of a plan are above a datum of which only the name is
known: waypoints carry one only where the job says so (``gpx.level``). Runs are tracks, not routes, since units lead a
route along roads and cut it off at some hundred points.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs import xml_text
from geofence.outputs.digits import POSITION, fixed
from geofence.outputs.facts import facts
from geofence.outputs.plain_text import one_line
from geofence.outputs.post_words import post_words
from geofence.outputs.run_names import run_names
from geofence.outputs.xml_text import content
from geofence.plan import FencePlan, Output, Run
from geofence.words import must_be_known

__all__ = ["OUTPUT", "LevelOf", "write"]

LevelOf = Literal["none", "ground"]

NAMESPACE = "http://www.topografix.com/GPX/1/1"
SYMBOLS = {"line": "Flag, Blue", "bend": "Flag, Blue", "gate": "Square, Green"}
"""Symbols of kinds of posts by the names that units know; shapes differ where colours could be mistaken."""

OTHER_SYMBOL = "Flag, Red"
NOT_FOR_STAKING = "Hand-held units find a place to some metres: do not set posts out by this file."


def write(plan: FencePlan, path: Path) -> None:
    """Write the plan; waypoints have heights where its parameter ``gpx.level`` says ``ground``.

    Raises
    ------
    JobError
        The parameter is no word that is known.
    """
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(_document(plan))


def _document(plan: FencePlan) -> Iterator[str]:
    known = facts(plan, places="degrees, WGS 84", levels="metres")
    told = "\n".join(f"{label}: {sentence}" for label, sentence in (*known, ("caution", NOT_FOR_STAKING)))
    yield xml_text.DECLARATION
    yield (
        f'<gpx xmlns="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {NAMESPACE}/gpx.xsd" version="1.1" creator="geofence">\n'
    )
    yield f"<metadata><name>{content(one_line(plan.name))}</name><desc>{content(told)}</desc></metadata>\n"
    yield from _waypoints(plan)
    runs = [run for run in plan.runs if len(run.posts) > 1]
    for run, name in zip(runs, run_names(runs), strict=True):
        yield from _track(plan, run, name)
    yield "</gpx>\n"


def _waypoints(plan: FencePlan) -> Iterator[str]:
    level = plan.value("gpx.level", "none")
    must_be_known(level, get_args(LevelOf), place="gpx.level")
    heights = plan.fence.posts.ground_level_m if level == "ground" else np.full(len(plan.fence.posts), np.nan)
    columns = (
        *_degrees(plan.places.lat_deg, plan.places.lon_deg),
        [f"<ele>{height}</ele>" if height else "" for height in fixed(heights, 3, missing="")],
        map(content, plan.post_names),
        map(content, post_words(plan)),
        map(SYMBOLS.get, plan.fence.posts.kind),
        map(content, plan.fence.posts.kind),
    )
    for lat, lon, height, name, words, symbol, kind in zip(*columns, strict=True):
        yield (
            f'<wpt lat="{lat}" lon="{lon}">{height}<name>{name}</name><desc>{words}</desc>'
            f"<sym>{symbol or OTHER_SYMBOL}</sym><type>{kind} post</type></wpt>\n"
        )


def _track(plan: FencePlan, run: Run, name: str) -> Iterator[str]:
    rows = np.append(run.posts, run.posts[0]) if run.closed else run.posts
    yield f"<trk><name>{content(name)}</name><type>fence</type><trkseg>\n"
    for lat, lon in zip(*_degrees(plan.places.lat_deg[rows], plan.places.lon_deg[rows]), strict=True):
        yield f'<trkpt lat="{lat}" lon="{lon}"/>\n'
    yield "</trkseg></trk>\n"


def _degrees(lat_deg: Floats, lon_deg: Floats) -> tuple[Iterable[str], Iterable[str]]:
    """Latitudes and longitudes; GPX calls the antimeridian -180 degrees, from either side."""
    lon = np.round(lon_deg, POSITION)
    return fixed(lat_deg, POSITION, missing="NaN"), fixed((lon + 180) % 360 - 180, POSITION, missing="NaN")


OUTPUT = Output(filename="fence.gpx", title="Posts and runs for hand-held units (GPX 1.1)", write=write, standing=False)
