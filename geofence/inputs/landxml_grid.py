"""In which grid, units and level datum a LandXML file is: what it says, held against what the job says."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pyproj import CRS
from pyproj.exceptions import CRSError

from geofence.engine.records import Finding
from geofence.errors import GridError, InputError
from geofence.inputs.file_grid import grid_of_file
from geofence.inputs.xml_stream import Element
from geofence.site.grids import horizontal, read_grid, same, unit_m
from geofence.site.ground import GroundOptions
from geofence.units import FOOT_M, US_SURVEY_FOOT_M

__all__ = ["Units", "check_unit", "datum_findings", "grid_of", "units_of"]

LENGTHS_M = {
    "millimeter": 0.001, "centimeter": 0.01, "meter": 1.0, "metre": 1.0, "kilometer": 1000.0,
    "foot": FOOT_M, "feet": FOOT_M, "ussurveyfoot": US_SURVEY_FOOT_M, "inch": 0.0254,
    "mile": 1609.344, "miles": 1609.344,
}  # fmt: skip
AREAS_M2 = {
    "squaremillimeter": 1e-6, "squarecentimeter": 1e-4, "squaremeter": 1.0, "squarekilometer": 1e6, "hectare": 1e4,
    "squarefoot": FOOT_M**2, "squareinch": 0.0254**2, "squaremiles": 1609.344**2, "acre": 4046.8564224,
}  # fmt: skip
"""The words of LandXML 1.2, in lower case."""

SAME_UNIT = 5e-7
"""A grid whose unit differs by less is in the file's, with fewer digits (0.3048006 m); two feet differ by four times
this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """Units of a file, by its words and in metres; None where it does not say.

    Attributes
    ----------
    place, place_m
        Of northings and eastings.
    level, level_m
        Of levels.
    area_m2
        One unit of areas, square metres.
    """

    place: str | None = None
    place_m: float | None = None
    level: str | None = None
    level_m: float | None = None
    area_m2: float | None = None


def units_of(file: Path, element: Element | None) -> Units:
    """The units that a file states; raises InputError where its word for one is not known."""
    stated = None if element is None else element.child("Metric", "Imperial")
    if stated is None:
        return Units()
    words = {key: word.strip() for key, word in stated.attributes.items()}
    place = words.get("linearUnit", "")
    if not place:
        return Units()
    level = words.get("elevationUnit", "") or place
    place_m = _metres(file, stated, "linearUnit", place)
    if level.casefold() in ("feet", "foot") and place.casefold() == "ussurveyfoot":
        level = place  # the standard has but one word for the feet of levels; they are those of the survey
    return Units(
        place=place,
        place_m=place_m,
        level=level,
        level_m=_metres(file, stated, "elevationUnit", level),
        area_m2=AREAS_M2.get(words.get("areaUnit", "").casefold()),
    )


def _metres(file: Path, stated: Element, key: str, word: str) -> float:
    try:
        return LENGTHS_M[word.casefold()]
    except KeyError:
        raise InputError(
            f"its {key} is {word!r}, which is no unit of LandXML",
            file=file.name,
            place=f"line {stated.line}",
            remedy='Write "meter", "foot" or "USSurveyFoot" there.',
        ) from None


def grid_of(file: Path, system: Element | None, *, given: str | None, option: str) -> CRS:
    """The grid that a file states, by EPSG code or WKT, or else the given one.

    ``option`` is the key of the job with the given one.

    Raises
    ------
    GridError
        Nobody states one, or two are stated.
    """
    stated = _stated(file, system)
    if given is None and stated and not all(same(crs, stated[0]) for crs in stated):
        raise GridError(
            f"the file states two grids, {stated[0].name} and {stated[1].name}",
            place=f"{file.name}, line {0 if system is None else system.line}",
            remedy=f"Say which one it is: {option}.",
        )
    asked = None if given is None else read_grid(given, address=option)
    own = next((crs for crs in stated if asked is not None and same(crs, asked)), stated[0] if stated else None)
    return grid_of_file(file.name, own, given, option=option, hint=_hint(system))[1]


def _stated(file: Path, system: Element | None) -> list[CRS]:
    """Grids that the file states and PROJ knows, first by code, then by WKT."""
    if system is None:
        return []
    code = system.attributes.get("epsgCode", "").strip().upper().removeprefix("EPSG:").strip()
    texts = [f"EPSG:{code}"] if code.isdigit() and int(code) else []
    wkt = system.attributes.get("ogcWktCode", "").strip()
    texts += [wkt] if wkt else []
    found = []
    for text in texts:
        try:
            whole = CRS.from_user_input(text)
        except CRSError:
            continue
        if not whole.is_engineering:
            found.append(horizontal(whole, place=file.name))
    return found


def _hint(system: Element | None) -> str:
    """What the file says of its grid in words of its own."""
    if system is None:
        return ""
    for key in ("epsgCode", "horizontalCoordinateSystemName", "name", "desc"):
        word = system.attributes.get(key, "").strip()
        if word and word != "0":
            return f" in a way that is known here; it says {word[:80]!r}"
    return ""


def check_unit(file: Path, units: Units, crs: CRS, *, line: int | None, option: str) -> None:
    """Refuse a file whose unit of places is not that of its grid; raises GridError."""
    if units.place_m is None:
        return
    if crs.is_projected and abs(units.place_m / unit_m(crs) - 1) < SAME_UNIT:
        return
    raise GridError(
        f"the file says that northings and eastings are in {units.place}, "
        f"but the unit of {crs.name} is {crs.axis_info[0].unit_name}",
        place=f"{file.name}, line {line}" if line else file.name,
        remedy=f"Find out which is true: correct linearUnit in the file, or name the grid in that unit in {option}.",
    )


def datum_findings(file: Path, system: Element | None, options: GroundOptions) -> list[Finding]:
    """What the file says its levels are above, and whether the job says otherwise."""
    attributes = {} if system is None else system.attributes
    words = (attributes.get(key, "").strip() for key in ("verticalDatum", "verticalCoordinateSystemName"))
    datum = next((word for word in words if word), "")
    if not datum:
        return []
    if options.level_datum is not None and options.level_datum.casefold() != datum.casefold():
        return [
            Finding(
                code="level-datum-overruled",
                severity="warn",
                message=f"The job says the levels of {file.name} are above {options.level_datum!r}; "
                f"the file says {datum!r}",
                remedy="Find out which is true: level datums differ by decimetres and more.",
            )
        ]
    return [
        Finding(
            code="level-datum-stated",
            severity="note",
            message=f"By their file, levels are in {datum!r}",
            remedy="Check that job.level_datum says the same.",
        )
    ]
