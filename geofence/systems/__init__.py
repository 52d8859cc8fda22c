"""Fence systems that come with geofence; each is one TOML file here, an entry point names its path."""

from __future__ import annotations

from pathlib import Path

__all__ = [
    "AAC_PANEL",
    "CLOSE_BOARD",
    "MESH_PANEL",
    "PLAIN_WIRE",
    "POST_AND_RAIL",
    "PRECAST_PANEL",
    "SHEET_PANEL",
    "STOCK_WIRE",
]

_HERE = Path(__file__).parent

AAC_PANEL = _HERE / "aac-panel.toml"
PRECAST_PANEL = _HERE / "precast-panel.toml"
MESH_PANEL = _HERE / "mesh-panel.toml"
SHEET_PANEL = _HERE / "sheet-panel.toml"
POST_AND_RAIL = _HERE / "post-and-rail.toml"
CLOSE_BOARD = _HERE / "close-board.toml"
STOCK_WIRE = _HERE / "stock-wire.toml"
PLAIN_WIRE = _HERE / "plain-wire.toml"
