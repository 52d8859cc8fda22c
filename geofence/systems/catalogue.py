"""Finds a fence system: by name among the installed ones, or by path in a file of the user's own."""

from __future__ import annotations

from pathlib import Path

from geofence import registry, toml_file
from geofence.errors import JobError
from geofence.systems.system import System

__all__ = ["is_file_name", "load", "names"]


def names() -> tuple[str, ...]:
    """Names of the installed systems, sorted; other packages may add to them."""
    return registry.names(registry.SYSTEMS)


def load(name_or_path: str | Path, *, base: Path | None = None, place: str = "fence.system") -> System:
    """A system, checked.

    Parameters
    ----------
    name_or_path
        A name of :func:`names`; or the path of a system's TOML file, told by its suffix ``.toml`` or a folder in it.
    base
        Folder that a path is relative to; the current one where left out.
    place
        What to call the place of the name in an error.

    Raises
    ------
    JobError
        No system of that name, no such file, or a file that is not a system: with address, value and limit.
    """
    file = _file(name_or_path, base=base or Path(), place=place)
    document = toml_file.read(file, kind="fence system", remedy=f"Systems by name: {', '.join(names())}.")
    return toml_file.validate(System, document.values, place=document.place)


def is_file_name(name_or_path: str | Path) -> bool:
    """Whether this is the path of a system's file and no name: by its suffix ``.toml`` or a folder in it."""
    text = str(name_or_path)
    return isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text


def _file(name_or_path: str | Path, *, base: Path, place: str) -> Path:
    text = str(name_or_path)
    if is_file_name(name_or_path):
        return base / name_or_path
    try:
        found: Path = registry.find(registry.SYSTEMS, text)
    except JobError as error:
        error.place = place
        raise
    return found
