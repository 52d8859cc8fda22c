"""A plan at a glance: a small drawing and a table as HTML without scripts, for notebooks."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Floats, Ints
from geofence.placed_findings import finding_places
from geofence.plan_parts import Run

if TYPE_CHECKING:
    from geofence.plan import FencePlan

__all__ = ["glance"]

WIDTH, HEIGHT, MARGIN = 420.0, 260.0, 14.0
DRAWN_POSTS = 2000
SHOWN_LINES = 12
MARKS = {"stop": "#d55e00", "warn": "#e69f00"}
"""Vermillion and orange of the colour-blind-safe palette of Okabe and Ito (2008)."""


def glance(plan: FencePlan) -> str:
    """The plan as HTML: the line with its corners, gates and findings, and what it comes to."""
    summary = plan.summary()
    rows = {
        "length": f"{summary['length_m']:.2f} m on the ground",
        **{f"line {name}": f"{length_m:.2f} m" for name, length_m in [*summary.get("lines", {}).items()][:SHOWN_LINES]},
        "posts": ", ".join(f"{count} {kind}" for kind, count in summary["posts"].items()),
        "bays": ", ".join(f"{count} {kind}" for kind, count in summary["bays"].items()),
        "steps": str(summary["steps"]),
        "system": f"{plan.system.title}, {plan.system.height_m:g} m",
        "grid": plan.grid.name,
        "findings": ", ".join(f"{count} {word}" for word, count in summary["findings"].items()),
    }
    cells = "".join(f"<tr><th>{escape(head)}</th><td>{escape(text)}</td></tr>" for head, text in rows.items())
    return f"<div><strong>{escape(plan.name)}</strong><div>{_drawing(plan)}</div><table>{cells}</table></div>"


def _drawing(plan: FencePlan) -> str:
    x, y = _on_sheet(plan.places.easting, plan.places.northing)
    kinds = np.array(plan.fence.posts.kind)
    step = max(len(kinds) // DRAWN_POSTS, 1)
    ways = [_way(run, kinds, step) for run in plan.runs]
    paths = "".join(f'<polyline points="{_points(x[way], y[way])}"/>' for way in ways)
    squares = "".join(
        f'<rect x="{x[row] - 2.5:.1f}" y="{y[row] - 2.5:.1f}" width="5" height="5"/>'
        for row in np.flatnonzero(np.isin(kinds, ["corner", "gate", "end", "junction"])).tolist()[:DRAWN_POSTS]
    )
    marks = "".join(
        f'<circle cx="{x[row]:.1f}" cy="{y[row]:.1f}" r="5" fill="{MARKS[severity]}"/>'
        for row, severity in _marked_posts(plan)
    )
    label = escape(f"Plan of {plan.name}", quote=True)
    return (
        f'<svg role="img" aria-label="{label}" width="{WIDTH:.0f}" height="{HEIGHT:.0f}" '
        f'viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}"><g fill="none" stroke="#555" stroke-width="2">{paths}</g>'
        f'<g fill="#222">{squares}</g><g stroke="#fff">{marks}</g></svg>'
    )


def _way(run: Run, kinds: NDArray[np.str_], step: int) -> Ints:
    """Rows of the posts that a run is drawn through: every so many, the last, and all that are no line posts."""
    place = np.arange(len(run.posts))
    drawn = (place % step == 0) | (place == place[-1]) | (kinds[run.posts] != "line")
    return np.concatenate([run.posts[drawn], run.posts[: int(run.closed)]])


def _marked_posts(plan: FencePlan) -> list[tuple[int, str]]:
    """The post at or before each ``stop`` or ``warn`` finding that has a place."""
    placed = zip(plan.fence.findings, finding_places(plan), strict=True)
    marked = [(place.behind, str(item.severity)) for item, place in placed if place and item.severity in MARKS]
    return marked[:DRAWN_POSTS]


def _on_sheet(easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
    """Places on the drawing, north up, in its own units."""
    span = max(float(np.ptp(easting)), float(np.ptp(northing)) * WIDTH / HEIGHT, 1e-9)
    scale = (WIDTH - 2 * MARGIN * WIDTH / HEIGHT) / span
    x = WIDTH / 2 + (easting - (easting.min() + easting.max()) / 2) * scale
    y = HEIGHT / 2 - (northing - (northing.min() + northing.max()) / 2) * scale
    return x, y


def _points(x: Floats, y: Floats) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
