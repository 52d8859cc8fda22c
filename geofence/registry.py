"""Finds the plug-ins: ground readers, fence systems and outputs.

All three are entry points, the built-in ones too, so that another package adds one by declaring it:

========================  =====================================================================
group                     what an entry point names
========================  =====================================================================
``geofence.grounds``      a :class:`geofence.site.ground.GroundReader`
``geofence.systems``      the :class:`pathlib.Path` of a fence system's TOML file
``geofence.outputs``      a :class:`geofence.plan.Output`
========================  =====================================================================
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from geofence.errors import JobError
from geofence.words import nearest

__all__ = ["GROUNDS", "OUTPUTS", "SYSTEMS", "extra", "find", "names"]

GROUNDS = "geofence.grounds"
SYSTEMS = "geofence.systems"
OUTPUTS = "geofence.outputs"


@cache
def _entries(group: str) -> dict[str, EntryPoint]:
    return {entry.name: entry for entry in sorted(entry_points(group=group), key=lambda entry: entry.name)}


def names(group: str) -> tuple[str, ...]:
    """Names of the plug-ins in a group, sorted."""
    return tuple(_entries(group))


def find(group: str, name: str) -> Any:
    """Load one plug-in by name.

    Raises
    ------
    JobError
        No plug-in of that name is installed in the group, or a package that it needs is not.
    """
    entries = _entries(group)
    kind = group.removeprefix("geofence.").removesuffix("s")
    if name not in entries:
        raise JobError(f"no {kind} is called {name!r}", remedy=nearest(name, tuple(entries)))
    try:
        return entries[name].load()
    except ModuleNotFoundError as error:
        raise JobError(f"the {kind} {name!r} needs the package {error.name}", remedy=_install(entries[name])) from error
    except (ImportError, AttributeError) as error:
        package = entries[name].dist
        raise JobError(
            f"the {kind} {name!r} of the package {package.name if package else 'unknown'} cannot be loaded: {error}",
            remedy="Reinstall that package, or remove it.",
        ) from error


def extra(group: str, name: str) -> str:
    """The extra of its package that a plug-in says it needs (``module:NAME [extra]``); empty where it needs none."""
    return ",".join(_entries(group)[name].extras)


def _install(entry: EntryPoint) -> str:
    """How to get what a plug-in needs: the extra that its entry point names (``module:NAME [extra]``), if it does.

    >>> _install(EntryPoint("sheets", "geofence.outputs.sheets.document:OUTPUT [sheets]", OUTPUTS))
    'Install it: python -m pip install "geofence[sheets]".'
    """
    package = entry.dist.name if entry.dist else "geofence"
    return (
        f'Install it: python -m pip install "{package}[{",".join(entry.extras)}]".' if entry.extras else "Install it."
    )
