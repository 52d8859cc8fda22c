"""How tall, how deep and how long posts are, and where on them the panels sit."""

from __future__ import annotations

import numpy as np

from geofence.engine.records import Bays, Finding, Floats, Layout, PostRules, Posts
from geofence.numeric import LEVEL_TOLERANCE_M

__all__ = ["place_posts"]


def place_posts(
    layout: Layout, bays: Bays, *, ground_level_m: Floats, rules: PostRules
) -> tuple[Posts, tuple[Finding, ...]]:
    """The posts of a layout whose bays are known.

    A post's top is the higher of its neighbouring panels' tops there + ``post_reveal_m``. Its toe is the deeper of
    ``embedment_m`` and ``embedment_ratio`` times its height below the ground. It is ordered in the shortest stock
    length that reaches.

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

    Returns
    -------
    tuple
        The posts, and a ``warn`` finding ``post-extended`` for each that is longer than the longest stock.
    """
    count, before, after = len(layout.post_m), bays.from_post, bays.to_post
    top = np.full(count, -np.inf)
    np.maximum.at(top, before, bays.top_from_m)
    np.maximum.at(top, after, bays.top_to_m)
    top += rules.post_reveal_m
    embedment = np.maximum(rules.embedment_m, rules.embedment_ratio * (top - ground_level_m))
    toe = ground_level_m - embedment
    support_back, support_ahead = np.full(count, np.nan), np.full(count, np.nan)
    support_ahead[before] = top[before] - bays.underside_from_m
    support_back[after] = top[after] - bays.underside_to_m
    stock, findings = _stock(layout, top - toe, rules.stock_lengths_m)
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


def _stock(layout: Layout, length_m: Floats, stock_lengths_m: tuple[float, ...]) -> tuple[Floats, tuple[Finding, ...]]:
    """The length to order for each post; the longest stock, and a finding, where none reaches."""
    if not stock_lengths_m:
        return length_m, ()
    stock = np.array(stock_lengths_m)
    row = np.searchsorted(stock, length_m - LEVEL_TOLERANCE_M)
    short = np.flatnonzero(row == len(stock)).tolist()
    findings = tuple(
        Finding(
            code="post-extended",
            severity="warn",
            message=f"The post must be {length_m[post]:.3f} m long, {length_m[post] - stock[-1]:.3f} m more than the "
            "longest stock length",
            remedy="Order an extension or a longer post (posts.stock_lengths_m), or allow a smaller step.",
            chainage_m=float(layout.post_m[post]),
            post=post,
            value=float(length_m[post]),
            limit=float(stock[-1]),
            unit="m",
        )
        for post in short
    )
    return stock[np.minimum(row, len(stock) - 1)], findings
