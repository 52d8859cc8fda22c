"""``plan.npz``: what a finished plan is kept in, whole. Its writer is an output, its reader an input.

A zip archive that ``numpy.load`` and any unzip program open. ``record.json`` holds the tree, ``*.npy`` the columns it
names (:mod:`geofence.packed`), ``SHA256SUMS`` the digests of both, as ``sha256sum --check`` reads them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geofence import packed
from geofence.packed import Packed
from geofence.plan import FencePlan
from geofence.plan_rows import check_rows
from geofence.site.ground import Relief

__all__ = ["COLUMN", "FILENAME", "FORMAT", "RECORD", "SCHEMA", "SUMS", "pack", "unpack"]

FILENAME = "plan.npz"
FORMAT = "geofence plan"
"""What the record says it is."""

SCHEMA = 1
"""Rises when what is kept changes its meaning or goes. A new field does not raise it: a plan from before takes the
field's default, and a geofence from before refuses what it does not know."""

RECORD, COLUMN, SUMS = "record.json", ".npy", "SHA256SUMS"
"""Members of the archive: the tree, what the name of a column ends in, the digests."""

_NAMES: Mapping[str, Any] = {"Relief": Relief}


def pack(plan: FencePlan) -> Packed:
    """The plan as a tree and columns."""
    return packed.pack(plan, _NAMES)


def unpack(parts: Packed) -> FencePlan:
    """The plan of a tree and columns.

    Raises
    ------
    geofence.packed.UnfitError
        They are not those of a plan, or name rows that it does not have.
    """
    plan: FencePlan = packed.unpack(FencePlan, parts, _NAMES)
    check_rows(plan)
    return plan
