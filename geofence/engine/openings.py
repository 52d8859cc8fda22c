"""Gates: where their two posts stand, or why they cannot."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from geofence.engine.chords import BentLine
from geofence.engine.records import Gate, Layout, LayoutRules, Path
from geofence.errors import LayoutError
from geofence.numeric import COINCIDENT_M, WIDTH_TOLERANCE_M, millimetres_down, millimetres_up

__all__ = ["Opening", "bays_of_gates", "place_gates"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A gate between its two posts, ``width_m`` apart centre to centre."""

    gate: Gate
    start_m: float
    end_m: float
    width_m: float


def place_gates(gates: Sequence[Gate], runs: Sequence[BentLine], path: Path, rules: LayoutRules) -> tuple[Opening, ...]:
    """Stand the gates on the line, in order of chainage.

    ``runs`` are the stretches of the line between its ends and corners. A gate's second post stands its width from
    the first, straight across a slight bend. A gate's post within :data:`COINCIDENT_M` of a corner, an end or another
    gate's post is that post.

    Raises
    ------
    LayoutError
        A gate does not start on the line, reaches past its end, round a corner or over a ring's first post,
        overlaps another, or leaves the line by more than ``line_tolerance_m``.
    """
    openings: list[Opening] = []
    for gate in sorted(gates, key=lambda gate: gate.chainage_m):
        _check_start(gate, path)
        run = runs[bisect_right(runs, gate.chainage_m + COINCIDENT_M, key=lambda run: run.vertex_m[0]) - 1]
        before = openings[-1] if openings else None
        opening = _open(gate, run, before)
        _check_reach(opening, run, path)
        if before is not None and opening.start_m < before.end_m:
            raise _overlap(before, opening)
        _check_line(opening, run, rules)
        openings.append(opening)
    return tuple(openings)


def bays_of_gates(laid: Layout, gates: Sequence[Gate]) -> list[tuple[int, Gate]]:
    """The row of each gate's bay in the layout that was made with these gates, in order of chainage."""
    rows = [row for row, kind in enumerate(laid.bay_kind) if kind == "gate"]
    return list(zip(rows, sorted(gates, key=lambda gate: gate.chainage_m), strict=True))


def _open(gate: Gate, run: BentLine, before: Opening | None) -> Opening:
    start = gate.chainage_m
    for post in (run.vertex_m[0], *((before.end_m,) if before else ())):
        if abs(start - post) <= COINCIDENT_M:
            start = post
    end = next(run.walk(start, gate.width_m))
    if abs(end - run.vertex_m[-1]) <= COINCIDENT_M:
        end = run.vertex_m[-1]
        return Opening(gate=gate, start_m=start, end_m=end, width_m=run.chord_m(start, end))
    return Opening(gate=gate, start_m=start, end_m=end, width_m=gate.width_m)


def _check_start(gate: Gate, path: Path) -> None:
    if not gate.width_m > COINCIDENT_M:
        raise LayoutError(
            f"gate {gate.name} has no width",
            rule="gate-width",
            gate=gate.name,
            span_m=(gate.chainage_m, gate.chainage_m),
            value=gate.width_m,
            limit=COINCIDENT_M,
            unit="m",
            remedy="Give the distance between its posts, centre to centre.",
        )
    outside = max(-gate.chainage_m, gate.chainage_m - path.length_m)
    if not outside <= COINCIDENT_M:
        where = "before the start" if gate.chainage_m < 0 else "beyond the end"
        raise LayoutError(
            f"gate {gate.name} starts {where} of the line",
            rule="gate-within-line",
            gate=gate.name,
            span_m=(gate.chainage_m, gate.chainage_m + gate.width_m),
            value=f"{outside:.3f} m outside, on a line of {path.length_m:.3f} m",
            remedy="Move it onto the line.",
        )


def _check_reach(opening: Opening, run: BentLine, path: Path) -> None:
    end = run.vertex_m[-1]
    past = opening.end_m - end
    if past <= 0:
        return
    name, back = opening.gate.name, f"{millimetres_up(past):.3f} m"
    room = run.chord_m(opening.start_m, end)
    rule, what = "gate-within-leg", f"gate {name} reaches round a corner"
    remedy = f"Move it back by {back}, or make it {back} narrower."
    if end == path.length_m:
        rule, what = "gate-within-line", f"gate {name} reaches past the end of the line"
        if path.closed:
            rule, what = "gate-within-ring", f"gate {name} reaches over the first post of the ring"
            remedy = f"Move it back by {back}, make it {back} narrower, or start the ring at another vertex."
    raise LayoutError(
        f"{what}: there is room for {millimetres_down(room):.3f} m from its first post",
        rule=rule,
        gate=name,
        span_m=(opening.start_m, opening.end_m),
        value=opening.gate.width_m,
        limit=millimetres_down(room),
        unit="m",
        remedy=remedy,
    )


def _overlap(before: Opening, opening: Opening) -> LayoutError:
    by = millimetres_up(before.end_m - opening.start_m)
    return LayoutError(
        f"gates {before.gate.name} and {opening.gate.name} overlap",
        rule="gates-apart",
        gate=opening.gate.name,
        span_m=(opening.start_m, min(opening.end_m, before.end_m)),
        value=by,
        limit=0.0,
        unit="m",
        remedy=f"Move {opening.gate.name} on by {by:.3f} m or more; gates that touch share a post.",
    )


def _check_line(opening: Opening, run: BentLine, rules: LayoutRules) -> None:
    departure = run.departure_m(opening.start_m, opening.end_m)
    if departure > rules.line_tolerance_m + WIDTH_TOLERANCE_M:
        raise LayoutError(
            f"gate {opening.gate.name} stands across a bend and leaves the line",
            rule="gate-on-line",
            gate=opening.gate.name,
            span_m=(opening.start_m, opening.end_m),
            value=round(departure, 4),
            limit=rules.line_tolerance_m,
            unit="m",
            remedy=f"Move it off the bend, or allow a line_tolerance_m of {millimetres_up(departure):.3f} m.",
        )
