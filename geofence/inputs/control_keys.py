"""The job file's table of control points: marks that stand already, which posts are tied to."""

from __future__ import annotations

from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, Strict

from geofence.inputs.point_columns import ORDERS, columns_of_order
from geofence.systems.system import Section
from geofence.toml_file import fault

__all__ = ["Control"]


def _plain_path(value: Any) -> Any:
    return str(value) if isinstance(value, PurePath) else value


def _columns(order: str) -> str:
    try:
        columns_of_order(order)
    except ValueError as error:
        raise fault(f"is not an order of columns, {error}", remedy=f"Write one {ORDERS}.") from error
    return order


Name = Annotated[str, Field(min_length=1)]


class Control(Section):
    """Control points, which the set-out sheet ties posts to."""

    file: Annotated[str, BeforeValidator(_plain_path), Field(min_length=1)] | None = Field(
        default=None,
        description="a file of points with names, with or without levels; without one there are no such ties",
    )
    layer: Name | None = Field(default=None, description="the layer, where the file has several")
    grid: Name | None = Field(default=None, description="the file's grid, only where it carries none")
    order: Annotated[str, AfterValidator(_columns)] | None = Field(
        default=None, description="columns of a text file without a header that names them; as ground.order"
    )
    decimal: Literal["point", "comma"] | None = Field(
        default=None, description="how a text file writes its decimals, where its numbers leave that open"
    )
    level_unit: Literal["m", "ft", "ftUS"] | None = Field(
        default=None, description="unit of the levels where the file states none"
    )
    level_field: Name | None = Field(
        default=None, description="the field with the levels of a vector file's points, where they have no Z"
    )
    level_offset_m: float = Field(
        default=0.0, ge=-1000, le=1000, description="added to every level, to bring it to the job's level datum"
    )
    codes: Annotated[tuple[Name, ...], Strict(False)] = Field(
        default=(), description="codes of the points to take, such as those of control; [] for all"
    )
    reach_m: float = Field(default=300.0, gt=0, le=10_000, description="the longest tie from a control point to a post")
