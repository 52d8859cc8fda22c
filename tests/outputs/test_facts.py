"""What every file says of its numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geofence.outputs.facts import facts
from geofence.outputs.kinds import kinds_in_order
from geofence.outputs.marks import marks
from geofence.outputs.post_words import post_words
from geofence.outputs.run_names import run_names
from tests.outputs.runs import in_two_runs, with_gate
from tests.plans import hostile_plan, made_up_plan


class TestFacts:
    def test_grid_unit_datum_distances_and_cautions(self) -> None:
        plan = made_up_plan()
        known = facts(plan, places="degrees", levels="metres")
        assert dict(known)["grid"] == "WGS 84 / UTM zone 30N (EPSG:32630), unit: metre = 1 m"
        assert dict(known)["levels"] == "metres, above the level datum: invented datum"
        assert "ground distances" in dict(known)["distances"]
        assert "0.99960000 x ground distance" in dict(known)["distances"]
        assert [sentence for label, sentence in known if label == "caution"] == list(plan.cautions)

    def test_a_grid_without_code_and_a_datum_without_name(self) -> None:
        plan = made_up_plan()
        plan = replace(plan, grid=replace(plan.grid, code=None, level_datum=""))
        known = dict(facts(plan, places="degrees", levels="metres"))
        assert "without a code" in known["grid"]
        assert known["levels"].endswith("not stated")

    def test_each_is_a_single_line(self) -> None:
        for _, sentence in facts(hostile_plan(), places="degrees", levels="metres"):
            assert sentence.isprintable()


class TestPostWords:
    def test_what_the_crew_needs(self) -> None:
        """The made-up plan's own numbers: ground 80, top 82.355, toe 79.4."""
        words = post_words(made_up_plan())
        assert words[0] == "chainage 0.000, ground 80.000, top 82.355, length 2.955, embedded 0.600 m"
        assert words[3].endswith(" m; CHECK post-extended")

    def test_in_feet(self) -> None:
        words = post_words(made_up_plan(), unit="ft", unit_m=0.3048)
        assert words[0] == "chainage 0.000, ground 262.467, top 270.194, length 9.695, embedded 1.969 ft"

    def test_the_gate_and_the_lines_of_a_post(self) -> None:
        plan = in_two_runs(lines=("north", "so\nuth"))
        assert post_words(plan)[25].startswith("chainage 47.125 of so uth, ground ")
        south = plan.runs[1]
        met = replace(south, posts=np.append(south.posts, 3), chainage_m=np.append(south.chainage_m, 73.5))
        plan = with_gate(replace(plan, runs=(plan.runs[0], met)), row=3, name="G <1>")
        assert post_words(plan)[3].startswith("chainage 5.655 of north, ground ")
        assert post_words(plan)[3].endswith(" m; meets so uth 73.500 m; gate G <1>")
        # (a) 73.5 / 0.3048
        in_feet = post_words(plan, unit="ft", unit_m=0.3048)[3]
        assert in_feet.endswith(" ft; meets so uth 241.142 ft; gate G <1>")

    def test_marks_of_bays(self) -> None:
        looks = marks(made_up_plan(), "bay")
        assert {row: look for row, look in enumerate(looks) if look} == {20: "STOP gap-over-limit"}


class TestRunNames:
    @staticmethod
    def _named(*lines: str) -> list[str]:
        (run,) = made_up_plan().runs
        return run_names([replace(run, line=line) for line in lines])

    def test_a_line_without_a_name(self) -> None:
        assert self._named("") == ["Fence"]

    def test_a_line_in_several_runs_counts_them(self) -> None:
        assert self._named("north", "north", "south") == ["north 1", "north 2", "south"]

    def test_no_two_are_alike_whatever_lines_are_called(self) -> None:
        lines = ("a", "a 1", "a", "a 2", "", "Fence", "a\n1")
        assert len(set(self._named(*lines))) == len(lines)


def test_kinds_that_hold_the_line_come_first_and_new_ones_are_not_lost() -> None:
    kinds = ("line", "end", "invented", "corner", "line")
    assert list(kinds_in_order(kinds)) == [("end", [1]), ("corner", [3]), ("invented", [2]), ("line", [0, 4])]
