"""Property tests draw the same examples each time, so that CI is the same each time; with BENCHWARD_FULL=1 new ones."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("the same each time", derandomize=True)
if not os.environ.get("BENCHWARD_FULL"):
    settings.load_profile("the same each time")
