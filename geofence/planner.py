"""From a job to a plan: the whole way.

inputs (job, boundary, ground) -> site (line, profile on the ground) -> engine (posts, bays, levels) -> plan.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from geofence.engine.fence import build_fence
from geofence.engine.joined import Joined, join_at
from geofence.engine.junctions import JunctionRules
from geofence.engine.records import Fence, Finding, KeepClear
from geofence.errors import JobError
from geofence.inputs.digest import digests
from geofence.inputs.job import Job, Resolved, job_from_values, read_job, resolve
from geofence.plan import FencePlan, Places, Provenance, ReferenceMarks, Run
from geofence.plan_lines import own_lines
from geofence.planning import fieldwork, placing
from geofence.planning.existing import Standing, stand
from geofence.planning.existing_places import existing_posts
from geofence.planning.gate_findings import gate_findings
from geofence.planning.gate_leaves import leaf_findings
from geofence.planning.gate_swing import Swings
from geofence.planning.gate_zones import opens_over
from geofence.planning.gates import errors_name_gates
from geofence.planning.moved_posts import with_moved_posts
from geofence.planning.reference_marks import few_in_reach, reference_marks
from geofence.planning.surveyed import Progress, SurveyedSite, input_files, survey
from geofence.planning.zone_rules import zone_findings
from geofence.planning.zoning import Zoning, keep_clears, place_zones
from geofence.site.grids import unit_m
from geofence.site.profile import GroundLine, bridged
from geofence.systems import catalogue
from geofence.systems.catalogue import is_file_name
from geofence.systems.system import System

__all__ = ["plan_fence", "read_or_make_job"]

PACKAGES = ("geofence", "numpy", "scipy", "pyproj", "rasterio", "shapely", "pyogrio", "geopandas", "folium")


def plan_fence(
    job: Job | Path | str | None = None,
    *,
    line: Path | str | None = None,
    ground: Sequence[Path | str] | Path | str | None = None,
    system: str | None = None,
    values: Mapping[str, Any] | None = None,
    origin: str = "call",
    progress: Progress = lambda _stage: None,
) -> FencePlan:
    """Plan a fence.

    Parameters
    ----------
    job
        A job, or the path of a job file. Left out: a job is made of the next parameters.
    line, ground, system
        Boundary file, ground file or files, and fence system, in place of the job file's. Paths start at the current
        folder.
    values
        Further job values by table, as in a job file: ``{"layout": {"fit": "equal"}}``; they override the job file's,
        and paths in them start at the job file.
    origin
        What the plan's parameters call the source of these values.
    progress
        Called with the name of each stage as it begins.

    Returns
    -------
    FencePlan
        Complete; troubles of the design are its findings.

    Raises
    ------
    GeofenceError
        The inputs cannot be used; the message names the place and the remedy.

    Examples
    --------
    >>> from geofence.sample import SAMPLE_JOB
    >>> plan = plan_fence(SAMPLE_JOB)
    >>> plan.posts.kind.iloc[0]
    'end'
    """
    the_job, job_file = read_or_make_job(job, line=line, ground=ground, system=system, values=values, origin=origin)
    rules = resolve(the_job, _system(the_job))
    site = survey(the_job, progress=progress)
    with ThreadPoolExecutor(max_workers=1) as pool:
        hashing = pool.submit(digests, input_files(the_job, site, job_file))
        built = _built(the_job, site, rules, progress)
        progress("Placing posts")
        places = placing.places(site, built.runs, built.joined)
        legs = placing.legs(site, built.runs)
        relief = placing.relief(site)
        inputs = hashing.result()
    marks, marked = reference_marks(the_job, site)
    findings = (*site.findings, *rules.findings, *_found(the_job, site, built, places, marks), *marked)
    plan = FencePlan(
        name=the_job.name,
        fence=replace(built.fence, findings=placing.on_lines(findings, built.unbroken)),
        places=places,
        stations=placing.stations(site, built.runs),
        legs=legs,
        runs=built.unbroken,
        grid=placing.grid_facts(site, legs, level_datum=the_job.job.level_datum),
        system=rules.facts,
        parameters=rules.parameters,
        provenance=Provenance(inputs=inputs, packages=_packages(), planned_at=_now()),
        relief=relief,
        zones=built.zoning.planned,
        gates=built.swings.planned(built.fence),
        marks=marks,
        shot=fieldwork.shot_near(site),
        existing=existing_posts(site, built.runs, built.joined, built.standing, places),
    )
    return with_moved_posts(plan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Built:
    """What is planned on a site: runs with their whole ground, what of it was bridged, what is in the way, fences."""

    runs: list[GroundLine]
    bridges: list[Finding]
    zoning: Zoning
    standing: Standing
    swings: Swings
    joined: Joined
    unbroken: tuple[Run, ...]

    @property
    def fence(self) -> Fence:
        return self.joined.fence


def _built(job: Job, site: SurveyedSite, rules: Resolved, progress: Progress) -> _Built:
    runs, bridges = _whole_ground(job, site)
    if job.zones:
        progress("Laying the zones beside the line")
    zoning = place_zones(job, site, runs, rules.facts)
    progress("Laying out posts and choosing levels")
    standing, swings = _stood(job, site, runs, rules)
    fences = _fences(job, site, runs, rules, swings, standing, keep_clears(zoning, runs))
    joined = _joined(site, runs, rules, swings, fences)
    return _Built(
        runs=runs,
        bridges=bridges,
        zoning=zoning,
        standing=standing,
        swings=swings,
        joined=joined,
        unbroken=placing.unbroken(site, runs, joined),
    )


def _found(job: Job, site: SurveyedSite, built: _Built, places: Places, marks: ReferenceMarks) -> Iterator[Finding]:
    """What is to be known of a fence on its site."""
    yield from _in_the_field(job, site, places, built.joined)
    posts = built.fence.posts
    lines = own_lines(built.unbroken, "post", len(posts))
    yield from few_in_reach(job, marks, places, posts, unit_m=unit_m(site.grid), lines=lines)
    yield from built.bridges
    yield from built.zoning.findings
    yield from built.standing.findings
    yield from built.fence.findings
    yield from gate_findings(built.swings, built.joined)
    yield from leaf_findings(built.swings, built.fence)
    yield from opens_over(built.swings, built.fence, built.zoning)
    lines = [site.name_of(row) for row in range(len(built.runs))]
    yield from zone_findings(built.zoning, built.runs, built.joined, lines=lines, open_share=job.fence.open_share)


def read_or_make_job(
    job: Job | Path | str | None,
    *,
    line: Path | str | None = None,
    ground: Sequence[Path | str] | Path | str | None = None,
    system: str | None = None,
    values: Mapping[str, Any] | None = None,
    origin: str = "call",
) -> tuple[Job, Path | None]:
    """The job of a file with some values overridden, or one made of values alone; and its file, if any.

    Raises
    ------
    JobError
        A value is not as a job file may have it, nothing says what to plan, or a job that is made already is to be
        changed.
    """
    own: dict[str, Any] = {table: dict(v) if isinstance(v, Mapping) else v for table, v in (values or {}).items()}
    base = Path() if job is None or isinstance(job, Job) else Path(job).parent
    if line is not None:
        own.setdefault("line", {})["file"] = _seen_from(base, line)
    if ground is not None:
        files = [ground] if isinstance(ground, (str, Path)) else list(ground)
        own.setdefault("ground", {})["files"] = [_seen_from(base, file) for file in files]
    if system is not None:
        own.setdefault("fence", {})["system"] = _seen_from(base, system) if is_file_name(system) else system
    if isinstance(job, Job):
        if own:
            raise JobError(
                "a job that is made already takes no further values",
                place=", ".join(own),
                remedy="Put them into the job, or give the job's file instead.",
            )
        return job, job.file
    if job is not None:
        return read_job(job, overrides=own, origin=origin), Path(job)
    missing = [word for word in ("line", "ground") if word not in own]
    if missing:
        raise JobError(
            f"nothing to plan: no {' and no '.join(missing)}", remedy="Give a job file, or a line and a ground."
        )
    return job_from_values(own, base=Path.cwd(), origin=origin), None


def _seen_from(base: Path, path: Path | str) -> str:
    """A path of the current folder as a job in another folder names it, whatever links lead there."""
    if base == Path():
        return str(path)
    try:
        return os.path.relpath(os.path.realpath(path), os.path.realpath(base))
    except ValueError:  # another drive
        return str(Path(path).absolute())


def _system(job: Job) -> System:
    return catalogue.load(job.fence.system, base=job.base, place=job.place("fence", "system"))


def _whole_ground(job: Job, site: SurveyedSite) -> tuple[list[GroundLine], list[Finding]]:
    """The runs with a level at every station, and a finding for each gap that was bridged."""
    file = Path(job.ground.files[0]).name
    runs, told = [], []
    for row, run in enumerate(site.runs):
        name = site.name_of(row)
        whole, bridges = bridged(run, bridge_m=job.ground.bridge_m, place=f"{file}, line {name!r}" if name else file)
        runs.append(whole)
        told += [replace(bridge, line=name) for bridge in bridges]
    return runs, told


def _in_the_field(job: Job, site: SurveyedSite, places: Places, joined: Joined) -> list[Finding]:
    """How the ground agrees with points shot in the field, and which posts stand far from them."""
    limit_m, chainage_m = job.ground.survey_distance_max_m, joined.fence.posts.chainage_m
    starts = np.cumsum([0, *(np.count_nonzero(kept) for kept in joined.kept)])[:-1]
    far = fieldwork.far_posts(places, chainage_m, limit_m=limit_m, run_starts=starts.tolist())
    return [*fieldwork.agreement(job, site), *far]


def _stood(job: Job, site: SurveyedSite, runs: Sequence[GroundLine], rules: Resolved) -> tuple[Standing, Swings]:
    """The job's existing posts on its lines, its gates, and the ground that their leaves pass."""
    standing = stand(job, site, runs, rules)
    return standing, Swings.over(standing.gates, site, runs, geoid_separation_m=job.job.geoid_separation_m)


def _fences(
    job: Job,
    site: SurveyedSite,
    runs: Sequence[GroundLine],
    rules: Resolved,
    swings: Swings,
    standing: Standing,
    keep_clear: Sequence[Sequence[KeepClear]],
) -> Iterator[Fence]:
    """The engine's answer for each run, whose findings say the run's line."""
    fixed = site.meetings.posts(runs)
    for row, run in enumerate(runs):
        with errors_name_gates(job, site.name_of(row)):
            fence = build_fence(
                run.profile,
                run.path,
                gates=swings.for_engine(row),
                keep_clear=keep_clear[row],
                fixed=(*fixed[row], *(spot.post for spot in standing.spots[row])),
                layout=rules.layouts[site.line_of(row).table],
                levels=rules.levels,
                posts=rules.posts,
                panel=rules.panels,
                slope=rules.facts.slope,
                rake=rules.rake,
                strain=rules.strain,
                wire=rules.wire,
                from_m=run.from_m,
            )
        yield replace(fence, findings=tuple(replace(item, line=site.name_of(row)) for item in fence.findings))


def _joined(
    site: SurveyedSite, runs: Sequence[GroundLine], rules: Resolved, swings: Swings, fences: Iterable[Fence]
) -> Joined:
    """The fences of all runs as one, with the posts that runs share."""
    holds = JunctionRules(
        posts=rules.posts,
        gates=[swings.for_engine(row) for row in range(len(runs))],
        step_max_m=None if rules.facts.slope == "strained" else rules.levels.step_max_m,
        uplift_max_kn=None if rules.wire is None else rules.wire.uplift_max_kn,
    )
    junctions = [[(row, at + runs[row].from_m) for row, at in there] for there in site.meetings.places(runs)]
    return join_at(tuple(fences), junctions, holds)


def _packages() -> dict[str, str]:
    import pyproj
    import rasterio

    found = {name: version(name) for name in PACKAGES}
    return {**found, "PROJ": pyproj.proj_version_str, "GDAL": rasterio.__gdal_version__}


def _now() -> str:
    """The time of planning, or the one that SOURCE_DATE_EPOCH fixes for reproducible files."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    moment = datetime.fromtimestamp(int(fixed), UTC) if fixed else datetime.now(UTC)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
