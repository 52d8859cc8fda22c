"""Points from laser scans: LAS and LAZ, the classes that are wanted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.engine.records import Floats
from geofence.errors import InputError, JobError

__all__ = ["LasPoints", "read_las"]

CHUNK = 2_000_000
"""Points read at a time: of a scan only those that are wanted stay in memory."""

CLASSES = {
    0: "never classified", 1: "unclassified", 2: "ground", 3: "low vegetation", 4: "medium vegetation",
    5: "high vegetation", 6: "building", 7: "low noise", 8: "key points of the model", 9: "water",
}  # fmt: skip
"""ASPRS LAS 1.4, table 17."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LasPoints:
    """Points of a laser scan.

    Attributes
    ----------
    x, y, z
        (n,) in the units of the file's grid.
    crs
        The file's reference system, None where it states none.
    version
        ``1.4``.
    total
        How many points the file holds.
    """

    x: Floats
    y: Floats
    z: Floats
    crs: CRS | None
    version: str
    total: int


def read_las(file: Path, *, classes: Sequence[int], table: str = "ground") -> LasPoints:
    """The points of some classes; those that are marked as withheld are left out.

    Raises
    ------
    InputError
        It cannot be read, or the packages that read it are not installed.
    JobError
        It holds no point of the classes.
    """
    laspy = _laspy(file)
    kept: list[Floats] = []
    counts: Counter[int] = Counter()
    try:
        with laspy.open(file) as reader:
            header = reader.header
            for chunk in reader.chunk_iterator(CHUNK):
                kind = np.asarray(chunk.classification)
                numbers, found = np.unique(kind, return_counts=True)
                counts.update(dict(zip(numbers.tolist(), found.tolist(), strict=True)))
                wanted = np.isin(kind, list(classes)) & ~np.asarray(chunk.withheld, dtype=bool)
                kept.append(np.column_stack([np.asarray(axis)[wanted] for axis in (chunk.x, chunk.y, chunk.z)]))
    except Exception as error:  # laspy and its decoders raise whatever they meet
        raise _unreadable(file, error) from error
    places = np.concatenate(kept) if kept else np.empty((0, 3))
    if sum(counts.values()) != header.point_count:
        raise _unreadable(file, f"it holds {sum(counts.values())} of {header.point_count} points")
    if not len(places):
        raise _no_point(file, counts, classes, table)
    return LasPoints(
        x=places[:, 0],
        y=places[:, 1],
        z=places[:, 2],
        crs=_crs(header),
        version=str(header.version),
        total=int(header.point_count),
    )


def _laspy(file: Path) -> Any:
    try:
        import laspy
    except ImportError as error:
        raise InputError(
            "laser scans need the package laspy", file=file.name, remedy='Install it: pip install "geofence[las]".'
        ) from error
    if file.suffix.lower() == ".laz" and not laspy.LazBackend.detect_available():
        raise InputError(
            "compressed laser scans need the package lazrs",
            file=file.name,
            remedy='Install it: pip install "geofence[las]".',
        )
    return laspy


def _unreadable(file: Path, why: object) -> InputError:
    return InputError(
        f"is no laser scan that can be read, or is cut short: {why}",
        file=file.name,
        remedy="Copy the file again, or export it as LAS 1.2 to 1.4.",
    )


def _crs(header: Any) -> CRS | None:
    try:
        crs = header.parse_crs()
    except (CRSError, ValueError):
        return None
    return None if crs is None else CRS.from_user_input(crs)


def _no_point(file: Path, counts: Counter[int], classes: Sequence[int], table: str) -> JobError:
    held = ", ".join(f"{number} ({CLASSES.get(number, 'other')}): {counts[number]}" for number in sorted(counts))
    return JobError(
        f"{file.name} holds no point of class {', '.join(map(str, classes))}",
        place=f"{table}.classes",
        remedy=f"Its classes: {held or 'no point at all'}. Name those that are ground: classes = [...] in [{table}].",
    )
