"""Systems side by side."""

from __future__ import annotations

import json

import pytest

from geofence import plan_fence
from geofence.comparison import compare
from geofence.errors import JobError
from geofence.sample import SAMPLE_JOB
from tests.terminal import geofence


def test_each_column_is_that_systems_own_plan() -> None:
    (aac, mesh) = compare(SAMPLE_JOB, ["aac-panel", "mesh-panel"])
    plan = plan_fence(SAMPLE_JOB, system="mesh-panel")
    assert mesh.posts == len(plan.posts)
    assert mesh.cut_bays == (plan.bays.kind == "cut").sum()
    assert mesh.steps == (plan.bays.step_m != 0).sum()
    panels = plan.bays[plan.bays.kind != "gate"]
    assert mesh.gap_area_m2 == pytest.approx(panels.gap_area_m2.sum())
    assert mesh.dig_max_m == pytest.approx(panels.dig_max_m.max())
    assert mesh.post_length_m == pytest.approx(plan.posts.length_m.sum())
    assert mesh.stop == (plan.findings.severity == "stop").sum()
    assert aac.posts > mesh.posts  # its bays are narrower


def test_a_system_that_cannot_be_planned_says_why_beside_the_others() -> None:
    (good, bad) = compare(SAMPLE_JOB, ["aac-panel", "no-such-thing"])
    assert good.posts
    assert not good.refused
    assert "no-such-thing" in bad.refused
    with pytest.raises(JobError, match="no-such-thing"):
        compare(SAMPLE_JOB, ["no-such-thing"])


def test_command_line() -> None:
    ran = geofence("compare", SAMPLE_JOB, "--systems", "aac-panel, sheet-panel")
    assert ran.code == 0, ran.err
    assert "sheet-panel" in ran.out
    told = json.loads(geofence("compare", SAMPLE_JOB, "--systems", "aac-panel", "--json").out)
    assert told[0]["system"] == "aac-panel"
    repeated = geofence("compare", SAMPLE_JOB, "--systems", "aac-panel", "--systems", "sheet-panel")
    assert repeated.out == ran.out
    assert geofence("compare", SAMPLE_JOB, "--systems", "none-such").code == 2
