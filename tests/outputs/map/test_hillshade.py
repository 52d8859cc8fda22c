from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from matplotlib import image
from matplotlib.colors import LightSource

from geofence.outputs.map import hillshade
from geofence.site.ground import Relief

CELL_M = 2.5
ROWS, COLUMNS = 40, 50
NORTHING = CELL_M * np.arange(ROWS)[::-1, None] + np.zeros((1, COLUMNS))
EASTING = CELL_M * np.arange(COLUMNS)[None, :] + np.zeros((ROWS, 1))


def plane(eastward: float, northward: float) -> np.ndarray:
    return 100 + eastward * EASTING + northward * NORTHING


def relief(level_m: np.ndarray) -> Relief:
    return Relief(level_m=level_m.astype(np.float32), west_deg=0, south_deg=0, east_deg=1, north_deg=1, cell_m=CELL_M)


@pytest.mark.parametrize(("eastward", "northward"), [(0.3, 0.0), (0.0, -0.2), (-0.15, 0.4)])
def test_gradient_of_a_plane_is_its_slopes(eastward: float, northward: float) -> None:
    """(a) closed form: differences of a plane are its slopes, whatever the weights."""
    east, north = hillshade.gradient(plane(eastward, northward), CELL_M)
    inside = np.s_[1:-1, 1:-1]
    assert east[inside] == pytest.approx(eastward)
    assert north[inside] == pytest.approx(northward)


def test_gradient_weighs_the_rows_as_horn_does() -> None:
    """(b) Horn 1981: (1, 2, 1) / 8 of the differences; a lone cell raised by 8 beside the middle row weighs 2."""
    level = np.zeros((3, 3))
    level[1, 2] = 8.0
    east, _ = hillshade.gradient(level, 1.0)
    assert east[1, 1] == 2.0
    level[1, 2], level[0, 2] = 0.0, 8.0
    east, north = hillshade.gradient(level, 1.0)
    assert (east[1, 1], north[1, 1]) == (1.0, 1.0)


@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 225.0, 315.0])
@pytest.mark.parametrize("slopes", [(0.3, 0.1), (-0.2, 0.5), (0.0, 0.0)])
def test_illumination_agrees_with_matplotlib(azimuth_deg: float, slopes: tuple[float, float]) -> None:
    """(c) matplotlib's LightSource, which leaves the light of a plane as it is."""
    light = LightSource(azdeg=azimuth_deg, altdeg=hillshade.ALTITUDE_DEG)
    theirs = light.hillshade(plane(*slopes), dx=CELL_M, dy=CELL_M)
    ours = hillshade.illumination(*(np.array(slope) for slope in slopes), azimuth_deg=azimuth_deg)
    assert float(ours) == pytest.approx(float(theirs[20, 20]), abs=1e-6)


def test_multidirectional_light_is_the_weighted_sum_of_the_four() -> None:
    """(a) a slope that falls due west (270): sin2 weights 1/2, 0, 1/2, 1 for light from 225, 270, 315, 360."""
    east, north = np.array(0.5), np.array(0.0)
    lights = [float(hillshade.illumination(east, north, azimuth)) for azimuth in (225, 315, 360)]
    expected = (0.5 * lights[0] + 0.5 * lights[1] + lights[2]) / 2
    assert float(hillshade.multidirectional(east, north)) == pytest.approx(expected)


def test_level_ground_is_evenly_lit() -> None:
    """(a) the light stands 45 degrees high: sin(45)."""
    flat = np.zeros((3, 3))
    assert hillshade.multidirectional(flat, flat) == pytest.approx(np.sqrt(0.5))


def test_png_is_read_back_pixel_for_pixel_by_another_reader() -> None:
    """(c) matplotlib's reader (libpng by way of Pillow)."""
    pixels = np.random.default_rng(7).integers(0, 256, (31, 17, 4), dtype=np.uint8)
    pixels[:10] = np.arange(17, dtype=np.uint8)[None, :, None]
    for channels in (3, 4):
        wanted = pixels[..., :channels]
        seen = image.imread(io.BytesIO(hillshade.png(wanted)), format="png")
        assert np.array_equal(np.rint(seen * 255).astype(np.uint8), wanted)


def test_unknown_ground_is_transparent_and_does_not_darken_its_neighbours() -> None:
    level = plane(0.2, 0.1)
    whole = hillshade.draw(relief(level))
    level[10:15, 20:30] = np.nan
    torn = hillshade.draw(relief(level))
    assert whole is not None
    assert torn is not None
    seen = image.imread(io.BytesIO(torn.png), format="png")
    assert np.array_equal(seen[..., 3] == 0, np.isnan(level))
    before = image.imread(io.BytesIO(whole.png), format="png")
    far = np.ones(level.shape, dtype=bool)
    far[9:16, 19:31] = False
    assert np.abs(seen[far][:, :3] - before[far]).max() < 0.02


def test_gentle_ground_is_exaggerated_and_steep_ground_is_not() -> None:
    """(a) the factor that brings the slope to the legible one, to a half, at most eight."""
    factors = [hillshade.draw(relief(plane(slope, 0.0))) for slope in (0.9, 0.15, 0.001)]
    assert [picture.exaggeration for picture in factors if picture] == [1.0, 3.0, hillshade.MOST_EXAGGERATION]


def test_flat_ground_makes_a_picture_and_unknown_ground_none() -> None:
    flat = hillshade.draw(relief(np.full((5, 5), 12.0)))
    assert flat is not None
    assert (flat.lowest_m, flat.highest_m) == (12.0, 12.0)
    unknown = replace(relief(np.zeros((5, 5))), level_m=np.full((5, 5), np.nan, dtype=np.float32))
    assert hillshade.draw(unknown) is None
