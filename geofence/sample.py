"""What a user begins with: the invented estate that ships with the package, and a starter job file."""

from __future__ import annotations

from pathlib import Path

from geofence.errors import OutputError
from geofence.inputs.job import STARTER

__all__ = ["LONG_JOB", "PADDOCKS_JOB", "SAMPLE_DATA", "SAMPLE_JOB", "write_starter"]

STARTER_NAME = "fence.toml"

_HERE = Path(__file__).parent
SAMPLE_DATA = _HERE / "sample_data" if (_HERE / "sample_data").is_dir() else _HERE.parent / "sample_data"
"""In a wheel beside this module, in a checkout at the top level."""

SAMPLE_JOB = SAMPLE_DATA / "alder_down" / "fence.toml"
LONG_JOB = SAMPLE_DATA / "alder_down_long" / "fence.toml"
PADDOCKS_JOB = SAMPLE_DATA / "alder_down_paddocks" / "fence.toml"


def write_starter(folder: Path) -> Path:
    """Write a commented starter job file into a folder, made if need be; returns the file.

    Raises
    ------
    OutputError
        There is such a file already, or the folder cannot be written.
    """
    file = folder / STARTER_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with file.open("x", encoding="utf-8") as target:
            target.write(STARTER.read_text(encoding="utf-8"))
    except FileExistsError as error:
        raise OutputError("there is such a file already", place=str(file), remedy="Choose another folder.") from error
    except OSError as error:
        raise OutputError(
            f"cannot be written: {error.strerror}", place=str(file), remedy="Choose a folder that you may write to."
        ) from error
    return file
