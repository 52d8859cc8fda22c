"""How tall, how deep and how long posts are, and where on them the panels sit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from geofence.engine.openings import bays_of_gates
from geofence.engine.records import Bays, Finding, Floats, Gate, Layout, PostRules, Posts
from geofence.numeric import SAW_CUT_M

__all__ = ["panel_tops", "place_posts"]


def place_posts(
    layout: Layout, bays: Bays, *, ground_level_m: Floats, rules: PostRules, gates: Sequence[Gate] = ()
) -> tuple[Posts, tuple[Finding, ...]]:
    """The posts of a layout whose bays are known.

    A post's top is the higher of its neighbouring panels' tops there + ``post_reveal_m``. Its toe is the deeper of
    ``embedment_m`` and ``embedment_ratio`` times its height below the ground. It is ordered in the shortest stock
    length that reaches, give or take a saw cut. A gate's posts have rules of their own where the gate has them; a post
    between two gates takes the longer reveal, the deeper embedment and the second gate's stock.

    Parameters
    ----------
    layout
        Where the posts stand.
    bays
        What hangs between them.
    ground_level_m
        (n,) ground at the posts.
    rules
        Reveal, embedment and stock lengths.
    gates
        The layout's gates.

    Returns
    -------
    tuple
        The posts, and a ``warn`` finding ``post-extended`` for each to be set that is longer than the longest stock.
    """
    count, before, after = len(layout.post_m), bays.from_post, bays.to_post
    top = panel_tops(bays, count)
    own = _own_rules(layout, bays, gates)
    reveal, least, ratio = (np.full(count, getattr(rules, name)) for name in _DEPTHS)
    for post, each in own.items():
        reveal[post], least[post], ratio[post] = (getattr(each, name) for name in _DEPTHS)
    top += reveal
    embedment = np.maximum(least, ratio * (top - ground_level_m))
    toe = ground_level_m - embedment
    support_back, support_ahead = np.full(count, np.nan), np.full(count, np.nan)
    support_ahead[before] = top[before] - bays.underside_from_m
    support_back[after] = top[after] - bays.underside_to_m
    stock, findings = _stock(layout, top - toe, rules, own)
    posts = Posts(
        chainage_m=layout.post_m,
        kind=layout.post_kind,
        deflection_deg=layout.deflection_deg,
        ground_level_m=ground_level_m,
        top_level_m=top,
        toe_level_m=toe,
        embedment_m=embedment,
        stock_length_m=stock,
        support_back_m=support_back,
        support_ahead_m=support_ahead,
    )
    return posts, findings


def panel_tops(bays: Bays, posts: int) -> Floats:
    """(posts,) level of the higher top of what hangs at either side of each post."""
    top = np.full(posts, -np.inf)
    np.maximum.at(top, bays.from_post, bays.top_from_m)
    np.maximum.at(top, bays.to_post, bays.top_to_m)
    return top


_DEPTHS = ("post_reveal_m", "embedment_m", "embedment_ratio")


def _own_rules(layout: Layout, bays: Bays, gates: Sequence[Gate]) -> dict[int, PostRules]:
    """The rules of those posts that have their own."""
    own: dict[int, PostRules] = {}
    for row, gate in bays_of_gates(layout, gates) if gates else ():
        ends = (int(bays.from_post[row]), int(bays.to_post[row]))
        for post, rules in zip(ends, gate.posts or (), strict=False):
            other = own.get(post, rules)
            own[post] = replace(rules, **{name: max(getattr(rules, name), getattr(other, name)) for name in _DEPTHS})
    return own


def _stock(
    layout: Layout, length_m: Floats, rules: PostRules, own: Mapping[int, PostRules]
) -> tuple[Floats, tuple[Finding, ...]]:
    """The length to order for each post; the longest stock, and a finding, where none reaches."""
    ordered, findings = length_m.copy(), []
    others = np.ones(len(length_m), dtype=bool)
    others[list(own)] = False
    posts = defaultdict(list, {rules.stock_lengths_m: np.flatnonzero(others).tolist()})
    for post, each in own.items():
        posts[each.stock_lengths_m].append(post)
    for stock_lengths_m, rows in posts.items():
        if stock_lengths_m:
            stock = np.array(stock_lengths_m)
            place = np.searchsorted(stock, length_m[rows] - SAW_CUT_M)
            ordered[rows] = stock[np.minimum(place, len(stock) - 1)]
            short = np.array(rows)[place == len(stock)].tolist()
            findings += [
                _extended(layout, post, float(length_m[post]), float(stock[-1]))
                for post in short
                if layout.post_kind[post] != "existing"
            ]
    return ordered, tuple(findings)


def _extended(layout: Layout, post: int, length_m: float, longest_m: float) -> Finding:
    over = f"{length_m - longest_m:.3f} m more than the longest stock length"
    return Finding(
        code="post-extended",
        severity="warn",
        message=f"The post must be {length_m:.3f} m long, {over}",
        remedy="Order an extension or a longer post (posts.stock_lengths_m), or allow a smaller step.",
        chainage_m=float(layout.post_m[post]),
        post=post,
        value=length_m,
        limit=longest_m,
        unit="m",
    )
