"""The console as a process in a terminal, on an endurance bench with a plant: an abort, and going on by a key."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.console.terminal import CTRL_X, Terminal
from tests.endurance_installation import EnduranceInstallation, endurance_installation

pytestmark = pytest.mark.real
F9 = b"\x1b[20~"


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[EnduranceInstallation]:
    with endurance_installation(tmp_path) as made:
        yield made


@pytest.fixture
def terminal(lab: EnduranceInstallation) -> Iterator[Terminal]:
    opened = Terminal(lab.data)
    try:
        opened.until("(_) YES. Off is proven.")
        yield opened
    finally:
        opened.close()


def test_cycles_an_abort_and_going_on_by_a_key(lab: EnduranceInstallation, terminal: Terminal) -> None:
    lab.start("WG-01")
    lab.until_cycle(2)
    terminal.until("confirmed")
    terminal.until("malfunctions")
    terminal.press(CTRL_X)
    stopped = lab.until_ended()
    terminal.until("Go on with it: F9.")
    terminal.press(F9)
    terminal.until(f"GO ON WITH RUN {stopped['run']}")
    terminal.press(b"\r")
    terminal.until("Go on with it?")
    terminal.press(b"go on\r")
    done = lab.until_ended()

    assert (stopped["reason"], stopped["off_proven"]) == ("abort_by_person", True)
    assert stopped["go_on_with"] == stopped["run"]
    assert (done["reason"], done["go_on_with"]) == ("count_reached", None), done["sentence"]
    assert lab.confirmed(done["run"]) == 8
    gap = next(entry for entry in lab.entries(done["run"]) if entry["kind"] == "gap")
    assert gap["earlier_run"] == stopped["run"]
