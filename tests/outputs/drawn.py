"""A made-up plan with everything that drawings and layers show: gates that open, zones of each shape, marks, kinds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from pyproj import CRS, Transformer

from geofence.plan import FencePlan, PlannedZone, ZoneOutline
from geofence.plan_parts import LeafWay, PlannedGate, ReferenceMarks
from tests.plans import made_up_plan

__all__ = ["GATE", "drawn_plan", "in_grid"]

GATE = "Čolnik {gate} %%c\\P漢字"


def drawn_plan(count: int = 40) -> FencePlan:
    """The bay from post 10 to post 11 is a gate; posts 20 and 30 are a corner and a strainer."""
    plan = made_up_plan(count)
    kinds = list(plan.fence.posts.kind)
    kinds[10] = kinds[11] = "gate"
    kinds[20], kinds[30] = "corner", "strainer"
    bays = list(plan.fence.bays.kind)
    bays[10] = "gate"
    fence = replace(
        plan.fence, posts=replace(plan.fence.posts, kind=tuple(kinds)), bays=replace(plan.fence.bays, kind=tuple(bays))
    )
    places = plan.places
    turn = np.linspace(0, np.pi / 2, 9)
    gate = PlannedGate(
        name=GATE,
        bay=10,
        swing="left",
        leaves=1,
        leaf_kg=None,
        post_width_m=0.1,
        hole_diameter_m=0.45,
        ways=(
            LeafWay(
                post=10,
                side="left",
                length_m=1.8,
                open_deg=90.0,
                lon_deg=places.lon_deg[10] + 1e-6 * np.cos(turn),
                lat_deg=places.lat_deg[10] + 1e-6 * np.sin(turn),
                easting=places.easting[10] + 1.8 * np.cos(turn),
                northing=places.northing[10] + 1.8 * np.sin(turn),
            ),
        ),
    )
    marks = ReferenceMarks(
        name=("STN1", "V1"),
        kind=("control", "vertex"),
        easting=places.easting[0] + np.array([-12.5, 0.0]),
        northing=places.northing[0] + np.array([30.25, 0.0]),
        level_m=np.array([81.125, np.nan]),
    )
    return replace(plan, fence=fence, gates=(gate,), marks=marks, zones=_zones(plan))


def _zones(plan: FencePlan) -> tuple[PlannedZone, ...]:
    at = np.column_stack([plan.places.lon_deg, plan.places.lat_deg])
    step = 1e-4
    ring = np.array([(0, 0), (4, 0), (4, 3), (0, 3), (0, 0)]) * step
    pipe = np.array([(-3, 2), (3, -2)]) * step
    shapes = (
        ("setback", "Lane", 0.0, 6.0, (ring + at[35], True)),
        ("keep-clear", "Water main", 1.0, 0.0, (pipe + at[15], False)),
        ("keep-clear", "Oak", 3.0, 0.0, (np.array([[2 * step, 0.0]]) + at[25], False)),
        ("consult", "Terraces", 0.0, 0.0, (ring + at[5], True)),
    )
    return tuple(
        PlannedZone(
            name=name,
            rule=rule,
            source="deed of 2019",
            buffer_m=buffer_m,
            limit_m=limit_m,
            outlines=(ZoneOutline(lon_deg=places[:, 0], lat_deg=places[:, 1], area=area),),
        )
        for rule, name, buffer_m, limit_m, (places, area) in shapes
    )


def in_grid(plan: FencePlan, crs: CRS) -> FencePlan:
    """The same plan with its posts and stations on another grid of WGS 84; gates and marks are left out."""
    easting, northing = Transformer.from_crs(4326, crs, always_xy=True).transform(
        plan.places.lon_deg, plan.places.lat_deg
    )
    unit = crs.axis_info[0]
    grid = replace(
        plan.grid,
        name=crs.name,
        code=None,
        wkt=crs.to_wkt(),
        unit=unit.unit_name,
        unit_m=unit.unit_conversion_factor,
    )
    return replace(
        plan,
        places=replace(plan.places, easting=easting, northing=northing),
        stations=replace(plan.stations, easting=easting, northing=northing),
        grid=grid,
        gates=(),
        marks=ReferenceMarks.none(),
    )
