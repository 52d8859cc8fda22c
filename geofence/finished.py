"""A finished plan in its folder, and further files from it, without planning again."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from geofence import folder as folders
from geofence.errors import InputError, JobError
from geofence.inputs.plan_file import read_plan
from geofence.outputs import plan_json
from geofence.plan import FencePlan, Output, asked_outputs
from geofence.plan_file import FILENAME

__all__ = ["FinishedFolder", "open_folder", "write_further"]

_TOLD = ("name", "parameters", "grid", "provenance")
"""Members of ``plan.json`` that are the plan's own, and the same in every release that has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedFolder:
    """A folder with a finished plan, both of a piece.

    Attributes
    ----------
    folder
        Where it is.
    plan
        What was planned.
    files
        Names of the files in the folder that geofence wrote, sorted.
    """

    folder: Path
    plan: FencePlan
    files: tuple[str, ...]


def write_further(source: Path, also: Iterable[str], *, out: Path | None = None) -> tuple[FencePlan, tuple[Path, ...]]:
    """Write further outputs from a finished plan.

    Parameters
    ----------
    source
        The folder of the plan, or with ``out`` its ``plan.npz`` alone.
    also
        Names of the outputs.
    out
        Another folder, which then gets all that planning into it would have written. Left out: the files come to those
        in ``source``, which stay as they are, but for the list in ``plan.json``.

    Returns
    -------
    tuple
        The plan, and the files that were written.

    Raises
    ------
    InputError
        There is no finished plan, or it is damaged, or ``plan.json`` tells of another one.
    JobError
        No output has such a name, or it needs a package that is not installed, or there is nothing to write.
    OutputError
        The folder cannot be written; it is left as it was.
    """
    chosen = asked_outputs(also)
    if out is not None and not _holds(out, source):
        plan = read_plan(source)
        return plan, plan.write(out, also=also)
    if not chosen:
        raise JobError("nothing to write", remedy="Name an output: --also NAME; `geofence outputs` lists them.")
    finished = open_folder(source if out is None else out)
    return finished.plan, _come_to(finished, chosen)


def _holds(folder: Path, source: Path) -> bool:
    """Whether a plan's source is this folder, or the plan in it."""
    home = source.parent if source.name == FILENAME and source.is_file() else source
    return folder.exists() and home.exists() and folder.samefile(home)


def open_folder(folder: Path) -> FinishedFolder:
    """A finished plan with what geofence wrote beside it.

    Raises
    ------
    InputError
        There is no finished plan, or it is damaged, or ``plan.json`` tells of another one.
    """
    if folder.is_file():
        raise InputError(
            "is a file where a folder belongs",
            file=folder,
            remedy="Name the folder of the plan, or another one to write to.",
        )
    plan = read_plan(folder)
    index = folder / folders.INDEX
    told = _index(index)
    expected = plan_json.content(plan, files=())
    for member in _TOLD:
        if told.get(member) != expected[member]:
            raise InputError(
                f"tells of another plan than {FILENAME} beside it: one of the two was changed",
                file=index,
                place=member,
                remedy="Put back the two files as they were written together, or plan it again.",
            )
    files = sorted(name for name in told["files"] if (folder / name).is_file())
    return FinishedFolder(folder=folder, plan=plan, files=tuple(files))


def _index(file: Path) -> Mapping[str, Any]:
    """What ``plan.json`` tells; raises where it is not geofence's."""
    try:
        told = json.loads(file.read_bytes())
    except FileNotFoundError:
        raise InputError(
            "is not there, so it cannot be told which files of the folder are geofence's",
            file=file,
            remedy="Name another folder to write to.",
        ) from None
    except (OSError, ValueError, RecursionError) as trouble:
        raise InputError("is no JSON", file=file, value=trouble, remedy="Plan it again.") from trouble
    files = told.get("files") if isinstance(told, dict) else None
    if not isinstance(files, list) or not all(isinstance(name, str) and Path(name).name == name for name in files):
        raise InputError("is no record of a plan", file=file, remedy="Plan it again.")
    return dict(told)


def _come_to(finished: FinishedFolder, chosen: Iterable[Output]) -> tuple[Path, ...]:
    """Write outputs beside the files that are there, and the list of them all."""
    new = {output.filename: output for output in chosen if output.filename != folders.INDEX}
    files = tuple(sorted({*finished.files, *new, folders.INDEX}))
    plan = replace(finished.plan, provenance=replace(finished.plan.provenance, files=files))
    writers: dict[str, folders.Writer] = {name: partial(output.write, plan) for name, output in new.items()}
    writers[folders.INDEX] = partial(plan_json.write, plan)
    written = folders.replace(finished.folder, writers, kept=[name for name in finished.files if name not in writers])
    return tuple(path for path in written if path.name in new)
