"""Speed of the engine: 100 shots without intervals beside a straight script that does the same and nothing else.

The same bytes go over real sockets to a peer process that plays the instruments from a recording, the same files are
written and synced on the same disk, the same analysis is computed. The script knows everything beforehand: it has no
journal chain, no proofs, no pace, no judging, it only repeats. Two things stand aside in both: people, who answer at
once, and the interlock monitor, which grants at once (its speed has rows of its own). The recording is made by a
rehearsal of the same sequence, in which questions that are only repeated until something is true are kept once, so
that neither side waits for a source to charge. Run alone: python -m tests.bench.shots
"""

from __future__ import annotations

import json
import os
import pickle
import selectors
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import yaml

from orchestrator.analysis.methods import analyse
from orchestrator.engine.environment import environment
from orchestrator.engine.figures import as_channel
from orchestrator.engine.opening import off_in_threads, open_bench, real_transport
from orchestrator.engine.pace import Pace, RealClock
from orchestrator.engine.people import Answer, Person, Question
from orchestrator.engine.progress import Progress
from orchestrator.engine.real import RunJournal
from orchestrator.engine.run import RunOrder, World, run
from orchestrator.engine.stop import Stop
from orchestrator.monitor.port import Reply, Snapshot
from orchestrator.record.captures import Capture, encode_capture, read_capture
from orchestrator.record.store import FolderStore
from orchestrator.rehearse.rehearsal import SAFETY_IO, prepare
from orchestrator.rehearse.world import VirtualPort
from orchestrator.steps import KINDS
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from sequences.tree import Source
from simulators import plants
from tests.bench.row import Row
from tests.run.worlds import TIDEWATER

SHOTS = int(os.environ.get("BENCHWARD_SHOTS", "100"))
ROUNDS = 7
AT_MOST = 1.3
STATE, VOLTS = b"STATus:OPERation:CONDition?\n", b"MEASure:VOLTage?\n"
DONE = tuple(STATE[:-1] + b";:TRACe:POINts? " + trace + b"\n" for trace in (b"CH1", b"VOLT1"))
POLLED = ((STATE,), *((one,) for one in DONE), (VOLTS,), (VOLTS, STATE))
"""What the engine asks again until it is true: a digitiser waits or is done, the source has charged."""
DUTY = f"""\
# Invented demonstration: house limits of a made-up laboratory.
language: 1
scenario: Tidewater
title: Impulses without intervals
specimen: {{type: buoy-lamp input filter, rated_voltage: 48 V, condition: new, after_a_stop: is spent}}
equipment:
  generator: {{type: impulse source, charging_voltage: 2 kV}}
  recorder: {{type: digitiser, channels: [voltage, current]}}
interlock: [door, earthing_stick_home, emergency_stop, exhaust]
arm: {{confirm: [cell is clear], lapses_after: 8 h}}
duty: {{shots: {SHOTS}, interval: 1 ms, polarity: alternating}}
each_shot:
  - energise:
      source: generator
      charging_voltage: 1.7 kV +-2 %
      capture:
        method: limiting-voltage
        channels: {{voltage: {{expected_peak: 290 V}}, current: {{expected_peak: 0.7 kA}}}}
        proof_age: 2 s
      inside:
        - trigger: generator
invalid_shot: {{repeat_at_most: 1, counted_on_specimen: true}}
failure_policy: {{limit: go on, indicator: stop}}
requirements:
  - {{clause: house 4.1, result: limiting_voltage, judged: every shot, at_most: 310 V, rule: guard_band}}
"""
PERSON = Person("script", "declared")


@dataclass(frozen=True)
class Exchange:
    """What one device was sent up to its answer, and the answer; none for the last thing it was told."""

    device: str
    sent: bytes
    answer: bytes


@dataclass(frozen=True)
class Entry:
    """A line of the journal is written here, between the exchanges, and made durable."""

    kind: str


Recording = list[Exchange | Entry]
"""All that happens on the links and in the journal, in the order of time."""


@dataclass(frozen=True)
class Done:
    """What our run left: its lines, its other files, and its captures with what was computed from them."""

    lines: list[bytes]
    files: dict[str, bytes]
    captures: dict[str, Capture]
    method: str


def rows() -> list[Row]:
    """The engine's row."""
    sequence, bench = duty_alone(), load_bench(TIDEWATER / "bench.yaml")
    recording = recorded(sequence, bench)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        ports = stack.enter_context(peer(folder, recording))
        here = with_ports(bench, ports)
        done = left_by(engine_run(sequence, here, folder / "first"), recording)
        pairs = []
        for number in range(ROUNDS):
            ours_s = seconds(lambda n=number: engine_run(sequence, here, folder / f"ours-{n}"))
            bare_s = seconds(lambda n=number: script(recording, ports, done, folder / f"script-{n}"))
            pairs.append((ours_s, bare_s))
    ratio = statistics.median(a / b for a, b in pairs)
    ours_s, bare_s = (statistics.median(side) for side in zip(*pairs, strict=True))
    return [Row(f"{SHOTS} shots without intervals", ours_s, "straight script", bare_s, ratio, AT_MOST)]


def seconds(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def duty_alone() -> Loaded:
    """The shots of the shipped sequence, nothing between them."""
    loaded = load_sequence(Source("duty.yaml", DUTY), KINDS, {})
    assert loaded.sequence is not None, [finding.what for finding in loaded.findings]
    return loaded


# --------------------------------------------------------------------------- the recording


def recorded(sequence: Loaded, bench: LoadedBench) -> Recording:
    """What a rehearsal says to its instruments and hears from them, and when it writes what."""
    plant = plants.build("impulse", yaml.safe_load((TIDEWATER / "plant.yaml").read_text()), 1)
    told = Told()
    rehearsal = prepare(sequence, bench, plant, 1, on_entry=lambda entry: told.wrote(entry["kind"]))
    rehearsal.virtual.before_say = told.said
    receive = VirtualPort.receive

    def heard(port: VirtualPort, limit: int, until_s_from_now: float) -> bytes:
        data = receive(port, limit, until_s_from_now)
        told.heard(port.device, data)
        return data

    with patch.object(VirtualPort, "receive", heard):
        end = rehearsal.perform()
    assert end.cause.reason.value == "completed", end.sentence
    return without_repeats(told.recording)


class Told:
    """Puts bytes together to what was sent and what came back for it."""

    def __init__(self) -> None:
        self.recording: Recording = []
        self._sent: dict[str, bytes] = {}
        self._latest: dict[str, int] = {}

    def wrote(self, kind: str) -> None:
        self.recording.append(Entry(kind))

    def said(self, device: str, data: bytes) -> None:
        if device != SAFETY_IO:
            self._sent[device] = self._sent.get(device, b"") + data

    def heard(self, device: str, data: bytes) -> None:
        if device == SAFETY_IO or not data:
            return
        if self._sent.get(device):
            self._latest[device] = len(self.recording)
            self.recording.append(Exchange(device, self._sent.pop(device), data))
        else:  # more of the same answer
            before = self.recording[self._latest[device]]
            assert isinstance(before, Exchange)
            self.recording[self._latest[device]] = Exchange(device, before.sent, before.answer + data)


def without_repeats(made: Recording) -> Recording:
    """Of questions that follow each other until something is true only the last, with the answer that ended them."""
    kept: Recording = []
    for one in made:
        kept.append(one)
        for polled in POLLED:
            length, last = len(polled), kept[-2 * len(polled) :]
            asked = [(e.device, e.sent) for e in last if isinstance(e, Exchange)]
            if [sent for _, sent in asked] == [*polled, *polled] and len(
                {device for device, _ in asked}
            ) == 1:
                del kept[-2 * length : -length]
    return kept


# --------------------------------------------------------------------------- the peer


@contextmanager
def peer(folder: Path, recording: Recording) -> Iterator[dict[str, int]]:
    """The instruments in a process of their own, on a processor of their own; gives their ports."""
    (folder / "recording").write_bytes(
        pickle.dumps([(e.device, e.sent, e.answer) for e in recording if isinstance(e, Exchange)])
    )
    command = [sys.executable, "-m", "tests.bench.shots", "peer", str(folder / "recording")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    processors = os.sched_getaffinity(0)
    try:
        assert process.stdout is not None
        ports: dict[str, int] = json.loads(process.stdout.readline())
        if len(processors) > 1:
            os.sched_setaffinity(process.pid, {min(processors)})
            os.sched_setaffinity(0, processors - {min(processors)})
        yield ports
    finally:
        os.sched_setaffinity(0, processors)
        process.kill()
        process.wait()


class Player:
    """One device: takes exactly what it was sent in the recording, answers exactly what it answered."""

    def __init__(self, connection: socket.socket, name: str, script: list[tuple[bytes, bytes]]) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connection, self._name, self._script = connection, name, iter(script)
        self._sent, self._answer = next(self._script)
        self._received = b""

    def hear(self) -> bool:
        data = self.connection.recv(65_536)
        self._received += data
        while self._sent and self._received.startswith(self._sent):
            self._received = self._received[len(self._sent) :]
            self.connection.sendall(self._answer)
            self._sent, self._answer = next(self._script, (b"", b""))
        if self._received and not self._sent.startswith(self._received):
            print(f"{self._name}: {self._received!r} instead of {self._sent!r}", file=sys.stderr)
            return False
        return bool(data)


def serve(recording: Path) -> None:
    """The peer: every connection begins at the beginning."""
    scripts: dict[str, list[tuple[bytes, bytes]]] = {}
    for device, sent, answer in pickle.loads(recording.read_bytes()):
        scripts.setdefault(device, []).append((sent, answer))
    with selectors.DefaultSelector() as selector:
        ports = {}
        for name in scripts:
            listener = socket.create_server(("127.0.0.1", 0))
            ports[name] = listener.getsockname()[1]
            selector.register(listener, selectors.EVENT_READ, name)
        print(json.dumps(ports), flush=True)
        while True:
            for key, _ in selector.select():
                if isinstance(key.data, str):
                    player = Player(key.fileobj.accept()[0], key.data, scripts[key.data])  # type: ignore[union-attr]
                    selector.register(player.connection, selectors.EVENT_READ, player)
                elif not key.data.hear():
                    selector.unregister(key.fileobj)
                    key.data.connection.close()


def with_ports(bench: LoadedBench, ports: dict[str, int]) -> LoadedBench:
    """The bench file with the peer's addresses."""
    text = bench.text.replace("warning: 2 s", "warning: 0 s")  # the horn is an interval too
    assert bench.bench is not None
    for name, unit in bench.bench.instruments.items():
        if name in ports:
            text = text.replace(unit.resource, f"TCPIP::127.0.0.1::{ports[name]}::SOCKET")
    loaded = load_bench(Source("bench.yaml", text))
    assert loaded.bench is not None
    return loaded


# --------------------------------------------------------------------------- ours


class GrantingPort:
    """A monitor that grants at once: everything is on, charged and proven as soon as it is asked for."""

    def __init__(self, stored_v: float) -> None:
        on = {"high_voltage": {"output_on": True}, "leakage": {"output_on": True}}
        state, store = "ready to switch on", {"store": stored_v}
        self._snapshot = Snapshot(read_at_s=float("inf"), bench_state=state, voltages=store, outputs=on)
        self._reply = Reply(0, True, "granted", {"store_v": 0.0, "read_at_s": 0.0, "voltages": store})

    def renew(self) -> None:
        """Nobody is waiting."""

    def snapshot(self) -> Snapshot:
        return self._snapshot

    def ask(self, act: str, timeout_s: float, on_slice: Callable[[], None], **args: Any) -> Reply:
        return self._reply

    def cause(self) -> None:
        return None

    def lost(self) -> bool:
        return False

    def events(self) -> list[dict[str, Any]]:
        return []


class AtOnce:
    """People who confirm everything at once."""

    def __init__(self) -> None:
        self._answer: Answer | None = None

    def put(self, question: Question) -> None:
        self._answer = Answer(PERSON, confirmed=question.items, label=question.label_of)

    def answer(self, now_s: float) -> Answer | None:
        return self._answer

    def withdraw(self) -> None:
        self._answer = None


def engine_run(sequence: Loaded, bench: LoadedBench, folder: Path) -> Path:
    """The engine's own run in the real world; the run folder."""
    assert bench.bench is not None
    clock = RealClock()
    stop, port, store = Stop(clock.now_s), GrantingPort(1700.0), FolderStore(folder)
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
    order = RunOrder("bench-run", sequence, bench, "TW-01", PERSON, "real", environment())
    end = run(order, world)
    assert end.cause.reason.value == "completed", end.sentence
    store.close()
    return folder


def left_by(folder: Path, recording: Recording) -> Done:
    """What the script has to repeat."""
    names = [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file()]
    captures = {name: read_capture(folder / name) for name in names if name.startswith("captures/")}
    files = {n: (folder / n).read_bytes() for n in names if n not in captures and n != "journal.jsonl"}
    lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    assert [json.loads(line)["kind"] for line in lines] == [e.kind for e in recording if isinstance(e, Entry)]
    method = next(e["method"] for e in map(json.loads, lines) if e["kind"] == "figures")
    assert len(captures) == SHOTS
    return Done(lines, files, captures, method)


# --------------------------------------------------------------------------- the straight script


def script(recording: Recording, ports: dict[str, int], done: Done, folder: Path) -> None:
    """Send, read, write, sync, compute, in the order of the recording; nothing is looked at."""
    (folder / "captures").mkdir(parents=True)
    streams = {name: socket.create_connection(("127.0.0.1", port)) for name, port in ports.items()}
    for stream in streams.values():
        stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    journal = os.open(folder / "journal.jsonl", os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    lines, captures = iter(done.lines), iter(done.captures.items())
    for one in recording:
        if isinstance(one, Exchange):
            talk(streams[one.device], one)
            continue
        if one.kind == "capture":
            name, capture = next(captures)
            keep(
                folder / name, encode_capture(capture.interval_s, capture.first_s, capture.channels.values())
            )
        elif one.kind == "figures":
            analyse(waveform_of(capture), done.method)
        os.write(journal, next(lines))
        os.fsync(journal)
    for name, data in done.files.items():
        keep(folder / name, data)
    for stream in streams.values():
        stream.close()
    os.close(journal)


def talk(stream: socket.socket, one: Exchange) -> None:
    stream.sendall(one.sent)
    have = 0
    while have < len(one.answer):
        have += len(stream.recv(65_536))


def keep(path: Path, data: bytes) -> None:
    """A file that is whole and durable, or not there."""
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.rename(path)
    folder = os.open(path.parent, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)


def waveform_of(capture: Capture) -> Any:
    from orchestrator.analysis.waveform import Waveform

    channels = {name: as_channel(channel) for name, channel in capture.channels.items()}
    return Waveform(capture.interval_s, capture.first_s, channels)


if __name__ == "__main__":
    if sys.argv[1:2] == ["peer"]:
        serve(Path(sys.argv[2]))
    else:
        from tests.bench.__main__ import main

        raise SystemExit(main(["shots"]))
