"""The same engine test in two worlds: a virtual one, and a real one of processes, sockets and files.

Each world offers the plant's hands (`set`), what physically happened (`truth`), and one run at a time (`perform`).
"""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Protocol

import yaml

from orchestrator.cli.simulators import control_path
from orchestrator.engine.environment import environment
from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.pace import Pace, RealClock
from orchestrator.engine.people import Answer
from orchestrator.engine.progress import Progress
from orchestrator.engine.run import RunEnd, RunOrder, World, run
from orchestrator.engine.stop import Stop
from orchestrator.monitor.process_port import ProcessPort
from orchestrator.record.journal import Journal
from orchestrator.record.seal import Heads
from orchestrator.record.store import FolderStore, Store
from orchestrator.rehearse.rehearsal import Rehearsal, prepare
from orchestrator.rehearse.technician import Technician
from orchestrator.steps import KINDS
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from sequences.tree import Source
from simulators import plants
from simulators.control import ControlError, ask

TIDEWATER = Path(__file__).parents[2] / "sequences" / "library" / "tidewater"
READY_WITHIN_S = 20.0
SIMULATORS = (
    "import argparse; from orchestrator.cli import simulators as s; p = argparse.ArgumentParser(); "
    "s.add_parser(p.add_subparsers()); a = p.parse_args(); raise SystemExit(a.run(a))"
)
# One shot and the shortest warnings: what is tested is the way, not the waiting.
BENCH_CHANGES = {"warning: 2 s": "warning: 0.3 s", "warning: 1 s": "warning: 0.2 s"}
SEQUENCE_CHANGES = {
    "shots: {usual: 12, lowest: 4, highest: 20}": "shots: {usual: 1, lowest: 1, highest: 20}",
    "interval: {usual: 45 s, lowest: 2 s": "interval: {usual: 0.5 s, lowest: 0.1 s",
    "observation: {usual: 30 s, lowest: 2 s": "observation: {usual: 0.5 s, lowest: 0.1 s",
    "verification_shots: {usual: 3,": "verification_shots: {usual: 1,",
    "leakage_time: {usual: 20 s, lowest: 1 s": "leakage_time: {usual: 0.3 s, lowest: 0.1 s",
    "observe_at_least: 2 s": "observe_at_least: 0.1 s",
}


def changed(text: str, changes: dict[str, str]) -> str:
    for old, new in changes.items():
        assert old in text, f"the shipped file no longer has: {old}"
        text = text.replace(old, new)
    return text


def short_sequence(without_verification: bool = True, **given: str) -> Loaded:
    """Tidewater with one shot; the duty alone unless the verification is asked for."""
    text = changed((TIDEWATER / "sequence.yaml").read_text(), SEQUENCE_CHANGES)
    if without_verification:
        begin, end = text.index("verification:"), text.index("initial_measurements:")
        text = text[:begin] + text[end:]
        text = "\n".join(line for line in text.splitlines() if "verification_shots" not in line) + "\n"
        text = text.replace("{clause: house 4.3", "{clause: house 4.3 (one shot has no change)")
        text = "\n".join(line for line in text.splitlines() if "change first to last" not in line) + "\n"
    loaded = load_sequence(Source("short.yaml", text), KINDS, given)
    assert loaded.sequence is not None, [finding.what for finding in loaded.findings]
    return loaded


@dataclass
class Ending:
    """What a test judges by: the end, the journal as stored, and what physically happened."""

    end: RunEnd
    entries: list[dict[str, Any]]
    truth: list[dict[str, Any]]
    store: Store

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [entry for entry in self.entries if entry["kind"] == kind]

    def happened(self, event: str) -> list[dict[str, Any]]:
        return [entry for entry in self.truth if entry["event"] == event]


class TestWorld(Protocol):
    __test__: ClassVar[bool] = False
    name: str

    def set(self, name: str, value: str) -> None: ...

    def perform(
        self, sequence: Loaded, when: Callable[[dict[str, Any]], None] | None = None, specimen: str = "TW-01"
    ) -> Ending:
        """One run; `when` is called with each journal entry and may act on the plant or the stop."""

    stop: Stop


class VirtualBench:
    """A plant and a monitor in this thread, on a fake clock."""

    name = "virtual"

    def __init__(self, seed: int = 1) -> None:
        spec = yaml.safe_load((TIDEWATER / "plant.yaml").read_text())
        self.plant = plants.build("impulse", spec, seed)
        self.bench = _bench(changed((TIDEWATER / "bench.yaml").read_text(), BENCH_CHANGES))
        self.rehearsal: Rehearsal | None = None
        self._seed = seed

    def set(self, name: str, value: str) -> None:
        now_s = self.rehearsal.virtual.now_s if self.rehearsal else 0.0
        self.plant.set(name, value, now_s)

    def perform(
        self, sequence: Loaded, when: Callable[[dict[str, Any]], None] | None = None, specimen: str = "TW-01"
    ) -> Ending:
        self.prepared(sequence, when, specimen)
        return self.perform_prepared()

    def prepared(
        self, sequence: Loaded, when: Callable[[dict[str, Any]], None] | None = None, specimen: str = "TW-01"
    ) -> None:
        """Put a run together without performing it, so that its world can be harmed before."""
        self.rehearsal = prepare(sequence, self.bench, self.plant, self._seed, specimen, when)
        self.stop = self.rehearsal.world.stop

    def perform_prepared(self) -> Ending:
        assert self.rehearsal is not None
        end = self.rehearsal.perform()
        world, store = self.rehearsal.world, self.rehearsal.store
        return Ending(end, world.journal.entries, self.plant.truth(), store)


@dataclass
class _Hands:
    """The cell of the real world as the technician moves in it: the plant's control port."""

    control: Path
    plant: Any = field(init=False)

    def __post_init__(self) -> None:
        self.plant = self

    @property
    def now_s(self) -> float:
        return time.monotonic()

    def set(self, name: str, value: str, now_s: float) -> None:
        ask(self.control, {"set": name, "value": value})

    def names(self) -> dict[str, Any]:
        return dict(ask(self.control, {"names": True})["names"])

    def show(self, now_s: float) -> dict[str, Any]:
        return dict(ask(self.control, {"show": True})["show"])


class _RealTechnician(Technician):
    """Acts when it is asked whether there is an answer: no thread of its own, and quick hands."""

    hand_s = (0.15, 0.2)

    def answer(self, now_s: float) -> Answer | None:
        while self.due_s() <= now_s:
            self.run(now_s)
        return super().answer(now_s)


class RealBench:
    """The plant and the interlock monitor as processes, files in a folder; the engine in this process."""

    name = "real"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.truth_file = folder / "truth.jsonl"
        text = changed((TIDEWATER / "bench.yaml").read_text(), BENCH_CHANGES)
        self.bench_file = folder / "bench.yaml"
        self.bench_file.write_text(with_free_ports(text))
        (folder / "plant.yaml").write_text((TIDEWATER / "plant.yaml").read_text())
        self.bench = _bench(self.bench_file.read_text())
        self._processes: list[subprocess.Popen[bytes]] = []
        self._runs = 0

    def start(self) -> None:
        self.plant = self._spawn(
            "-c", SIMULATORS, "simulators", str(self.bench_file), "--truth", str(self.truth_file)
        )
        wait_for(self._plant_answers, "the plant answers")
        self.start_monitor()

    def start_monitor(self) -> None:
        assert self.bench.bench is not None
        rules = self.folder / "rules.json"
        rules.write_text(json.dumps(self.bench.bench.monitor_rules()))
        sockets, data = self.folder / "s", self.folder / "data"
        data.mkdir(exist_ok=True)
        token, write = os.pipe()
        os.write(write, b"token-of-the-test")
        os.close(write)
        self.monitor = self._spawn(
            "-m", "orchestrator.monitor", "--rules", str(rules), "--socket", str(sockets), "--data", str(data),
            "--resource", self.bench.bench.safety_io.resource, "--engine-fd", str(token), fds=(token,),
        )  # fmt: skip
        os.close(token)
        wait_for(lambda: (sockets / "monitor.sock").exists(), "the monitor listens")
        self.port = ProcessPort(sockets / "monitor.sock", "token-of-the-test")
        wait_for(lambda: self.port.snapshot().bench_state == "ready for operation", "the bench is ready")

    def set(self, name: str, value: str) -> None:
        ask(control_path(self.bench_file), {"set": name, "value": value})

    def truth(self) -> list[dict[str, Any]]:
        return truth_in(self.truth_file)

    def perform(
        self, sequence: Loaded, when: Callable[[dict[str, Any]], None] | None = None, specimen: str = "TW-01"
    ) -> Ending:
        self._runs += 1
        world = self._world(when)
        self.stop = world.stop
        order = RunOrder(
            run=f"run-{self._runs}",
            sequence=sequence,
            bench=self.bench,
            specimen=specimen,
            started_by=world.people.person,  # type: ignore[attr-defined]
            world="real",
            environment=environment(),
        )
        end = run(order, world)
        return Ending(end, world.journal.entries, self.truth(), world.store)

    def _world(self, when: Callable[[dict[str, Any]], None] | None) -> World:
        assert self.bench.bench is not None
        clock = RealClock()
        stop = Stop(clock.now_s)
        pace = Pace(clock, stop, self.port)
        folder = self.folder / "data" / "runs" / f"run-{self._runs}"
        folder.mkdir(parents=True)
        store = FolderStore(folder)
        hands: Any = _Hands(control_path(self.bench_file))
        return World(
            clock=clock,
            pace=pace,
            stop=stop,
            store=store,
            journal=Journal(store, clock, when),
            monitor=self.port,
            people=_RealTechnician(hands, self.port, seed=1),
            bench=open_bench(self.bench.bench, pace, real_transport, off_in_threads),
            progress=Progress(),
            heads=Heads.of(self.folder / "data"),
        )

    def close(self) -> None:
        for process in reversed(self._processes):
            process.kill()
            process.wait()

    def _spawn(self, *arguments: str, fds: tuple[int, ...] = ()) -> subprocess.Popen[bytes]:
        log = (self.folder / f"process-{len(self._processes)}.log").open("wb")
        process = subprocess.Popen([sys.executable, *arguments], stdout=log, stderr=log, pass_fds=fds)
        log.close()
        self._processes.append(process)
        return process

    def _plant_answers(self) -> bool:
        if self.plant.poll() is not None:
            raise AssertionError((self.folder / "process-0.log").read_text())
        try:
            return bool(ask(control_path(self.bench_file), {"show": True}))
        except ControlError:
            return False


def _bench(text: str) -> LoadedBench:
    loaded = load_bench(Source("bench.yaml", text))
    assert loaded.bench is not None, [finding.what for finding in loaded.findings]
    return loaded


def truth_in(file: Path) -> list[dict[str, Any]]:
    """A plant's truth log as far as its lines are whole: it may be in the middle of one."""
    whole, _, _ = file.read_text().rpartition("\n")
    return [json.loads(line) for line in whole.splitlines()]


# Below those that the system gives to clients: no connection of another test takes one while a plant is restarted.
_PORTS = range(20_000, 32_000)
_draw = random.Random(os.getpid())


def free_ports(count: int) -> list[int]:
    """Ports that nobody uses now; two processes of tests draw different ones."""
    holders: list[socket.socket] = []
    while len(holders) < count:
        holder = socket.socket()
        try:
            holder.bind(("127.0.0.1", _draw.choice(_PORTS)))
        except OSError:
            holder.close()
        else:
            holders.append(holder)
    found = [int(holder.getsockname()[1]) for holder in holders]
    for holder in holders:
        holder.close()
    return found


def with_free_ports(text: str, ports: range = range(15502, 15507)) -> str:
    """The bench file's text on ports that nobody uses now."""
    for port, free in zip(ports, free_ports(len(ports)), strict=True):
        text = text.replace(f"::{port}::", f"::{free}::")
    return text


def wait_for(true: Callable[[], bool], what: str, within_s: float = READY_WITHIN_S) -> None:
    """Look again until it is true; the limit only bounds a failure."""
    until_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < until_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.01)  # a look every 10 ms, not a guess at how long it takes


@contextmanager
def real_bench(folder: Path) -> Iterator[RealBench]:
    bench = RealBench(folder)
    try:
        bench.start()
        yield bench
    finally:
        bench.close()
