"""``plan.json``: strict JSON, complete, the same for the same plan. Expected values are the made-up plan's own."""

from __future__ import annotations

import json
from collections import OrderedDict
from dataclasses import dataclass, replace
from datetime import date
from enum import Enum
from functools import partial
from pathlib import Path, PureWindowsPath
from typing import Any, NoReturn

import numpy as np
import pytest

from geofence import folder as folders
from geofence.outputs import bays, findings, plan_json, posts, profile, stakeout, stakeout_note
from geofence.plan import CAUTIONS, FencePlan, Parameter
from tests.plans import HOSTILE, hostile_plan, made_up_plan


def _refuse(word: str) -> NoReturn:
    raise AssertionError(f"{word} is no JSON")


def _content(plan: FencePlan, tmp_path: Path) -> dict[str, Any]:
    path = tmp_path / "plan.json"
    plan_json.OUTPUT.write(plan, path)
    content: dict[str, Any] = json.loads(path.read_bytes(), parse_constant=_refuse)
    return content


def _with_parameter(value: Any) -> FencePlan:
    return replace(made_up_plan(), parameters={"x.y": Parameter(value=value, origin="job")})


class Colour(Enum):
    GREEN = "green"


@dataclass(frozen=True)
class Thing:
    size: np.float64


class TestContent:
    def test_parameters_with_their_origin(self, tmp_path: Path) -> None:
        assert _content(made_up_plan(), tmp_path)["parameters"] == {
            "layout.fit": {"value": "end", "origin": "job"},
            "layout.module_m": {"value": 1.885, "origin": "system aac-panel"},
        }

    def test_the_optimum_is_the_sum_of_its_parts(self, tmp_path: Path) -> None:
        optimum = _content(made_up_plan(), tmp_path)["optimum"]
        assert optimum == {"broken_bays": 1, "cost": 116.75, "gap": 12.5, "dig": 1.25, "step": 100.0, "rise": 3.0}

    def test_grid_scale_and_units(self, tmp_path: Path) -> None:
        content = _content(made_up_plan(), tmp_path)
        assert content["grid"] == {
            "name": "WGS 84 / UTM zone 30N",
            "code": "EPSG:32630",
            "unit": "metre",
            "unit_m": 1.0,
            "level_datum": "invented datum",
            "wkt": "",
        }
        assert content["scale"] == 0.9996
        assert content["units"]["easting, northing"] == "metre, on the grid"
        assert content["units"]["stakeout.csv"].startswith("metre; ")

    def test_the_unit_of_the_stake_out_file_is_the_jobs(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        plan = replace(plan, parameters={"stakeout.unit": Parameter(value="ftUS", origin="job")})
        assert _content(plan, tmp_path)["units"]["stakeout.csv"].startswith("US survey foot; ")

    def test_summary_system_provenance_and_cautions(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        content = _content(plan, tmp_path)
        assert content["summary"] == plan.summary()
        assert content["system"]["module_m"] == 1.885
        assert content["provenance"] == {
            "inputs": {"boundary.geojson": "0" * 64},
            "packages": {"numpy": "2.0"},
            "planned_at": "2026-11-25T12:00:00Z",
        }
        assert content["cautions"] == list(CAUTIONS)
        assert content["name"] == "Invented Down"

    def test_hostile_text_comes_back_unharmed(self, tmp_path: Path) -> None:
        assert _content(hostile_plan(), tmp_path)["name"] == " ".join(HOSTILE)

    def test_a_file_name_that_is_not_utf_8(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        plan = replace(plan, provenance=replace(plan.provenance, inputs={"d\udce9j\u00e0.tif": "0" * 64}))
        assert list(_content(plan, tmp_path)["provenance"]["inputs"]) == ["d\udce9j\u00e0.tif"]


class TestPlain:
    @pytest.mark.parametrize(
        ("value", "written"),
        [
            (np.float64(1.5), 1.5),
            (np.float32(0.5), 0.5),
            (np.int64(7), 7),
            (np.bool_(True), True),
            (np.str_("x"), "x"),
            (np.array([[1.0, np.nan]]), [[1.0, None]]),
            (float("inf"), None),
            (float("-inf"), None),
            (Path("a/b.tif"), "a/b.tif"),
            (PureWindowsPath("a\\b.tif"), "a/b.tif"),
            ((1, 2), [1, 2]),
            ({"b", "a"}, ["a", "b"]),
            (frozenset({2, 1}), [1, 2]),
            (OrderedDict(b=1, a=np.int8(2)), {"b": 1, "a": 2}),
            ({1: Path("x")}, {"1": "x"}),
            (Colour.GREEN, "green"),
            (Thing(size=np.float64(2)), {"size": 2.0}),
            (date(2026, 3, 1), "2026-03-01"),
            (None, None),
            (10**30, 10**30),
        ],
    )
    def test_any_value_of_a_job(self, value: Any, written: Any, tmp_path: Path) -> None:
        found = _content(_with_parameter(value), tmp_path)["parameters"]["x.y"]["value"]
        assert found == written
        assert type(found) is type(written)

    @pytest.mark.parametrize("value", [object(), b"x", Thing])
    def test_what_has_no_plain_form_is_not_guessed_at(self, value: Any, tmp_path: Path) -> None:
        with pytest.raises(TypeError, match="has no plain form"):
            _content(_with_parameter(value), tmp_path)


class TestSameBytes:
    def test_whatever_the_order_of_its_mappings(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        turned = replace(
            plan,
            parameters=dict(reversed(list(plan.parameters.items()))),
            provenance=replace(plan.provenance, packages={"scipy": "1", "numpy": "2.0"}),
        )
        plan = replace(plan, provenance=replace(plan.provenance, packages={"numpy": "2.0", "scipy": "1"}))
        path = tmp_path / "plan.json"
        plan_json.write(plan, path)
        one = path.read_bytes()
        plan_json.write(turned, path)
        assert path.read_bytes() == one

    def test_but_for_the_time_stamp(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        later = replace(plan, provenance=replace(plan.provenance, planned_at="2027-01-01T00:00:00Z"))
        texts = []
        for each in (plan, later):
            plan_json.write(each, tmp_path / "plan.json")
            texts.append((tmp_path / "plan.json").read_text().splitlines())
        assert [one for one, other in zip(*texts, strict=True) if one != other] == [
            '    "planned_at": "2026-11-25T12:00:00Z"'
        ]


class TestFiles:
    """The list of files is how the next run knows that they are ours."""

    OUTPUTS = tuple(module.OUTPUT for module in (posts, bays, stakeout, stakeout_note, findings, profile, plan_json))

    def _write(self, folder: Path) -> None:
        names = tuple(output.filename for output in self.OUTPUTS)
        plan = hostile_plan()
        plan = replace(plan, provenance=replace(plan.provenance, files=names))
        folders.replace(folder, {output.filename: partial(output.write, plan) for output in self.OUTPUTS})

    def test_a_second_run_may_replace_the_first(self, tmp_path: Path) -> None:
        self._write(tmp_path / "out")
        first = {item.name: item.read_bytes() for item in (tmp_path / "out").iterdir()}
        self._write(tmp_path / "out")
        assert {item.name: item.read_bytes() for item in (tmp_path / "out").iterdir()} == first
        assert first.keys() == {output.filename for output in self.OUTPUTS}

    def test_alone_it_lists_itself(self, tmp_path: Path) -> None:
        assert _content(made_up_plan(), tmp_path)["files"] == ["plan.json"]
