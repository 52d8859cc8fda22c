"""Plans made up for tests of outputs: no planning involved, every number a simple function of the row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from pyproj import Transformer

from geofence.engine.records import Bays, Cost, Fence, Finding, Posts
from geofence.plan import FencePlan, Grid, Legs, Parameter, Places, Provenance, Run, Stations, SystemFacts
from geofence.site.ground import Relief

MODULE_M = 1.885
HOSTILE = (
    "`${alert(1)}`",
    "C:\\2019",
    "</script><script>alert(1)</script>",
    '=1+1 "quoted"',
    "čšž\nnewline",
    "<b>x</b>",
)


def made_up_plan(count: int = 40, *, relief: bool = True, name: str = "Invented Down") -> FencePlan:
    """An open fence of ``count`` posts that wanders north-east from a corner of EPSG:32630, with findings."""
    row = np.arange(count, dtype=float)
    chainage = row * MODULE_M
    heading = np.radians(45 + 40 * np.sin(row / 60))
    easting = 560_000 + np.concatenate([[0], np.cumsum(MODULE_M * np.sin(heading[:-1]))])
    northing = 5_900_000 + np.concatenate([[0], np.cumsum(MODULE_M * np.cos(heading[:-1]))])
    ground = 80 + 6 * np.sin(chainage / 45) + 0.4 * np.sin(chainage / 3)
    lon, lat = Transformer.from_crs(32630, 4326, always_xy=True).transform(easting, northing)
    underside = np.round((np.maximum(ground[:-1], ground[1:]) + 0.05) / 0.05) * 0.05
    top = underside + 1.8
    post_top = np.maximum(np.concatenate([[top[0]], top]), np.concatenate([top, [top[-1]]])) + 0.005
    posts = Posts(
        chainage_m=chainage,
        kind=("end", *("line",) * (count - 2), "end"),
        deflection_deg=np.zeros(count),
        ground_level_m=ground,
        top_level_m=post_top,
        toe_level_m=ground - 0.6,
        embedment_m=np.full(count, 0.6),
        stock_length_m=np.full(count, 2.7),
        support_back_m=np.concatenate([[np.nan], post_top[1:] - underside]),
        support_ahead_m=np.concatenate([post_top[:-1] - underside, [np.nan]]),
    )
    bays = Bays(
        kind=("full",) * (count - 1),
        from_post=np.arange(count - 1),
        to_post=np.arange(1, count),
        start_m=chainage[:-1],
        end_m=chainage[1:],
        width_m=np.full(count - 1, MODULE_M),
        underside_from_m=underside,
        underside_to_m=underside,
        top_from_m=top,
        top_to_m=top,
        step_m=np.concatenate([[0], np.diff(underside)]),
        gap_max_m=underside - np.minimum(ground[:-1], ground[1:]),
        dig_max_m=np.maximum(ground[:-1], ground[1:]) - underside,
        gap_area_m2=np.abs(underside - ground[:-1]) * MODULE_M,
        dig_area_m2=np.zeros(count - 1),
    )
    findings = (
        Finding(
            code="gap-over-limit",
            severity="stop",
            message="The panel would hang 0.31 m above the ground",
            remedy="Allow a larger gap_max_m, a finer increment_m, or fill the hollow.",
            chainage_m=float(chainage[count // 2]),
            chainage_to_m=float(chainage[count // 2 + 1]),
            bay=count // 2,
            value=0.31,
            limit=0.15,
            unit="m",
        ),
        Finding(
            code="post-extended",
            severity="warn",
            message="The post is longer than the longest stock length",
            remedy="Order an extension.",
            chainage_m=float(chainage[3]),
            post=3,
            value=3.12,
            limit=2.7,
            unit="m",
        ),
        Finding(code="grid-chosen", severity="note", message="Working grid taken from the ground raster"),
    )
    fence = Fence(posts=posts, bays=bays, findings=findings, cost=Cost(gap=12.5, dig=1.25, step=100.0, rise=3.0))
    bearing = np.degrees(heading)
    turns = np.array([0, count // 2, count - 1])
    return FencePlan(
        name=name,
        fence=fence,
        places=Places(
            lon_deg=lon,
            lat_deg=lat,
            easting=easting,
            northing=northing,
            bearing_deg=bearing,
            survey_distance_m=np.where(row < 2, np.nan, 1.5 + row % 7),
        ),
        stations=Stations(chainage_m=chainage, easting=easting, northing=northing, ground_level_m=ground),
        legs=Legs(
            number=(1, 2),
            start_m=chainage[turns[:-1]],
            end_m=chainage[turns[1:]],
            lon_from_deg=lon[turns[:-1]],
            lat_from_deg=lat[turns[:-1]],
            lon_to_deg=lon[turns[1:]],
            lat_to_deg=lat[turns[1:]],
            bearing_deg=bearing[turns[:-1]],
            grid_distance=np.diff(chainage[turns]) * 0.9996,
            deflection_deg=np.array([0.0, 4.0]),
        ),
        runs=(
            Run(
                line="",
                posts=np.arange(count),
                chainage_m=chainage,
                bays=np.arange(count - 1),
                stations=np.arange(count),
                legs=np.arange(2),
                closed=False,
            ),
        ),
        grid=Grid(
            name="WGS 84 / UTM zone 30N",
            code="EPSG:32630",
            wkt="",
            unit="metre",
            unit_m=1.0,
            level_datum="invented datum",
            combined_factor=0.9996,
        ),
        system=SystemFacts(
            name="aac-panel",
            title="AAC panels between steel posts",
            slope="step",
            module_m=MODULE_M,
            height_m=1.8,
            post_width_m=0.05,
            hole_diameter_m=0.3,
        ),
        parameters={
            "layout.module_m": Parameter(value=MODULE_M, origin="system aac-panel"),
            "layout.fit": Parameter(value="end", origin="job"),
        },
        provenance=Provenance(
            inputs={"boundary.geojson": "0" * 64}, packages={"numpy": "2.0"}, planned_at="2026-11-25T12:00:00Z"
        ),
        relief=_hill(lon, lat) if relief else None,
    )


def hostile_plan() -> FencePlan:
    """A plan whose every free text would break or script a careless output."""
    plan = made_up_plan(name=" ".join(HOSTILE))
    finding = Finding(code="invented", severity="warn", message=" ".join(HOSTILE), remedy="-x", post=2, chainage_m=3.77)
    fence = replace(plan.fence, findings=(*plan.fence.findings, finding))
    grid = replace(plan.grid, name=HOSTILE[2], level_datum=HOSTILE[0])
    return replace(plan, fence=fence, grid=grid)


def _hill(lon: np.ndarray, lat: np.ndarray) -> Relief:
    margin = 0.0005
    rows, columns = 120, 160
    y, x = np.mgrid[0:rows, 0:columns]
    level = 80 + 20 * np.exp(-((x - 60) ** 2 + (y - 50) ** 2) / 900)
    return Relief(
        level_m=level.astype(np.float32),
        west_deg=float(lon.min()) - margin,
        south_deg=float(lat.min()) - margin,
        east_deg=float(lon.max()) + margin,
        north_deg=float(lat.max()) + margin,
        cell_m=2.0,
    )
