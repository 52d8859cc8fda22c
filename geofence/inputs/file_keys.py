"""What a job says of files: their names, and how files of points are to be read."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, Strict, WithJsonSchema

from geofence.inputs.point_columns import NEEDED, ORDERS, PLACE, Role, columns_of_order
from geofence.systems.system import Section
from geofence.toml_file import fault

__all__ = ["File", "Files", "MarksFile", "Name", "Order", "PointKeys"]


def _plain_path(value: Any) -> Any:
    return str(value) if isinstance(value, PurePath) else value


def _file_list(value: Any) -> Any:
    return (value,) if isinstance(value, (str, PurePath)) else value


def _columns(order: str, *, need: Sequence[Role]) -> str:
    try:
        columns_of_order(order, need=need)
    except ValueError as error:
        raise fault(f"is not an order of columns, {error}", remedy=f"Write one {ORDERS}.") from error
    return order


Name = Annotated[str, Field(min_length=1)]
File = Annotated[Name, BeforeValidator(_plain_path)]
Files = Annotated[
    tuple[File, ...],
    Strict(False),
    BeforeValidator(_file_list),
    Field(min_length=1),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "minLength": 1},
                {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1},
            ]
        }
    ),
]
Order = Annotated[str, AfterValidator(partial(_columns, need=NEEDED))]
PlaceOrder = Annotated[str, AfterValidator(partial(_columns, need=PLACE))]


class PointKeys(Section):
    """How files of points are read; those of places may leave their levels out."""

    layer: Name | None = Field(default=None, description="the layer of a vector file, where it has several")
    grid: Name | None = Field(default=None, description="the file's grid, only where it carries none")
    order: PlaceOrder | None = Field(
        default=None,
        description="columns of a text file without a header that names them; as ground.order, with or without level",
    )
    decimal: Literal["point", "comma"] | None = Field(
        default=None, description="how a text file writes its decimals, where its numbers leave that open"
    )
    level_unit: Literal["m", "ft", "ftUS"] | None = Field(
        default=None,
        description="unit of the levels where the file states none: m, ft (0.3048 m) or ftUS (1200/3937 m)",
    )
    level_field: Name | None = Field(
        default=None, description="the field with the levels of a vector file's points, where they have no Z"
    )
    level_offset_m: float = Field(
        default=0.0, ge=-1000, le=1000, description="added to every level, to bring it to the job's level datum"
    )
    codes: Annotated[tuple[Name, ...], Strict(False)] = Field(
        default=(), description="codes of the points to take, where the file holds others too; [] for all"
    )


class MarksFile(Section):
    """A file of points that stand for things, if there is one."""

    file: File | None = Field(
        default=None, description="a file of points with names, with or without levels; none where left out"
    )
