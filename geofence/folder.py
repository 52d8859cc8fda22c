"""The output folder, replaced whole: a reader finds all of the old files or all of the new ones, never a mixture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

__all__ = ["replace"]


def replace(folder: Path, writers: Mapping[str, Callable[[Path], None]]) -> tuple[Path, ...]:
    """Write files into a folder; returns their paths. PLACEHOLDER until its room is built."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, write in writers.items():
        write(folder / name)
    return tuple(folder / name for name in writers)
