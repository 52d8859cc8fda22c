"""What of a plan names rows of its tables, held against the tables: a plan from a file may name any."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from geofence.engine.records import Ints
from geofence.packed import UnfitError
from geofence.plan import FencePlan
from geofence.plan_parts import Run

__all__ = ["check_rows"]

Named = tuple[str, str, Any]
"""A place in the record, the table whose rows stand there, and the rows."""


def check_rows(plan: FencePlan) -> None:
    """Raise where a plan's parts do not fit each other.

    Raises
    ------
    UnfitError
        A row is named that is not there; the posts, bays and stations of a run do not follow each other; a post or a
        bay is in no run; a place is no number. It names the place in the record.
    """
    counts = {
        "posts": len(plan.fence.posts),
        "bays": len(plan.fence.bays),
        "stations": len(plan.stations.chainage_m),
        "legs": len(plan.legs.start_m),
    }
    if not plan.runs:
        raise UnfitError("runs has none")
    if len(plan.places.easting) != counts["posts"]:
        raise UnfitError(f"places has {len(plan.places.easting)} rows, and there are {counts['posts']} posts")
    for place, table, rows in _named(plan):
        _check_range(place, table, rows, counts[table])
    for place in ("easting", "northing", "lon_deg", "lat_deg"):
        if not np.isfinite(getattr(plan.places, place)).all():
            raise UnfitError(f"places/{place} holds what is no number")
    for run in plan.runs:
        _check_order(plan, run)
        _check_ground(plan, run)
    _check_whole("posts", [run.posts for run in plan.runs], counts["posts"])
    _check_whole("bays", [run.bays for run in plan.runs], counts["bays"])
    if len({bool(run.line) for run in plan.runs}) > 1:
        raise UnfitError("runs/line has a name for some lines and none for others")


def _named(plan: FencePlan) -> Iterator[Named]:
    """Everything that names rows."""
    fence = plan.fence
    for end in ("from_post", "to_post"):
        yield f"fence/bays/{end}", "posts", getattr(fence.bays, end)
        yield f"fence/strains/{end}", "posts", getattr(fence.strains, end)
    for run in plan.runs:
        for table in ("posts", "bays", "stations", "legs"):
            yield f"runs/{table}", table, getattr(run, table)
    yield "fence/findings/post", "posts", _given(finding.post for finding in fence.findings)
    yield "fence/findings/posts", "posts", [row for finding in fence.findings for row in finding.posts]
    yield "fence/findings/bay", "bays", _given(finding.bay for finding in fence.findings)
    yield "existing/post", "posts", plan.existing.post
    yield "gates/bay", "bays", [gate.bay for gate in plan.gates]
    yield "gates/ways/post", "posts", [way.post for gate in plan.gates for way in gate.ways]


def _given(rows: Iterable[int | None]) -> list[int]:
    return [row for row in rows if row is not None]


def _check_range(place: str, table: str, rows: Any, count: int) -> None:
    named = np.asarray(rows)
    outside = named[(named < 0) | (named >= count)]
    if outside.size:
        raise UnfitError(f"{place} names row {outside.flat[0]}, and there are {count} {table}, from row 0")


def _check_order(plan: FencePlan, run: Run) -> None:
    """Raise where a run's bays do not go from each of its posts to the next one."""
    ends = np.append(run.posts, run.posts[:1]) if run.closed else run.posts
    bays = plan.fence.bays
    if len(run.chainage_m) != len(run.posts):
        raise UnfitError(f"runs/chainage_m has {len(run.chainage_m)} values for {len(run.posts)} posts")
    if len(run.posts) < 2 or len(run.bays) != len(ends) - 1:
        raise UnfitError(f"runs/bays has {len(run.bays)} bays between {len(run.posts)} posts")
    if (bays.from_post[run.bays] != ends[:-1]).any() or (bays.to_post[run.bays] != ends[1:]).any():
        raise UnfitError("runs/bays has a bay that does not go from its run's post to the next")


def _check_ground(plan: FencePlan, run: Run) -> None:
    """Raise where a run has no legs, or its stations do not go along it."""
    chainage_m = plan.stations.chainage_m[run.stations]
    if not len(run.legs) or len(chainage_m) < 2:
        raise UnfitError(f"runs has a run of {len(chainage_m)} stations and {len(run.legs)} legs")
    if not (np.isfinite(chainage_m).all() and (np.diff(chainage_m) > 0).all()):
        raise UnfitError("stations/chainage_m does not increase along its run")


def _check_whole(table: str, rows: list[Ints], count: int) -> None:
    """Raise where a row is in no run."""
    there = np.zeros(count, dtype=bool)
    for each in rows:
        there[each] = True
    if not there.all():
        raise UnfitError(f"runs/{table} leaves out row {int(np.argmin(there))}")
