"""The console as a process in a terminal of its own, on a daemon with a plant; judged by the plant's truth log."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.console.terminal import CTRL_X, F4, Terminal
from tests.daemon_rig import Installation, installation

pytestmark = pytest.mark.real
CUT_WITHIN_S = (
    0.3  # the monitor takes 10 ms; the console's process and this test share two processors with others
)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    with installation(tmp_path_factory.mktemp("lab")) as made:
        yield made


@pytest.fixture
def terminal(lab: Installation) -> Iterator[Terminal]:
    opened = Terminal(lab.data)
    try:
        opened.until("(_) YES. Off and earthed, proven.")
        yield opened
    finally:
        opened.close()


def test_abort_with_engine_and_api_frozen_cuts_at_once(lab: Installation, terminal: Terminal) -> None:
    """Energy on, both processes stopped in the middle of it: one key opens the contactor all the same."""
    lab.start("TW-01")
    lab.until_event("charging", lambda e: e["kind"] == "intent" and e["act"] == "charge")
    lab.await_truth("stored_voltage", lab.energised_s(), why="charging towards 1700 V")
    terminal.press(F4)
    frozen = [lab.pids["engine"], lab.pids["API"]]
    for pid in frozen:
        os.kill(pid, signal.SIGSTOP)
    try:
        pressed_s = terminal.press(CTRL_X)
        opened_s = lab.await_truth("contactor", lab.energised_s(), name="high_voltage", state="open")
    finally:
        for pid in frozen:
            os.kill(pid, signal.SIGCONT)
    ended = lab.until_ended()

    assert pressed_s < opened_s < pressed_s + CUT_WITHIN_S
    assert (ended["reason"], ended["off_proven"]) == ("abort_by_person", True)
    assert "T. Made-Up" in ended["sentence"]


def test_a_daemon_that_is_gone_is_not_known_and_one_that_is_back_is_found(
    lab: Installation, terminal: Terminal
) -> None:
    before = len(terminal.written)
    lab.end()
    terminal.until("NOT KNOWN", before)
    gone = len(terminal.written)
    lab.serve()
    terminal.until("YES. Off and earthed, proven.", gone)

    assert terminal.process.poll() is None


def test_without_a_terminal_it_says_so(lab: Installation) -> None:
    refused = lab.shell("console")

    assert refused.returncode == 2
    assert "needs a terminal" in refused.stderr


def test_what_the_console_looks_up_before_a_run(lab: Installation, tmp_path: Path) -> None:
    """The sequence with its bounds, a fresh specimen, and refusals in words where there is nothing."""
    _, sequence = lab.request("GET", f"/sequence?file={lab.sequence}")
    _, missing = lab.request("GET", f"/sequence?file={tmp_path / 'none.yaml'}")
    _, specimen = lab.request("GET", "/specimens/TW-unheard-of")
    code, _ = lab.request("GET", "/runs/no-such-run/captures/duty-01")

    assert sequence["runnable"]
    assert {"name": "shots", "usual": "2", "lowest": "2", "highest": "20"} in sequence["parameters"]
    assert not missing["runnable"]
    assert missing["findings"]
    assert (specimen["runs"], specimen["spent_because"]) == ([], None)
    assert code == 404
