"""Speed of the drivers beside bare sockets. A peer process answers all connections from one thread.

The peer runs on a processor of its own where there are two, as an instrument does: on a shared one the bare
round trip falls from some 55 us to 20 us and its cost is no longer that of waiting for somebody else.
A and B are measured in turns and the ratio is the median of the ratios of neighbours, so that what the computer
does besides meets both. Run alone: python -m tests.bench.drivers
"""

from __future__ import annotations

import os
import selectors
import socket
import statistics
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drivers import blocks
from drivers.equipment.instrument import ScpiInstrument
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity
from drivers.links import Kind, open_link
from drivers.links.base import OwnPace
from drivers.modbus import ModbusClient
from tests.bench.row import Row

BLOCK_BYTES = 20_000_000
QUERIES = 2000
POLLS = 1000
BLOCKS = 15
WAVES = {"W": bytes(range(1, 251)) * (BLOCK_BYTES // 250), "L": b"\n" * BLOCK_BYTES}
POLL = struct.pack(">HHHBBHH", 1, 0, 6, 1, 2, 0, 10)  # ten discrete inputs


def rows() -> list[Row]:
    """All rows of the drivers."""
    made: list[Row] = []
    with peer() as port:
        for kind in ("socket", "visa"):
            made.append(query_row(port, kind))
            made.extend(block_row(port, kind, wave) for wave in WAVES)
        made.append(poll_row(port))
    return made


def query_row(port: int, kind: Kind) -> Row:
    """One SCPI question and its answer."""
    link = open_link(f"TCPIP::127.0.0.1::{port}::SOCKET", kind, OwnPace(), kind)
    instrument = ScpiInstrument(link, Identity("", "", ""), OffWrite(link, (), "*OPC?", "1"))
    with bare(port) as stream:

        def ask_bare() -> None:
            stream.sendall(b"*IDN?\n")
            stream.recv(4096)

        row = compare(f"SCPI query, {kind} link", lambda: instrument.ask("*IDN?"), ask_bare, QUERIES, 1.6)
    link.close()
    return row


def block_row(port: int, kind: Kind, wave: str) -> Row:
    """A block of 20 MB; full of line feeds it must cost the same."""
    link = open_link(f"TCPIP::127.0.0.1::{port}::SOCKET", kind, OwnPace(), kind)
    question = f"{wave}\n".encode()
    whole = len(blocks.encode(WAVES[wave])) + 1
    with bare(port) as stream:

        def fetch() -> None:
            link.write(question, 5.0)
            blocks.read(link, 10.0)

        def fetch_bare() -> None:
            stream.sendall(question)
            view, have = memoryview(bytearray(whole)), 0
            while have < whole:
                have += stream.recv_into(view[have:])

        what = f"20 MB block{' of line feeds' if wave == 'L' else ''}, {kind} link"
        row = compare(what, fetch, fetch_bare, BLOCKS, 4.0)
    link.close()
    return row


def poll_row(port: int) -> Row:
    """One Modbus request; the interlock monitor makes four of them each 5 ms."""
    link = open_link(f"TCPIP::127.0.0.1::{port}::SOCKET", "safety I/O", OwnPace(), "socket")
    client = ModbusClient(link, unit=1)
    with bare(port) as stream:

        def ask_bare() -> None:
            stream.sendall(POLL)
            stream.recv(4096)

        row = compare("Modbus request", lambda: client.read_discrete_inputs(0, 10, 1.0), ask_bare, POLLS, 2.0)
    link.close()
    return row


def compare(
    what: str, ours: Callable[[], object], theirs: Callable[[], object], times: int, at_most: float
) -> Row:
    """Ours and the bare socket's, in turns."""
    ours_s, theirs_s = [], []
    for _ in range(times):
        ours_s.append(seconds(ours))
        theirs_s.append(seconds(theirs))
    ratio = statistics.median(a / b for a, b in zip(ours_s, theirs_s, strict=True))
    return Row(what, statistics.median(ours_s), "bare socket", statistics.median(theirs_s), ratio, at_most)


def seconds(work: Callable[[], object]) -> float:
    """How long it takes."""
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


@contextmanager
def bare(port: int) -> Iterator[socket.socket]:
    """A plain blocking connection."""
    with socket.create_connection(("127.0.0.1", port)) as stream:
        stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield stream


@contextmanager
def peer() -> Iterator[int]:
    """The peer process; gives its port."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.drivers", "peer"], stdout=subprocess.PIPE, text=True
    )
    processors = os.sched_getaffinity(0)
    try:
        assert process.stdout is not None
        port = int(process.stdout.readline())
        if len(processors) > 1:
            os.sched_setaffinity(process.pid, {min(processors)})
            os.sched_setaffinity(0, processors - {min(processors)})
        yield port
    finally:
        os.sched_setaffinity(0, processors)
        process.kill()
        process.wait()


def serve() -> None:
    """The peer: identities, blocks and Modbus answers, for all connections from one thread."""
    answers = {name: blocks.encode(wave) + b"\n" for name, wave in WAVES.items()}
    with socket.create_server(("127.0.0.1", 0)) as listener, selectors.DefaultSelector() as selector:
        print(listener.getsockname()[1], flush=True)
        selector.register(listener, selectors.EVENT_READ)
        while True:
            for key, _ in selector.select():
                if key.fileobj is listener:
                    stream = listener.accept()[0]
                    stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    selector.register(stream, selectors.EVENT_READ)
                elif not reply(key.fileobj, answers):  # type: ignore[arg-type]
                    selector.unregister(key.fileobj)
                    key.fileobj.close()  # type: ignore[union-attr]


def reply(stream: socket.socket, answers: dict[str, bytes]) -> bool:
    """Answer one question; False: the connection is closed."""
    question = stream.recv(4096)
    if question[2:4] == b"\0\0":
        stream.sendall(question[:4] + struct.pack(">HBBBH", 5, 1, 2, 2, 0x01FF))
    elif question:
        stream.sendall(answers.get(question[:1].decode(), b"Made-up Instruments,IG-2,IG2-0031,1.4\n"))
    return bool(question)


if __name__ == "__main__":
    if sys.argv[1:] == ["peer"]:
        serve()
    for each in rows():
        mark = "" if each.holds else "   TOO SLOW"
        print(
            f"{each.what:38s} {each.ours_s * 1e6:10.1f} us  {each.baseline_s * 1e6:10.1f} us"
            f"  x{each.ratio:.2f} (at most x{each.at_most:g}){mark}"
        )
