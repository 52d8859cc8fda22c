"""The sample estate: the script makes what is there, and what is there is fit to be planned on.

Where a test holds a file against the script it is a regression (not independent): the script is its only source.
The other expectations are closed forms (a circle, a length, an extent) or the README's own statements.
"""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.features import geometry_mask
from rasterio.windows import Window, from_bounds

from geofence.inputs.job import read_job
from geofence.planner import plan_fence
from geofence.sample import LONG_JOB, PADDOCKS_JOB, SAMPLE_DATA, SAMPLE_JOB

FARM, ESTATE = SAMPLE_JOB.parent, LONG_JOB.parent
RASTERS = {FARM: FARM / "dtm_1m.tif", ESTATE: ESTATE / "dtm_2m.tif"}
BOTH = pytest.mark.parametrize("folder", [FARM, ESTATE], ids=["farm", "estate"])


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_alder_down", SAMPLE_DATA / "make_alder_down.py")
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, spec.name, module)
        spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def terrain(script):
    return script.Terrain()


def boundary(folder):
    meta, _, geometry, _ = pyogrio.raw.read(folder / "boundary.gpkg", layer="boundary")
    assert meta["crs"] == "EPSG:27700"
    (one,) = shapely.from_wkb(geometry)
    return one


def levels(folder, window=None):
    with rasterio.open(RASTERS[folder]) as raster:
        counts = raster.read(1, window=window, masked=True)
        return np.ma.filled(counts * raster.scales[0], np.nan)


class TestFromTheScript:
    def test_the_farm_raster_comes_out_again(self, script, terrain) -> None:
        with rasterio.open(RASTERS[FARM]) as raster:
            np.testing.assert_array_equal(script.FARM_SURVEY.counts(terrain), raster.read(1))

    @pytest.mark.parametrize(("column", "row"), [(380, 610), (900, 700), (150, 1000), (1050, 120)])
    def test_the_estate_raster_comes_out_again(self, script, terrain, column: int, row: int) -> None:
        size, survey = 120, script.ESTATE_SURVEY
        x = survey.west + (column + np.arange(size) + 0.5) * survey.cell_m
        y = survey.south + (survey.rows - row - np.arange(size) - 0.5) * survey.cell_m
        found = levels(ESTATE, Window(column, row, size, size))
        np.testing.assert_allclose(found, np.round(terrain.level(*np.meshgrid(x, y)), 2), atol=1e-9)

    @pytest.mark.parametrize("name", ["farm", "estate"])
    def test_boundaries_come_out_again(self, script, name: str) -> None:
        made = getattr(script, f"{name}_boundary")()
        found = boundary(FARM if name == "farm" else ESTATE)
        assert found.geom_type == made.geometry.geom_type
        np.testing.assert_allclose(
            shapely.get_coordinates(found), shapely.get_coordinates(made.geometry), rtol=0, atol=1e-9
        )

    def test_what_is_in_the_way_comes_out_again(self, script) -> None:
        for layer, geometry in script.farm_constraints().items():
            meta, _, found, _ = pyogrio.raw.read(FARM / script.CONSTRAINTS_FILE, layer=layer)
            assert meta["crs"] == "EPSG:27700"
            np.testing.assert_array_equal(
                shapely.get_coordinates(shapely.from_wkb(found)), shapely.get_coordinates(geometry)
            )

    def test_the_paddocks_come_out_again(self, script, terrain, tmp_path: Path) -> None:
        script.write_paddocks(tmp_path, terrain)
        for name in ("standing.csv", "control.csv"):
            assert (tmp_path / name).read_text() == (PADDOCKS_JOB.parent / name).read_text()
        made, found = (
            pyogrio.raw.read(folder / "paddocks.gpkg", layer="paddocks") for folder in (tmp_path, PADDOCKS_JOB.parent)
        )
        assert made[3][0].tolist() == found[3][0].tolist() == ["Upper", "Barn", "Lower"]
        assert made[2].tolist() == found[2].tolist()

    def test_a_level_does_not_depend_on_what_else_is_asked(self, terrain) -> None:
        x, y = np.meshgrid(np.arange(2380.0, 2480.0, 3.7), np.arange(1010.0, 1300.0, 3.7))
        alone = terrain.level(x[5:6, 7:8], y[5:6, 7:8])
        np.testing.assert_allclose(alone, terrain.level(x, y)[5:6, 7:8], rtol=0, atol=1e-9)


class TestFiles:
    def test_the_sample_is_small(self) -> None:
        files = [file for file in SAMPLE_DATA.rglob("*") if file.is_file() and "__pycache__" not in file.parts]
        assert sum(file.stat().st_size for file in files) < 2_000_000

    @BOTH
    def test_rasters_say_what_they_are(self, folder) -> None:
        with rasterio.open(RASTERS[folder]) as raster:
            assert raster.crs == rasterio.CRS.from_epsg(27700)
            assert (raster.dtypes, raster.scales, raster.offsets) == (("int16",), (0.01,), (0.0,))
            assert raster.units == ("m",)
            assert raster.block_shapes == [(256, 256)]
            assert raster.nodata == -32768

    @BOTH
    def test_the_outline_is_irregular(self, folder) -> None:
        known = np.isfinite(levels(folder))
        assert 0.8 < known.mean() < 0.99
        assert not known[[0, 0, -1, -1], [0, -1, 0, -1]].any()

    @BOTH
    def test_ground_covers_25_m_on_either_side_of_the_line_but_for_the_thicket(self, folder) -> None:
        line = boundary(folder)
        corridor = (line.boundary if line.geom_type == "Polygon" else line).buffer(25.0)
        with rasterio.open(RASTERS[folder]) as raster:
            beside = geometry_mask([corridor], raster.shape, raster.transform, invert=True, all_touched=True)
            assert shapely.box(*raster.bounds).contains(corridor)
        unknown = np.argwhere(beside & ~np.isfinite(levels(folder)))
        assert (len(unknown) > 0) == (folder == FARM)
        assert (unknown.max(axis=0, initial=0) - unknown.min(axis=0, initial=10_000)).max() < 10

    def test_the_thicket_leaves_less_of_the_line_without_ground_than_the_job_bridges(self) -> None:
        line = boundary(FARM)
        places = shapely.get_coordinates(shapely.line_interpolate_point(line, np.arange(0.0, line.length, 0.1)))
        with rasterio.open(RASTERS[FARM]) as raster:
            known = np.array([not count.mask[0] for count in raster.sample(places, masked=True)])
        gap = np.flatnonzero(~known)
        assert np.all(np.diff(gap) == 1)
        half_a_cell_each_side_m = 1.0  # where a bilinear level still leans on a cell without one
        assert 3.0 < 0.1 * len(gap) + half_a_cell_each_side_m < read_job(SAMPLE_JOB).ground.bridge_m

    def test_the_readme_tells_the_lengths(self) -> None:
        text = (SAMPLE_DATA / "README.md").read_text(encoding="utf-8")
        stated = re.findall(r"`(\w+)/boundary\.gpkg`.*: ([\d.]+) m on the grid, (\d+) legs", text)
        found = [
            (folder.name, f"{line.length:.2f}", str(len(shapely.get_coordinates(line)) - 1))
            for folder in (FARM, ESTATE)
            for line in [boundary(folder)]
        ]
        assert stated == found


class TestBoundaries:
    def test_the_lanes_bend_is_an_arc_of_60_m(self) -> None:
        vertices = shapely.get_coordinates(boundary(FARM))
        legs = np.hypot(*np.diff(vertices, axis=0).T)
        short = np.flatnonzero(legs < 3)
        assert len(short) == short[-1] - short[0] + 1 == 37
        arc = vertices[short[0] : short[-1] + 2]
        (centre_x, centre_y, offset), *_ = np.linalg.lstsq(
            np.column_stack([2 * (arc - arc[0]), np.ones(len(arc))]), ((arc - arc[0]) ** 2).sum(axis=1)
        )
        radius = np.sqrt(offset + centre_x**2 + centre_y**2)
        assert radius == pytest.approx(60.0, abs=0.02)  # vertices are rounded to the millimetre
        np.testing.assert_allclose(legs[short], 2.0, atol=0.02)

    def test_coordinates_are_whole_millimetres(self) -> None:
        for folder in (FARM, ESTATE):
            vertices = shapely.get_coordinates(boundary(folder))
            np.testing.assert_array_equal(vertices, np.round(vertices, 3))

    def test_the_farm_line_has_corners_and_slight_bends(self) -> None:
        turns = _turns_deg(shapely.get_coordinates(boundary(FARM)))
        assert np.count_nonzero(turns >= 10) == 4
        assert np.count_nonzero((turns >= 2.5) & (turns < 10)) == 2

    def test_the_estate_is_a_ring_of_about_10_km_counter_clockwise(self) -> None:
        estate = boundary(ESTATE)
        assert estate.is_valid
        assert estate.exterior.is_ccw
        assert estate.length == pytest.approx(10_000, abs=100)


class TestGround:
    def test_both_rasters_sample_the_same_ground(self) -> None:
        """Four cells of 1 m against the cell of 2 m over them; one cell astray, a slope of 8 % would show 8 cm."""
        with rasterio.open(RASTERS[FARM]) as farm, rasterio.open(RASTERS[ESTATE]) as estate:
            coarse = levels(ESTATE, from_bounds(*farm.bounds, estate.transform))
        fine = levels(FARM).reshape(300, 2, 350, 2).mean(axis=(1, 3))
        apart = np.abs(fine - coarse)[np.isfinite(fine) & np.isfinite(coarse)]
        assert np.quantile(apart, 0.9) < 0.02

    def test_the_land_is_steep_flat_and_rough_as_land_is(self) -> None:
        ground = levels(FARM)
        slope = np.hypot(*np.gradient(ground))
        middle = 0.25 * (ground[2:, 1:-1] + ground[:-2, 1:-1] + ground[1:-1, 2:] + ground[1:-1, :-2])
        unevenness = ground[1:-1, 1:-1] - middle
        assert np.nanquantile(slope, 0.05) < 0.03
        assert 0.05 < np.nanmedian(slope) < 0.12
        assert np.nanquantile(slope, 0.999) > 0.35
        assert 0.003 < np.nanquantile(np.abs(unevenness), 0.5) < 0.03

    def test_the_track_is_sunk_at_its_gate(self) -> None:
        (gate, *_) = tomllib.loads(SAMPLE_JOB.read_text(encoding="utf-8"))["gate"]
        line = boundary(FARM)
        middle = line.project(shapely.Point(gate["near"]))
        assert line.distance(shapely.Point(gate["near"])) < 0.1
        places = shapely.get_coordinates(line.interpolate([middle - 6, middle, middle + 6]))
        before, at, after = _sampled(FARM, places)
        assert at < min(before, after) - 0.4


class TestJobs:
    @BOTH
    def test_jobs_are_read_and_their_files_are_there(self, folder) -> None:
        job = read_job(folder / "fence.toml")
        assert job.path(job.line.file) == folder / "boundary.gpkg"
        assert [job.path(file) for file in job.ground.files] == [RASTERS[folder]]

    @BOTH
    def test_gates_given_by_place_are_on_the_line(self, folder) -> None:
        line = boundary(folder)
        line = line.exterior if line.geom_type == "Polygon" else line
        gates = tomllib.loads((folder / "fence.toml").read_text(encoding="utf-8"))["gate"]
        assert all(line.distance(shapely.Point(gate["near"])) < 0.1 for gate in gates if "near" in gate)

    def test_the_main_job_can_be_built_and_has_something_to_look_at(self) -> None:
        """What the sample promises to show; the plan's own numbers are tested where they are made."""
        plan = plan_fence(SAMPLE_JOB)
        told = [(finding.code, finding.severity) for finding in plan.fence.findings if finding.severity != "note"]
        assert told == [("ground-bridged", "warn"), ("gate-gap-over-limit", "warn")]
        kinds = plan.posts["kind"].value_counts()
        assert (kinds["end"], kinds["corner"], kinds["bend"], kinds["gate"]) == (2, 4, 2, 4)
        assert set(plan.bays["kind"]) == {"full", "cut", "gate"}

    def test_the_main_job_goes_round_what_is_in_the_way(self) -> None:
        """Distances by shapely on the grid, whose scale is 0.9996: 1.3 mm in 3 m."""
        plan = plan_fence(SAMPLE_JOB)
        codes = [finding.code for finding in plan.fence.findings if finding.code.startswith(("zone", "keep-clear"))]
        assert codes.count("keep-clear-avoided") == 2
        assert sorted(set(codes)) == ["keep-clear-avoided", "zone-consult", "zone-kept", "zone-not-met"]
        posts = shapely.points(plan.posts["easting"], plan.posts["northing"])
        hole_m = plan.system.hole_diameter_m / 2
        for layer, buffer_m in (("water_main", 0.6), ("trees", 3.0)):
            _, _, geometry, _ = pyogrio.raw.read(FARM / "constraints.gpkg", layer=layer)
            nearest = shapely.distance(shapely.from_wkb(geometry)[0], posts).min()
            assert nearest == pytest.approx(buffer_m + hole_m, abs=0.03)
            assert nearest >= buffer_m + hole_m - 0.0015

    def test_the_paddocks_share_posts_and_keep_those_that_stand(self) -> None:
        """Posts are shared at the ends of the shared sides; one of these four places has an old strainer already.

        Lengths are those of the polygons' outlines on the grid, by shapely, by the mean scale.
        """
        plan = plan_fence(PADDOCKS_JOB)
        assert not [item for item in plan.fence.findings if item.severity == "stop"]
        kinds = plan.posts["kind"].value_counts()
        assert (kinds["junction"], kinds["existing"], kinds["gate"]) == (3, 3, 6)
        assert list(dict.fromkeys(run.line for run in plan.runs)) == ["Upper", "Barn", "Lower"]
        assert {"AD1", "AD2", "AD3"} < set(plan.marks.name)
        _, _, areas, _ = pyogrio.raw.read(PADDOCKS_JOB.parent / "paddocks.gpkg")
        once = shapely.unary_union(shapely.boundary(shapely.from_wkb(areas))).length
        assert plan.summary()["length_m"] == pytest.approx(once / plan.grid.combined_factor, abs=0.01)

    def test_the_long_job_shows_limits_that_the_ground_breaks(self) -> None:
        """Few against its 3,900 bays: an estate that could nearly be fenced so."""
        stops = [finding for finding in plan_fence(LONG_JOB).fence.findings if finding.severity == "stop"]
        assert 1 <= len(stops) <= 10


def _turns_deg(vertices):
    ahead = np.diff(vertices, axis=0)
    bearing = np.degrees(np.arctan2(ahead[:, 0], ahead[:, 1]))
    return np.abs((np.diff(bearing) + 180) % 360 - 180)


def _sampled(folder, places):
    with rasterio.open(RASTERS[folder]) as raster:
        return [float(count[0]) * raster.scales[0] for count in raster.sample(places)]
