"""The fuzzer's targets without a fuzzer: they hold for the good inputs it starts from, and notice a fault."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from orchestrator.analysis import csv_file
from tests.fuzz.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_a_target_holds_for_its_seeds_and_for_nothing_at_all(name: str) -> None:
    target = TARGETS[name]
    seeds = [b"", b"\0", *target.seeds()]
    assert len(seeds) > 3
    for seed in seeds:
        target.feed(seed)


@pytest.mark.parametrize("name", TARGETS)
def test_a_target_holds_for_halves_of_its_seeds(name: str) -> None:
    for seed in list(TARGETS[name].seeds())[::7]:
        TARGETS[name].feed(seed[: len(seed) // 2])
        TARGETS[name].feed(seed[len(seed) // 3 :])


def test_a_target_lets_a_fault_through(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(body: str) -> Callable[[], None]:
        raise ZeroDivisionError

    monkeypatch.setattr(csv_file, "_whole_lines", broken)
    with pytest.raises(ZeroDivisionError):
        TARGETS["csv"].feed(next(iter(TARGETS["csv"].seeds())))
