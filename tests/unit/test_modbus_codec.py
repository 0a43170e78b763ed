"""The Modbus client against frames written here byte by byte."""

from __future__ import annotations

import logging
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.links.base import Link, LinkFault
from drivers.links.memory import MemoryTransport
from drivers.modbus import ModbusClient, ModbusRefusal
from tests.contract.peers import FakePace


class Device:
    """A port that answers each request by a function of its PDU; what it gives is wrapped, or sent as it is."""

    def __init__(self, pace: FakePace, answer: Callable[[bytes], bytes], raw: bool = False) -> None:
        self.pace, self.answer, self.raw = pace, answer, raw
        self.waiting = b""
        self.frames: list[bytes] = []

    def connect(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""

    def send(self, data: bytes) -> int:
        self.frames.append(data)
        pdu = self.answer(data if self.raw else data[7:])
        self.waiting += pdu if self.raw else data[:4] + struct.pack(">HB", len(pdu) + 1, data[6]) + pdu
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        data, self.waiting = self.waiting[:limit], self.waiting[limit:]
        if not data:
            self.pace.time_s += until_s_from_now
        return data


def client(answer: Callable[[bytes], bytes], raw: bool = False) -> tuple[ModbusClient, Device]:
    pace = FakePace()
    device = Device(pace, answer, raw)
    link = Link("safety I/O", MemoryTransport(device), pace)
    link.open(1.0)
    return ModbusClient(link, unit=1), device


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_discrete_inputs_in_order(states: list[bool]) -> None:
    packed = sum(on << at for at, on in enumerate(states)).to_bytes((len(states) + 7) // 8, "little")
    io, device = client(lambda pdu: bytes([2, len(packed)]) + packed)
    assert io.read_discrete_inputs(0, len(states), 0.5) == states
    assert device.frames[0][7:] == struct.pack(">BHH", 2, 0, len(states))


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20))
def test_input_registers_in_order(values: list[int]) -> None:
    io, _ = client(lambda pdu: struct.pack(f">BB{len(values)}H", 4, 2 * len(values), *values))
    assert io.read_input_registers(0, len(values), 0.5) == values


@given(st.lists(st.booleans(), min_size=1, max_size=20))
def test_coils_are_packed_lowest_first(states: list[bool]) -> None:
    io, device = client(lambda pdu: pdu[:5])
    io.write_coils(3, states, 0.5)
    packed = device.frames[0][13:]
    assert device.frames[0][7:13] == struct.pack(">BHHB", 15, 3, len(states), len(packed))
    assert [bool(packed[at // 8] >> at % 8 & 1) for at in range(len(states))] == states


@given(st.integers(0, 0xFFFF))
def test_register_write(value: int) -> None:
    io, device = client(lambda pdu: pdu)
    io.write_register(0, value, 0.5)
    assert device.frames[0][7:] == struct.pack(">BHH", 6, 0, value)


def test_a_refusal_is_told_in_words_and_leaves_the_link_in_service() -> None:
    io, device = client(lambda pdu: bytes([pdu[0] | 0x80, 2]))
    with pytest.raises(
        ModbusRefusal, match=r"safety I/O: ReadInputRegisters refused: illegal data address"
    ) as caught:
        io.read_input_registers(900, 1, 0.5)
    assert caught.value.code == 2
    device.answer = lambda pdu: b"\x04\x02\x00\x2a"
    assert io.read_input_registers(0, 1, 0.5) == [42]


WRONG = {
    "another transaction": struct.pack(">HHHBBBH", 2, 0, 5, 1, 4, 2, 42),
    "another protocol": struct.pack(">HHHBBBH", 1, 7, 5, 1, 4, 2, 42),
    "another unit": struct.pack(">HHHBBBH", 1, 0, 5, 9, 4, 2, 42),
    "another function": struct.pack(">HHHBBBH", 1, 0, 5, 1, 3, 2, 42),
    "another byte count": struct.pack(">HHHBBBH", 1, 0, 5, 1, 4, 1, 42),
    "one register too many": struct.pack(">HHHBBBHH", 1, 0, 7, 1, 4, 4, 42, 43),
    "no PDU": struct.pack(">HHHB", 1, 0, 1, 1),
    "a refusal of another function": struct.pack(">HHHBBB", 1, 0, 3, 1, 0x82, 2),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_an_answer_to_something_else_is_rubbish(wrong: str) -> None:
    io, _ = client(lambda frame: WRONG[wrong], raw=True)
    with pytest.raises(LinkFault) as caught:
        io.read_input_registers(0, 1, 0.5)
    assert caught.value.code == "rubbish"
    assert not io.link.in_service


def test_an_echo_of_something_else_is_rubbish() -> None:
    io, _ = client(lambda pdu: struct.pack(">BHH", 6, 0, 1))
    with pytest.raises(LinkFault, match="echo") as caught:
        io.write_register(0, 2, 0.5)
    assert caught.value.code == "rubbish"


@given(st.binary(max_size=40))
def test_any_bytes_give_a_value_or_a_declared_fault(data: bytes) -> None:
    io, _ = client(lambda frame: data, raw=True)
    for call in (
        lambda: io.read_discrete_inputs(0, 10, 0.5),
        lambda: io.read_input_registers(0, 4, 0.5),
        lambda: io.write_coils(0, [True] * 7, 0.5),
    ):
        with pytest.raises((LinkFault, ModbusRefusal)):
            call()


@given(
    st.integers(1, 6).filter(lambda code: code in (2, 4, 6)),
    st.binary(min_size=1, max_size=12),
)
def test_any_pdu_behind_a_right_header_gives_a_value_or_a_declared_fault(function: int, body: bytes) -> None:
    io, _ = client(lambda pdu: body)
    try:
        if function == 2:
            assert len(io.read_discrete_inputs(0, 10, 0.5)) == 10
        elif function == 4:
            assert len(io.read_input_registers(0, 4, 0.5)) == 4
        else:
            io.write_register(0, 1, 0.5)
            assert body == b"\x06\x00\x00\x00\x01"
    except (LinkFault, ModbusRefusal) as error:
        assert str(error)


@pytest.mark.parametrize(
    "call",
    [
        lambda io: io.read_discrete_inputs(0, 0, 0.5),
        lambda io: io.read_discrete_inputs(0, 2001, 0.5),
        lambda io: io.read_input_registers(0, 126, 0.5),
        lambda io: io.read_input_registers(70000, 1, 0.5),
        lambda io: io.write_register(0, 65536, 0.5),
        lambda io: io.write_register(0, -1, 0.5),
        lambda io: io.write_coils(0, [], 0.5),
    ],
)
def test_what_cannot_be_asked_is_our_own_error_and_is_not_sent(
    call: Callable[[ModbusClient], object],
) -> None:
    io, device = client(lambda pdu: pdu)
    with pytest.raises(ValueError):
        call(io)
    assert device.frames == []
    assert io.link.in_service


def test_transaction_numbers_go_round_without_zero() -> None:
    io, device = client(lambda pdu: b"\x04\x02\x00\x2a")
    io._transaction = 0xFFFE
    for _ in range(3):
        io.read_input_registers(0, 1, 0.5)
    assert [frame[:2] for frame in device.frames] == [b"\xff\xff", b"\x00\x01", b"\x00\x02"]


def test_the_library_does_not_dump_frames_into_the_log() -> None:
    assert logging.getLogger("pymodbus.logging").getEffectiveLevel() == logging.CRITICAL
