"""Status reporting of IEEE 488.2 and SCPI-99: standard events, the two SCPI registers, the status byte."""

from collections.abc import Callable
from enum import IntEnum, IntFlag

from simulators.scpi.errors import EventBit

REGISTER_BITS = 0x7FFF
"""SCPI-99 registers are 16 bits wide and bit 15 is always 0."""


class OperationBit(IntEnum):
    """Bits of STATus:OPERation (SCPI-99 volume 1)."""

    CALIBRATING = 0
    SETTLING = 1
    RANGING = 2
    SWEEPING = 3
    MEASURING = 4
    WAITING_FOR_TRIGGER = 5
    WAITING_FOR_ARM = 6
    CORRECTING = 7


class QuestionableBit(IntEnum):
    """Bits of STATus:QUEStionable (SCPI-99 volume 1)."""

    VOLTAGE = 0
    CURRENT = 1
    TIME = 2
    POWER = 3
    TEMPERATURE = 4
    FREQUENCY = 5
    PHASE = 6
    MODULATION = 7
    CALIBRATION = 8


class StatusBit(IntFlag):
    """The status byte: bits 4 to 6 of IEEE 488.2, bits 2, 3 and 7 of SCPI-99."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MAV = 16
    ESB = 32
    MSS = 64
    OPERATION = 128


class Register:
    """One SCPI-99 register: a condition, the events latched from it when a bit rises, an enable mask."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def set_condition(self, bit: int, on: bool) -> None:
        """Show a condition; a rising bit latches its event. `bit` is 0 to 14."""
        if not 0 <= bit <= 14:
            raise ValueError(f"a SCPI-99 register has bits 0 to 14, not {bit}")
        mask = 1 << bit
        if on == bool(self.condition & mask):
            return
        self.condition ^= mask
        if on:
            self.event |= mask

    def read_event(self) -> int:
        """The latched events; reading clears them."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        return bool(self.event & self.enable)


class Status:
    """All status of one device. Power on sets PON and clears every enable mask."""

    def __init__(self, errors_waiting: Callable[[], int]) -> None:
        self.operation = Register()
        self.questionable = Register()
        self.events = EventBit.PON
        self.events_enabled = 0
        self.service_enabled = 0
        self._errors_waiting = errors_waiting

    def read_events(self) -> int:
        """*ESR?: the standard events; reading clears them."""
        events, self.events = self.events, EventBit(0)
        return int(events)

    def clear(self) -> None:
        """*CLS: all event registers; conditions and enable masks stay."""
        self.events = EventBit(0)
        self.operation.event = 0
        self.questionable.event = 0

    def preset(self) -> None:
        """STATus:PRESet: the SCPI enable masks to 0; events, *ESE and *SRE stay."""
        self.operation.enable = 0
        self.questionable.enable = 0

    def byte(self, message_available: bool) -> int:
        """*STB?: the summaries, and in bit 6 whether *SRE enables any of them. Reading changes nothing."""
        byte = StatusBit(0)
        byte |= StatusBit.ERROR_QUEUE if self._errors_waiting() else 0
        byte |= StatusBit.QUESTIONABLE if self.questionable.summary else 0
        byte |= StatusBit.MAV if message_available else 0
        byte |= StatusBit.ESB if self.events & self.events_enabled else 0
        byte |= StatusBit.OPERATION if self.operation.summary else 0
        byte |= StatusBit.MSS if byte & self.service_enabled else 0
        return int(byte)
