"""Settings of all tests."""

from __future__ import annotations

import os

from hypothesis import settings

# Shared machines stall; how long an example takes is for the benchmarks.
settings.register_profile("default", deadline=None)
settings.load_profile("default")
# CI looks at the same examples each time: a new one is for somebody who can look into it.
settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")
