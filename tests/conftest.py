"""How all tests are run: the same examples each time (BENCHWARD_FULL=1: new ones), and which of them side by side."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

settings.register_profile("the same each time", derandomize=True)
if not os.environ.get("BENCHWARD_FULL"):
    settings.load_profile("the same each time")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """For several workers: all tests with real processes in one of them, first, for two at a time starve each other's
    deadlines; of the others each file in one."""
    items.sort(key=lambda item: item.get_closest_marker("real") is None)
    for item in items:
        real = item.get_closest_marker("real") is not None
        item.add_marker(pytest.mark.xdist_group("real" if real else item.path.name))
