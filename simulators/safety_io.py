"""A safety controller on Modbus TCP: inputs, voltages, coils, and a watchdog that drops the outputs by itself."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from typing import Protocol

from simulators.link import SimulatedDevice
from simulators.modbus import HEADER, FrameError, answer_frame, take_frames

WATCHDOG_S = 0.5
UNITS = (1, 0, 255)
"""Unit 1, and the two that the messaging guide gives to a server that is no gateway."""


class Wiring(Protocol):
    """What the controller's terminals are connected to."""

    def discrete_inputs(self, now_s: float) -> Sequence[bool]: ...

    def input_registers(self, now_s: float) -> Sequence[int]: ...

    def coils_changed(self, coils: Sequence[bool], now_s: float, by: str) -> None:
        """The outputs are now these; `by` is "write", "watchdog" or "power off"."""


class SafetyIo(SimulatedDevice):
    """Coils 0 to `watched` - 1 are dropped when holding register 0 is not written for WATCHDOG_S while one is on."""

    HISTORY = frozenset({"_register"})

    def __init__(
        self, name: str, live: Callable[[float], None], wiring: Wiring, coil_count: int, watched: int
    ) -> None:
        super().__init__(name, live)
        self.watchdog_due_s = math.inf
        """When the watchdog will expire, as things stand."""
        self._watchdog_dead = False
        self._wiring = wiring
        self._coils = [False] * coil_count
        self._watched = watched
        self._is_energised = False
        self._register = 0
        self._renewed_s = -math.inf
        self._now_s = 0.0

    @property
    def watchdog_dead(self) -> bool:
        """Whether it never expires: a fault."""
        return self._watchdog_dead

    @watchdog_dead.setter
    def watchdog_dead(self, dead: bool) -> None:
        self._watchdog_dead = dead
        self._follow_watchdog()

    def _follow_watchdog(self) -> None:
        runs = self._is_energised and not self._watchdog_dead
        self.watchdog_due_s = self._renewed_s + WATCHDOG_S if runs else math.inf

    def renewed_until(self, at_s: float) -> None:
        """As if the watchdog's register were written again and again until then."""
        self._renewed_s = max(self._renewed_s, at_s)
        self._follow_watchdog()

    def expire(self, now_s: float) -> None:
        """The watchdog drops its coils."""
        kept = self._coils[self._watched :]
        self._set_coils([False] * self._watched + kept, now_s, "watchdog")

    def power_on(self, now_s: float) -> None:
        """All coils off."""
        self._register = 0
        self._set_coils([False] * len(self._coils), now_s, "power off")

    # Bank
    def coils(self) -> Sequence[bool]:
        """The commands as they stand."""
        return self._coils

    def discrete_inputs(self) -> Sequence[bool]:
        """The inputs at the time of the request."""
        return self._wiring.discrete_inputs(self._now_s)

    def input_registers(self) -> Sequence[int]:
        """The voltages and the ambient at the time of the request, each clipped to 0..65535."""
        return [min(max(value, 0), 0xFFFF) for value in self._wiring.input_registers(self._now_s)]

    def holding_registers(self) -> Sequence[int]:
        """The watchdog's register as last written."""
        return [self._register]

    def write_coils(self, start: int, values: Sequence[bool]) -> None:
        """Command outputs. Switching the first watched one on starts the watchdog's time."""
        coils = self._coils.copy()
        coils[start : start + len(values)] = values
        if any(coils[: self._watched]) and not self._is_energised:
            self._renewed_s = self._now_s
        self._set_coils(coils, self._now_s, "write")

    def write_registers(self, start: int, values: Sequence[int]) -> None:
        """Renew the watchdog; the value does not matter."""
        self._register = values[-1]
        self._renewed_s = self._now_s
        self._follow_watchdog()

    # SimulatedDevice
    def _take_messages(self, inbox: bytearray, now_s: float) -> list[bytes]:
        try:
            return take_frames(inbox)
        except FrameError:
            self.fail_link("dropped", now_s)
            return []

    def _answer(self, message: bytes, now_s: float) -> bytes:
        self._now_s = now_s
        return answer_frame(message, UNITS, self)

    def _falsified(self, reply: bytes, kind: str) -> bytes:
        head, pdu = reply[: HEADER.size], reply[HEADER.size :]
        if pdu[0] in (1, 2):
            return head + pdu[:2] + bytes(byte ^ 0xFF for byte in pdu[2:])
        if pdu[0] not in (3, 4):
            return reply
        values = struct.unpack(f">{pdu[1] // 2}H", pdu[2:])
        wrong = [value // 1000 if kind == "wrong_unit" else min(10 * value + 1, 0xFFFF) for value in values]
        return head + pdu[:2] + struct.pack(f">{len(wrong)}H", *wrong)

    def _set_coils(self, coils: list[bool], now_s: float, by: str) -> None:
        changed = coils != self._coils
        self._coils = coils
        self._is_energised = any(coils[: self._watched])
        self._follow_watchdog()
        if changed or by != "power off":
            self._wiring.coils_changed(coils, now_s, by)
