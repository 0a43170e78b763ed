"""Modbus, the server's side of a device: frames of Modbus TCP and the answers to their function codes.

Written from the Modbus Application Protocol 1.1b3 and the Modbus Messaging on TCP/IP guide 1.0b; no library, so
that a parser's bug cannot hide on both sides of a bench. No I/O: bytes in, bytes out.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Protocol

HEADER = struct.Struct(">HHHB")
"""MBAP: transaction, protocol (0), count of the bytes that follow it, unit."""
SHORTEST_LENGTH, LONGEST_LENGTH = 2, 254
MOST_BITS_READ, MOST_REGISTERS_READ = 2000, 125
MOST_BITS_WRITTEN, MOST_REGISTERS_WRITTEN = 1968, 123
COIL_ON, COIL_OFF = 0xFF00, 0x0000

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_SUCH_UNIT = 1, 2, 3, 0x0B


class FrameError(Exception):
    """What came can be no Modbus TCP frame: the stream has no known place to go on from."""


class Refusal(Exception):
    """An exception response with this code."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class Bank(Protocol):
    """The four tables of one unit. Reads give the whole table; writes have been checked against its length."""

    def coils(self) -> Sequence[bool]: ...

    def discrete_inputs(self) -> Sequence[bool]: ...

    def holding_registers(self) -> Sequence[int]: ...

    def input_registers(self) -> Sequence[int]: ...

    def write_coils(self, start: int, values: Sequence[bool]) -> None: ...

    def write_registers(self, start: int, values: Sequence[int]) -> None: ...


def take_frames(inbox: bytearray) -> list[bytes]:
    """The complete frames at the front of `inbox`, which keeps only the unfinished rest.

    Raises FrameError where the protocol is not 0 or the length is impossible; `inbox` is then empty.
    """
    frames = []
    while len(inbox) >= HEADER.size:
        _, protocol, length, _ = HEADER.unpack_from(inbox)
        if protocol != 0 or not SHORTEST_LENGTH <= length <= LONGEST_LENGTH:
            inbox.clear()
            raise FrameError(f"protocol {protocol}, length {length}")
        end = HEADER.size - 1 + length
        if len(inbox) < end:
            break
        frames.append(bytes(inbox[:end]))
        del inbox[:end]
    return frames


def answer_frame(frame: bytes, units: Sequence[int], bank: Bank) -> bytes:
    """The answer to one complete frame; a foreign unit gets exception 0B, as from a gateway."""
    transaction, _, _, unit = HEADER.unpack_from(frame)
    pdu = frame[HEADER.size :]
    reply = answer(pdu, bank) if unit in units else bytes([pdu[0] | 0x80, NO_SUCH_UNIT])
    return HEADER.pack(transaction, 0, len(reply) + 1, unit) + reply


def answer(pdu: bytes, bank: Bank) -> bytes:
    """The response PDU to a request PDU: data, or the function code with bit 7 set and an exception code."""
    handler = _HANDLERS.get(pdu[0])
    try:
        if handler is None:
            raise Refusal(ILLEGAL_FUNCTION)
        return handler(pdu, bank)
    except Refusal as refusal:
        return bytes([pdu[0] | 0x80, refusal.code])


def packed_bits(values: Sequence[bool]) -> bytes:
    """Bits as Modbus packs them: the first in the lowest bit of the first byte, the rest of the last byte 0."""
    number = sum([1 << at for at, value in enumerate(values) if value])
    return number.to_bytes((len(values) + 7) // 8, "little")


def unpacked_bits(data: bytes, count: int) -> list[bool]:
    """The first `count` bits of packed data."""
    number = int.from_bytes(data, "little")
    return [bool(number >> at & 1) for at in range(count)]


def _span(pdu: bytes, most: int, held: int) -> tuple[int, int]:
    """Start and count of a request: the count is checked first (exception 3), then the addresses (2)."""
    start, count = struct.unpack_from(">HH", pdu, 1)
    if not 1 <= count <= most:
        raise Refusal(ILLEGAL_VALUE)
    if start + count > held:
        raise Refusal(ILLEGAL_ADDRESS)
    return start, count


def _must_be_long(pdu: bytes, length: int) -> None:
    if len(pdu) != length:
        raise Refusal(ILLEGAL_VALUE)


def _read_bits(table: Sequence[bool], pdu: bytes) -> bytes:
    _must_be_long(pdu, 5)
    start, count = _span(pdu, MOST_BITS_READ, len(table))
    data = packed_bits(table[start : start + count])
    return bytes([pdu[0], len(data)]) + data


def _read_registers(table: Sequence[int], pdu: bytes) -> bytes:
    _must_be_long(pdu, 5)
    start, count = _span(pdu, MOST_REGISTERS_READ, len(table))
    return struct.pack(f">BB{count}H", pdu[0], 2 * count, *table[start : start + count])


def _write_coil(pdu: bytes, bank: Bank) -> bytes:
    _must_be_long(pdu, 5)
    address, value = struct.unpack_from(">HH", pdu, 1)
    if value not in (COIL_ON, COIL_OFF):
        raise Refusal(ILLEGAL_VALUE)
    if address >= len(bank.coils()):
        raise Refusal(ILLEGAL_ADDRESS)
    bank.write_coils(address, [value == COIL_ON])
    return pdu


def _write_register(pdu: bytes, bank: Bank) -> bytes:
    _must_be_long(pdu, 5)
    address, value = struct.unpack_from(">HH", pdu, 1)
    if address >= len(bank.holding_registers()):
        raise Refusal(ILLEGAL_ADDRESS)
    bank.write_registers(address, [value])
    return pdu


def _write_coils(pdu: bytes, bank: Bank) -> bytes:
    if len(pdu) < 6 or pdu[5] != (int.from_bytes(pdu[3:5], "big") + 7) // 8:
        raise Refusal(ILLEGAL_VALUE)
    _must_be_long(pdu, 6 + pdu[5])
    start, count = _span(pdu, MOST_BITS_WRITTEN, len(bank.coils()))
    bank.write_coils(start, unpacked_bits(pdu[6:], count))
    return pdu[:5]


def _write_registers(pdu: bytes, bank: Bank) -> bytes:
    if len(pdu) < 6 or pdu[5] != 2 * int.from_bytes(pdu[3:5], "big"):
        raise Refusal(ILLEGAL_VALUE)
    _must_be_long(pdu, 6 + pdu[5])
    start, count = _span(pdu, MOST_REGISTERS_WRITTEN, len(bank.holding_registers()))
    bank.write_registers(start, struct.unpack_from(f">{count}H", pdu, 6))
    return pdu[:5]


_HANDLERS: dict[int, Callable[[bytes, Bank], bytes]] = {
    1: lambda pdu, bank: _read_bits(bank.coils(), pdu),
    2: lambda pdu, bank: _read_bits(bank.discrete_inputs(), pdu),
    3: lambda pdu, bank: _read_registers(bank.holding_registers(), pdu),
    4: lambda pdu, bank: _read_registers(bank.input_registers(), pdu),
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
}
