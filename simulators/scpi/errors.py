"""SCPI-99 error numbers: their texts, their bit in the standard event status register, and the error queue.

Texts: SCPI-99 volume 2, SYSTem:ERRor, as repeated in many instrument manuals. Classes: -1xx command,
-2xx execution, -3xx and every positive number device-specific, -4xx query.
"""

from collections import deque
from enum import IntFlag

OVERFLOW = -350
LONGEST_REPLY = 255
"""Characters of one SYSTem:ERRor? text between its quotes; SCPI-99 cuts it there."""

TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -313: "Calibration memory lost",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    OVERFLOW: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}


class EventBit(IntFlag):
    """The standard event status register of IEEE 488.2, bits 0 to 7."""

    OPC = 1
    RQC = 2
    QYE = 4
    DDE = 8
    EXE = 16
    CME = 32
    URQ = 64
    PON = 128


_CLASSES = {1: EventBit.CME, 2: EventBit.EXE, 3: EventBit.DDE, 4: EventBit.QYE}


def event_bit(number: int) -> EventBit:
    """The standard event that an error of this number sets; a positive number is the device's own."""
    if number > 0:
        return EventBit.DDE
    bit = _CLASSES.get(-number // 100)
    if bit is None:
        raise ValueError(f"{number} is in no SCPI-99 error class (-1xx, -2xx, -3xx, -4xx or positive)")
    return bit


class ScpiError(Exception):
    """One error for the queue; a handler raises it to refuse. `detail` stands behind the standard text."""

    def __init__(self, number: int, detail: str = "") -> None:
        event_bit(number)
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    def entry(self) -> str:
        """The queue's text of this error: `-222,"Data out of range;5000 V"`."""
        text = TEXTS.get(self.number, "Device-specific error")
        if self.detail:
            text = f"{text};{_printable(self.detail)}"
        return f'{self.number},"{_quoted(text[:LONGEST_REPLY])}"'


def _printable(text: str) -> str:
    return "".join(c if " " <= c <= "~" else "." for c in text)


def _quoted(text: str) -> str:
    return text.replace('"', '""')


class ErrorQueue:
    """First in, first out. When it is full the newest entry is replaced by -350 and later ones are lost."""

    EMPTY = '0,"No error"'

    def __init__(self, kept: int) -> None:
        if kept < 2:
            raise ValueError(f"an error queue keeps at least 2 entries, not {kept}")
        self._kept = kept
        self._entries: deque[str] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, error: ScpiError) -> bool:
        """Add one error; False when the queue was full and its newest entry is now -350."""
        if len(self._entries) < self._kept:
            self._entries.append(error.entry())
            return True
        self._entries[-1] = ScpiError(OVERFLOW).entry()
        return False

    def pop(self) -> str:
        """The oldest entry, removed, or `0,"No error"`."""
        return self._entries.popleft() if self._entries else self.EMPTY

    def pop_all(self) -> str:
        """All entries, oldest first, separated by commas, all removed."""
        text = ",".join(self._entries) or self.EMPTY
        self._entries.clear()
        return text

    def clear(self) -> None:
        self._entries.clear()
