"""Pilot tests at the pace of the processor: Textual looks every 20 ms whether the screen has come to rest."""

from __future__ import annotations

import pytest
from textual import _wait


@pytest.fixture(autouse=True)
def quick_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look ten times as often; what counts as rest stays the same part of the time."""
    monkeypatch.setattr(_wait, "SLEEP_GRANULARITY", _wait.SLEEP_GRANULARITY / 10)
    monkeypatch.setattr(_wait, "SLEEP_IDLE", _wait.SLEEP_IDLE / 10)
