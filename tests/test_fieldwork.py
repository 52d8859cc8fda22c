"""Surveys, patches and check points through a whole job, as inspected and as planned.

Expected levels are those of planes; distances are pyproj's geodesics, which the code does not use for them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer

from geofence import plan_fence
from geofence.engine.records import Finding
from geofence.errors import GridError, JobError
from geofence.inputs.job import Job, job_from_values
from geofence.inspection import Inspection, inspect
from geofence.plan import Places, ShotPoints
from geofence.planning.fieldwork import far_posts
from tests import landxml
from tests.sites import write_line, write_raster
from tests.terminal import geofence

GRID = "EPSG:27700"
EAST, NORTH = 432_000.0, 208_000.0
LINE = [(EAST + 20, NORTH + 20), (EAST + 120, NORTH + 30), (EAST + 130, NORTH + 130)]


def plane(x: Any, y: Any) -> Any:
    return 100 + 0.02 * (np.asarray(x) - EAST) + 0.03 * (np.asarray(y) - NORTH)


def shots(file: Path, x: Any, y: Any, level: Any, *, header: str = "point,easting,northing,level") -> Path:
    rows = (f"S{row},{a:.4f},{b:.4f},{c:.4f}" for row, (a, b, c) in enumerate(zip(x, y, level, strict=True), start=1))
    file.write_text("\n".join([header, *rows]))
    return file


def lattice(apart: float, *, low: float = 0.0, high: float = 150.0) -> tuple[Any, Any]:
    x, y = np.meshgrid(EAST + np.arange(low, high + 1, apart), NORTH + np.arange(low, high + 1, apart))
    return x.ravel(), y.ravel()


def job(folder: Path, job_above: str | None = None, **ground: Any) -> Job:
    write_line(folder / "line.gpkg", LINE, crs=CRS(GRID))
    values: dict[str, Any] = {"line": {"file": "line.gpkg"}, "ground": ground}
    if job_above is not None:
        values["job"] = {"level_datum": job_above}
    return job_from_values(values, base=folder)


def survey_job(folder: Path, *, apart: float = 10.0, **ground: Any) -> Job:
    x, y = lattice(apart)
    shots(folder / "shots.csv", x, y, plane(x, y))
    return job(folder, **{"files": "shots.csv", "grid": GRID, **ground})


def raster_job(folder: Path, **ground: Any) -> Job:
    """The plane in cells of a metre."""
    write_raster(
        folder / "dtm.tif", crs=CRS(GRID), west=EAST, north=NORTH + 150, cell=1, shape=(150, 150),
        surface=lambda x, y: plane(EAST + x, NORTH + 150 - y),
    )  # fmt: skip
    return job(folder, files="dtm.tif", **ground)


def told(seen: Inspection, code: str) -> Finding:
    (finding,) = (finding for finding in seen.findings if finding.code == code)
    return finding


def codes(seen: Inspection) -> set[str]:
    return {finding.code for finding in seen.findings}


class TestDistanceToTheSurvey:
    def test_is_that_of_the_geodesic_to_the_nearest_point(self, tmp_path):
        plan = plan_fence(survey_job(tmp_path, apart=7.0))
        lon, lat = Transformer.from_crs(GRID, 4277, always_xy=True).transform(*lattice(7.0))
        post_lon, post_lat = Transformer.from_crs(GRID, 4277, always_xy=True).transform(
            plan.places.easting, plan.places.northing
        )
        airy = Geod(ellps="airy")
        for row in range(0, len(plan.places.easting), 7):
            _, _, away = airy.inv(np.full(len(lon), post_lon[row]), np.full(len(lat), post_lat[row]), lon, lat)
            assert plan.places.survey_distance_m[row] == pytest.approx(away.min(), abs=1e-4)

    def test_stands_in_the_posts_after_the_supports(self, tmp_path):
        columns = plan_fence(survey_job(tmp_path)).post_columns()
        names = list(columns)
        assert names[names.index("support_ahead_m") + 1] == "survey_distance_m"

    def test_is_null_on_a_raster(self, tmp_path):
        plan = plan_fence(raster_job(tmp_path))
        assert np.isnan(plan.places.survey_distance_m).all()
        plan.write(tmp_path / "out")
        feature = json.loads((tmp_path / "out" / "posts.geojson").read_text())["features"][0]
        assert feature["properties"]["survey_distance_m"] is None
        assert not [finding for finding in plan.fence.findings if finding.code == "survey-far"]

    def test_far_posts_are_told_by_stretch(self, tmp_path):
        plan = plan_fence(survey_job(tmp_path, apart=50.0, survey_distance_max_m=20.0))
        far = [finding for finding in plan.fence.findings if finding.code == "survey-far"]
        over = plan.places.survey_distance_m > 20
        assert len(far) == np.count_nonzero(np.diff(np.concatenate([[0], over.astype(int)])) == 1) > 0
        assert max(finding.value or 0 for finding in far) == pytest.approx(
            plan.places.survey_distance_m.max(), abs=1e-3
        )

    def test_one_row_of_far_posts_is_one_finding(self):
        """By hand: posts 1 and 2, and 4, are over 5 m."""
        away = np.array([1.0, 6.0, 7.0, 5.0, 9.0, np.nan])
        zeros = np.zeros(6)
        places = Places(
            lon_deg=zeros, lat_deg=zeros, easting=zeros, northing=zeros, bearing_deg=zeros, survey_distance_m=away
        )
        first, second = far_posts(places, np.arange(6) * 2.0, limit_m=5.0)
        assert (first.post, first.chainage_m, first.chainage_to_m, first.value, first.limit) == (2, 2.0, 4.0, 7.0, 5.0)
        assert (second.post, second.chainage_m, second.chainage_to_m) == (4, 8.0, 8.0)
        assert first.severity == "warn"
        assert "2 posts in a row stand" in first.message
        assert "This post stands" in second.message


class TestCheckPoints:
    OFF = np.array([0.05, -0.02, 0.01, -0.06])
    """By which the ground lies too high at each: mean -0.005, root mean square sqrt(0.00165)."""

    def checked(self, folder: Path, **check: Any) -> Inspection:
        x, y = EAST + np.array([30.0, 60, 90, 125]), NORTH + np.array([22.0, 25, 28, 60])
        shots(folder / "checks.csv", x, y, plane(x, y) - self.OFF)
        return inspect(raster_job(folder, check={"files": "checks.csv", "grid": GRID, **check}))

    def test_are_told_with_their_statistics(self, tmp_path):
        finding = told(self.checked(tmp_path), "ground-checked")
        assert finding.severity == "note"
        assert finding.value == pytest.approx(np.sqrt(np.mean(self.OFF**2)), abs=1e-4)
        assert finding.limit == 0.10
        assert "At 4 check points of checks.csv the ground lies 0.005 m too low on average" in finding.message
        assert "root mean square 0.041 m" in finding.message
        # sorted 0.01, 0.02, 0.05, 0.06; rank 2.85, so 0.0585
        assert "95 % within 0.05" in finding.message
        assert "most, -0.060 m, at S4, 2.0 m from the line" in finding.message

    def test_warn_where_the_ground_disagrees(self, tmp_path):
        finding = told(self.checked(tmp_path, tolerance_m=0.04), "ground-checked")
        assert (finding.severity, finding.limit) == ("warn", 0.04)
        assert "Shoot levels along the line" in finding.remedy
        # the second leg starts at the corner, 100.5 m along; the worst point is 30 m further up it
        assert finding.chainage_m == pytest.approx(100.5 + 30, abs=0.5)

    def test_on_an_offset_agree_again(self, tmp_path):
        finding = told(self.checked(tmp_path, level_offset_m=1.0), "ground-checked")
        assert finding.severity == "warn"
        assert finding.value == pytest.approx(np.sqrt(np.mean((self.OFF - 1) ** 2)), abs=1e-4)

    def test_points_of_landxml_check_it_as_well(self, tmp_path):
        x, y = np.array([EAST + 30.0, EAST + 60.0, EAST + 90.0]), np.full(3, NORTH + 40.0)
        level = plane(x, y) - np.array([0.01, 0.02, 0.06])
        rows = zip("ABC", y, x, level, strict=True)
        points = "".join(f'<CgPoint name="{name}">{n:.4f} {e:.4f} {z:.4f}</CgPoint>' for name, n, e, z in rows)
        landxml.write(tmp_path / "checks.xml", f"<CgPoints>{points}</CgPoints>")
        finding = told(inspect(raster_job(tmp_path, check="checks.xml")), "ground-checked")
        assert "At 3 check points of checks.xml the ground lies 0.030 m too high on average" in finding.message
        assert "most, +0.060 m, at C," in finding.message

    def test_what_was_written_for_a_device_comes_back_from_it(self, tmp_path):
        """The ground at the posts, as LandXML gives it to 0.1 mm, is that of the raster."""
        plan = plan_fence(raster_job(tmp_path))
        plan.write(tmp_path / "out", also=["landxml"])
        finding = told(inspect(raster_job(tmp_path, check="out/fence.xml")), "ground-checked")
        assert f"At {len(plan.fence.posts)} check points of fence.xml" in finding.message
        assert finding.value <= 1e-4

    def test_that_lie_outside_the_ground_are_told(self, tmp_path):
        shots(tmp_path / "checks.csv", [EAST - 100, EAST - 50], [NORTH, NORTH + 5], [100, 100])
        seen = inspect(raster_job(tmp_path, check={"files": "checks.csv", "grid": GRID}))
        assert told(seen, "ground-not-checked").severity == "warn"

    def test_without_header_ask_in_their_own_table(self, tmp_path):
        (tmp_path / "checks.csv").write_text("1,432030,208022,100\n")
        with pytest.raises(JobError, match=r"^ground\.check\.order"):
            inspect(raster_job(tmp_path, check={"files": "checks.csv", "grid": GRID}))

    def test_count_among_the_inputs(self, tmp_path):
        self.checked(tmp_path)
        plan = plan_fence(raster_job(tmp_path, check={"files": "checks.csv", "grid": GRID}))
        assert set(plan.provenance.inputs) == {"line.gpkg", "dtm.tif", "checks.csv"}


class TestPatches:
    def patched(self, folder: Path, over_m: float, **patch: Any) -> Job:
        x, y = lattice(5.0, low=60.0, high=140.0)
        shots(folder / "yard.csv", x, y, plane(x, y) + over_m)
        return raster_job(folder, patch={"files": "yard.csv", "grid": GRID, **patch})

    def test_the_survey_wins_within_its_hull(self, tmp_path):
        plan = plan_fence(self.patched(tmp_path, 0.25))
        x, y = plan.stations.easting, plan.stations.northing
        inside = (x > EAST + 60.3) & (y > NORTH + 60.3)
        outside = (x < EAST + 59.7) | (y < NORTH + 59.7)
        assert inside.sum() > 100
        np.testing.assert_allclose(plan.stations.ground_level_m[inside], plane(x, y)[inside] + 0.25, atol=2e-4)
        np.testing.assert_allclose(plan.stations.ground_level_m[outside], plane(x, y)[outside], atol=2e-4)
        far = plan.places.survey_distance_m
        assert np.isnan(far[0])
        assert far[-1] < 5

    @pytest.mark.parametrize(("over_m", "severity"), [(0.25, "warn"), (0.05, "note")])
    def test_the_seam_is_told(self, tmp_path, over_m, severity):
        finding = told(inspect(self.patched(tmp_path, over_m)), "patch-seam")
        assert finding.severity == severity
        assert finding.value == pytest.approx(over_m, abs=2e-4)
        assert f"the ground below it lies {over_m:.3f} m too low on average" in finding.message

    def test_the_tolerance_is_the_jobs(self, tmp_path):
        assert told(inspect(self.patched(tmp_path, 0.05, tolerance_m=0.04)), "patch-seam").limit == 0.04

    def test_only_a_survey_can_be_one(self, tmp_path):
        raster_job(tmp_path)
        with pytest.raises(JobError, match=r"ground\.patch: only a survey of points can be laid over"):
            inspect(job(tmp_path, files="dtm.tif", patch="dtm.tif"))


class TestDatums:
    @pytest.mark.parametrize(
        ("files_above", "job_above", "offset_m", "code", "severity"),
        [
            ("ODN", "ODN", 0.0, None, None),
            ("odn ", "ODN", 0.0, None, None),
            ("site datum", "ODN", 0.0, "level-datum-differs", "warn"),
            ("site datum", "ODN", 71.35, "level-datum-carried", "note"),
            ("ODN", None, 0.0, "level-datum-unnamed", "note"),
            (None, "ODN", 0.0, None, None),
        ],
    )
    def test_are_held_against_each_other_by_name(self, tmp_path, files_above, job_above, offset_m, code, severity):
        x, y = lattice(10.0)
        shots(tmp_path / "shots.csv", x, y, plane(x, y))
        ground = {"files": "shots.csv", "grid": GRID, "level_offset_m": offset_m}
        seen = inspect(job(tmp_path, job_above, **ground, **({"level_datum": files_above} if files_above else {})))
        found = {item.code: item.severity for item in seen.findings if item.code.startswith("level-datum")}
        assert found == ({} if code is None else {code: severity})

    def test_an_offset_moves_a_raster_too(self, tmp_path):
        low = inspect(raster_job(tmp_path)).level_min_m
        assert inspect(raster_job(tmp_path, level_offset_m=2.5)).level_min_m == pytest.approx(low + 2.5, abs=1e-4)
        assert "level-offset" in codes(inspect(raster_job(tmp_path, level_offset_m=2.5)))


class TestSwappedColumns:
    def test_are_told_where_the_grid_takes_both_ways(self, tmp_path):
        """Easting 208000, northing 432000 lie in Great Britain too: only the line tells."""
        x, y = lattice(10.0)
        shots(tmp_path / "shots.csv", y, x, plane(x, y))
        with pytest.raises(GridError) as caught:
            inspect(job(tmp_path, files="shots.csv", grid=GRID))
        assert "the ground does not cover the line anywhere" in str(caught.value)
        assert "Northing and easting of shots.csv look swapped" in str(caught.value)
        assert "ground.order" in str(caught.value)

    def test_are_not_told_where_the_points_lie_elsewhere(self, tmp_path):
        x, y = lattice(10.0)
        shots(tmp_path / "shots.csv", x + 5000, y, plane(x, y))
        with pytest.raises(GridError) as caught:
            inspect(job(tmp_path, files="shots.csv", grid=GRID))
        assert "swapped" not in str(caught.value)


class TestInspection:
    def test_counts_points_and_those_on_others(self, tmp_path):
        x, y = lattice(10.0)
        again = ([*x, x[0], x[5]], [*y, y[0], y[5]])
        shots(tmp_path / "shots.csv", *again, [*plane(x, y), plane(x[0], y[0]), plane(x[5], y[5]) + 0.3])
        field = inspect(job(tmp_path, files="shots.csv", grid=GRID, coincident="mean")).field
        assert field is not None
        assert (field.points, field.coincident, field.coincident_at_odds) == (258, 2, 1)
        assert field.box == (EAST, NORTH, EAST + 150, NORTH + 150)

    def test_gives_the_box_in_the_working_grid(self, tmp_path):
        x, y = lattice(10.0)
        shots(tmp_path / "shots.csv", x, y, plane(x, y))
        write_line(tmp_path / "line.gpkg", LINE, crs=CRS(GRID))
        made = job_from_values(
            {
                "job": {"grid": "EPSG:32630"},
                "line": {"file": "line.gpkg"},
                "ground": {"files": "shots.csv", "grid": GRID},
            },
            base=tmp_path,
        )
        field = inspect(made).field
        assert field is not None
        expected = Transformer.from_crs(GRID, 32630, always_xy=True).transform(EAST, NORTH)
        assert field.box[0] == pytest.approx(expected[0], abs=5)

    def test_tells_spacing_and_the_longest_stretch_without_support(self, tmp_path):
        """Points 10 m apart on either side of the first leg alone: the second runs away from them for 85 m and more."""
        along = np.arange(0, 101, 10.0)
        x = np.concatenate([EAST + 20 + along] * 2)
        y = np.concatenate([NORTH + 20 + along / 10 - 2, NORTH + 20 + along / 10 + 2])
        x, y = np.append(x, [EAST + 100, EAST + 200]), np.append(y, [NORTH + 200, NORTH + 200])
        shots(tmp_path / "shots.csv", x, y, plane(x, y))
        field = inspect(job(tmp_path, files="shots.csv", grid=GRID)).field
        assert field is not None
        assert field.unsupported is not None
        begin, end = field.unsupported
        assert begin == pytest.approx(100.5 + 17, abs=0.5)
        assert end == pytest.approx(201, abs=0.5)
        # t along the second leg's northing, as far from (120, 32) as from (100, 200): t = 29296 / 332
        t = 29_296 / 332
        assert field.distance_max_m == pytest.approx(np.hypot(t / 10, t - 2), abs=0.2)
        # of 201 m the line passes eleven places of points on either side, of which it is nearer to one each
        assert 201 / 22 <= field.spacing_m <= 201 / 11

    def test_shows_how_files_were_read(self, tmp_path):
        survey_job(tmp_path)
        ran = geofence(
            "inspect", "--line", tmp_path / "line.gpkg", "--ground", tmp_path / "shots.csv", "--ground-grid", GRID
        )
        assert ran.code == 0, ran.err
        for text in (
            "Survey",
            "256, 0 on another",
            "delimiter",
            "comma",
            "the header, line 1",
            "easting 432010, northing 208000",
        ):
            assert text in ran.out

    def test_is_json_for_programs(self, tmp_path):
        survey_job(tmp_path)
        ran = geofence(
            "inspect", "--line", tmp_path / "line.gpkg", "--ground", tmp_path / "shots.csv", "--ground-grid", GRID,
            "--json",
        )  # fmt: skip
        survey = json.loads(ran.out)["survey"]
        assert survey["points"] == 256
        assert survey["files"][0]["columns"] == "point,easting,northing,level"
        assert survey["files"][0]["first_rows"][0] == ["line 2", EAST, NORTH, 100.0]
        assert survey["distance_limit_m"] == 15.0

    def test_a_raster_has_no_survey(self, tmp_path):
        assert inspect(raster_job(tmp_path)).field is None


class TestRefusals:
    """One screen that says what to mend, exit code 2."""

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("1,432030,208022,100\n2,432040,208022,100\n", ("ground.order", "is not certain", "PNEZC")),
            ("p,e,n,z\n1,432030,208022,1o0\n2,432040,208022,100\n", ("shots.csv, line 2", "'1o0' is no level")),
            ("p,e,n,z\n1,432030,208022,100\n2,432040,208022,100\n", ("shots.csv", "2 points, limit 3")),
            ("point,easting,northing\n1,432030,208022\n", ("ground.order", "point, easting, northing")),
        ],
    )  # fmt: skip
    def test_on_the_command_line(self, tmp_path, text, says):
        line = write_line(tmp_path / "line.gpkg", LINE, crs=CRS(GRID))
        (tmp_path / "shots.csv").write_text(text)
        ran = geofence(
            "plan", "--line", line, "--ground", tmp_path / "shots.csv", "--ground-grid", GRID, "--out", tmp_path / "out"
        )
        assert ran.code == 2, ran.out + ran.err
        assert not (tmp_path / "out").exists()
        assert len(ran.err) < 1200, "one screen"
        for word in says:
            assert word in ran.err


class TestShotPoints:
    """What the map shows of a survey: the points beside the line, against pyproj's geodesics to the line."""

    def test_those_beside_the_line_as_they_were_shot(self, tmp_path: Path) -> None:
        plan = plan_fence(survey_job(tmp_path, apart=7.0))
        assert plan.shot is not None
        x, y = lattice(7.0)
        lon, lat = Transformer.from_crs(GRID, 4326, always_xy=True).transform(x, y)
        stations = Transformer.from_crs(GRID, 4326, always_xy=True).transform(
            plan.stations.easting, plan.stations.northing
        )
        geod = Geod(ellps="WGS84")
        away = np.array(
            [
                geod.inv(np.full(len(stations[0]), a), np.full(len(stations[0]), b), *stations)[2].min()
                for a, b in zip(lon, lat, strict=True)
            ]
        )
        there = np.flatnonzero(away < 60 - 0.02)
        perhaps = np.flatnonzero(away < 60 + 0.02)
        found = [int(np.argmin(np.hypot(lon - a, lat - b))) for a, b in zip(*_places(plan.shot), strict=True)]
        assert set(there) <= set(found) <= set(perhaps)
        assert 0 < len(found) < len(x)
        assert np.abs(plan.shot.lon_deg - lon[found]).max() < 1e-9
        assert plan.shot.level_m == pytest.approx(plane(x, y)[found], abs=1e-3)
        assert plan.shot.reach_m == 60.0

    def test_of_many_the_nearest(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("geofence.planning.fieldwork.MOST_SHOWN", 25)
        few = plan_fence(survey_job(tmp_path, apart=7.0)).shot
        monkeypatch.setattr("geofence.planning.fieldwork.MOST_SHOWN", 4_000)
        every = plan_fence(survey_job(tmp_path, apart=7.0)).shot
        assert few is not None
        assert every is not None
        assert len(few) == 25 < len(every)
        assert 0 < few.reach_m < 60
        assert set(zip(*_places(few), strict=True)) < set(zip(*_places(every), strict=True))

    def test_a_raster_has_none(self, tmp_path: Path) -> None:
        assert plan_fence(raster_job(tmp_path)).shot is None


def _places(shot: ShotPoints) -> tuple[list[float], list[float]]:
    return shot.lon_deg.tolist(), shot.lat_deg.tolist()
