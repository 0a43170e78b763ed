"""A Modbus TCP client over a byte link: pymodbus's PDU classes and framer, our links and deadlines.

Each call is one request and its answer within one total deadline. An answer with another transaction, unit,
function or length is rubbish and takes the link out of service; a refusal by the device (an exception
response) is a proper answer and does not. Nothing is tried again.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadDiscreteInputsRequest, WriteMultipleCoilsRequest
from pymodbus.pdu.register_message import ReadInputRegistersRequest, WriteSingleRegisterRequest

from drivers.links.base import Link, LinkFault, shown

HEADER_BYTES = 6  # transaction, protocol, length; the length counts the unit and what follows it
MOST_LENGTH = 254  # a unit and a PDU of 253 bytes (Modbus application protocol V1.1b3, 4.1)
REFUSALS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)  # it dumps frames on every odd answer


_HEADER = struct.Struct(">HHH")
_FRAMER = FramerSocket(DecodePDU(is_server=False))
CACHED = 4096  # a poll asks the same again and again, and mostly gets the same answer


class _Encoded(NamedTuple):
    """A request without its header: its bytes, and its name for people."""

    pdu: bytes
    name: str


@lru_cache(maxsize=CACHED)
def _encoded(kind: Callable[..., ModbusPDU], **fields: int | tuple[int, ...]) -> _Encoded:
    """Lists are given as tuples."""
    request = kind(**{name: list(v) if isinstance(v, tuple) else v for name, v in fields.items()})
    pdu = request.function_code.to_bytes(1, "big") + request.encode()
    return _Encoded(pdu, type(request).__name__.removesuffix("Request"))


@lru_cache(maxsize=CACHED)
def _decoded(pdu: bytes) -> ModbusPDU | None:
    """The answer as read, not to be changed by its reader; None where it cannot be read."""
    return _FRAMER.decoder.decode(pdu)


class ModbusRefusal(Exception):
    """The device understood the request and refused it. The link stays in service."""

    def __init__(self, link: str, request: str, code: int) -> None:
        words = REFUSALS.get(code, "unknown reason")
        super().__init__(f"{link}: {request} refused: {words} (exception {code})")
        self.link = link
        self.code = code


class ModbusClient:
    """One unit behind one link. The owner opens the link."""

    def __init__(self, link: Link, unit: int) -> None:
        self.link = link
        self.unit = unit
        self._transaction = 0

    def read_discrete_inputs(self, address: int, count: int, timeout_s: float) -> list[bool]:
        """States of `count` (1 to 2000) discrete inputs from `address` on."""
        request = _encoded(ReadDiscreteInputsRequest, address=address, count=count)
        answer = self._ask(request, timeout_s, 2 + (count + 7) // 8)
        return list(map(bool, answer.bits[:count]))

    def read_input_registers(self, address: int, count: int, timeout_s: float) -> list[int]:
        """Values, 0 to 65535, of `count` (1 to 125) input registers from `address` on."""
        request = _encoded(ReadInputRegistersRequest, address=address, count=count)
        return list(self._ask(request, timeout_s, 2 + 2 * count).registers)

    def write_coils(self, address: int, states: Sequence[bool], timeout_s: float) -> None:
        """Set coils from `address` on; the answer's echo of address and count is checked."""
        request = _encoded(WriteMultipleCoilsRequest, address=address, bits=tuple(states))
        answer = self._ask(request, timeout_s, 5)
        self._require_echo((answer.address, answer.count), (address, len(states)))

    def write_register(self, address: int, value: int, timeout_s: float) -> None:
        """Set one holding register, 0 to 65535; the answer's echo is checked."""
        if not 0 <= value <= 0xFFFF:
            raise ValueError(f"{value} does not fit a register")
        request = _encoded(WriteSingleRegisterRequest, address=address, registers=(value,))
        answer = self._ask(request, timeout_s, 5)
        self._require_echo((answer.address, *answer.registers), (address, value))

    def _ask(self, request: _Encoded, timeout_s: float, pdu_bytes: int) -> ModbusPDU:
        """The answer, a PDU of exactly `pdu_bytes`. Raises `LinkFault`, `ModbusRefusal`, `ValueError`."""
        link = self.link
        until_s = link.pace.now_s() + timeout_s
        self._transaction = self._transaction % 0xFFFF + 1
        frame = _FRAMER.encode(request.pdu, self.unit, self._transaction)
        header = link.ask_exactly(frame, HEADER_BYTES, timeout_s)
        length = self._body_length(header)
        body = bytes(link.read_exactly(length, until_s - link.pace.now_s()))
        return self._answer(request, body, pdu_bytes)

    def _body_length(self, header: bytearray) -> int:
        transaction, protocol, length = _HEADER.unpack(header)
        if transaction != self._transaction or protocol:
            raise self._rubbish(f"the answer to another request ({shown(header)})")
        if length > MOST_LENGTH:
            raise self.link.condemn("too_long", f"announced {length} bytes, the most is {MOST_LENGTH}")
        if length < 3:
            raise self._rubbish(f"a frame of {length} bytes")
        return int(length)

    def _answer(self, request: _Encoded, body: bytes, pdu_bytes: int) -> ModbusPDU:
        unit, function, wanted = body[0], body[1], request.pdu[0]
        if unit != self.unit or function & 0x7F != wanted:
            raise self._rubbish(f"unit {unit} and function {function}, not {self.unit} and {wanted}")
        if function & 0x80 and len(body) == 3:
            raise ModbusRefusal(self.link.name, request.name, body[2])
        counted = function in (1, 2, 3, 4)
        if len(body) != 1 + pdu_bytes or (counted and body[2] != pdu_bytes - 2):
            raise self._rubbish(f"an answer of another length ({shown(body)})")
        answer = _decoded(body[1:])
        if answer is None:
            raise self._rubbish("an answer that cannot be read")
        return answer

    def _require_echo(self, echo: tuple[int, ...], wanted: tuple[int, ...]) -> None:
        if echo != wanted:
            raise self._rubbish(f"{echo} as the echo of {wanted}")

    def _rubbish(self, sentence: str) -> LinkFault:
        return self.link.condemn("rubbish", f"sent {sentence}")
