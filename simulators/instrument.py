"""A SCPI instrument at the end of a link: the device core, one program message for each exchange."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import replace

from simulators.link import SimulatedDevice
from simulators.scpi import Command, Identity, OperationBit, ScpiDevice

LONGEST_MESSAGE = 65_536
_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d*)?(?:[eE][+-]?\d+)?")
_ANSWER = re.compile(rb'(?:"[^"]*"|[^;"])+')


class ScpiInstrument(SimulatedDevice):
    """What a family adds: its commands, its state at power on, its operation status bits."""

    def __init__(self, name: str, live: Callable[[float], None], identity: Identity) -> None:
        super().__init__(name, live)
        self.identity = identity
        self.core = self._new_core()

    @abstractmethod
    def commands(self) -> Iterable[Command]:
        """The instrument's own commands."""

    @abstractmethod
    def operation_bits(self, now_s: float) -> dict[OperationBit, bool]:
        """The conditions of STATus:OPERation as they are now."""

    @abstractmethod
    def reset(self, now_s: float) -> None:
        """*RST, and the settings at power on."""

    def abort(self, now_s: float) -> None:
        """ABORt."""

    def set_serial(self, serial: str) -> None:
        """Another unit of the same type stands there."""
        self.identity = replace(self.identity, serial=serial)
        self.core.identity = self.identity

    def power_on(self, now_s: float) -> None:
        """Settings, errors and status as after switching on."""
        self.reset(now_s)
        self.core = self._new_core()

    def link_opened(self, now_s: float) -> None:
        """A peer connected."""
        self.core.link_opened(now_s)
        super().link_opened(now_s)

    def link_closed(self, now_s: float) -> None:
        """The peer went away."""
        self.core.link_closed(now_s)
        super().link_closed(now_s)

    def collect(self, now_s: float) -> list[tuple[float, bytes]]:
        """The output that became due, replies that waited for an operation to end included."""
        if self.core.operations and self.core.next_due_s() <= now_s:
            for at_s, data in self.core.advance(now_s):
                self.answer_later(data, at_s)
        return super().collect(now_s)

    def next_due_s(self) -> float:
        """When output is due or an operation ends; without an operation the core keeps nothing back."""
        own_s = super().next_due_s()
        return min(own_s, self.core.next_due_s()) if self.core.operations else own_s

    def show_status(self, now_s: float) -> None:
        """Bring the condition register up to date."""
        for bit, on in self.operation_bits(now_s).items():
            self.core.status.operation.set_condition(bit, on)

    def _new_core(self) -> ScpiDevice:
        return ScpiDevice(self.identity, self.commands(), on_reset=self.reset, on_abort=self.abort)

    def _take_messages(self, inbox: bytearray, now_s: float) -> list[bytes]:
        messages = []
        while (end := inbox.find(b"\n")) >= 0 or len(inbox) > LONGEST_MESSAGE:
            end = end if end >= 0 else LONGEST_MESSAGE
            messages.append(bytes(inbox[: end + 1]))
            del inbox[: end + 1]
        return messages

    def _answer(self, message: bytes, now_s: float) -> bytes:
        ready = self.core.advance(now_s)
        self.show_status(now_s)
        self.core.receive(message, now_s)
        return b"".join([data for _, data in [*ready, *self.core.advance(now_s)]])

    def _falsified(self, reply: bytes, kind: str) -> bytes:
        return self._falsified_at(reply, kind, 1)

    def _falsified_at(self, reply: bytes, kind: str, place: int) -> bytes:
        """Of the answers in one message those count that are a number other than zero."""
        if reply.startswith(b"#"):
            return reply
        for answer in _ANSWER.finditer(reply.rstrip(b"\n")):
            if _NUMBER.fullmatch(answer[0]) and float(answer[0]):
                place -= 1
                if not place:
                    wrong = b"%.8E" % (float(answer[0]) * (1e-3 if kind == "wrong_unit" else 10.0))
                    return reply[: answer.start()] + wrong + reply[answer.end() :]
        return reply
