"""Systems side by side."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from geofence import plan_fence
from geofence.comparison import Candidate, compare, dearer_for
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
    assert (mesh.name, mesh.system, mesh.fit) == ("mesh-panel", "mesh-panel", "end")
    assert aac.posts > mesh.posts  # its bays are narrower


def test_a_system_that_cannot_be_planned_says_why_beside_the_others() -> None:
    (good, bad) = compare(SAMPLE_JOB, ["aac-panel", "no-such-thing"])
    assert good.posts
    assert not good.refused
    assert "no-such-thing" in bad.refused
    with pytest.raises(JobError, match="no-such-thing"):
        compare(SAMPLE_JOB, ["no-such-thing"])


def test_broken_bays_are_those_beyond_a_limit_of_their_levels() -> None:
    """Counted anew from the bays' table and the limits, to 0.1 mm; the mesh's bays are too wide for this ground."""
    (mesh,) = compare(SAMPLE_JOB, ["mesh-panel"])
    plan = plan_fence(SAMPLE_JOB, system="mesh-panel")
    limits = {key: plan.value(f"levels.{key}") for key in ("gap_max_m", "dig_max_m", "step_min_m", "step_max_m")}
    bays = plan.bays
    step = bays.step_m.abs()
    beyond = (bays.gap_max_m > limits["gap_max_m"] + 1e-4) | (bays.dig_max_m > limits["dig_max_m"] + 1e-4)
    beyond |= (step > limits["step_max_m"] + 1e-4) | ((step > 1e-4) & (step < limits["step_min_m"] - 1e-4))
    beyond &= bays.kind != "gate"
    assert np.flatnonzero(beyond).tolist() == [*plan.broken_bays]
    assert mesh.broken_bays == beyond.sum() > 0


class TestFits:
    def test_each_column_is_that_fits_own_plan(self) -> None:
        end, best = compare(SAMPLE_JOB, fits=["end", "best"])
        for candidate, fit in ((end, "end"), (best, "best")):
            plan = plan_fence(SAMPLE_JOB, values={"layout": {"fit": fit}})
            assert (candidate.name, candidate.fit, candidate.system) == (fit, fit, plan.system.name)
            cost = plan.fence.cost
            parts = (candidate.cost_gap, candidate.cost_dig, candidate.cost_step, candidate.cost_rise)
            assert parts == (cost.gap, cost.dig, cost.step, cost.rise)
            assert candidate.cost == pytest.approx(sum(parts))
            assert candidate.moved_posts == plan.posts.findings.str.contains("keep-clear-avoided").sum() > 0
        assert best.moved_posts < end.moved_posts

    def test_with_systems_every_pair_is_planned(self) -> None:
        found = compare(SAMPLE_JOB, ["mesh-panel", "stock-wire"], ["start", "equal"])
        assert [each.name for each in found] == [
            "mesh-panel, start", "mesh-panel, equal", "stock-wire, start", "stock-wire, equal",
        ]  # fmt: skip
        assert [each.posts > 0 for each in found] == [True, True, False, False]
        assert "stock-wire has wires, which have no cut bays" in found[2].refused

    def test_what_best_has_for_its_cost_is_told(self) -> None:
        end = Candidate(name="end", system="a", fit="end", bays=9, cut_bays=3, broken_bays=1, cost=8957.74)
        best = Candidate(name="best", system="a", fit="best", bays=9, cut_bays=2, broken_bays=0, cost=8977.45)
        (told,) = dearer_for([end, best])
        assert told == (
            "best costs 19.71 more than end and has 1 cut bay fewer (2, not 3), 1 broken bay fewer (0, not 1): "
            "counted before cost"
        )
        others = [
            replace(end, system="b"),
            replace(end, cost=9000.0),
            replace(end, refused="x"),
            replace(best, cost=1.0),
        ]
        assert not [*dearer_for([*others, best])]

    def test_command_line(self) -> None:
        ran = geofence("compare", SAMPLE_JOB, "--fits", "end,best")
        assert ran.code == 0, ran.err
        heads, *rows = (line.split("  ") for line in ran.out.splitlines())
        assert [word.strip() for word in heads if word.strip()] == ["end", "best"]
        assert {"moved for keep-clears", "broken bays", "cost of steps", "cost in all"} <= {row[0] for row in rows}
        told = json.loads(geofence("compare", SAMPLE_JOB, "--fits", "end,best", "--json").out)
        assert [each["fit"] for each in told] == ["end", "best"]
        assert {"moved_posts", "broken_bays", "cost_gap", "cost_dig", "cost_step", "cost_rise", "cost"} <= told[
            0
        ].keys()

    def test_nothing_to_compare_and_an_unknown_fit_are_refused(self) -> None:
        ran = geofence("compare", SAMPLE_JOB)
        assert (ran.code, "--fits end,best" in ran.err) == (2, True)
        ran = geofence("compare", SAMPLE_JOB, "--fits", "ends")
        assert (ran.code, "Did you mean end?" in ran.err) == (2, True)


def test_command_line() -> None:
    ran = geofence("compare", SAMPLE_JOB, "--systems", "aac-panel, sheet-panel")
    assert ran.code == 0, ran.err
    assert "sheet-panel" in ran.out
    told = json.loads(geofence("compare", SAMPLE_JOB, "--systems", "aac-panel", "--json").out)
    assert told[0]["system"] == "aac-panel"
    repeated = geofence("compare", SAMPLE_JOB, "--systems", "aac-panel", "--systems", "sheet-panel")
    assert repeated.out == ran.out
    assert geofence("compare", SAMPLE_JOB, "--systems", "none-such").code == 2
