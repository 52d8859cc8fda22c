"""Elevation raster files as ground: opens them with GDAL, and refuses what is no ground, or not known well enough.

GDAL's transform already accounts for cells that are points (``PixelIsPoint``): nothing is shifted here.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio import Affine
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from geofence.engine.records import Finding
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.file_grid import check_one_grid, grid_of_file
from geofence.inputs.level_units import (
    LevelUnit,
    level_unit,
    offset_findings,
    unit_findings,
    unit_named,
    vertical_unit_m,
)
from geofence.site.grids import check_places
from geofence.site.ground import GroundOptions
from geofence.site.raster import RasterGround, Tile
from geofence.units import UNITS_M

__all__ = ["READER", "RasterReader"]

SUFFIXES = tuple(
    f".{word}"
    for word in (
        *("adf", "bil", "bip", "bmp", "bsq", "bt", "byn", "dem", "dt0", "dt1", "dt2", "ers", "flt", "gif", "gtx"),
        *("hgt", "img", "j2k", "jp2", "jpeg", "jpg", "kea", "mrf", "nc", "ntf", "png", "rst", "sdat", "sigdem"),
        *("tif", "tiff", "vrt", "webp"),
    )
)
"""Of files that are rasters whatever is in them; pictures are among them so that they are refused as such."""

TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
TEXT_GRID_STARTS = (b"ncols", b"nrows", b"dsaa", b"dsbb", b"dsrb")
"""First bytes of TIFF and BigTIFF, and, in lower case, of text and binary grids, whose suffixes point files share."""

PICTURE_DRIVERS = frozenset({"BMP", "GIF", "JPEG", "WEBP"})
PICTURE_COLOURS = frozenset({ColorInterp.palette, ColorInterp.red, ColorInterp.green, ColorInterp.blue})

PASS_ELEVATION = "Pass the elevation raster (levels, not colours or shades)."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Opened:
    """A tile with what must agree between tiles, and what is to be told of it."""

    tile: Tile
    crs: CRS
    datum: str
    unit: LevelUnit
    files: tuple[Path, ...]


class RasterReader:
    """The plug-in that reads rasters, whatever format GDAL knows."""

    def reads(self, file: Path) -> bool:
        """Whether the file is a raster by its suffix or its first bytes."""
        if file.suffix.lower() in SUFFIXES:
            return True
        try:
            with file.open("rb") as stream:
                start = stream.read(64)
        except OSError:
            return False
        return start.startswith(TIFF_STARTS) or start.lstrip().lower().startswith(TEXT_GRID_STARTS)

    def open(self, files: Sequence[Path], options: GroundOptions) -> RasterGround:
        """Open raster files as one ground; where they overlap, the earlier counts.

        Raises
        ------
        InputError
            A file is missing, no raster, a picture, without position, or leaves open which of its bands holds levels,
            or their unit.
        GridError
            A file has no grid and none is given, or another than is given, or than the other files.
        JobError
            An option that cannot be: an unknown unit, a band that is not there.
        """
        if not files:
            raise JobError("no file is given", place="ground.files", remedy="Name the elevation raster.")
        if options.level_unit is not None and options.level_unit not in UNITS_M:
            raise JobError(
                f"{options.level_unit!r} is no unit of levels",
                place="ground.level_unit",
                remedy='Use "m", "ft" (0.3048 m) or "ftUS" (1200/3937 m).',
            )
        opened = [_open(Path(file), options) for file in files]
        _refuse_mixture(opened)
        return RasterGround(
            tiles=tuple(each.tile for each in opened),
            crs=opened[0].crs,
            files=tuple(dict.fromkeys(file for each in opened for file in each.files)),
            findings=tuple(_findings(opened, options)),
        )


def _open(file: Path, options: GroundOptions) -> _Opened:
    if not file.exists():
        raise InputError("there is no such file", file=file, remedy="Check files in [ground].")
    with warnings.catch_warnings(), rasterio.Env(GTIFF_REPORT_COMPD_CS=True):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            source = rasterio.open(file)
        except RasterioError as error:
            raise InputError(
                "this is no raster that can be read, or its beginning is damaged",
                file=file,
                remedy="Pass an elevation raster, such as a GeoTIFF; or copy the file again.",
            ) from error
        with source:
            return _described(file, source, options)


def _described(file: Path, source: Any, options: GroundOptions) -> _Opened:
    """What an open file says, checked."""
    band = _band(file, source, options.band)
    transform = _transform(file, source)
    mend = "mend it: rio edit-info --crs EPSG:... FILE"
    whole, crs = grid_of_file(str(file), _own_crs(source), options.grid, option="ground.grid", mend=mend)
    _check_extent(file, source, crs, transform)
    unit = level_unit(file.name, _own_unit(file, source.units[band - 1], whole, options.level_unit), whole, options)
    tile = Tile(
        file=file,
        band=band,
        width=source.width,
        height=source.height,
        transform=transform,
        block=source.block_shapes[band - 1],
        scale=float(source.scales[band - 1]),
        offset=float(source.offsets[band - 1]) + options.level_offset_m / unit.metres,
        unit_m=unit.metres,
        nodata=_nodata(source.nodatavals[band - 1], source.dtypes[band - 1]),
        mask=_mask(source, band),
        overviews=tuple(source.overviews(band)),
    )
    files = (file, *(path for path in map(Path, source.files) if path != file and path.is_file()))
    return _Opened(tile=tile, crs=crs, datum=_datum(whole), unit=unit, files=files)


def _band(file: Path, source: Any, chosen: int | None) -> int:
    """The band that holds the levels."""
    if source.count == 0:
        parts = ", ".join(name.rsplit(":", 1)[-1] for name in source.subdatasets) or "none"
        raise InputError(
            f"it holds several rasters ({parts})" if source.subdatasets else "it holds no raster",
            file=file,
            remedy="Write the one with the levels as a GeoTIFF, and pass that.",
        )
    if chosen is not None and not 1 <= chosen <= source.count:
        raise JobError(
            f"{file.name} has no such band",
            place="ground.band",
            value=chosen,
            limit=f"1 to {source.count}",
            remedy="Name a band that is there.",
        )
    candidates = [row for row, colour in enumerate(source.colorinterp) if colour != ColorInterp.alpha] or [0]
    rows = candidates if chosen is None else [chosen - 1]
    _refuse_picture(file, source, rows, chosen)
    if len(rows) > 1:
        listed = ", ".join(f"{row + 1}: {source.descriptions[row] or source.dtypes[row]}" for row in rows[:8])
        raise InputError(
            f"it has {len(rows)} bands ({listed}{', ...' if len(rows) > 8 else ''})",
            file=file,
            remedy="Name the one that holds the levels: band = N in [ground].",
        )
    if source.dtypes[rows[0]].startswith("complex"):
        raise InputError("its numbers are complex, which levels are not", file=file, remedy=PASS_ELEVATION)
    return rows[0] + 1


def _refuse_picture(file: Path, source: Any, rows: Sequence[int], chosen: int | None) -> None:
    if source.driver in PICTURE_DRIVERS or any(source.colorinterp[row] in PICTURE_COLOURS for row in rows):
        raise InputError("this is a picture, not levels", file=file, remedy=PASS_ELEVATION)
    shades = all(source.dtypes[row] == "uint8" and source.scales[row] == 1.0 for row in rows)
    if shades and chosen is None:
        raise InputError(
            "its numbers are 0 to 255 without a scale, as in a picture or a hillshade",
            file=file,
            remedy=f"{PASS_ELEVATION} If they are levels indeed, name the band: band = {rows[0] + 1} in [ground].",
        )


def _transform(file: Path, source: Any) -> Affine:
    """Where the cells lie."""
    transform: Affine = source.transform
    a, b, c, d, e, f = transform[:6]
    if source.gcps[0] and transform == Affine.identity():
        raise InputError(
            "it is tied to the grid by control points only",
            file=file,
            remedy="Warp it into a grid first: rio warp IN OUT --dst-crs EPSG:...",
        )
    if transform == Affine.identity():
        raise InputError(
            "it does not say where its cells lie",
            file=file,
            remedy="Pass a georeferenced raster, or put its world file (.tfw) beside it.",
        )
    if not np.all(np.isfinite([a, b, c, d, e, f])) or a * e == b * d:
        raise InputError("its cells have no size", file=file, value=f"{a:g} by {e:g}", remedy="Write the file anew.")
    return transform


def _own_crs(source: Any) -> CRS | None:
    if source.crs is None or not source.crs:
        return None
    try:
        return CRS.from_wkt(source.crs.to_wkt(version="WKT2_2019"))
    except CRSError:
        return None


def _check_extent(file: Path, source: Any, crs: CRS, transform: Affine) -> None:
    """Refuse a position that cannot be in the grid: degrees as metres, or metres as degrees."""
    a, b, x, d, e, y = transform[:6]
    column, row = np.array([0.25, 0.75]) * source.width, np.array([0.25, 0.75]) * source.height
    check_places(crs, x + a * column + b * row, y + d * column + e * row, place=str(file), option="ground.grid")


def _own_unit(file: Path, band_unit: str | None, crs: CRS, given: str | None) -> float | None:
    """What the file says of its levels' unit: by the band, or else by the vertical axis of its grid."""
    word = (band_unit or "").strip()
    named = unit_named(word)
    if named is not None:
        return UNITS_M[named]
    if word and given is None:
        raise InputError(
            f"the unit of its levels is {word!r}, which is not known here",
            file=file,
            remedy='Say which one it is: level_unit = "m", "ft" (0.3048 m) or "ftUS" (1200/3937 m) in [ground].',
        )
    return vertical_unit_m(crs)


def _mask(source: Any, band: int) -> int | None:
    """The alpha band, which GDAL itself heeds only if it holds whole numbers; or 0 for a mask; None without either."""
    alpha = [
        row + 1 for row, colour in enumerate(source.colorinterp) if colour == ColorInterp.alpha and row + 1 != band
    ]
    if alpha:
        return alpha[0]
    return 0 if MaskFlags.per_dataset in source.mask_flag_enums[band - 1] else None


def _nodata(value: float | None, dtype: str) -> float | None:
    """The no-data number as the band's type holds it: -3.4e38 in a header is not quite what float32 stores."""
    if value is None or not np.isfinite(value):
        return None
    if dtype != "float32":
        return float(value)
    with np.errstate(over="ignore"):
        return float(np.float32(value))


def _datum(crs: CRS) -> str:
    """The name of the vertical part of a reference system; empty without one."""
    return str(crs.sub_crs_list[1].name) if crs.is_compound else ""


def _refuse_mixture(opened: Sequence[_Opened]) -> None:
    first = opened[0]
    check_one_grid(
        [(each.tile.file.name, each.crs) for each in opened],
        remedy="Warp the ground files into one grid first: rio warp IN OUT --dst-crs EPSG:...",
    )
    for other in opened[1:]:
        if first.datum and other.datum and other.datum != first.datum:
            raise GridError(
                f"its levels are {other.datum!r}, those of {first.tile.file.name} are {first.datum!r}",
                place=str(other.tile.file),
                remedy="Pass ground files whose levels are on one datum.",
            )


def _findings(opened: Sequence[_Opened], options: GroundOptions) -> list[Finding]:
    """What the reader of the plan must know of these files."""
    found = unit_findings([each.unit for each in opened])
    datums = dict.fromkeys(each.datum for each in opened if each.datum)
    if datums:
        found.append(
            Finding(
                code="level-datum-stated",
                severity="note",
                message=f"By their files, levels are in {next(iter(datums))!r}",
                remedy="Check that job.level_datum says the same.",
            )
        )
    return [*found, *offset_findings(options)]


READER = RasterReader()
