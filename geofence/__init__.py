"""geofence turns a boundary line and a ground survey into a fence that can be built."""

from __future__ import annotations

TYPE_CHECKING = False  # the typing module alone would cost half of the import
if TYPE_CHECKING:
    from geofence.errors import GeofenceError
    from geofence.inputs.plan_file import read_plan
    from geofence.plan import FencePlan
    from geofence.planner import plan_fence

__all__ = ["FencePlan", "GeofenceError", "__version__", "plan_fence", "read_plan"]

__version__ = "0.1.0"

_HOMES = {
    "FencePlan": "geofence.plan",
    "GeofenceError": "geofence.errors",
    "plan_fence": "geofence.planner",
    "read_plan": "geofence.inputs.plan_file",
}


def __getattr__(name: str) -> object:
    """Load a public name when it is first used, so that ``import geofence`` stays light."""
    if name not in _HOMES:
        raise AttributeError(f"module 'geofence' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
