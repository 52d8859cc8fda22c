"""Zones from a job file to a plan: what a crew finds on the ground and a reader in the findings."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS

from geofence import plan_fence
from geofence.engine.records import Finding
from geofence.errors import JobError
from geofence.numeric import kept_down
from geofence.outputs.map.data import TOLD_WITHIN_M, map_data
from geofence.outputs.setout.units import Units
from geofence.outputs.setout.zones import zone_notes
from geofence.outputs.zone_reach import away_m
from geofence.plan import FencePlan
from tests.sites import carried, write_line, write_raster
from tests.terminal import geofence

GRID = CRS(32630)
CORNER = np.array([560_000.0, 5_800_000.0])
CORNERS = np.array([(30.0, 40.0), (130.0, 60.0), (180.0, 160.0), (60.0, 190.0)])
GROUND_PER_GRID = 1 / 0.99963
"""UTM's scale there is 0.999644; ground at 100 m is 1 part in 64,000 longer than the ellipsoid."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    write_raster(
        tmp_path / "dtm.tif", crs=GRID, west=CORNER[0], north=CORNER[1] + 240, cell=1, shape=(240, 240),
        surface=lambda x, y: 100 + 2.2 * np.sin(x / 35) + 1.5 * np.cos(y / 50) + 0.01 * x,
    )  # fmt: skip
    write_line(tmp_path / "line.gpkg", CORNERS + CORNER, crs=GRID)
    return tmp_path


def zone_file(folder: Path, name: str, *shapes: shapely.Geometry) -> str:
    """Shapes in metres from the corner, as a GeoJSON in degrees."""
    features = [
        {
            "type": "Feature",
            "properties": {"name": f"{name} {number}"},
            "geometry": json.loads(
                shapely.to_geojson(shapely.transform(shape, lambda xy: carried(xy + CORNER, GRID, CRS("OGC:CRS84"))))
            ),
        }
        for number, shape in enumerate(shapes, start=1)
    ]
    file = folder / f"{name}.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return str(file)


def planned(folder: Path, *zones: dict[str, object], **values: object) -> FencePlan:
    return plan_fence(line=folder / "line.gpkg", ground=folder / "dtm.tif", values={"zone": list(zones), **values})


def found(plan: FencePlan, code: str) -> list[Finding]:
    return [finding for finding in plan.fence.findings if finding.code == code]


PIPES = (
    shapely.LineString([(70, 0), (60, 100)]),
    shapely.Point(100, 54.4),
    shapely.box(150, 110, 154, 112),
    shapely.LineString([(100, 150), (110, 220)]),
)


class TestKeepClear:
    @pytest.mark.parametrize(("clear_to", "beside"), [("hole", 0.15), ("post", 0.05 / 2**0.5), ("centre", 0.0)])
    def test_every_post_is_as_far_away_as_asked(self, site: Path, clear_to: str, beside: float) -> None:
        """Distances of the posts by shapely in the grid, carried to the ground; holes of 0.30 m, posts of 50 mm."""
        file = zone_file(site, "pipe", *PIPES)
        zone = {"file": file, "rule": "keep-clear", "buffer_m": 0.6, "clear_to": clear_to, "source": "drawing 14"}
        plan = planned(site, zone)
        without = planned(site)
        apart = [
            shapely.distance(
                shapely.points(plan.places.easting, plan.places.northing),
                shapely.transform(shape, lambda xy: xy + CORNER),
            ).min()
            * GROUND_PER_GRID
            for shape in PIPES
        ]
        assert min(apart) >= 0.6 + beside - 1e-4
        assert found(plan, "post-in-keep-clear") == found(plan, "keep-clear-no-layout") == []
        kept = found(plan, "zone-kept")
        met = [apart[0], apart[1], apart[3]]  # the line passes the third at more than a metre
        assert sorted(item.value for item in kept) == pytest.approx(sorted(met), abs=2e-4)
        (told,) = plan.zones
        assert sorted(each.name[-6:] for each in told.stretches) == ["pipe 1", "pipe 2", "pipe 4"]
        across = next(each.to_m - each.from_m for each in told.stretches if each.name.endswith("pipe 1"))
        assert across >= 1.2 + 2 * beside - 1e-3
        at = plan.fence.posts.chainage_m
        for each in told.stretches:  # no post stands there
            assert not ((at > each.from_m + 1e-6) & (at < each.to_m - 1e-6)).any()
        assert all("(drawing 14)" in item.message and item.limit == pytest.approx(0.6 + beside) for item in kept)
        assert len(plan.fence.posts) <= len(without.fence.posts) + 2

    def test_posts_that_are_moved_are_named_and_say_so(self, site: Path) -> None:
        """Which are moved: those at whose chainage none stands without the zone, nor would stand in it."""
        plan = planned(site, {"file": zone_file(site, "pipe", *PIPES), "rule": "keep-clear", "buffer_m": 0.6})
        at, before = plan.fence.posts.chainage_m, planned(site).fence.posts.chainage_m
        moved = np.abs(at[:, None] - before).min(axis=1) > 1e-3
        names = plan.posts.post[moved].tolist()
        assert len(names) >= 4
        assert plan.posts.post[plan.posts.findings.str.contains("keep-clear-avoided")].tolist() == names
        told = found(plan, "keep-clear-avoided")
        assert [plan.post_names[row] for item in told for row in item.posts] == names
        for item in told:
            first, last = plan.post_names[item.posts[0]], plan.post_names[item.posts[-1]]
            assert f"on this stretch; moved: {first} " in item.message
            assert item.message.endswith(last)
            assert (item.post, item.value, item.unit) == (item.posts[0], len(item.posts), "posts")

    def test_the_plan_says_what_stands_in_the_way(self, site: Path) -> None:
        file = zone_file(site, "pipe", PIPES[0])
        plan = planned(site, {"file": file, "rule": "keep-clear", "buffer_m": 1.0, "source": "drawing 14"})
        (stop,) = found(plan, "keep-clear-no-layout")
        assert "pipe.geojson, pipe 1 (drawing 14)" in stop.message
        (post,) = found(plan, "post-in-keep-clear")
        assert plan.fence.posts.chainage_m[post.post] == pytest.approx(post.chainage_m)
        assert stop.chainage_m < post.chainage_m < stop.chainage_to_m
        assert plan.posts.findings.str.contains("post-in-keep-clear").sum() == 1
        apart = GROUND_PER_GRID * shapely.distance(
            shapely.Point(plan.places.easting[post.post], plan.places.northing[post.post]),
            shapely.transform(PIPES[0], lambda xy: xy + CORNER),
        )
        assert (post.value, post.limit, post.unit) == (pytest.approx(apart, abs=2e-4), pytest.approx(1.15), "m")
        assert f"stands {np.floor(post.value * 1000) / 1000:.3f} m from pipe.geojson, pipe 1" in post.message
        assert "; 1.150 m must stay between" in post.message
        assert "Along the line it would be clear" in post.remedy

    @pytest.mark.parametrize(("half_m", "possible"), [(0.7, True), (0.8, False)])
    def test_no_buffer_is_to_be_less_than_nothing(self, site: Path, half_m: float, possible: bool) -> None:
        """Each side is to come in by half of what is more than a bay of 1.885 m. The strip and 0.65 m beside it are
        crossed askew, over 1.0048 times their width: that is 0.414 m, or 0.514 m where the buffer is 0.5 m."""
        file = zone_file(site, "yard", shapely.LineString([(70, 0), (60, 100)]).buffer(half_m))
        plan = planned(site, {"name": "Yard", "file": file, "rule": "keep-clear", "buffer_m": 0.5})
        (stop,) = found(plan, "keep-clear-no-layout")
        assert ("a buffer_m of Yard that is 0.41" in stop.remedy) == ("buffer_m" in stop.remedy) == possible

    def test_a_post_in_it_is_not_told_as_kept(self, site: Path) -> None:
        file = zone_file(site, "yard", shapely.LineString([(70, 0), (60, 100)]).buffer(1.7))
        zone = {"file": file, "rule": "keep-clear", "buffer_m": 0.0, "clear_to": "centre"}
        plan = planned(site, zone)
        (post,) = found(plan, "post-in-keep-clear")
        assert (post.value, post.limit) == (0.0, 0.0)
        assert "as drawn, where none may" in post.message
        assert found(plan, "zone-kept") == []

    def test_an_opening_as_told_makes_a_way(self, site: Path) -> None:
        file = zone_file(site, "yard", shapely.LineString([(70, 0), (60, 100)]).buffer(1.7))
        zone = {"file": file, "rule": "keep-clear", "buffer_m": 0.5}
        (stop,) = found(planned(site, zone), "keep-clear-no-layout")
        told = re.search(r"\(at_m = (\S+), width_m = (\S+)\)", stop.remedy)
        assert told is not None
        gate = {"name": "here", "at_m": float(told[1]), "width_m": float(told[2])}
        plan = planned(site, zone, gate=[gate])
        assert found(plan, "keep-clear-no-layout") == found(plan, "post-in-keep-clear") == []
        assert [item.value >= item.limit for item in found(plan, "zone-kept")] == [True]

    def test_one_name_is_told_once(self, site: Path) -> None:
        zone = {"file": zone_file(site, "Lane", PIPES[0]), "name": "LANE 1", "rule": "consult"}
        (told,) = found(planned(site, zone), "zone-consult")
        assert "runs through LANE 1, over" in told.message

    def test_legs_keep_their_own_chainages(self, site: Path) -> None:
        """Legs 1 and 3 are two runs; a tree beside leg 3 bars a stretch of the second."""
        tree = shapely.Point(120, 175.5)
        file = zone_file(site, "tree", tree)
        zone = {"file": file, "rule": "keep-clear", "buffer_m": 0.7}
        plan = planned(site, zone, line={"legs": [1, 3]})
        (kept,) = found(plan, "zone-kept")
        run = plan.fence.posts.chainage_m[np.flatnonzero(np.array(plan.fence.posts.kind) == "end")]
        assert run[2] < kept.chainage_m < kept.chainage_to_m < run[3]
        at = np.flatnonzero(
            (plan.fence.posts.chainage_m > kept.chainage_m) & (plan.fence.posts.chainage_m < kept.chainage_to_m)
        )
        assert len(at) == 0


class TestOneDistance:
    """How far a post is from a pipe is one number, whoever tells it."""

    def test_in_findings_on_the_sheet_and_on_the_map(self, site: Path) -> None:
        """Drawn in the job's grid by its ends, 1.8 km apart; in degrees its middle is bent aside by centimetres."""
        write_line(site / "pipe.gpkg", np.array([(-840.0, -80.0), (930.0, 190.0)]) + CORNER, crs=GRID)
        plan = planned(site, {"file": str(site / "pipe.gpkg"), "rule": "keep-clear", "buffer_m": 0.6, "name": "main"})
        (zone,) = plan.zones
        away = away_m(plan, zone)
        shown = map_data(plan)["zones"][0]["posts"]
        assert shown["count"] == np.count_nonzero(away < 0.6 + TOLD_WITHIN_M)
        notes = zone_notes(plan, Units())
        kept = found(plan, "zone-kept")
        assert kept
        for finding in kept:
            assert finding.value is not None
            assert finding.chainage_m is not None
            near = np.abs(plan.fence.posts.chainage_m - finding.chainage_m) < 20
            post = int(np.argmin(np.where(near, away, np.inf)))
            assert away[post] == pytest.approx(finding.value, abs=1e-5)
            told = f"{kept_down(finding.value):.3f} m"
            assert f"the nearest post's centre stands {told} from what is drawn" in finding.message
            assert [note.text for note in notes[post]] == [
                f"main (keep-clear) is {told} from this post as drawn: see it located and marked."
            ]
            assert float(told[:-2]) <= finding.value + 1e-4


class TestThePlan:
    def test_shows_its_zones_and_their_files(self, site: Path) -> None:
        file = zone_file(site, "plain", shapely.box(120, 150, 200, 200))
        apex = (CORNER + CORNERS[1]).tolist()
        triangle = {
            "rule": "splay", "apex": apex, "toward": [(CORNER + CORNERS[0]).tolist(), (CORNER + CORNERS[2]).tolist()],
            "legs_m": [7.62, 7.62], "limit_m": 0.9144, "source": "ordinance", "name": "corner",
        }  # fmt: skip
        plan = planned(site, {"file": file, "rule": "consult", "buffer_m": 2.0, "source": "map"}, triangle)
        area, corner = plan.zones
        assert (area.name, area.rule, area.source, area.buffer_m) == ("plain.geojson", "consult", "map", 2.0)
        assert (corner.name, corner.limit_m, corner.outlines[0].area) == ("corner", 0.9144, True)
        assert corner.outlines[0].lon_deg == pytest.approx(plan.legs.lon_from_deg[1], abs=2e-4)
        assert "plain.geojson" in plan.provenance.inputs
        (splay,) = found(plan, "splay-obstructed")
        # the fence runs along both sides of the triangle
        assert splay.chainage_to_m - splay.chainage_m == pytest.approx(2 * 7.62, abs=0.01)
        assert found(plan, "zone-consult")[0].severity == "note"

    def test_says_when_a_zone_is_nowhere_near(self, site: Path) -> None:
        near, far = zone_file(site, "near", shapely.Point(230, 230)), zone_file(site, "far", shapely.Point(9_000, 0))
        plan = planned(site, *({"file": file, "rule": "no-fence"} for file in (near, far)))
        one, other = found(plan, "zone-not-met")
        apart = shapely.distance(shapely.LineString(CORNERS), shapely.Point(230, 230)) * GROUND_PER_GRID
        assert one.value == pytest.approx(apart, abs=0.002)
        assert other.value is None
        assert "nowhere near" in other.message

    def test_a_finding_names_the_post_or_bay_of_the_whole_plan(self, site: Path) -> None:
        file = zone_file(site, "district", shapely.box(60, 150, 200, 200))
        zone = {"file": file, "rule": "max-height", "limit_m": 1.0}
        (high,) = found(planned(site, zone, line={"legs": [1, 3]}), "height-over-limit")
        plan = planned(site, {**zone, "measured_from": "mean"}, line={"legs": [1, 3]})
        (mean,) = found(plan, "height-over-limit")
        bays, posts = plan.fence.bays, plan.fence.posts
        assert high.value == pytest.approx(posts.height_m[high.post], abs=1e-9)
        assert high.chainage_m <= posts.chainage_m[high.post] <= high.chainage_to_m
        assert mean.chainage_m < bays.end_m[mean.bay]
        assert bays.start_m[mean.bay] < mean.chainage_to_m
        ends = posts.ground_level_m[[bays.from_post[mean.bay], bays.to_post[mean.bay]]]
        assert mean.value == pytest.approx(bays.top_from_m[mean.bay] - ends.mean(), abs=0.01)

    def test_zones_on_another_datum_are_told(self, site: Path) -> None:
        file = write_line(site / "old.gpkg", [(-2.1, 52.34), (-2.09, 52.35)], crs=CRS(4277))
        shifts = found(planned(site, {"file": str(file), "rule": "consult"}), "datum-shift")
        assert [item.message.startswith("The zone old.gpkg is carried from OSGB36") for item in shifts] == [True]

    def test_zones_of_one_file_on_another_datum_are_told_together(self, site: Path) -> None:
        one, other = (
            str(write_line(site / name, [(-2.1, 52.34), (-2.09, 52.35)], crs=CRS(4277)))
            for name in ("one.gpkg", "other.gpkg")
        )
        zones = [("A", one), ("B", other), ("C", one), ("A", one)]
        plan = planned(site, *({"name": name, "file": file, "rule": "consult"} for name, file in zones))
        told = [item.message.split(" carried from ")[0] for item in found(plan, "datum-shift")]
        assert told == ["The zones A, C are", "The zone B is"]


class TestAstray:
    """The pipe is drawn in one grid and its file says another; how far that is off is asked of PROJ, by geodesics."""

    @staticmethod
    def gpkg(folder: Path, says: int, *corners: tuple[float, float]) -> str:
        return str(write_line(folder / "gas.gpkg", np.array(corners) + CORNER, crs=CRS(says)))

    @pytest.mark.parametrize(("rule", "keys"), [("keep-clear", {}), ("no-fence", {}), ("setback", {"limit_m": 5.5})])
    def test_one_that_forbids_and_lies_far_away_is_a_warning(
        self, site: Path, rule: str, keys: dict[str, float]
    ) -> None:
        file = self.gpkg(site, 32631, (70, 0), (60, 100))
        plan = planned(site, {"name": "Gas", "file": file, "rule": rule, "source": "G-3", **keys})
        (told,) = found(plan, "zone-not-met")
        ends = np.array([carried(CORNER + CORNERS[0], CRS(grid), CRS("OGC:CRS84")) for grid in (32630, 32631)])
        apart = CRS(32630).get_geod().inv(*ends.ravel())[2]
        assert told.severity == "warn"
        assert told.value == pytest.approx(apart, rel=0.0005)
        assert told.message == (
            f"The line does not meet Gas ({rule}, G-3): what gas.gpkg has of it lies some {apart / 1000:.0f} km away"
        )
        assert told.remedy == (
            "It looks as if it were in WGS 84 / UTM zone 30N, not in WGS 84 / UTM zone 31N. "
            "Assign it that one where it was made: not reprojected."
        )

    def test_a_grid_that_the_job_says_is_to_be_set_there(self, site: Path) -> None:
        file = site / "gas.geojson"
        places = (np.array([(70, 0), (60, 100)]) + CORNER).tolist()
        file.write_text(json.dumps({"type": "LineString", "coordinates": places}), encoding="utf-8")
        plan = planned(site, {"file": str(file), "rule": "no-fence", "grid": "EPSG:32631"})
        (told,) = found(plan, "zone-not-met")
        assert told.remedy.endswith("not in WGS 84 / UTM zone 31N. Set zone[1].grid to that.")

    def test_swapped_axes_are_seen(self, site: Path) -> None:
        file = site / "gas.geojson"
        lon, lat = carried(CORNER + CORNERS, GRID, CRS("OGC:CRS84")).T
        places = np.column_stack([lat, lon]).tolist()
        file.write_text(json.dumps({"type": "LineString", "coordinates": places}), encoding="utf-8")
        (told,) = found(planned(site, {"file": str(file), "rule": "no-fence"}), "zone-not-met")
        assert told.remedy.startswith("Easting and northing look swapped")

    def test_nothing_is_guessed_where_nothing_fits(self, site: Path) -> None:
        file = zone_file(site, "far", shapely.Point(40_000, 30_000))
        (told,) = found(planned(site, {"file": file, "rule": "keep-clear", "buffer_m": 0.5}), "zone-not-met")
        assert told.severity == "warn"
        assert told.value == pytest.approx(50_000, rel=0.01)
        assert "Is it the right file" in told.remedy
        assert "looks as if" not in told.remedy

    @pytest.mark.parametrize(
        ("shape", "rule"),
        [
            (shapely.Point(9_000, 0), "keep-clear"),
            (shapely.LineString([(-60_000, -2_000), (60_000, -2_000)]), "keep-clear"),
            (shapely.Point(40_000, 0), "consult"),
        ],
        ids=["of the parish", "a main that passes", "a rule that forbids nothing"],
    )
    def test_others_are_a_note(self, site: Path, shape: shapely.Geometry, rule: str) -> None:
        (told,) = found(planned(site, {"file": zone_file(site, "z", shape), "rule": rule}), "zone-not-met")
        assert told.severity == "note"


class TestRefused:
    def test_a_zone_file_that_is_not_there(self, site: Path) -> None:
        job = site / "fence.toml"
        job.write_text(
            'schema = 1\n[line]\nfile = "line.gpkg"\n[ground]\nfiles = "dtm.tif"\n'
            '[[zone]]\nfile = "no.gpkg"\nrule = "consult"\n',
            encoding="utf-8",
        )
        ran = geofence("plan", job, "--out", site / "out")
        assert ran.code == 2
        assert "no.gpkg: there is no such file. Check zone[1].file" in ran.err
        assert not (site / "out").exists()

    @pytest.mark.parametrize(("table", "address"), [("[line]", "line.layer"), ("[[zone]]", "zone[1].layer")])
    def test_a_layer_that_is_not_there_with_the_line_of_the_job(self, site: Path, table: str, address: str) -> None:
        job = site / "fence.toml"
        tables = '[line]\nfile = "line.gpkg"\n[[zone]]\nfile = "line.gpkg"\nrule = "consult"\n'
        text = f'schema = 1\n[ground]\nfiles = "dtm.tif"\n{tables}'.replace(table, f'{table}\nlayer = "no"')
        job.write_text(text, encoding="utf-8")
        ran = geofence("plan", job, "--out", site / "out")
        assert ran.code == 2
        row = text.splitlines().index('layer = "no"') + 1
        assert f"fence.toml, line {row}, {address}: line.gpkg has no layer 'no'" in ran.err

    def test_a_layer_that_is_not_named_with_the_line_of_its_table(self, site: Path) -> None:
        write_line(site / "two.gpkg", CORNERS + CORNER, crs=GRID)
        pyogrio.raw.write(
            site / "two.gpkg", np.array([shapely.to_wkb(shapely.Point(CORNER))]), [], [], layer="more",
            geometry_type="Point", crs="EPSG:32630", append=True,
        )  # fmt: skip
        job = site / "fence.toml"
        job.write_text(
            'schema = 1\n[line]\nfile = "line.gpkg"\n[ground]\nfiles = "dtm.tif"\n'
            '[[zone]]\nfile = "two.gpkg"\nrule = "consult"\n',
            encoding="utf-8",
        )
        ran = geofence("plan", job, "--out", site / "out")
        assert re.search(r"fence\.toml, line 6, zone\[1\]\.layer: two\.gpkg has 2 layers", ran.err), ran.err

    def test_a_triangle_without_an_angle(self, site: Path) -> None:
        apex = CORNER.tolist()
        zone = {"rule": "splay", "apex": apex, "toward": [apex, apex], "legs_m": [5.0, 5.0]}
        with pytest.raises(JobError, match=r"zone\[1\].toward"):
            planned(site, zone)


@pytest.mark.parametrize(
    ("grid", "west", "north"),
    [(26711, 400_000.0, 3_800_000.0), (26718, 400_000.0, 4_500_000.0), (23030, 500_000.0, 4_400_000.0)],
    ids=["NAD27 in the west", "NAD27 in the east", "ED50"],
)
@pytest.mark.filterwarnings("ignore:.*Best transformation:UserWarning")
def test_zones_stay_beside_the_fence_where_a_datum_has_many_ways(
    tmp_path: Path, grid: int, west: float, north: float
) -> None:
    """PROJ chooses the way to WGS 84 by the place: one for all of North America would be 9 m off."""
    own = CRS(grid)
    raster = write_raster(
        tmp_path / "dtm.tif",
        crs=own,
        west=west,
        north=north,
        cell=2,
        shape=(150, 150),
        surface=lambda x, _: 300 + 0 * x,
    )
    corners = np.array([(west + 50, north - 200), (west + 250, north - 100)])
    for name in ("line", "zone"):
        write_line(tmp_path / f"{name}.gpkg", corners, crs=own)
    zone = {"file": str(tmp_path / "zone.gpkg"), "rule": "consult"}
    plan = plan_fence(line=tmp_path / "line.gpkg", ground=raster, system="aac-panel", values={"zone": [zone]})
    (outline,) = plan.zones[0].outlines
    assert np.abs(outline.lon_deg[[0, -1]] - [plan.legs.lon_from_deg[0], plan.legs.lon_to_deg[0]]).max() < 1e-9
    assert np.abs(outline.lat_deg[[0, -1]] - [plan.legs.lat_from_deg[0], plan.legs.lat_to_deg[0]]).max() < 1e-9
