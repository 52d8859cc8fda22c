"""The output folder: all of the old files or all of the new ones, and nothing of the user's is ever lost.

Expected states are closed form: each file holds the number of the run that wrote it.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from geofence import folder as folders
from geofence.errors import GroundError, OutputError
from tests.killed_runs import NAMES, OWN, generations, hidden, writers

OLD = {**dict.fromkeys(NAMES, 1), "fence.dxf": 1}
NEW = dict.fromkeys(NAMES, 2)
NEXT = dict.fromkeys(NAMES, 3)


def _all(generation: int) -> dict[str, int]:
    return dict.fromkeys(NAMES, generation)


@pytest.fixture(autouse=True)
def synced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was forced onto the disk, by its inode; it is slow, and only a power cut could tell, so it is only noted."""
    inodes: list[str] = []
    monkeypatch.setattr(os, "fsync", lambda handle: inodes.append(str(os.fstat(handle).st_ino)))
    return inodes


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """A folder with the set of run 1 and a file of the user's."""
    folder = tmp_path / "out"
    folders.replace(folder, writers(1))
    (folder / OWN).write_text("mine")
    return folder


@pytest.fixture
def public() -> Iterator[Path]:
    """A folder that any user of the machine may enter."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o777)
    yield folder
    shutil.rmtree(folder)


def _refuse(number: int) -> Callable[..., None]:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError(number, os.strerror(number))

    return refuse


def _exchanges(folder: Path) -> bool:
    """Whether this file system lets two directories change places."""
    one, other = folder / "one", folder / "other"
    one.mkdir()
    other.mkdir()
    try:
        folders._exchange(one, other)
    except OSError:
        return False
    finally:
        one.rmdir()
        other.rmdir()
    return True


class TestWrites:
    def test_a_folder_that_is_missing_is_made_with_its_parents(self, tmp_path: Path) -> None:
        made = folders.replace(tmp_path / "a" / "b", writers(1))
        assert made == tuple(tmp_path / "a" / "b" / name for name in NAMES)
        assert generations(tmp_path / "a" / "b") == _all(1)
        assert hidden(tmp_path / "a" / "b") == []

    def test_an_empty_folder_is_filled(self, tmp_path: Path) -> None:
        (tmp_path / "out").mkdir()
        folders.replace(tmp_path / "out", writers(1))
        assert generations(tmp_path / "out") == _all(1)

    def test_an_earlier_set_is_replaced_and_the_users_files_stay(self, out: Path) -> None:
        (out / "link").symlink_to("elsewhere")
        folders.replace(out, writers(2))
        assert generations(out) == NEW
        assert sorted(item.name for item in out.iterdir()) == sorted([*NAMES, OWN, "link"])
        assert (out / OWN).read_text() == "mine"
        assert (out / OWN).stat().st_nlink == 1
        assert (out / "link").readlink() == Path("elsewhere")
        assert hidden(out) == []

    def test_the_whole_folder_changes_places_where_the_system_can(self, out: Path, tmp_path: Path) -> None:
        before = out.stat().st_ino
        folders.replace(out, writers(2))
        assert (out.stat().st_ino != before) == _exchanges(tmp_path)

    def test_a_file_of_an_earlier_set_leaves_with_its_set(self, out: Path) -> None:
        folders.replace(out, writers(2, extra=("fence.dxf",)))
        assert "fence.dxf" in generations(out)
        folders.replace(out, writers(3))
        assert generations(out) == NEXT

    def test_the_index_tells_what_each_file_held(self, out: Path) -> None:
        told = json.loads((out / "plan.json").read_text())["sha256"]
        others = [name for name in NAMES if name != "plan.json"]
        assert told == {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in others}

    def test_kept_files_are_as_they_were_and_known_as_they_were_written(self, out: Path) -> None:
        before = json.loads((out / "plan.json").read_text())["sha256"]
        (out / "bays.geojson").write_text("edited")
        folders.replace(out, {"plan.json": writers(2)["plan.json"]}, kept=["bays.geojson", "posts.geojson"])
        assert (out / "bays.geojson").read_text() == "edited"
        assert json.loads((out / "plan.json").read_text())["sha256"] == before

    def test_mode_and_owner_of_the_folder_stay(self, out: Path) -> None:
        out.chmod(0o2751)
        before = out.stat()
        folders.replace(out, writers(2))
        after = out.stat()
        assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)

    def test_a_new_folder_has_the_mode_that_any_new_folder_has(self, tmp_path: Path) -> None:
        folders.replace(tmp_path / "out", writers(1))
        (tmp_path / "plain").mkdir()
        assert (tmp_path / "out").stat().st_mode == (tmp_path / "plain").stat().st_mode

    def test_a_link_to_a_folder_is_followed_and_stays_a_link(self, out: Path, tmp_path: Path) -> None:
        link = tmp_path / "link"
        link.symlink_to(out)
        assert folders.replace(link, writers(2))[0] == link / NAMES[0]
        assert link.is_symlink()
        assert generations(out) == NEW

    def test_every_file_is_forced_onto_the_disk_and_then_the_folders(self, out: Path, synced: list[str]) -> None:
        synced.clear()
        folders.replace(out, writers(2))
        expected = [*(out / name for name in NAMES), out, out.parent]
        assert synced == [str(path.stat().st_ino) for path in expected]

    def test_a_name_as_long_as_names_can_be(self, tmp_path: Path) -> None:
        folder = tmp_path / ("o" * 255)
        for generation in (1, 2):
            folders.replace(folder, writers(generation))
        assert generations(folder) == NEW


class TestWhereTheFolderCannotChangePlaces:
    """It keeps its inode: a shell that stands in it, a mount, the user's folders in it are none the wiser."""

    @pytest.fixture
    def written(self, out: Path) -> Iterator[Path]:
        before = out.stat().st_ino
        yield out
        assert out.stat().st_ino == before
        assert generations(out) == NEW
        assert (out / OWN).read_text() == "mine"
        assert hidden(out) == []

    def test_the_current_directory(self, written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(written)
        folders.replace(Path(), writers(2))
        assert generations(Path.cwd()) == NEW

    def test_a_folder_of_the_users_in_it(self, written: Path) -> None:
        (written / "photos").mkdir()
        (written / "photos" / "gate.jpg").write_text("gate")
        folders.replace(written, writers(2))
        assert (written / "photos" / "gate.jpg").read_text() == "gate"

    def test_a_mount_point(self, written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) == written)
        folders.replace(written, writers(2))

    @pytest.mark.parametrize("number", [errno.ENOSYS, errno.EINVAL, errno.EBUSY, errno.EXDEV, errno.EPERM])
    def test_no_exchange(self, written: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
        monkeypatch.setattr(folders, "_exchange", _refuse(number))
        folders.replace(written, writers(2))

    def test_no_hard_links(self, written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os, "link", _refuse(errno.EPERM))
        folders.replace(written, writers(2))

    def test_a_parent_that_cannot_be_written(self, written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        allowed = os.access
        monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != written.parent and allowed(path, mode))
        folders.replace(written, writers(2))


class TestRefusals:
    def test_a_file_that_geofence_did_not_write(self, tmp_path: Path) -> None:
        (tmp_path / "posts.geojson").write_text("somebody's work")
        with pytest.raises(OutputError) as caught:
            folders.replace(tmp_path, writers(1))
        assert str(caught.value) == (
            f"{tmp_path}: geofence did not write posts.geojson, and would overwrite it. "
            "Move it away or choose another folder."
        )
        assert [item.name for item in tmp_path.iterdir()] == ["posts.geojson"]
        assert (tmp_path / "posts.geojson").read_text() == "somebody's work"

    def test_a_file_that_came_after_our_set_under_a_new_name_of_ours(self, out: Path) -> None:
        (out / "fence.dxf").write_text("somebody's drawing")
        with pytest.raises(OutputError, match=r"did not write fence\.dxf"):
            folders.replace(out, writers(2, extra=("fence.dxf",)))
        assert (out / "fence.dxf").read_text() == "somebody's drawing"

    @pytest.mark.parametrize("trouble", ["edited", "unknown", "link", "folder"])
    def test_a_file_that_would_be_removed_and_was_changed(self, out: Path, trouble: str) -> None:
        """Nor is one removed of which the index does not say what it held."""
        folders.replace(out, writers(2, extra=("fence.dxf",)))
        drawing = out / "fence.dxf"
        if trouble != "unknown":
            drawing.unlink()
        match trouble:
            case "edited":
                drawing.write_text("edited")
            case "link":
                drawing.symlink_to(out / OWN)
            case "folder":
                drawing.mkdir()
            case _:
                index = json.loads((out / "plan.json").read_text())
                (out / "plan.json").write_text(json.dumps({**index, "sha256": {}}))
        before = sorted((item.name, item.lstat().st_ino) for item in out.iterdir())
        says = r"fence\.dxf of the earlier plan would be removed, and may have been changed"
        with pytest.raises(OutputError, match=says):
            folders.check(out, NAMES)
        with pytest.raises(OutputError, match=says):
            folders.replace(out, writers(3))
        assert sorted((item.name, item.lstat().st_ino) for item in out.iterdir()) == before

    @pytest.mark.parametrize(
        "index",
        [
            "{}",
            "[]",
            "not json",
            '{"program": "another", "files": ["plan.json", "posts.geojson", "bays.geojson"]}',
            '{"files": ["plan.json", "posts.geojson", "bays.geojson"]}',
            '{"program": "geofence", "files": 7}',
            '{"program": "geofence", "files": [7]}',
            "[" * 100_000,
            "\udcff",
        ],
    )
    def test_an_index_that_is_not_ours(self, tmp_path: Path, index: str) -> None:
        (tmp_path / "plan.json").write_bytes(os.fsencode(index))
        with pytest.raises(OutputError, match=r"did not write plan\.json"):
            folders.replace(tmp_path, writers(1))

    @pytest.mark.parametrize("folder_of_the_users", [(), ("photos",)])
    def test_an_index_that_names_places_outside(
        self, out: Path, tmp_path: Path, folder_of_the_users: tuple[str, ...]
    ) -> None:
        for name in folder_of_the_users:
            (out / name).mkdir()
        treasure = tmp_path / "treasure"
        treasure.write_text("gold")
        listed = ["plan.json", "posts.geojson", "bays.geojson", "../treasure", "..", ".", str(treasure)]
        (out / "plan.json").write_text(json.dumps({"program": "geofence", "files": listed}))
        folders.replace(out, writers(2))
        assert treasure.read_text() == "gold"
        assert generations(out) == NEW

    def test_a_folder_with_a_name_of_ours(self, tmp_path: Path) -> None:
        (tmp_path / "out" / "posts.geojson").mkdir(parents=True)
        with pytest.raises(OutputError, match=r"did not write posts\.geojson"):
            folders.replace(tmp_path / "out", writers(1))

    def test_a_path_that_is_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "out").write_text("a file")
        with pytest.raises(OutputError, match="there is a file where the output folder should be"):
            folders.replace(tmp_path / "out", writers(1))
        with pytest.raises(OutputError, match="cannot be written: Not a directory"):
            folders.replace(tmp_path / "out" / "deeper" / "still", writers(1))
        assert (tmp_path / "out").read_text() == "a file"

    def test_check_says_so_before_there_is_anything_to_write(self, out: Path) -> None:
        folders.check(out, NAMES)
        folders.check(out.parent / "not yet there", NAMES)
        with pytest.raises(OutputError, match="did not write"):
            folders.check(out, [OWN])

    def test_check_says_so_of_a_folder_that_is_read_only(self, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os, "access", lambda *_: False)
        with pytest.raises(OutputError, match="the folder cannot be written: Permission denied"):
            folders.check(out, NAMES)


class TestFailures:
    """After each, the folder holds what it held, and nothing is left beside it."""

    @pytest.fixture
    def kept(self, out: Path) -> Iterator[Path]:
        yield out
        assert generations(out) == _all(1)
        assert (out / OWN).read_text() == "mine"
        assert hidden(out) == []

    def test_a_writer_that_fails(self, kept: Path) -> None:
        def fail(path: Path) -> None:
            path.write_text("half")
            raise GroundError("no level")

        with pytest.raises(GroundError, match="no level"):
            folders.replace(kept, {**writers(2), "stakeout.csv": fail})

    def test_a_run_that_is_interrupted(self, kept: Path) -> None:
        def stop(_: Path) -> None:
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            folders.replace(kept, {**writers(2), "stakeout.csv": stop})

    def test_an_output_that_leaves_other_files(self, kept: Path) -> None:
        def litter(path: Path) -> None:
            path.write_text("x")
            path.with_suffix(".tmp").write_text("litter")

        with pytest.raises(RuntimeError, match=r"other files than its own: stakeout\.tmp"):
            folders.replace(kept, {**writers(2), "stakeout.csv": litter})

    def test_a_full_disk(self, kept: Path) -> None:
        def fill(path: Path) -> None:
            path.write_text("half")
            Path("/dev/full").write_bytes(b"x" * 10_000)  # a device that is always full

        with pytest.raises(OutputError) as caught:
            folders.replace(kept, {**writers(2), "stakeout.csv": fill})
        assert str(caught.value) == (
            f"{kept}: there is no room for the outputs: No space left on device. "
            "Free some space or choose another folder. What was there is as it was."
        )

    @pytest.mark.parametrize("place", [0, 1, 2, 3, 4, 5])
    def test_an_install_that_fails_half_way(self, kept: Path, monkeypatch: pytest.MonkeyPatch, place: int) -> None:
        (kept / "photos").mkdir()
        renames, rename = iter(range(100)), Path.rename

        def fail_once(path: Path, target: Path) -> Path:
            if next(renames) == place:
                raise OSError(errno.EPERM, os.strerror(errno.EPERM))
            return rename(path, target)

        monkeypatch.setattr(Path, "rename", fail_once)
        with pytest.raises(OutputError, match="the folder cannot be written: Operation not permitted"):
            folders.replace(kept, writers(2))
        monkeypatch.undo()

    def test_an_exchange_that_fails(self, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(folders, "_exchange", _refuse(errno.EIO))
        with pytest.raises(OutputError, match="the outputs cannot be written: Input/output error"):
            folders.replace(kept, writers(2))

    def test_parents_that_were_made_for_nothing_go(self, tmp_path: Path) -> None:
        with pytest.raises(OutputError):
            folders.replace(tmp_path / "a" / "b" / "out", {"plan.json": _refuse(errno.ENOSPC)})
        assert list(tmp_path.iterdir()) == []

    def test_a_file_system_that_nobody_may_write(self) -> None:
        with pytest.raises(OutputError, match="the outputs cannot be written"):
            folders.replace(Path("/proc/geofence-out"), writers(1))
        with pytest.raises(OutputError, match="written"):
            folders.replace(Path("/proc/self"), writers(1))

    @pytest.mark.parametrize("way", ["rights", "rights-in-group"])
    def test_a_user_without_rights_and_a_limit_on_file_size(self, public: Path, way: str) -> None:
        denied, limited = _lines(way, public / "out")
        assert denied["said"].startswith(f"{public / 'out'}: the folder cannot be written: Permission denied. ")
        assert limited["said"].startswith(f"{public / 'out'}: there is no room for the outputs: File too large. ")
        for line in (denied, limited):
            assert line["held"] == _all(1)
            assert line["left"] == []


class TestDeaths:
    """Runs that die by ``kill -9``, before every single call of the system and at random moments."""

    @pytest.fixture
    def memory(self, tmp_path: Path) -> Iterator[Path]:
        """A folder in memory where there is such a place: hundreds of runs would wait long for a disk."""
        shared = Path("/dev/shm")
        folder = Path(tempfile.mkdtemp(dir=shared if shared.is_dir() else tmp_path))
        yield folder
        shutil.rmtree(folder)

    def test_exchange_leaves_the_old_set_or_the_new_one(self, memory: Path) -> None:
        lines = _lines("exchange", memory / "out")
        assert _exchanges(memory)
        assert {str(line["held"]) for line in lines} == {str(dict(sorted(each.items()))) for each in (OLD, NEW)}
        self._the_next_run_tidies_up(lines, own="mine")

    def test_a_new_folder_is_there_whole_or_not_at_all(self, memory: Path) -> None:
        lines = _lines("fresh", memory / "out")
        assert {str(line["held"]) for line in lines} == {"{}", str(NEW)}
        self._the_next_run_tidies_up(lines, own=None)

    @pytest.mark.parametrize("way", ["install", "inside"])
    def test_install_leaves_a_whole_set_or_one_without_an_index(self, memory: Path, way: str) -> None:
        lines = _lines(way, memory / "out")
        broken = [line["held"] for line in lines if line["held"] not in (OLD, NEW)]
        assert len(broken) == 6  # between the first of seven renames and the last
        assert all("plan.json" not in held for held in broken)
        self._the_next_run_tidies_up(lines, own="mine")

    def test_random_moments(self, memory: Path) -> None:
        lines = _lines("random", memory / "out")
        held = [line["held"] for line in lines]
        assert len({next(iter(each.values())) for each in held}) > 20  # deaths came in the midst of many runs
        for each in held[1:]:
            assert each.keys() == NEW.keys()
            assert len(set(each.values())) == 1
            assert None not in each.values()
        assert {line["own"] for line in lines} == {"mine"}
        assert all(line.get("left", []) == [] for line in lines)

    @staticmethod
    def _the_next_run_tidies_up(lines: list[dict[str, Any]], *, own: str | None) -> None:
        assert len(lines) > 20
        assert [line["dead"] for line in lines] == [True] * (len(lines) - 1) + [False]
        for line in lines:
            assert line["next"] == NEXT
            assert line["own"] == line["next_own"] == own
            assert line["left"] == []

    def test_a_dead_install_is_completed_even_if_the_next_run_fails(self, out: Path) -> None:
        stage = out / ".geofence-inside-00000000"
        (stage / "new").mkdir(parents=True)
        (stage / "names").write_text(json.dumps({"before": list(NAMES), "after": list(NAMES)}))
        for name, write in writers(2).items():
            write(stage / "new" / name)
        (stage / "ready").touch()
        with pytest.raises(OutputError):
            folders.replace(out, {"plan.json": _refuse(errno.ENOSPC)})
        assert generations(out) == NEW
        assert hidden(out) == []

    def test_what_left_does_not_come_back_if_a_run_dies_while_it_clears_up(
        self, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        folders.replace(out, writers(2, extra=("fence.dxf",)))
        monkeypatch.setattr(shutil, "rmtree", lambda stage: (Path(stage) / "names").unlink())
        folders.replace(out, writers(3))
        monkeypatch.undo()
        assert len(hidden(out)) == 1
        folders.replace(out, writers(3))
        assert generations(out) == NEXT
        assert hidden(out) == []

    def test_a_stage_of_a_living_run_is_left_alone(self, out: Path) -> None:
        with folders._staged(out.parent, out, before=NAMES, after=NAMES) as stage:
            folders.replace(out, writers(2))
            assert stage.is_dir()
        assert not stage.exists()
        assert generations(out) == NEW

    def test_what_the_user_saved_while_the_folders_changed_places_is_not_lost(
        self, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        exchange = folders._exchange

        def save_meanwhile(one: Path, other: Path) -> None:
            (out / "new of the user.txt").write_text("new")
            (out / "saving").write_text("edited")
            os.utime(out / "saving", (2e9, 2e9))
            (out / "saving").replace(out / OWN)
            exchange(one, other)

        monkeypatch.setattr(folders, "_exchange", save_meanwhile)
        folders.replace(out, writers(2))
        assert (out / "new of the user.txt").read_text() == "new"
        assert (out / OWN).read_text() == "edited"
        assert generations(out) == NEW


def _lines(way: str, folder: Path) -> list[dict[str, Any]]:
    command = [sys.executable, "-m", "tests.killed_runs", way, str(folder)]
    root = Path(__file__).parent.parent
    done = subprocess.run(command, cwd=root, check=True, capture_output=True, text=True, timeout=120)
    return [json.loads(line) for line in done.stdout.splitlines()]
