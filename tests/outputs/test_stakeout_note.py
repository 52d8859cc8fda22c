"""``stakeout.txt``: what stands in it is the made-up plan's own, or the rule it tests."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from geofence.engine.records import Finding
from geofence.outputs import stakeout, stakeout_note
from geofence.plan import CAUTIONS, FencePlan, Parameter
from geofence.stakeout_style import StakeoutStyle, Unit
from tests.plans import HOSTILE, hostile_plan, made_up_plan


def _lines(plan: FencePlan, tmp_path: Path) -> list[str]:
    path = tmp_path / "stakeout.txt"
    stakeout_note.OUTPUT.write(plan, path)
    content = path.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    return content.decode("utf-8").split("\r\n")


def _with(plan: FencePlan, *findings: Finding) -> FencePlan:
    return replace(plan, fence=replace(plan.fence, findings=findings))


@pytest.mark.parametrize("caution", CAUTIONS)
def test_every_caution(caution: str, tmp_path: Path) -> None:
    assert f"- {caution}" in _lines(made_up_plan(), tmp_path)


@pytest.mark.parametrize(
    "line",
    [
        "Stake-out of Invented Down",
        "Grid         WGS 84 / UTM zone 30N (EPSG:32630)",
        "Unit         metre = 1 m, levels too",
        "Level datum  invented datum",
        "Scale        grid distance = 0.99960000 x ground distance (400 mm in 1 km);",
        "P001  easting 560000.0000  northing 5900000.0000  chainage 0.000 m on the ground",
        "STOP B021 at 37.70 to 39.59 m: The panel would hang 0.31 m above the ground. "
        "Allow a larger gap_max_m, a finer increment_m, or fill the hollow.",
        "WARN P004 at 5.66 m: The post is longer than the longest stock length. Order an extension.",
        "NOTE: Working grid taken from the ground raster.",
    ],
)
def test_what_the_numbers_are_in_and_what_to_look_at(line: str, tmp_path: Path) -> None:
    assert line in _lines(made_up_plan(), tmp_path)


def test_feet_grids_without_a_code_and_datums_not_stated(tmp_path: Path) -> None:
    plan = made_up_plan()
    grid = replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937, code=None, level_datum="")
    lines = _lines(replace(plan, grid=grid), tmp_path)
    assert "Unit         US survey foot = 0.304800609601 m, levels too" in lines
    assert "Grid         WGS 84 / UTM zone 30N (no code: its definition is in plan.json)" in lines
    assert "Level datum  not stated" in lines


class TestTheChosenStyle:
    """What stands in the note is what was asked for, and true of the file beside it."""

    STYLE = StakeoutStyle(
        order=("point", "northing", "easting", "top", "chainage", "level"), unit="ft", decimals=3, delimiter="tab",
        decimal="comma", header="none", level="toe", codes={"end": "FE", "offset": "OS"}, prefix="NORTH", name_length=7,
        offset_m=(1.0, -1.0, -2.0),
    )  # fmt: skip

    @pytest.mark.parametrize(
        "line",
        [
            "THE NUMBERS IN crew.csv",
            "Unit         international foot = 0.3048 m, levels too; the grid's own: metre = 1 m",
            "Scale        grid distance = 0.99960000 x ground distance (0.400 ft in 1000 ft);",
            "Order        point, northing, easting, top, chainage, level",
            "Written      tab between fields, decimal comma, 3 decimals; line 1 is a point: there is no header",
            "level        the toe of the post, the bottom of its hole",
            "top          the top of the post",
            "chainage     along the line, on the ground; where lines meet, along the first of them",
            "Codes        end FE, offset OS",
            "Points       40 posts and 120 marks beside them",
            "Names        NORT01 is post P001 of the other files, and so on by number",
            "Marks        L: 3.281 left; R: 3.281 right; R2: 6.562 right of the direction of travel; code OS",
        ],
    )
    def test_is_told(self, line: str, tmp_path: Path) -> None:
        style = replace(self.STYLE, name_length=8) if "NORT01" in line else self.STYLE
        assert line in self._lines(made_up_plan(), tmp_path, style)

    def test_first_and_last_post_as_in_the_file(self, tmp_path: Path) -> None:
        """Closed form: 560,000 m are 1,837,270.341 feet."""
        lines = self._lines(made_up_plan(), tmp_path, replace(self.STYLE, name_length=None))
        at = lines.index("FIRST AND LAST POST")
        assert lines[at + 1].startswith(
            "NORTH001  easting 1837270.341  northing 19356955.381  chainage 0.000 ft on the ground"
        )
        assert lines[at + 2].startswith("NORTH040  easting ")
        stakeout.write(made_up_plan(), tmp_path / "crew.csv", style=replace(self.STYLE, name_length=None))
        last = (tmp_path / "crew.csv").read_text().splitlines()[-4].replace(",", ".").split("\t")
        assert lines[at + 2].startswith(f"{last[0]}  easting {last[2]}  northing {last[1]}  chainage {last[4]} ft ")

    def test_names_the_file_by_its_digest(self, tmp_path: Path) -> None:
        lines = self._lines(hostile_plan(), tmp_path, self.STYLE)
        stakeout.write(hostile_plan(), tmp_path / "crew.csv", style=self.STYLE)
        digest = hashlib.sha256((tmp_path / "crew.csv").read_bytes()).hexdigest()
        assert f"SHA-256      {digest}" in lines

    def test_free_text_stays_on_its_line(self, tmp_path: Path) -> None:
        plain = self._lines(made_up_plan(), tmp_path, replace(self.STYLE, description="x", codes={"line": "y"}))
        evil = "a\r\nUnit         fathom\u2028x"
        style = replace(self.STYLE, description=evil, codes={"line": evil})
        order = (*self.STYLE.order, "description")
        hostile = self._lines(made_up_plan(), tmp_path, replace(style, order=order))
        assert len(hostile) == len(plain) + 1  # the description's own line
        assert "Codes        line a Unit fathom x" in hostile

    @pytest.mark.parametrize(("unit", "told"), [("m", False), ("grid", False), ("ft", True), ("ftUS", True)])
    def test_findings_have_the_files_unit_beside_their_metres(self, unit: Unit, told: bool, tmp_path: Path) -> None:
        """(a) 0.31 m are 1.02 feet of either kind, 12 m are 39.37."""
        findings = (
            Finding(code="a", severity="stop", message="The panel would hang 0.31 m above the ground", bay=20),
            Finding(code="b", severity="warn", message="Look", chainage_m=12.0),
        )
        lines = self._lines(_with(made_up_plan(), *findings), tmp_path, StakeoutStyle(unit=unit))
        at = lines.index("TO LOOK AT") + 1
        head = [
            "Sentences have lengths in m, in brackets in the unit of the file; coordinates in the grid's own, metre."
        ]
        assert lines[at:-1] == [
            *(head if told else []),
            f"STOP B021: The panel would hang 0.31 m{' [1.02 ft]' if told else ''} above the ground.",
            f"WARN at {'39.37 ft' if told else '12.00 m'}: Look.",
        ]

    def test_findings_say_their_unit_where_the_grid_has_another(self, tmp_path: Path) -> None:
        grid = replace(made_up_plan().grid, unit="US survey foot", unit_m=1200 / 3937)
        lines = self._lines(replace(made_up_plan(), grid=grid), tmp_path, StakeoutStyle(unit="m"))
        assert lines[lines.index("TO LOOK AT") + 1].endswith("coordinates in the grid's own unit, US survey foot.")

    def test_a_plan_carries_it(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        more = {"stakeout.unit": Parameter(value="ftUS", origin="job")}
        lines = _lines(replace(plan, parameters={**plan.parameters, **more}), tmp_path)
        assert "Unit         US survey foot = 0.304800609601 m, levels too; the grid's own: metre = 1 m" in lines

    def _lines(self, plan: FencePlan, tmp_path: Path, style: StakeoutStyle) -> list[str]:
        stakeout_note.write(plan, tmp_path / "note.txt", style=style, about="crew.csv")
        return (tmp_path / "note.txt").read_bytes().decode("utf-8").split("\r\n")


def test_stops_come_first_and_a_long_list_is_cut(tmp_path: Path) -> None:
    warning = Finding(code="w", severity="warn", message="Look", chainage_m=12.0)
    stop = Finding(code="s", severity="stop", message="Do not")
    lines = _lines(_with(made_up_plan(), *[warning] * 60, stop), tmp_path)
    start = lines.index("TO LOOK AT") + 1
    assert lines[start : start + 2] == ["STOP: Do not.", "WARN at 12.00 m: Look."]
    assert lines[-2] == "and 21 more in findings.csv"


def test_a_plan_without_findings_says_so(tmp_path: Path) -> None:
    assert "Nothing was found." in _lines(_with(made_up_plan()), tmp_path)


def test_free_text_stays_on_its_line(tmp_path: Path) -> None:
    """Nobody can add a line of their own through a name."""
    plan = made_up_plan(name="x\r\nGrid         wrong\u2028Unit wrong\x00")
    lines = _lines(plan, tmp_path)
    assert lines[0] == "Stake-out of x Grid wrong Unit wrong"
    hostile = _lines(hostile_plan(), tmp_path)
    assert len(hostile) == len(_lines(made_up_plan(), tmp_path)) + 1  # one finding more
    assert hostile[0] == f"Stake-out of {' '.join(HOSTILE)}".replace("\n", " ")
