"""``stakeout.csv``: what a device and a spreadsheet make of it.

Readers: pandas and the standard library's csv module (independent). Expected values are the made-up plan's own.
"""

from __future__ import annotations

import csv
import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas
import pytest

from geofence.engine.records import Finding
from geofence.outputs import stakeout
from geofence.outputs.stakeout import StakeoutStyle
from geofence.plan import FencePlan, Parameter, PlannedGate
from tests.plans import hostile_plan, made_up_plan

NUMBER = re.compile(r"-?\d+\.\d+")


def _text(plan: FencePlan, tmp_path: Path, **style: Any) -> str:
    path = tmp_path / "stakeout.csv"
    stakeout.write(plan, path, style=StakeoutStyle(**style))
    return path.read_bytes().decode("utf-8")


def _rows(plan: FencePlan, tmp_path: Path, **style: Any) -> list[list[str]]:
    return list(csv.reader(_text(plan, tmp_path, **style).splitlines()))


def _shifted(plan: FencePlan, *, east: float = 0.0, up: float = 0.0) -> FencePlan:
    posts = plan.fence.posts
    posts = replace(
        posts,
        ground_level_m=posts.ground_level_m + up,
        top_level_m=posts.top_level_m + up,
        toe_level_m=posts.toe_level_m + up,
    )
    places = replace(plan.places, easting=plan.places.easting + east)
    return replace(plan, places=places, fence=replace(plan.fence, posts=posts))


class TestByDefault:
    def test_a_device_reads_what_was_planned(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        path = tmp_path / "stakeout.csv"
        stakeout.OUTPUT.write(plan, path)
        table = pandas.read_csv(path)
        assert list(table.columns) == ["point", "easting", "northing", "level", "description"]
        assert list(table.point) == list(plan.post_names)
        assert table.easting.to_numpy() == pytest.approx(plan.places.easting, abs=0.5001e-4)
        assert table.northing.to_numpy() == pytest.approx(plan.places.northing, abs=0.5001e-4)
        assert table.level.to_numpy() == pytest.approx(plan.fence.posts.ground_level_m, abs=0.5001e-4)
        assert table.description[0] == "end top 82.355"

    def test_the_header_comes_first_and_lines_end_as_rfc_4180_says(self, tmp_path: Path) -> None:
        text = _text(made_up_plan(), tmp_path)
        assert text.startswith("point,easting,northing,level,description\r\nP001,560000.0000,5900000.0000,80.0000,end")
        assert text.endswith("\r\n")
        assert text.count("\n") == text.count("\r\n") == 41

    def test_negative_numbers_stay_numbers(self, tmp_path: Path) -> None:
        plan = _shifted(made_up_plan(), east=-560_001.25, up=-81.25)
        first = _text(plan, tmp_path).splitlines()[1]
        assert first == "P001,-1.2500,5900000.0000,-1.2500,end top 1.105"

    @pytest.mark.parametrize("delimiter", ["comma", "semicolon", "tab", "space"])
    def test_numbers_are_never_quoted_or_escaped(self, tmp_path: Path, delimiter: str) -> None:
        plan = _shifted(hostile_plan(), east=-560_030.0, up=-82.0)
        mark = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}[delimiter]
        for line in _text(plan, tmp_path, delimiter=delimiter).splitlines()[1:]:
            assert all(NUMBER.fullmatch(field) for field in line.split(mark)[1:4])

    def test_names_are_unique_short_and_ascii(self, tmp_path: Path) -> None:
        names = [row[0] for row in _rows(made_up_plan(1200), tmp_path)[1:]]
        assert len(set(names)) == 1200
        assert all(name.isascii() and name.isalnum() and len(name) <= 8 for name in names)

    def test_widths_between_written_points_are_true(self, tmp_path: Path) -> None:
        """Closed form: two roundings to 0.0001 m move a distance by at most 0.00015 m."""
        rows = _rows(made_up_plan(), tmp_path)[1:]
        places = np.array([[float(row[1]), float(row[2])] for row in rows])
        assert np.hypot(*np.diff(places, axis=0).T) == pytest.approx(1.885, abs=1.5e-4)

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        assert _text(hostile_plan(), tmp_path) == _text(hostile_plan(), tmp_path)


class TestMarks:
    def test_a_post_with_a_finding_says_so_to_the_crew(self, tmp_path: Path) -> None:
        rows = _rows(made_up_plan(), tmp_path)
        assert rows[4][4].endswith(" CHECK post-extended")

    def test_stop_comes_first_and_notes_stay_away(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        findings = (
            Finding(code="a-warning", severity="warn", message="", post=1),
            Finding(code="a-stop", severity="stop", message="", post=1),
            Finding(code="a-stop", severity="stop", message="", post=1),
            Finding(code="a-note", severity="note", message="", post=2),
        )
        rows = _rows(replace(plan, fence=replace(plan.fence, findings=findings)), tmp_path, description="{kind}{marks}")
        assert [row[4] for row in rows[1:4]] == ["end", "line STOP a-stop a-warning", "line"]


class TestStyle:
    def test_order(self, tmp_path: Path) -> None:
        style = ("point", "northing", "easting", "level")
        lines = _text(made_up_plan(), tmp_path, order=style).splitlines()
        assert lines[:2] == ["point,northing,easting,level", "P001,5900000.0000,560000.0000,80.0000"]

    def test_delimiter_and_quotes(self, tmp_path: Path) -> None:
        lines = _text(made_up_plan(), tmp_path, delimiter="space").splitlines()
        assert lines[1] == 'P001 560000.0000 5900000.0000 80.0000 "end top 82.355"'
        lines = _text(made_up_plan(), tmp_path, delimiter="tab", description="{kind};x").splitlines()
        assert lines[1] == "P001\t560000.0000\t5900000.0000\t80.0000\tend;x"

    @pytest.mark.parametrize(("decimals", "written"), [(0, "560000"), (3, "560000.000"), (None, "560000.0000")])
    def test_decimals(self, tmp_path: Path, decimals: int | None, written: str) -> None:
        assert _rows(made_up_plan(), tmp_path, decimals=decimals)[1][1] == written

    def test_no_header(self, tmp_path: Path) -> None:
        assert _text(made_up_plan(), tmp_path, header="none").startswith("P001,")

    @pytest.mark.parametrize(
        ("code", "written"),
        [
            ("FP", "FP"),
            ("FP.{kind}", "FP.end"),
            ("{ground} {top} {toe}", "80.000 82.355 79.400"),
            ("{height} {depth} {length}", "2.355 0.600 2.955"),
            ("{{x}}", "{x}"),
            ("=HYPERLINK({top})", "'=HYPERLINK(82.355)"),
            ("-{kind}", "'-end"),
            ("šraub", "šraub"),
            ("", ""),
        ],
    )
    def test_code(self, tmp_path: Path, code: str, written: str) -> None:
        assert _rows(made_up_plan(), tmp_path, description=code)[1][4] == written

    @pytest.mark.parametrize(("level", "written"), [("ground", "80.0000"), ("top", "82.3550"), ("toe", "79.4000")])
    def test_level(self, tmp_path: Path, level: str, written: str) -> None:
        assert _rows(made_up_plan(), tmp_path, level=level)[1][3] == written

    def test_levels_are_in_the_unit_of_the_grid(self, tmp_path: Path) -> None:
        """Closed form: 80 m are 80 * 3937 / 1200 US survey feet, for the device takes one unit for the whole file."""
        plan = made_up_plan()
        plan = replace(plan, grid=replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937))
        row = _rows(plan, tmp_path)[1]
        assert float(row[3]) == pytest.approx(80 * 3937 / 1200, abs=1e-4)
        assert row[4] == f"end top {82.355 * 3937 / 1200:.3f}"


METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}
MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}


class TestReadBack:
    """Each style comes back through pandas: coordinates and levels to 0.1 mm, text as it was."""

    @pytest.mark.parametrize("header", ["names", "none"])
    @pytest.mark.parametrize("unit", ["grid", "m", "ft", "ftUS"])
    @pytest.mark.parametrize(
        ("delimiter", "decimal"),
        [
            ("comma", "point"), ("semicolon", "point"), ("tab", "point"), ("space", "point"),
            ("semicolon", "comma"), ("tab", "comma"), ("space", "comma"),
        ],
    )  # fmt: skip
    @pytest.mark.parametrize("grid_unit_m", [1.0, 1200 / 3937])
    def test_each_style(
        self, header: str, unit: str, delimiter: str, decimal: str, grid_unit_m: float, tmp_path: Path
    ) -> None:
        plan = _shifted(hostile_plan(), east=-560_030.0, up=-82.0)
        plan = replace(plan, grid=replace(plan.grid, unit_m=grid_unit_m))
        order = ("description", "top", "northing", "point", "toe", "easting", "level", "chainage", "ground", "code")
        style: dict[str, Any] = {"header": header, "unit": unit, "delimiter": delimiter, "decimal": decimal}
        (tmp_path / "text.csv").write_text(_text(plan, tmp_path, order=order, level="top", **style), newline="")
        table = pandas.read_csv(
            tmp_path / "text.csv", sep=MARKS[delimiter], decimal="," if decimal == "comma" else ".",
            header=0 if header == "names" else None, names=None if header == "names" else list(order),
        )  # fmt: skip
        assert list(table.columns) == list(order)
        metres, posts = METRES.get(unit, grid_unit_m), plan.fence.posts
        expected = {
            "easting": plan.places.easting * grid_unit_m,
            "northing": plan.places.northing * grid_unit_m,
            "level": posts.top_level_m,
            "top": posts.top_level_m,
            "toe": posts.toe_level_m,
            "ground": posts.ground_level_m,
            "chainage": posts.chainage_m,
        }
        for name, values in expected.items():
            assert table[name].dtype == np.float64
            assert table[name].to_numpy() * metres == pytest.approx(values, abs=1e-4), name
        assert list(table.point) == list(plan.post_names)
        assert list(table.code) == list(posts.kind)
        top = f"{posts.top_level_m[0] / metres:.3f}"
        assert table.description[0] == f"end top {top.replace('.', ',') if decimal == 'comma' else top}"

    def test_a_decimal_comma_makes_no_number_text(self, tmp_path: Path) -> None:
        plan = _shifted(made_up_plan(), east=-560_001.25, up=-81.25)
        first = _text(plan, tmp_path, decimal="comma", delimiter="semicolon").splitlines()[1]
        assert first == "P001;-1,2500;5900000,0000;-1,2500;end top 1,105"

    def test_the_two_feet_are_told_apart(self, tmp_path: Path) -> None:
        """Closed form: 5,900,000 m are 19,356,955.3806 feet, and 38.7139 US survey feet fewer."""
        feet, survey = (float(_rows(made_up_plan(), tmp_path, unit=unit)[1][2]) for unit in ("ft", "ftUS"))
        assert feet == pytest.approx(5_900_000 / 0.3048, abs=1e-4)
        assert feet - survey == pytest.approx(5_900_000 / 0.3048 - 5_900_000 * 3937 / 1200, abs=2e-4)
        assert feet - survey == pytest.approx(38.7139, abs=2e-4)

    def test_feet_of_a_grid_in_feet_are_left_alone(self, tmp_path: Path) -> None:
        """Files state the factor of a grid with ten digits or more: such a grid's coordinates are not worked on."""
        plan = made_up_plan()
        for unit, metres in (("ft", 0.3048), ("ftUS", 0.304800609601219), ("ftUS", 0.3048006096)):
            there = replace(plan, grid=replace(plan.grid, unit_m=metres))
            order = ("point", "easting", "northing")
            ours, grids = (_text(there, tmp_path, unit=each, decimals=6, order=order) for each in (unit, "grid"))
            assert ours == grids


class TestCodes:
    def test_of_each_kind_of_post(self, tmp_path: Path) -> None:
        rows = _rows(
            made_up_plan(), tmp_path, codes={"end": "FE"}, order=("easting", "northing", "code", "description")
        )
        assert [rows[1][2:], rows[2][2:]] == [["FE", "FE top 82.355"], ["line", "line top 82.755"]]

    def test_are_no_formulas(self, tmp_path: Path) -> None:
        rows = _rows(made_up_plan(), tmp_path, codes={"end": "=1+1"}, order=("easting", "northing", "code", "kind"))
        assert rows[1][2:] == ["'=1+1", "end"]

    def test_are_a_line_of_the_file_to_each_point(self, tmp_path: Path) -> None:
        """Devices read line by line, whatever quotes say; a code, a pattern or a name may come with a line end."""
        lines = _text(made_up_plan(), tmp_path, description="a\r\n{code}", codes={"end": "F\nE"}).split("\r\n")
        assert len(lines) == 42
        assert lines[1].endswith(",a F E")
        assert "\n" not in "".join(lines)

    def test_of_marks_beside_posts(self, tmp_path: Path) -> None:
        rows = _rows(
            made_up_plan(), tmp_path, offset_m=(1.0, -2.5), codes={"offset": "OS"}, description="{code}{offset} {kind}"
        )
        assert [row[4] for row in rows[1:4]] == [
            "end end", "OS 1.000 left of P001 offset", "OS 2.500 right of P001 offset"
        ]  # fmt: skip


class TestGates:
    def test_are_named_at_their_posts_where_the_pattern_asks_for_it(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        gate = PlannedGate(
            name="Yard", bay=3, swing="none", leaves=0, leaf_kg=None, post_width_m=0.1, hole_diameter_m=0.4
        )
        rows = _rows(replace(plan, gates=(gate,)), tmp_path, description="{code}{gate}", header="none")
        assert [row[-1] for row in rows[2:6]] == ["line", "line Yard", "line Yard", "line"]
        assert _rows(plan, tmp_path, description="{code}{gate}", header="none")[3][-1] == "line"

    @pytest.mark.parametrize(
        ("pattern", "text"),
        [("{gate}", "'=1+1"), (" {gate} ", "'=1+1"), ("FG{gate}", "FG =1+1"), ("{gate} x", "'=1+1 x")],
    )
    def test_a_name_comes_without_a_blank_before_it_and_is_no_formula(
        self, pattern: str, text: str, tmp_path: Path
    ) -> None:
        gate = PlannedGate(
            name="=1+1", bay=3, swing="none", leaves=0, leaf_kg=None, post_width_m=0.1, hole_diameter_m=0.4
        )
        rows = _rows(replace(made_up_plan(), gates=(gate,)), tmp_path, description=pattern, header="none")
        assert [row[-1] for row in rows[3:5]] == [text, text]
        assert rows[2][-1] == rows[2][-1].strip()


class TestLines:
    """A job of several lines: posts by the first line that they are of."""

    @pytest.fixture
    def plan(self) -> FencePlan:
        plan = made_up_plan(6)
        first = replace(
            plan.runs[0], line="=Home", posts=[0, 1, 2], chainage_m=plan.fence.posts.chainage_m[:3], bays=[0, 1]
        )
        second = replace(plan.runs[0], line="East", posts=[2, 3, 4, 5], chainage_m=np.arange(4) * 1.885, bays=[2, 3, 4])
        return replace(plan, runs=(first, second))

    def test_are_told_in_a_column_or_in_the_description(self, plan: FencePlan, tmp_path: Path) -> None:
        rows = _rows(plan, tmp_path, order=("easting", "northing", "line", "description"), description="{line}{marks}")
        lines = ["'=Home", "'=Home", "'=Home", "East", "East", "East"]
        assert [row[2] for row in rows[1:]] == lines
        assert [row[3].removesuffix(" CHECK post-extended") for row in rows[1:]] == lines

    def test_of_marks_too(self, plan: FencePlan, tmp_path: Path) -> None:
        rows = _rows(plan, tmp_path, order=("easting", "northing", "line"), offset_m=(1.0,))
        assert [row[2] for row in rows[5:9]] == ["'=Home", "'=Home", "East", "East"]


class TestMarksBesidePosts:
    def test_follow_their_post_and_carry_its_levels(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        path = tmp_path / "stakeout.csv"
        stakeout.write(
            plan, path, style=StakeoutStyle(offset_m=(1.0, -1.0), order=("point", "easting", "northing", "top"))
        )
        table = pandas.read_csv(path)
        assert list(table.point[:4]) == ["P001", "P001L", "P001R", "P002"]
        assert table.top.to_numpy() == pytest.approx(np.repeat(plan.fence.posts.top_level_m, 3), abs=1e-4)
        post, left, right = (table.iloc[row][["easting", "northing"]].to_numpy(dtype=float) for row in (6, 7, 8))
        assert (left + right) / 2 == pytest.approx(post, abs=1e-4)
        assert np.hypot(*(left - post)) == pytest.approx(1.0, abs=2e-4)

    def test_distances_are_told_in_the_unit_of_the_file(self, tmp_path: Path) -> None:
        rows = _rows(made_up_plan(), tmp_path, offset_m=(1.0,), unit="ft", name_length=5)
        assert rows[2][4].startswith("offset 3.281 left of P001 top ")


def test_a_job_chooses_what_every_run_writes(tmp_path: Path) -> None:
    plan = made_up_plan()
    chosen = {"stakeout.order": "NE", "stakeout.header": "none", "stakeout.decimals": 1}
    parameters = {name: Parameter(value=value, origin="job") for name, value in chosen.items()}
    stakeout.OUTPUT.write(replace(plan, parameters=parameters), tmp_path / "stakeout.csv")
    assert (tmp_path / "stakeout.csv").read_text().splitlines()[0] == "5900000.0,560000.0"


def test_its_digest_is_that_of_the_file(tmp_path: Path) -> None:
    plan, style = hostile_plan(), StakeoutStyle(offset_m=(1.0,), codes={"line": "čšž"})
    stakeout.write(plan, tmp_path / "stakeout.csv", style=style)
    assert stakeout.digest(plan, style) == hashlib.sha256((tmp_path / "stakeout.csv").read_bytes()).hexdigest()
