"""``fence.xml``: posts as points and runs of fence as alignments, in LandXML 1.2.

Points are northing, easting, level, as the standard has it, in the unit of the grid where the standard has a word for
it. A group of points holds the posts of one kind. The level of a point is that of the ground at the post, or of the
post's top or toe where the job asks for it; the crew finds the others in the point's description. A root of LandXML
must carry a date: it is when the plan was made, so that the same plan gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Literal, get_args

from pyproj import CRS
from pyproj.enums import WktVersion
from pyproj.exceptions import CRSError

from geofence.engine.records import Floats
from geofence.outputs import xml_text
from geofence.outputs.digits import coordinate_decimals, fixed
from geofence.outputs.facts import NOT_STATED, Facts, facts
from geofence.outputs.kinds import kinds_in_order
from geofence.outputs.landxml.alignment import alignments
from geofence.outputs.landxml.unit import LandXmlUnit, unit_of
from geofence.outputs.plain_text import one_line
from geofence.outputs.post_words import post_words
from geofence.outputs.xml_text import attribute
from geofence.plan import FencePlan, Grid, Output
from geofence.site.grids import same
from geofence.words import must_be_known

__all__ = ["OUTPUT", "LevelOf", "write"]

LevelOf = Literal["ground", "top", "toe"]

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"


def write(plan: FencePlan, path: Path) -> None:
    """Write the plan; the level of the points is what the plan's parameter ``landxml.level`` says.

    Raises
    ------
    JobError
        The parameter is no word that is known.
    """
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(_document(plan))


def _document(plan: FencePlan) -> Iterator[str]:
    unit, of = unit_of(plan.grid), plan.value("landxml.level", "ground")
    must_be_known(of, get_args(LevelOf), place="landxml.level")
    known = _facts(plan, unit, of)
    yield xml_text.DECLARATION
    yield xml_text.comment(f"{label}: {sentence}" for label, sentence in known)
    yield from _head(plan, unit, known)
    yield from _points(plan, unit, of)
    yield from alignments(plan, unit)
    yield "</LandXML>\n"


def _facts(plan: FencePlan, unit: LandXmlUnit, of: LevelOf) -> Facts:
    what = {"ground": "the ground at the post", "top": "the post's top", "toe": "the post's toe"}[of]
    own = "" if unit.per_grid == 1 else f"; the grid's own unit has no word in LandXML, so that they are {unit.plural}"
    levels = f"{unit.plural}; the level of a point is that of {what}; those of profiles are told by their names"
    return facts(plan, places=f"northing, easting, level in {unit.plural} on the grid{own}", levels=levels)


def _head(plan: FencePlan, unit: LandXmlUnit, known: Facts) -> Iterator[str]:
    """What comes before points and alignments; the order of the standard's own list."""
    day, _, moment = plan.provenance.planned_at.partition("T")
    schema = f"{NAMESPACE} {NAMESPACE}/LandXML-1.2.xsd"
    yield (
        f'<LandXML xmlns="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{schema}" version="1.2" date={attribute(day)} time={attribute(moment)} '
        'language="English" readOnly="false">\n'
    )
    yield f"<Units>{unit.element}</Units>\n"
    yield _system(plan.grid, unit)
    yield f"<Project name={attribute(one_line(plan.name))} desc={attribute(one_line(plan.system.title))}>\n"
    yield '<Feature code="geofence">\n'
    yield from (f"<Property label={attribute(label)} value={attribute(text)}/>\n" for label, text in known)
    yield "</Feature>\n</Project>\n"
    version = plan.provenance.packages.get("geofence", "")
    yield (
        f'<Application name="geofence" desc="fence planning" version={attribute(version)} '
        f"timeStamp={attribute(plan.provenance.planned_at)}/>\n"
    )


def _system(grid: Grid, unit: LandXmlUnit) -> str:
    """The grid by name, code and WKT; code and WKT only where the coordinates are in the grid's own unit."""
    authority, _, code = (grid.code or "").partition(":")
    words = {
        "name": one_line(grid.name),
        "desc": f"distances on the grid are {grid.combined_factor:.8f} of the ground's",
    }
    if unit.per_grid == 1:
        words["epsgCode"] = code if authority == "EPSG" else ""
        words["ogcWktCode"] = _wkt(grid.wkt)
    datum = one_line(grid.level_datum)
    words["verticalDatum"] = "" if datum == NOT_STATED else datum  # lest a reader takes this for a name
    return f"<CoordinateSystem {' '.join(f'{key}={attribute(word)}' for key, word in words.items() if word)}/>\n"


def _wkt(wkt: str) -> str:
    """The grid's definition in the WKT that devices read (2001), where it says the same; else as it stands."""
    try:
        crs = CRS.from_wkt(wkt)
        older = crs.to_wkt(WktVersion.WKT1_GDAL)
        return older if same(CRS.from_wkt(older), crs) else wkt
    except CRSError:  # the older form cannot say it, or there is none
        return wkt


def _points(plan: FencePlan, unit: LandXmlUnit, of: LevelOf) -> Iterator[str]:
    """A group of points for each kind of post."""
    texts = post_words(plan, unit=unit.symbol, unit_m=unit.metres)
    for kind, rows in kinds_in_order(plan.fence.posts.kind):
        title, count = f"{kind} posts".capitalize(), f"{len(rows)} {kind} posts"
        yield f"<CgPoints name={attribute(title)} code={attribute(kind)} desc={attribute(count)}>\n"
        yield from _group(plan, unit, of, kind, rows, texts)
        yield "</CgPoints>\n"


def _group(
    plan: FencePlan, unit: LandXmlUnit, of: LevelOf, kind: str, rows: Sequence[int], texts: Sequence[str]
) -> Iterator[str]:
    posts, places, names = plan.fence.posts, plan.places, plan.post_names
    level_m = {"ground": posts.ground_level_m, "top": posts.top_level_m, "toe": posts.toe_level_m}[of]
    decimals = coordinate_decimals(plan.grid)
    columns = (
        _numbers(places.northing[rows] * unit.per_grid, decimals),
        _numbers(places.easting[rows] * unit.per_grid, decimals),
        fixed(level_m[rows] / unit.metres, decimals, missing=""),
    )
    element = f"<CgPoint name=%s code={attribute(kind).replace('%', '%%')} desc=%s>%s %s %s</CgPoint>\n"
    for row, *place in zip(rows, *columns, strict=True):
        yield element % (attribute(names[row]), attribute(texts[row]), *place)


def _numbers(values: Floats, decimals: int) -> Iterable[str]:
    return fixed(values, decimals, missing="NaN")


OUTPUT = Output(
    filename="fence.xml", title="Points and alignments for survey devices (LandXML 1.2)", write=write, standing=False
)
