"""How drawings are to be made: what the job's table ``[sheets]`` says, and what follows where it is silent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geofence.outputs.paper.page import PAPERS_MM
from geofence.plan import FencePlan
from geofence.words import must_be_known

__all__ = ["EXAGGERATIONS", "SCALES", "SheetOptions", "sheet_options"]

SCALES = (
    20.0,
    50.0,
    100.0,
    200.0,
    250.0,
    500.0,
    1000.0,
    2000.0,
    2500.0,
    5000.0,
    10_000.0,
    20_000.0,
    50_000.0,
    1e5,
    2e5,
)
"""Scales that scale rulers have, and those of maps."""
EXAGGERATIONS = (1.0, 2.0, 4.0, 5.0, 10.0, 20.0, 50.0)
BAY_MM = 5.0
"""A bay is drawn at least so wide where the job leaves the scale open: a post's name and its figures have room."""
BESIDE_MM = 110.0
"""Paper beside what is drawn of a strip: margins, titles of the table, labels."""
FENCE_MM = 12.0
"""A fence is drawn at least so high where the job leaves the exaggeration open: a step of 50 mm can be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOptions:
    """Scales are 250 for 1:250. ``asked`` are the keys of scales and exaggeration that the job does not leave open."""

    paper: str
    scale: float
    section_scale: float
    exaggeration: float
    asked: frozenset[str]
    client: str
    number: str
    revision: str
    drawn: str
    checked: str
    date: str
    notes: tuple[str, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the paper."""
        return PAPERS_MM[self.paper]

    @property
    def level_scale(self) -> float:
        """Scale of the long-section upwards."""
        return self.section_scale / self.exaggeration


def sheet_options(plan: FencePlan) -> SheetOptions:
    """The options of a plan, with what its bays and its height make of those that the job leaves open.

    Raises
    ------
    JobError
        The paper is of no known size.
    """

    def given(key: str, default: Any = None) -> Any:
        return plan.value(f"sheets.{key}", default)

    paper = given("paper", "A3")
    must_be_known(paper, tuple(PAPERS_MM), place="sheets.paper")
    scale = float(given("scale") or _scale(plan, PAPERS_MM[paper][0] - BESIDE_MM))
    section_scale = float(given("section_scale") or scale)
    words = {key: str(given(key, "")) for key in ("client", "number", "revision", "drawn", "checked", "date")}
    return SheetOptions(
        paper=paper,
        scale=scale,
        section_scale=section_scale,
        exaggeration=float(given("exaggeration") or _exaggeration(plan, section_scale)),
        asked=frozenset(key for key in ("scale", "section_scale", "exaggeration") if given(key) is not None),
        notes=tuple(given("notes", ())),
        **words,
    )


def _scale(plan: FencePlan, room_mm: float) -> float:
    """The smallest scale that draws half of the bays wide enough, and the widest no wider than there is room."""
    widths_mm = plan.fence.bays.width_m * 1000
    smallest = max((scale for scale in SCALES[:7] if np.median(widths_mm) / scale >= BAY_MM), default=SCALES[0])
    return next(scale for scale in SCALES if scale >= max(smallest, float(widths_mm.max()) / room_mm))


def _exaggeration(plan: FencePlan, section_scale: float) -> float:
    bays = plan.fence.bays
    height_mm = float(np.median(bays.top_from_m - bays.underside_from_m)) * 1000
    return next((times for times in EXAGGERATIONS if height_mm * times / section_scale >= FENCE_MM), EXAGGERATIONS[-1])
