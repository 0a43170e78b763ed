"""More about links: blocks over every kind, a peer that does not read, resource strings, what is imported."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import pytest

from drivers import blocks
from drivers.equipment.off import OffWrite, off_all_threads
from drivers.links import link_to, open_link, transport_to
from drivers.links.base import SLICE_S, Link, LinkFault, OwnPace
from drivers.links.memory import MemoryTransport
from drivers.links.serial import SerialTransport
from drivers.links.socket import SocketTransport
from drivers.links.visa import VisaTransport
from tests.contract.faces import LineFace
from tests.contract.peers import FakePace, MemoryPeer, PtyPeer, RealPace, Send, SocketPeer

KINDS = ("memory", "socket", "visa socket", "serial pty", "visa pty")
BLOCKS = {
    "every byte": bytes(range(256)) * 40,
    "line feeds alone": b"\n" * 20_000,
    "looks like a block": b"#15abc\n" * 900,
    "empty": b"",
}


@pytest.mark.parametrize("data", BLOCKS.values(), ids=BLOCKS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_block_comes_through_unchanged_over_every_kind(kind: str, data: bytes, tmp_path: Path) -> None:
    face = LineFace()
    peer: MemoryPeer | SocketPeer | PtyPeer
    if kind == "memory":
        pace = FakePace()
        peer = MemoryPeer(face, pace)
        link = Link(kind, MemoryTransport(peer), pace)
    else:
        peer = PtyPeer(face, tmp_path) if kind.endswith("pty") else SocketPeer(face)
        link = link_to(peer.resource, kind, RealPace(), "visa" if kind.startswith("visa") else "socket")
    peer.script = lambda face, request: [Send(blocks.encode(data) + b"\n")]
    link.open(5.0)
    for _ in range(2):
        link.write(b"TRACe?\n", 5.0)
        assert blocks.read(link, 5.0) == data
    link.close()
    peer.end()


@pytest.mark.parametrize("kind", ["socket", "visa"])
def test_a_peer_that_does_not_read_ends_a_write_in_time(kind: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        resource = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        link = link_to(resource, "deaf", pace := RealPace(), "visa" if kind == "visa" else "socket")
        link.open(5.0)
        began_s = pace.now_s()
        with pytest.raises(LinkFault) as caught:
            link.write(b"x" * 30_000_000, 0.3)
        assert caught.value.code == "timeout"
        assert "took only" in str(caught.value)
        assert pace.now_s() - began_s < 0.3 + 0.3
        assert len(pace.slices) >= 2
        link.close()


@pytest.mark.parametrize("kind", ["visa", "socket"])
def test_off_writes_over_real_links_in_and_out_of_service(kind: str) -> None:
    peer = SocketPeer(LineFace())
    lines: list[bytes] = []

    def answer(face: object, request: bytes) -> list[Send]:
        lines.append(request)
        return [Send(b"0\n")] if b"?" in request else []

    peer.script = answer  # type: ignore[assignment]
    link = open_link(peer.resource, "generator", OwnPace(), "visa" if kind == "visa" else "socket")
    machine = OffWrite(link, ("ABORt", "OUTPut OFF"), "OUTPut?", "0", total_s=5.0)
    assert [result.confirmed for result in off_all_threads([machine], 5.0)] == [True]
    assert link.in_service
    link.condemn("timeout", "no answer")
    assert [result.confirmed for result in off_all_threads([machine], 5.0)] == [True]
    assert not link.in_service
    assert lines == [b"ABORt\n", b"OUTPut OFF\n", b"OUTPut?\n"] * 2
    link.close()
    peer.end()


class FlowingPort:
    """Bytes without end, always there at once; each call takes 15 ms of the fake clock."""

    def __init__(self, pace: FakePace) -> None:
        self.pace = pace

    def connect(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""

    def send(self, data: bytes) -> int:
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        self.pace.time_s += 0.015
        return b"x" * min(limit, 1000)


def test_the_pace_is_looked_at_also_while_bytes_flow_without_a_gap() -> None:
    pace = FakePace()
    link = Link("recorder", MemoryTransport(FlowingPort(pace)), pace)
    link.open(1.0)
    pace.slices[:] = [pace.time_s]
    assert len(link.read_exactly(200_000, 60.0)) == 200_000
    pace.slices.append(pace.time_s)
    gaps = [after - before for before, after in zip(pace.slices, pace.slices[1:], strict=False)]
    assert max(gaps) < SLICE_S
    with pytest.raises(LinkFault) as caught:
        link.read_exactly(10_000_000, 1.0)
    assert caught.value.code == "timeout"


def test_the_kind_follows_from_the_resource_string() -> None:
    assert isinstance(transport_to("TCPIP::127.0.0.1::5025::SOCKET"), VisaTransport)
    assert isinstance(transport_to("TCPIP0::127.0.0.1::5025::SOCKET", "socket"), SocketTransport)
    assert isinstance(transport_to("ASRL/dev/ttyS9::INSTR", "socket"), SerialTransport)
    assert isinstance(transport_to("TCPIP::127.0.0.1::5025::SOCKET").fresh(), SocketTransport)
    assert isinstance(transport_to("ASRL/dev/ttyS9::INSTR").fresh(), SerialTransport)
    assert isinstance(transport_to("TCPIP::127.0.0.1::hislip0::INSTR").fresh(), VisaTransport)
    assert isinstance(transport_to("TCPIP::127.0.0.1::port::SOCKET").fresh(), VisaTransport)
    with pytest.raises(ValueError, match="needs VISA"):
        transport_to("GPIB0::7::INSTR", "socket")


@pytest.mark.parametrize("resource", ["", "nonsense", "TCPIP::127.0.0.1::x::SOCKET", "GPIB0::7::INSTR"])
def test_a_resource_that_visa_cannot_open_is_refused(resource: str) -> None:
    with pytest.raises(LinkFault) as caught:
        link_to(resource, "recorder", OwnPace()).open(0.5)
    assert caught.value.code == "refused"
    assert "recorder" in str(caught.value)


def test_what_the_monitor_imports_is_light() -> None:
    """The interlock monitor's process must not load numpy, pyvisa or pydantic (nor pyserial, nor scipy)."""
    code = (
        "import sys; import drivers.modbus, drivers.links.socket, drivers.links.memory, drivers.equipment.off;"
        "heavy = {'numpy', 'pyvisa', 'pydantic', 'serial', 'scipy'} & set(sys.modules); print(sorted(heavy))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_resource_manager_that_somebody_closed_does_not_close_every_link() -> None:
    import pyvisa

    peer = SocketPeer(LineFace())
    try:
        pyvisa.ResourceManager("@py").close()
        link = open_link(peer.resource, "instrument", OwnPace())
        assert link.in_service
        link.close()
    finally:
        peer.end()
