"""The unit of a LandXML file: that of the grid where the standard has a word for it, else the metre."""

from __future__ import annotations

from dataclasses import dataclass

from geofence.plan import Grid
from geofence.units import FOOT_M, US_SURVEY_FOOT_M, same_unit

__all__ = ["LandXmlUnit", "unit_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LandXmlUnit:
    """A unit of lengths.

    Attributes
    ----------
    plural, symbol
        What a reader calls several of it, in full and in short.
    element
        The element that states it, with the other units that the standard wants beside it.
    metres
        One of it in metres.
    per_grid
        How many of it one unit of the grid is: 1 but for grids whose unit the standard has no word for.
    """

    plural: str
    symbol: str
    element: str
    metres: float
    per_grid: float = 1.0


_METRIC = (
    '<Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" temperatureUnit="celsius" '
    'pressureUnit="HPA" angularUnit="decimal degrees" directionUnit="decimal degrees" elevationUnit="meter"/>'
)
_IMPERIAL = (
    '<Imperial areaUnit="squareFoot" linearUnit="%s" volumeUnit="cubicFeet" temperatureUnit="fahrenheit" '
    'pressureUnit="inHG" angularUnit="decimal degrees" directionUnit="decimal degrees" elevationUnit="feet"/>'
)
_UNITS = (
    LandXmlUnit(plural="metres", symbol="m", element=_METRIC, metres=1.0),
    LandXmlUnit(plural="feet", symbol="ft", element=_IMPERIAL % "foot", metres=FOOT_M),
    LandXmlUnit(plural="US survey feet", symbol="ftUS", element=_IMPERIAL % "USSurveyFoot", metres=US_SURVEY_FOOT_M),
)


def unit_of(grid: Grid) -> LandXmlUnit:
    """The unit of a file with coordinates on a grid."""
    for unit in _UNITS:
        if same_unit(grid.unit_m, unit.metres):
            return unit
    return LandXmlUnit(plural="metres", symbol="m", element=_METRIC, metres=1.0, per_grid=grid.unit_m)
