"""Fingerprints of input files, so that a plan can say what it came from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

__all__ = ["digests"]

SIDECARS = {".shp": (".shx", ".dbf", ".prj", ".cpg")}
"""Files that carry part of what the named file says."""


def digests(files: Sequence[Path]) -> dict[str, str]:
    """SHA-256 of each file by its name, sidecars included; of two files of one name the later shows its folder too."""
    whole = [part for file in files for part in (file, *_sidecars(file))]
    found: dict[str, str] = {}
    for file in whole:
        name = file.name if file.name not in found else f"{file.parent.name}/{file.name}"
        with file.open("rb") as stream:
            found[name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def _sidecars(file: Path) -> list[Path]:
    parts = (file.with_suffix(suffix) for suffix in SIDECARS.get(file.suffix.lower(), ()))
    return [part for part in parts if part.is_file()]
