"""A whole installation for the daemon's tests: the plant and the daemon as processes, hands in the cell, a shell.

Nothing here sleeps or guesses: every wait ends by what is waited for, and has a limit that only bounds a failure.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

from orchestrator.cli.client import EngineLink, Refusal
from orchestrator.cli.simulators import control_path
from orchestrator.daemon.places import places_of_running
from simulators.control import ask
from tests.run.worlds import (
    BENCH_CHANGES,
    SEQUENCE_CHANGES,
    TIDEWATER,
    changed,
    truth_in,
    wait_for,
    with_free_ports,
)

PATIENCE_S = 30.0
COMMAND = (sys.executable, "-c", "from orchestrator.cli import main; raise SystemExit(main())")
QUICK_PLANT = {
    "charging_v_per_s: 1000": "charging_v_per_s: 3000",
    "discharge_ohm: 100.0e+3": "discharge_ohm: 20.0e+3",
}
QUICK_BENCH = BENCH_CHANGES | {"recharge_time: 2 s": "recharge_time: 0.5 s"}
QUICK_SEQUENCE = SEQUENCE_CHANGES | {
    "voltage: 60 V, after: 1 s": "voltage: 60 V, after: 0.2 s",
    "shots: {usual: 12, lowest: 4, highest: 20}": "shots: {usual: 2, lowest: 2, highest: 20}",
}
TOGGLES = {
    "door": ("open", "closed"),
    "earthing_stick": ("away", "home"),
    "emergency_stop": ("pressed", "released"),
    "exhaust": ("stopped", "running"),
}
OVER = ("no-question", "not-answered")
PERSON = {"name": "T. Made-Up", "how": "declared"}

Facts = dict[str, Any]


class Installation:
    """One bench with its plant; `serve` starts the daemon."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / "data"
        self.bench = folder / "bench.yaml"
        self.sequence = folder / "sequence.yaml"
        self.truth_file = folder / "truth.jsonl"
        self.photo = folder / "photo.jpg"
        self.photo.write_bytes(b"a made-up photo")
        self.bench.write_text(with_free_ports(changed((TIDEWATER / "bench.yaml").read_text(), QUICK_BENCH)))
        self.sequence.write_text(changed((TIDEWATER / "sequence.yaml").read_text(), QUICK_SEQUENCE))
        (folder / "plant.yaml").write_text(changed((TIDEWATER / "plant.yaml").read_text(), QUICK_PLANT))
        self._processes: list[subprocess.Popen[str]] = []
        self.link: EngineLink | None = None
        self.proven = False

    # ---- processes

    def spawn(self, *arguments: str, **more: Any) -> subprocess.Popen[str]:
        """`benchward ...` as a process of its own."""
        environment = {**os.environ, "BENCHWARD_DATA": str(self.data)}
        process = subprocess.Popen(
            [*COMMAND, *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment,
            **more,
        )
        self._processes.append(process)
        return process

    def shell(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """`benchward ...` to its end."""
        environment = {**os.environ, "BENCHWARD_DATA": str(self.data)}
        return subprocess.run(
            [*COMMAND, *arguments],
            capture_output=True,
            text=True,
            env=environment,
            timeout=PATIENCE_S,
            check=False,
        )

    def start_plant(self) -> None:
        self.plant = self.spawn("simulators", str(self.bench), "--truth", str(self.truth_file))
        read_until(self.plant, "simulated plant is running")

    def serve(self) -> subprocess.Popen[str]:
        """The daemon, ready; its processes by name in `pids`."""
        self.daemon = self.spawn("serve", str(self.bench), "--data", str(self.data))
        self.said = read_until(self.daemon, "ready")
        words = [line.split(" pid ") for line in self.said if " pid " in line]
        self.pids = {name.strip(): int(rest.split()[0]) for name, rest in words}
        self.link = EngineLink(places_of_running(self.data))
        self.link.call("watch")
        self.until_status(
            lambda s: s["may_i_go_in"]["answer"] == "yes" or (s["blocked"] and s["may_i_go_in"]["proven"]),
            "the bench is proven off",
        )
        return self.daemon

    def release(self) -> None:
        """A named person's word that the bench is off, where the start is blocked."""
        assert self.link is not None
        self.link.call("release", PERSON)
        self.until_status(lambda s: s["may_i_go_in"]["answer"] == "yes", "the bench is released")

    def end(self, number: int = signal.SIGTERM) -> int:
        """Tell the daemon to end; its exit code. What it said is in `said`."""
        self.daemon.send_signal(number)
        return self.wait_end()

    def wait_end(self) -> int:
        out, _ = self.daemon.communicate(timeout=PATIENCE_S)
        self.said += out.splitlines()
        return self.daemon.returncode

    def close(self) -> None:
        for process in reversed(self._processes):
            with suppress(ProcessLookupError):
                process.terminate()
            try:
                process.communicate(timeout=PATIENCE_S)
            except (subprocess.TimeoutExpired, ValueError):
                process.kill()
        for pid in getattr(self, "pids", {}).values():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)

    # ---- the engine

    def start(self, specimen: str, **parameters: str) -> Facts:
        """Start a run over the socket. Raises Refusal."""
        assert self.link is not None
        order = {"sequence": str(self.sequence), "specimen": specimen, "parameters": parameters}
        return self.link.call("start", PERSON, PATIENCE_S, **order)

    def messages(self, what: str) -> Iterator[Facts]:
        """All that the engine tells, with a technician who does what is asked; a limit bounds a failure."""
        assert self.link is not None
        answered: set[int] = set()
        for message in self.link.messages(time.monotonic() + PATIENCE_S):
            if "status" in message:
                question = message["status"]["do"]["question"]
                if question is not None and question["question"] not in answered and self.do(question):
                    answered.add(question["question"])
            yield message
        raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")

    def until_event(self, what: str, true: Callable[[Facts], bool]) -> Facts:
        """The first journal entry that satisfies."""
        return next(m["event"] for m in self.messages(what) if "event" in m and true(m["event"]))

    def until_status(self, true: Callable[[Facts], bool], what: str) -> Facts:
        return next(m["status"] for m in self.messages(what) if "status" in m and true(m["status"]))

    def until_ended(self) -> Facts:
        return next(m["ended"] for m in self.messages("the run ends") if "ended" in m)

    # ---- the technician

    def do(self, question: Facts) -> bool:
        """Do what is asked and say so; False where it is too early."""
        if question["ask"] == "connect":
            self.hand("connection", question["connection"])
            if question["connection"] == "specimen":
                self.hand("cloth", "fresh")
        if question["ask"] == "arm" and not self.proven:
            self.prove_inputs()
        answer = {
            "question": question["question"],
            "confirm_all": True,
            "choice": question["choices"][0] if question["choices"] else None,
            "photo": str(self.photo) if question["needs_photo"] else None,
            "label": question.get("label_of"),
            "labels": question.get("labels_of"),
        }
        other = EngineLink(places_of_running(self.data))
        try:
            other.call("answer", PERSON, **answer)
        except Refusal as refusal:
            too_early, over = "observation window" in str(refusal), refusal.reply["code"] in OVER
            assert too_early or over, refusal
            return not too_early
        finally:
            other.close()
        return True

    def hand(self, thing: str, value: str) -> None:
        ask(control_path(self.bench), {"set": thing, "value": value})

    def prove_inputs(self) -> None:
        """Open and close each input, as a person does at the beginning of a shift."""
        other = EngineLink(places_of_running(self.data))
        other.call("watch")
        for thing, (unsafe, safe) in TOGGLES.items():
            name = "earthing_stick_home" if thing == "earthing_stick" else thing
            self.hand(thing, unsafe)
            _until_input(other, name, lambda one: not one["closed"])
            self.hand(thing, safe)
            _until_input(other, name, lambda one: one["closed"] and one["proven"])
        other.close()
        self.proven = True

    # ---- what happened

    def truth(self, event: str, since_s: float = 0.0, **facts: Any) -> list[Facts]:
        entries = truth_in(self.truth_file)
        return [
            e for e in entries if e["event"] == event and e["at_s"] >= since_s and facts.items() <= e.items()
        ]

    def await_truth(self, event: str, since_s: float, **facts: Any) -> float:
        """When it happened first since then."""
        wait_for(lambda: bool(self.truth(event, since_s, **facts)), f"{event} {facts}")
        return float(self.truth(event, since_s, **facts)[0]["at_s"])

    def energised_s(self) -> float:
        """When the high voltage was switched on last."""
        return float(self.truth("contactor", name="high_voltage", state="closed")[-1]["at_s"])

    # ---- the API

    def request(self, method: str, path: str, body: Facts | None = None) -> tuple[int, Any]:
        """One request to the API, over its Unix socket."""
        connection = _UnixHttp(str(places_of_running(self.data).api_sock))
        try:
            text = None if body is None else json.dumps(body)
            connection.request(method, path, text, {"content-type": "application/json"} if text else {})
            response = connection.getresponse()
            return response.status, json.loads(response.read())
        finally:
            connection.close()

    @contextmanager
    def stream(self, path: str) -> Iterator[Iterator[tuple[str, Facts]]]:
        """Server-sent events as they come: kind and facts."""
        connection = _UnixHttp(str(places_of_running(self.data).api_sock))
        try:
            connection.request("GET", path)
            yield _events(connection.getresponse())
        finally:
            connection.close()


def _events(response: http.client.HTTPResponse) -> Iterator[tuple[str, Facts]]:
    kind = ""
    for line in response:
        name, _, value = line.decode().rstrip("\n").partition(": ")
        if name == "event":
            kind = value
        elif name == "data":
            yield kind, json.loads(value)


class _UnixHttp(http.client.HTTPConnection):
    def __init__(self, path: str) -> None:
        super().__init__("localhost", timeout=PATIENCE_S)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(PATIENCE_S)
        self.sock.connect(self._path)


def _until_input(link: EngineLink, name: str, true: Callable[[Facts], bool]) -> None:
    for message in link.messages(time.monotonic() + PATIENCE_S):
        for one in message.get("status", {}).get("interlocks", []):
            if one["name"] == name and true(one):
                return
    raise AssertionError(f"{name} was not seen as it is")


Made = TypeVar("Made", bound=Installation)


def read_until(process: subprocess.Popen[str], text: str) -> list[str]:
    """The lines of a process up to one that holds the text."""
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line.rstrip("\n"))
        if text in line:
            return lines
    raise AssertionError(f"ended without saying '{text}': {lines}")


@contextmanager
def running(made: Made) -> Iterator[Made]:
    """Its plant and its daemon, until the end of the block."""
    try:
        made.start_plant()
        made.serve()
        yield made
    finally:
        made.close()


def installation(folder: Path) -> AbstractContextManager[Installation]:
    """Plant and daemon of the impulse bench running."""
    return running(Installation(folder))
