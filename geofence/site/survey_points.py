"""What was shot in the field: points with levels, break lines through them, and the faces of a finished surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Floats, read_only
from geofence.errors import InputError
from geofence.site.reading import Reading

__all__ = ["SurveyPoints"]

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyPoints:
    """Surveyed points, and what the survey says of the surface between them.

    Attributes
    ----------
    x, y
        (n,) easting, northing (or longitude, latitude) in ``crs`` and its unit.
    level_m
        (n,) levels, metres, all finite: a point without a level is no point of the surface.
    crs
        Horizontal grid.
    files
        What they were read from, for provenance.
    source
        How messages call them; ``points.csv``.
    break_lines
        Lines that are edges of the surface: each (k, 2) x, y of vertices that lie on points, within a millimetre; or
        (k, 3) with a third column of levels, where a vertex with a level is a point of its own and one with NaN lies on
        a point.
    faces
        (m, 3) rows of the points that are the corners of each face of a finished surface, which is used as it stands;
        None where the surface is to be made from the points.
    extent
        Polygons (shapely) in ``crs``, beyond which there is no surface; None where its triangles alone bound it.
    readings
        How the files were read, one each.

    Raises
    ------
    InputError
        Columns of different lengths, coordinates or levels that are not finite, faces that name no point.
    """

    x: Floats
    y: Floats
    level_m: Floats
    crs: CRS
    files: tuple[Path, ...]
    source: str
    break_lines: tuple[Floats, ...] = ()
    faces: Ints | None = None
    extent: Any = None
    readings: tuple[Reading, ...] = ()

    def __post_init__(self) -> None:
        for name in ("x", "y", "level_m"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "break_lines", tuple(read_only(line) for line in self.break_lines))
        if not len(self.x) == len(self.y) == len(self.level_m):
            raise self._refusal(
                "columns of different lengths",
                f"{len(self.x)}, {len(self.y)} and {len(self.level_m)}",
                "Mend the file.",
            )
        for name, values in (("easting", self.x), ("northing", self.y), ("level", self.level_m)):
            if len(values) and not np.isfinite(values.min() + values.max()):
                row = int(np.argmin(np.isfinite(values)))
                raise self._refusal(
                    f"point {row + 1} has no {name}", values[row], "Leave out the points that are not complete."
                )
        self._check_lines(self.break_lines)
        if self.faces is not None:
            object.__setattr__(self, "faces", read_only(self.faces, np.int64))
            self._check_faces(self.faces)

    def __len__(self) -> int:
        return len(self.x)

    def _refusal(self, message: str, value: object, remedy: str) -> InputError:
        return InputError(message, file=self.source, value=value, remedy=remedy)

    def _check_lines(self, lines: Sequence[Floats]) -> None:
        for number, line in enumerate(lines, start=1):
            if line.ndim != 2 or line.shape[1] not in (2, 3) or not np.isfinite(line[:, :2]).all():
                raise self._refusal(
                    f"break line {number} has vertices without coordinates", line.shape, "Draw the line anew."
                )

    def _check_faces(self, faces: Ints) -> None:
        stray = (faces < 0) | (faces >= len(self)) if faces.ndim == 2 and faces.shape[1] == 3 else np.array([[True]])
        if stray.any():
            row = int(np.flatnonzero(stray.any(axis=1))[0])
            raise self._refusal(
                f"face {row + 1} has a corner that is no point", faces[row].tolist(), "Write the surface anew."
            )
