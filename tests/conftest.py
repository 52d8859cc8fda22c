"""Settings of all tests."""

from __future__ import annotations

import os

from hypothesis import settings

# CI looks at the same examples each time: a new one is for somebody who can look into it.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")
