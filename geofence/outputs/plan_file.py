"""``plan.npz``: the finished plan, whole, to be read back without planning again.

Every number is kept as the float64 that it is. The same plan gives the same bytes, whatever is written beside it: the
list of files written together is in ``plan.json`` alone.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.plan import FencePlan, Output
from geofence.plan_file import COLUMN, FILENAME, FORMAT, RECORD, SCHEMA, SUMS, pack

__all__ = ["OUTPUT", "write"]

_WRITTEN = (1980, 1, 1, 0, 0, 0)
"""The time stamp of every member: the first that an archive can have."""

_EFFORT = 1
"""Of 9: the last digits of measured numbers do not get smaller by more effort, which takes three times as long."""

_PLAIN_FILE = 0o644 << 16
_UNIX = 3


def write(plan: FencePlan, path: Path) -> None:
    """Write the plan as an archive of its record and its columns."""
    sums: list[str] = []
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in _members(plan):
            sums.append(f"{hashlib.sha256(content).hexdigest()}  {name}\n")
            _add(archive, name, content)
        _add(archive, SUMS, "".join(sums).encode("ascii"))


def _members(plan: FencePlan) -> Iterator[tuple[str, bytes]]:
    parts = pack(replace(plan, provenance=replace(plan.provenance, files=())))
    record = {"format": FORMAT, "schema": SCHEMA, "plan": parts.tree}
    yield RECORD, (json.dumps(record, allow_nan=False, separators=(",", ":")) + "\n").encode("ascii")
    for name, column in parts.columns.items():
        yield name + COLUMN, _npy(column)


def _npy(column: NDArray[Any]) -> bytes:
    """An array as a ``.npy`` file."""
    content = io.BytesIO()
    np.lib.format.write_array(content, column, version=(1, 0), allow_pickle=False)
    return content.getvalue()


def _add(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    member = zipfile.ZipInfo(name, date_time=_WRITTEN)
    member.compress_type = zipfile.ZIP_DEFLATED
    member.create_system, member.external_attr = _UNIX, _PLAIN_FILE
    archive.writestr(member, content, compresslevel=_EFFORT)


OUTPUT = Output(filename=FILENAME, title="The plan itself, to be read back (zip of JSON and .npy)", write=write)
