"""The engine of an endurance run killed in mid-cycle, on a real bench of processes; judged by the plant's truth log."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from orchestrator.record.continued import continued
from orchestrator.record.verify import verify
from tests.endurance_installation import SAFE, EnduranceInstallation, endurance_installation
from tests.run.worlds import wait_for

pytestmark = pytest.mark.real
DEADLINE_S = 1.0  # of stop category 1, from the bench file
SEEN_WITHIN_S = 0.7  # the monitor's watch on the engine, the watchdog 0.5 s, and a margin


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[EnduranceInstallation]:
    with endurance_installation(tmp_path) as made:
        yield made


def test_after_the_engine_was_killed_in_mid_cycle_a_person_goes_on_and_the_count_is_true(
    lab: EnduranceInstallation,
) -> None:
    run = lab.start("WG-01")["run"]
    lab.until_cycle(2)
    killed_at = lab.pressed()
    lab.await_truth("operation", 0.0, cycle=killed_at + 1)
    began_s = lab.energised_s()
    os.kill(lab.pids["engine"], signal.SIGKILL)
    code = lab.wait_end()
    opened_s = lab.await_truth("contactor", began_s, name="load", state="open")
    braked_s = lab.await_truth("contactor", began_s, name="brake", state="closed")
    last_press_s = float(lab.truth("operation")[-1]["at_s"])

    assert code == 3
    assert max(opened_s, braked_s) - last_press_s < SEEN_WITHIN_S + DEADLINE_S
    assert not lab.is_safe()["moving"]

    pressed = lab.pressed()
    earlier = continued(lab.data / run)
    assert verify(lab.data / run, None).interrupted
    assert earlier.counts.commanded <= pressed <= earlier.counts.commanded + 1
    assert earlier.uncertain_cycle == earlier.counts.commanded + 1

    lab.serve()
    status, why = (" ".join(lab.shell(*asked).stdout.split()) for asked in (("status",), ("why", run)))
    assert "interrupted" in status
    assert f"benchward resume {run}" in status
    assert f"benchward resume {run}" in why
    if lab.is_blocked():
        lab.release()
    again = lab.shell("resume", run, "--by", "T. Made-Up")
    assert again.returncode == 0, again.stderr
    lab.proven = False
    done = lab.until_ended()

    assert (done["reason"], done["outcome"]) == ("count_reached", "pass"), done["sentence"]
    assert lab.confirmed(done["run"]) == 8
    assert lab.pressed() == 8 + pressed - earlier.counts.commanded
    wait_for(lambda: lab.is_safe() == SAFE, "contactors open, brake closed, at rest")
    lab.end()


@pytest.mark.parametrize("number", [signal.SIGSTOP, signal.SIGKILL], ids=["frozen", "killed"])
def test_a_guard_that_opens_while_pressed_ends_the_cycle_without_the_engine(
    number: signal.Signals, lab: EnduranceInstallation
) -> None:
    """Stop category 1 by the monitor alone: at rest and the load off within the deadline."""
    lab.start("WG-01")
    lab.until_cycle(1)
    began_s = lab.energised_s()
    lab.await_truth("operation", began_s)
    os.kill(lab.pids["engine"], number)
    lab.hand("guard", "open")
    guard_s = lab.await_truth("input", began_s, value=False)
    opened_s = lab.await_truth("contactor", began_s, name="load", state="open")
    braked_s = lab.await_truth("contactor", began_s, name="brake", state="closed")

    assert max(opened_s, braked_s) - guard_s < DEADLINE_S + SEEN_WITHIN_S
    wait_for(lambda: lab.is_safe() == SAFE, "at rest behind the closed brake")
    moved = [entry["at_s"] for entry in lab.truth("move", braked_s)]
    assert moved == []
    with suppress(ProcessLookupError):  # the daemon has noticed it by itself
        os.kill(lab.pids["engine"], signal.SIGKILL)
    assert lab.wait_end() == 3
