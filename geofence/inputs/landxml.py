"""Ground from LandXML files: a surface as it stands, or one made from points, break lines and boundaries."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import InputError, JobError
from geofence.inputs.file_grid import check_most, check_one_grid
from geofence.inputs.landxml_area import area_findings
from geofence.inputs.landxml_chosen import Chosen, chosen
from geofence.inputs.landxml_file import LandXml, is_landxml, read_landxml
from geofence.inputs.landxml_grid import check_unit, datum_findings, grid_of, units_of
from geofence.inputs.level_units import LevelUnit, check_levels, level_unit, offset_findings, unit_findings
from geofence.site.grids import unit_m
from geofence.site.ground import GroundOptions
from geofence.site.reading import Reading
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround

__all__ = ["READER", "LandXmlReader", "read_survey"]

SUFFIXES = (".xml", ".landxml")


class LandXmlReader:
    """The plug-in that reads LandXML 1.0 to 1.2."""

    def reads(self, file: Path) -> bool:
        """Whether the file is XML by its suffix, or LandXML by its outermost element."""
        return file.suffix.lower() in SUFFIXES or is_landxml(file)

    def open(self, files: Sequence[Path], options: GroundOptions) -> TinGround:
        """Open LandXML files as one ground.

        Raises
        ------
        InputError
            A file is no sound LandXML, or its surface has a fault; with the line.
        GridError
            A file has no grid and none is given, or its unit is not that of the grid, or two files differ in it.
        JobError
            It holds several surfaces, or leaves the unit of levels open, and the job does not say.
        """
        if not files:
            raise JobError("no file is given", place=f"{options.table}.files", remedy="Name the LandXML file.")
        surveys, findings = zip(*(read_survey(Path(file), options) for file in files), strict=True)
        return TinGround(
            surveys[0] if len(surveys) == 1 else _joined(surveys),
            max_edge_m=options.max_edge_m,
            coincident=options.coincident,
            findings=(*chain.from_iterable(findings), *offset_findings(options)),
        )


def read_survey(file: Path, options: GroundOptions) -> tuple[SurveyPoints, tuple[Finding, ...]]:
    """One file as a survey of its own, and what is to be known of it; raises as :meth:`LandXmlReader.open`."""
    content = read_landxml(file, surface=options.surface)
    option = f"{options.table}.grid"
    crs = grid_of(file, content.system, given=options.grid, option=option)
    units = units_of(file, content.units)
    check_unit(file, units, crs, line=content.units.line if content.units else None, option=option)
    unit = level_unit(file.name, units.level_m, crs, options)
    part = chosen(content, options)
    level_m = _metres(part.places[:, 2], unit, options)
    check_levels(file.name, level_m, lambda row: _place(part.places[row]))
    check_most(crs, part.places[:, 0], part.places[:, 1], file=file.name, option=option)
    survey = SurveyPoints(
        x=part.places[:, 0],
        y=part.places[:, 1],
        level_m=level_m,
        crs=crs,
        files=(file,),
        source=file.name,
        break_lines=tuple(np.column_stack([line[:, :2], _metres(line[:, 2], unit, options)]) for line in part.lines),
        faces=part.faces,
        extent=part.extent,
        readings=(_reading(content, part, unit, crs, level_m),),
    )
    findings = (
        *part.findings,
        *unit_findings([unit]),
        *datum_findings(file, content.system, options),
        *(_area_findings(part, unit, units.place_m or unit_m(crs), units.area_m2)),
    )
    return survey, findings


def _place(point: Floats) -> str:
    return f"the point at northing {point[1]:.10g}, easting {point[0]:.10g}"


def _metres(level: Floats, unit: LevelUnit, options: GroundOptions) -> Floats:
    return level * unit.metres + options.level_offset_m


def _area_findings(part: Chosen, unit: LevelUnit, place_m: float, area_m2: float | None) -> list[Finding]:
    if part.faces is None or math.isnan(place_m):
        return []
    places_m = part.places * (place_m, place_m, unit.metres)
    return area_findings(part.title, part.areas, places_m, part.faces, units_m2=(area_m2 or place_m**2, place_m**2))


def _reading(content: LandXml, part: Chosen, unit: LevelUnit, crs: CRS, level_m: Floats) -> Reading:
    version = content.version or "not stated"
    return Reading(
        file=content.file,
        kind="LandXML",
        how=(
            ("version", version),
            ("surface", part.title),
            *part.how,
            ("order", "northing, easting, level"),
            ("level unit", str(unit)),
            ("grid", crs.name),
        ),
        points=len(part.places),
        without_level=part.without_level,
        left_out=part.left_out,
        first_rows=tuple(
            (name, float(part.places[row, 0]), float(part.places[row, 1]), float(level_m[row]))
            for row, name in enumerate(part.names)
        ),
    )


def _joined(surveys: Sequence[SurveyPoints]) -> SurveyPoints:
    """Several files as one survey."""
    first = surveys[0]
    check_one_grid([(survey.source, survey.crs) for survey in surveys], remedy="Give surfaces in one grid.")
    for other in surveys[1:]:
        for what, held, also in (("faces", other.faces, first.faces), ("a boundary", other.extent, first.extent)):
            if (held is None) != (also is None):
                raise InputError(
                    f"it {'has no' if held is None else 'has'} {what.removeprefix('a ')}, unlike {first.source}",
                    file=other.source,
                    remedy="Give surfaces of one kind, or one file.",
                )
    begins = np.cumsum([0, *(len(survey) for survey in surveys[:-1])])
    return SurveyPoints(
        x=np.concatenate([survey.x for survey in surveys]),
        y=np.concatenate([survey.y for survey in surveys]),
        level_m=np.concatenate([survey.level_m for survey in surveys]),
        crs=first.crs,
        files=tuple(file for survey in surveys for file in survey.files),
        source=", ".join(survey.source for survey in surveys),
        break_lines=tuple(line for survey in surveys for line in survey.break_lines),
        faces=None
        if first.faces is None
        else np.concatenate(
            [survey.faces + begin for survey, begin in zip(surveys, begins, strict=True) if survey.faces is not None]
        ),
        extent=None if first.extent is None else shapely.union_all([survey.extent for survey in surveys]),
        readings=tuple(reading for survey in surveys for reading in survey.readings),
    )


READER = LandXmlReader()
