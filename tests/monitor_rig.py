"""Real processes for the monitor's tests: the impulse bench's plant, the monitor, and an engine that can be harmed.

`python -m tests.monitor_rig plant FOLDER` serves the plant, its truth log goes to stdout.
`python -m tests.monitor_rig engine FOLDER` is an engine's run thread: arms, energises, renews, until told to spin.
"""

from __future__ import annotations

import copy
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from orchestrator.monitor.port import Snapshot
from orchestrator.monitor.process_port import ProcessPort
from simulators.control import ask as ask_plant
from tests.monitor_bench import INTERLOCK, RULES

TOKEN = "0123456789abcdef-of-a-test"
WARNING_S = 0.1
DISCHARGE_S = RULES["discharge_s"]
ENGINE_SLICE_S = 0.05
PATIENCE_S = 20.0

QUICK = {"charging_v_per_s": 20_000.0, "discharge_ohm": 20e3}
"""A plant that charges and discharges faster than the shipped one, for tests that are about something else."""

HANDS = {
    "door": ("closed", "open"),
    "earthing_stick": ("home", "away"),
    "emergency_stop": ("released", "pressed"),
    "exhaust": ("running", "stopped"),
}


def serve_plant(folder: Path) -> None:
    """The plant's process: ports of its own choice, written as the first line."""
    from simulators.plants import build
    from simulators.serve import serve
    from simulators.truth import line_writer

    plant = build("impulse", json.loads((folder / "plant.json").read_text()), seed=7)
    listen: Any = plant
    listen.listen(line_writer(sys.stdout))
    addresses = dict.fromkeys(plant.devices, ("127.0.0.1", 0))
    serve(
        plant,
        addresses,
        folder / "plant.sock",
        None,
        lambda ports: print(json.dumps({"ports": ports}), flush=True),
    )


def run_engine(folder: Path) -> None:
    """A run thread: energise, renew in slices; a line on stdin makes it spin in one C call."""
    port = ProcessPort(folder / "monitor.sock", TOKEN)
    for act in (
        {"act": "clear_cause"},
        {"act": "arm", "by": "B. Example"},
        {"act": "switch_on", "output": "high_voltage"},
    ):
        reply = port.ask(timeout_s=2.0, on_slice=port.renew, interlock=INTERLOCK, **act)
        assert reply.granted, reply.sentence
    said = False
    while not select.select([sys.stdin], [], [], ENGINE_SLICE_S)[0]:
        port.renew()
        if not said and port.snapshot().outputs["high_voltage"]["output_on"]:
            said = True
            print("on", flush=True)
    print("spins", flush=True)
    sum(range(10**13))


class Lines:
    """What a process writes to stdout, line by line, as it comes; a thread reads so that nobody blocks."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.lines: list[dict[str, Any] | str] = []
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._read, args=(process.stdout,), daemon=True)
        self._thread.start()

    def _read(self, pipe: Any) -> None:
        for line in pipe:
            with self._news:
                text = line.decode()
                self.lines.append(json.loads(text) if text.startswith("{") else text.strip())
                self._news.notify_all()

    def until(self, true: Callable[[list[Any]], bool], within_s: float = PATIENCE_S) -> list[Any]:
        """The lines so far, as soon as they satisfy; AssertionError after the time."""
        with self._news:
            fine = self._news.wait_for(lambda: true(self.lines), within_s)
            assert fine, f"not within {within_s} s; the last lines: {self.lines[-8:]}"
            return list(self.lines)


class Truth(Lines):
    """The plant's truth log."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        super().__init__(process)
        first = self.until(lambda lines: len(lines) >= 1 and any("ports" in line for line in lines))
        self.ports = next(line["ports"] for line in first if "ports" in line)

    def entries(self, event: str, since_s: float = 0.0, **facts: Any) -> list[dict[str, Any]]:
        return [e for e in list(self.lines) if matches(e, event, since_s, facts)]

    def wait(self, event: str, since_s: float = 0.0, within_s: float = PATIENCE_S, **facts: Any) -> float:
        """When it first happened since then."""
        self.until(lambda lines: any(matches(e, event, since_s, facts) for e in lines), within_s)
        return float(self.entries(event, since_s, **facts)[0]["at_s"])


def matches(entry: Any, event: str, since_s: float, facts: dict[str, Any]) -> bool:
    if not isinstance(entry, dict) or entry.get("event") != event or entry["at_s"] < since_s:
        return False
    return all(entry.get(name) == value for name, value in facts.items())


class Rig:
    """The plant and the monitor in processes of their own; the test is the engine, or starts one to harm."""

    def __init__(self, folder: Path, power: dict[str, float], warning_s: float, **rules: Any) -> None:
        self.folder = folder
        (folder / "plant.json").write_text(json.dumps({"power": power}))
        self.rules = {**copy.deepcopy(RULES), **rules}
        for output in self.rules["outputs"]:
            output["warning_s"] = warning_s
        self._started: list[subprocess.Popen[bytes]] = []
        self.plant = self.start("plant")
        self.truth = Truth(self.plant)
        self.monitor = self.start_monitor()

    def start(self, role: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "tests.monitor_rig", role, str(self.folder)]
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._started.append(process)
        return process

    def start_monitor(self) -> subprocess.Popen[bytes]:
        """Ready to be connected to: its first line on stderr is out when its sockets are there."""
        path = self.folder / "rules.json"
        path.write_text(json.dumps(self.rules))
        host, port = self.truth.ports["safety_io"]
        command = [sys.executable, "-m", "orchestrator.monitor", "--rules", str(path)]
        command += ["--resource", f"TCPIP::{host}::{port}::SOCKET"]
        command += ["--socket", str(self.folder), "--data", str(self.folder / "data")]
        environment = {**os.environ, "BENCHWARD_MONITOR_TOKEN": TOKEN}
        process = subprocess.Popen(command, stderr=subprocess.PIPE, env=environment)
        self._started.append(process)
        assert process.stderr is not None
        first = json.loads(process.stderr.readline())
        assert first["event"] == "begins", first
        return process

    def set(self, name: str, value: str) -> None:
        ask_plant(self.folder / "plant.sock", {"set": name, "value": value})

    def connect(self) -> ProcessPort:
        return ProcessPort(self.folder / "monitor.sock", TOKEN)

    def prove_inputs(self, port: ProcessPort) -> None:
        """Open and close each input once, as a person does at the start of a shift."""
        for thing, (closed, opened) in HANDS.items():
            name = "earthing_stick_home" if thing == "earthing_stick" else thing
            self.set(thing, opened)
            self.until(port, lambda s, name=name: not s.inputs[name]["closed"])
            self.set(thing, closed)
            self.until(port, lambda s, name=name: s.inputs[name]["proven"])

    def until(
        self, port: ProcessPort, true: Callable[[Snapshot], bool], within_s: float = PATIENCE_S
    ) -> Snapshot:
        """The first snapshot that satisfies; the port's own socket paces the looking."""
        until_s = time.monotonic() + within_s
        while not true(snapshot := port.snapshot()):
            assert time.monotonic() < until_s, f"not within {within_s} s: {snapshot}"
            port._wait(0.05)
        return snapshot

    def on(self, port: ProcessPort) -> None:
        """Armed and energised by this process."""
        self.until(port, lambda s: s.bench_state == "ready for operation")
        for act in (
            {"act": "arm", "by": "B. Example"},
            {"act": "switch_on", "output": "high_voltage"},
        ):
            reply = port.ask(timeout_s=2.0, on_slice=port.renew, interlock=INTERLOCK, **act)
            assert reply.granted, reply.sentence
        self.renew_until(port, lambda s: s.outputs["high_voltage"]["output_on"])

    def renew_until(self, port: ProcessPort, true: Callable[[Snapshot], bool]) -> Snapshot:
        def and_renew(snapshot: Snapshot) -> bool:
            port.renew()
            return true(snapshot)

        return self.until(port, and_renew)

    def engine_on(self) -> tuple[subprocess.Popen[bytes], Lines]:
        """An engine in a process of its own that has energised and charged the store."""
        engine = self.start("engine")
        said = Lines(engine)
        said.until(lambda lines: "on" in lines)
        self.charge()
        return engine, said

    def charge(self) -> None:
        """The generator charges over its own link, and the truth says so. Somebody must renew meanwhile."""
        host, port = self.truth.ports["generator"]
        since_s = time.monotonic()
        with socket.create_connection((host, port)) as generator:
            generator.sendall(b"SOUR:VOLT 1700\nOUTP ON\n*OPC?\n")
            generator.recv(16)
            self.truth.until(
                lambda lines: any(
                    matches(e, "stored_voltage", since_s, {"why": "charged"}) and e["volts"] > 1000
                    for e in lines
                )
            )

    def charge_with(self, port: ProcessPort) -> None:
        """The same, renewing by this port."""
        charging = threading.Thread(target=self.charge)
        charging.start()
        self.renew_until(port, lambda s: not charging.is_alive())

    def close(self) -> None:
        for process in self._started:
            with suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout, process.stderr):
                if pipe is not None:
                    with suppress(BrokenPipeError):
                        pipe.close()


@contextmanager
def rig(
    folder: Path, power: dict[str, float] = QUICK, warning_s: float = WARNING_S, **rules: Any
) -> Iterator[Rig]:
    """`power` are component values of the plant, {} for those it is shipped with; `rules` change the monitor's."""
    made = Rig(folder, power, warning_s, **rules)
    try:
        yield made
    finally:
        made.close()


if __name__ == "__main__":
    {"plant": serve_plant, "engine": run_engine}[sys.argv[1]](Path(sys.argv[2]))
