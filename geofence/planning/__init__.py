"""The way from a job to a plan, a step a module; ``geofence.planner`` is that way on one screen."""
