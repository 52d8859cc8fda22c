"""What the reader must know of strained wires: limits that they break, what they carry, which posts they pull up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

import numpy as np

from geofence.engine.limits import limit_findings
from geofence.engine.records import Finding, Floats, Ints, Layout, LevelRules, PostKind, Strains
from geofence.engine.stands import WireLimits
from geofence.engine.strained import SpanBays
from geofence.engine.wire import WireRules
from geofence.numeric import WIDTH_TOLERANCE_M, millimetres_down, millimetres_up

__all__ = ["bay_findings", "wire_findings"]

SCREENING = "This is a screening aid: local codes and a licensed engineer decide."


def bay_findings(
    bays: SpanBays, row: Ints, post_kind: Sequence[PostKind], rules: LevelRules, limits: WireLimits
) -> Iterator[Finding]:
    """Findings of bays whose lowest wire or whose width breaks a limit.

    ``row`` (m,) int64 are their rows in the plan, where bay j starts at post j; ``post_kind`` is of all its posts.
    """
    narrow = bays.end_m - bays.start_m < limits.bay_min_m - WIDTH_TOLERANCE_M
    off_line = bays.departure_m > limits.line_tolerance_m + WIDTH_TOLERANCE_M
    room = f"level the ground here, or let posts stand closer than {limits.bay_min_m:g} m (layout.min_bay_m)"
    for bay in np.flatnonzero(bays.broken(limits) | narrow).tolist():
        start, end = float(bays.start_m[bay]), float(bays.end_m[bay])
        finding = partial(Finding, bay=int(row[bay]), chainage_m=start, unit="m")
        gap, dig = float(bays.gap_max_m[bay]), -float(bays.gap_min_m[bay])
        stop = partial(finding, severity="stop")
        yield from limit_findings(stop, end, gap_m=gap, dig_m=dig, step_m=0.0, rules=rules, room=room)
        if narrow[bay]:
            ends = [post_kind[(int(row[bay]) + at) % len(post_kind)] for at in (0, 1)]
            yield _too_narrow(partial(finding, chainage_to_m=end), float(bays.width_m[bay]), ends, limits)
        if off_line[bay]:
            yield _off_line(partial(finding, chainage_to_m=end), float(bays.departure_m[bay]), limits)


def _too_narrow(finding: partial[Finding], width_m: float, ends: Sequence[PostKind], limits: WireLimits) -> Finding:
    farther = f"move one of the two posts {millimetres_up(limits.bay_min_m - width_m):.3f} m away from the other"
    without = "do without the post that exists: draw it, and leave it out of the file"
    return finding(
        code="bay-under-minimum",
        severity="stop",
        message="Two posts that must be where they are stand closer than the narrowest bay",
        remedy=f"A min_bay_m of {millimetres_down(width_m):.3f} m would fit, or "
        + (f"{without}." if "existing" in ends else f"{farther}, or both to one place."),
        value=width_m,
        limit=limits.bay_min_m,
    )


def _off_line(finding: partial[Finding], departure_m: float, limits: WireLimits) -> Finding:
    return finding(
        code="bay-off-line",
        severity="warn",
        message="The bay runs straight where the line bends; a post on the bend would leave a bay too narrow, or "
        "stand in a keep-clear",
        remedy=f"Allow a line_tolerance_m of {millimetres_up(departure_m):.3f} m, or a narrower min_bay_m.",
        value=departure_m,
        limit=limits.line_tolerance_m,
    )


def wire_findings(layout: Layout, strains: Strains, uplift_kn: Floats, wire: WireRules) -> Iterator[Finding]:
    """``wire-strained`` (note) for the wires of one line, ``wire-tension-over-limit`` and ``post-uplift`` (warn)."""
    if not len(strains):
        return
    yield _strained(strains, wire)
    for row in np.flatnonzero(strains.tension_cold_kn > wire.tension_max_kn).tolist():
        yield _over_limit(strains, row, wire)
    for post in np.flatnonzero(uplift_kn > wire.uplift_max_kn).tolist():
        yield _uplift(layout, post, float(uplift_kn[post]), wire)


def _strained(strains: Strains, wire: WireRules) -> Finding:
    return Finding(
        code="wire-strained",
        severity="note",
        message=f"Each wire is strained to {wire.tension_kn:.2f} kN at {wire.temperature_c:g} °C. It carries up to "
        f"{strains.tension_cold_kn.max():.2f} kN at {wire.temperature_min_c:g} °C and down to "
        f"{strains.tension_hot_kn.min():.2f} kN at {wire.temperature_max_c:g} °C. {SCREENING}",
        remedy="Strained wire stores energy: a wire or a fastening that gives way whips back. Wear eye protection and "
        "gloves, stand clear of its line, and slacken it before it is cut.",
        chainage_m=float(strains.start_m[0]),
        chainage_to_m=float(strains.end_m[-1]),
        value=float(strains.tension_cold_kn.max()),
        limit=wire.tension_max_kn,
        unit="kN",
    )


def _over_limit(strains: Strains, row: int, wire: WireRules) -> Finding:
    tension = float(strains.tension_cold_kn[row])
    return Finding(
        code="wire-tension-over-limit",
        severity="warn",
        message=f"Each wire of this strain carries {tension:.2f} kN at {wire.temperature_min_c:g} °C, "
        f"{wire.tension_max_kn:.2f} kN is allowed. {SCREENING}",
        remedy="Strain to a lower wire.tension_kn, fit tension springs, or take a stronger wire (wire.tension_max_kn).",
        chainage_m=float(strains.start_m[row]),
        chainage_to_m=float(strains.end_m[row]),
        value=tension,
        limit=wire.tension_max_kn,
        unit="kN",
    )


def _uplift(layout: Layout, post: int, uplift_kn: float, wire: WireRules) -> Finding:
    kind = layout.post_kind[post]
    return Finding(
        code="post-uplift",
        severity="warn",
        message=f"Wires rise from this {'post' if kind == 'line' else f'{kind} post'}: at "
        f"{wire.temperature_min_c:g} °C {len(wire.heights_m)} of them pull it up with {uplift_kn:.2f} kN, "
        f"{wire.uplift_max_kn:.2f} kN is held without more. {SCREENING}",
        remedy="Set it deeper or in concrete, tie it down to an anchor in the ground, or strain to a lower "
        "wire.tension_kn; what holds it depends on the soil. A pull it is shown to hold goes into wire.uplift_max_kn.",
        chainage_m=float(layout.post_m[post]),
        post=post,
        value=uplift_kn,
        limit=wire.uplift_max_kn,
        unit="kN",
    )
