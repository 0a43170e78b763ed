"""The safety I/O over Modbus: one look, one write of all coils, one renewal of the watchdog."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.links.base import LinkFault
from drivers.modbus import ModbusClient, ModbusRefusal
from orchestrator.core.interlock import Reading, Rules

FAULTS = (LinkFault, ModbusRefusal)
REQUEST_S = 0.1
"""Time of one request: short enough that a silent link can be reopened before the inputs are stale."""


class SafetyIo(Protocol):
    """What the monitor needs of the safety I/O. Each call raises one of `FAULTS`."""

    def read(self) -> Reading: ...

    def write(self, coils: Sequence[bool]) -> None: ...

    def renew_watchdog(self) -> None: ...


class ModbusIo:
    """The safety I/O of `rules` behind a Modbus client; a look opens its link when it is out of service."""

    def __init__(self, client: ModbusClient, rules: Rules, now_s: Callable[[], float]) -> None:
        self._client = client
        self._rules = rules
        self._now_s = now_s
        self._renewals = 0
        self._opened = 0

    def read(self) -> Reading:
        """Inputs and registers; stamped before they were asked for, so that their age is never understated."""
        self._open()
        at_s = self._now_s()
        registers = self._client.read_input_registers(0, self._rules.register_count, REQUEST_S)
        inputs = self._client.read_discrete_inputs(
            0, self._rules.input_count, REQUEST_S
        )  # last: the freshest
        return Reading(at_s, tuple(inputs), tuple(registers), self._opened)

    def _open(self) -> None:
        if not self._client.link.in_service:
            self._client.link.open(REQUEST_S)
            self._opened += 1

    def write(self, coils: Sequence[bool]) -> None:
        self._open()
        self._client.write_coils(0, coils, REQUEST_S)

    def renew_watchdog(self) -> None:
        self._renewals = (self._renewals + 1) % 0x10000
        self._client.write_register(self._rules.watchdog_register, self._renewals, REQUEST_S)
