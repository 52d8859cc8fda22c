"""The fences of several runs as one, which share the posts at which runs meet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import chain
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from geofence.engine.junctions import JunctionRules, Member, merged, steps_between
from geofence.engine.records import Bays, Cost, Fence, Finding, Floats, Ints, Posts, Strains
from geofence.numeric import COINCIDENT_M

__all__ = ["Joined", "join", "join_at"]

RETOLD = ("post-extended", "post-uplift")
"""Findings of single posts, which are found anew where a post is shared."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """Several runs as one fence.

    Attributes
    ----------
    fence
        Posts run by run, those that runs share in the first one's rows only; bays, strains and findings run by run.
    runs
        The fence of each run by itself, with its posts as they are with all that meets there.
    rows
        For each run and each of its posts the row in ``fence.posts``.
    kept
        For each run and each of its posts whether ``fence.posts`` has its row from here.
    """

    fence: Fence
    runs: tuple[Fence, ...]
    rows: tuple[Ints, ...]
    kept: tuple[NDArray[np.bool_], ...]


def join(fences: Sequence[Fence]) -> Fence:
    """Runs that do not meet as one fence: rows follow each other, chainages are as they are."""
    return fences[0] if len(fences) == 1 else join_at(fences, ()).fence


def join_at(
    fences: Sequence[Fence], junctions: Sequence[Sequence[tuple[int, float]]], rules: JunctionRules | None = None
) -> Joined:
    """Runs that meet as one fence.

    A post at a junction carries the bays of all runs there: it ends above the highest, and its length, depth and the
    way of its supports follow. Its kind is the one that matters most to a crew: it exists, then it is a gate's, then
    where runs meet. Wires of all runs pull at it.

    Parameters
    ----------
    fences
        What is planned on each run.
    junctions
        For each place where runs meet, rows of the runs and chainages of the post there, in the runs' order.
    rules
        What posts, steps and wires keep; needed where there are junctions.

    Raises
    ------
    ValueError
        A run has no post at a junction.
    """
    groups = [[Member(run=run, post=_row_of(fences[run], at)) for run, at in places] for places in junctions]
    kept = tuple(np.ones(len(fence.posts), dtype=bool) for fence in fences)
    for member in chain.from_iterable(group[1:] for group in groups):
        kept[member.run][member.post] = False
    rows = _rows(kept, groups)
    runs: tuple[Fence, ...] = tuple(fences)
    found: list[tuple[int, Finding]] = []
    if groups and rules is not None:
        runs, found = _shared(fences, groups, rules)
    strangers = {(member.run, member.post) for member in chain.from_iterable(groups)}
    fence = Fence(
        posts=_stacked([_chosen(run.posts, keep) for run, keep in zip(runs, kept, strict=True)]),
        bays=_stacked([_led(run.bays, to) for run, to in zip(runs, rows, strict=True)]),
        strains=_stacked([_led(run.strains, to) for run, to in zip(runs, rows, strict=True)]),
        findings=(*_told(fences, rows, strangers), *(_led_finding(item, rows) for item in found)),
        cost=sum((run.cost for run in fences), Cost()),
    )
    return Joined(fence=fence, runs=runs, rows=rows, kept=kept)


def _row_of(fence: Fence, chainage_m: float) -> int:
    """The post of a fence at a chainage; a ring comes back to its first post at its full length."""
    at = fence.posts.chainage_m
    row = int(np.argmin(np.abs(at - chainage_m)))
    if abs(at[row] - chainage_m) > 2 * COINCIDENT_M:
        raise ValueError(f"no post stands at the junction at chainage {chainage_m:.3f}")
    return row


def _rows(kept: Sequence[NDArray[np.bool_]], groups: Sequence[Sequence[Member]]) -> tuple[Ints, ...]:
    """Rows of all posts among those that are kept."""
    first = np.cumsum([0, *(int(np.count_nonzero(keep)) for keep in kept)])
    rows = tuple(start + np.cumsum(keep) - 1 for start, keep in zip(first, kept, strict=False))
    for group in groups:
        for member in group[1:]:
            rows[member.run][member.post] = rows[group[0].run][group[0].post]
    return rows


def _shared(
    fences: Sequence[Fence], groups: Sequence[Sequence[Member]], rules: JunctionRules
) -> tuple[tuple[Fence, ...], list[tuple[int, Finding]]]:
    """The runs with their posts at junctions as they are with all that meets there, and findings with their run."""
    columns: list[dict[str, Any]] = [
        {item.name: _writable(getattr(fence.posts, item.name)) for item in fields(fence.posts)} for fence in fences
    ]
    found: list[tuple[int, Finding]] = []
    for group in groups:
        values, told = merged(fences, group, rules)
        owner = group[0]
        found += [(owner.run, item) for item in (*told, *steps_between(fences, group, rules))]
        for member in group:
            for name, value in values.items():
                columns[member.run][name][member.post] = value
    runs = []
    for fence, column in zip(fences, columns, strict=True):
        lift = column["top_level_m"] - fence.posts.top_level_m
        column["support_back_m"] += lift
        column["support_ahead_m"] += lift
        runs.append(replace(fence, posts=Posts(**column | {"kind": tuple(column["kind"])})))
    return tuple(runs), found


def _writable(values: Any) -> Any:
    return list(values) if isinstance(values, tuple) else np.array(values)


def _told(fences: Sequence[Fence], rows: Sequence[Ints], shared: set[tuple[int, int]]) -> Iterator[Finding]:
    """The runs' findings; of shared posts none that are found anew, and none in the same words twice."""
    bays, said = 0, set()
    for run, (fence, to) in enumerate(zip(fences, rows, strict=True)):
        for item in fence.findings:
            post = None if item.post is None else int(to[item.post])
            here = (run, item.post) in shared
            once = (item.code, post, item.message)
            if here and (item.code in RETOLD or once in said):
                continue
            if here:
                said.add(once)
            bay = None if item.bay is None else item.bay + bays
            yield replace(item, post=post, bay=bay, posts=tuple(to[list(item.posts)].tolist()))
        bays += len(fence.bays)


def _led_finding(told: tuple[int, Finding], rows: Sequence[Ints]) -> Finding:
    run, item = told
    return replace(item, post=None if item.post is None else int(rows[run][item.post]))


Ends = TypeVar("Ends", Bays, Strains)


def _led(table: Ends, rows: Ints) -> Ends:
    """A table whose posts have other rows."""
    return replace(table, from_post=rows[table.from_post], to_post=rows[table.to_post])


def _chosen(posts: Posts, kept: NDArray[np.bool_]) -> Posts:
    if kept.all():
        return posts
    values: Mapping[str, Any] = {item.name: _of(getattr(posts, item.name), kept) for item in fields(posts)}
    return Posts(**values)


def _of(values: Floats | tuple[Any, ...], kept: NDArray[np.bool_]) -> Any:
    if isinstance(values, tuple):
        return tuple(value for value, keep in zip(values, kept, strict=True) if keep)
    return values[kept]


Columns = TypeVar("Columns", Posts, Bays, Strains)


def _stacked(tables: Sequence[Columns]) -> Columns:
    """Tables of one kind, one below the other."""
    values: dict[str, Any] = {}
    for item in fields(tables[0]):
        columns = [getattr(table, item.name) for table in tables]
        values[item.name] = (
            tuple(chain.from_iterable(columns)) if isinstance(columns[0], tuple) else np.concatenate(columns)
        )
    return type(tables[0])(**values)
