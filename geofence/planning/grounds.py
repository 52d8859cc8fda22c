"""The job's ground, opened: its files through the reader they belong to, and the survey laid over them."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from geofence import registry
from geofence.errors import InputError, JobError
from geofence.inputs.job import Job
from geofence.inputs.job_file import Survey
from geofence.site.ground import Ground, GroundOptions
from geofence.site.patched import PatchedGround
from geofence.site.tin import TinGround
from geofence.systems.system import Section

__all__ = ["files_of", "open_ground", "options_of"]


def open_ground(job: Job) -> Ground:
    """The job's ground: its files, and the survey that is laid over them where there is one.

    Raises
    ------
    InputError, GridError, JobError
        A file is not there or cannot be used, no reader takes it, or what is laid over the ground is no survey of
        points.
    """
    base = _opened(job, job.ground, "ground", reader=job.ground.reader)
    patch = job.ground.patch_survey
    if patch is None:
        return base
    over = _opened(job, patch, "ground.patch")
    if not isinstance(over, TinGround):
        raise JobError(
            "only a survey of points can be laid over another ground",
            place=job.place("ground", "patch"),
            remedy="Name rasters in ground.files; of several, the first counts where they overlap.",
        )
    return PatchedGround.of(over, base, max_edge_m=patch.max_edge_m)


def options_of(section: Section, table: str) -> GroundOptions:
    """What a table of the job says of its files."""
    return GroundOptions(
        table=table,
        **{
            item.name: getattr(section, item.name)
            for item in fields(GroundOptions)
            if item.name in type(section).model_fields
        },
    )


def files_of(job: Job, section: Survey, table: str) -> tuple[Path, ...]:
    """The files of a table, all of which are there.

    Raises
    ------
    InputError
        One is not; the first such is named.
    """
    files = tuple(job.path(file) for file in section.files)
    missing = next((file for file in files if not file.is_file()), None)
    if missing is not None:
        raise InputError(
            "there is no such file", file=missing, remedy=f"Check {table}.files; paths start at the job file."
        )
    return files


def _opened(job: Job, section: Survey, table: str, *, reader: str | None = None) -> Ground:
    """The ground of a table, through the reader that it names or the first that reads its files."""
    files = files_of(job, section, table)
    for name in (reader,) if reader else registry.names(registry.GROUNDS):
        found = registry.find(registry.GROUNDS, name)
        if all(found.reads(file) for file in files):
            ground: Ground = found.open(files, options_of(section, table))
            return ground
    raise JobError(
        "no ground reader takes these files",
        place=job.place(*table.split("."), "files"),
        value=", ".join(file.name for file in files),
        remedy=f"Readers: {', '.join(registry.names(registry.GROUNDS))}. Give files of one kind.",
    )
