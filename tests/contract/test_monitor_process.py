"""The monitor's process from outside: sockets, tokens, watchers, aborts, files, what it loads."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.core.states import BenchState
from orchestrator.monitor.kept import Kept
from orchestrator.monitor.process_port import ProcessPort
from tests.monitor_rig import INTERLOCK, TOKEN, Rig, rig

pytestmark = pytest.mark.real
HEAVY = ("numpy", "pydantic", "pint", "pyvisa", "scipy", "yaml", "structlog", "fastapi")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with rig(tmp_path_factory.mktemp("monitor")) as made:
        port = made.connect()
        made.prove_inputs(port)
        port.close()
        yield made


@pytest.fixture
def port(bench: Rig) -> Iterator[ProcessPort]:
    """A known engine on a bench at rest without a cause."""
    port = bench.connect()
    bench.until(port, lambda s: s.bench_state == BenchState.READY_FOR_OPERATION)
    assert port.ask("clear_cause", 1.0, lambda: None).granted
    yield port
    port.close()
    watcher = Watcher(bench)
    watcher.until(lambda s: s["proof"] is not None and s["proof"]["safe"] and not s["armed"])
    watcher.close()


class Watcher:
    """Somebody who connects without a token."""

    def __init__(self, bench: Rig) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(5.0)
        self.socket.connect(str(bench.folder / "monitor.sock"))
        self._lines = self.socket.makefile("rb")

    def next(self) -> dict[str, Any]:
        """The next message; {} at the end of the connection."""
        try:
            line = self._lines.readline()
        except ConnectionResetError:
            line = b""
        return dict(json.loads(line)) if line else {}

    def until(self, true: Any) -> dict[str, Any]:
        until_s = time.monotonic() + 10.0
        while time.monotonic() < until_s:
            message = self.next()
            assert message, "the monitor closed the connection"
            if "snapshot" in message and true(message["snapshot"]):
                return dict(message["snapshot"])
        raise AssertionError("not within 10 s")

    def close(self) -> None:
        self._lines.close()
        self.socket.close()


def abort(bench: Rig, said: bytes) -> bytes:
    with socket.socket(socket.AF_UNIX) as person:
        person.settimeout(5.0)
        person.connect(str(bench.folder / "abort.sock"))
        person.send(said)
        return person.recv(100)


def test_it_loads_nothing_heavy() -> None:
    code = "import sys, orchestrator.monitor.process as p; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for name in HEAVY:
        assert f"'{name}'" not in loaded, name
    assert "'pymodbus.framer'" in loaded


def test_the_engine_is_known_by_its_token_and_greeted_with_facts(port: ProcessPort, bench: Rig) -> None:
    assert port.greeting["pid"] == bench.monitor.pid
    assert port.greeting["poll_s"] <= 0.005
    assert port.greeting["scheduling"] in ("fifo", "other")
    assert port.greeting["uid"] == os.getuid()
    assert not port.lost()


@pytest.mark.parametrize("token", ["", "0123456789abcdef-of-another", "\u00e9" * 20])
def test_a_wrong_token_is_refused(bench: Rig, token: str) -> None:
    with pytest.raises(ConnectionError, match="does not take this engine: only the engine may ask"):
        ProcessPort(bench.folder / "monitor.sock", token)


def test_there_is_one_engine(port: ProcessPort, bench: Rig) -> None:
    with pytest.raises(ConnectionError, match="another engine is connected"):
        ProcessPort(bench.folder / "monitor.sock", TOKEN)
    assert port.ask("clear_cause", 1.0, lambda: None).granted


def test_no_monitor_is_an_error_that_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConnectionError, match="is not there"):
        ProcessPort(tmp_path / "monitor.sock", TOKEN)


def test_watchers_watch_and_may_not_ask(port: ProcessPort, bench: Rig) -> None:
    watcher = Watcher(bench)
    seen = watcher.until(lambda s: True)
    assert seen["bench_state"] == "ready for operation"
    assert seen["voltages"] == {"store": pytest.approx(0, abs=5), "terminals": pytest.approx(0, abs=1)}
    assert seen["ambient"]["temperature"] == pytest.approx(23.0, abs=5)
    watcher.socket.send(b'{"id": 1, "act": "abort"}\n')
    while "reply" not in (message := watcher.next()):
        assert message
    assert message["reply"]["granted"] is False
    assert port.cause() is None
    watcher.close()


@pytest.mark.parametrize(
    "said", [b"rubbish\n", b"[1]\n", b"\xff\xfe\n", b'"hello"\n', b"[" * 70_000, b'{"act":"engine_gone"}\n']
)
def test_rubbish_ends_only_the_connection_it_came_from(port: ProcessPort, bench: Rig, said: bytes) -> None:
    peer = Watcher(bench)
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        peer.socket.sendall(said)
    while peer.next():
        pass
    peer.close()
    assert port.ask("clear_cause", 1.0, lambda: None).granted


def test_the_sockets_are_for_owner_and_group_only(bench: Rig) -> None:
    for name in ("monitor.sock", "abort.sock"):
        assert stat.S_IMODE((bench.folder / name).stat().st_mode) == 0o660


@pytest.mark.parametrize(
    ("said", "who", "how"),
    [
        (b"\x00", None, "peer"),
        (b"stop!", None, "peer"),
        (b'{"who": "A. Example"}', "A. Example", "declared"),
        (b'{"who": 7}', None, "peer"),
        (b"[" * 5000, None, "peer"),
    ],
)
def test_any_bytes_abort_and_say_who(
    port: ProcessPort, bench: Rig, said: bytes, who: str | None, how: str
) -> None:
    assert abort(bench, said) == b'{"aborting": true}\n'
    cause = bench.until(port, lambda s: s.cause is not None).cause
    assert cause is not None
    assert cause.reason == "abort_by_person"
    assert cause.who == (who or f"uid {os.getuid()}")
    assert cause.details == {"uid": os.getuid(), "how": how}


def test_connecting_to_the_abort_socket_is_no_abort(port: ProcessPort, bench: Rig) -> None:
    with socket.socket(socket.AF_UNIX) as person:
        person.connect(str(bench.folder / "abort.sock"))
    assert port.ask("clear_cause", 1.0, lambda: None).granted
    assert port.cause() is None


def test_an_abort_while_on_is_written_before_it_is_answered(port: ProcessPort, bench: Rig) -> None:
    bench.on(port)
    since_s = time.monotonic()
    abort(bench, b"stop")
    off_s = bench.truth.wait("coils", since_s, high_voltage=False)
    assert off_s - since_s < 0.1
    assert port.ask("prove_off", 8.0, lambda: None).granted


def test_answers_come_while_the_asker_renews_and_events_are_told(port: ProcessPort, bench: Rig) -> None:
    port.events()
    slices = []
    bench.on(port)
    assert port.ask("switch_off", 1.0, lambda: slices.append(1), output="high_voltage").granted
    proof = port.ask("prove_off", 8.0, lambda: slices.append(1))
    assert proof.granted
    assert proof.facts["high_voltage_open"] is True
    assert slices, "the asker was given its slices"
    kinds = [event["event"] for event in port.events()]
    for kind in ("armed", "warning", "output_on", "cut", "off"):
        assert kind in kinds
    assert bench.truth.entries("lamps", horn=True), "the horn sounded"


def test_an_asker_that_is_interrupted_does_not_get_the_late_answer_next_time(
    port: ProcessPort, bench: Rig
) -> None:
    bench.on(port)
    port.ask("switch_off", 1.0, port.renew, output="high_voltage")

    def interrupt() -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        port.ask("prove_off", 8.0, interrupt)
    assert port.ask("prove_off", 8.0, lambda: None).granted
    assert port.ask("dance", 1.0, lambda: None).sentence == "the interlock monitor has no act 'dance'"


def test_a_stopped_monitor_is_lost_and_answers_nothing(port: ProcessPort, bench: Rig) -> None:
    bench.monitor.send_signal(signal.SIGSTOP)
    try:
        bench.until(port, lambda s: port.lost(), within_s=2.0)
        reply = port.ask("arm", 0.2, port.renew, interlock=INTERLOCK, by="B. Example")
        assert not reply.granted
        assert "did not answer within 0.2 s" in reply.sentence
    finally:
        bench.monitor.send_signal(signal.SIGCONT)
    bench.until(port, lambda s: not port.lost() and s.proof is not None and s.proof.safe)
    port.ask("disarm", 1.0, port.renew, by="B. Example")


def test_an_engine_that_leaves_while_armed_disarms(bench: Rig, port: ProcessPort) -> None:
    other = Watcher(bench)
    assert port.ask("arm", 1.0, lambda: None, interlock=INTERLOCK, by="B. Example").granted
    port.close()
    seen = other.until(lambda s: s["bench_state"] == "ready for operation")
    assert seen["cause"] is None
    other.close()


def test_a_second_monitor_for_the_same_folder_does_not_start(bench: Rig) -> None:
    second = start(bench, bench.folder)
    assert second.returncode == 1
    assert "another interlock monitor already serves" in second.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"BENCHWARD_MONITOR_TOKEN": "short"}, "token is missing or too short"),
        ({"rules": "{}"}, "cannot start: KeyError: 'poll_s'"),
        ({"rules": "nonsense"}, "cannot start: JSONDecodeError"),
    ],
)
def test_what_cannot_work_does_not_start(
    bench: Rig, tmp_path: Path, change: dict[str, str], words: str
) -> None:
    run = start(bench, tmp_path, **change)
    assert run.returncode == 1
    assert words in run.stderr
    assert "Traceback" not in run.stderr


def start(bench: Rig, folder: Path, rules: str | None = None, **environment: str) -> Any:
    path = bench.folder / "rules.json"
    if rules is not None:
        path = folder / "rules.json"
        path.write_text(rules)
    command = [sys.executable, "-m", "orchestrator.monitor", "--rules", str(path)]
    command += ["--resource", "TCPIP::127.0.0.1::9::SOCKET", "--socket", str(folder), "--data", str(folder)]
    known = {**os.environ, "BENCHWARD_MONITOR_TOKEN": TOKEN, **environment}
    return subprocess.run(command, capture_output=True, text=True, env=known, timeout=20, check=False)


def test_without_safety_io_it_says_off_not_proven_and_ends_so(bench: Rig, tmp_path: Path) -> None:
    """No plant at that port: watched, told to end, exit 3; the token comes through a descriptor here."""
    rules = {**bench.rules, "discharge_s": 0.1}
    (tmp_path / "rules.json").write_text(json.dumps(rules))
    read_fd, write_fd = os.pipe()
    os.write(write_fd, TOKEN.encode() + b"\n")
    os.close(write_fd)
    command = [sys.executable, "-m", "orchestrator.monitor", "--rules", str(tmp_path / "rules.json")]
    command += ["--resource", "TCPIP::127.0.0.1::9::SOCKET", "--socket", str(tmp_path), "--data"]
    command += [str(tmp_path / "data"), "--engine-fd", str(read_fd)]
    with subprocess.Popen(command, pass_fds=[read_fd], stderr=subprocess.PIPE) as process:
        os.close(read_fd)
        assert process.stderr is not None
        assert b"begins" in process.stderr.readline()
        port = ProcessPort(tmp_path / "monitor.sock", TOKEN)
        snapshot = Rig.until(bench, port, lambda s: s.blocked is not None)
        assert snapshot.bench_state == "off not proven"
        assert snapshot.cause is not None
        assert snapshot.cause.reason == "monitor_lost"
        process.terminate()
        assert process.wait(timeout=10) == 3
        assert b"Connection refused" in process.stderr.read()
    assert "Start blocked" in str(Kept(tmp_path / "data").blocked())
    port.close()


def test_a_daemon_that_is_gone_ends_it_safely(bench: Rig, tmp_path: Path) -> None:
    """--life-fd: its end is like being told to end."""
    (tmp_path / "rules.json").write_text(json.dumps({**bench.rules, "discharge_s": 0.1}))
    read_fd, write_fd = os.pipe()
    command = [sys.executable, "-m", "orchestrator.monitor", "--rules", str(tmp_path / "rules.json")]
    command += ["--resource", "TCPIP::127.0.0.1::9::SOCKET", "--socket", str(tmp_path), "--data"]
    command += [str(tmp_path), "--life-fd", str(read_fd)]
    known = {**os.environ, "BENCHWARD_MONITOR_TOKEN": TOKEN}
    with subprocess.Popen(command, pass_fds=[read_fd], stderr=subprocess.PIPE, env=known) as process:
        os.close(read_fd)
        assert process.stderr is not None
        assert b"begins" in process.stderr.readline()
        os.close(write_fd)
        assert process.wait(timeout=10) == 3


def test_a_log_that_nobody_reads_stops_nothing(tmp_path: Path) -> None:
    """stderr is a pipe that is full: the monitor goes on polling and answering."""
    with rig(tmp_path) as made:
        assert made.monitor.stderr is not None
        fcntl.fcntl(made.monitor.stderr, fcntl.F_SETPIPE_SZ, 4096)
        port = made.connect()
        for name in ["open", "closed"] * 30:
            made.set("door", name)
            made.until(port, lambda s, name=name: s.inputs["door"]["closed"] == (name == "closed"))
        assert not port.lost()
        assert port.ask("clear_cause", 1.0, lambda: None).granted
        told = [event for event in port.events() if event["event"] == "interlock"]
        os.set_blocking(made.monitor.stderr.fileno(), False)
        assert made.monitor.stderr.read().count(b'"interlock"') < len(told), "the pipe was full"
