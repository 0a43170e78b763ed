"""Two languages spoken over a link: how a question is put, and every way in which an answer can be wrong."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Protocol

from drivers.equipment.instrument import ScpiInstrument
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity
from drivers.links.base import Link
from drivers.modbus import ModbusClient


class Face(Protocol):
    """One language, seen from both ends."""

    def asker(self, link: Link, timeout_s: float) -> Asker: ...

    def requests(self, received: bytearray) -> Iterator[bytes]: ...

    def answer(self, request: bytes, value: int) -> bytes: ...

    def garbled(self, request: bytes) -> bytes: ...

    def endless(self, request: bytes) -> bytes: ...


class Asker(Protocol):
    """Asks the peer for its value."""

    def __call__(self) -> int: ...


class LineFace:
    """One question a line, one number a line."""

    def asker(self, link: Link, timeout_s: float) -> Asker:
        off = OffWrite(link, (), "OUTPut?", "0")
        instrument = ScpiInstrument(link, Identity("", "", ""), off, timeout_s)
        return lambda: instrument.ask_integer("MEASure:VOLTage?")

    def requests(self, received: bytearray) -> Iterator[bytes]:
        while b"\n" in received:
            end = received.index(b"\n") + 1
            yield bytes(received[:end])
            del received[:end]

    def answer(self, request: bytes, value: int) -> bytes:
        return b"%d.000E+00\n" % value

    def garbled(self, request: bytes) -> bytes:
        return b"1\x17@\xc3z0\n"

    def endless(self, request: bytes) -> bytes:
        return b"1" * 20_000


class ModbusFace:
    """One input register, by Modbus TCP; frames written here byte by byte."""

    REQUEST_BYTES = 12

    def asker(self, link: Link, timeout_s: float) -> Asker:
        client = ModbusClient(link, unit=1)
        return lambda: client.read_input_registers(3, 1, timeout_s)[0]

    def requests(self, received: bytearray) -> Iterator[bytes]:
        while len(received) >= self.REQUEST_BYTES:
            yield bytes(received[: self.REQUEST_BYTES])
            del received[: self.REQUEST_BYTES]

    def answer(self, request: bytes, value: int) -> bytes:
        return request[:2] + struct.pack(">HHBBBH", 0, 5, 1, 4, 2, value)

    def garbled(self, request: bytes) -> bytes:
        return bytes(byte ^ 0x5A for byte in self.answer(request, 1))

    def endless(self, request: bytes) -> bytes:
        return request[:2] + struct.pack(">HHB", 0, 0xFFFF, 1) + b"\x04" * 20_000
