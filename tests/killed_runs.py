"""Runs that die: a script for ``test_folder``, apart because only a process without threads may fork safely.

``python -m tests.killed_runs WAY FOLDER`` prints one JSON line for each death: at which of its steps the run died, what
the folder then held, and what it held after the next run.
"""

from __future__ import annotations

import errno
import json
import os
import random
import resource
import signal
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from geofence import folder as folders
from geofence.errors import OutputError

NAMES = ("bays.geojson", "plan.json", "posts.geojson")
OWN = "notes of the user.txt"
SIZE = 100_000


def writers(generation: int, *, size: int = 100, extra: tuple[str, ...] = ()) -> dict[str, Callable[[Path], None]]:
    """Writers whose every file tells which run wrote it."""
    names = (*NAMES, *extra)
    return {name: partial(_write, generation=generation, size=size, names=names) for name in names}


def _write(path: Path, *, generation: int, size: int, names: tuple[str, ...]) -> None:
    content = {"generation": generation, "filler": "x" * size}
    if path.name == folders.INDEX:
        content |= {"program": folders.PROGRAM, "files": list(names)}
    path.write_text(json.dumps(content))


def generations(folder: Path) -> dict[str, int | None]:
    """Which run wrote each file; None for a file that is not whole. The user's own files are left out."""
    found: dict[str, int | None] = {}
    for item in sorted(folder.iterdir()) if folder.exists() else ():
        if item.suffix in (".geojson", ".json", ".dxf"):
            try:
                found[item.name] = json.loads(item.read_text())["generation"]
            except ValueError:
                found[item.name] = None
    return found


def hidden(folder: Path) -> list[str]:
    """Stages that were left behind."""
    places = [folder.parent, *([folder] if folder.exists() else [])]
    return sorted(item.name for place in places for item in place.iterdir() if item.name.startswith(".geofence"))


def in_child(action: Callable[[], None]) -> int:
    """Fork, act in the child, give its process id."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            action()
            code = 0
        finally:
            os._exit(code)
    return child


def _die_at(step: int, note: int) -> None:
    """Die by SIGKILL just before the interpreter's ``step``-th call of the system from now on."""
    left = step

    def hook(event: str, _: object) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            os.write(note, event.encode())
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def die_everywhere(folder: Path) -> None:
    """Let a run die at its first step, its second, ... until one comes through."""
    step, came_through = 0, False
    while not came_through:
        step += 1
        _prepare(folder)
        read, note = os.pipe()

        def run(step: int = step, note: int = note) -> None:
            _die_at(step, note)
            folders.replace(folder, writers(2))

        _, status = os.waitpid(in_child(run), 0)
        os.close(note)
        event = os.read(read, 100).decode()
        os.close(read)
        came_through = os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0
        if not came_through and not os.WIFSIGNALED(status):
            raise RuntimeError(f"step {step} failed")
        _tell(folder, step=step, event=event, dead=not came_through)


def _prepare(folder: Path) -> None:
    """The set of run 1, with a file that run 2 does not write, and a file of the user's."""
    if FRESH:
        for item in folder.iterdir() if folder.exists() else ():
            item.unlink()
        if folder.exists():
            folder.rmdir()
        return
    folders.replace(folder, writers(1, extra=("fence.dxf",)))
    (folder / OWN).write_text("mine")


def die_at_random(folder: Path, *, deaths: int = 120) -> None:
    """Kill runs that replace the folder again and again, at random moments."""
    chance = random.Random(20261125)
    _prepare(folder)

    def run(first: int) -> None:
        for generation in range(first, first + 10_000):
            folders.replace(folder, writers(generation, size=SIZE))

    for death in range(deaths):
        child = in_child(partial(run, 1000 * (death + 2)))
        time.sleep(chance.uniform(0.0, 0.02))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        _tell(folder, step=death, event="", dead=True, next_run=death % 2 == 0)


def _tell(folder: Path, *, step: int, event: str, dead: bool, next_run: bool = True) -> None:
    line = {"step": step, "event": event, "dead": dead, "held": generations(folder), "own": _own(folder)}
    if next_run:
        folders.replace(folder, writers(3))
        line |= {"next": generations(folder), "next_own": _own(folder), "left": hidden(folder)}
    print(json.dumps(line))


def _own(folder: Path) -> str | None:
    return (folder / OWN).read_text() if (folder / OWN).exists() else None


def without_rights(folder: Path, *, groups: tuple[int, ...] = ()) -> None:
    """Try to write as a user without the right to, then into a file-size limit; prints what is said."""
    folders.replace(folder, writers(1))
    if os.geteuid() == 0:  # become the folder's owner, of its group only if that is asked for
        os.chown(folder, 65534, 65534)
        os.setgroups(groups)
        os.setuid(65534)
    folder.chmod(0o555)
    _say(folder, 2)
    folder.chmod(0o755)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
    _say(folder, 3, size=5000)


def _say(folder: Path, generation: int, *, size: int = 100) -> None:
    try:
        folders.replace(folder, writers(generation, size=size))
        said = ""
    except OutputError as trouble:
        said = str(trouble)
    print(json.dumps({"said": said, "held": generations(folder), "left": hidden(folder)}))


def _no_exchange(*_: object) -> None:
    raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))


FRESH = False

if __name__ == "__main__":
    way, target = sys.argv[1], Path(sys.argv[2])
    os.fsync = lambda _: None  # slow, and only a power cut could tell
    if way == "install":
        folders._exchange = _no_exchange
    if way == "inside":
        (target / "photos").mkdir(parents=True)
    FRESH = way == "fresh"
    ways = {
        "random": die_at_random,
        "rights": without_rights,
        "rights-in-group": partial(without_rights, groups=(65534,)),
    }
    ways.get(way, die_everywhere)(target)
