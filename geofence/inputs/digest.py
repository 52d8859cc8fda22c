"""Fingerprints of input files, so that a plan can say what it came from."""

from __future__ import annotations

import hashlib
from collections.abc import Container, Sequence
from pathlib import Path

__all__ = ["digests"]

WORLD = (".tfw", ".tifw", ".wld", ".prj")
SIDECARS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg"),
    ".tif": WORLD,
    ".tiff": WORLD,
    ".asc": (".prj",),
    ".bil": (".hdr", ".blw", ".prj"),
    ".flt": (".hdr", ".prj"),
    ".img": (".ige",),
}
"""Files that carry part of what the named file says: its position, its grid, its records."""


def digests(files: Sequence[Path]) -> dict[str, str]:
    """SHA-256 of each file by its name, sidecars included.

    Of files of one name the later ones show as many of their folders as set them apart.
    """
    whole = dict.fromkeys(part.absolute() for file in files for part in (file, *_sidecars(file)))
    found: dict[str, str] = {}
    for file in whole:
        with file.open("rb") as stream:
            found[_name(file, found)] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def _name(file: Path, taken: Container[str]) -> str:
    name = file.name
    for folder in file.parents:
        if name not in taken:
            break
        name = f"{folder.name}/{name}"
    return name


def _sidecars(file: Path) -> list[Path]:
    """Files beside a file that belong to it, in lower or upper case."""
    parts = [file.with_name(f"{file.name}.aux.xml")]
    for suffix in SIDECARS.get(file.suffix.lower(), ()):
        cases = (file.with_suffix(suffix), file.with_suffix(suffix.upper()))
        parts.append(next((case for case in cases if case.is_file()), cases[0]))
    return [part for part in parts if part.is_file()]
