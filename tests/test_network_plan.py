"""Several lines in one job that meet, from the job file to the plan and its files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas
import pyogrio
import pytest
import shapely
from pyproj import Geod

from geofence.errors import JobError, LayoutError
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from tests.networks import HOSTILE_NAMES, LANE, ORIGIN, UTM, hostile_paddocks, paddocks, run_of, write_paddocks
from tests.sites import write_line, write_raster
from tests.terminal import geofence

WGS84 = Geod(ellps="WGS84")
TWICE = '[[line]]\nname = "Lane"\nfile = "lane.gpkg"\n[[line]]\nname'


@pytest.fixture(scope="module")
def plan() -> FencePlan:
    return paddocks()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files of the plan."""
    folder = tmp_path_factory.mktemp("network") / "out"
    paddocks().write(folder)
    return folder


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return write_paddocks(tmp_path)


def finding_codes(plan: FencePlan) -> list[str]:
    return [item.code for item in plan.fence.findings]


def crossing(folder: Path, *, tables: str = "", line: str = "", **corners: Any) -> Path:
    """A job of lines on a hilly ground, by name and corners from a corner of the ground."""
    write_raster(folder / "ground.tif", crs=UTM, west=ORIGIN[0], north=ORIGIN[1] + 200, cell=1.0, shape=(200, 200))
    lines = ""
    for name, places in corners.items():
        write_line(folder / f"{name}.gpkg", np.array(places, dtype=float) + ORIGIN, crs=UTM)
        lines += f'[[line]]\nname = "{name}"\nfile = "{name}.gpkg"\n{line}\n'
    job = folder / "fence.toml"
    job.write_text(f'schema = 1\n{lines}\n[ground]\nfiles = "ground.tif"\nlevel_unit = "m"\n{tables}', encoding="utf-8")
    return job


class TestTheNetwork:
    def test_lines_have_names_from_the_file_and_the_job(self, plan: FencePlan) -> None:
        assert plan.line_names == ("Home", "East", "Top", "Lane")
        assert [run.line for run in plan.runs] == ["Home", "East", "Top", "Lane"]
        assert [run.closed for run in plan.runs] == [True, False, False, False]

    def test_each_line_has_its_own_chainage(self, plan: FencePlan) -> None:
        for run in plan.runs:
            assert run.chainage_m[0] == 0
            assert np.all(np.diff(run.chainage_m) > 0)
            assert np.array_equal(plan.fence.bays.start_m[run.bays], run.chainage_m[: len(run.bays)])

    def test_posts_where_lines_meet_are_planned_once(self, plan: FencePlan) -> None:
        """(a) Home, East and Top meet at the corners of the shared sides, the lane crosses Home twice and Top once."""
        kinds = plan.fence.posts.kind
        assert kinds.count("junction") == 7
        lon, lat = plan.places.lon_deg, plan.places.lat_deg
        near = shapely.STRtree(shapely.points(plan.places.easting, plan.places.northing)).query(
            shapely.points(plan.places.easting, plan.places.northing), predicate="dwithin", distance=0.3
        )
        assert np.array_equal(*near)  # no two posts stand in one place
        for run in plan.runs:
            rows = np.append(run.posts, run.posts[:1]) if run.closed else run.posts
            _, _, width = WGS84.inv(lon[rows[:-1]], lat[rows[:-1]], lon[rows[1:]], lat[rows[1:]])
            # on the ground at about 100 m, 16 parts in a million longer
            assert np.asarray(width) * (1 + 103 / 6_380_000) == pytest.approx(
                plan.fence.bays.width_m[run.bays], abs=5e-4
            )

    def test_shared_sides_are_fenced_once(self, plan: FencePlan) -> None:
        """(a) The sides of the paddocks by their corners, in the grid and on the ground."""
        summary, scale = plan.summary(), plan.grid.combined_factor
        home, east = 4 * 40, np.hypot(50, 10) + 30 + 50
        top = np.hypot(10, 40) + 70 + np.hypot(10, 40)
        lane = np.hypot(0.01, 80) + np.hypot(24.99, 40)
        expected = {"Home": home, "East": east, "Top": top, "Lane": lane}
        for name, length in expected.items():
            assert summary["lines"][name] * scale == pytest.approx(length, abs=2e-3)
        assert summary["length_m"] == pytest.approx(sum(summary["lines"].values()))
        shared = [(item.line, item.value) for item in plan.fence.findings if item.code == "boundary-shared"]
        assert [(line, round(value * scale, 2)) for line, value in shared if value] == [
            ("Home", 40.0), ("Home", 40.0), ("East", 50.0),
        ]  # fmt: skip

    def test_an_offset_that_parts_shared_sides_is_told(self, tmp_path: Path) -> None:
        """All rings run anticlockwise, so each side that two share goes 0.55 m into either: 1.1 m apart."""
        file = write_paddocks(tmp_path)
        text = file.read_text(encoding="utf-8").replace(
            'name_field = "paddock"', 'name_field = "paddock"\noffset_m = 0.55'
        )
        file.write_text(text, encoding="utf-8")
        plan = plan_fence(file)
        told = [item for item in plan.fence.findings if item.code == "boundary-parted"]
        assert [(item.line, item.severity) for item in told] == [("Home", "warn"), ("Home", "warn"), ("East", "warn")]
        assert [item.value for item in told] == pytest.approx([1.1, 1.1, 1.1], abs=2e-3)
        assert told[0].message.startswith("Home and East run together as drawn over 40.0")
        assert told[0].chainage_m is not None
        assert 39 < told[0].chainage_m < 79
        assert "[[line]]" in told[0].remedy

    def test_a_network_as_drawn_parts_nothing(self, plan: FencePlan) -> None:
        assert "boundary-parted" not in finding_codes(plan)

    def test_a_setback_says_what_an_offset_would_move(self, tmp_path: Path) -> None:
        pipe = write_line(tmp_path / "pipe.gpkg", np.array([(50.5, 40), (50.5, 95)]) + ORIGIN, crs=UTM)
        zone = f'[[zone]]\nfile = "{pipe.name}"\nrule = "setback"\nlimit_m = 1.0\n'
        plan = plan_fence(write_paddocks(tmp_path, zone=zone))
        told = [item.remedy for item in plan.fence.findings if item.code == "setback-under-limit"]
        assert told
        assert all("offset_m of its [[line]] moves all lines of that table, and parts those" in text for text in told)

    def test_a_shared_post_s_top_covers_all_bays_there(self, plan: FencePlan) -> None:
        bays, posts = plan.fence.bays, plan.fence.posts
        for row in np.flatnonzero(np.array(posts.kind) == "junction"):
            tops = [*bays.top_from_m[bays.from_post == row], *bays.top_to_m[bays.to_post == row]]
            assert len(tops) >= 3
            assert posts.top_level_m[row] == pytest.approx(max(tops) + 0.005)

    def test_all_lines_of_a_junction_know_its_ground(self, plan: FencePlan) -> None:
        """Each has a station there, and the level of the post is that of all of them."""
        stations, posts = plan.stations, plan.fence.posts
        for run in plan.runs:
            for row, chainage_m in zip(run.posts, run.chainage_m, strict=True):
                if posts.kind[row] == "junction":
                    apart = np.abs(stations.chainage_m[run.stations] - chainage_m)
                    here = run.stations[np.argmin(apart)]
                    assert apart.min() < 1e-6
                    assert stations.ground_level_m[here] == pytest.approx(posts.ground_level_m[row], abs=1e-6)

    def test_each_run_has_its_own_optimum(self, tmp_path: Path, plan: FencePlan) -> None:
        """The lane planned alone, between posts that stand where it meets the others, costs what it costs here."""
        from geofence.engine.fence import build_fence
        from geofence.engine.records import FixedPost
        from geofence.engine.records import Path as EnginePath
        from geofence.inputs.job import read_job, resolve
        from geofence.planning.surveyed import survey
        from geofence.systems import catalogue

        job = read_job(write_paddocks(tmp_path))
        site, rules = survey(job), resolve(job, catalogue.load("aac-panel"))
        lane = site.runs[3]
        run = run_of(plan, "Lane")
        met = [
            at for at, row in zip(run.chainage_m, run.posts, strict=True) if plan.fence.posts.kind[row] == "junction"
        ]
        alone = build_fence(
            lane.profile,
            EnginePath(vertex_m=lane.vertex_m, deflection_deg=lane.line.deflection_deg),
            fixed=[FixedPost(chainage_m=at, kind="junction") for at in met],
            layout=rules.layout,
            levels=rules.levels,
            posts=rules.posts,
            panel=rules.panels,
        )
        assert np.array_equal(alone.bays.underside_from_m, plan.fence.bays.underside_from_m[run.bays])

    def test_order_of_tables_changes_names_only(self, tmp_path: Path, plan: FencePlan) -> None:
        job = write_paddocks(tmp_path)
        text = job.read_text(encoding="utf-8")
        first, second, third = text.split("[[line]]")
        rest = third.index("[ground]")
        job.write_text(f"{first}[[line]]{third[:rest]}[[line]]{second}{third[rest:]}", encoding="utf-8")
        turned = plan_fence(job)
        assert turned.line_names == ("Lane", "Home", "East", "Top")

        def junctions(of: FencePlan) -> list[tuple[float, float]]:
            rows = np.flatnonzero(np.array(of.fence.posts.kind) == "junction")
            return sorted(
                zip(of.places.easting[rows].round(4).tolist(), of.places.northing[rows].round(4).tolist(), strict=True)
            )

        assert junctions(turned) == junctions(plan)

    def test_a_line_that_meets_nothing_is_planned_as_if_alone(self, tmp_path: Path) -> None:
        far, cross = ((20, 20), (60, 22), (90, 40)), ((20, 100), (90, 110))
        whole = plan_fence(crossing(tmp_path, far=far, one=cross, other=((50, 90), (55, 150))))
        (tmp_path / "alone").mkdir()
        alone = plan_fence(crossing(tmp_path / "alone", far=far))
        run = run_of(whole, "far")
        for name in ("width_m", "underside_from_m", "gap_area_m2"):
            assert np.array_equal(getattr(whole.fence.bays, name)[run.bays], getattr(alone.fence.bays, name))
        assert np.array_equal(whole.places.easting[run.posts], alone.places.easting)


class TestOneLine:
    def test_that_crosses_itself_has_a_junction_without_names(self, tmp_path: Path) -> None:
        job = crossing(tmp_path, eight=((20, 20), (100, 20), (100, 90), (60, 5)))
        job.write_text(job.read_text().replace("[[line]]", "[line]").replace('name = "eight"\n', ""))
        plan = plan_fence(job)
        assert plan.line_names == ()
        (run,) = plan.runs
        (row,) = np.flatnonzero(np.array(plan.fence.posts.kind) == "junction")
        assert np.count_nonzero(run.posts == row) == 2
        assert "line" not in plan.post_columns()
        assert "line" not in plan.finding_columns()
        assert len(plan.fence.bays) == len(run.posts) - 1 == len(plan.fence.posts)

    def test_of_features_that_touch_shares_its_posts_too(self, tmp_path: Path) -> None:
        job = crossing(tmp_path, a=((20, 20), (60, 20)))
        lines = [shapely.LineString(np.array(each) + ORIGIN) for each in (((20, 20), (60, 20)), ((40, 60), (40, 20)))]
        pyogrio.raw.write(
            tmp_path / "a.gpkg", geometry=shapely.to_wkb(lines), field_data=[], fields=[], crs=UTM.to_wkt(),
            geometry_type="LineString", layer="a",
        )  # fmt: skip
        plan = plan_fence(job)
        assert plan.fence.posts.kind.count("junction") == 1
        assert [run.line for run in plan.runs] == ["a", "a"]
        assert plan.runs[1].chainage_m[0] == pytest.approx(plan.runs[0].chainage_m[-1])


class TestFindings:
    def test_ends_that_nearly_meet_are_told_with_their_line(self, tmp_path: Path) -> None:
        plan = plan_fence(crossing(tmp_path, long=((20, 20), (100, 20)), stub=((60, 80), (60, 20.4))))
        (finding,) = (item for item in plan.fence.findings if item.code == "ends-nearly-meet")
        assert (finding.line, finding.severity) == ("stub", "warn")
        assert finding.value == pytest.approx(0.4, abs=1e-3)
        assert finding.chainage_m == pytest.approx(59.6, abs=0.05)
        assert "junction" not in plan.fence.posts.kind

    def test_a_wider_join_meets(self, tmp_path: Path) -> None:
        job = crossing(
            tmp_path, tables="[layout]\njoin_m = 0.5\n", long=((20, 20), (100, 20)), stub=((60, 80), (60, 20.4))
        )
        plan = plan_fence(job)
        (finding,) = (item for item in plan.fence.findings if item.code == "lines-joined")
        assert (finding.value, finding.limit) == (pytest.approx(0.4, abs=1e-3), 0.5)
        assert plan.fence.posts.kind.count("junction") == 1

    def test_a_line_within_another_is_told(self, tmp_path: Path) -> None:
        plan = plan_fence(crossing(tmp_path, long=((20, 20), (100, 20)), part=((40, 20), (80, 20))))
        (finding,) = (item for item in plan.fence.findings if item.code == "line-not-fenced")
        assert finding.line == "part"
        assert plan.line_names == ("long",)

    def test_a_line_that_goes_the_same_way_twice_is_told_and_fenced_once(self, tmp_path: Path) -> None:
        """An end drawn 30 m too far and back, before the line goes on north; on ground at 100 m."""
        plan = plan_fence(crossing(tmp_path, only=((20, 20), (100, 20), (70, 20), (70, 60))))
        (finding,) = (item for item in plan.fence.findings if item.code == "line-over-itself")
        assert (finding.severity, finding.unit) == ("warn", "m")
        scale = plan.grid.combined_factor
        told = (finding.chainage_m, finding.chainage_to_m, finding.value)
        assert [value * scale for value in told if value is not None] == pytest.approx([50, 80, 30], abs=2e-3)
        assert plan.summary()["length_m"] * scale == pytest.approx(80 + 40, abs=3e-3)
        assert plan.fence.posts.kind.count("junction") == 1
        assert "boundary-shared" not in finding_codes(plan)

    def test_a_gate_past_what_is_fenced_of_such_a_line_is_told_why(self, tmp_path: Path) -> None:
        gate = "[[gate]]\nat_m = 90.0\nwidth_m = 3.6\n"
        with pytest.raises(JobError, match=r"is past what is fenced of .*; 80\.0. m more of it are fenced with it al"):
            plan_fence(crossing(tmp_path, tables=gate, only=((20, 20), (100, 20), (20, 20))))

    def test_every_finding_of_the_engine_names_its_line(self, tmp_path: Path) -> None:
        tables = "[levels]\ngap_max_m = 0.01\ndig_max_m = 0.0\n"
        plan = plan_fence(crossing(tmp_path, tables=tables, one=((20, 20), (100, 20)), two=((60, 80), (60, 20))))
        placed = [item for item in plan.fence.findings if item.bay is not None]
        assert {item.line for item in placed} == {"one", "two"}
        for item in placed:
            run = run_of(plan, item.line)
            assert item.bay in run.bays

    def test_one_of_a_shared_post_is_the_first_line_s(self, plan: FencePlan) -> None:
        from geofence.engine.records import Finding
        from geofence.planning.placing import on_lines

        shared = int(run_of(plan, "East").posts[0])
        found = on_lines(
            [
                Finding(code="x", severity="note", message="x", post=shared),
                Finding(code="x", severity="note", message="x", bay=int(run_of(plan, "East").bays[0])),
                Finding(code="x", severity="note", message="x", post=shared, line="Top"),
                Finding(code="x", severity="note", message="x"),
            ],
            plan.runs,
        )
        assert [item.line for item in found] == ["Home", "East", "Top", ""]

    def test_names_that_repeat_get_a_number(self, tmp_path: Path) -> None:
        job = write_paddocks(tmp_path)
        fields = pyogrio.raw.read(tmp_path / "paddocks.gpkg")
        names = np.array(["Field", "Field", None], dtype=object)
        pyogrio.raw.write(
            tmp_path / "paddocks.gpkg", geometry=fields[2], field_data=[names],
            fields=["paddock"], crs=UTM.to_wkt(), geometry_type="Polygon", layer="paddocks",
        )  # fmt: skip
        plan = plan_fence(job)
        assert plan.line_names == ("Field", "Field (2)", "L1-3", "Lane")
        assert "line-name-repeated" in finding_codes(plan)


class TestGates:
    def gated(self, folder: Path, gate: str) -> Path:
        return write_paddocks(folder, gate=f"[[gate]]\n{gate}\nwidth_m = 3.6\n")

    def test_stand_on_the_line_that_they_name(self, tmp_path: Path) -> None:
        plan = plan_fence(self.gated(tmp_path, 'line = "Lane"\nat_m = 30.0'))
        (bay,) = np.flatnonzero(np.array(plan.fence.bays.kind) == "gate")
        assert bay in run_of(plan, "Lane").bays
        assert plan.fence.bays.start_m[bay] == pytest.approx(30.0)

    def test_near_a_place_stand_on_the_nearest_line(self, tmp_path: Path) -> None:
        easting, northing = ORIGIN + np.array([139.0, 75.0])
        plan = plan_fence(self.gated(tmp_path, f"near = [{easting}, {northing}]"))
        (bay,) = np.flatnonzero(np.array(plan.fence.bays.kind) == "gate")
        assert bay in run_of(plan, "East").bays

    def test_by_chainage_need_a_line(self, tmp_path: Path) -> None:
        with pytest.raises(
            JobError, match=r"gate\[1\].at_m: does not say on which line it is. Write line, one of 'Home'"
        ):
            plan_fence(self.gated(tmp_path, "at_m = 30.0"))

    def test_on_an_unknown_line_are_refused_with_the_nearest_name(self, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=r"gate\[1\].line: is the name of no line: 'Lanes'.*Lane"):
            plan_fence(self.gated(tmp_path, 'line = "Lanes"\nat_m = 30.0'))

    def test_over_a_junction_are_refused_by_line(self, tmp_path: Path) -> None:
        with pytest.raises(LayoutError, match=r"line 'Lane': .*the junction with Home"):
            plan_fence(self.gated(tmp_path, 'line = "Lane"\nat_m = 18.0'))


class TestZonesAndWires:
    def test_a_zone_is_looked_for_on_every_line(self, tmp_path: Path) -> None:
        pipe = write_line(tmp_path / "pipe.gpkg", np.array([(45, 60), (145, 75)]) + ORIGIN, crs=UTM)
        zone = f'[[zone]]\nname = "pipe"\nfile = "{pipe.name}"\nrule = "keep-clear"\nbuffer_m = 0.5\n'
        plan = plan_fence(write_paddocks(tmp_path, zone=zone))
        kept = [item.line for item in plan.fence.findings if item.code == "zone-kept"]
        assert sorted(kept) == ["East", "Home", "Home", "Lane"]  # Home is crossed on two sides
        posts = shapely.points(plan.places.easting, plan.places.northing)
        line = shapely.LineString(np.array([(45, 60), (145, 75)]) + ORIGIN)
        assert shapely.distance(posts, line).min() > 0.5

    def test_wires_of_a_network_end_at_its_junctions(self, tmp_path: Path) -> None:
        plan = plan_fence(crossing(tmp_path, tables='[fence]\nsystem = "stock-wire"\n', one=((20, 20), (120, 20)),
                                   two=((60, 80), (60, 10))))  # fmt: skip
        (row,) = np.flatnonzero(np.array(plan.fence.posts.kind) == "junction")
        ends = np.concatenate([plan.fence.strains.from_post, plan.fence.strains.to_post])
        assert np.count_nonzero(ends == row) == 4
        assert [item.line for item in plan.fence.findings if item.code == "wire-strained"] == ["one", "two"]


class TestJobs:
    def test_lines_keep_their_own_values(self, tmp_path: Path) -> None:
        job = write_paddocks(tmp_path)
        text = job.read_text(encoding="utf-8").replace(
            'name = "Lane"', 'name = "Lane"\ndirection = "reversed"\ncorner_deg = 60.0'
        )
        job.write_text(text, encoding="utf-8")
        plan = plan_fence(job)
        run = run_of(plan, "Lane")
        assert plan.places.northing[run.posts[0]] == pytest.approx(ORIGIN[1] + LANE[2][1], abs=1e-3)
        # the lane's own turn of 29 degrees is no corner to it, the paddocks' of 90 are
        assert "corner" not in {plan.fence.posts.kind[row] for row in run.posts}
        assert plan.fence.posts.kind.count("corner") == 4
        assert plan.parameters["line[2].corner_deg"].value == 60.0
        assert plan.parameters["line[1].corner_deg"].value == 10.0

    def test_an_option_of_one_line_is_refused(self, job: Path) -> None:
        ran = geofence("plan", job, "--direction", "reversed", "--out", job.parent / "out")
        assert ran.code == 2
        assert "command line, line.direction: says nothing to a job with [[line]] tables" in ran.err.replace("\n", " ")

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            (('features = "each"\n', ""), 'line[1].name_field: says nothing to features = "together"'),
            (('features = "each"', 'features = "each"\nlegs = [1]'), "line[1].legs: does not go with features"),
            (('name_field = "paddock"', 'name_field = "padock"'), "has no field 'padock'. Did you mean"),
            (("[[line]]\nname", TWICE), "line[3].name: is the name of an earlier line: 'Lane'"),
            (("lane.gpkg", "lan.gpkg"), "Check line[2].file"),
        ],
    )  # fmt: skip
    def test_mistakes_name_the_table(self, job: Path, change: tuple[str, str], message: str) -> None:
        job.write_text(job.read_text(encoding="utf-8").replace(*change, 1), encoding="utf-8")
        ran = geofence("inspect", job)
        assert ran.code == 2
        assert message in " ".join(ran.err.split())


class TestFiles:
    def test_posts_and_bays_say_their_line(self, folder: Path, plan: FencePlan) -> None:
        posts = pyogrio.read_dataframe(folder / "posts.geojson")
        assert list(posts.columns[:17])[-1] == "survey_distance_m"  # what other tools read stays where it was
        assert posts.line.value_counts().to_dict() == {"Home": 88, "East": 70, "Top": 81, "Lane": 68}
        assert posts.meets[posts.kind == "junction"].str.len().min() > 0
        assert set(posts.meets[posts.kind != "junction"]) == {""}
        bays = pyogrio.read_dataframe(folder / "bays.geojson")
        assert bays.line.tolist() == [run.line for run in plan.runs for _ in run.bays]

    def test_findings_and_profile_say_their_line(self, folder: Path, plan: FencePlan) -> None:
        findings = pandas.read_csv(folder / "findings.csv")
        assert list(findings.columns)[-2:] == ["remedy", "line"]
        assert findings.line.dropna().tolist() == ["Home", "Home", "East"]
        profile = pandas.read_csv(folder / "profile.csv")
        assert list(profile.columns) == ["chainage_m", "easting", "northing", "ground_level_m", "line"]
        for run in plan.runs:
            own = profile[profile.line == run.line]
            assert own.chainage_m.to_numpy() == pytest.approx(plan.stations.chainage_m[run.stations], abs=1e-9)

    def test_the_record_has_the_lines(self, folder: Path) -> None:
        record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        assert list(record["summary"]["lines"]) == ["Home", "East", "Top", "Lane"]
        assert record["parameters"]["line[1].name_field"]["value"] == "paddock"
        assert set(record["provenance"]["inputs"]) == {"fence.toml", "paddocks.gpkg", "lane.gpkg", "ground.tif"}

    def test_a_plan_read_back_has_its_runs(self, folder: Path, plan: FencePlan) -> None:
        from geofence import read_plan

        again = read_plan(folder)
        assert [run.line for run in again.runs] == [run.line for run in plan.runs]
        assert all(np.array_equal(one.posts, other.posts) for one, other in zip(again.runs, plan.runs, strict=True))
        assert again.fence.findings == plan.fence.findings

    def test_inspect_tells_the_lines_and_where_they_meet(self, job: Path) -> None:
        ran = geofence("inspect", job, "--json")
        seen = json.loads(ran.out)
        assert [(line["name"], line["runs"], line["legs"]) for line in seen["lines"]] == [
            ("Home", 1, 4), ("East", 1, 3), ("Top", 1, 3), ("Lane", 1, 2),
        ]  # fmt: skip
        assert seen["junctions"] == 7
        assert seen["lines"][2]["shared_m"] == pytest.approx(90.0 / 0.99963, abs=0.01)
        shown = geofence("inspect", job).out
        assert "4 lines that meet at 7 places" in " ".join(shown.split())


class TestHostileNames:
    """Names of lines come from files that others made."""

    def test_pass_through_the_files_unharmed_and_harmless(self, tmp_path: Path) -> None:
        hostile = hostile_paddocks(tmp_path)
        hostile.write(tmp_path / "out")
        assert hostile.line_names == (*HOSTILE_NAMES, "Lane")
        posts = pyogrio.read_dataframe(tmp_path / "out" / "posts.geojson")
        assert list(dict.fromkeys(posts.line)) == [*HOSTILE_NAMES, "Lane"]
        findings = pandas.read_csv(tmp_path / "out" / "findings.csv")
        assert list(dict.fromkeys(findings.line.dropna())) == [f"'{HOSTILE_NAMES[0]}", HOSTILE_NAMES[1]]
        note = (tmp_path / "out" / "stakeout.txt").read_text(encoding="utf-8")
        assert "Line čšž newline `${alert(1)}`" in note
        page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
        assert "<script>alert(1)" not in page
        assert "<script>" not in hostile._repr_html_()
