"""A web put together bay by bay, and from the webs of its parts."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from geofence.engine.web import Template, Web

__all__ = ["Weaver"]


class Weaver:
    """Takes the posts and bays of layouts with equally many bays. A post is known by its layer and a key."""

    def __init__(self, template: Template, bays: int) -> None:
        self.template = template
        self.post_m: list[list[float]] = [[] for _ in range(bays + 1)]
        self.row: list[dict[Hashable, int]] = [{} for _ in range(bays + 1)]
        self.bays: dict[tuple[int, int, int], float] = {}

    def post(self, layer: int, key: Hashable, at_m: float) -> int:
        """The row of a post after so many bays; a new one if the key is new there."""
        row = self.row[layer].setdefault(key, len(self.post_m[layer]))
        if row == len(self.post_m[layer]):
            self.post_m[layer].append(at_m)
        return row

    def bay(self, layer: int, come: int, go: int, width_m: float) -> None:
        """A bay between the posts of these rows before and after a layer."""
        self.bays[layer, come, go] = width_m

    def part(self, web: Web, layer: int, come: int, go: int) -> None:
        """The layouts of a web between two posts: its first layer is that one, its inner posts are new."""
        last, rows = layer + web.layers, {(layer, 0): come, (layer + web.layers, 0): go}
        bays = zip(web.layer.tolist(), web.come.tolist(), web.go.tolist(), web.end_m.tolist(), strict=True)
        for (at, before, after, end_m), width_m in zip(bays, web.width_m.tolist(), strict=True):
            here = layer + at + 1
            if here < last and (here, after) not in rows:
                rows[here, after] = self.post(here, object(), end_m)
            self.bay(here - 1, rows[here - 1, before], rows[here, after], width_m)

    def web(self) -> Web:
        """All of it. There must be a bay, and every post must be on a layout."""
        layer, come, go = np.array(list(self.bays), dtype=np.int64).T
        return Web.of(
            self.template,
            post_m=np.concatenate([np.array(posts) for posts in self.post_m]),
            width_m=np.array(list(self.bays.values())),
            layer=layer,
            come=come,
            go=go,
            posts=np.array([len(posts) for posts in self.post_m]),
        )
