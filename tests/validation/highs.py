"""The optimum of a mixed-integer programme by HiGHS, through scipy: the solver that is not ours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp
from scipy.sparse import coo_array

__all__ = ["minimum"]

Entry = tuple[int, int, float]
"""Row, column and factor of a constraint."""


def minimum(
    objective: np.ndarray,
    *,
    entries: Sequence[Entry],
    low: Sequence[float],
    high: Sequence[float],
    upper: np.ndarray,
    continuous: slice,
    also: Sequence[LinearConstraint] = (),
) -> OptimizeResult:
    """The values ``x``, from 0 to ``upper`` and whole but for ``continuous``, that make the objective ``fun`` least."""
    row, column, value = zip(*entries, strict=True)
    matrix = coo_array((value, (row, column)), shape=(len(low), len(upper))).tocsr()
    integral = np.ones(len(upper))
    integral[continuous] = 0
    found = milp(
        objective,
        integrality=integral,
        bounds=Bounds(0, upper),
        constraints=[LinearConstraint(matrix, low, high), *also],
        options={"mip_rel_gap": 0.0},
    )
    assert found.success, found.message
    return found
