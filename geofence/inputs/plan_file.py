"""A finished plan, read back from the folder it was written to."""

from __future__ import annotations

import hashlib
import io
import json
import math
import struct
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from geofence.errors import InputError
from geofence.inputs.plan_values import check_values
from geofence.packed import Packed, UnfitError
from geofence.plan import FencePlan
from geofence.plan_file import COLUMN, FILENAME, FORMAT, RECORD, SCHEMA, SUMS, unpack

__all__ = ["MOST_BYTES", "MOST_MEMBERS", "MOST_RECORD_BYTES", "read_plan"]

MOST_BYTES = 1 << 30
"""What a plan may unpack to: some thirty times that of 50,000 posts."""

MOST_RECORD_BYTES = 1 << 27
MOST_MEMBERS = 2000
"""A plan has some hundred columns, however long it is."""

_MOST_HEADER = 1000
"""Characters of the header of a ``.npy`` file: it says an order, a kind and a shape."""

_AGAIN = "Plan it again: geofence plan JOB --out FOLDER."
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    KeyError,
)


def read_plan(path: Path | str) -> FencePlan:
    """Read a finished plan.

    Parameters
    ----------
    path
        The folder that the plan was written to, or the ``plan.npz`` in it.

    Returns
    -------
    FencePlan
        The plan as it was, bit for bit. ``provenance.files`` is empty: what is written beside a plan is no part of it.

    Raises
    ------
    InputError
        There is no plan, or it is damaged, was changed since it was written, or was written by a newer geofence.

    Examples
    --------
    >>> read_plan("no-such-folder")
    Traceback (most recent call last):
        ...
    geofence.errors.InputError: no-such-folder: there is no such folder.
    """
    file = _file(Path(path))
    try:
        with zipfile.ZipFile(file) as archive:
            members = _members(file, archive)
            record = _record(file, archive, members)
            contents = _unchanged(file, archive, members)
            columns = {
                name.removesuffix(COLUMN): _column(content)
                for name, content in contents.items()
                if name.endswith(COLUMN)
            }
    except OSError as trouble:
        raise InputError("cannot be read", file=file, value=trouble.strerror) from trouble
    except _DAMAGE as trouble:
        _refuse_damage(file, str(trouble), trouble)
    try:
        plan = unpack(Packed(tree=record, columns=columns))
        check_values(plan)
    except UnfitError as trouble:
        _refuse_damage(file, str(trouble), trouble)
    return plan


def _file(path: Path) -> Path:
    """The plan's file; raises where there is none."""
    if path.is_file():
        return path
    if not path.exists():
        raise InputError("there is no such folder", file=path)
    file = path / FILENAME
    if not file.is_file():
        raise InputError(f"this folder holds no {FILENAME}, and so no finished plan", file=path, remedy=_AGAIN)
    return file


def _refuse_damage(file: Path, what: str, trouble: Exception) -> NoReturn:
    raise InputError(f"is damaged, or is no finished plan: {what}", file=file, remedy=_AGAIN) from trouble


def _members(file: Path, archive: zipfile.ZipFile) -> Mapping[str, zipfile.ZipInfo]:
    """The members by name; raises where they would unpack to more than any plan has."""
    listed = archive.infolist()
    size = sum(item.file_size for item in listed)
    for value, limit, unit in ((len(listed), MOST_MEMBERS, "members"), (size, MOST_BYTES, "bytes")):
        if value > limit:
            raise InputError("is larger than any plan once unpacked", file=file, value=value, limit=limit, unit=unit)
    members = {item.filename: item for item in listed}
    if len(members) < len(listed):
        raise ValueError("a member is there twice")
    if not {RECORD, SUMS} <= members.keys():
        raise ValueError(f"it has no {RECORD} or no {SUMS}")
    for name in (RECORD, SUMS):
        if members[name].file_size > MOST_RECORD_BYTES:
            raise ValueError(f"its {name} is larger than any plan's")
    return members


def _record(file: Path, archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> Any:
    """The tree of the plan; a newer schema is told before anything else is held against this one."""
    try:
        record = json.loads(archive.read(members[RECORD]), parse_constant=_refuse_constant)
    except RecursionError as trouble:
        raise ValueError(f"its {RECORD} is nested too deeply") from trouble
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise ValueError(f"its {RECORD} says nothing of a {FORMAT}")
    schema = record.get("schema")
    if type(schema) is int and schema > SCHEMA:
        raise InputError(
            "was written by a newer geofence", file=file, place="schema", value=schema, limit=SCHEMA,
            remedy="Update geofence, or plan it again with this one.",
        )  # fmt: skip
    if type(schema) is int and 0 < schema < SCHEMA:
        raise InputError(
            "was written by an older geofence", file=file, place="schema", value=schema, limit=SCHEMA, remedy=_AGAIN
        )
    if type(schema) is not int or schema != SCHEMA or "plan" not in record:
        raise ValueError(f"its {RECORD} has no schema that there ever was")
    return record["plan"]


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no JSON")


def _unchanged(file: Path, archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> dict[str, bytes]:
    """The members' contents; raises where one is not what was written."""
    lines = archive.read(members[SUMS]).decode("ascii").splitlines()
    sums = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    if sums.keys() != members.keys() - {SUMS}:
        raise ValueError(f"its members are not those of its {SUMS}")
    contents = {name: archive.read(members[name]) for name in sums}
    for name, content in contents.items():
        if hashlib.sha256(content).hexdigest() != sums[name]:
            raise InputError("was changed since it was written", file=file, place=name, remedy=_AGAIN)
    return contents


def _column(content: bytes) -> NDArray[Any]:
    """The array of a ``.npy`` file; numbers only, so that nothing in it is run."""
    stream = io.BytesIO(content)
    if np.lib.format.read_magic(stream) != (1, 0):
        raise ValueError("a column is of another version of .npy")
    shape, fortran_order, dtype = np.lib.format.read_array_header_1_0(stream, max_header_size=_MOST_HEADER)
    start = stream.tell()
    if dtype.kind not in "fiub" or fortran_order or len(content) - start != dtype.itemsize * math.prod(shape):
        raise ValueError("a column is not as it is written")
    return np.frombuffer(content, dtype=dtype, offset=start).reshape(shape)
