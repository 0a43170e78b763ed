"""The plant on real sockets: peers that come and go, faults of links, the control port, the command."""

import argparse
import contextlib
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.cli.simulators import add_parser
from simulators.control import ControlError, ask
from simulators.plants import build
from simulators.serve import CannotServe, Server
from tests.run.worlds import free_ports
from tests.served import PATIENCE_S, Served

pytestmark = pytest.mark.real

READ_INPUTS = struct.pack(">HHHB", 1, 0, 6, 1) + bytes([2, 0, 0, 0, 10])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    plant = Served(tmp_path / "plant.sock")
    yield plant
    plant.end()


def line(link: socket.socket) -> bytes:
    """One line, or what came before the end of the connection."""
    data = b""
    while not data.endswith(b"\n"):
        piece = link.recv(65_536)
        if not piece:
            break
        data += piece
    return data


def ended(link: socket.socket) -> bool:
    """Whether the other side closes within the socket's time."""
    try:
        return link.recv(1) == b""
    except ConnectionResetError:
        return True


def test_every_device_answers_on_its_own_port(served: Served) -> None:
    for device, maker in (("generator", b"Made-up"), ("digitiser_i", b"Invented"), ("meter", b"Invented")):
        with served.connect(device) as link:
            link.sendall(b"*IDN?\n")
            assert line(link).startswith(maker)
    with served.connect("safety_io") as link:
        link.sendall(READ_INPUTS)
        assert link.recv(100) == bytes.fromhex("00 01 00 00 00 05 01 02 02 FF 03")


def test_half_lines_and_several_lines_at_once(served: Served) -> None:
    with served.connect("meter") as link:
        link.sendall(b"SOUR:VO")
        link.sendall(b"LT 42\nSOUR:VOLT?\n*IDN?\n")
        got = line(link)
        while got.count(b"\n") < 2:
            got += line(link)
    assert got.splitlines()[0] == b"+4.20000000E+01"


def test_a_second_peer_is_dropped_and_the_first_goes_on(served: Served) -> None:
    with served.connect("meter") as first:
        first.sendall(b"*IDN?\n")
        line(first)
        with served.connect("meter") as second:
            assert ended(second)
        first.sendall(b"SOUR:VOLT?\n")
        assert line(first)


def test_a_peer_that_left_makes_room_for_the_next(served: Served) -> None:
    for _ in range(20):
        with served.connect("generator") as link:
            link.sendall(b"*IDN?\n")
            assert line(link)


def test_a_closed_link_drops_the_peer_and_refuses_new_ones(served: Served) -> None:
    with served.connect("meter") as link:
        link.sendall(b"*IDN?\n")
        line(link)
        served.set("meter.link", "closed")
        assert ended(link)
    assert refuses_soon(served, "meter")

    served.set("meter.link", "ok")
    with served.connect("meter") as link:
        link.sendall(b"*IDN?\n")
        assert line(link)


def test_a_refusing_link_keeps_its_peer(served: Served) -> None:
    with served.connect("meter") as link:
        link.sendall(b"*IDN?\n")
        line(link)
        served.set("meter.link", "refused")
        link.sendall(b"*IDN?\n")
        assert line(link)
    assert refuses_soon(served, "meter")


def refuses_soon(served: Served, device: str) -> bool:
    """Whether connections come to be refused; one that was just being made may still be reset."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        try:
            served.connect(device).close()
        except ConnectionRefusedError:
            return True
        except ConnectionResetError:
            continue
    return False


def test_a_late_and_a_dribbling_link(served: Served) -> None:
    with served.connect("meter") as link:
        served.set("meter.link", "late:0.2 s")
        start_s = time.monotonic()
        link.sendall(b"*IDN?\n")
        assert line(link).endswith(b"1.1\n")
        assert time.monotonic() - start_s >= 0.2

        served.set("meter.link", "dribble:10 ms")
        start_s = time.monotonic()
        link.sendall(b"OUTP?\n")
        pieces = [link.recv(100), link.recv(100)]
        assert pieces == [b"0", b"\n"]
        assert time.monotonic() - start_s >= 0.02


def test_a_slow_reader_harms_nobody(served: Served) -> None:
    with served.connect("digitiser_v") as slow, served.connect("meter") as quick:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        for _ in range(200):
            slow.sendall(b"SYST:ERR:ALL?;:TRAC:CAT?\n" * 50)
        quick.sendall(b"*IDN?\n")
        assert line(quick)


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\x00\xff\xfe\n",
        b"[1, 2]\n",
        b"{}\n",
        b'{"set": 5, "value": {}}\n',
        b'{"set": "door"}\n',
        b"[" * 5000 + b"\n",
    ],
)
def test_rubbish_on_the_control_port_gets_an_error(served: Served, rubbish: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(PATIENCE_S)
        client.connect(str(served.control))
        client.sendall(rubbish)
        reply = json.loads(line(client))
        assert reply["ok"] is False and reply["error"]
        client.sendall(b'{"show": true}\n')
        assert json.loads(line(client))["show"]["door"] == "closed"


def test_half_a_line_and_an_endless_line_on_the_control_port(served: Served) -> None:
    with socket.socket(socket.AF_UNIX) as half, socket.socket(socket.AF_UNIX) as endless:
        for client in (half, endless):
            client.settimeout(PATIENCE_S)
            client.connect(str(served.control))
        half.sendall(b'{"sh')
        with contextlib.suppress(BrokenPipeError):
            endless.sendall(b"x" * 200_000)
        assert ended(endless)
        assert served.show()["door"] == "closed"
        half.sendall(b'ow": true}\n')
        assert json.loads(line(half))["ok"]


def test_the_control_port_sets_shows_and_names(served: Served) -> None:
    served.set("door", "open")
    assert served.show()["door"] == "open"
    with served.connect("safety_io") as link:
        link.sendall(READ_INPUTS)
        assert link.recv(100)[-2:] == bytes([0xFC, 0x03])
    with pytest.raises(ControlError, match=r"door\.a"):
        served.set("dor.a", "open")
    assert "discharge.fails" in ask(served.control, {"names": True})["names"]
    ask(served.control, {"plan": "meter", "exchange": 1, "kind": "garbled"})
    with served.connect("meter") as link:
        link.sendall(b"*IDN?\n*IDN?\n")
        got = line(link)
        assert not got.startswith(b"Invented")
        assert b"Invented" in (got + line(link) if got.count(b"\n") < 2 else got)


def test_a_port_in_use_is_said_in_one_sentence(served: Served, tmp_path: Path) -> None:
    with pytest.raises(CannotServe, match=r"meter cannot be served at 127\.0\.0\.1 port .*in use"):
        Server(build("impulse", {}, 1), {"meter": served.addresses["meter"]}, tmp_path / "other.sock")
    with pytest.raises(ControlError, match="running already"):
        Server(build("impulse", {}, 1), {}, served.control)
    assert served.show()


def test_a_dead_plants_control_socket_is_cleared_away(tmp_path: Path) -> None:
    path = tmp_path / "plant.sock"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    plant = Served(path)
    assert plant.show()
    plant.end()
    assert not path.exists()


# The command
MAIN = """
import argparse, sys
from orchestrator.cli.simulators import add_parser
parser = argparse.ArgumentParser(prog="benchward")
add_parser(parser.add_subparsers(required=True))
args = parser.parse_args()
sys.exit(args.run(args))
"""
DEVICES = ("generator", "digitiser_v", "digitiser_i", "meter")


def bench_file(folder: Path) -> Path:
    """A bench file of free ports, and the example's plant file beside it."""
    resources = [f"TCPIP::127.0.0.1::{port}::SOCKET" for port in free_ports(5)]
    instruments = "".join(
        f"  {name}: {{resource: '{r}'}}\n" for name, r in zip(DEVICES, resources, strict=False)
    )
    path = folder / "bench.yaml"
    path.write_text(f"safety_io: {{resource: '{resources[4]}'}}\ninstruments:\n{instruments}")
    example = Path(__file__).parents[2] / "sequences" / "library" / "tidewater" / "plant.yaml"
    (folder / "plant.yaml").write_text(example.read_text())
    return path


def command(folder: Path, *words: str) -> list[str]:
    return [sys.executable, "-c", MAIN, "simulators", *words]


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(folder, *words),
        capture_output=True,
        text=True,
        timeout=30,
        env=environment(folder),
        check=False,
    )


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What the command says in this process when it cannot do what is asked, with exit code 2."""
    parser = argparse.ArgumentParser(prog="benchward")
    add_parser(parser.add_subparsers(required=True))
    args = parser.parse_args(["simulators", *words])
    assert args.run(args) == 2
    return capsys.readouterr().err


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "XDG_RUNTIME_DIR": str(folder)}


@pytest.fixture
def short() -> Iterator[Path]:
    """A folder for sockets: the path of one has 107 bytes at most, and `tmp_path` takes most of them."""
    with tempfile.TemporaryDirectory(prefix="benchward-") as folder:
        yield Path(folder)


@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGINT])
def test_the_command_serves_shows_sets_and_ends_cleanly(short: Path, end: signal.Signals) -> None:
    bench, truth = bench_file(short), short / "truth.jsonl"
    words = command(short, str(bench), "--truth", str(truth))
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment(short)) as plant:
        assert plant.stdout is not None
        while "running" not in (said := plant.stdout.readline()):
            assert said, "it ended"
        before_s = time.monotonic()
        shown = run(short, str(bench), "--set", "door=open", "--set", "cloth.glows_at_shot = 8", "--show")
        again = run(short, str(bench))
        wrong = run(short, str(bench), "--set", "dor=open")
        as_json = run(short, str(bench), "--show", "--json")
        plant.send_signal(end)
        assert plant.wait(PATIENCE_S) == 0

    assert shown.returncode == 0 and "door                 open" in shown.stdout
    assert "cloth.glows_at_shot=8" in shown.stdout
    assert again.returncode == 2 and "in use" in again.stderr and again.stderr.count("\n") == 1
    assert wrong.returncode == 2 and "door" in wrong.stderr
    assert json.loads(as_json.stdout)["faults"] == {"cloth.glows_at_shot": "8"}
    entries = [json.loads(text) for text in truth.read_text().splitlines()]
    opened = next(entry for entry in entries if entry.get("name") == "door")
    assert before_s < opened["at_s"] < time.monotonic()
    assert list(short.glob("benchward-*/*.sock")) == []


@pytest.mark.parametrize(
    ("bench_text", "plant_text", "says"),
    [
        ("instruments: {}", None, "generator needs a resource"),
        ("[1, 2]", None, "holds no entries"),
        ("a: [", None, "is not YAML"),
        (None, "kind: waterworks", "no plant of kind 'waterworks'"),
        (None, "kind: impulse\nset: {dor: open}", "the nearest are: door"),
        (None, "kind: impulse\nseed: many", "the seed is a whole number"),
    ],
)
def test_a_wrong_file_is_one_sentence_and_exit_2(
    tmp_path: Path,
    bench_text: str | None,
    plant_text: str | None,
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = bench_file(tmp_path)
    if bench_text is not None:
        bench.write_text(bench_text)
    if plant_text is not None:
        (tmp_path / "plant.yaml").write_text(plant_text)

    assert says in refused(capsys, str(bench))


def test_a_truth_file_that_cannot_be_written_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = refused(capsys, str(bench_file(tmp_path)), "--truth", str(tmp_path / "missing" / "t.jsonl"))

    assert "t.jsonl: No such file or directory" in said


def test_without_a_running_plant_it_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    bench = bench_file(tmp_path)

    assert "no plant of this bench is running" in refused(capsys, str(bench), "--show")
    assert "other.yaml" in refused(capsys, str(tmp_path / "other.yaml"))
    assert "NAME=VALUE" in refused(capsys, str(bench), "--set", "door")
