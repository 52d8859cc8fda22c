"""Posts that are in the ground already: nothing is dug or ordered for them, and what hangs on them must fit them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from geofence.engine.posts import panel_tops
from geofence.engine.records import Bays, Finding, FixedPost, Layout, Posts
from geofence.numeric import LEVEL_TOLERANCE_M, WIDTH_TOLERANCE_M

__all__ = ["keep_existing", "loaded"]

TALL_M = 0.05
"""A post that ends higher than planned by more than this is told: somebody may want to cut it. Common practice, no
source."""


def keep_existing(
    posts: Posts, bays: Bays, layout: Layout, *, line_tolerance_m: float
) -> tuple[Posts, tuple[Finding, ...]]:
    """The posts of a fence with those that exist kept as they are, and what is to be known of each.

    Such a post has no toe, embedment or stock that anybody knows. Where its top is known, supports are measured from
    there.

    Parameters
    ----------
    posts, bays
        The fence as if all posts were to be set.
    layout
        Its layout, which says what exists.
    line_tolerance_m
        How far a fence may leave its line.

    Returns
    -------
    tuple
        The posts, and findings: ``existing-post``, a ``warn`` for one farther from its place than the tolerance and
        else a ``note``; ``existing-post-short`` and ``existing-post-loaded`` (warn); ``existing-post-tall`` (note).
    """
    if not layout.existing:
        return posts, ()
    rows = [row for row, _ in layout.existing]
    own = np.array([post.top_level_m for _, post in layout.existing])
    top, unknown = posts.top_level_m.copy(), np.zeros(len(posts), dtype=bool)
    top[rows] = np.where(np.isfinite(own), own, top[rows])
    unknown[rows] = True
    higher = top - posts.top_level_m
    standing = replace(
        posts,
        top_level_m=top,
        toe_level_m=np.where(unknown, np.nan, posts.toe_level_m),
        embedment_m=np.where(unknown, np.nan, posts.embedment_m),
        stock_length_m=np.where(unknown, np.nan, posts.stock_length_m),
        support_back_m=posts.support_back_m + higher,
        support_ahead_m=posts.support_ahead_m + higher,
    )
    return standing, tuple(_findings(posts, bays, layout, line_tolerance_m))


def _findings(posts: Posts, bays: Bays, layout: Layout, line_tolerance_m: float) -> Iterator[Finding]:
    gates = np.array(bays.kind) == "gate"
    at_gate = {*bays.from_post[gates].tolist(), *bays.to_post[gates].tolist()}
    panel_top_m = panel_tops(bays, len(posts))
    for row, post in layout.existing:
        finding = partial(Finding, post=row, chainage_m=float(posts.chainage_m[row]))
        yield _kept(finding, post, line_tolerance_m)
        if row in at_gate:
            yield loaded(finding, post, "a gate's leaf hangs on it or shuts against it")
        if np.isfinite(post.top_level_m):
            yield from _fits(finding, post, panel_m=float(panel_top_m[row]), planned_m=float(posts.top_level_m[row]))


def _kept(finding: partial[Finding], post: FixedPost, line_tolerance_m: float) -> Finding:
    off = post.off_m > line_tolerance_m + WIDTH_TOLERANCE_M
    where = f"{post.off_m:.3f} m from its place in the plan" if post.off_m >= 5e-4 else "at its place in the plan"
    return finding(
        code="existing-post",
        severity="warn" if off else "note",
        message=f"{_called(post)} is kept; it stands {where}",
        remedy="Ask whoever owns the boundary whether that is near enough; else draw it, and leave it out of the file."
        if off
        else "Nothing is dug or ordered for it: see that it is sound and plumb.",
        value=post.off_m,
        limit=line_tolerance_m,
        unit="m",
    )


def loaded(finding: partial[Finding], post: FixedPost, by: str) -> Finding:
    """The finding, which says post and chainage, of a post that exists and has to hold more than what hangs beside it.

    ``by`` says what it has to hold, as the beginning of a sentence.
    """
    return finding(
        code="existing-post-loaded",
        severity="warn",
        message=f"{_called(post)} may not hold what it has to here: {by}, and how deep it stands is not known",
        remedy="Dig beside it and see how deep it stands, or set a new post in its place and leave it out of the file.",
    )


def _fits(finding: partial[Finding], post: FixedPost, *, panel_m: float, planned_m: float) -> Iterator[Finding]:
    """Whether what hangs beside a post ends below its top."""
    short, tall = panel_m - post.top_level_m, post.top_level_m - planned_m
    if short > LEVEL_TOLERANCE_M:
        yield finding(
            code="existing-post-short",
            severity="warn",
            message=f"{_called(post)} ends {short:.3f} m below the top of what hangs beside it",
            remedy="Lengthen it, or set a new post in its place and leave it out of the file.",
            value=post.top_level_m,
            limit=panel_m,
            unit="m",
        )
    if tall > TALL_M:
        yield finding(
            code="existing-post-tall",
            severity="note",
            message=f"{_called(post)} ends {tall:.3f} m higher than a new post would",
            remedy="Cut it off after the fence hangs, or leave it.",
            value=post.top_level_m,
            limit=planned_m,
            unit="m",
        )


def _called(post: FixedPost) -> str:
    return f"Existing post {post.name}".rstrip()
