"""The swing of a gate's leaf, and the depth of the post that it hangs on, against independent programs and figures.

Sources
-------
geographiclib, C. F. F. Karney: geodesics by a program that shares no code with PROJ's binding.
PROJ's geocentric conversion (EPSG:4978): places in space, which know nothing of geodesics or radii of curvature.
The highest point of a sector of a tilted plane, and where a leaf first comes over ground of a level: closed forms.
International Building Code 2021, 1807.3.2.1: posts not constrained at the ground; worked example in Christy, C. T.
(2006), *Engineering with the Spreadsheet*, ASCE, chapter 16: 0.510 kip at 4.0 ft, 266 psf/ft, 1.00 ft: 5.02 ft.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Geod, Transformer
from scipy.optimize import brentq

from geofence.engine.gate_posts import DEPTH_STEP_M, depth_under_moment_m, leaf_moment_knm
from geofence.site import grids
from geofence.site.swing import Leaf, Motion, first_over, sweep
from tests.grounds import FunctionGround

GRS80 = Geod(ellps="GRS80")
PLACES = [(15.25, 46.5, 300.0), (-3.1, 56.4, 12.0), (147.3, -42.9, 1450.0), (25.7, 69.6, 0.0), (-78.5, -0.2, 2850.0)]


def leaf(
    place: tuple[float, float, float], azimuth_deg: float, length_m: float, motion: Motion, open_deg: float
) -> Leaf:
    lon, lat, height = place
    return Leaf(
        lon_deg=lon, lat_deg=lat, height_m=height, azimuth_deg=azimuth_deg, length_m=length_m, motion=motion,
        open_deg=open_deg,
    )  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(("motion", "sign"), [("clockwise", 1), ("anticlockwise", -1)])
class TestWay:
    AZIMUTH, LENGTH, OPEN = 37.0, 4.8, 118.0

    def test_against_geographiclib_at_sea_level(
        self, place: tuple[float, float, float], motion: Motion, sign: int
    ) -> None:
        """Two programs for one geodesic, to a nanometre; degrees to 1e-14."""
        lon, lat, _ = place
        at_sea = leaf((lon, lat, 0.0), self.AZIMUTH, self.LENGTH, motion, self.OPEN)
        found = np.column_stack(at_sea.way(GRS80))
        karney = Geodesic(GRS80.a, 1 / GRS80.f if GRS80.f > 1 else GRS80.f)
        for row, angle in enumerate(np.linspace(0, self.OPEN, len(found))):
            direct = karney.Direct(lat, lon, self.AZIMUTH + sign * angle, self.LENGTH)
            assert found[row] == pytest.approx((direct["lon2"], direct["lat2"]), abs=1e-13)

    def test_in_space_at_the_height_of_the_ground(
        self, place: tuple[float, float, float], motion: Motion, sign: int
    ) -> None:
        """Chords in space at one height, to a tenth of a micrometre; and the angles between them.

        Azimuths are those of the ellipsoid: at 2,850 m they turn by up to *h e2 / 2 a*, a ten-thousandth of a degree.
        """
        lon, lat, height = place
        hung = leaf(place, self.AZIMUTH, self.LENGTH, motion, self.OPEN)
        tip_lon, tip_lat = hung.way(GRS80)
        to_space = Transformer.from_crs(CRS(4979), CRS(4978), always_xy=True)
        post = np.array(to_space.transform(lon, lat, height))
        tips = np.column_stack(to_space.transform(tip_lon, tip_lat, np.full_like(tip_lon, height))) - post
        assert np.linalg.norm(tips, axis=1) == pytest.approx(np.full(len(tips), self.LENGTH), abs=1e-7)
        expected = np.linspace(0, self.OPEN, len(tips))
        turned = np.degrees(np.arccos(tips[1:] @ tips[0] / self.LENGTH**2))
        assert turned == pytest.approx(expected[1:], abs=1e-3)
        up = post / np.linalg.norm(post)
        assert sign * (np.cross(tips[0], tips[1]) @ up) < 0  # clockwise from above is against the thumb


class TestHighestOfAPlane:
    """(a) Over a plane that rises by *g* in the direction *phi* (from the closed leaf, toward the open one) a leaf of
    length *L* passes ground up to *L g cos(theta - phi)* above its post, theta from closed to open, or 0."""

    CRS = CRS.from_proj4("+proj=tmerc +lat_0=46.5 +lon_0=15.25 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")

    @pytest.mark.parametrize("phi_deg", [-170, -91, -30, -1, 0, 12, 45, 89, 90, 100, 135, 180])
    @pytest.mark.parametrize("open_deg", [60.0, 90.0, 180.0])
    def test_closed_form(self, phi_deg: float, open_deg: float) -> None:
        length, rise = 3.6, 0.15
        phi = math.radians(phi_deg)

        def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            return 200 + rise * (x * math.cos(phi) + y * math.sin(phi))

        hung = leaf((15.25, 46.5, 0.0), 90.0, length, "anticlockwise", open_deg)
        ground = FunctionGround(self.CRS, plane)
        swept = sweep(hung, ground, grids.cross(grids.geographic(self.CRS), self.CRS), GRS80)
        nearest = min(max(phi_deg, 0.0), open_deg)
        if phi_deg < 0 and 360 + phi_deg - open_deg < -phi_deg:
            nearest = open_deg
        exact = max(0.0, length * rise * math.cos(math.radians(phi_deg - nearest)))
        # Lines at most 0.25 m apart at the tip miss the steepest way by half of that at most.
        missed = length * rise * (1 - math.cos(0.125 / length))
        assert exact - missed - 1e-6 <= swept.highest_m - 200 <= exact + 1e-6


class TestFirstOver:
    """(a) On that plane the tip comes to a level *h* above the post where *L g cos(theta - phi)* = *h*:
    *theta* = *phi* - arccos(*h* / *L g*). Where *phi* is past 90 degrees ground over *h* is met at the tip first."""

    CRS = TestHighestOfAPlane.CRS
    TO_CRS = grids.cross(grids.geographic(CRS), CRS)

    def plane(self, rise: float, phi_deg: float) -> FunctionGround:
        phi = math.radians(phi_deg)
        return FunctionGround(self.CRS, lambda x, y: 200 + rise * (x * math.cos(phi) + y * math.sin(phi)))

    @pytest.mark.parametrize("phi_deg", [75.0, 90.0, 101.3, 135.0, 160.0])
    @pytest.mark.parametrize(("length", "rise", "over"), [(3.6, 0.1, 0.05), (2.4, 0.1, 0.09), (5.0, 0.3, 0.7)])
    def test_a_leaf_that_swings(self, phi_deg: float, length: float, rise: float, over: float) -> None:
        hung = leaf((15.25, 46.5, 0.0), 90.0, length, "anticlockwise", 170.0)
        exact = phi_deg - math.degrees(math.acos(over / (length * rise)))
        found = first_over(hung, 200 + over, self.plane(rise, phi_deg), self.TO_CRS, GRS80)
        assert found == pytest.approx(max(exact, 0.0), abs=1.1e-3)

    def test_a_leaf_that_slides(self) -> None:
        """It slides west over ground that rises 0.1 in 1 that way: 0.1234 m over the post after 1.234 m."""
        hung = leaf((15.25, 46.5, 0.0), 90.0, 3.6, "slides", 0.0)
        assert first_over(hung, 200.1234, self.plane(0.1, 180.0), self.TO_CRS, GRS80) == pytest.approx(1.234, abs=1e-3)

    def test_ground_that_it_never_is_over(self) -> None:
        hung = leaf((15.25, 46.5, 0.0), 90.0, 3.6, "anticlockwise", 90.0)
        assert first_over(hung, 200.37, self.plane(0.1, 90.0), self.TO_CRS, GRS80) == math.inf

    def test_ground_that_it_is_over_while_closed(self) -> None:
        hung = leaf((15.25, 46.5, 0.0), 90.0, 3.6, "anticlockwise", 90.0)
        assert first_over(hung, 200.05, self.plane(0.1, 0.0), self.TO_CRS, GRS80) == 0.0


def pole_depth(p: float, h: float, s: float, b: float) -> float:
    """IBC 1807.3.2.1 solved for the depth; any units that go together."""

    def short(d: float) -> float:
        a = 2.34 * p / (s * d / 3 * b)
        return d - a / 2 * (1 + math.sqrt(1 + 4.36 * h / a))

    return float(brentq(short, 1e-6, 1e3))


class TestDepthUnderALeaf:
    def test_the_code_as_written_here_gives_the_published_depth(self) -> None:
        """0.510 kip, 4.0 ft, 266 psf/ft, 1.00 ft: 5.02 ft, printed to a hundredth."""
        assert pole_depth(510, 4.0, 266, 1.0) == pytest.approx(5.02, abs=0.005)

    @pytest.mark.parametrize("kg", [20.0, 60.0, 130.0, 400.0])
    @pytest.mark.parametrize("bearing", [15.7, 31.4])
    def test_is_the_codes_with_a_force_that_goes_to_nothing_high_up(self, kg: float, bearing: float) -> None:
        moment = leaf_moment_knm(kg, 3.6)
        limit = pole_depth(moment / 1e6, 1e6, bearing, 0.4)
        depth = depth_under_moment_m(moment, bearing_kpa_per_m=bearing, hole_diameter_m=0.4)
        assert limit - 1e-4 <= depth <= limit + DEPTH_STEP_M

    def test_a_force_at_the_height_of_a_hinge_would_ask_for_more(self) -> None:
        """The moment alone is less than the same moment with its force: this aid says nothing of wind."""
        moment = leaf_moment_knm(130.0, 3.6)
        depth = depth_under_moment_m(moment, bearing_kpa_per_m=15.7, hole_diameter_m=0.4)
        assert depth < pole_depth(moment / 1.5, 1.5, 15.7, 0.4)

    def test_moment_of_a_leaf(self) -> None:
        """(a) 100 kg weigh 0.980665 kN, and stand 1.8 m from the hinges of a leaf of 3.6 m."""
        assert leaf_moment_knm(100.0, 3.6) == pytest.approx(1.765197)

    def test_grows_with_mass_and_length_and_shrinks_with_soil_and_hole(self) -> None:
        def depth(kg: float = 200, leaf_m: float = 3, soil: float = 15.7, hole: float = 0.3) -> float:
            return depth_under_moment_m(leaf_moment_knm(kg, leaf_m), bearing_kpa_per_m=soil, hole_diameter_m=hole)

        assert depth(kg=300) > depth() > depth(kg=100)
        assert depth(leaf_m=4) > depth()
        assert depth(soil=31.4) < depth() > depth(hole=0.45)
