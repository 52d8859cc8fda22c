"""The job: what it takes, what it refuses and in which words, and what its system decides.

Expected texts are the promise itself, word for word; expected lines are counted by hand.
"""

from __future__ import annotations

import json
import math
import tomllib
from itertools import chain
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geofence.engine.records import Finding, LayoutRules, LevelRules, PanelRules, PostRules, RakeRules
from geofence.engine.wired import StrainRules
from geofence.errors import JobError
from geofence.inputs.control_keys import Control
from geofence.inputs.existing_keys import Existing
from geofence.inputs.gate_keys import GateKeys, Gates
from geofence.inputs.job import Job, Resolved, job_from_values, job_schema, read_job, resolve
from geofence.inputs.job_file import LegEnds
from geofence.inputs.output_tables import Sheets, Stakeout
from geofence.plan import Parameter
from geofence.systems import catalogue
from geofence.systems.system import KEYS_OF_SLOPE

LEAST = """\
schema = 1
[line]
file = "b.geojson"
[ground]
files = ["g.tif"]
"""

ALL = """\
schema = 1

[job]
name = "Alder Down, north and east sides"
grid = "EPSG:27700"
geoid_separation_m = 48.2
level_datum = "ODN"

[line]
name = "north"
file = "boundary.gpkg"
layer = "parcels"
feature = 2
grid = "EPSG:27700"
legs = [1, 2, 5]
direction = "reversed"
offset_m = -0.3
corner_deg = 12.5
line_tolerance_m = 0.03

[ground]
files = ["west.tif", "east.tif"]
reader = "raster"
grid = "EPSG:27700"
band = 1
level_unit = "ftUS"
order = "PENZD"
bridge_m = 2.0
layer = "points"
level_offset_m = -0.12
level_datum = "OSGM15"
decimal = "comma"
level_field = "rl"
surface = "existing ground"
codes = ["GL", "TB"]
classes = [2, 8]
max_edge_m = 40.0
coincident = "mean"
survey_distance_max_m = 12.0
patch = { files = "patch.csv", grid = "EPSG:27700", tolerance_m = 0.05 }
check = ["checks.csv"]

[fence]
system = "aac-panel"
height_m = 2.1

[layout]
module_m = 1.9
min_bay_m = 0.5
fit = "both-ends"

[[gate]]
name = "Yard"
at_m = 41.5
width_m = 3.6

[[gate]]
near = [433260.0, 208330.0]
width_m = 1.2

[levels]
increment_m = 0.025
gap_max_m = 0.2
dig_max_m = -0.05
step_min_m = 0.1
step_max_m = 0.5
gate_clearance_m = 0.06
gap_cost = 1.0
dig_cost = 2.0
step_cost = 3.0
rise_cost = 4.0

[posts]
embedment_m = 0.6
embedment_ratio = 0.3
post_reveal_m = 0.01
stock_lengths_m = [2.7, 3.0]
hole_diameter_m = 0.35

[[zone]]
file = "pipeline.geojson"
rule = "keep-clear"
buffer_m = 1.0
limit_m = 0.0
source = "utility drawing 14, 2026-03"
"""


@pytest.fixture
def write(tmp_path):
    def written(text: str) -> Path:
        path = tmp_path / "fence.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def planned(path: Path) -> tuple[Job, Resolved]:
    """As the planner does it."""
    job = read_job(path)
    system = catalogue.load(job.fence.system, base=job.base, place=job.place("fence", "system"))
    return job, resolve(job, system)


def values(**tables: Any) -> dict[str, Any]:
    return {"line": {"file": "b.geojson"}, "ground": {"files": "g.tif"}, **tables}


def from_values(**tables: Any) -> Job:
    return job_from_values(values(**tables), base=Path("site"))


class TestReadJob:
    def test_takes_every_key(self, write):
        job = read_job(write(ALL))
        assert job.name == "Alder Down, north and east sides"
        assert (job.job.grid, job.job.geoid_separation_m, job.job.level_datum) == ("EPSG:27700", 48.2, "ODN")
        assert (job.line.layer, job.line.feature, job.line.legs) == ("parcels", 2, (1, 2, 5))
        assert (job.line.direction, job.line.offset_m, job.line.corner_deg) == ("reversed", -0.3, 12.5)
        assert (job.ground.files, job.ground.level_unit) == (("west.tif", "east.tif"), "ftUS")
        assert [gate.name for gate in job.gates] == ["Yard", "G2"]
        assert (job.gates[0].at_m, job.gates[1].near) == (41.5, (433260.0, 208330.0))
        assert (job.zones[0].rule, job.zones[0].buffer_m) == ("keep-clear", 1.0)
        assert job.posts.stock_lengths_m == (2.7, 3.0)

    def test_needs_no_more_than_two_files(self, write):
        job = read_job(write(LEAST))
        assert job.name == "fence"
        assert job.fence.system == "aac-panel"
        assert (job.gates, job.zones, job.line.legs) == ((), (), "all")

    def test_paths_are_relative_to_the_file(self, write):
        path = write(LEAST)
        assert read_job(path).path("b.geojson") == path.parent / "b.geojson"
        assert read_job(path).path("/data/b.geojson") == Path("/data/b.geojson")

    def test_takes_one_ground_file_without_brackets(self, write):
        assert read_job(write(LEAST.replace('["g.tif"]', '"g.tif"'))).ground.files == ("g.tif",)

    def test_takes_legs_between_two_positions(self, write):
        legs = read_job(
            write(LEAST.replace("[ground]", "legs = { from = [1.0, 2.0], to = [3, 4] }\n[ground]"))
        ).line.legs
        assert isinstance(legs, LegEnds)
        assert (legs.from_, legs.to) == ((1.0, 2.0), (3.0, 4.0))

    def test_cannot_be_changed(self, write):
        job = read_job(write(LEAST))
        with pytest.raises(Exception, match="frozen"):
            job.line.offset_m = 1.0
        with pytest.raises(AttributeError):
            job.base = Path()

    def test_says_that_there_is_no_file(self, tmp_path):
        with pytest.raises(JobError) as caught:
            read_job(tmp_path / "none.toml")
        assert str(caught.value) == (
            f"{tmp_path / 'none.toml'}: there is no such job file. `geofence new DIR` writes one to begin with."
        )


MISTAKES = {
    "": "fence.toml: this job file is empty. `geofence new DIR` writes one to begin with.",
    LEAST.replace("schema = 1", ""): "fence.toml, schema: is missing. Write schema = 1 as the first line.",
    LEAST.replace("schema = 1", "schema = 2"): "fence.toml, line 1, schema: is not a version that this geofence reads: "
    "2. Write schema = 1, or use the geofence that the job was written for.",
    LEAST.replace("schema = 1", "schema = '1'"): "fence.toml, line 1, schema: is not a version that this geofence "
    "reads: '1'. Write schema = 1, or use the geofence that the job was written for.",
    LEAST.replace("schema = 1", "schema = true"): "fence.toml, line 1, schema: is not a version that this geofence "
    "reads: true. Write schema = 1, or use the geofence that the job was written for.",
    "schema = 1": "fence.toml, line: is missing. Add it: the table [line] with the boundary's file. Also:\n"
    "fence.toml, ground: is missing. Add it: the table [ground] with the ground's files.",
    LEAST + "[layot]\nfit = 'end'": "fence.toml, line 6, layot: is not a known table. Did you mean layout?",
    LEAST + "[layout]\nmin_bay = 0.4": "fence.toml, line 7, layout.min_bay: is not a known key. "
    "Did you mean min_bay_m?",
    LEAST + "[layout]\nheight_m = 1.8": "fence.toml, line 7, layout.height_m: is not a known key here. "
    "It belongs in [fence].",
    LEAST + "[layout]\nat_m = 1.8": "fence.toml, line 7, layout.at_m: is not a known key here. It belongs in [[gate]].",
    LEAST + "[layout]\nmin_bay_m = '0.4'": "fence.toml, line 7, layout.min_bay_m: is text where a number belongs: "
    "'0.4'. Write 0.4 without quotes.",
    LEAST + "[layout]\nmin_bay_m = -0.4": "fence.toml, line 7, layout.min_bay_m: must be above its limit: -0.4 m, "
    "limit 0 m.",
    LEAST + "[layout]\nmodule_m = 1885": "fence.toml, line 7, layout.module_m: is above its limit: 1885 m, limit 20 m. "
    "Lengths are in metres.",
    LEAST + "[layout]\nmodule_m = nan": "fence.toml, line 7, layout.module_m: is not a finite number: nan. "
    "Write a finite number.",
    LEAST + "[layout]\nfit = 'ends'": "fence.toml, line 7, layout.fit: is not one of the known words: 'ends'. "
    "Did you mean end?",
    LEAST + "[layout]\nmin_bay_m = 2.0": "fence.toml, line 7, layout.min_bay_m: is wider than a full bay, "
    "layout.module_m: 2 m, limit 1.885 m. Make layout.min_bay_m at most layout.module_m.",
    LEAST + "[layout]\nmodule_m = 0.3": "fence.toml, line 7, layout.module_m: does not go with layout.min_bay_m, "
    "which is wider than a full bay, layout.module_m: 0.4 m, limit 0.3 m. "
    "Make layout.min_bay_m at most layout.module_m.",
    LEAST + "[fence]\nsystem = 'acc-panel'": "fence.toml, line 7, fence.system: no system is called 'acc-panel'. "
    "Did you mean aac-panel?",
    LEAST + "[fence]\nheight_m = 0": "fence.toml, line 7, fence.height_m: must be above its limit: 0 m, limit 0 m.",
    LEAST + "[[gate]]\nat_m = 3\nnear = [1, 2]\nwidth_m = 1": "fence.toml, line 6, gate[1]: says twice where it is, "
    "by at_m and by near. Leave one of them out.",
    LEAST + "[[gate]]\nwidth_m = 1": "fence.toml, line 6, gate[1]: does not say where it is. "
    "Write at_m, a chainage, or near, a position.",
    LEAST + "[[gate]]\nnear = [1]\nwidth_m = 1": "fence.toml, line 7, gate[1].near: is not a position: [1]. "
    "Write it as [easting, northing].",
    LEAST + "[[gate]]\nnear = [1, nan]\nwidth_m = 1": "fence.toml, line 7, gate[1].near[2]: is not a finite number: "
    "nan. Write a finite number.",
    LEAST + "[[gate]]\nat_m = -1\nwidth_m = 1": "fence.toml, line 7, gate[1].at_m: is below its limit: -1 m, "
    "limit 0 m.",
    LEAST + "[[gate]]\nat_m = 1\n\n[[gate]]\nat_m = 9\nwidth_m = 0": "fence.toml, line 6, gate[1].width_m: is missing. "
    "Add it: centre to centre of its posts. Also:\n"
    "fence.toml, line 11, gate[2].width_m: must be above its limit: 0 m, limit 0 m.",
    LEAST + "[gate]\nat_m = 1\nwidth_m = 1": "fence.toml, line 6, gate: is one table where a list of tables belongs. "
    "Write [[gate]], with double brackets.",
    LEAST + "[[gate]]\nname = 'G2'\nat_m = 1\nwidth_m = 1\n[[gate]]\nat_m = 9\nwidth_m = 1": "fence.toml, line 10, "
    "gate[2].name: is the name of an earlier gate: 'G2'.",
    LEAST.replace("[ground]", "legs = 3\n[ground]"): "fence.toml, line 4, line.legs: does not say which legs: 3. "
    'Write "all", [1, 2] or { from = [e, n], to = [e, n] }, with numbers.',
    LEAST.replace("[ground]", "legs = [1, 0]\n[ground]"): "fence.toml, line 4, line.legs[2]: is below its limit: 0, "
    "limit 1.",
    LEAST.replace("[ground]", "legs = [2, 2]\n[ground]"): "fence.toml, line 4, line.legs: names a leg twice: [2, 2]. "
    "Write each leg once.",
    LEAST.replace("[ground]", "legs = []\n[ground]"): "fence.toml, line 4, line.legs: is empty: []. "
    "Write it, or leave the key out.",
    LEAST.replace("[ground]", "legs = { from = [1, 2] }\n[ground]"): "fence.toml, line 4, line.legs.to: is missing. "
    "Add it: where the last leg ends, [easting, northing].",
    LEAST.replace("[ground]", "corner_deg = 180\n[ground]"): "fence.toml, line 4, line.corner_deg: "
    "must be below its limit: 180 deg, limit 180 deg.",
    LEAST.replace('["g.tif"]', "[]"): "fence.toml, line 5, ground.files: is empty: []. Write it, or leave the key out.",
    LEAST.replace('["g.tif"]', '["g.tif", 3]'): "fence.toml, line 5, ground.files[2]: is not text: 3. "
    "Write it in quotes.",
    LEAST + "level_unit = 'feet'": "fence.toml, line 6, ground.level_unit: is not one of the known words: 'feet'. "
    "Did you mean ft?",
    LEAST + "order = 'PNE'": "fence.toml, line 6, ground.order: is not an order of columns, there is no level: 'PNE'. "
    'Write one such as "point,northing,easting,level,code" (or letters: "PNEZC"; a column of no use is "skip").',
    LEAST + "order = 'id,north,est,level'": "fence.toml, line 6, ground.order: is not an order of columns, "
    "'est' is no column: 'id,north,est,level'. "
    'Write one such as "point,northing,easting,level,code" (or letters: "PNEZC"; a column of no use is "skip").',
    LEAST + "order = 'x,easting,y,z'": "fence.toml, line 6, ground.order: is not an order of columns, "
    "there are two columns of eastings: 'x,easting,y,z'. "
    'Write one such as "point,northing,easting,level,code" (or letters: "PNEZC"; a column of no use is "skip").',
    LEAST + "classes = [2, 256]": "fence.toml, line 6, ground.classes[2]: is above its limit: 256, limit 255.",
    LEAST + "patch = { files = 'p.csv', lever_unit = 'ft' }": "fence.toml, line 6, ground.patch.lever_unit: "
    "is not a known key. Did you mean level_unit?",
    LEAST + "check = { grid = 'EPSG:27700' }": "fence.toml, line 6, ground.check.files: is missing. "
    "Add it: the ground's files, one or a list.",
    LEAST + "patch = []": "fence.toml, line 6, ground.patch: is empty: []. Write it, or leave the key out.",
    LEAST + "[posts]\nstock_lengths_m = [2.7, 2.4]": "fence.toml, line 7, posts.stock_lengths_m: "
    "must increase from one to the next: [2.7, 2.4]. Write each length once, the shortest first.",
    LEAST + "[posts]\nembedment_m = 0.0": "fence.toml, line 7, posts.embedment_m: must be above its limit: 0 m, "
    "limit 0 m.",
    LEAST + "[levels]\nstep_min_m = 0.7": "fence.toml, line 7, levels.step_min_m: is above levels.step_max_m: 0.7 m, "
    "limit 0.6 m. Make levels.step_min_m at most levels.step_max_m.",
    LEAST + "[levels]\nstep_max_m = 0.08\nstep_min_m = 0.06": "fence.toml, line 7, levels.step_max_m: does not go with "
    "levels.increment_m, which allows no step: none of its multiples is from 0.06 m to 0.08 m: 0.05 m. "
    "Make levels.increment_m finer, or lower levels.step_min_m or raise levels.step_max_m.",
    LEAST + "[levels]\ndig_max_m = -0.2": "fence.toml, line 7, levels.dig_max_m: keeps open more than levels.gap_max_m "
    "allows: -0.2 m, limit -0.15 m. Make levels.dig_max_m larger (less negative), or levels.gap_max_m.",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'keepclear'": "fence.toml, line 8, zone[1].rule: "
    "is not one of the known words: 'keepclear'. Did you mean keep-clear?",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'max-height'": "fence.toml, line 6, zone[1].limit_m: "
    "needs a height above 0 m for the rule max-height. Write limit_m.",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'setback'": "fence.toml, line 6, zone[1].limit_m: "
    "needs a distance above 0 m for the rule setback. Write limit_m.",
    LEAST + "[[zone]]\nrule = 'consult'": "fence.toml, line 6, zone[1].file: "
    "is missing. Name the zone's file; or give apex, toward and legs_m.",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'splay'\napex = [1.0, 2.0]": "fence.toml, line 9, zone[1].apex: "
    "does not go with file. Give a file, or apex, toward and legs_m.",
    LEAST + "[[zone]]\nrule = 'splay'\napex = [1.0, 2.0]\nlegs_m = [5, 5]": "fence.toml, line 6, zone[1].toward: "
    "is missing. A triangle has apex, toward and legs_m.",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'consult'\nband_from_m = 1.0": "fence.toml, line 9, zone[1].band_from_m: "
    "says nothing to the rule consult. Take band_from_m out.",
    LEAST + "[[zone]]\nfile = 'a'\nrule = 'max-height'\nlimit_m = 2.0\nmeasured_from = 'step'\nstep_limit_m = 1.8": (
        "fence.toml, line 11, zone[1].step_limit_m: is less than limit_m: 1.8 m, limit 2 m."
    ),
    LEAST + "[job]\nname = 2026-03-01": "fence.toml, line 7, job.name: is not text: 2026-03-01. Write it in quotes.",
    LEAST.replace("[line]", "line = 'b.geojson'").replace('file = "b.geojson"\n', ""): "fence.toml, line 2, line: "
    "is not a table: 'b.geojson'. Write [line] and its keys below.",
}


class TestMistakes:
    @pytest.mark.parametrize("text", MISTAKES)
    def test_are_told_word_for_word(self, text, write):
        path = write(text)
        with pytest.raises(JobError) as caught:
            planned(path)
        assert str(caught.value).replace(str(path), "fence.toml") == MISTAKES[text]

    def test_of_the_command_line_are_told_as_such(self):
        with pytest.raises(JobError) as caught:
            from_values(layout={"min_bay_m": -1.0})
        assert str(caught.value) == ("command line, layout.min_bay_m: must be above its limit: -1 m, limit 0 m.")

    def test_of_an_override_are_not_blamed_on_the_file(self, write):
        path = write(LEAST + "[layout]\nmin_bay_m = 0.5")
        with pytest.raises(JobError, match=r"^command line, layout\.module_m: does not go with layout\.min_bay_m"):
            resolve(read_job(path, overrides={"layout": {"module_m": 3e-1}}), catalogue.load("aac-panel"))
        with pytest.raises(JobError, match=r"fence\.toml, line 7, layout\.min_bay_m: is text"):
            read_job(write(LEAST + "[layout]\nmin_bay_m = '5'"), overrides={"layout": {"module_m": 2.0}})

    def test_a_conflict_is_blamed_on_what_the_user_gave(self, write):
        """Both values given: the first address; only the other: that one."""
        path = write(LEAST + "[layout]\nmodule_m = 0.5\nmin_bay_m = 0.6")
        with pytest.raises(JobError, match=r"line 8, layout\.min_bay_m: is wider"):
            planned(path)

    def test_numbers_never_come_from_text_or_truth(self):
        for wrong in ("1.8", True, [1.8]):
            with pytest.raises(JobError, match=r"^command line, fence\.height_m: is (not a|text where a) number"):
                from_values(fence={"height_m": wrong})

    @pytest.mark.parametrize("line", ["rake_max_deg = 10.0", "steps = 'never'"])
    def test_a_key_of_another_slope_is_refused(self, write, line):
        job = read_job(write(LEAST + f"[fence]\nsystem = 'aac-panel'\n[levels]\n{line}"))
        with pytest.raises(JobError) as caught:
            resolve(job, catalogue.load("aac-panel"))
        assert str(caught.value).endswith(
            f"line 9, levels.{line.split()[0]}: says nothing to the system aac-panel, whose slope is step. "
            "Take it out, or take a system whose slope is rake."
        )


class TestJobFromValues:
    def test_needs_no_schema(self):
        job = from_values()
        assert job.path(job.line.file) == Path("site/b.geojson")
        assert job.name == "fence"

    def test_is_the_job_of_a_file_with_the_same_values(self, write):
        path = write(ALL)
        assert job_from_values(tomllib.loads(ALL), base=path.parent) == read_job(path)

    def test_takes_paths_and_numpy_numbers(self):
        job = job_from_values(
            values(line={"file": Path("a/b.gpkg"), "offset_m": np.float64(0.25)}, ground={"files": [Path("g.tif")]}),
            base=Path(),
        )
        assert (job.line.file, job.line.offset_m, job.ground.files) == ("a/b.gpkg", 0.25, ("g.tif",))

    def test_overrides_go_before_the_file_key_by_key(self, write):
        job = read_job(write(ALL), overrides={"layout": {"fit": "start"}, "gate": []})
        assert (job.layout.fit, job.layout.module_m, job.gates) == ("start", 1.9, ())


class TestResolve:
    def test_gives_the_engine_the_job_where_it_says_so(self, write):
        _, used = planned(write(ALL))
        assert used.layout == LayoutRules(
            module_m=1.9, min_bay_m=0.5, fit="both-ends", corner_deg=12.5, line_tolerance_m=0.03
        )
        assert used.levels == LevelRules(
            increment_m=0.025,
            gap_max_m=0.2,
            dig_max_m=-0.05,
            step_min_m=0.1,
            step_max_m=0.5,
            gap_cost=1.0,
            dig_cost=2.0,
            step_cost=3.0,
            rise_cost=4.0,
        )
        assert used.posts == PostRules(
            post_reveal_m=0.01, embedment_m=0.6, embedment_ratio=0.3, stock_lengths_m=(2.7, 3.0)
        )
        assert used.panels == PanelRules(height_m=2.1, gate_clearance_m=0.06)
        assert (used.facts.module_m, used.facts.height_m, used.facts.hole_diameter_m) == (1.9, 2.1, 0.35)
        assert used.findings == ()

    def test_gives_the_engine_the_system_where_the_job_is_silent(self, write):
        """Expected: the numbers of aac-panel.toml, copied by hand."""
        _, used = planned(write(LEAST))
        assert used.layout == LayoutRules(module_m=1.885, min_bay_m=0.4)
        assert used.posts == PostRules(post_reveal_m=0.005, embedment_m=0.55, stock_lengths_m=(2.5, 2.75, 3.0, 3.5))
        assert used.panels == PanelRules(height_m=1.8, gate_clearance_m=0.05)
        assert (used.levels.gap_max_m, used.levels.dig_max_m, used.levels.rise_cost) == (0.15, 0.1, 10.0)

    def test_says_where_each_value_came_from(self, write):
        job = read_job(write(LEAST + "[layout]\nmodule_m = 2"), overrides={"layout": {"fit": "equal"}})
        used = resolve(job, catalogue.load("aac-panel")).parameters
        assert used["layout.module_m"] == Parameter(value=2.0, origin="job")
        assert used["layout.fit"] == Parameter(value="equal", origin="command line")
        assert used["layout.min_bay_m"] == Parameter(value=0.4, origin="system aac-panel")
        assert used["line.corner_deg"] == Parameter(value=10.0, origin="default")
        assert used["job.name"] == Parameter(value="fence", origin="default")
        assert used["ground.files"] == Parameter(value=["g.tif"], origin="job")
        assert "line.layer" not in used

    def test_wires_are_the_systems_or_the_jobs(self, write):
        """Of the stock-wire file, but for a pull that the job has; posts 6 m apart, so that a full bay is."""
        path = write(
            LEAST + "[fence]\nsystem = 'stock-wire'\n[layout]\npost_spacing_max_m = 6.0\n[wire]\ntension_kn = 0.9"
        )
        used = resolve(read_job(path), catalogue.load("stock-wire"))
        assert used.strain == StrainRules(post_spacing_max_m=6.0, strain_max_m=200.0)
        assert used.wire is not None
        assert (used.wire.tension_kn, used.wire.diameter_m, len(used.wire.heights_m)) == (0.9, 0.0025, 7)
        assert (used.facts.module_m, used.facts.height_m) == (6.0, pytest.approx(0.85))
        assert used.panels.height_m == pytest.approx(0.85)
        assert used.levels.step_max_m == used.levels.step_cost == 0.0
        assert used.parameters["wire.tension_kn"] == Parameter(value=0.9, origin="job")
        assert used.parameters["wire.diameter_m"] == Parameter(value=0.0025, origin="system stock-wire")
        assert used.findings == ()
        panels = resolve(read_job(write(LEAST)), catalogue.load("aac-panel"))
        assert panels.wire is panels.strain is None

    def test_what_a_job_says_of_panels_is_told_where_there_are_wires(self, write):
        path = write(LEAST + "[fence]\nheight_m = 1.8\n[layout]\nmodule_m = 2.0\nfit = 'start'")
        used = resolve(read_job(path), catalogue.load("stock-wire"))
        (finding,) = used.findings
        assert (finding.code, finding.severity) == ("setting-not-used", "warn")
        assert finding.message == (
            "fence.height_m, layout.module_m, layout.fit say nothing to the system stock-wire, which has wires in "
            "place of panels"
        )
        assert not {"fence.height_m", "layout.module_m", "layout.fit"} & set(used.parameters)
        assert used.facts.module_m == 4.0

    def test_how_bays_slope_is_the_systems_or_the_jobs(self, write):
        """The close-board file's own limit, 15 degrees, and the job's word."""
        path = write(LEAST + "[fence]\nsystem = 'close-board'\n[levels]\nsteps = 'never'")
        used = resolve(read_job(path), catalogue.load("close-board"))
        assert used.rake == RakeRules(rake_max_deg=15.0, steps="never")
        assert used.parameters["levels.steps"] == Parameter(value="never", origin="job")
        assert used.parameters["levels.rake_max_deg"] == Parameter(value=15.0, origin="system close-board")
        assert resolve(read_job(write(LEAST)), catalogue.load("aac-panel")).rake is None

    def test_has_a_parameter_for_every_key_that_is_used(self, write):
        """Every key of the schema, rows from 1; a gate has one of at_m and near, a zone what its rule needs."""
        _, used = planned(write(ALL))
        schema = job_schema()
        expected = set()
        for table, part in schema["properties"].items():
            rows = {"gate": ("[1]", "[2]"), "zone": ("[1]",)}.get(table, ("",))
            name = str(part).partition("#/$defs/")[2].partition("'")[0]
            for key in schema["$defs"].get(name, {}).get("properties", {}):
                expected |= {f"{table}{row}.{key}" for row in rows}
        expected -= set(chain.from_iterable(KEYS_OF_SLOPE.values())) - set(KEYS_OF_SLOPE["step"])
        expected -= {"gate[1].near", "gate[2].at_m", "gate[1].line", "gate[2].line", "line.name_field"}
        expected -= {f"gate[{row}].{key}" for row in (1, 2) for key in GateKeys.model_fields}
        expected -= {f"stakeout.{key}" for key, item in Stakeout.model_fields.items() if item.default is None}
        expected -= {f"sheets.{key}" for key, item in Sheets.model_fields.items() if item.default is None}
        expected -= {f"control.{key}" for key, item in Control.model_fields.items() if item.default is None}
        expected -= {f"existing.{key}" for key, item in Existing.model_fields.items() if item.default is None}
        expected -= {f"gates.{key}" for key, item in Gates.model_fields.items() if item.default is None}
        given_by_few = "name layer grid apex toward legs_m step_limit_m band_from_m band_to_m level_m open_share_min"
        expected -= {f"zone[1].{key}" for key in given_by_few.split()}
        assert set(used.parameters) == expected
        assert used.parameters["gate[2].name"] == Parameter(value="G2", origin="default")
        assert used.parameters["gate[2].width_m"] == Parameter(value=1.2, origin="job")

    def test_parameters_can_be_written_as_json(self, write):
        text = ALL.replace("[1, 2, 5]", "{ from = [1.0, 2.0], to = [3.0, 4.0] }")
        _, used = planned(write(text))
        plain = {address: parameter.value for address, parameter in used.parameters.items()}
        assert json.loads(json.dumps(plain, allow_nan=False)) == plain
        assert plain["line.legs"] == {"from": [1.0, 2.0], "to": [3.0, 4.0]}

    def test_tells_of_a_height_that_the_system_does_not_come_in(self, write):
        _, used = planned(write(LEAST + "[fence]\nheight_m = 1.75"))
        assert used.findings == (
            Finding(
                code="height-not-offered",
                severity="warn",
                message="The system aac-panel does not come in a height of 1.75 m",
                remedy="Choose one of 0.9, 1.2, 1.5, 1.8, 2.1, 2.4 m, or have panels cut.",
                value=1.75,
                unit="m",
            ),
        )

    @pytest.mark.parametrize(("gap_m", "told"), [(0.05, False), (0.049, True)])
    def test_tells_of_levels_too_coarse_for_their_limits(self, gap_m, told, write):
        _, used = planned(write(LEAST + f"[levels]\ngap_max_m = {gap_m}\ndig_max_m = 0"))
        assert [finding.code for finding in used.findings] == ["increment-over-room"] * told

    @given(
        min_bay_m=st.floats(0.06, 3, allow_nan=False),
        module_m=st.floats(0.06, 3),
        step_min_m=st.floats(0, 1),
        step_max_m=st.floats(0, 1),
        increment_m=st.floats(0.01, 0.3),
    )
    def test_never_hands_the_engine_rules_that_contradict_each_other(
        self, min_bay_m, module_m, step_min_m, step_max_m, increment_m
    ):
        job = from_values(
            layout={"min_bay_m": min_bay_m, "module_m": module_m},
            levels={"step_min_m": step_min_m, "step_max_m": step_max_m, "increment_m": increment_m},
        )
        try:
            used = resolve(job, catalogue.load("aac-panel"))
        except JobError:
            return
        assert used.layout.min_bay_m <= used.layout.module_m
        assert used.levels.step_min_m <= used.levels.step_max_m
        steps = used.levels.step_max_m / increment_m
        assert used.levels.step_max_m == 0 or math.floor(steps + 1e-6) >= max(1, step_min_m / increment_m - 1e-6)


BEYOND_JSON_SCHEMA = (
    "is wider than",
    "does not go with",
    "is above levels.step_max_m",
    "keeps open more",
    "for the rule max-height",
    "no system is called",
    "not an order of columns",
    "must increase",
    "names a leg twice",
    "says twice",
    "does not say where",
    "the name of an earlier",
    "not a finite number",
    "name: is not text",
    "is empty. `geofence",
    "for the rule setback",
    "Name the zone's file",
    "does not go with file",
    "A triangle has",
    "says nothing to the rule",
    "is less than limit_m",
)
"""Mistakes that no JSON schema could tell: values that disagree with others, and what JSON has no words for."""


class TestSchema:
    def test_is_a_json_schema_that_takes_the_whole_job(self):
        schema = job_schema()
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(tomllib.loads(ALL), schema)

    @pytest.mark.parametrize(
        "text", [text for text in MISTAKES if not any(phrase in MISTAKES[text] for phrase in BEYOND_JSON_SCHEMA)]
    )
    def test_refuses_what_the_model_refuses_of_one_value(self, text):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(json.loads(json.dumps(tomllib.loads(text), default=str)), job_schema())

    def test_knows_no_null(self):
        assert '"null"' not in json.dumps(job_schema())
