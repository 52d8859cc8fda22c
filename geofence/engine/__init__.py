"""The bay, step and post engine: numbers in, numbers out.

It knows no grids, files or maps, needs the standard library, numpy and scipy only, and can be used alone from
a profile of chainages and levels; see :func:`geofence.engine.fence.build_fence`.
"""
