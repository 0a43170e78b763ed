"""Speed of one endurance cycle on a real serial line, beside a straight script with the same bytes and dwells.

Two peers, each a simulated plant in a process of its own with the gantry on a pseudo-terminal and the recorder on a
socket, take their cycles in turns: the engine's cycle (two confirmed motions, the record, its figures and finding, its
row), then the script's, which writes the same bytes, reads until the end of each answer, and dwells as long. The disk
is in neither: what a durable row costs beside a bare write and sync is a row of its own, and so are people and monitor,
who grant at once here. Run alone: python -m tests.bench pty_cycle
"""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import yaml

from orchestrator.engine.cycle_bench import SPARE_S
from orchestrator.engine.cycle_duty import Cycles
from orchestrator.engine.environment import environment
from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.pace import Pace, RealClock
from orchestrator.engine.progress import Progress
from orchestrator.engine.real import RunJournal
from orchestrator.engine.run import RunOrder, World, run
from orchestrator.engine.stop import Stop
from orchestrator.monitor.port import Snapshot
from orchestrator.record.store import MemoryStore
from orchestrator.steps import KINDS
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from sequences.tree import Source
from simulators.endurance.plant import build_endurance
from simulators.serve import Server
from tests.bench.row import Row
from tests.bench.shots import PERSON, AtOnce, GrantingPort
from tests.run.endurance import LIBRARY

SCENARIO = LIBRARY / "weir_gate"
CYCLES = int(os.environ.get("BENCHWARD_PTY_CYCLES", "200"))
FIRST_LEFT_OUT = 5
P50_S, P99_S = 1e-3, 5e-3
REST_MM, PRESSED_MM, SPEED_MM_S, ON_S = -4.5, -6.5, 120.0, 0.02
SETTLES_S = 0.2  # after opening the line, as a driver waits
BREAK_S = 200 / 20e3 + SPARE_S
BLOCK = len("#42032") + 32 + 2 * 2 * 500 + 1
LOAD_AND_BRAKE = 0b000101  # coils
DUTY = f"""\
# Invented demonstration: house limits of a made-up laboratory.
language: 1
scenario: Weir gate
title: Short presses without intervals
specimen: {{type: foot-operated sluice pedal contact, rated_voltage: 24 V, condition: new, after_a_stop: may go on}}
equipment:
  gantry: {{type: actuator, positions: [rest, switching, pressed]}}
  load: {{type: load, kind: resistive, supply: 24 V, frequency: 0 Hz, current: 3.6 A}}
  recorder: {{type: contact recorder, temperatures: [terminal_1]}}
interlock: [guard, emergency_stop, smoke_detector]
mounts: {{count: 1, failure: {{rule: first}}}}
arm: {{confirm: [guard closed], lapses_after: 8 h}}
duty: {{cycles: {CYCLES}, rate: 400 1/min, on_time: {ON_S} s}}
each_cycle:
  actuator: gantry
  off: rest
  on: pressed
  switches_at: switching
  speed: {SPEED_MM_S} mm/s
  load: load
  recorder: recorder
  open_above: 8 V
  current: 3.6 A +-10 %
  traces: {{first: 1, last: 1, every: 1000, around_anomaly: 1}}
failure_policy: {{limit: go on, indicator: stop}}
requirements:
  - {{clause: house 5.1, result: fail_to_make, judged: count, at_most: 0}}
"""


def rows() -> list[Row]:
    """How much longer our cycle takes than the script's, in the middle and at its slowest."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        ours, theirs = (stack.enter_context(peer(folder / name)) for name in ("engine", "script"))
        script = stack.enter_context(Script.on(theirs))
        pairs = np.array(in_turns(loaded(), bench_on(ours), script))[FIRST_LEFT_OUT:]
    engine_s, script_s = pairs.T
    return [
        _beyond("p50", float(np.median(engine_s - script_s)), float(np.median(script_s)), P50_S),
        _beyond("p99", _p99(engine_s) - _p99(script_s), _p99(script_s), P99_S),
    ]


def _p99(times_s: Any) -> float:
    return float(np.percentile(times_s, 99))


def _beyond(name: str, more_s: float, script_s: float, bound_s: float) -> Row:
    what = f"cycle on a real pty, {name} beyond a script's ({script_s * 1e3:.1f} ms)"
    return Row(what, more_s, "the bound", bound_s, more_s / bound_s, 1.0)


# --------------------------------------------------------------------------- the peers


@contextmanager
def peer(folder: Path) -> Iterator[dict[str, Any]]:
    """A plant in a process of its own, its contactor and brake as in a run; gives its addresses."""
    folder.mkdir()
    command = [sys.executable, "-m", "tests.bench.pty_cycle", "peer", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield json.loads(process.stdout.readline())
    finally:
        process.kill()
        process.wait()


def serve(folder: Path) -> None:
    """The peer."""
    spec = yaml.safe_load((SCENARIO / "plant.yaml").read_text(encoding="utf-8"))
    spec["load"]["kind"] = "resistive"
    plant = build_endurance(spec, 1)
    plant.safety_io.watchdog_dead = True
    pdu = bytes([15, 0, 0, 0, 6, 1, LOAD_AND_BRAKE])
    frame = struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu
    plant.devices["safety_io"].receive(frame, time.monotonic())
    server = Server(plant, {"gantry": folder / "gantry", "recorder": ("127.0.0.1", 0)}, None)
    print(
        json.dumps({"gantry": str(folder / "gantry"), "recorder": server.addresses["recorder"]}), flush=True
    )
    while True:
        server.turn()


# --------------------------------------------------------------------------- ours


def loaded() -> Loaded:
    """The cycles alone, nothing between them."""
    sequence = load_sequence(Source("duty.yaml", DUTY), KINDS, {})
    assert sequence.sequence is not None, [finding.what for finding in sequence.findings]
    return sequence


def bench_on(addresses: dict[str, Any]) -> LoadedBench:
    """The bench of Weir gate with a peer's addresses, short ways and another load."""
    text = (SCENARIO / "bench.yaml").read_text(encoding="utf-8")
    host, port = addresses["recorder"]
    for old, new in (
        ("ASRL/tmp/benchward-weir-gate/gantry::INSTR", f"ASRL{addresses['gantry']}::INSTR"),
        ("TCPIP::127.0.0.1::15603::SOCKET", f"TCPIP::{host}::{port}::SOCKET"),
        ("rest: 5 mm", f"rest: {REST_MM} mm"),
        ("pressed: -12 mm", f"pressed: {PRESSED_MM} mm"),
        ("kind: motor", "kind: resistive"),
        ("warning: 2 s", "warning: 0 s"),
    ):
        assert old in text
        text = text.replace(old, new)
    bench = load_bench(Source("bench.yaml", text))
    assert bench.bench is not None, [finding.what for finding in bench.findings]
    return bench


class GrantingLoad(GrantingPort):
    """Everything of this bench is on as soon as it is asked for."""

    def __init__(self) -> None:
        super().__init__(0.0)
        on = {name: {"output_on": True} for name in ("load", "check")}
        volts = {"supply_side": 24.0, "contact_side": 0.0}
        self._snapshot = Snapshot(
            read_at_s=float("inf"), bench_state="ready to switch on", voltages=volts, outputs=on
        )


def in_turns(sequence: Loaded, bench: LoadedBench, script: Script) -> list[tuple[float, float]]:
    """The times of each cycle: the engine's, and the script's behind it."""
    assert bench.bench is not None
    pairs: list[tuple[float, float]] = []
    one_cycle = Cycles._cycle

    def both(self: Cycles) -> None:
        began_s = time.perf_counter()
        one_cycle(self)
        ended_s = time.perf_counter()
        script.cycle()
        pairs.append((ended_s - began_s, time.perf_counter() - ended_s))

    clock = RealClock()
    stop, port, store = Stop(clock.now_s), GrantingLoad(), MemoryStore()
    pace = Pace(clock, stop, port)
    world = World(
        clock=clock,
        pace=pace,
        stop=stop,
        store=store,
        journal=RunJournal(store, clock, lambda entry: None),
        monitor=port,
        people=AtOnce(),
        bench=open_bench(bench.bench, pace, real_transport, off_in_threads),
        progress=Progress(),
        heads=None,
    )
    order = RunOrder("bench-run", sequence, bench, "WG-01", PERSON, "real", environment())
    with patch.object(Cycles, "_cycle", both):
        end = run(order, world)
    assert end.cause.reason.value == "count_reached", end.sentence
    return pairs


# --------------------------------------------------------------------------- the straight script


class Script:
    """Knows everything beforehand and looks at nothing but where an answer ends."""

    def __init__(self, line: int, stream: socket.socket) -> None:
        self._line, self._stream = line, stream
        self._number, self._cycle = 0, 0

    @classmethod
    @contextmanager
    def on(cls, addresses: dict[str, Any]) -> Iterator[Script]:
        """Homed, at rest, and records waiting."""
        line = os.open(addresses["gantry"], os.O_RDWR | os.O_NOCTTY)
        tty.setraw(line)
        with socket.create_connection(tuple(addresses["recorder"])) as stream:
            stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self = cls(line, stream)
            time.sleep(SETTLES_S)
            self._move("G74")
            self._move(f"G90 G21 G01 Z{REST_MM:.3f} F{60 * SPEED_MM_S:.3f}")
            stream.sendall(
                b"CONF:CONT 1,300,200,20,80;:SENS:VOLT:RANG 40;:SENS:CURR:RANG 40;:SENS:SWE:TINT 5e-5;"
                b":TRIG:LEV -5.6\nINIT\nROUT:CLOS (@1)\n"
            )
            yield self
        os.close(line)

    def cycle(self) -> None:
        """The same as the engine's, but for all that it proves."""
        self._move(f"G90 G21 G01 Z{PRESSED_MM:.3f} F{60 * SPEED_MM_S:.3f}")
        time.sleep(ON_S)
        self._move(f"G90 G21 G01 Z{REST_MM:.3f} F{60 * SPEED_MM_S:.3f}")
        time.sleep(BREAK_S)
        self._cycle += 1
        self._stream.sendall(b"FETCh:CYCLe? %d\n" % self._cycle)
        have = 0
        while have < BLOCK:
            have += len(self._stream.recv(65_536))

    def _move(self, words: str) -> None:
        self._number += 1
        line = f"N{self._number} {words}".encode("ascii")
        os.write(self._line, b"%s*%d\n" % (line, reduce(xor, line)))
        said = b""
        while b"done" not in said or not said.endswith(b"\n"):
            said += os.read(self._line, 4096)
            assert b"alarm" not in said and b"resend" not in said, said


if __name__ == "__main__":
    serve(Path(sys.argv[2]))
