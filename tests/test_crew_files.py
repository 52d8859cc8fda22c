"""The points of a finished plan for one crew's device, and what is never overwritten."""

from __future__ import annotations

import json
import os
from dataclasses import astuple, replace
from pathlib import Path

import pandas
import pytest

from geofence.crew_files import void_beside, write_stakeout
from geofence.errors import InputError, JobError, OutputError
from geofence.outputs import stakeout
from geofence.plan import Parameter
from tests.plans import hostile_plan, made_up_plan
from tests.terminal import geofence


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made_up_plan(relief=False).write(tmp_path / "plan")
    return tmp_path / "plan"


def _names(folder: Path) -> list[str]:
    return sorted(file.name for file in folder.iterdir())


class TestWritten:
    def test_in_the_jobs_way_where_nothing_else_is_said(self, folder: Path, tmp_path: Path) -> None:
        _, files = write_stakeout(folder, tmp_path / "crew.csv", {})
        assert [file.name for file in files] == ["crew.csv", "crew.txt"]
        assert files[0].read_bytes() == (folder / "stakeout.csv").read_bytes()
        note, standing = (file.read_text().splitlines() for file in (files[1], folder / "stakeout.txt"))
        assert [line for line in note if line not in standing] == [
            f"From the plan made at {made_up_plan().provenance.planned_at}: a newer plan makes these points void",
            "THE NUMBERS IN crew.csv",
        ]

    def test_from_the_plans_file_alone(self, folder: Path, tmp_path: Path) -> None:
        write_stakeout(folder / "plan.npz", tmp_path / "crew.csv", {})
        assert (tmp_path / "crew.csv").read_bytes() == (folder / "stakeout.csv").read_bytes()

    def test_beside_a_file_that_is_called_txt(self, folder: Path, tmp_path: Path) -> None:
        _, files = write_stakeout(folder, tmp_path / "crew.TXT", {})
        assert [file.name for file in files] == ["crew.TXT", "crew-note.txt"]

    def test_again_and_again(self, folder: Path, tmp_path: Path) -> None:
        for unit in ("m", "ft", "ftUS"):
            write_stakeout(folder, tmp_path / "crew.csv", {"unit": unit})
        assert "US survey foot" in (tmp_path / "crew.txt").read_text()
        assert _names(tmp_path) == ["crew.csv", "crew.txt", "plan"]

    def test_into_a_folder_that_is_made(self, folder: Path, tmp_path: Path) -> None:
        _, files = write_stakeout(folder, tmp_path / "a" / "b" / "crew.csv", {})
        assert all(file.is_file() for file in files)

    def test_in_the_plans_folder_it_outlives_the_next_plan(self, folder: Path) -> None:
        write_stakeout(folder, folder / "crew.csv", {})
        made_up_plan(relief=False).write(folder)
        assert {"crew.csv", "crew.txt"} <= {file.name for file in folder.iterdir()}


class TestVoid:
    """What a plan makes void is told by the notes that lie in its folder."""

    def test_of_the_plan_itself_and_of_a_newer_one(self, folder: Path) -> None:
        write_stakeout(folder, folder / "crew.csv", {})
        (folder / "crew.csv").write_text("edited")
        told = ("crew.csv", "crew.txt", made_up_plan().provenance.planned_at)
        assert [astuple(each) for each in void_beside(folder)] == [told]
        assert void_beside(folder, plan=made_up_plan()) == ()
        later = replace(made_up_plan().provenance, planned_at="2027-01-01T00:00:00Z")
        assert len(void_beside(folder, plan=replace(made_up_plan(), provenance=later))) == 1

    def test_no_other_texts(self, folder: Path) -> None:
        """The plan's own note, a note without its file, and what is no note."""
        write_stakeout(folder, folder / "crew.csv", {})
        (folder / "crew.csv").unlink()
        (folder / "notes.txt").write_text("THE NUMBERS IN plan.json")
        (folder / "latin.txt").write_bytes(b"\xe9")
        (folder / "folder.txt").mkdir()
        assert void_beside(folder) == ()
        assert void_beside(folder / "none") == ()


class TestRefused:
    @pytest.mark.parametrize("name", ["crew.csv", "crew.txt"])
    def test_a_file_that_is_not_ours(self, name: str, folder: Path, tmp_path: Path) -> None:
        (tmp_path / name).write_text("mine")
        with pytest.raises(OutputError, match=f"{name} would be overwritten, and is not as geofence wrote it"):
            write_stakeout(folder, tmp_path / "crew.csv", {})
        assert (tmp_path / name).read_text() == "mine"
        assert _names(tmp_path) == sorted(["plan", name])

    def test_a_file_of_ours_that_was_edited(self, folder: Path, tmp_path: Path) -> None:
        write_stakeout(folder, tmp_path / "crew.csv", {})
        with (tmp_path / "crew.csv").open("a") as file:
            file.write("PX1,560010,5900010,80,as built\n")
        with pytest.raises(OutputError, match=r"crew\.csv would be overwritten"):
            write_stakeout(folder, tmp_path / "crew.csv", {"unit": "ft"})

    def test_the_standing_file_of_a_plan(self, folder: Path) -> None:
        """It is of the set that plan.json tells of; it may only be what the set has."""
        before = (folder / "stakeout.csv").read_bytes()
        with pytest.raises(OutputError, match=r"stakeout\.csv belongs to the plan in this folder"):
            write_stakeout(folder, folder / "stakeout.csv", {"unit": "ft"})
        assert (folder / "stakeout.csv").read_bytes() == before

    def test_a_value_that_is_none(self, folder: Path, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=r"^call, stakeout\.unit: is not one of the known words: 'yd'\. Known: grid"):
            write_stakeout(folder, tmp_path / "crew.csv", {"unit": "yd"})
        with pytest.raises(JobError, match=r"^call, stakeout\.odrer: is not a known key\. Did you mean order"):
            write_stakeout(folder, tmp_path / "crew.csv", {"odrer": "PNEZD"})
        assert _names(tmp_path) == ["plan"]

    @pytest.mark.parametrize("name", ["", "plan", "plan/.."])
    def test_a_folder(self, name: str, folder: Path, tmp_path: Path) -> None:
        """An empty name is the folder itself, as ``.`` is for whoever stands in it."""
        ran = geofence("stakeout", folder, "--out", f"{tmp_path}/{name}")
        assert ran.code == 2
        assert ran.err.endswith("is a folder where a file belongs. Name the file, such as crew.csv.\n")
        assert _names(tmp_path) == ["plan"]

    def test_no_plan(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="and so no finished plan"):
            write_stakeout(tmp_path, tmp_path / "crew.csv", {})

    def test_no_folder_to_write_to(self, folder: Path, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("mine")
        with pytest.raises(OutputError, match="the points cannot be written: Not a directory"):
            write_stakeout(folder, tmp_path / "file" / "sub" / "crew.csv", {})
        assert _names(tmp_path) == ["file", "plan"]

    def test_trouble_half_way_leaves_nothing(
        self, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_: object, **__: object) -> None:
            raise OSError(28, os.strerror(28))

        monkeypatch.setattr("geofence.outputs.stakeout_note.write", fail)
        for out in (tmp_path / "crew.csv", tmp_path / "new" / "deep" / "crew.csv"):
            with pytest.raises(OutputError, match="No space left"):
                write_stakeout(folder, out, {})
        assert _names(tmp_path) == ["plan"]


class TestCommand:
    def test_every_option(self, folder: Path, tmp_path: Path) -> None:
        ran = geofence(
            "stakeout", folder, "--out", tmp_path / "crew.csv", "--order", "PNEZD", "--unit", "ftUS", "--decimals", "3",
            "--delimiter", "semicolon", "--decimal", "comma", "--header", "none", "--level", "top",
            "--description", "{code}{offset}", "--code", "line=FL", "--code", "offset=O=S", "--name-length", "6",
            "--prefix", "ALDER", "--offset-m", "1", "--offset-m", "-1.5",
        )  # fmt: skip
        assert (ran.code, ran.err) == (0, "")
        assert str(tmp_path / "crew.txt") in ran.out
        table = pandas.read_csv(tmp_path / "crew.csv", sep=";", decimal=",", header=None)
        plan = made_up_plan(relief=False)
        assert list(table[0][:6]) == ["ALD01", "ALD01L", "ALD01R", "ALD02", "ALD02L", "ALD02R"]
        assert table[1][3] == pytest.approx(plan.places.northing[1] * 3937 / 1200, abs=5.001e-4)
        assert table[3][3] == pytest.approx(plan.fence.posts.top_level_m[1] * 3937 / 1200, abs=5.001e-4)
        assert list(table[4][3:6]) == ["FL", "O=S 3,281 left of ALD02", "O=S 4,921 right of ALD02"]

    def test_json_and_quiet(self, folder: Path, tmp_path: Path) -> None:
        told = json.loads(geofence("stakeout", folder, "--out", tmp_path / "crew.csv", "--json").out)
        assert told["files"] == [str(tmp_path / "crew.csv"), str(tmp_path / "crew.txt")]
        assert geofence("stakeout", folder, "--out", tmp_path / "crew.csv", "--quiet").out == ""

    def test_marks_of_the_job_can_be_left_out(self, tmp_path: Path) -> None:
        plan = hostile_plan()
        more = {"stakeout.offset_m": Parameter(value=[1.0], origin="job")}
        replace(plan, parameters={**plan.parameters, **more}).write(tmp_path / "plan")
        assert (tmp_path / "plan" / "stakeout.csv").read_text().count("\n") == 81
        ran = geofence("stakeout", tmp_path / "plan", "--out", tmp_path / "crew.csv", "--offset-m", "0")
        assert ran.code == 0, ran.err
        stakeout.write(plan, tmp_path / "expected.csv")
        assert (tmp_path / "crew.csv").read_bytes() == (tmp_path / "expected.csv").read_bytes()

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("--unit", "yd"), "command line, stakeout.unit: is not one of the known words"),
            (("--decimal", "comma"), "command line, stakeout.decimal: a decimal comma cannot be told"),
            (("--code", "FC"), "'FC' is no KIND=CODE such as corner=FC"),
            (("--code", "cornr=FC"), "stakeout.codes: unknown word: 'cornr'. Did you mean corner?"),
            (("--offset-m", "1000"), "stakeout.offset_m[1]: is above its limit: 1000 m, limit 100 m"),
            (("--name-length", "2"), "stakeout.name_length: is below its limit: 2, limit 4"),
            (("--order", "PNZ"), "stakeout.order: a stake-out file has easting and northing"),
            (("--description", "{kind"), "stakeout.description: a brace is not closed"),
        ],
    )
    def test_a_mistake_is_told(self, words: tuple[str, ...], says: str, folder: Path, tmp_path: Path) -> None:
        ran = geofence("stakeout", folder, "--out", tmp_path / "crew.csv", *words)
        assert ran.code == 2
        assert says in " ".join(ran.err.replace("│", " ").split())
        assert _names(tmp_path) == ["plan"]
