"""What would let bays through where none lead from one post to another: the smallest change of each limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from geofence.engine.barred import Task, leads_through
from geofence.numeric import COINCIDENT_M, millimetres_down, millimetres_up

__all__ = ["Relaxation", "least_change", "relaxations"]

Relaxation = tuple[float, str]
"""By how much something changes, and the change in words."""

HALVINGS = 40
"""Of a length of metres: far below the millimetre that remedies are rounded to."""


def relaxations(task: Task) -> list[Relaxation]:
    """What lets bays through, each by itself, the smallest change first; each holds when rounded to the millimetre."""
    found = []
    least = task.min_bay_m
    narrower = least_change(lambda by: leads_through(replace(task, min_bay_m=least - by)), least - COINCIDENT_M)
    if narrower is not None:
        width = millimetres_down(least - narrower)
        if width >= COINCIDENT_M:
            found.append((narrower, f"a narrowest bay (layout.min_bay_m) of {width:.3f} m"))
    longest = task.end_m - task.start_m
    wider = least_change(lambda by: leads_through(replace(task, module_m=task.module_m + by)), longest - task.module_m)
    if wider is not None:
        found.append((wider, f"a module (layout.module_m) of {millimetres_up(task.module_m + wider):.3f} m"))
    return sorted(found)


def least_change(holds: Callable[[float], bool], most: float) -> float | None:
    """The least change that makes something hold, where a larger one does too; None where none up to ``most`` does."""
    least = 0.0
    if most <= 0 or not holds(most):
        return None
    for _ in range(HALVINGS):
        middle = (least + most) / 2
        if holds(middle):
            most = middle
        else:
            least = middle
    return most
