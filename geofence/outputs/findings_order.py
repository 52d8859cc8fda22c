"""Findings in the order in which they are told: the worst first, and then along the line."""

from __future__ import annotations

from collections.abc import Iterable

from geofence.engine.records import Finding
from geofence.plan import SEVERITIES

__all__ = ["worst_first"]


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Findings by severity, then chainage; those of the whole plan come first among their like."""
    return sorted(findings, key=lambda item: (SEVERITIES.index(item.severity), _along(item)))


def _along(finding: Finding) -> float:
    return -1.0 if finding.chainage_m is None else finding.chainage_m
