"""``fence.kml``: posts by kind, bays, gates, zones and findings, for globes and hand-held units (KML 2.2).

All is laid onto the viewer's own ground: its terrain is not the survey, so that levels are told in words and values and
never as altitudes. Free text in descriptions, which viewers read as HTML, is escaped as HTML and then as XML.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import repeat
from pathlib import Path
from typing import Any

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs import xml_text
from geofence.outputs.facts import facts
from geofence.outputs.kinds import kinds_in_order
from geofence.outputs.kml.parts import Columns, data, folder, line, pairs, placemarks, point, schema
from geofence.outputs.kml.style import bay_style, post_style, styles
from geofence.outputs.kml.zones import FINDING_VALUES, ZONE_VALUES, finding_folder, zone_folders
from geofence.outputs.marks import marks
from geofence.outputs.plain_text import one_line
from geofence.outputs.post_words import post_words
from geofence.outputs.xml_text import content, harmless_html
from geofence.plan import FencePlan, Output

__all__ = ["OUTPUT", "write"]

NAMESPACE = "http://www.opengis.net/kml/2.2"
POST_VALUES = (
    *("chainage_m", "easting", "northing", "ground_level_m", "top_level_m", "toe_level_m"),
    *("embedment_m", "length_m", "findings"),
)
BAY_VALUES = (
    *("kind", "from_post", "to_post", "width_m", "underside_from_m", "underside_to_m"),
    *("step_m", "gap_max_m", "dig_max_m", "findings"),
)
NAMES = ("line", "meets", "gate")
"""Values that only some plans have."""


def write(plan: FencePlan, path: Path) -> None:
    """Write the plan, one object a line."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(_document(plan))


def _document(plan: FencePlan) -> Iterator[str]:
    known = facts(plan, places="degrees, WGS 84, laid onto the viewer's ground", levels="metres")
    told = "<br>".join(f"<b>{label}</b>: {harmless_html(sentence)}" for label, sentence in known)
    yield xml_text.DECLARATION
    yield f'<kml xmlns="{NAMESPACE}">\n<Document>\n<name>{content(one_line(plan.name))}</name>\n<open>1</open>\n'
    yield f"<description>{content(told)}</description>\n"
    yield from styles()
    yield schema("post", _values(plan.post_columns(), POST_VALUES))
    yield schema("bay", _values(plan.bay_columns(), BAY_VALUES))
    yield schema("zone", ZONE_VALUES)
    yield schema("finding", FINDING_VALUES)
    yield from _posts(plan)
    yield from _bays(plan)
    yield from zone_folders(plan)
    yield from finding_folder(plan)
    yield "</Document>\n</kml>\n"


def _values(columns: Columns, always: tuple[str, ...]) -> tuple[str, ...]:
    return (*always, *(name for name in NAMES if name in columns))


def _posts(plan: FencePlan) -> Iterator[str]:
    """A folder for each kind of post."""
    columns, names, words = plan.post_columns(), plan.post_names, post_words(plan)
    values = _values(columns, POST_VALUES)
    for kind, rows in kinds_in_order(plan.fence.posts.kind):
        said = (harmless_html(f"{names[row]}, {kind} post: {words[row]}") for row in rows)
        yield from folder(
            f"{kind} posts".capitalize(),
            placemarks(
                [names[row] for row in rows],
                said,
                repeat(post_style(kind), len(rows)),
                data("post", {name: _of(columns[name], rows) for name in values}, plan.grid),
                map(point, pairs(plan.places.lon_deg[rows], plan.places.lat_deg[rows])),
            ),
        )


def _of(values: Sequence[Any] | Floats, rows: Sequence[int]) -> Sequence[Any] | Floats:
    return values[rows] if isinstance(values, np.ndarray) else [values[row] for row in rows]


def _bays(plan: FencePlan) -> Iterator[str]:
    """Gates in a folder of their own."""
    columns, looks, names, bays = plan.bay_columns(), marks(plan, "bay"), plan.bay_names, plan.fence.bays
    kinds = plan.bay_words
    values, gates = _values(columns, BAY_VALUES), [one_line(name) for name in plan.gate_names("bay")]
    places = list(pairs(plan.places.lon_deg, plan.places.lat_deg))
    is_gate = np.array([kind == "gate" for kind in bays.kind], dtype=bool)
    for title, rows in (("Bays", np.flatnonzero(~is_gate).tolist()), ("Gates", np.flatnonzero(is_gate).tolist())):
        if not rows:
            continue
        yield from folder(
            title,
            placemarks(
                [gates[row] or names[row] for row in rows],
                (harmless_html(_bay_words(plan, row, names[row], kinds[row], gates[row], looks[row])) for row in rows),
                (bay_style(bays.kind[row], looks[row]) for row in rows),
                data("bay", {name: _of(columns[name], rows) for name in values}, plan.grid),
                (line([places[bays.from_post[row]], places[bays.to_post[row]]]) for row in rows),
            ),
        )


def _bay_words(plan: FencePlan, row: int, name: str, kind: str, gate: str, look: str) -> str:
    bays = plan.fence.bays
    what = f"gate {gate}" if gate else f"{kind} bay"
    words = f"{name}, {what}: {bays.width_m[row]:.3f} m wide, underside {bays.underside_from_m[row]:.3f} m"
    return f"{words}; {look}" if look else words


OUTPUT = Output(filename="fence.kml", title="The fence on a globe (KML 2.2)", write=write, standing=False)
