"""The tables of the job file that say how outputs are made."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, Strict, WithJsonSchema, model_validator

from geofence.errors import JobError
from geofence.stakeout_style import (
    BLANKS,
    COLUMNS,
    FARTHEST_OFFSET_M,
    KINDS,
    MOST_DECIMALS,
    SHORTEST_NAMES,
    USUAL_COLUMNS,
    USUAL_DESCRIPTION,
    Decimal,
    Delimiter,
    Header,
    LevelOf,
    StakeoutStyle,
    Unit,
)
from geofence.systems.system import Section
from geofence.toml_file import fault

__all__ = ["Dxf", "Gpx", "LandXml", "Setout", "Sheets", "Stakeout"]


def _as_written(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


Words = Annotated[str, Field(min_length=1)]
Scale = Annotated[float, Field(ge=10, le=100_000)]


class Sheets(Section):
    """Drawings on paper: their size and scales, and what stands in the title block."""

    paper: Literal["A4", "A3", "A2", "A1", "ANSI-A", "ANSI-B", "ANSI-C", "ANSI-D"] = Field(
        default="A3", description="size of the sheets"
    )
    scale: Scale | None = Field(
        default=None, description="scale of the plan: 250 for 1:250; by the width of the bays where left out"
    )
    section_scale: Scale | None = Field(
        default=None, description="scale of the long-section along the line; the plan's where left out"
    )
    exaggeration: Annotated[float, Field(ge=1, le=50)] | None = Field(
        default=None,
        description="how many times higher than long the long-section is drawn; by the fence's height where left out",
    )
    client: Words | None = Field(default=None, description="who the drawing is for")
    number: Words | None = Field(default=None, description="the drawing's number")
    revision: Words | None = Field(default=None, description="the drawing's revision")
    drawn: Words | None = Field(default=None, description="who drew it")
    checked: Words | None = Field(default=None, description="who checked it")
    date: Annotated[Words, BeforeValidator(_as_written)] | None = Field(
        default=None, description="the drawing's date, as it is to be written"
    )
    notes: Annotated[tuple[Words, ...], Strict(False)] = Field(
        default=(), description="further notes for the first sheet, one text each"
    )


class LandXml(Section):
    """Points and alignments for survey devices (LandXML)."""

    level: Literal["ground", "top", "toe"] = Field(
        default="ground", description="whose level points have: that of the ground at the post, or of the post's ends"
    )


class Gpx(Section):
    """Waypoints for hand-held units (GPX)."""

    level: Literal["none", "ground"] = Field(
        default="none",
        description="whether waypoints have the height of the ground, which a unit takes to be above mean sea level",
    )


class Dxf(Section):
    """Drawings for drawing programs (DXF): the plan on the grid, and the long-section."""

    posts: Literal["2d", "3d"] = Field(
        default="2d", description="marks of posts in the plane; or in space, with their bodies from toe to top"
    )
    scale: Scale = Field(default=500.0, description="scale of the plot that texts and marks are sized for")
    exaggeration: float = Field(
        default=5.0, ge=1, le=50, description="how many times higher than long the long-section is drawn"
    )


class Setout(Section):
    """The set-out sheet for the crew, on paper."""

    paper: Literal["A4", "letter"] = Field(default="A4", description="the paper, standing")
    units: Literal["m", "ft", "ft-in"] = Field(
        default="m",
        description="what lengths are in: metres, decimal feet, or feet and inches to a sixteenth",
    )
    setback_m: float = Field(
        default=3.0,
        ge=0.3,
        le=50,
        description="from a corner to each of the two pegs whose distance checks it; shorter where a leg is; "
        "in feet the nearest whole or half foot",
    )


def _distances(value: Any) -> Any:
    return (value,) if isinstance(value, (int, float)) and not isinstance(value, bool) else value


class Stakeout(Section):
    """Points for the stake-out device (stakeout.csv); `geofence stakeout` writes them in yet another way."""

    order: Words = Field(
        default=",".join(USUAL_COLUMNS),
        description=f"columns, out of {', '.join(COLUMNS)}; or in letters, such as PNEZD",
    )
    unit: Unit = Field(
        default="grid", description="of everything in the file: the grid's own, m, ft (0.3048 m) or ftUS (1200/3937 m)"
    )
    decimals: Annotated[int, Field(ge=0, le=MOST_DECIMALS)] | None = Field(
        default=None, description="decimals of coordinates and levels; as many as resolve 0.1 mm where left out"
    )
    delimiter: Delimiter = Field(default="comma", description="what stands between fields")
    decimal: Decimal = Field(default="point", description="the decimal mark; a comma goes with another delimiter")
    header: Header = Field(default="names", description="whether the first line names the columns")
    level: LevelOf = Field(
        default="ground", description="whose level the column level has: ground at the post, or top or toe of the post"
    )
    description: str = Field(
        default=USUAL_DESCRIPTION,
        description=f"text, or a pattern with any of {', '.join(f'{{{blank}}}' for blank in BLANKS)}; "
        "what is empty for most points, such as {gate}, brings a blank before it along",
    )
    codes: dict[str, str] | None = Field(
        default=None,
        description=f'the device\'s code for a kind of point ({", ".join(KINDS)}), such as {{ corner = "FC" }}; '
        "the kind's own word where left out",
    )
    name_length: Annotated[int, Field(ge=SHORTEST_NAMES)] | None = Field(
        default=None, description="the longest name that the device takes; longer ones are shortened"
    )
    prefix: str = Field(default="P", description="what names begin with, before the number")
    offset_m: Annotated[
        tuple[Annotated[float, Field(ge=-FARTHEST_OFFSET_M, le=FARTHEST_OFFSET_M)], ...],
        Strict(False),
        BeforeValidator(_distances),
        WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "array", "items": {"type": "number"}}]}),
    ] = Field(
        default=(),
        description="marks beside each post, which outlive its hole: distances on the ground, left of travel positive",
    )

    @model_validator(mode="after")
    def _goes_together(self) -> Stakeout:
        try:
            StakeoutStyle.from_values(self.model_dump())
        except JobError as trouble:
            key = str(trouble.place).partition(".")[2]
            word, number = (trouble.value, None) if isinstance(trouble.value, str) else (None, trouble.value)
            message = f"{trouble.message}: {word}" if word else trouble.message
            raise fault(message, keys=(key,), value=number, limit=trouble.limit, remedy=trouble.remedy) from None
        return self
