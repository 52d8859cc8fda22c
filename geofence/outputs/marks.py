"""What to look at before a part of the fence is made, in a few words for a device's small screen."""

from __future__ import annotations

from typing import Literal

from geofence.plan import FencePlan

__all__ = ["marks"]


def marks(plan: FencePlan, part: Literal["post", "bay"] = "post") -> list[str]:
    """Of each post or bay ``STOP`` or ``CHECK`` and the codes of its findings, or nothing.

    Notes are left to the files that have room for them.
    """
    stops: dict[int, list[str]] = {}
    checks: dict[int, list[str]] = {}
    for finding in plan.fence.findings:
        row = finding.post if part == "post" else finding.bay
        if row is not None and finding.severity != "note":
            (stops if finding.severity == "stop" else checks).setdefault(row, []).append(finding.code)
    words = [""] * len(plan.fence.posts if part == "post" else plan.fence.bays)
    for row in stops.keys() | checks.keys():
        codes = dict.fromkeys(stops.get(row, []) + checks.get(row, []))
        words[row] = f"{'STOP' if row in stops else 'CHECK'} {' '.join(codes)}"
    return words
