"""A finished plan's values of its job, held against the job file's tables: a plan from a file may hold any."""

from __future__ import annotations

from collections.abc import Mapping

from geofence.errors import JobError
from geofence.inputs.job_file import JobFile
from geofence.packed import UnfitError
from geofence.plan import FencePlan
from geofence.systems.system import Section
from geofence.toml_file import address, validate

__all__ = ["check_values"]


def _tables() -> Mapping[str, type[Section]]:
    """The tables that a job may leave out, by name: outputs follow no other."""
    return {
        name: type(item.default) for name, item in JobFile.model_fields.items() if isinstance(item.default, Section)
    }


def check_values(plan: FencePlan) -> None:
    """Raise where a plan has a value that no job can have; one whose name no table has is nobody's, and passed over.

    Raises
    ------
    UnfitError
        With the dotted address, the value and its limit; what to write in a job is no remedy for a plan.
    """
    for table, kind in _tables().items():
        given = {key: plan.value(f"{table}.{key}") for key in kind.model_fields}
        told = {key: value for key, value in given.items() if value is not None}
        try:
            validate(kind, told, place=lambda keys, table=table: address((table, *keys)))  # type: ignore[misc]
        except JobError as trouble:
            trouble.remedy = ""
            raise UnfitError(str(trouble).rstrip(".")) from trouble
