"""``stakeout.csv``: the points for the stake-out device.

The device takes one unit for a whole file, so every number is in that unit, levels too: by default the grid's.
``level`` is by default that of the ground at the post as the plan knows it: a device that then shows a cut or fill of
more than the survey's own accuracy stands on the wrong datum, at the wrong place, or on changed ground. The level of
the post's top, which the crew sets the post to, is in the description. The first line is the header, so what the
numbers are in, and the cautions, are in ``stakeout.txt`` beside it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs import csv_text
from geofence.outputs.digits import fixed, position_decimals
from geofence.outputs.existing_words import beside_their_places
from geofence.outputs.mark_zones import NoPeg
from geofence.outputs.marks import marks
from geofence.outputs.plain_text import one_line
from geofence.outputs.stakeout_points import stakeout_points
from geofence.plan import FencePlan, Output
from geofence.plan_lines import own_lines
from geofence.stakeout_style import OFFSET, StakeoutStyle, blanks
from geofence.units import same_unit

__all__ = ["DELIMITERS", "OUTPUT", "StakeoutStyle", "decimals_of", "digest", "in_units", "write"]

DELIMITERS: Mapping[str, str] = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}

_MEASURE_DECIMALS = 3

_POST_COLUMNS: Mapping[str, str] = {
    "ground": "ground_level_m",
    "top": "top_level_m",
    "toe": "toe_level_m",
    "height": "height_m",
    "depth": "embedment_m",
    "length": "length_m",
    "chainage": "chainage_m",
}
"""What the file calls the columns of the plan's posts."""


def write(plan: FencePlan, path: Path, *, style: StakeoutStyle | None = None) -> None:
    """Write the points in the order of the posts, laid out by ``style``; None: as the plan's job has it."""
    with path.open("w", encoding=csv_text.ENCODING, errors=csv_text.UNENCODED, newline="") as file:
        file.writelines(_lines(plan, style or StakeoutStyle.of(plan)))


def digest(plan: FencePlan, style: StakeoutStyle) -> str:
    """The SHA-256 of the file that :func:`write` writes."""
    found = hashlib.sha256()
    for line in _lines(plan, style):
        found.update(line.encode(csv_text.ENCODING, csv_text.UNENCODED))
    return found.hexdigest()


def _lines(plan: FencePlan, style: StakeoutStyle) -> Iterator[str]:
    table = _Table(plan, style)
    columns = {name: table.column(name) for name in style.order}
    return csv_text.lines(columns, delimiter=DELIMITERS[style.delimiter], header=style.header)


def in_units(coordinates: Floats, plan: FencePlan, style: StakeoutStyle) -> Floats:
    """Eastings or northings in the unit of the file."""
    own_m, unit_m = plan.grid.unit_m, style.unit_m(plan)
    return coordinates if same_unit(own_m, unit_m) else coordinates * (own_m / unit_m)


def decimals_of(plan: FencePlan, style: StakeoutStyle) -> int:
    """Decimals of coordinates and levels."""
    return position_decimals(style.unit_m(plan)) if style.decimals is None else style.decimals


class _Table:
    """The columns of a file, each made when it is asked for."""

    def __init__(self, plan: FencePlan, style: StakeoutStyle) -> None:
        self.plan, self.style = plan, style
        self.points = stakeout_points(plan, style)
        kinds = plan.fence.posts.kind
        self.kinds = [OFFSET if beside else kinds[row] for row, beside in self._rows()]

    def _rows(self) -> Iterable[tuple[int, float]]:
        """Of each point its post and how far it is beside it."""
        return zip(self.points.post.tolist(), self.points.offset_m.tolist(), strict=True)

    def column(self, name: str) -> Iterable[str]:
        """The fields of one of :data:`geofence.stakeout_style.COLUMNS`."""
        match name:
            case "point":
                return self.points.name
            case "easting" | "northing":
                return self._figures(in_units(getattr(self.points, name), self.plan, self.style))
            case "level":
                return self._lengths(self.style.level)
            case "description":
                return self._words(self._descriptions())
            case "code":
                return self._words(map(self.style.code, self.kinds))
            case "kind":
                return self.kinds
            case "line":
                return self._words(self._of_points(self._line_of_posts()))
            case _:
                return self._lengths(name)

    def _words(self, texts: Iterable[str]) -> list[str]:
        """Free text, a line of the file to each point whatever it holds: devices read line by line."""
        return csv_text.words((" ".join(text.splitlines()) for text in texts), DELIMITERS[self.style.delimiter])

    def _figures(self, values: Floats, *, decimals: int | None = None, missing: str = "") -> Iterable[str]:
        """Numbers in the unit of the file, as the file writes them."""
        texts = fixed(values, decimals_of(self.plan, self.style) if decimals is None else decimals, missing=missing)
        return (text.replace(".", ",") for text in texts) if self.style.decimal == "comma" else texts

    def _lengths(self, name: str) -> Iterable[str]:
        """A level or a length of the post of each point."""
        values = getattr(self.plan.fence.posts, _POST_COLUMNS[name])[self.points.post]
        return self._figures(values / self.style.unit_m(self.plan))

    def _measures(self, values_m: Floats) -> list[str]:
        """Lengths as a description has them, to a thousandth."""
        unit_m = self.style.unit_m(self.plan)
        return list(self._figures(values_m / unit_m, decimals=_MEASURE_DECIMALS, missing="?"))

    def _of_points(self, of_posts: list[str]) -> list[str]:
        """Of each point what its post has."""
        return [of_posts[row] for row in self.points.post.tolist()]

    def _line_of_posts(self) -> list[str]:
        return own_lines(self.plan.runs, "post", len(self.plan.fence.posts))

    def _descriptions(self) -> list[str]:
        pattern, posts = self.style.description, self.plan.fence.posts
        wanted = set(blanks(pattern))
        of_post = {
            name: self._measures(getattr(posts, column)) for name, column in _POST_COLUMNS.items() if name in wanted
        }
        of_post["line"] = self._line_of_posts()
        of_post["gate"] = [f" {name}" if name else "" for name in self.plan.gate_names("post")]
        of_post["marks"] = [f" {mark}" if mark else "" for mark in marks(self.plan)]
        texts: dict[str, Iterable[str]] = {name: self._of_points(values) for name, values in of_post.items()}
        texts |= {
            "kind": self.kinds,
            "code": map(self.style.code, self.kinds),
            "offset": self._beside(),
            "stands": self._stands(),
        }
        names = tuple(texts)
        rows = zip(*texts.values(), strict=True)
        return [
            _no_peg(no_peg) + pattern.format_map(dict(zip(names, row, strict=True))).strip(" ")
            for row, no_peg in zip(rows, self.points.no_peg, strict=True)
        ]

    def _stands(self) -> list[str]:
        """How far from its point a post stands that exists; nothing for others, and for marks."""
        away = beside_their_places(self.plan, lambda by_m: self._measures(np.array([by_m]))[0])
        return [f" stands {away[row]}" if row in away and not beside else "" for row, beside in self._rows()]

    def _beside(self) -> list[str]:
        """How far beside which post a mark is; nothing for a post."""
        names = [name for name, (_, beside) in zip(self.points.name, self._rows(), strict=True) if not beside]
        distances = self._measures(np.abs(self.points.offset_m))
        return [
            f" {distance} {'left' if beside > 0 else 'right'} of {names[row]}" if beside else ""
            for distance, (row, beside) in zip(distances, self._rows(), strict=True)
        ]


def _no_peg(found: NoPeg | None) -> str:
    """What the description of a mark in a keep-clear begins with, whatever its pattern, for whoever sees only that."""
    return f"NO PEG, in {one_line(found.zone)}: " if found else ""


OUTPUT = Output(filename="stakeout.csv", title="Points for the stake-out device (CSV)", write=write)
