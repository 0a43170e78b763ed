"""Other VISA resources pass through the same link: HiSLIP, against a small server written here.

The message layout (header of 16 bytes, types Initialize 0 to AsyncInitializeResponse 18) is the IVI-6.1
specification's as the pyvisa-py client states it in its source; the specification itself was not read.
"""

from __future__ import annotations

import selectors
import socket
import struct
import threading
from collections.abc import Callable, Iterator

import pytest

from drivers.links import link_to
from drivers.links.base import Link, LinkFault
from tests.contract.faces import LineFace
from tests.contract.peers import RealPace

HEADER = struct.Struct("!2sBBIQ")
GIVE_UP_S = 20.0


class HislipServer:
    """Two connections for each client; answers each message by `answer`, None for silence or a closed connection."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.answer: Callable[[bytes], bytes | None] = lambda message: b"7.000E+00\n"
        self.after = threading.Event()
        self.after.set()
        self._wake_out, self._wake_in = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self.after.set()
        self._wake_in.send(b"e")
        self._thread.join(GIVE_UP_S)
        assert not self._thread.is_alive()

    def _serve(self) -> None:
        with selectors.DefaultSelector() as selector, self._listener:
            for each in (self._listener, self._wake_out):
                selector.register(each, selectors.EVENT_READ)
            while True:
                for key, _ in selector.select(GIVE_UP_S):
                    if key.fileobj is self._wake_out:
                        return
                    if key.fileobj is self._listener:
                        selector.register(self._listener.accept()[0], selectors.EVENT_READ)
                    elif not self._message(key.fileobj):  # type: ignore[arg-type]
                        selector.unregister(key.fileobj)
                        key.fileobj.close()  # type: ignore[union-attr]

    def _message(self, peer: socket.socket) -> bool:
        head = peer.recv(HEADER.size, socket.MSG_WAITALL)
        if len(head) < HEADER.size:
            return False
        _, kind, _, parameter, length = HEADER.unpack(head)
        payload = peer.recv(length, socket.MSG_WAITALL) if length else b""
        if kind == 0:
            peer.sendall(HEADER.pack(b"HS", 1, 0, 0x0100_0001, 0))
        elif kind == 17:
            peer.sendall(HEADER.pack(b"HS", 18, 0, 0, 0))
        elif kind == 15:
            peer.sendall(HEADER.pack(b"HS", 16, 0, 0, 8) + struct.pack("!Q", 1 << 20))
        elif kind in (6, 7):
            return self._reply(peer, parameter, payload)
        return True

    def _reply(self, peer: socket.socket, message_id: int, payload: bytes) -> bool:
        answer = self.answer(payload)
        self.after.wait(GIVE_UP_S)
        if answer is None:
            return False
        if answer:
            peer.sendall(HEADER.pack(b"HS", 7, 0, message_id, len(answer)) + answer)
        return True


@pytest.fixture
def server() -> Iterator[HislipServer]:
    made = HislipServer()
    yield made
    made.end()


def link_to_server(server: HislipServer) -> Link:
    return link_to(f"TCPIP::127.0.0.1::hislip0,{server.port}::INSTR", "hislip", RealPace())


def test_questions_and_answers(server: HislipServer) -> None:
    link = link_to_server(server)
    link.open(5.0)
    ask = LineFace().asker(link, 5.0)
    assert [ask(), ask()] == [7, 7]
    server.answer = lambda message: b"x" * 200_000 + b"\n"
    link.write(b"TRACe?\n", 5.0)
    assert len(link.read_line(5.0, 300_000)) == 200_000
    link.close()


def test_silence_is_a_timeout_and_the_reopened_link_answers_right(server: HislipServer) -> None:
    link = link_to_server(server)
    link.open(5.0)
    server.answer = lambda message: b""
    began_s = link.pace.now_s()
    with pytest.raises(LinkFault) as caught:
        LineFace().asker(link, 0.25)()
    assert caught.value.code == "timeout"
    assert link.pace.now_s() - began_s < 0.5
    server.answer = lambda message: b"8.000E+00\n"
    link.open(5.0)
    assert LineFace().asker(link, 5.0)() == 8
    link.close()


def test_an_answer_that_takes_several_slices_arrives(server: HislipServer) -> None:
    link = link_to_server(server)
    link.open(5.0)
    server.after.clear()
    pace = link.pace
    assert isinstance(pace, RealPace)
    looked = pace.slice

    def slice_() -> None:
        looked()
        if len(pace.slices) >= 2:
            server.after.set()

    pace.slice = slice_  # type: ignore[method-assign]
    assert LineFace().asker(link, 5.0)() == 7
    assert len(pace.slices) >= 2
    link.close()


def test_a_server_that_closes_is_lost(server: HislipServer) -> None:
    link = link_to_server(server)
    link.open(5.0)
    server.answer = lambda message: None
    with pytest.raises(LinkFault) as caught:
        LineFace().asker(link, 5.0)()
    assert caught.value.code == "lost"
    link.close()


def test_nobody_there_is_refused(server: HislipServer) -> None:
    link = link_to_server(server)
    server.end()
    with pytest.raises(LinkFault) as caught:
        link.open(5.0)
    assert caught.value.code == "refused"
    server._wake_out, server._wake_in = socket.socketpair()
