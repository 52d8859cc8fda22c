"""A plan read back: the same to the bit, or an error that says what is wrong with its file. No numbers of its own."""

from __future__ import annotations

import hashlib
import io
import json
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geofence.errors import InputError
from geofence.inputs import plan_file
from geofence.inputs.plan_file import read_plan
from geofence.outputs import plan_file as writer
from geofence.plan import FencePlan, Parameter
from tests.any_records import Filler, differences
from tests.plans import hostile_plan, made_up_plan
from tests.terminal import geofence

Members = dict[str, bytes]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    writer.OUTPUT.write(made_up_plan(), tmp_path / "plan.npz")
    return tmp_path / "plan.npz"


def rewrite(file: Path, change: Callable[[Members], None], *, sums: bool = True) -> None:
    """Change the members of a plan's file; with their digests, as somebody would who means it."""
    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    if sums:
        told = (f"{hashlib.sha256(content).hexdigest()}  {name}" for name, content in members.items())
        members["SHA256SUMS"] = "\n".join(line for line in told if not line.endswith("SUMS")).encode()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)


def in_record(**changes: object) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        members["record.json"] = json.dumps({**json.loads(members["record.json"]), **changes}).encode()

    return change


def npy(array: object, **options: bool) -> bytes:
    stream = io.BytesIO()
    np.save(stream, array, **options)  # type: ignore[arg-type]
    return stream.getvalue()


class TestReadBack:
    @pytest.mark.parametrize("plan", [made_up_plan(), hostile_plan(), made_up_plan(4, relief=False)])
    def test_a_plan(self, plan: FencePlan, tmp_path: Path) -> None:
        writer.OUTPUT.write(plan, tmp_path / "plan.npz")
        assert list(differences(plan, read_plan(tmp_path))) == []

    def test_every_field_of_every_record(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Filled with whatever comes next, so that its rows name nothing."""
        monkeypatch.setattr("geofence.plan_file.check_rows", lambda _plan: None)
        plan = Filler(7).record(FencePlan)
        plan = replace(plan, provenance=replace(plan.provenance, files=()))
        writer.OUTPUT.write(plan, tmp_path / "plan.npz")
        assert list(differences(plan, read_plan(tmp_path / "plan.npz"))) == []

    def test_written_again_it_is_the_same_file(self, file: Path, tmp_path: Path) -> None:
        writer.OUTPUT.write(read_plan(file), tmp_path / "again.npz")
        assert (tmp_path / "again.npz").read_bytes() == file.read_bytes()

    def test_what_is_written_beside_a_plan_is_no_part_of_it(self, file: Path) -> None:
        plan = made_up_plan()
        writer.OUTPUT.write(replace(plan, provenance=replace(plan.provenance, files=("a", "b"))), file)
        assert read_plan(file).provenance.files == ()

    def test_a_plan_from_before_a_field_was_there(self, file: Path) -> None:
        """It takes the field's default: here the marks, which plans have had since some time."""

        def without_marks(members: Members) -> None:
            record = json.loads(members["record.json"])
            del record["plan"]["marks"]
            members["record.json"] = json.dumps(record).encode()

        rewrite(file, without_marks)
        assert list(differences(made_up_plan(), read_plan(file))) == []

    def test_it_is_public(self) -> None:
        import geofence

        assert geofence.read_plan is read_plan


class TestNoPlan:
    def test_no_folder(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="nowhere: there is no such folder"):
            read_plan(tmp_path / "nowhere")

    def test_a_folder_of_other_things(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"holds no plan\.npz, and so no finished plan\. Plan it again"):
            read_plan(tmp_path)

    @pytest.mark.parametrize("content", [b"", b"PK", b"not a zip at all", b"\x00" * 4096])
    def test_another_file(self, content: bytes, file: Path) -> None:
        file.write_bytes(content)
        with pytest.raises(InputError, match=r"plan\.npz: is damaged, or is no finished plan"):
            read_plan(file)

    def test_an_archive_of_another_program(self, file: Path) -> None:
        np.savez(file, easting=np.zeros(3))
        with pytest.raises(InputError, match=r"it has no record\.json or no SHA256SUMS"):
            read_plan(file)


class TestDamage:
    def test_cut_short_anywhere(self, file: Path) -> None:
        whole = file.read_bytes()
        for share in np.linspace(0, 1, 60, endpoint=False):
            file.write_bytes(whole[: int(share * len(whole))])
            with pytest.raises(InputError, match="is damaged, or is no finished plan"):
                read_plan(file)

    def test_a_bit_anywhere_is_seen_or_changes_nothing(self, file: Path) -> None:
        """Time stamps and the like are in no plan; everything else is held against its digest."""
        plan, whole = made_up_plan(), file.read_bytes()
        random = np.random.default_rng(5)
        seen = 0
        for place in random.integers(len(whole), size=150).tolist():
            changed = bytearray(whole)
            changed[place] ^= 1 << int(random.integers(8))
            file.write_bytes(changed)
            try:
                assert list(differences(plan, read_plan(file))) == []
            except InputError:
                seen += 1
        assert seen > 75

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            (lambda members: members.update({"record.json": members["record.json"] + b" "}), "changed since it was w"),
            (lambda members: members.update({"places/easting.npy": npy(np.zeros(40))}), r"places/easting\.npy: was ch"),
            (lambda members: members.pop("places/easting.npy"), "its members are not those of its SHA256SUMS"),
            (lambda members: members.update({"more.npy": npy(np.zeros(40))}), "its members are not those"),
            (lambda members: members.update({"SHA256SUMS": b"\xff"}), "is damaged"),
            (lambda members: members.update({"SHA256SUMS": b""}), "its members are not those"),
        ],
    )
    def test_an_edit_is_seen(self, change: Callable[[Members], None], says: str, file: Path) -> None:
        rewrite(file, change, sums=False)
        with pytest.raises(InputError, match=says):
            read_plan(file)

    def test_a_member_that_is_there_twice(self, file: Path) -> None:
        with zipfile.ZipFile(file, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr("record.json", "{}")
        with pytest.raises(InputError, match="a member is there twice"):
            read_plan(file)


class TestMeantToHarm:
    """Files whose digests are right."""

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            (in_record(schema=2), r"plan\.npz, schema: was written by a newer geofence: 2, limit 1\. Update geofence"),
            (in_record(schema=0), "has no schema that there ever was"),
            (in_record(schema="1"), "has no schema that there ever was"),
            (in_record(schema=True), "has no schema that there ever was"),
            (in_record(format="x"), "says nothing of a geofence plan"),
            (in_record(plan={"zest": []}), "zest is not known here; a newer geofence may have written it"),
            (in_record(plan=None), "the record is not as it is packed"),
            (lambda members: members.update({"record.json": b"[" * 100_000}), "is nested too deeply"),
            (lambda members: members.update({"record.json": b"NaN"}), "NaN is no JSON"),
            (lambda members: members.update({"record.json": b"9" * 5000}), "is damaged"),
            (lambda members: members.update({"record.json": b"{"}), "is damaged"),
            (lambda members: members.update({"places/easting.npy": b""}), "is damaged"),
            (lambda members: members.update({"places/easting.npy": npy(np.zeros(39))}), "has 39 numbers, not 40"),
            (lambda members: members.update({"places/easting.npy": npy(np.zeros(40, dtype="<f4"))}), "not of float64"),
            (
                lambda members: members.update({"places/easting.npy": npy(np.zeros(40, dtype="<U4"))}),
                "not as it is",
            ),
            (lambda members: members.update({"places/easting.npy": npy(np.zeros(40))[:-1]}), "not as it is written"),
            (
                lambda members: members.update({"places/easting.npy": npy(np.array([{}]), allow_pickle=True)}),
                "a column is not as it is written",
            ),
        ],
    )
    def test_is_refused(self, change: Callable[[Members], None], says: str, file: Path) -> None:
        rewrite(file, change)
        with pytest.raises(InputError, match=says):
            read_plan(file)

    def test_rows_that_are_not_there(self, file: Path) -> None:
        """Of each other mistake in :mod:`tests.test_plan_rows`."""
        rewrite(file, lambda members: members.update({"fence/bays/to_post.npy": npy(np.arange(1, 40) + 1)}))
        with pytest.raises(
            InputError, match=r"fence/bays/to_post names row 40, and there are 40 posts, from row 0\. Plan"
        ):
            read_plan(file)

    @pytest.mark.parametrize(
        ("address", "value", "says"),
        [
            ("job.geoid_separation_m", "47", "job.geoid_separation_m: is text where a number belongs: '47'"),
            ("levels.gap_max_m", [0.15], "levels.gap_max_m: is not a number: [0.15]"),
            ("wire.heights_m", 0.3, "wire.heights_m: is not a list: 0.3 m"),
            ("gpx.level", 3, "gpx.level: is not one of the known words: 3"),
            ("landxml.level", "roof", "landxml.level: is not one of the known words: 'roof'"),
            ("dxf.scale", "1:500", "dxf.scale: is text where a number belongs: '1:500'"),
            ("sheets.paper", ["A4"], "sheets.paper: is not one of the known words: ['A4']"),
            ("sheets.exaggeration", 0.0, "sheets.exaggeration: is below its limit: 0, limit 1"),
            ("setout.setback_m", "near", "setout.setback_m: is text where a number belongs: 'near'"),
            ("control.reach_m", float("inf"), "control.reach_m: is not a finite number: inf"),
            ("stakeout.order", 3, "stakeout.order: is not text: 3"),
            ("stakeout.codes", {"corner": 1}, "stakeout.codes.corner: is not text: 1"),
        ],
    )
    def test_a_value_that_no_job_can_have(self, address: str, value: object, says: str, file: Path) -> None:
        plan = made_up_plan()
        told = {**plan.parameters, address: Parameter(value=value, origin="job")}
        writer.OUTPUT.write(replace(plan, parameters=told), file)
        ran = geofence("write", file, "--out", file.parent / "w", "--also", "gpx,landxml,dxf,setout")
        assert (ran.code, ran.out) == (2, "")
        error = " ".join(ran.err.split())
        assert f"is no finished plan: {says}. Plan it again" in error
        assert not (file.parent / "w").exists()

    def test_a_value_of_which_no_table_knows_is_passed_over(self, file: Path) -> None:
        """As of an output of another package, or of a key that the job leaves out."""
        told = {
            "mine.colour": Parameter(value={"a": 1}, origin="job"),
            "dxf.scale": Parameter(value=None, origin="job"),
        }
        writer.OUTPUT.write(replace(made_up_plan(), parameters=told), file)
        assert read_plan(file).parameters == told

    def test_the_command_tells_it(self, file: Path) -> None:
        rewrite(file, lambda members: members.update({"runs/posts.npy": npy(np.full(40, -1))}))
        folder = file.parent
        for words in (("write", file, "--out", folder / "w"), ("stakeout", file, "--out", folder / "crew.csv")):
            ran = geofence(*words)
            assert (ran.code, ran.out) == (2, "")
            assert "is no finished plan: runs/posts names row -1, and there are 40 posts" in ran.err
            assert [path.name for path in folder.iterdir()] == ["plan.npz"]

    def test_an_older_schema_is_told(self, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(plan_file, "SCHEMA", 2)
        with pytest.raises(InputError, match=r"was written by an older geofence: 1, limit 2\. Plan it again"):
            read_plan(file)

    def test_a_bomb_is_not_unpacked(self, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The limits are lowered, so that the test need not make what they refuse."""
        monkeypatch.setattr(plan_file, "MOST_BYTES", 1_000_000)
        rewrite(file, lambda members: members.update({"zeros.npy": bytes(1_000_000)}))
        assert file.stat().st_size < 200_000
        with pytest.raises(InputError, match=r"is larger than any plan once unpacked: \d+ bytes, limit 1000000 bytes"):
            read_plan(file)

    def test_a_bomb_that_lies_about_its_size(self, file: Path) -> None:
        """Closed form: the directory promises 10 bytes of a megabyte; no more than those are unpacked."""
        rewrite(file, lambda members: members.update({"zeros.npy": bytes(1_000_000)}))
        content = file.read_bytes()
        file.write_bytes(content.replace(struct.pack("<I", 1_000_000), struct.pack("<I", 10)))
        with pytest.raises(InputError, match="is damaged"):
            read_plan(file)

    def test_a_swarm_of_members(self, file: Path) -> None:
        rewrite(file, lambda members: members.update({f"{number}.npy": b"" for number in range(2000)}))
        with pytest.raises(InputError, match=r"once unpacked: 2\d\d\d members, limit 2000 members"):
            read_plan(file)

    def test_a_record_of_its_own_size(self, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(plan_file, "MOST_RECORD_BYTES", 1000)
        with pytest.raises(InputError, match=r"its record\.json is larger than any plan's"):
            read_plan(file)

    def test_a_locked_archive(self, file: Path) -> None:
        content = bytearray(file.read_bytes())
        start = content.rfind(b"PK\x01\x02")  # the last entry of the directory: the digests
        for place in (start + 8, content.rfind(b"PK\x03\x04") + 6):
            content[place] |= 1
        file.write_bytes(content)
        with pytest.raises(InputError, match="is damaged, or is no finished plan"):
            read_plan(file)
