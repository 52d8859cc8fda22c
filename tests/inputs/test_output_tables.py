"""The table ``[stakeout]`` of a job: what it takes, what it says of a mistake, and that a plan carries it."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from geofence.errors import JobError
from geofence.inputs.job import read_job, resolve
from geofence.inputs.output_tables import Stakeout
from geofence.plan import Parameter
from geofence.stakeout_style import StakeoutStyle
from geofence.systems import catalogue

JOB = 'schema = 1\n[line]\nfile = "b.gpkg"\n[ground]\nfiles = "g.tif"\n[stakeout]\n'


def _write(folder: Path, text: str) -> Path:
    (folder / "fence.toml").write_text(JOB + text, encoding="utf-8")
    return folder / "fence.toml"


def test_it_has_every_option_of_the_style() -> None:
    assert list(Stakeout.model_fields) == [item.name for item in fields(StakeoutStyle)]


def test_its_defaults_are_those_of_the_style() -> None:
    assert StakeoutStyle.from_values(Stakeout().model_dump()) == StakeoutStyle()


def test_a_plan_carries_it(tmp_path: Path) -> None:
    job = read_job(
        _write(tmp_path, 'order = "PNEZD"\noffset_m = [1.0, -2]\n[stakeout.codes]\ncorner = "FC"\nend = "FE"\n')
    )
    found = resolve(job, catalogue.load("aac-panel")).parameters
    assert found["stakeout.order"] == Parameter(value="PNEZD", origin="job")
    assert found["stakeout.offset_m"] == Parameter(value=[1.0, -2.0], origin="job")
    assert found["stakeout.codes"] == Parameter(value={"corner": "FC", "end": "FE"}, origin="job")
    assert found["stakeout.unit"] == Parameter(value="grid", origin="default")
    assert "stakeout.decimals" not in found


@pytest.mark.parametrize(
    ("written", "read"), [("1.5", (1.5,)), ("-2", (-2,)), ("[1.5, -1.5]", (1.5, -1.5)), ("[]", ())]
)
def test_one_mark_or_several(written: str, read: tuple[float, ...], tmp_path: Path) -> None:
    assert read_job(_write(tmp_path, f"offset_m = {written}\n")).stakeout.offset_m == read


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('unti = "ft"', "line 7, stakeout.unti: is not a known key. Did you mean unit?"),
        ('unit = "rod"', "line 7, stakeout.unit: is not one of the known words: 'rod'. Known: grid, m, ft, ftUS."),
        ('order = "PNEX"', "line 7, stakeout.order: unknown word: 'PNEX'."),
        ('order = "PNZ"', "line 7, stakeout.order: a stake-out file has easting and northing, and no column twice"),
        ('decimal = "comma"', "line 7, stakeout.decimal: a decimal comma cannot be told from a comma between fields."),
        ("decimals = 12", "line 7, stakeout.decimals: is above its limit: 12, limit 9."),
        ("decimals = 2.5", "line 7, stakeout.decimals: is not a whole number: 2.5."),
        ('codes = { cornr = "FC" }', "line 7, stakeout.codes: unknown word: 'cornr'. Did you mean corner?"),
        ("codes = { corner = 7 }", "line 7, stakeout.codes.corner: is not text: 7. Write it in quotes."),
        ("offset_m = 250", "line 7, stakeout.offset_m: is above its limit: 250 m, limit 100 m."),
        ("offset_m = 0", "line 7, stakeout.offset_m: no distance for a mark beside a post: 0 m, limit 100 m."),
        ('description = "{tpo}"', "line 7, stakeout.description: unknown word: 'tpo'. Did you mean top?"),
        ('prefix = "=cmd"', "line 7, stakeout.prefix: no prefix that any device takes"),
        ("name_length = 3", "line 7, stakeout.name_length: is below its limit: 3, limit 4."),
    ],
)
def test_a_mistake(text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(JobError, match=re.escape(message)):
        read_job(_write(tmp_path, text))
