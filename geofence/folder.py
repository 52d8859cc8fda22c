"""The output folder, replaced whole: a reader finds all of the old files or all of the new ones, never a mixture.

Files are first written into a hidden *stage*, then put in place in one of two ways:

- **Exchange.** The stage is filled beside the folder, the user's own files are linked into it, and the two
  directories change names in one system call (``renameat2`` on Linux, ``renamex_np`` on macOS). A run that dies
  at any instant, even by ``kill -9``, leaves the old set whole or the new set whole.
- **Install.** Where a folder cannot change places (it is a mount point, the current directory, or holds folders of
  the user's; its parent or its file system does not allow it), the stage is filled inside the folder and the files
  are renamed into it one by one: the index leaves first and comes last. A run that dies between the first and the
  last of these renames leaves a folder without an index, and the next run completes what it began.

A stage is locked while its run lives; the next run of the same folder clears the stages of dead ones.

The index carries the SHA-256 of each other file as it was written. So a file that a new set no longer has leaves with
the old set only as long as nobody has changed it.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import json
import os
import secrets
import shutil
import sys
from collections.abc import Callable, Collection, Iterator, Mapping
from functools import partial
from pathlib import Path

from geofence.errors import OutputError

if sys.platform != "win32":
    import fcntl

__all__ = ["INDEX", "PROGRAM", "check", "parents", "replace", "there", "written"]

INDEX = "plan.json"
"""The file whose members ``program`` and ``files`` tell which files of a folder geofence wrote.

Its member ``sha256`` tells what each of them held then; it is added here, where all of the set is on the disk.
"""

PROGRAM = "geofence"

Writer = Callable[[Path], None]

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_CLOSED = {errno.EACCES, errno.EPERM, errno.EROFS}
_NO_EXCHANGE = {
    *(errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP),  # the system or its file system has none
    *(errno.EXDEV, errno.EBUSY),  # a mount point, or a lower layer of an overlay
    *(errno.EPERM, errno.EACCES),  # a directory that may be written, but not renamed
}


def replace(
    folder: Path, writers: Mapping[str, Writer], *, kept: Collection[str] = (), index: str = INDEX
) -> tuple[Path, ...]:
    """Write a set of files into a folder, all or none.

    Files that an earlier run wrote there and this one does not write are removed with the set they belong to, unless
    they were changed since; files that geofence did not write stay. A folder that is missing is made, with its parents;
    a link to a folder is followed.

    Parameters
    ----------
    folder
        Where the set goes.
    writers
        File name to the function that writes the file at the path it is given.
    kept
        Names of files of the earlier set that belong to the new one as they are, changed or not.
    index
        The file of the set that lists it: a JSON object with ``program`` (:data:`PROGRAM`) and ``files`` (names).

    Returns
    -------
    tuple of Path
        The files, in the order of ``writers``.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds files of these names that geofence did not write, or files that would be
        removed and were changed since geofence wrote them; it is left as it was.
    """
    place = Path(os.path.realpath(folder))
    with _reported(folder), parents(place):
        _recover(place, index)
        before = _checked(folder, {*writers, *kept}, index)
        known = _digests(folder, index)
        recorded = {name: known.get(name) for name in kept}
        every: dict[str, Writer] = {name: partial(shutil.copyfile, place / name) for name in kept} | dict(writers)
        home = place.parent if _movable(place, before) else place
        with _staged(home, place, before=before, after=every) as stage:
            _fill(stage / "new", every, recorded, index)
            if home == place:
                _install(stage, place, before, index)
            elif not place.exists():
                (stage / "new").rename(place)
                _sync_folder(place.parent)
            elif not _exchange_folder(stage, place, before):
                _move_in(stage, place, before, index)
    return tuple(folder / name for name in writers)


def check(folder: Path, names: Collection[str], *, index: str = INDEX) -> None:
    """Find out early whether :func:`replace` would refuse to write files of these names into a folder.

    Raises
    ------
    OutputError
        It would: the folder is a file, is read-only, holds files of these names that geofence did not write, or files
        of an earlier set that have no place in the new one and were changed since.
    """
    with _reported(folder):
        _recover(Path(os.path.realpath(folder)), index)
        _checked(folder, names, index)


def written(folder: Path, *, index: str = INDEX) -> frozenset[str]:
    """Names of the files that an index in a folder says geofence wrote, itself among them; none without an index.

    Raises
    ------
    OutputError
        The index is there and cannot be read.
    """
    with _reported(folder):
        return _listed(folder, index)


def there(folder: Path, *, index: str = INDEX) -> frozenset[str]:
    """Those of the :func:`written` files that are there still."""
    return frozenset(name for name in written(folder, index=index) if os.path.lexists(folder / name))


@contextlib.contextmanager
def _reported(folder: Path) -> Iterator[None]:
    """Turn what the system says into an error with a remedy."""
    try:
        yield
    except OSError as trouble:
        if trouble.errno in _FULL:
            message, remedy = "there is no room for the outputs", "Free some space or choose another folder."
        elif trouble.errno in _CLOSED:
            message, remedy = "the folder cannot be written", "Ask for the right to write there or choose another one."
        else:
            message, remedy = "the outputs cannot be written", "Choose another folder."
        raise OutputError(
            message, place=str(folder), value=trouble.strerror, remedy=f"{remedy} What was there is as it was."
        ) from trouble


@contextlib.contextmanager
def parents(place: Path) -> Iterator[None]:
    """Make the folders above a file or folder; unmake them where what is done within fails."""
    missing = [above for above in place.parents if not above.exists()]
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for above in missing:
            with contextlib.suppress(OSError):
                above.rmdir()
        raise


def _checked(folder: Path, names: Collection[str], index: str) -> frozenset[str]:
    """Names of the files in the folder that geofence wrote; raises where it may not write."""
    if not folder.exists():
        return frozenset()
    if not folder.is_dir():
        raise OutputError(
            "there is a file where the output folder should be", place=str(folder), remedy="Choose another folder."
        )
    if not os.access(folder, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))
    ours = _listed(folder, index)
    strangers = [name for name in names if _is_stranger(folder / name, ours)]
    if strangers:
        raise OutputError(
            f"geofence did not write {', '.join(strangers)}, and would overwrite it",
            place=str(folder),
            remedy="Move it away or choose another folder.",
        )
    before = there(folder, index=index)
    _refuse_changed(folder, before - {*names, index}, index)
    return before


def _refuse_changed(folder: Path, leaving: Collection[str], index: str) -> None:
    """Raise where files that would be removed are not as the index says that geofence wrote them."""
    recorded = _digests(folder, index) if leaving else {}
    changed = [name for name in sorted(leaving) if _digest(folder / name) != recorded.get(name, "")]
    if changed:
        raise OutputError(
            f"{', '.join(changed)} of the earlier plan would be removed, and may have been changed since then",
            place=str(folder),
            remedy="Save it elsewhere or under another name, or choose another folder.",
        )


def _digest(file: Path) -> str | None:
    """The SHA-256 of a file; none of anything else."""
    if file.is_symlink() or not file.is_file():
        return None
    with file.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _is_stranger(path: Path, ours: Collection[str]) -> bool:
    is_folder = path.is_dir() and not path.is_symlink()
    return is_folder or (path.name not in ours and os.path.lexists(path))


def _listed(folder: Path, index: str) -> frozenset[str]:
    """The names that an index lists, itself among them; none where there is no index of ours."""
    try:
        content = json.loads((folder / index).read_bytes())
        if content["program"] != PROGRAM:
            return frozenset()
        return frozenset({index, *(name for name in content["files"] if Path(name).name == name != "..")})
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError, ValueError, KeyError, TypeError, RecursionError):
        return frozenset()


def _digests(folder: Path, index: str) -> dict[str, str]:
    """What an index of ours says the files held when they were written; nothing where it does not say."""
    if not _listed(folder, index):
        return {}
    told = json.loads((folder / index).read_bytes()).get("sha256")
    return {name: digest for name, digest in told.items() if isinstance(digest, str)} if isinstance(told, dict) else {}


def _movable(place: Path, ours: Collection[str]) -> bool:
    """Whether the folder itself may change places with a new one without harm to anything else."""
    if not place.exists():
        return True
    if os.path.ismount(place) or _is_current(place) or not os.access(place.parent, os.W_OK | os.X_OK):
        return False
    if not _can_own(place.stat()):
        return False
    with os.scandir(place) as items:
        return not any(item.is_dir(follow_symlinks=False) for item in items if item.name not in ours)


def _can_own(facts: os.stat_result) -> bool:
    """Whether a folder of ours may be given the owner and the group of another one."""
    if sys.platform == "win32":
        return False
    groups = {os.getegid(), *os.getgroups()}
    return os.geteuid() == 0 or (os.geteuid() == facts.st_uid and facts.st_gid in groups)


def _is_current(place: Path) -> bool:
    """Whether this process, and with it the shell that started it, stands in the folder."""
    with contextlib.suppress(OSError):
        return place.samefile(Path.cwd())
    return False


# ---------------------------------------------------------------------------------------------------------- stages
#
# A stage is a hidden folder with
#   names   what the set before and the set after are called; written before anything else
#   new/    the files to come; after an exchange, the folder that was
#   shared  present from the moment the user's own files may be in new/
#   old/    the files that leave, while an install is under way
#   ready   present from the moment an install must be completed rather than dropped


def _prefix(home: Path, place: Path) -> str:
    key = "inside" if home == place else hashlib.sha256(os.fsencode(place.name)).hexdigest()[:8]
    return f".{PROGRAM}-{key}-"


@contextlib.contextmanager
def _staged(home: Path, place: Path, *, before: Collection[str], after: Collection[str]) -> Iterator[Path]:
    """A stage in ``home`` for the folder at ``place``, locked while it lives, cleared afterwards."""
    stage = home / (_prefix(home, place) + secrets.token_hex(4))
    stage.mkdir(mode=0o700)
    with _lock(stage):
        try:
            (stage / "names").write_text(json.dumps({"before": sorted(before), "after": sorted(after)}))
            (stage / "new").mkdir()
            if place.exists() and home != place:
                _make_alike(stage / "new", place)
            yield stage
        finally:
            with contextlib.suppress(OSError):  # the next run clears what cannot be cleared now
                _clear(stage, place)


def _make_alike(new: Path, place: Path) -> None:
    """Owner, mode and access list of the folder that is to be replaced."""
    facts = place.stat()
    os.chown(new, facts.st_uid, facts.st_gid)
    shutil.copystat(place, new)


@contextlib.contextmanager
def _lock(stage: Path) -> Iterator[bool]:
    """Hold a stage's lock, which the system drops when the process dies; gives False where another run holds it."""
    if sys.platform == "win32":
        yield True
        return
    handle = os.open(stage, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        free = True
    except BlockingIOError:
        free = False
    except OSError:  # a file system without locks
        free = True
    try:
        yield free
    finally:
        os.close(handle)


def _names(stage: Path) -> tuple[frozenset[str], frozenset[str]]:
    """The names before and after; empty where the run died before it had noted them, and so before it did more."""
    try:
        noted = json.loads((stage / "names").read_bytes())
        return frozenset(noted["before"]), frozenset(noted["after"])
    except (FileNotFoundError, ValueError):
        return frozenset(), frozenset()


def _recover(place: Path, index: str) -> None:
    """Complete or clear what dead runs left of this folder."""
    for home in (place.parent, place):
        for stage in sorted(home.glob(_prefix(home, place) + "*")):
            with contextlib.suppress(FileNotFoundError), _lock(stage) as free:
                if not free:
                    continue
                if (stage / "ready").exists():
                    _complete(stage, place, index)
                with contextlib.suppress(OSError):
                    _clear(stage, place)


def _clear(stage: Path, place: Path) -> None:
    """Remove a stage; the user's files in it that the folder lacks, or has an older state of, go back there."""
    if (stage / "shared").exists() and place.is_dir():
        before, after = _names(stage)
        for item in sorted((stage / "new").iterdir()):
            if item.name not in before | after and _is_newer(item, place / item.name):
                item.replace(place / item.name)
        (stage / "shared").unlink()  # from here on nothing in it is the user's, whatever is removed first
    shutil.rmtree(stage)


def _is_newer(one: Path, other: Path) -> bool:
    return not os.path.lexists(other) or one.lstat().st_mtime_ns > other.lstat().st_mtime_ns


def _fill(new: Path, writers: Mapping[str, Writer], recorded: Mapping[str, str | None], index: str) -> None:
    """Run the writers, seal the index, and see that their files are on the disk and no others."""
    for name, write in writers.items():
        write(new / name)
    if index in writers:
        _seal(new, {name for name in writers if name != index}, recorded, index)
    for name in writers:
        _sync(new / name)
    extra = sorted({item.name for item in new.iterdir()} - set(writers))
    if extra:
        raise RuntimeError(f"an output wrote other files than its own: {', '.join(extra)}")
    _sync_folder(new)


def _seal(new: Path, names: Collection[str], recorded: Mapping[str, str | None], index: str) -> None:
    """Add to the index what the files hold; of those that were kept, what was ``recorded`` when they were written."""
    found = {name: recorded[name] if name in recorded else _digest(new / name) for name in sorted(names)}
    digests = {name: digest for name, digest in found.items() if digest}
    told = json.loads((new / index).read_bytes()) | {"sha256": digests}
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, indent=2)
    (new / index).write_text(text + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")


def _sync(file: Path) -> None:
    handle = os.open(file, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system can
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


# -------------------------------------------------------------------------------------------------------- exchange


def _exchange_folder(stage: Path, place: Path, before: Collection[str]) -> bool:
    """Let the stage and the folder change places; False where the system cannot, with the folder as it was."""
    (stage / "shared").touch()
    try:
        for item in sorted(place.iterdir()):
            if item.name not in before:
                os.link(item, stage / "new" / item.name, follow_symlinks=False)
        _exchange(stage / "new", place)
    except OSError as trouble:
        if trouble.errno not in _NO_EXCHANGE:
            raise
        return False
    _sync_folder(place.parent)
    return True


def _exchange(one: Path, other: Path) -> None:
    """Let two directories change names, in one step that no reader can fall into."""
    library = ctypes.CDLL(None, use_errno=True)
    first, second = os.fsencode(one), os.fsencode(other)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        failed = library.renamex_np(first, second, 2)  # RENAME_SWAP
    elif hasattr(library, "renameat2"):
        failed = library.renameat2(-100, first, -100, second, 2)  # AT_FDCWD, RENAME_EXCHANGE
    else:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if failed:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), str(other))


# --------------------------------------------------------------------------------------------------------- install


def _move_in(stage: Path, place: Path, before: Collection[str], index: str) -> None:
    """Install from a stage beside the folder: its files move to a stage inside first."""
    _, after = _names(stage)
    with _staged(place, place, before=before, after=after) as inside:
        for name in sorted(after):
            shutil.move(stage / "new" / name, inside / "new" / name)
            _sync(inside / "new" / name)
        _install(inside, place, before, index)


def _install(stage: Path, place: Path, before: Collection[str], index: str) -> None:
    """Rename the new files into the folder, the old ones out of it; undone where it fails half-way."""
    new, old = stage / "new", stage / "old"
    _, after = _names(stage)
    old.mkdir()
    (stage / "ready").touch()
    try:
        for name in sorted(before, key=lambda name: (name != index, name)):
            (place / name).rename(old / name)
        for name in _index_last(after, index):
            (new / name).rename(place / name)
    except BaseException:
        for name in after:
            if not os.path.lexists(new / name):
                (place / name).rename(new / name)
        for item in sorted(old.iterdir()):
            item.rename(place / item.name)
        (stage / "ready").unlink()
        raise
    (stage / "ready").unlink()
    _sync_folder(place)


def _complete(stage: Path, place: Path, index: str) -> None:
    """Complete an install that died under way."""
    before, after = _names(stage)
    for name in before - after:
        (place / name).unlink(missing_ok=True)
    for name in _index_last(after, index):
        if os.path.lexists(stage / "new" / name):
            (stage / "new" / name).replace(place / name)
    (stage / "ready").unlink()


def _index_last(names: Collection[str], index: str) -> list[str]:
    return sorted(names, key=lambda name: (name == index, name))
