"""Speed of the interlock monitor: a door opens until the contactor's command is off; abort bytes until the same.

Times are differences of stamps of one monotonic clock: the plant's truth log for the door and for every write of
coils, the sender's clock for the abort. The baseline is a script that does nothing but poll the inputs each 5 ms over
a bare socket and write the coils. Both have a plant of their own and run in turns, the other side stopped meanwhile,
beside the same load: an engine that computes without a pause. Run alone: python -m tests.bench.interlock
"""

from __future__ import annotations

import copy
import os
import random
import signal
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from orchestrator.monitor.process_port import ProcessPort
from tests.bench.row import Row
from tests.monitor_bench import INTERLOCK, RULES
from tests.monitor_rig import Rig, rig

OPENINGS = int(os.environ.get("BENCHWARD_OPENINGS", "2000"))
ABORTS = max(OPENINGS // 10, 20)
ROUNDS = 4
POLL_S = 0.005
LIMIT_S = 0.050
ABORT_LIMIT_S = 0.100
INSTRUMENTS = ("generator", "digitiser_v", "digitiser_i")

Opening = Callable[[], float]


def rows() -> list[Row]:
    """Door and abort; each p99 beside its baseline or its limit."""
    with ExitStack() as stack:
        folders = [Path(stack.enter_context(tempfile.TemporaryDirectory())) for _ in range(2)]
        ours = stack.enter_context(monitored(folders[0]))
        bare = stack.enter_context(scripted(folders[1]))
        stack.enter_context(load())
        ours_s, bare_s = in_turns(ours, bare)
        aborts_s = ours.aborts()
    ratio = statistics.median(p99(a) / p99(b) for a, b in zip(ours_s, bare_s, strict=True))
    every_s = [s for chunk in ours_s for s in chunk]
    ours_p99, bare_p99 = p99(every_s), p99([s for chunk in bare_s for s in chunk])
    what = f"door opens until command off, p99 of {len(every_s)} (maximum {max(every_s) * 1e3:.1f} ms)"
    abort = f"abort bytes until command off, p99 of {len(aborts_s)} (maximum {max(aborts_s) * 1e3:.1f} ms)"
    return [
        Row(what, ours_p99, "poll-and-write script", bare_p99, ratio, 2.0),
        Row(what, ours_p99, "its limit", LIMIT_S, ours_p99 / LIMIT_S, 1.0),
        Row(abort, p99(aborts_s), "its limit", ABORT_LIMIT_S, p99(aborts_s) / ABORT_LIMIT_S, 1.0),
    ]


def p99(times_s: list[float]) -> float:
    return sorted(times_s)[int(len(times_s) * 0.99)]


class Side:
    """A plant with whoever polls it; `open_once` gives one door's time."""

    def __init__(self, bench: Rig, processes: list[subprocess.Popen[bytes]]) -> None:
        self.bench = bench
        self.processes = processes
        self.phase = random.Random(5)

    def open_once(self) -> float:
        raise NotImplementedError

    def door_time_s(self) -> float:
        """Open the door at a random phase; when the command is off, close it again."""
        time.sleep(self.phase.uniform(0, 2 * POLL_S))
        since_s = time.monotonic()
        self.bench.set("door", "open")
        opened_s = self.bench.truth.wait("input", since_s, name="door.a", value=False)
        off_s = self.bench.truth.wait("coils", opened_s, high_voltage=False)
        self.bench.truth.lines.clear()
        self.bench.set("door", "closed")
        return off_s - opened_s

    def stop(self) -> None:
        for process in self.processes:
            process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        for process in self.processes:
            process.send_signal(signal.SIGCONT)


class Monitored(Side):
    """The monitor; this process is the engine that arms and renews."""

    def __init__(self, bench: Rig, port: ProcessPort) -> None:
        super().__init__(bench, [bench.monitor, bench.plant])
        self.port = port

    def open_once(self) -> float:
        self.command_on()
        return self.door_time_s()

    def aborts(self) -> list[float]:
        """Three instruments hung meanwhile."""
        for name in INSTRUMENTS:
            self.bench.set(f"{name}.link", "hung")
        return [self.abort_once() for _ in range(ABORTS)]

    def abort_once(self) -> float:
        self.command_on()
        time.sleep(self.phase.uniform(0, 2 * POLL_S))
        with socket.socket(socket.AF_UNIX) as person:
            person.connect(str(self.bench.folder / "abort.sock"))
            sent_s = time.monotonic()
            person.send(b"stop")
            off_s = self.bench.truth.wait("coils", sent_s, high_voltage=False)
        self.bench.truth.lines.clear()
        return off_s - sent_s

    def command_on(self) -> None:
        """From whatever the last cut left: cleared, armed, switched on, the command written."""
        since_s = time.monotonic()
        self.ask_until_granted(act="clear_cause")
        self.ask_until_granted(act="arm", by="B. Example", interlock=INTERLOCK)
        self.ask_until_granted(act="switch_on", output="high_voltage", interlock=INTERLOCK)
        self.bench.truth.wait("coils", since_s, high_voltage=True)

    def ask_until_granted(self, **request: Any) -> None:
        until_s = time.monotonic() + 10
        while not (reply := self.port.ask(timeout_s=1.0, on_slice=self.port.renew, **request)).granted:
            if time.monotonic() > until_s:
                raise RuntimeError(reply.sentence)


class Scripted(Side):
    """The bare script, in a process of its own."""

    def open_once(self) -> float:
        self.bench.truth.wait("coils", high_voltage=True)
        return self.door_time_s()


def in_turns(ours: Monitored, bare: Scripted) -> tuple[list[list[float]], list[list[float]]]:
    """Chunks of times of both sides."""
    times: tuple[list[list[float]], list[list[float]]] = ([], [])
    bare.stop()
    for _ in range(ROUNDS):
        times[0].append([ours.open_once() for _ in range(OPENINGS // ROUNDS)])
        ours.stop()
        bare.go_on()
        times[1].append([bare.open_once() for _ in range(OPENINGS // ROUNDS)])
        bare.stop()
        ours.go_on()
    return times


@contextmanager
def monitored(folder: Path) -> Iterator[Monitored]:
    """No warning and nothing lifted, so that thousands of openings take minutes and not hours."""
    with rig(folder, outputs=unlifted(), warning_s=0.0) as bench:
        bench.set("hardware_chain.bridged", "yes")
        port = bench.connect()
        bench.prove_inputs(port)
        yield Monitored(bench, port)


@contextmanager
def scripted(folder: Path) -> Iterator[Scripted]:
    """The same plant; the monitor that comes with it is replaced by the script."""
    with rig(folder) as bench:
        bench.set("hardware_chain.bridged", "yes")
        bench.monitor.kill()
        bench.monitor.wait()
        command = [
            sys.executable,
            "-m",
            "tests.bench.interlock",
            "script",
            str(bench.truth.ports["safety_io"][1]),
        ]
        script = subprocess.Popen(command)
        try:
            yield Scripted(bench, [script, bench.plant])
        finally:
            script.kill()
            script.wait()


def unlifted() -> list[dict[str, Any]]:
    outputs = copy.deepcopy(RULES["outputs"])
    return [{**output, "lifts": []} for output in outputs]


@contextmanager
def load() -> Iterator[None]:
    """An engine that computes without a pause."""
    process = subprocess.Popen([sys.executable, "-c", "while True: sum(i * i for i in range(1000))"])
    try:
        yield
    finally:
        process.kill()
        process.wait()


def poll_and_write(port: int) -> None:
    """The baseline: read ten inputs, command the contactor by them, renew the watchdog, each 5 ms."""
    with socket.create_connection(("127.0.0.1", port)) as stream:
        stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        commanded = None
        next_s = time.monotonic()
        while True:
            stream.sendall(struct.pack(">HHHBBHH", 1, 0, 6, 1, 2, 0, 10))
            inputs = stream.recv(256)[9]
            closed = inputs & 0b111111 == 0b111111
            if closed is not commanded:
                stream.sendall(struct.pack(">HHHBBHHBB", 2, 0, 8, 1, 15, 0, 7, 1, int(closed)))
                stream.recv(256)
                commanded = closed
            stream.sendall(struct.pack(">HHHBBHH", 3, 0, 6, 1, 6, 0, 1))
            stream.recv(256)
            next_s += POLL_S
            time.sleep(max(0.0, next_s - time.monotonic()))


if __name__ == "__main__":
    if sys.argv[1:2] == ["script"]:
        poll_and_write(int(sys.argv[2]))
    else:
        for row in rows():
            print(row)
