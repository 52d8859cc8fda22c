"""A run as drawings show it: its posts one after the other, with what stands between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.on_grid import Chain, chains, stands
from geofence.plan import FencePlan

__all__ = ["FenceLine", "fence_lines"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FenceLine:
    """A run's posts in their order, a ring's first again at its end; bay i stands between posts i and i + 1.

    Attributes
    ----------
    chain
        Rows, chainages and places of the posts.
    xy_m
        (n, 2) east and north of the posts' places on the line, on the grid, in metres.
    stands_m
        (n, 2) where the posts stand: those that exist already beside their places.
    names, kinds
        (n,) of the posts.
    ground_m, top_m, toe_m, height_m, embedment_m
        (n,) of the posts; the first three are levels. The toe of one that exists already is not known: the ground is.
    behind_m, ahead_m
        (n,) undersides of the bays that end and start there; NaN where there is none.
    bays
        (n - 1,) rows of the plan's bays.
    bay_kinds
        (n - 1,) their kinds.
    step_m
        (n,) change of the underside at each post, as the plan counts steps.
    station_m, station_level_m
        Chainages and levels of the ground.
    """

    chain: Chain
    xy_m: Floats
    stands_m: Floats
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    ground_m: Floats
    top_m: Floats
    toe_m: Floats
    height_m: Floats
    embedment_m: Floats
    behind_m: Floats
    ahead_m: Floats
    bays: tuple[int, ...]
    bay_kinds: tuple[str, ...]
    step_m: Floats
    station_m: Floats
    station_level_m: Floats

    @property
    def chainage_m(self) -> Floats:
        return self.chain.chainage_m

    def __len__(self) -> int:
        return len(self.names)

    def ground_between(self, from_m: float, to_m: float) -> Floats:
        """(k, 2) chainage and level of the ground from one chainage to another, with every bend between."""
        inner = self.station_m[(self.station_m > from_m) & (self.station_m < to_m)]
        at = np.concatenate([[from_m], inner, [to_m]])
        return np.column_stack([at, np.interp(at, self.station_m, self.station_level_m)])


def fence_lines(plan: FencePlan) -> list[FenceLine]:
    """The runs of a plan in their order."""
    names, stands_m = plan.post_names, stands(plan) * plan.grid.unit_m
    return [_line(plan, chain, names, stands_m) for chain in chains(plan)]


def _line(plan: FencePlan, chain: Chain, names: tuple[str, ...], stands_m: Floats) -> FenceLine:
    posts, bays, run = plan.fence.posts, plan.fence.bays, chain.run
    rows, bay_rows = np.array(chain.rows), run.bays
    nothing = [np.nan]
    ring = run.closed
    return FenceLine(
        chain=chain,
        xy_m=np.column_stack([chain.easting, chain.northing]) * plan.grid.unit_m,
        stands_m=stands_m[rows],
        names=tuple(names[row] for row in chain.rows),
        kinds=tuple(posts.kind[row] for row in chain.rows),
        ground_m=posts.ground_level_m[rows],
        top_m=posts.top_level_m[rows],
        toe_m=posts.foot_level_m[rows],
        height_m=posts.height_m[rows],
        embedment_m=posts.embedment_m[rows],
        behind_m=np.concatenate(
            [bays.underside_to_m[bay_rows[-1:]] if ring else nothing, bays.underside_to_m[bay_rows]]
        ),
        ahead_m=np.concatenate(
            [bays.underside_from_m[bay_rows], bays.underside_from_m[bay_rows[:1]] if ring else nothing]
        ),
        bays=tuple(bay_rows.tolist()),
        bay_kinds=tuple(bays.kind[row] for row in bay_rows),
        step_m=np.concatenate([bays.step_m[bay_rows], bays.step_m[bay_rows[:1]] if ring else [0.0]]),
        station_m=plan.stations.chainage_m[run.stations],
        station_level_m=plan.stations.ground_level_m[run.stations],
    )
