"""A job's zones on its line: read, laid beside the runs, and turned into stretches where no post may stand."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from pyproj import Transformer

from geofence.engine.records import Finding, KeepClear
from geofence.errors import JobError
from geofence.inputs.job import Job, errors_say_where
from geofence.inputs.job_file import Zone
from geofence.inputs.zones import DrawnZone, read_zone
from geofence.plan import PlannedZone, SystemFacts, ZoneStretch
from geofence.planning.astray import astray
from geofence.planning.surveyed import SurveyedSite
from geofence.site import grids, zones
from geofence.site.profile import GroundLine
from geofence.site.true_plane import TrueStretch, stretches
from geofence.site.zones import Crossing, Drawing

__all__ = ["PlacedZone", "Zoning", "keep_clears", "place_zones"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedZone:
    """A zone on the line.

    Attributes
    ----------
    zone
        As the job has it.
    title
        What it is called.
    drawing, to_degrees
        Its shapes, and the way from their grid to degrees on the line's datum.
    reach_m
        How near a shape counts, on the ground; of a keep-clear up to a post's centre, of a setback up to the line.
    crossings
        Where the line is within reach, run by run.
    nearest_m
        How near the line comes; infinite where that is far beyond reach.
    astray
        What is to be said of one that lies so far away that its grid may be wrong; None where there is nothing.
    """

    zone: Zone
    title: str
    drawing: Drawing
    to_degrees: Transformer
    reach_m: float
    crossings: tuple[Crossing, ...]
    nearest_m: float
    astray: Finding | None = None

    @property
    def is_nowhere(self) -> bool:
        """Whether all of it is far beyond reach."""
        return math.isinf(self.nearest_m)

    @property
    def source(self) -> str:
        """The document that the rule comes from, in words either way."""
        return self.zone.source or "no source stated"

    def named(self, crossing: Crossing) -> str:
        """What is crossed: the zone, and its feature where that has a name."""
        feature = self.drawing.names[crossing.shape]
        return f"{self.title}, {feature}" if feature and feature.casefold() != self.title.casefold() else self.title


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zoning:
    """All zones of a job, the line that they were held against, and what was found in reading them."""

    zones: tuple[PlacedZone, ...]
    stretches: tuple[TrueStretch, ...]
    planned: tuple[PlannedZone, ...]
    findings: tuple[Finding, ...]


def place_zones(job: Job, site: SurveyedSite, runs: Sequence[GroundLine], facts: SystemFacts) -> Zoning:
    """Read the job's zones and find where the line crosses them, on the ground.

    Raises
    ------
    JobError, InputError, GridError
        A zone's file cannot be used.
    """
    if not job.zones:
        return Zoning(zones=(), stretches=(), planned=(), findings=())
    separation = job.job.geoid_separation_m
    line = tuple(
        stretch
        for row, run in enumerate(runs)
        for stretch in stretches(row, run, datum=site.grid, geoid_separation_m=separation)
    )
    placed, planned = [], []
    findings: list[Finding] = []
    shifts: dict[tuple[str | None, str], tuple[grids.Crossing, list[str]]] = {}
    for row, zone in enumerate(job.zones):
        drawn = _drawn(job, site, row, zone)
        findings += drawn.findings
        crossing = site.to_degrees(drawn.drawing.crs)
        here = _placed(zone, drawn.drawing, crossing.transformer, line, facts)
        here = replace(
            here, astray=astray(here.title, zone, row, drawn.drawing, line, site) if here.is_nowhere else None
        )
        shifts.setdefault((zone.file, drawn.drawing.crs.name), (crossing, []))[1].append(here.title)
        placed.append(here)
        planned.append(_planned(here, line, crossing, site))
    for (_, source), (crossing, titles) in shifts.items():
        findings += crossing.findings("zone", source, site.grid.name, named=tuple(dict.fromkeys(titles)))
    findings += [each.astray for each in placed if each.astray]
    return Zoning(zones=tuple(placed), stretches=line, planned=tuple(planned), findings=tuple(dict.fromkeys(findings)))


def _drawn(job: Job, site: SurveyedSite, row: int, zone: Zone) -> DrawnZone:
    if zone.file is not None:
        with errors_say_where(job, "zone", row):
            return read_zone(job.path(zone.file), layer=zone.layer, grid=zone.grid, place=f"zone[{row + 1}]")
    if zone.apex is None or zone.toward is None or zone.legs_m is None:
        raise JobError("is not drawn", place=job.place("zone", row))
    try:
        shape = zones.triangle(zone.apex, zone.toward, zone.legs_m, site.grid)
    except ValueError as error:
        raise JobError(
            f"does not make a triangle: {error}",
            place=job.place("zone", row, "toward"),
            remedy="Give a position on each of two sides that meet at the apex.",
        ) from error
    return DrawnZone(drawing=Drawing(crs=site.grid, shapes=(shape,), names=("",)), findings=())


def _placed(
    zone: Zone, drawing: Drawing, to_degrees: Transformer, line: Sequence[TrueStretch], facts: SystemFacts
) -> PlacedZone:
    reach = zone.buffer_m
    if zone.rule == "keep-clear":
        reach += _clearance(zone, facts)
    elif zone.rule == "setback":
        reach += zone.limit_m
    crossed = tuple(zones.crossings(drawing, line, to_degrees, reach_m=reach))
    return PlacedZone(
        zone=zone,
        title=zone.name or (Path(zone.file).name if zone.file else "visibility triangle"),
        drawing=drawing,
        to_degrees=to_degrees,
        reach_m=reach,
        crossings=crossed,
        nearest_m=0.0 if crossed else zones.nearest(drawing, line, to_degrees, reach_m=reach),
    )


def _clearance(zone: Zone, facts: SystemFacts) -> float:
    """From a post's centre to what stays ``buffer_m`` away; of a post, which may be square, to its farthest corner."""
    return {"hole": facts.hole_diameter_m / 2, "post": facts.post_width_m / math.sqrt(2), "centre": 0.0}[zone.clear_to]


def _planned(
    placed: PlacedZone, line: Sequence[TrueStretch], to_degrees: grids.Crossing, site: SurveyedSite
) -> PlannedZone:
    """A zone as outputs show it: to WGS 84 by way of the grid's datum, as the fence goes, so both stay together."""
    zone = placed.zone
    return PlannedZone(
        name=placed.title,
        rule=zone.rule,
        source=zone.source,
        buffer_m=zone.buffer_m,
        limit_m=zone.limit_m,
        outlines=zones.outlines(
            placed.drawing, line, lambda x, y: site.to_wgs84.carry(*to_degrees.carry(x, y)), placed.to_degrees
        ),
        stretches=tuple(
            ZoneStretch(name=placed.named(each), line=site.name_of(each.run), from_m=each.from_m, to_m=each.to_m)
            for each in placed.crossings
        ),
    )


def keep_clears(zoning: Zoning, runs: Sequence[GroundLine]) -> list[list[KeepClear]]:
    """The stretches of each run where no post may stand, by chainage within the run."""
    found: list[list[KeepClear]] = [[] for _ in runs]
    titles = Counter(placed.title for placed in zoning.zones)
    for row, placed in enumerate(zoning.zones):
        if placed.zone.rule != "keep-clear":
            continue
        told = placed.title if titles[placed.title] == 1 else f"{placed.title} (zone[{row + 1}])"
        for crossing in placed.crossings:
            begin = runs[crossing.run].from_m
            found[crossing.run].append(
                KeepClear(
                    name=placed.named(crossing),
                    from_m=crossing.from_m - begin,
                    to_m=crossing.to_m - begin,
                    source=placed.source,
                    zone=told,
                    buffer_m=placed.zone.buffer_m,
                    limit_m=placed.reach_m,
                    apart_m=partial(_apart, zoning, placed, crossing, begin),
                )
            )
    return found


def _apart(zoning: Zoning, placed: PlacedZone, crossing: Crossing, begin_m: float, at_m: float) -> float:
    """How far a place on a run that begins at a chainage is from what is drawn there of a zone, on the ground."""
    at = np.array([begin_m + at_m])
    return float(
        zones.distances(placed.drawing, crossing, zoning.stretches, placed.to_degrees, at, reach_m=placed.reach_m)[0]
    )
