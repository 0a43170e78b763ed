"""The SCPI device core over TCP, driven by clients that nobody here wrote: Debian's lxi-tools and PyVISA-py.

Where `lxi` is not installed its tests are skipped by name; with BENCHWARD_FOREIGN_CLIENTS=required they fail.
"""

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa

from simulators.scpi import Block, Command, Identity, Number, ScpiDevice, nr3

pytestmark = [pytest.mark.foreign, pytest.mark.real]

IDENTITY = Identity("Made-up Instruments", "TD-3", "TD3-0001", "1.0")
WAVEFORM = bytes(range(256)) * 40 + b"\n" * 100


class Server(threading.Thread):
    """One ScpiDevice behind a listening socket; one connection after the other."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]
        self.kept: dict[str, Any] = {"RANG": 10.0, "DATA": WAVEFORM}
        self.device = ScpiDevice(
            IDENTITY,
            [
                Command(
                    "SENSe:VOLTage:RANGe",
                    set=self._put("RANG"),
                    query=lambda args, suffixes, now_s: nr3(self.kept["RANG"]),
                    parameters=(Number("V", lowest=0.1, highest=1000.0),),
                ),
                Command(
                    "DATA",
                    set=self._put("DATA"),
                    query=lambda args, suffixes, now_s: self.kept["DATA"],
                    parameters=(Block(),),
                ),
            ],
        )

    def _put(self, name: str):  # type: ignore[no-untyped-def]
        def put(args: tuple[Any, ...], suffixes: tuple[int, ...], now_s: float) -> None:
            self.kept[name] = args[0]

        return put

    def run(self) -> None:
        while True:
            try:
                link, _ = self.listener.accept()
            except OSError:
                return
            with link:
                self._serve(link)

    def _serve(self, link: socket.socket) -> None:
        self.device.link_opened(time.monotonic())
        while data := link.recv(65_536):
            now_s = time.monotonic()
            self.device.receive(data, now_s)
            link.sendall(b"".join(reply for _, reply in self.device.advance(now_s)))
        self.device.link_closed(time.monotonic())

    def close(self) -> None:
        self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.join(5.0)


@pytest.fixture
def server() -> Iterator[Server]:
    served = Server()
    served.start()
    yield served
    served.close()


@pytest.fixture
def lxi() -> str:
    path = shutil.which("lxi")
    if path is None:
        missing = "the client `lxi` (Debian package lxi-tools) is not installed"
        if os.environ.get("BENCHWARD_FOREIGN_CLIENTS") == "required":
            pytest.fail(missing)
        pytest.skip(missing)
    return path


def ask(lxi: str, server: Server, message: str) -> bytes:
    """One message through lxi-tools, which connects, sends, reads if the message ends in `?`, and leaves."""
    command = [lxi, "scpi", "--address", "127.0.0.1", "--port", str(server.port), "--raw", message]
    return subprocess.run(command, capture_output=True, check=True, timeout=20).stdout


def test_lxi_reads_the_identification(lxi: str, server: Server) -> None:
    assert ask(lxi, server, "*IDN?") == b"Made-up Instruments,TD-3,TD3-0001,1.0\n"


def test_lxi_sets_and_reads_back(lxi: str, server: Server) -> None:
    assert ask(lxi, server, "SENS:VOLT:RANG 0.25 kV;:SENS:VOLT:RANG?") == b"+2.50000000E+02\n"
    assert ask(lxi, server, "*ESE 32;*ESE?;:SENSE:VOLTAGE:RANGE?") == b"32;+2.50000000E+02\n"


def test_lxi_sees_an_error_and_the_status(lxi: str, server: Server) -> None:
    assert ask(lxi, server, "*CLS") == b""
    assert ask(lxi, server, "*OPC?") == b"1\n"
    assert ask(lxi, server, "SENS:VOLT:RANG 2 KV;*STB?") == b"4\n"
    assert ask(lxi, server, "*ESR?") == b"16\n"
    assert ask(lxi, server, "SYST:ERR?") == b'-222,"Data out of range;2000 V"\n'
    assert ask(lxi, server, "SYST:ERR?") == b'0,"No error"\n'


def test_lxi_reads_a_block(lxi: str, server: Server) -> None:
    server.kept["DATA"] = b"\x00\x01\nabc"
    assert ask(lxi, server, "DATA?") == b"#16\x00\x01\nabc\n"


@pytest.fixture
def visa(server: Server) -> Iterator[Any]:
    manager = pyvisa.ResourceManager("@py")
    resource: Any = manager.open_resource(f"TCPIP::127.0.0.1::{server.port}::SOCKET")
    resource.read_termination = resource.write_termination = "\n"
    resource.timeout = 5000
    yield resource
    resource.close()
    manager.close()


def test_visa_queries(visa: Any) -> None:
    assert visa.query("*IDN?") == "Made-up Instruments,TD-3,TD3-0001,1.0"
    visa.write("SENS:VOLT:RANG 500 mV")
    assert visa.query_ascii_values("SENS:VOLT:RANG?") == [0.5]
    assert visa.query("*OPC?") == "1"


def test_visa_reads_a_block_with_new_lines_in_it(visa: Any) -> None:
    assert visa.query_binary_values("DATA?", datatype="B", container=bytes) == WAVEFORM


def test_visa_writes_a_block_with_new_lines_in_it(visa: Any, server: Server) -> None:
    values = [10, -10, 2570, 0, 32767, -32768]
    visa.write_binary_values("DATA ", values, datatype="h")
    assert visa.query("SYST:ERR?") == '0,"No error"'
    assert visa.query_binary_values("DATA?", datatype="h") == values
    assert len(server.kept["DATA"]) == 12


def test_visa_sees_an_error_in_words(visa: Any) -> None:
    visa.write("SENS:VOLT:RANGES 5")
    assert visa.query("SYST:ERR?") == '-113,"Undefined header;SENS:VOLT:RANGES"'
