"""The monitor and the watchdog with the other layers disabled, judged by the plant's truth log.

The plant's hardware interlock chain is bridged in every test here: it would save the day by itself and hide whether
the software layers work. Times are of one monotonic clock.
"""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.monitor_rig import DISCHARGE_S, Rig, rig

pytestmark = pytest.mark.real
RENEW_S = 0.5
WATCHDOG_BOUND_S = 0.7
LOADED_S = 0.15
"""Allowance for a loaded computer, on top of what the design promises."""


SHIPPED: dict[str, float] = {}
SHORT_DISCHARGE_S = 1.0
LINK_FAULTS = ["silent", "hung"]
if os.environ.get("BENCHWARD_FULL"):
    LINK_FAULTS += ["garbled", "closed", "late:0.4 s", "truncated", "restart"]


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Rig]:
    """Inputs proven, hardware chain bridged, nobody energised yet."""
    changes = getattr(request, "param", {})
    with rig(tmp_path, **changes) as made:
        made.set("hardware_chain.bridged", "yes")
        port = made.connect()
        made.prove_inputs(port)
        port.close()
        yield made


def off_by_truth(bench: Rig, since_s: float) -> float:
    """When the contactor opened; the store is touch-safe within the discharge time from there, and stays off."""
    opened_s = bench.truth.wait("contactor", since_s, name="high_voltage", state="open")
    below_s = bench.truth.wait("stored_voltage", opened_s, why="touch-safe")
    assert below_s - opened_s <= DISCHARGE_S
    assert not bench.truth.entries("contactor", opened_s, name="high_voltage", state="closed")
    return opened_s


@pytest.mark.parametrize("harm", ["stopped", "spinning", "killed"])
def test_an_engine_that_cannot_act_is_cut_by_the_monitor(bench: Rig, harm: str) -> None:
    engine, said = bench.engine_on()
    harmed_s = time.monotonic()
    if harm == "spinning":
        assert engine.stdin is not None
        engine.stdin.write(b"spin\n")
        engine.stdin.flush()
        said.until(lambda lines: "spins" in lines)
    else:
        engine.send_signal(signal.SIGSTOP if harm == "stopped" else signal.SIGKILL)
    opened_s = off_by_truth(bench, harmed_s)
    bound_s = LOADED_S if harm == "killed" else RENEW_S + LOADED_S
    assert opened_s - harmed_s <= bound_s
    assert not bench.truth.entries("watchdog", harmed_s), "the monitor was there before the watchdog"
    if harm == "killed":
        port = bench.connect()
        cause = bench.until(port, lambda s: s.proof is not None and s.proof.safe).cause
        assert cause is not None
        assert cause.reason == "internal_error"


@pytest.mark.parametrize("bench", [{"power": SHIPPED}], indirect=True, ids=["shipped plant"])
@pytest.mark.parametrize("harm", [signal.SIGKILL, signal.SIGSTOP])
def test_a_monitor_that_cannot_act_is_cut_by_the_watchdog(bench: Rig, harm: signal.Signals) -> None:
    bench.engine_on()
    harmed_s = time.monotonic()
    bench.monitor.send_signal(harm)
    opened_s = off_by_truth(bench, harmed_s)
    assert opened_s - harmed_s <= WATCHDOG_BOUND_S
    assert bench.truth.entries("watchdog", harmed_s, state="expired")
    if harm == signal.SIGSTOP:
        continued_s = time.monotonic()
        bench.monitor.send_signal(signal.SIGCONT)
        bench.truth.wait("coils", continued_s, by="write")
        bench.truth.wait("lamps", continued_s, red=False)
        written = bench.truth.entries("coils", continued_s)
        assert not any(e["high_voltage"] or e["lift discharge"] for e in written), "energised again"


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_a_monitor_whose_own_link_is_bad_loses_the_power(bench: Rig, fault: str) -> None:
    """The device acts on the cut (silent), or its watchdog expires; either way the contactor opens in time."""
    port = bench.connect()
    bench.on(port)
    bench.charge_with(port)
    bad_s = time.monotonic()
    bench.set("safety_io.link", fault)
    bench.renew_until(port, lambda s: s.cause is not None)
    assert port.snapshot().bench_state == "off not proven"
    opened_s = off_by_truth(bench, bad_s)
    assert opened_s - bad_s <= WATCHDOG_BOUND_S
    cause = port.cause()
    assert cause is not None
    assert cause.reason == "monitor_lost"
    bench.set("safety_io.link", "ok")
    assert port.ask("prove_off", 8.0, lambda: None).granted
    assert port.snapshot().bench_state in ("ready to switch on", "ready for operation")


def test_an_opened_door_cuts_with_nobody_helping(bench: Rig) -> None:
    bench.engine_on()
    opened_s = time.monotonic()
    bench.set("door", "open")
    off_s = off_by_truth(bench, opened_s)
    assert off_s - opened_s <= LOADED_S


def test_nobody_can_make_the_monitor_wait(bench: Rig) -> None:
    """Watchers that never read, half lines, rubbish, and an engine that stopped reading."""
    engine, _ = bench.engine_on()
    with ExitStack() as stack:
        for index in range(40):
            peer = stack.enter_context(socket.socket(socket.AF_UNIX))
            peer.connect(str(bench.folder / "monitor.sock"))
            peer.send([b"", b"{", b"\xff\x00\n", b'{"act":"switch_off"}\n'][index % 4] or b"[")
        for _ in range(40):
            idle = stack.enter_context(socket.socket(socket.AF_UNIX))
            idle.connect(str(bench.folder / "abort.sock"))
        aborted_s = time.monotonic()
        with socket.socket(socket.AF_UNIX) as person:
            person.connect(str(bench.folder / "abort.sock"))
            person.send(b"stop")
            off_s = bench.truth.wait("coils", aborted_s, high_voltage=False)
        assert off_s - aborted_s <= 0.1
        off_by_truth(bench, aborted_s)
    assert engine.poll() is None


@pytest.mark.parametrize(
    "bench", [{"discharge_s": SHORT_DISCHARGE_S}], indirect=True, ids=["short discharge"]
)
def test_a_start_blocked_survives_the_restart_of_the_monitor(bench: Rig) -> None:
    bench.set("contactor.welds", "high_voltage")
    port = bench.connect()
    bench.on(port)
    port.ask("switch_off", 1.0, port.renew, output="high_voltage")
    proof = port.ask("prove_off", 8.0, lambda: None)
    assert not proof.granted
    assert port.snapshot().blocked is not None
    bench.monitor.kill()
    bench.monitor.wait()
    bench.set("contactor.welds", "none")
    bench.monitor = bench.start_monitor()
    port = bench.connect()
    snapshot = bench.until(port, lambda s: s.proof is not None and s.proof.safe)
    assert snapshot.bench_state == "off not proven"
    assert "Start blocked" in port.ask("arm", 1.0, lambda: None, interlock=["door"], by="B. Example").sentence
    assert port.ask("release", 1.0, lambda: None, by="C. Example").granted
    bench.monitor.terminate()
    assert bench.monitor.wait(timeout=10) == 0
    bench.monitor = bench.start_monitor()
    port = bench.connect()
    bench.until(port, lambda s: s.bench_state == "ready for operation")


def test_told_to_end_while_energised_it_proves_off_first(bench: Rig) -> None:
    port = bench.connect()
    bench.on(port)
    bench.charge_with(port)
    told_s = time.monotonic()
    bench.monitor.terminate()
    bench.monitor.terminate()
    assert bench.monitor.wait(timeout=10) == 0
    assert bench.truth.wait("contactor", told_s, name="high_voltage", state="open") - told_s <= LOADED_S
    assert bench.truth.wait("stored_voltage", told_s, within_s=0.1, why="touch-safe") <= time.monotonic()
    assert port.lost()
    assert port.ask("arm", 1.0, lambda: None, interlock=["door"], by="B. Example").sentence.startswith(
        "the interlock monitor is gone"
    )
