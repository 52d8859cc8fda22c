"""The terrain picture under the map: shaded relief with a light tint by level, as a PNG.

Slopes are Horn's (1981), the light comes from four sides at once as Mark (1992) weighs it, so that neither ridges
along the light nor slopes away from it are lost.

References
----------
Horn, B. K. P. (1981). Hill shading and the reflectance map. Proceedings of the IEEE 69(1), 14-47.
Mark, R. K. (1992). Multidirectional, oblique-weighted, shaded-relief image of the Island of Hawaii. U.S. Geological
Survey Open-File Report 92-422.
W3C (2003). Portable Network Graphics (PNG) Specification, second edition.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats
from geofence.site.ground import Relief

__all__ = ["TerrainPicture", "draw", "gradient", "illumination", "multidirectional", "png"]

ALTITUDE_DEG = 45.0
AZIMUTHS_DEG = (225.0, 270.0, 315.0, 360.0)
"""Where the light stands: Mark's four directions, all from the upper left half, as readers of maps expect it."""

LEGIBLE_SLOPE = 0.45
"""Terrain whose steep parts (the 95th percentile) are flatter than this is drawn with its heights exaggerated to it:
about 24 degrees, where shading shows form well."""
MOST_EXAGGERATION = 8.0

TINTS = ((214, 222, 203), (236, 230, 211), (250, 246, 237))
"""Low, middle and high ground: sage, sand, chalk; pale, so that what is drawn on top keeps its contrast."""
TINT_STEP = 2
"""Colours are rounded to this many of 255: not visible, and the picture is a fifth smaller."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainPicture:
    """A PNG of the terrain, how much its heights are exaggerated, and the levels at both ends of its tint."""

    png: bytes
    exaggeration: float
    lowest_m: float
    highest_m: float


def draw(relief: Relief) -> TerrainPicture | None:
    """The picture of a relief, cell for pixel, transparent where the level is unknown; None if it is everywhere."""
    level = np.asarray(relief.level_m, dtype=np.float64)
    known = np.isfinite(level)
    if not known.any():
        return None
    eastward, northward = gradient(level, relief.cell_m)
    steep = float(np.percentile(np.hypot(eastward, northward)[known], 95))
    exaggeration = float(np.clip(LEGIBLE_SLOPE / max(steep, 1e-9), 1.0, MOST_EXAGGERATION))
    exaggeration = round(exaggeration * 2) / 2
    light = multidirectional(eastward * exaggeration, northward * exaggeration)
    lowest, highest = float(level[known].min()), float(level[known].max())
    colour = _tinted((level - lowest) / max(highest - lowest, 1e-9), light)
    pixels = colour if known.all() else np.dstack([colour, np.where(known, 255, 0).astype(np.uint8)])
    return TerrainPicture(png=png(pixels), exaggeration=exaggeration, lowest_m=lowest, highest_m=highest)


def gradient(level_m: Floats, cell_m: float) -> tuple[Floats, Floats]:
    """Slopes towards east and towards north (rise per run) of levels whose first row is the north one.

    Horn's weighted differences over 3 x 3 cells. At an edge or beside an unknown level the cell itself stands in for
    the missing neighbour. NaN where the cell's own level is unknown.
    """
    padded = np.pad(level_m, 1, mode="edge")
    rows, columns = level_m.shape

    def neighbour(down: int, right: int) -> Floats:
        there = padded[1 + down : 1 + down + rows, 1 + right : 1 + right + columns]
        return np.where(np.isnan(there), level_m, there)

    west, east = ((neighbour(-1, x) + 2 * neighbour(0, x) + neighbour(1, x)) for x in (-1, 1))
    north, south = ((neighbour(y, -1) + 2 * neighbour(y, 0) + neighbour(y, 1)) for y in (-1, 1))
    return (east - west) / (8 * cell_m), (north - south) / (8 * cell_m)


def illumination(eastward: Floats, northward: Floats, azimuth_deg: float) -> Floats:
    """Cosine between the ground's normal and the light, 0 where it is turned away; level ground has sin(altitude)."""
    azimuth, altitude = np.radians([azimuth_deg, ALTITUDE_DEG])
    towards = np.sin(altitude) - np.cos(altitude) * (eastward * np.sin(azimuth) + northward * np.cos(azimuth))
    return np.asarray(np.maximum(towards / np.sqrt(1 + eastward**2 + northward**2), 0.0), dtype=np.float64)


def multidirectional(eastward: Floats, northward: Floats) -> Floats:
    """Light from four sides, each weighted by the squared sine of the angle between it and the downhill direction."""
    downhill = np.arctan2(-eastward, -northward)
    weights = [np.sin(downhill - np.radians(azimuth)) ** 2 for azimuth in AZIMUTHS_DEG]
    lights = [illumination(eastward, northward, azimuth) for azimuth in AZIMUTHS_DEG]
    # The four squared sines always sum to two: the directions are 45 degrees apart.
    return np.asarray(sum(w * light for w, light in zip(weights, lights, strict=True)) / 2, dtype=np.float64)


def _tinted(height: Floats, light: Floats) -> NDArray[np.uint8]:
    """(rows, columns, 3) of a height within 0..1 and its light; unknown cells come out as some colour."""
    height, light = np.nan_to_num(height), np.nan_to_num(light)
    stops = np.linspace(0, 1, len(TINTS))
    tint = np.stack([np.interp(height, stops, channel) for channel in np.transpose(TINTS)], axis=-1)
    shade = (light / np.sin(np.radians(ALTITUDE_DEG)))[..., None]
    dark = tint * (0.5 + 0.5 * np.minimum(shade, 1))
    lit = dark + (255 - dark) * np.clip(shade - 1, 0, 0.4)
    return np.asarray(np.rint(lit / TINT_STEP) * TINT_STEP, dtype=np.uint8)


def png(pixels: NDArray[np.uint8]) -> bytes:
    """An 8-bit PNG of (rows, columns, 3 or 4) pixels; the same pixels give the same bytes."""
    rows, columns, channels = pixels.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, {3: 2, 4: 6}[channels], 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(_filtered(pixels), 6)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )


def _filtered(pixels: NDArray[np.uint8]) -> bytes:
    """Scan lines, each as its difference to left, above or Paeth's guess: whichever leaves the smallest numbers."""
    here = pixels.astype(np.int16)
    left, above, corner = np.zeros_like(here), np.zeros_like(here), np.zeros_like(here)
    left[:, 1:], above[1:], corner[1:, 1:] = here[:, :-1], here[:-1], here[:-1, :-1]
    guess = left + above - corner
    to_left, to_above, to_corner = np.abs(guess - left), np.abs(guess - above), np.abs(guess - corner)
    nearest = np.where(to_above <= to_corner, above, corner)
    paeth = np.where((to_left <= to_above) & (to_left <= to_corner), left, nearest)
    candidates = np.stack([(here - base).astype(np.uint8) for base in (left, above, paeth)])
    size = np.abs(candidates.view(np.int8).astype(np.int16)).sum(axis=(2, 3), dtype=np.int64)
    best = size.argmin(axis=0)
    lines = candidates[best, np.arange(len(here))].reshape(len(here), -1)
    return np.column_stack([np.array([1, 2, 4], dtype=np.uint8)[best], lines]).tobytes()
