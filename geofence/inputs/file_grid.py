"""The grid that a file is in: the one that it states, held against the one that the job gives."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pyproj import CRS

from geofence.engine.records import Floats
from geofence.errors import GridError
from geofence.site.grids import check_places, horizontal, read_grid, same

__all__ = ["check_most", "check_one_grid", "grid_of_file"]


def grid_of_file(
    file: str, own: CRS | None, given: str | None, *, option: str, hint: str = "", mend: str = "mend the file"
) -> tuple[CRS, CRS]:
    """A file's reference system: its own, or else the one that the job gives; whole, and its horizontal part.

    Parameters
    ----------
    file
        What errors call the file.
    own
        What the file states; None where it states none. A site's own grid, tied to nothing, counts for none: so a
        GeoPackage says that its grid is not known.
    given
        What the job gives: a code, WKT or a PROJ string.
    option
        The key of the job that gives it: ``ground.grid``.
    hint
        What the file says of its grid in words of its own, as the end of a sentence.
    mend
        How to mend a file that states a wrong one, as the end of a sentence.

    Raises
    ------
    GridError
        Nobody states one that is known, two different ones are stated, or it is no grid for places on the Earth.
    """
    asked = None if given is None else read_grid(given, address=option)
    if own is None or own.is_engineering:
        if given is None or asked is None:
            told = hint if own is None else f": its {own.name!r} is tied to no place on the Earth"
            raise GridError(
                f"the file does not say which grid it is in{told}",
                place=file,
                remedy=f'Set {option}, for instance grid = "EPSG:27700", also where that is the working grid.',
            )
        return CRS.from_user_input(given), asked
    crs = horizontal(own, place=file)
    if asked is not None and not same(crs, asked):
        raise GridError(
            f"the file says its grid is {crs.name}, the job says {asked.name}",
            place=file,
            remedy=f"Leave {option} out; or, if the file is wrong, {mend}.",
        )
    return own, crs


def check_one_grid(files: Sequence[tuple[str, CRS]], *, remedy: str) -> None:
    """Refuse files, by name, that are not all in one grid; ``remedy`` is what to do about it.

    Raises
    ------
    GridError
        At the first that is not in the grid of the first file.
    """
    first, crs = files[0]
    for name, other in files[1:]:
        if not same(other, crs):
            raise GridError(f"its grid is {other.name}, that of {first} is {crs.name}", place=name, remedy=remedy)


def check_most(crs: CRS, x: Floats, y: Floats, *, file: str, option: str) -> None:
    """Refuse points most of which cannot be in the grid that they are said to be in; three of them tell.

    ``option`` is what a user sets to say otherwise.

    Raises
    ------
    GridError
        They lie far outside the grid's area of use.
    """
    some = slice(None, None, max(len(x) // 1000, 1))
    rows = np.argsort(x[some], kind="stable")
    few = rows[[len(rows) // 4, len(rows) // 2, 3 * len(rows) // 4]]
    check_places(crs, x[some][few], y[some][few], place=file, option=option)
