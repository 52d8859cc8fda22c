"""Further files from a finished plan: the same that planning would have written, and a folder that stays whole.

The further output is one made up here, so that no package is needed; expected bytes are those that a plan's own
``write`` gives.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from geofence import registry
from geofence.errors import InputError, JobError, OutputError
from geofence.finished import open_folder, write_further
from geofence.inputs.plan_file import read_plan
from geofence.plan import FencePlan, Output, known_outputs
from tests.plans import hostile_plan, made_up_plan
from tests.terminal import geofence


def _count(plan: FencePlan, path: Path) -> None:
    path.write_text(f"{len(plan.fence.posts)} posts of {plan.name}", encoding="utf-8")


def _chainages(plan: FencePlan, path: Path) -> None:
    path.write_bytes(plan.fence.posts.chainage_m.tobytes())


FURTHER = {
    "count": Output(filename="count.txt", title="How many", write=_count, standing=False),
    "chainages": Output(filename="chainages.bin", title="Where", write=_chainages, standing=False),
}


@dataclass(frozen=True)
class Entry:
    """An entry point of a package that is or is not there."""

    name: str
    missing: str = ""
    extras: tuple[str, ...] = ()
    dist: Any = None

    def load(self) -> Output:
        if self.missing:
            raise ModuleNotFoundError(f"No module named {self.missing!r}", name=self.missing)
        return FURTHER[self.name]


@pytest.fixture(autouse=True)
def further(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = registry._entries

    def all_entries(group: str) -> dict[str, Any]:
        more = {name: Entry(name) for name in FURTHER} | {"heavy": Entry("heavy", "heavylib", ("heavy",))}
        return {**entries(group), **more} if group == registry.OUTPUTS else entries(group)

    monkeypatch.setattr(registry, "_entries", all_entries)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A finished plan, with a file of the user's."""
    hostile_plan().write(tmp_path / "plan")
    (tmp_path / "plan" / "notes.txt").write_text("mine")
    return tmp_path / "plan"


def contents(folder: Path) -> dict[str, bytes]:
    return {item.name: item.read_bytes() for item in folder.iterdir()}


def planned(folder: Path, *also: str) -> dict[str, bytes]:
    """What planning writes."""
    hostile_plan().write(folder, also=also)
    return contents(folder)


class TestEveryOutput:
    """Whatever output there is makes the same file of a plan that was read back as of the plan itself."""

    @pytest.mark.parametrize("name", registry.names(registry.OUTPUTS))
    def test_byte_for_byte(self, name: str, folder: Path, tmp_path: Path) -> None:
        output: Output = registry.find(registry.OUTPUTS, name)
        one, two = (tmp_path / side / output.filename for side in ("one", "two"))
        for file, plan in ((one, hostile_plan()), (two, read_plan(folder))):
            file.parent.mkdir()
            output.write(plan, file)
        assert one.read_bytes() == two.read_bytes()


class TestIntoItsFolder:
    def test_as_planning_would_have_written(self, folder: Path, tmp_path: Path) -> None:
        _, files = write_further(folder, ["count", "chainages"])
        assert [file.name for file in files] == ["count.txt", "chainages.bin"]
        assert contents(folder) == {"notes.txt": b"mine", **planned(tmp_path / "other", "count", "chainages")}

    def test_one_after_the_other(self, folder: Path, tmp_path: Path) -> None:
        write_further(folder, ["count"])
        write_further(folder, ["chainages"])
        assert contents(folder) == {"notes.txt": b"mine", **planned(tmp_path / "other", "count", "chainages")}

    def test_what_is_there_stays_as_it_is(self, folder: Path) -> None:
        """A crew's copy may have been marked up: only what is asked for is written again."""
        (folder / "findings.csv").write_text("marked up")
        write_further(folder, ["count"])
        assert (folder / "findings.csv").read_text() == "marked up"
        write_further(folder, ["findings"])
        assert (folder / "findings.csv").read_text() != "marked up"

    def test_the_list_is_of_what_is_there(self, folder: Path) -> None:
        (folder / "profile.csv").unlink()
        write_further(folder, ["count"])
        listed = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["files"]
        assert sorted([*listed, "notes.txt"]) == sorted(contents(folder))

    def test_planning_again_takes_them_away(self, folder: Path) -> None:
        """They are of the set, and would tell of the plan before."""
        write_further(folder, ["count"])
        made_up_plan().write(folder)
        assert "count.txt" not in contents(folder)
        assert "notes.txt" in contents(folder)

    def test_planning_again_leaves_what_was_changed(self, folder: Path) -> None:
        """However often something else was written beside it."""
        write_further(folder, ["count"])
        (folder / "count.txt").write_text("marked up")
        write_further(folder, ["chainages"])
        before = contents(folder)
        with pytest.raises(OutputError, match=r"count\.txt of the earlier plan would be removed"):
            made_up_plan().write(folder)
        assert contents(folder) == before

    def test_provenance_is_kept(self, folder: Path) -> None:
        before = json.loads((folder / "plan.json").read_text(encoding="utf-8"))["provenance"]
        write_further(folder, ["count", "plan"])
        assert json.loads((folder / "plan.json").read_text(encoding="utf-8"))["provenance"] == before

    def test_a_file_of_the_user_is_not_overwritten(self, folder: Path) -> None:
        (folder / "count.txt").write_text("mine")
        before = contents(folder)
        with pytest.raises(OutputError, match=r"geofence did not write count\.txt"):
            write_further(folder, ["count"])
        assert contents(folder) == before

    def test_a_writer_that_fails_leaves_all_as_it_was(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def fail(_plan: FencePlan, path: Path) -> None:
            path.write_text("half")
            raise OSError(28, os.strerror(28))

        monkeypatch.setitem(FURTHER, "count", Output(filename="count.txt", title="", write=fail, standing=False))
        before = contents(folder)
        with pytest.raises(OutputError, match="there is no room"):
            write_further(folder, ["chainages", "count"])
        assert contents(folder) == before


class TestIntoAnother:
    def test_all_that_planning_writes(self, folder: Path, tmp_path: Path) -> None:
        write_further(folder, ["count"], out=tmp_path / "new")
        assert contents(tmp_path / "new") == planned(tmp_path / "other", "count")

    def test_nothing_more(self, folder: Path, tmp_path: Path) -> None:
        write_further(folder, [], out=tmp_path / "new")
        assert contents(tmp_path / "new") == planned(tmp_path / "other")

    def test_from_the_plans_file_alone(self, folder: Path, tmp_path: Path) -> None:
        (folder / "plan.npz").rename(tmp_path / "mailed.npz")
        write_further(tmp_path / "mailed.npz", ["count"], out=tmp_path / "new")
        assert contents(tmp_path / "new") == planned(tmp_path / "other", "count")

    def test_that_is_the_same(self, folder: Path) -> None:
        write_further(folder, ["count"], out=folder / ".." / "plan")
        assert {"notes.txt", "count.txt"} <= contents(folder).keys()

    def test_that_holds_the_plans_file(self, folder: Path) -> None:
        """What was written there before stays, as it does when the folder itself is named."""
        write_further(folder, ["count"])
        write_further(folder / "plan.npz", ["chainages"], out=folder)
        assert {"count.txt", "chainages.bin", "notes.txt"} <= contents(folder).keys()
        with pytest.raises(JobError, match="nothing to write"):
            write_further(folder / "plan.npz", [], out=folder)

    def test_that_holds_another_plan(self, folder: Path, tmp_path: Path) -> None:
        """A copy of a plan under another name is not the folder's own: it takes its place."""
        made_up_plan(5).write(tmp_path / "other")
        (tmp_path / "other" / "plan.npz").rename(folder / "older.npz")
        write_further(folder / "older.npz", [], out=folder)
        assert len(read_plan(folder).fence.posts) == 5


class TestRefused:
    def test_nothing_asked_for(self, folder: Path) -> None:
        with pytest.raises(JobError, match="nothing to write"):
            write_further(folder, [])

    def test_no_such_output(self, folder: Path) -> None:
        with pytest.raises(JobError, match=r"no output is called 'cuont'\. Did you mean count"):
            write_further(folder, ["cuont"])

    def test_a_package_that_is_not_there(self, folder: Path) -> None:
        with pytest.raises(JobError, match=r"'heavy' needs the package heavylib\. Install it: .*geofence\[heavy\]"):
            write_further(folder, ["heavy"])

    def test_a_file_where_a_folder_belongs(self, folder: Path) -> None:
        with pytest.raises(InputError, match="is a file where a folder belongs"):
            write_further(folder / "plan.npz", ["count"])

    @pytest.mark.parametrize("member", ["name", "parameters", "grid", "provenance"])
    def test_an_edited_record(self, folder: Path, member: str) -> None:
        told = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        (folder / "plan.json").write_text(json.dumps({**told, member: "edited"}))
        with pytest.raises(InputError, match=rf"plan\.json, {member}: tells of another plan than plan\.npz"):
            open_folder(folder)

    def test_the_file_of_another_plan(self, folder: Path, tmp_path: Path) -> None:
        made_up_plan().write(tmp_path / "other")
        (tmp_path / "other" / "plan.npz").replace(folder / "plan.npz")
        with pytest.raises(InputError, match="tells of another plan"):
            open_folder(folder)

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (None, "cannot be told which files"),
            ("{", "is no JSON"),
            ("[" * 100_000, "is no JSON"),
            ("[]", "is no record of a plan"),
            ("{}", "is no record of a plan"),
            ('{"files": "plan.json"}', "is no record of a plan"),
            ('{"files": ["../treasure"]}', "is no record of a plan"),
            ('{"files": [1]}', "is no record of a plan"),
        ],
    )
    def test_no_record(self, folder: Path, content: str | None, says: str) -> None:
        (folder / "plan.json").unlink()
        if content is not None:
            (folder / "plan.json").write_text(content)
        with pytest.raises(InputError, match=says):
            open_folder(folder)


class TestCommands:
    def test_write(self, folder: Path, tmp_path: Path) -> None:
        ran = geofence("write", folder, "--also", "count,chainages", "--also", "count")
        assert (ran.code, ran.err) == (0, "")
        assert str(folder / "chainages.bin") in ran.out
        assert (folder / "count.txt").read_bytes() == planned(tmp_path / "other", "count")["count.txt"]

    def test_write_as_json(self, folder: Path, tmp_path: Path) -> None:
        told = json.loads(geofence("write", folder, "--also", "count", "--out", tmp_path / "new", "--json").out)
        assert told["folder"] == str(tmp_path / "new")
        assert {"count.txt", "plan.npz", "map.html"} <= set(told["files"])
        assert told["findings"]["stop"] == 1

    def test_write_quietly(self, folder: Path) -> None:
        ran = geofence("write", folder, "--also", "count", "--quiet")
        assert (ran.code, ran.out, ran.err) == (0, "", "")

    def test_outputs(self) -> None:
        rows = [line.split() for line in geofence("outputs").out.splitlines()]
        assert ["stakeout", "every", "run", "stakeout.csv", "Points"] in [row[:5] for row in rows]
        assert ["count", "--also", "count.txt", "How", "many"] in rows
        (heavy,) = (row for row in rows if row[0] == "heavy")
        assert heavy[-2:] == ["install", '"geofence[heavy]".']

    def test_outputs_as_json(self) -> None:
        told = {item["name"]: item for item in json.loads(geofence("outputs", "--json").out)}
        assert told["count"] == {
            "name": "count", "extra": "", "file": "count.txt", "title": "How many", "standing": False, "lack": ""
        }  # fmt: skip
        assert told["posts"]["standing"] is True
        assert told["heavy"]["extra"] == "heavy"
        assert told["heavy"]["file"] is None
        assert told["heavy"]["lack"].endswith('Install it: python -m pip install "geofence[heavy]".')

    def test_the_standing_ones_come_first(self) -> None:
        kinds = [item.standing for item in known_outputs()]
        assert kinds == sorted(kinds, key=lambda standing: not standing)
