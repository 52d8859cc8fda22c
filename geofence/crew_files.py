"""The points of a finished plan for one crew's device: a stake-out file of its own, and the note that goes with it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geofence import folder as folders
from geofence.errors import OutputError
from geofence.inputs.output_tables import Stakeout
from geofence.inputs.plan_file import read_plan
from geofence.outputs import stakeout, stakeout_note
from geofence.plan import FencePlan
from geofence.stakeout_style import StakeoutStyle
from geofence.toml_file import address, validate

__all__ = ["CrewFile", "note_beside", "void_beside", "write_stakeout"]

Writer = Callable[[Path], None]

_LONGEST_NOTE = 1_000_000
"""Bytes; notes have some pages, and other texts in a folder may have any length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewFile:
    """A stake-out file by its name, the name of its note, and when the plan that it is from was made."""

    name: str
    note: str
    planned_at: str


def write_stakeout(
    source: Path, out: Path, values: Mapping[str, Any], *, origin: str = "call"
) -> tuple[FencePlan, tuple[Path, Path]]:
    """Write the points of a finished plan, laid out for a device, and the note that says how.

    Parameters
    ----------
    source
        The folder of the plan, or its ``plan.npz``.
    out
        The stake-out file, whose folder is made if need be. Its note lies beside it: ``crew.txt`` beside ``crew.csv``.
    values
        Values of the job's table ``[stakeout]``, which go before those that the plan was made with.
    origin
        What errors call the source of these values.

    Returns
    -------
    tuple
        The plan, and the two files.

    Raises
    ------
    InputError
        There is no finished plan, or it is damaged.
    JobError
        A value is not as the table may have it.
    OutputError
        The files cannot be written, or are there and not as geofence wrote them; they are left as they were.
    """
    _refuse_a_folder(out)
    plan = read_plan(source)
    own = {name: plan.value(f"stakeout.{name}") for name in Stakeout.model_fields}
    told = {name: value for name, value in own.items() if value is not None}
    checked = validate(Stakeout, {**told, **values}, place=lambda keys: f"{origin}, {address(('stakeout', *keys))}")
    style = StakeoutStyle.from_values(checked.model_dump())
    note = note_beside(out)
    _refuse_the_plans_own(out)
    _refuse_strangers(out, note)
    writers: dict[Path, Writer] = {
        out: lambda path: stakeout.write(plan, path, style=style),
        note: lambda path: stakeout_note.write(plan, path, style=style, about=out.name),
    }
    try:
        with folders.parents(out):
            _write_both(writers)
    except OSError as trouble:
        raise OutputError(
            "the points cannot be written", place=str(out), value=trouble.strerror, remedy="Choose another place."
        ) from trouble
    return plan, (out, note)


def note_beside(file: Path) -> Path:
    """Where the note of a stake-out file lies.

    >>> note_beside(Path("crew.csv")).name, note_beside(Path("crew.txt")).name
    ('crew.txt', 'crew-note.txt')
    """
    return file.with_name(f"{file.stem}-note.txt") if file.suffix.lower() == ".txt" else file.with_suffix(".txt")


def void_beside(folder: Path, *, plan: FencePlan | None = None) -> tuple[CrewFile, ...]:
    """Crew's files in a folder that a newer plan there makes void.

    A file is known by its note, so it counts though it was edited since.

    Parameters
    ----------
    folder
        The folder of the plan.
    plan
        The plan that the folder is given, whose own crew's files hold; None for a new one, which makes all void.
    """
    texts = sorted(file for file in folder.iterdir() if file.suffix == ".txt") if folder.is_dir() else []
    found = [crew_file for text in texts if (crew_file := _told_by(text)) is not None]
    return tuple(each for each in found if plan is None or each.planned_at != plan.provenance.planned_at)


def _told_by(note: Path) -> CrewFile | None:
    """The stake-out file that a note goes with; None for a text that is no such note, or whose file is gone."""
    try:
        text = note.read_text(encoding="utf-8") if note.stat().st_size <= _LONGEST_NOTE else ""
    except (OSError, ValueError):
        return None
    source, about = stakeout_note.SOURCE.search(text), stakeout_note.ABOUT.search(text)
    if source is None or about is None or not (note.parent / about[1]).is_file():
        return None
    return CrewFile(name=about[1], note=note.name, planned_at=source[1])


def _refuse_a_folder(file: Path) -> None:
    if file.is_dir():
        raise OutputError(
            "is a folder where a file belongs", place=str(file), remedy="Name the file, such as crew.csv."
        )


def _refuse_the_plans_own(file: Path) -> None:
    """Raise where the file is one of a plan's set, which its ``plan.json`` tells of."""
    if file.name in folders.written(file.parent):
        raise OutputError(
            f"{file.name} belongs to the plan in this folder",
            place=str(file.parent),
            remedy="Choose another name; the table [stakeout] of the job file decides how the plan's own file looks.",
        )


def _refuse_strangers(file: Path, note: Path) -> None:
    """Raise where files are there that are not the pair that an earlier run wrote: the note knows its file's digest."""
    there = [each for each in (file, note) if os.path.lexists(each)]
    if not there:
        return
    try:
        fingerprint = f"{stakeout_note.FINGERPRINT}{hashlib.sha256(file.read_bytes()).hexdigest()}"
        ours = fingerprint in note.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        ours = False
    if not ours:
        raise OutputError(
            f"{there[0].name} would be overwritten, and is not as geofence wrote it",
            place=str(file.parent),
            remedy="Move it away or choose another name.",
        )


def _write_both(writers: Mapping[Path, Writer]) -> None:
    """Write files beside where they go, then put both in place; on trouble nothing is left of them."""
    token = secrets.token_hex(4)
    stages = {file: file.with_name(f".{file.name}-{token}") for file in writers}
    try:
        for file, write in writers.items():
            write(stages[file])
        for file, stage in stages.items():
            stage.replace(file)
    finally:
        for stage in stages.values():
            with contextlib.suppress(OSError):
                stage.unlink(missing_ok=True)
