"""Grids: reading them, choosing the working one, and crossing from one to another.

A grid here is a horizontal coordinate reference system. Coordinates go in and out in the order easting, northing
(longitude, latitude), whatever order the authority lists the axes in.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.crs import BoundCRS, ProjectedCRS
from pyproj.crs.coordinate_operation import UTMConversion
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from geofence.engine.records import Finding, Floats, Severity
from geofence.errors import GridError
from geofence.units import UNITS_M
from geofence.words import some_of

__all__ = [
    "Crossing",
    "Pole",
    "check_places",
    "cross",
    "ellipsoid",
    "geographic",
    "horizontal",
    "is_web_scaled",
    "local_grid",
    "read_grid",
    "runs_east_north",
    "same",
    "unfit_for_setting_out",
    "unit_m",
    "zones_beside",
]

WGS84 = CRS("OGC:CRS84")

AREA_MARGIN_DEG = 6.0
"""Coordinates may lie this far outside a grid's area of use: zones are commonly carried on into the next one (6 degrees
is a whole UTM zone); further out, a mistaken grid is more likely than a bold surveyor."""

SCALE_ERROR_MAX = 0.01
SHEAR_MAX_DEG = 0.1
"""Survey grids are true to scale within some parts in a thousand, and conformal: beyond these a grid is made for
statistics or atlases."""

ACCURACY_WARN_M = 0.1
"""A datum shift that PROJ states to be worse than this moves a boundary by more than a post is wide."""

DEGREES_SPAN = 5.0
"""Numbers within +-360 and +-90 that span less than this are taken for degrees: 5 degrees are 500 km, 5 m no fence."""

SAME_PLACE = 1e-3
"""Grids that put places in their area of use this close, in their unit, are one grid under two names."""

NAMED = 8
"""Most things that a finding names."""

Pole = Literal["line", "ground", "map", "zone", "control", "file of existing posts"]


def read_grid(text: str, *, address: str) -> CRS:
    """The grid that a text names: ``EPSG:27700``, WKT or a PROJ string.

    Raises
    ------
    GridError
        PROJ does not know it, or it is no grid for places on the Earth.
    """
    try:
        return horizontal(CRS.from_user_input(text), place=address)
    except CRSError as error:
        raise GridError(
            f"{text!r} names no grid that PROJ knows",
            place=address,
            remedy='Give an EPSG code such as "EPSG:27700", or WKT.',
        ) from error


def horizontal(crs: CRS, *, place: str) -> CRS:
    """The horizontal part of a reference system, two-dimensional.

    Raises
    ------
    GridError
        It has no horizontal part that is tied to the Earth (a local engineering grid, a vertical datum).
    """
    whole = crs.sub_crs_list[0] if crs.is_compound else crs
    part = _unbound(whole)
    rotated = part.is_geographic and part.is_derived
    if part.is_geocentric or rotated or not (part.is_projected or part.is_geographic):
        raise GridError(
            f"{crs.name!r} is no grid for places on the Earth's surface",
            place=place,
            remedy="Give a projected or geographic reference system.",
        )
    return _bound_like(whole, part.to_2d())


def _unbound(crs: CRS) -> CRS:
    """The grid itself, where it comes with a datum shift of its own (``+towgs84``)."""
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


def _bound_like(whole: CRS, part: CRS) -> CRS:
    """A part of a grid, with the datum shift that the whole carries."""
    return BoundCRS(part, whole.target_crs, whole.coordinate_operation) if whole.is_bound else part


def geographic(crs: CRS) -> CRS:
    """Longitude and latitude, in degrees, on the datum of a grid.

    Raises
    ------
    GridError
        It has no datum, as an engineering grid has none.
    """
    base = _unbound(crs).geodetic_crs
    if base is None:
        raise GridError(f"{crs.name!r} has no datum", remedy="Give a projected or geographic reference system.")
    return _bound_like(crs, _in_degrees(base.to_2d()))


def _in_degrees(crs: CRS) -> CRS:
    """A geographic grid in degrees where it is in grads, as the old French ones are."""
    if all(math.isclose(axis.unit_conversion_factor, math.radians(1), rel_tol=1e-9) for axis in crs.axis_info):
        return crs
    values = crs.to_json_dict()
    axes = [{**axis, "unit": "degree"} for axis in values["coordinate_system"]["axis"]]
    kept = {key: value for key, value in values.items() if key != "id"}
    return CRS.from_json_dict(
        {**kept, "name": f"{crs.name}, in degrees", "coordinate_system": {"subtype": "ellipsoidal", "axis": axes}}
    )


def unit_m(crs: CRS) -> float:
    """One unit of a projected grid in metres; NaN for degrees. From the grid's axis, never from a word."""
    return float(crs.axis_info[0].unit_conversion_factor) if crs.is_projected else math.nan


def is_web_scaled(crs: CRS) -> bool:
    """Whether a grid is a world Mercator, as of web maps, whose metre is no metre: 56 % too long at 50 degrees."""
    operation = _unbound(crs).coordinate_operation
    if operation is None:
        return False
    method = operation.method_name.lower()
    values = {parameter.name.lower(): float(parameter.value) for parameter in operation.params}
    true_at_equator = all(
        value == (1.0 if "scale factor" in name else 0.0)
        for name, value in values.items()
        if "scale factor" in name or "standard parallel" in name
    )
    return "pseudo mercator" in method or (method.startswith("mercator") and true_at_equator)


def zones_beside(crs: CRS) -> tuple[CRS, ...]:
    """The UTM zones to the west and the east of one, on its datum; none of a grid that is no such zone."""
    zone = _unbound(crs).utm_zone
    if zone is None:
        return ()
    number, south = int(zone[:-1]), zone[-1] == "S"
    datum = geographic(crs)
    found = []
    for beside in ((number - 2) % 60 + 1, number % 60 + 1):
        conversion = UTMConversion(str(beside), hemisphere="S" if south else "N")
        name = f"{datum.name} / UTM zone {beside}{zone[-1]}"
        found.append(ProjectedCRS(conversion, name=name, geodetic_crs=datum))
    return tuple(found)


def runs_east_north(crs: CRS) -> bool:
    """Whether a grid's axes run east and north: to the west or south, bearings would turn round."""
    return {axis.direction for axis in crs.axis_info} == {"east", "north"}


def unfit_for_setting_out(crs: CRS, lon_deg: float, lat_deg: float) -> str:
    """Why a projected grid cannot serve as working grid at a place (on its datum); empty where it can."""
    if not runs_east_north(crs):
        return "its axes do not run east and north"
    if is_web_scaled(crs):
        return "it is a grid for web maps, whose metre is not a metre"
    factors = Proj(crs).get_factors(lon_deg, lat_deg)
    scale = math.sqrt(max(factors.areal_scale, 0.0))
    if not abs(scale - 1) <= SCALE_ERROR_MAX or not factors.angular_distortion <= SHEAR_MAX_DEG:
        return f"its scale there is {scale:.4f}"
    return ""


def same(one: CRS, other: CRS) -> bool:
    """Whether two grids are one and the same under whatever name, and in whatever order they list their axes."""
    if one.equals(other, ignore_axis_order=True):
        return True
    alike = one.is_projected == other.is_projected
    if not alike or not geographic(one).equals(geographic(other), ignore_axis_order=True):
        return False
    box = _box(one) or _box(other)
    if box is None:
        return False
    west, south, east, north = box
    across = west - _meridian_deg(one) + np.array([0.25, 0.75, 0.5]) * ((east - west) % 360 or 360.0)
    up = south + np.array([0.25, 0.5, 0.75]) * (north - south)
    first, second = (
        np.array(Transformer.from_crs(geographic(crs), crs, always_xy=True).transform(across, up))
        for crs in (one, other)
    )
    return bool(np.allclose(first, second, rtol=0, atol=SAME_PLACE))


def local_grid(lon_deg: Floats, lat_deg: Floats, datum: CRS) -> CRS:
    """A transverse Mercator through the middle of some places, true to scale there; on the given datum."""
    from_first = np.mod(lon_deg - lon_deg[0] + 180, 360) - 180  # places either side of 180 degrees are neighbours
    lon = float(lon_deg[0] + (np.min(from_first) + np.max(from_first)) / 2)
    lon = round((lon + 180) % 360 - 180, 2)
    lat = round(float(np.min(lat_deg) + np.max(lat_deg)) / 2, 2)
    with warnings.catch_warnings():  # to_json_dict is exact; pyproj warns of PROJ strings only
        warnings.simplefilter("ignore", UserWarning)
        base = geographic(_unbound(datum)).to_json_dict()
    name = f"local transverse Mercator at {abs(lat):.2f} {'N' if lat >= 0 else 'S'}, "
    name += f"{abs(lon):.2f} {'E' if lon >= 0 else 'W'}"
    conversion = CRS(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=10000 +y_0=10000 +type=crs").to_json_dict()
    return _bound_like(datum, CRS.from_json_dict({**conversion, "name": name, "base_crs": base}))


def _box(crs: CRS) -> tuple[float, float, float, float] | None:
    area = crs.area_of_use
    return None if area is None else (area.west, area.south, area.east, area.north)


def _meridian_deg(crs: CRS) -> float:
    """The prime meridian of a grid, degrees east of Greenwich."""
    meridian = crs.prime_meridian
    return 0.0 if meridian is None else meridian.longitude * math.degrees(float(meridian.unit_conversion_factor))


def _fits(crs: CRS, x: Floats, y: Floats) -> bool:
    """Whether places can be in a grid: they have a longitude and latitude inside its area of use, with a margin."""
    if crs.is_geographic:
        lon, lat = x, y
        if np.abs(x).max() > 360 or np.abs(y).max() > 90:
            return False
    else:
        to_degrees = Transformer.from_crs(crs, geographic(crs), always_xy=True)
        lon, lat = (np.asarray(part) for part in to_degrees.transform(x, y))
        if not (np.all(np.isfinite(lon)) and np.all(np.isfinite(lat))):
            return False
        back = np.asarray(to_degrees.transform(lon, lat, direction="INVERSE"))
        if not np.allclose(back, [x, y], rtol=0, atol=0.01 / unit_m(crs)):
            return False
    box = _box(crs)
    if box is None:
        return True
    west, south, east, north = box
    width = (east - west) % 360 or 360.0
    ahead = (lon + _meridian_deg(crs) - west + AREA_MARGIN_DEG) % 360
    inside = (ahead <= width + 2 * AREA_MARGIN_DEG) | (width + 2 * AREA_MARGIN_DEG >= 360)
    inside &= (lat >= south - AREA_MARGIN_DEG) & (lat <= north + AREA_MARGIN_DEG)
    return bool(np.all(inside))


def _in_feet(crs: CRS, x: Floats, y: Floats) -> bool:
    """Whether places can be in a grid of metres if their numbers are feet."""
    metres = crs.is_projected and math.isclose(unit_m(crs), 1.0) and not is_web_scaled(crs)
    return metres and _fits(crs, x * UNITS_M["ft"], y * UNITS_M["ft"])


def check_places(crs: CRS, x: Floats, y: Floats, *, place: str, option: str) -> None:
    """Refuse coordinates that cannot be in the grid they are said to be in.

    ``place`` says whose coordinates they are, ``option`` what the user sets to say otherwise.

    Raises
    ------
    GridError
        They lie far outside the grid's area of use; the remedy says if they look swapped, or like degrees or metres.
    """
    small = bool(np.abs(x).max() <= 360 and np.abs(y).max() <= 90)
    like_degrees = crs.is_projected and small and max(np.ptp(x), np.ptp(y)) < DEGREES_SPAN
    if _fits(crs, x, y) and not like_degrees:
        return
    if not like_degrees and _fits(crs, y, x):
        hint = f"{'Easting and northing' if crs.is_projected else 'Longitude and latitude'} look swapped."
    elif like_degrees or (crs.is_projected and small):
        hint = f"They look like degrees: set {option} to a geographic grid such as EPSG:4326."
    elif crs.is_geographic and not small:
        hint = f"They look like metres or feet: set {option} to the projected grid they are in."
    elif _in_feet(crs, x, y):
        hint = f"Times 0.3048 they would be in it: if they are feet, convert them, or set {option} to a grid in feet."
    else:
        hint = f"Set {option} to the grid they are in."
    raise GridError(
        f"coordinates cannot be in {crs.name}: the first is ({x[0]:.10g}, {y[0]:.10g})", place=place, remedy=hint
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossing:
    """The way from one grid to another.

    Attributes
    ----------
    transformer
        Takes and gives (easting, northing) or (longitude, latitude).
    accuracy_m
        What PROJ states for the datum shift; 0 without one, NaN where PROJ states none.
    operation
        PROJ's name of the operation.
    missing
        A better operation that needs a grid file which is not installed; empty where there is none.
    """

    transformer: Transformer
    accuracy_m: float
    operation: str
    missing: str = ""

    def carry(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Places (n,) in the grid that this leads to."""
        there_x, there_y = self.transformer.transform(x, y)
        return np.asarray(there_x), np.asarray(there_y)

    def back(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Places (n,) of the grid that this leads to, in the one that it comes from."""
        here_x, here_y = self.transformer.transform(x, y, direction="INVERSE")
        return np.asarray(here_x), np.asarray(here_y)

    @property
    def shifted(self) -> bool:
        """Whether the datums' offset is taken into account; PROJ calls it ballpark where it is not."""
        return "ballpark" not in self.operation.lower()

    def findings(self, what: Pole, source: str, target: str, *, named: Sequence[str] = ()) -> tuple[Finding, ...]:
        """What the reader must know of this crossing of one thing or of several that have names; nothing where no datum
        changes.
        """
        if self.accuracy_m == 0 and not self.missing:
            return ()
        if not self.shifted:
            stated = "which leaves the datums' offset out: it may be wrong by a hundred metres"
        elif math.isnan(self.accuracy_m):
            stated = "with no stated accuracy"
        else:
            stated = f"with a stated accuracy of {self.accuracy_m:g} m"
        remedy = "Give line, ground and job in one grid."
        if what == "map":
            remedy = "Set out from easting and northing, not from longitude and latitude."
        if self.missing:
            remedy += f" Or install the grid file for {self.missing!r}."
        found = Finding(
            code="map-shift" if what == "map" else "datum-shift",
            severity=self._severity(what),
            message=f"The {_subject(what, named)} carried from {source} to {target} by {self.operation!r}, {stated}",
            remedy=remedy,
            value=None if math.isnan(self.accuracy_m) else self.accuracy_m,
            limit=ACCURACY_WARN_M,
            unit="m",
        )
        return (found,)

    def _severity(self, what: Pole) -> Severity:
        """A map that is off misleads the eye, a line or ground that is off puts the fence elsewhere."""
        if not self.shifted:
            return "warn" if what == "map" else "stop"
        poor = not self.accuracy_m <= ACCURACY_WARN_M or bool(self.missing)
        return "warn" if poor and what != "map" else "note"


def _subject(what: Pole, named: Sequence[str]) -> str:
    if not named:
        return f"{what} is"
    return f"{what} {named[0]} is" if len(named) == 1 else f"{what}s {some_of(named, NAMED)} are"


def cross(source: CRS, target: CRS, lon_lat_box: tuple[float, float, float, float] | None = None) -> Crossing:
    """The best way that PROJ has here between two grids, for places in a box (west, south, east, north).

    The box is in degrees from the source's own prime meridian. One wider than half the Earth is one that passes 180
    degrees: its west is then its larger longitude.

    Raises
    ------
    GridError
        PROJ knows no way.
    """
    if geographic(source).equals(geographic(target), ignore_axis_order=True):
        return Crossing(
            transformer=Transformer.from_crs(source, target, always_xy=True), accuracy_m=0.0, operation="none"
        )
    aoi = None if lon_lat_box is None else _area(lon_lat_box, _meridian_deg(source))
    try:
        with warnings.catch_warnings():  # the missing grid file becomes a finding
            warnings.simplefilter("ignore", UserWarning)
            group = TransformerGroup(source, target, always_xy=True, area_of_interest=aoi)  # type: ignore[arg-type]
    except ProjError as error:
        raise GridError(f"there is no way from {source.name} to {target.name}", remedy="Use one datum.") from error
    if not group.transformers:
        raise GridError(f"there is no way from {source.name} to {target.name}", remedy="Use one datum.")
    best = group.transformers[0]
    accuracy = float(best.accuracy) if best.accuracy is not None and best.accuracy >= 0 else math.nan
    missing = "" if group.best_available or not group.unavailable_operations else group.unavailable_operations[0].name
    return Crossing(
        transformer=best, accuracy_m=accuracy, operation=_shift_named(best.description), missing=_shift_named(missing)
    )


def _shift_named(operation: str) -> str:
    """PROJ's name of an operation without the steps that only swap axes."""
    return " + ".join(step for step in operation.split(" + ") if not step.startswith("axis order change"))


def _area(lon_lat_box: tuple[float, float, float, float], meridian_deg: float) -> AreaOfInterest:
    west, south, east, north = lon_lat_box
    if east - west > 180:
        west, east = east, west
    west, east = ((lon + meridian_deg + 180) % 360 - 180 for lon in (west, east))
    return AreaOfInterest(west, south, east, north)


def ellipsoid(crs: CRS) -> Geod:
    """The ellipsoid of a grid's datum, for geodesics on it.

    Raises
    ------
    GridError
        It has none.
    """
    geod = crs.get_geod()
    if geod is None:
        raise GridError(f"{crs.name!r} has no ellipsoid", remedy="Give a projected or geographic reference system.")
    return geod
