"""The Modbus client against the specification's worked examples, and against a server nobody here wrote.

Sources: the examples of the MODBUS Application Protocol Specification V1.1b3 for functions 2, 4, 6 and 15, as several
independent public test suites repeat them byte for byte (the specification's own text was not read for this test);
pymodbus 3.16, whose asyncio server answers over a real socket.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.links import open_link
from drivers.links.base import Link, OwnPace
from drivers.links.memory import MemoryTransport
from drivers.modbus import ModbusClient, ModbusRefusal
from tests.contract.peers import FakePace
from tests.unit.test_modbus_codec import Device

GIVE_UP_S = 20.0


def exchange(answer: str) -> tuple[ModbusClient, Device]:
    pace = FakePace()
    device = Device(pace, lambda pdu: bytes.fromhex(answer))
    link = Link("safety I/O", MemoryTransport(device), pace)
    link.open(1.0)
    return ModbusClient(link, unit=1), device


def test_function_2_reads_discrete_inputs_197_to_218() -> None:
    client, device = exchange("02 03 AC DB 35")
    inputs = client.read_discrete_inputs(196, 22, 1.0)
    assert device.frames[0][7:] == bytes.fromhex("02 00 C4 00 16")
    assert inputs[:8] == [bool(0xAC >> bit & 1) for bit in range(8)]
    assert inputs[8:16] == [bool(0xDB >> bit & 1) for bit in range(8)]
    assert inputs[16:] == [bool(0x35 >> bit & 1) for bit in range(6)]


def test_function_4_reads_input_register_9() -> None:
    client, device = exchange("04 02 00 0A")
    assert client.read_input_registers(8, 1, 1.0) == [10]
    assert device.frames[0][7:] == bytes.fromhex("04 00 08 00 01")


def test_function_6_writes_register_2() -> None:
    client, device = exchange("06 00 01 00 03")
    client.write_register(1, 3, 1.0)
    assert device.frames[0][7:] == bytes.fromhex("06 00 01 00 03")


def test_function_15_writes_ten_coils_from_20_on() -> None:
    client, device = exchange("0F 00 13 00 0A")
    states = [bool(int(bit)) for bit in "1011001110"]  # CD 01, lowest bit first
    client.write_coils(19, states, 1.0)
    assert device.frames[0][7:] == bytes.fromhex("0F 00 13 00 0A 02 CD 01")


def test_an_exception_response_has_the_function_with_its_high_bit_and_a_code() -> None:
    client, _ = exchange("84 02")
    with pytest.raises(ModbusRefusal, match="illegal data address"):
        client.read_input_registers(8, 1, 1.0)


def test_the_header_is_transaction_protocol_length_unit() -> None:
    client, device = exchange("04 02 00 0A")
    client.read_input_registers(8, 1, 1.0)
    assert device.frames[0][:7] == bytes.fromhex("00 01 00 00 00 06 01")


class ForeignServer:
    """pymodbus's server on a port of the loopback interface, its loop in a thread of its own."""

    def __init__(self) -> None:
        self.port = 0
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(GIVE_UP_S)

    def end(self) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(GIVE_UP_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(GIVE_UP_S)
        self._loop.close()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._start())
        self._ready.set()
        self._loop.run_forever()

    async def _start(self) -> None:
        coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        inputs = [SimData(0, values=[True, False, True] + [False] * 13, datatype=DataType.BITS)]
        holding = [SimData(0, count=4, values=0, datatype=DataType.REGISTERS)]
        registers = [SimData(0, values=[1690, 12, 65535, 0], datatype=DataType.REGISTERS)]
        device = SimDevice(id=1, simdata=(coils, inputs, holding, registers))
        self._server = ModbusTcpServer(device, address=("127.0.0.1", 0))
        await self._server.serve_forever(background=True)
        assert self._server.transport is not None
        self.port = self._server.transport.sockets[0].getsockname()[1]


@pytest.fixture(scope="module")
def foreign() -> Iterator[ForeignServer]:
    server = ForeignServer()
    yield server
    server.end()


def test_a_server_that_nobody_here_wrote(foreign: ForeignServer) -> None:
    resource = f"TCPIP::127.0.0.1::{foreign.port}::SOCKET"
    link = open_link(resource, "safety I/O", OwnPace(), "socket", timeout_s=5.0)
    client = ModbusClient(link, unit=1)
    assert client.read_discrete_inputs(0, 10, 5.0) == [True, False, True] + [False] * 7
    assert client.read_input_registers(0, 3, 5.0) == [1690, 12, 65535]
    client.write_coils(0, [True, False, True, False, True, True, True], 5.0)
    client.write_register(0, 1, 5.0)
    with pytest.raises(ModbusRefusal, match="illegal data address"):
        client.read_input_registers(900, 1, 5.0)
    assert client.read_input_registers(0, 1, 5.0) == [1690]
    link.close()
