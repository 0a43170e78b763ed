"""The daemon and its processes harmed while the store is being charged, judged by the plant's truth log."""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.daemon.locks import is_held
from orchestrator.record.verify import verify
from tests.daemon_rig import Installation, installation, read_until
from tests.run.worlds import wait_for

pytestmark = pytest.mark.real
CUT_WITHIN_S = 0.7  # watchdog 0.5 s, and a margin
DISCHARGED_WITHIN_S = 5.0  # the bench file's discharge time


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Installation]:
    with installation(tmp_path) as made:
        yield made


def charging(lab: Installation) -> float:
    """A run whose store is being charged; when that was seen."""
    lab.start("TW-01")
    lab.until_event("charging", lambda e: e["kind"] == "intent" and e["act"] == "charge")
    lab.await_truth("stored_voltage", lab.energised_s(), why="charging towards 1700 V")
    return time.monotonic()


def assert_cut(lab: Installation, harmed_s: float) -> None:
    """By the truth: contactor open in time, the store touch-safe in time, no shot."""
    began_s = lab.energised_s()
    opened_s = lab.await_truth("contactor", began_s, name="high_voltage", state="open")
    safe_s = lab.await_truth("contactor", began_s, name="discharge", state="closed")
    assert opened_s - harmed_s < CUT_WITHIN_S
    assert safe_s - harmed_s < CUT_WITHIN_S + DISCHARGED_WITHIN_S
    assert lab.truth("shot") == []


def test_sigterm_in_mid_charge_ends_by_the_way_to_safe_and_seals_the_record(lab: Installation) -> None:
    """A second signal changes nothing."""
    harmed_s = charging(lab)
    lab.daemon.send_signal(signal.SIGTERM)
    code = lab.end(signal.SIGINT)

    assert_cut(lab, harmed_s)
    folder = next(lab.data.glob("*-TW-01"))
    entries = [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]
    ended = next(entry for entry in entries if entry["kind"] == "run_ended")
    assert code == 0
    assert lab.said[-1] == "ended; off is proven"
    assert (ended["reason"], ended["off_proven"]) == ("abort_by_person", True)
    assert "SIGTERM" in ended["sentence"]
    assert verify(folder, None).ok
    assert not is_held(lab.data)


def test_the_engine_killed_in_mid_charge_ends_the_daemon_with_3(lab: Installation) -> None:
    harmed_s = charging(lab)
    os.kill(lab.pids["engine"], signal.SIGKILL)
    code = lab.wait_end()

    assert_cut(lab, harmed_s)
    assert code == 3
    assert any("the engine was killed by SIGKILL" in line for line in lab.said)
    lab.serve()
    status = json.loads(lab.shell("status", "--json").stdout)
    assert "interrupted" in status["last_end"]["sentence"]
    assert status["run"] is None  # it never resumes by itself
    lab.end()


def test_the_daemon_killed_in_mid_charge_leaves_nobody_behind(lab: Installation) -> None:
    harmed_s = charging(lab)
    lab.daemon.kill()
    lab.daemon.communicate()

    assert_cut(lab, harmed_s)
    wait_for(lambda: not any(_lives(pid) for pid in lab.pids.values()), "all processes ended by themselves")
    assert verify(next(lab.data.glob("*-TW-01")), None).ok


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "Z" not in Path(f"/proc/{pid}/stat").read_text().split()[2:3]


class Listener:
    """Takes one connection after the other, never answers, remembers what came first."""

    def __init__(self, port: int) -> None:
        self.received = bytearray()
        self._socket = socket.create_server(("127.0.0.1", port))
        threading.Thread(target=self._take, daemon=True).start()

    def _take(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
                while data := connection.recv(4096):
                    self.received += data
            except OSError:
                return

    def close(self) -> None:
        self._socket.close()


def test_the_first_writes_of_a_starting_daemon_are_the_safe_ones(tmp_path: Path) -> None:
    """Devices that never answer: what they are told first is to be off."""
    lab = Installation(tmp_path)
    lab.bench.write_text(lab.bench.read_text().replace("discharge_time: 5 s", "discharge_time: 0.5 s"))
    ports = [int(line.split("::")[2]) for line in lab.bench.read_text().splitlines() if "resource:" in line]
    listeners = [Listener(port) for port in ports]  # safety_io, generator, two digitisers, meter
    try:
        lab.daemon = lab.spawn("serve", str(lab.bench), "--data", str(lab.data))
        lab.said = read_until(lab.daemon, "ready")
        wait_for(lambda: all(listeners[i].received for i in (0, 1, 4)), "the first bytes")
        code = lab.end()
    finally:
        lab.close()
        for one in listeners:
            one.close()

    transaction_length_unit, pdu = listeners[0].received[:7], listeners[0].received[7:14]
    assert transaction_length_unit[2:4] == b"\x00\x00"  # Modbus
    assert pdu == bytes([0x0F, 0, 0, 0, 7, 1, 0])  # write the seven coils from address 0: all off
    assert b"OUTP" in listeners[1].received.upper()
    assert b"ON" not in listeners[1].received.upper().split(b"*OPC")[0].replace(b"CONT", b"")
    assert code == 3
    assert "OFF IS NOT PROVEN" in lab.said[-1]
