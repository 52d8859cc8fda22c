"""``stakeout.txt``: what the crew reads before it loads ``stakeout.csv``, whose first line must be its header."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from geofence.outputs.digits import coordinate_decimals
from geofence.outputs.plain_text import one_line
from geofence.plan import SEVERITIES, FencePlan, Output

__all__ = ["OUTPUT", "write"]

_MOST_FINDINGS = 40
"""Findings told one by one: what fits a printed page beside the rest; ``findings.csv`` has them all."""


def write(plan: FencePlan, path: Path) -> None:
    """Write grid, units, datum, a check of the first and last post, what must be looked at, and the cautions."""
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\r\n") as file:
        file.writelines(f"{line}\n" for line in _lines(plan))


def _lines(plan: FencePlan) -> Iterator[str]:
    yield f"Stake-out of {one_line(plan.name)}"
    yield ""
    yield "BEFORE STAKING"
    yield from (f"- {caution}" for caution in plan.cautions)
    yield "- Check the set-up on a control point that this file does not hold."
    yield ""
    yield "THE NUMBERS IN stakeout.csv"
    yield from _numbers(plan)
    yield ""
    yield "FIRST AND LAST POST"
    yield from (_place(plan, row) for row in (0, -1))
    yield ""
    yield "TO LOOK AT"
    yield from _findings(plan)


def _numbers(plan: FencePlan) -> Iterator[str]:
    grid = plan.grid
    factor = grid.combined_factor
    yield f"Grid         {one_line(grid.name)} ({one_line(grid.code or 'no code: its definition is in plan.json')})"
    yield f"Unit         {one_line(grid.unit)} = {grid.unit_m:.12g} m, levels too"
    yield f"Level datum  {one_line(grid.level_datum) or 'not stated'}"
    yield "Order        point, easting, northing, level, description"
    yield "level        the ground at the post, as planned; top in the description: the post's top"
    yield f"Scale        grid distance = {factor:.8f} x ground distance ({abs(factor - 1) * 1e6:.0f} mm in 1 km);"
    yield "             a tape reads ground distance, and bay widths are ground distances"


def _place(plan: FencePlan, row: int) -> str:
    places, decimals = plan.places, coordinate_decimals(plan.grid)
    coordinates = f"easting {places.easting[row]:.{decimals}f}  northing {places.northing[row]:.{decimals}f}"
    return f"{plan.post_names[row]}  {coordinates}  chainage {plan.fence.posts.chainage_m[row]:.3f} m on the ground"


def _findings(plan: FencePlan) -> Iterator[str]:
    found = sorted(plan.fence.findings, key=lambda finding: SEVERITIES.index(finding.severity))
    if not found:
        yield "Nothing was found."
    for finding in found[:_MOST_FINDINGS]:
        where = ""
        if finding.post is not None:
            where = f" {plan.post_names[finding.post]}"
        elif finding.bay is not None:
            where = f" {plan.bay_names[finding.bay]}"
        elif finding.chainage_m is not None:
            where = f" at {finding.chainage_m:.2f} m"
        remedy = f" {one_line(finding.remedy)}" if finding.remedy else ""
        yield f"{finding.severity.upper()}{where}: {one_line(finding.message).rstrip('.')}.{remedy}"
    if len(found) > _MOST_FINDINGS:
        yield f"and {len(found) - _MOST_FINDINGS} more in findings.csv"


OUTPUT = Output(filename="stakeout.txt", title="What to know before staking (text)", write=write)
