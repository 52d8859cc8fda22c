"""The whole way, from files to a plan, held against geodesics and grids that we did not write."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer

from geofence import plan_fence
from geofence.errors import GridError, GroundError, JobError, LayoutError
from geofence.plan import FencePlan
from tests.sites import carried, write_line, write_raster

CORNERS = np.array([(30.0, 40.0), (130.0, 60.0), (180.0, 160.0), (60.0, 190.0)])
"""Metres from the raster's south-west corner."""


def site(folder: Path, crs: CRS, west: float, south: float) -> tuple[Path, np.ndarray]:
    """A 240 m square of one-metre cells, and the corners of a line on it in grid units."""
    unit = crs.axis_info[0].unit_conversion_factor
    raster = write_raster(
        folder / "dtm.tif", crs=crs, west=west, north=south + 240 / unit, cell=1 / unit, shape=(240, 240),
        surface=lambda x, y: 300 + 4 * np.sin(x * unit / 35) + 3 * np.cos(y * unit / 50),
    )  # fmt: skip
    return raster, CORNERS / unit + (west, south)


WGS = [
    pytest.param(CRS(32630), id="its own UTM zone"),
    pytest.param(CRS(32631), id="the next UTM zone"),
    pytest.param(CRS(4326), id="degrees"),
    pytest.param(CRS(3857), id="web-scaled"),
    pytest.param(
        CRS("+proj=lcc +lat_1=51 +lat_2=54 +lat_0=52 +lon_0=-1 +datum=WGS84 +units=us-ft"), id="LCC in US feet"
    ),
    pytest.param(CRS("+proj=stere +lat_0=90 +lat_ts=70 +lon_0=-45 +datum=WGS84"), id="polar stereographic"),
]
SOUTH = [
    pytest.param(CRS(32756), id="southern UTM"),
    pytest.param(CRS(4326), id="degrees"),
    pytest.param(CRS(3857), id="web-scaled"),
    pytest.param(
        CRS("+proj=omerc +lat_0=-33 +lonc=151 +alpha=30 +k=0.9998 +datum=WGS84 +units=ft"), id="oblique, feet"
    ),
]
CALIFORNIA = [
    pytest.param(CRS(6424), id="state plane in US survey feet"),
    pytest.param(CRS(6340), id="UTM"),
    pytest.param(CRS(6318), id="degrees"),
]


def plan_from(folder: Path, raster: Path, corners: np.ndarray, own: CRS, grid: CRS) -> FencePlan:
    line = write_line(folder / "line.gpkg", carried(corners, own, grid), crs=grid)
    return plan_fence(
        line=line,
        ground=raster,
        system="aac-panel",
        values={"job": {"geoid_separation_m": 50.0}, "ground": {"level_unit": "m"}},
    )


class TestSamePostsWhateverTheGrid:
    """The same line on the ground gives the same posts to 1 mm; the grids and PROJ are not ours."""

    @pytest.mark.parametrize("grid", WGS)
    def test_north(self, tmp_path: Path, grid: CRS) -> None:
        self.check(tmp_path, CRS(32630), (560_000.0, 5_800_000.0), grid)

    @pytest.mark.parametrize("grid", SOUTH)
    def test_south(self, tmp_path: Path, grid: CRS) -> None:
        self.check(tmp_path, CRS(32756), (334_000.0, 6_250_000.0), grid)

    @pytest.mark.parametrize("grid", CALIFORNIA)
    def test_us_survey_feet(self, tmp_path: Path, grid: CRS) -> None:
        self.check(tmp_path, CRS(6424), (6_450_000.0, 1_850_000.0), grid)

    def check(self, folder: Path, own: CRS, corner: tuple[float, float], grid: CRS) -> None:
        raster, corners = site(folder, own, *corner)
        unit = own.axis_info[0].unit_conversion_factor
        (folder / "own").mkdir()
        home = plan_from(folder / "own", raster, corners, own, own)
        away = plan_from(folder, raster, corners, own, grid)
        assert away.grid.name == home.grid.name == own.name
        assert len(away.fence.posts) == len(home.fence.posts) > 150
        apart = np.hypot(away.places.easting - home.places.easting, away.places.northing - home.places.northing) * unit
        assert apart.max() < 0.001
        assert np.array_equal(away.fence.bays.underside_from_m, home.fence.bays.underside_from_m)


class TestGroundDistance:
    """Every full bay is the module to 0.5 mm: geographiclib's geodesic times (1 + h/R), R by Euler's formula."""

    @pytest.mark.parametrize("fit", ["end", "start", "both-ends", "equal", "best"])
    def test_full_bays(self, tmp_path: Path, fit: str) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 700_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        separation = 48.5
        values = {"job": {"geoid_separation_m": separation}, "layout": {"fit": fit}}
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values=values)
        bays, posts = plan.fence.bays, plan.fence.posts
        measured = [
            self.ground_distance(plan, start, end, separation)
            for start, end in zip(bays.from_post, bays.to_post, strict=True)
        ]
        assert np.abs(np.array(measured) - bays.width_m).max() < 0.0005
        full = np.array(bays.kind) == "full"
        module = plan.parameters["layout.module_m"].value
        assert fit == "equal" or full.sum() > 100
        assert np.abs(np.array(measured)[full] - module).max(initial=0) < 0.0005
        assert posts.chainage_m[-1] == pytest.approx(sum(measured), abs=0.01)

    @staticmethod
    def ground_distance(plan: FencePlan, start: int, end: int, separation: float) -> float:
        lon, lat = plan.places.lon_deg, plan.places.lat_deg
        line = Geodesic.WGS84.Inverse(lat[start], lon[start], lat[end], lon[end])
        height = plan.fence.posts.ground_level_m[[start, end]].mean() + separation
        a, es = Geodesic.WGS84.a, Geodesic.WGS84.f * (2 - Geodesic.WGS84.f)
        flat = 1 - es * np.sin(np.radians(lat[start])) ** 2
        north, east = a * (1 - es) / flat**1.5, a / np.sqrt(flat)
        azimuth = np.radians(line["azi1"])
        radius = 1 / (np.cos(azimuth) ** 2 / north + np.sin(azimuth) ** 2 / east)
        return float(line["s12"] * (1 + height / radius))


class TestRuns:
    def test_chosen_legs_make_separate_runs(self, tmp_path: Path) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values={"line": {"legs": [1, 3]}})
        assert plan.legs.number == (1, 3)
        assert plan.fence.posts.kind.count("end") == 4
        gap = np.hypot(np.diff(plan.places.easting), np.diff(plan.places.northing))
        assert np.count_nonzero(gap > 50) == 1  # where leg 2 is not fenced
        bays = plan.fence.bays
        assert np.count_nonzero(bays.to_post - bays.from_post == 1) == len(bays) == len(plan.fence.posts) - 2

    def test_runs_say_what_follows_what(self, tmp_path: Path) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values={"line": {"legs": [1, 3]}})
        assert len(plan.runs) == 2
        for name, table in (("posts", plan.fence.posts), ("bays", plan.fence.bays), ("stations", plan.stations)):
            rows = np.concatenate([getattr(run, name) for run in plan.runs])
            assert rows.tolist() == list(range(len(getattr(table, "chainage_m", getattr(table, "start_m", None)))))
        for run, leg in zip(plan.runs, (1, 3), strict=True):
            assert run.chainage_m.tolist() == plan.fence.posts.chainage_m[run.posts].tolist()
            assert plan.fence.bays.from_post[run.bays].tolist() == run.posts[:-1].tolist()
            assert plan.fence.bays.to_post[run.bays].tolist() == run.posts[1:].tolist()
            assert [plan.legs.number[row] for row in run.legs] == [leg]
            at = plan.stations.chainage_m[run.stations]
            assert (at[0], at[-1]) == pytest.approx((run.chainage_m[0], run.chainage_m[-1]))
            assert np.all(np.diff(at) > 0)
            assert not run.closed

    def test_reversed_line_starts_at_the_other_end(self, tmp_path: Path) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        there = plan_fence(line=line, ground=raster, system="aac-panel")
        back = plan_fence(line=line, ground=raster, system="aac-panel", values={"line": {"direction": "reversed"}})
        assert back.places.easting[0] == pytest.approx(there.places.easting[-1], abs=1e-6)
        assert back.places.northing[-1] == pytest.approx(there.places.northing[0], abs=1e-6)

    def test_ring_shares_its_first_post(self, tmp_path: Path) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        ring = write_line(tmp_path / "ring.gpkg", np.vstack([corners, corners[:1]]), crs=own)
        plan = plan_fence(line=ring, ground=raster, system="aac-panel")
        assert len(plan.fence.posts) == len(plan.fence.bays)
        assert plan.fence.bays.to_post[-1] == 0
        assert "end" not in plan.fence.posts.kind
        assert [run.closed for run in plan.runs] == [True]
        assert len(plan.runs[0].posts) == len(plan.runs[0].bays)

    def test_posts_stand_on_the_offset_line(self, tmp_path: Path) -> None:
        import shapely

        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values={"line": {"offset_m": -2.0}})
        # 2 m on the ground at 300 m and a UTM scale of 0.99964 are 2 m x 0.99959 on the grid; shapely mitres
        moved = shapely.offset_curve(
            shapely.LineString(corners), -2.0 * plan.grid.combined_factor, join_style="mitre", mitre_limit=10
        )
        apart = shapely.distance(shapely.points(plan.places.easting, plan.places.northing), moved)
        assert apart.max() < 1e-4
        ends = shapely.distance(
            moved.boundary.geoms[0], shapely.points(plan.places.easting[0], plan.places.northing[0])
        )
        assert ends < 1e-4


class TestGates:
    def test_near_and_at_agree(self, tmp_path: Path) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        middle = corners[0] + 0.4 * (corners[1] - corners[0])
        near = [{"near": [float(middle[0]) + 0.3, float(middle[1]) - 0.5], "width_m": 3.6}]
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values={"gate": near})
        row = plan.fence.bays.kind.index("gate")
        at = [{"at_m": float(plan.fence.bays.start_m[row]), "width_m": 3.6}]
        same = plan_fence(line=line, ground=raster, system="aac-panel", values={"gate": at})
        assert np.allclose(plan.places.easting, same.places.easting, atol=1e-6)
        ends = plan.fence.bays.from_post[row], plan.fence.bays.to_post[row]
        centre = np.array([plan.places.easting[list(ends)].mean(), plan.places.northing[list(ends)].mean()])
        along = (corners[1] - corners[0]) / np.hypot(*(corners[1] - corners[0]))
        # the gate's middle is the foot of the perpendicular from the point
        foot = corners[0] + along * np.dot(np.array(near[0]["near"]) - corners[0], along)
        assert np.hypot(*(centre - foot)) < 0.002

    @pytest.mark.parametrize(
        ("gate", "error"),
        [
            ({"at_m": 5000.0, "width_m": 3.6}, LayoutError),
            ({"at_m": 90.0, "width_m": 30.0}, LayoutError),
            ({"near": [560_500.0, 5_800_500.0], "width_m": 3.6}, JobError),
        ],
        ids=["off the line's end", "across a corner", "far from the line"],
    )
    def test_impossible_gates_are_refused(self, tmp_path: Path, gate: dict[str, object], error: type) -> None:
        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        with pytest.raises(error) as caught:
            plan_fence(line=line, ground=raster, system="aac-panel", values={"gate": [gate]})
        assert caught.value.remedy


class TestDatums:
    def test_a_poor_shift_is_a_warning_with_its_accuracy(self, tmp_path: Path) -> None:
        raster, corners = site(tmp_path, CRS(27700), 412_000.0, 172_000.0)
        lonlat = np.column_stack(Transformer.from_crs(27700, 4326, always_xy=True).transform(*corners.T))
        line = write_line(tmp_path / "line.gpkg", lonlat, crs=CRS(4326))
        plan = plan_fence(line=line, ground=raster, system="aac-panel")
        shift = next(item for item in plan.fence.findings if item.code == "datum-shift")
        assert shift.severity == "warn"
        assert shift.value is not None
        assert shift.value >= 0.1

    def test_one_datum_says_nothing(self, tmp_path: Path) -> None:
        raster, corners = site(tmp_path, CRS(27700), 412_000.0, 172_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=CRS(27700))
        plan = plan_fence(line=line, ground=raster, system="aac-panel")
        assert "datum-shift" not in {item.code for item in plan.fence.findings}


class TestWhatIsGiven:
    def test_values_of_a_call_say_so(self, tmp_path: Path) -> None:
        raster, corners = site(tmp_path, CRS(32630), 560_000.0, 5_800_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=CRS(32630))
        plan = plan_fence(line=line, ground=raster, values={"layout": {"fit": "equal"}})
        assert plan.parameters["layout.fit"].origin == "call"
        assert plan.parameters["fence.system"].origin == "default"

    def test_a_job_that_is_made_takes_no_more_values(self) -> None:
        from geofence.inputs.job import read_job
        from geofence.sample import SAMPLE_JOB

        job = read_job(SAMPLE_JOB)
        with pytest.raises(JobError, match="takes no further values"):
            plan_fence(job, system="mesh-panel")
        plan = plan_fence(job)
        assert set(plan.provenance.inputs) == {"fence.toml", "boundary.gpkg", "constraints.gpkg", "dtm_1m.tif"}


class TestWorkingGrids:
    def planned(self, tmp_path: Path, own: CRS, values: dict[str, object]) -> FencePlan:
        raster, corners = site(tmp_path, own, 334_000.0, 6_250_000.0)
        line = write_line(tmp_path / "line.gpkg", corners, crs=own)
        return plan_fence(line=line, ground=raster, system="aac-panel", values=values)

    def test_a_web_grid_is_warned_of(self, tmp_path: Path) -> None:
        plan = self.planned(tmp_path, CRS(32756), {"job": {"grid": "EPSG:3857"}})
        unfit = next(item for item in plan.fence.findings if item.code == "grid-unfit")
        assert unfit.severity == "warn"
        # web Mercator stretches by 1 / cos(latitude), near enough; -33.87 degrees here
        assert plan.grid.combined_factor == pytest.approx(1 / np.cos(np.radians(33.87)), rel=0.01)

    def test_a_ground_in_an_atlas_grid_gives_a_local_one(self, tmp_path: Path) -> None:
        atlas = CRS("+proj=eqc +lat_ts=0 +datum=WGS84")  # degrees laid out square: a third too wide at 33.9 degrees
        raster = write_raster(
            tmp_path / "dtm.tif", crs=atlas, west=16_800_000, north=-3_770_000, cell=5, shape=(80, 80),
            surface=lambda x, _: 300 + 0.01 * x,
        )  # fmt: skip
        corners = [(16_800_100.0, -3_770_300.0), (16_800_250.0, -3_770_200.0)]
        line = write_line(tmp_path / "line.gpkg", corners, crs=atlas)
        plan = plan_fence(line=line, ground=raster, system="aac-panel")
        assert plan.grid.name.startswith("local transverse Mercator")
        assert plan.grid.combined_factor == pytest.approx(1.0, abs=1e-4)

    def test_axes_to_south_and_west_are_refused(self, tmp_path: Path) -> None:
        with pytest.raises(GridError, match="do not run east and north"):
            self.planned(tmp_path, CRS(32756), {"job": {"grid": "EPSG:2048"}})


class TestMissingGround:
    def test_gap_is_an_error_with_chainages_or_a_finding(self, tmp_path: Path) -> None:
        import rasterio

        own = CRS(32630)
        raster, corners = site(tmp_path, own, 560_000.0, 5_800_000.0)
        with rasterio.open(raster, "r+") as data:
            level = data.read(1)
            level[:, 80:84] = data.nodata  # a strip of 4 m from easting 80 to 84
            data.write(level, 1)
        line = write_line(tmp_path / "line.gpkg", corners[:2], crs=own)
        with pytest.raises(GroundError, match="no level on 1 stretch, by chainage") as caught:
            plan_fence(line=line, ground=raster, system="aac-panel")
        ((start, end),) = caught.value.chainages_m
        # cells 80..83 take level from centres 79.5 to 84.5: 5 m of easting along a leg of 100 m east, 20 m north
        assert end - start == pytest.approx(5 * np.hypot(100, 20) / 100, abs=0.3)
        plan = plan_fence(line=line, ground=raster, system="aac-panel", values={"ground": {"bridge_m": 6.0}})
        bridge = next(item for item in plan.fence.findings if item.code == "ground-bridged")
        assert bridge.value == pytest.approx(end - start, abs=0.01)
