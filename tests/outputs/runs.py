"""Made-up plans with other runs than one open one."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from pyproj import Transformer

from geofence.engine.records import Bays
from geofence.plan import FencePlan, PlannedGate, Run
from tests.plans import MODULE_M, made_up_plan

__all__ = ["in_two_runs", "on_a_square", "with_gate"]


def in_two_runs(count: int = 40, *, lines: tuple[str, str] = ("north", "south")) -> FencePlan:
    """The made-up plan without its bay in the middle: two runs, of two lines."""
    plan = made_up_plan(count)
    bays, half = plan.fence.bays, count // 2
    rows = np.delete(np.arange(count - 1), half - 1)
    fence = replace(plan.fence, bays=_taken(bays, rows), findings=())
    (whole,) = plan.runs
    parts = ((lines[0], slice(0, half), slice(0, half - 1)), (lines[1], slice(half, None), slice(half - 1, None)))
    runs = tuple(
        replace(
            whole,
            line=line,
            posts=whole.posts[posts],
            chainage_m=whole.chainage_m[posts],
            bays=np.arange(count - 2)[bay],
            stations=whole.stations[posts],
        )
        for line, posts, bay in parts
    )
    return replace(plan, fence=fence, runs=runs)


def on_a_square(side: int = 10) -> FencePlan:
    """A ring of ``side`` bays along each side, north, east, south and west from a corner of EPSG:32630."""
    count = 4 * side
    plan = made_up_plan(count)
    step = np.repeat([(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)], side, axis=0) * MODULE_M
    places = np.array([560_000.0, 5_900_000.0]) + np.concatenate([np.zeros((1, 2)), np.cumsum(step[:-1], axis=0)])
    lon, lat = Transformer.from_crs(32630, 4326, always_xy=True).transform(*places.T)
    row = np.arange(count)
    ring = replace(
        _taken(plan.fence.bays, np.append(row[:-1], count - 2)),
        from_post=row,
        to_post=(row + 1) % count,
        start_m=row * MODULE_M,
        end_m=(row + 1) * MODULE_M,
    )
    kinds = tuple("corner" if row % side == 0 else "line" for row in range(count))
    posts = replace(plan.fence.posts, kind=kinds)
    run = Run(
        line="yard",
        posts=np.arange(count),
        chainage_m=plan.fence.posts.chainage_m,
        bays=np.arange(count),
        stations=np.arange(count),
        legs=np.arange(2),
        closed=True,
    )
    moved = replace(plan.places, easting=places[:, 0], northing=places[:, 1], lon_deg=lon, lat_deg=lat)
    return replace(plan, fence=replace(plan.fence, posts=posts, bays=ring, findings=()), places=moved, runs=(run,))


def with_gate(plan: FencePlan, row: int = 7, name: str = "G1") -> FencePlan:
    """The same plan with a gate in place of a bay."""
    kinds = ("gate" if bay == row else kind for bay, kind in enumerate(plan.fence.bays.kind))
    gate = PlannedGate(
        name=name, bay=row, swing="not stated", leaves=1, leaf_kg=None, post_width_m=0.1, hole_diameter_m=0.4
    )
    bays = replace(plan.fence.bays, kind=tuple(kinds))
    return replace(plan, fence=replace(plan.fence, bays=bays), gates=(gate,))


def _taken(bays: Bays, rows: np.ndarray) -> Bays:
    """Some rows of a table, in this order."""
    columns: dict[str, Any] = {
        item.name: np.array(getattr(bays, item.name), dtype=object)[rows] for item in fields(bays)
    }
    return replace(bays, **{name: tuple(v) if name == "kind" else v.astype(float) for name, v in columns.items()})
