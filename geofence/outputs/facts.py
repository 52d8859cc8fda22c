"""What a reader must know to use the numbers of a file, in words: grid, units, level datum, distances, cautions."""

from __future__ import annotations

from geofence.outputs.plain_text import one_line
from geofence.plan import FencePlan

__all__ = ["Facts", "facts"]

Facts = tuple[tuple[str, str], ...]
"""Label and sentence, each on a single line."""

NOT_STATED = "not stated"


def facts(plan: FencePlan, *, places: str, levels: str) -> Facts:
    """What is to be known of a file; cautions come last, each under the label ``caution``.

    Parameters
    ----------
    places
        What the file's coordinates are.
    levels
        What the file's levels are in: ``metres``.
    """
    grid, factor = plan.grid, plan.grid.combined_factor
    code = grid.code or "without a code"
    return (
        ("job", one_line(plan.name)),
        ("fence", one_line(plan.system.title)),
        ("coordinates", places),
        ("grid", f"{one_line(grid.name)} ({one_line(code)}), unit: {one_line(grid.unit)} = {grid.unit_m:.12g} m"),
        ("levels", f"{levels}, above the level datum: {one_line(grid.level_datum) or NOT_STATED}"),
        (
            "distances",
            "chainages, widths and lengths are ground distances, as a tape reads them; "
            f"grid distance = {factor:.8f} x ground distance, mean along the line",
        ),
        *(("caution", caution) for caution in plan.cautions),
    )
