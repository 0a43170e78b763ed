"""The contact recorder: triggered by the drive's position output, it keeps the last 8 cycles of every mount.

It triggers on the make where the position output passes `level_mm` downwards, on the break where it passes upwards. A
cycle has ended when the samples behind its break trigger are taken; ABORt ends the one that runs, as it is.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from simulators.endurance.press import Press
from simulators.endurance.records import CODE, FULL_SCALE, Codes, FrontEnd, Layout
from simulators.instrument import ScpiInstrument
from simulators.scpi import (
    Args,
    Command,
    Identity,
    Integer,
    Number,
    OperationBit,
    ScpiError,
    Suffixes,
    nr1,
    nr3,
)
from simulators.scpi.data import Element, Kind

MOST_MOUNTS = 64
MOST_SAMPLES = 20_000
MEMORY = 8
HEADER = struct.Struct("<IIHHHHhhhhd")
SLOW = slice(16, 24)
"""Of a header: supply before, supply while on, load while on, supply behind."""
_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
OVERLOAD, COMPLETE = 1, 2
SENSORS = 3
STATIC_NOISE_V, STATIC_NOISE_A = 5e-5, 2e-4
DATA_STALE = -230
FETCH = re.compile(rb":?FETC(?:H)?:CYCL(?:E)?\? (\d{1,9})\r?\n", re.IGNORECASE)
_CHANNELS = re.compile(r"\(\s*@\s*(\d{1,4}(?:\s*[,:]\s*\d{1,4})*)?\s*\)")


class Terminals(Protocol):
    """What the recorder's inputs and relays are connected to."""

    def contact_now(self, mount: int, now_s: float) -> tuple[float, float]: ...

    def temperature_c(self, sensor: int, now_s: float) -> float: ...

    def choose_bank(self, bank: int, now_s: float) -> None: ...

    @property
    def bank(self) -> int: ...

    @property
    def banks(self) -> int: ...

    @property
    def mounts(self) -> int: ...

    def level_changed(self, now_s: float) -> None: ...


@dataclass(frozen=True)
class ChannelList:
    """SCPI-99's `(@1,3:5)`; the handler gets the numbers, `lowest` to `highest` each."""

    highest: int
    lowest: int = 1
    optional: bool = False
    takes_block: bool = False

    def value(self, element: Element) -> tuple[int, ...]:
        """-148 and its like for other data, -222 for a channel that is not there."""
        match = _CHANNELS.fullmatch(element.text) if element.kind is Kind.EXPRESSION else None
        if match is None:
            raise ScpiError(element.kind.value if element.kind is not Kind.EXPRESSION else -171, element.text)
        numbers: list[int] = []
        for part in (match[1] or "").replace(" ", "").split(","):
            first, _, last = part.partition(":")
            numbers += range(int(first), int(last or first) + 1) if first else ()
        if any(not self.lowest <= number <= self.highest for number in numbers):
            raise ScpiError(-222, element.text)
        return tuple(numbers)


class Recorder(ScpiInstrument):
    """Settings, memory, banks of the load, temperatures, static contact reading."""

    def __init__(
        self,
        live: Callable[[float], None],
        terminals: Terminals,
        identity: Identity,
        codes: Codes,
        rng: np.random.Generator,
    ) -> None:
        self.misses = "no"
        self.layout = Layout()
        self.level_mm = 0.0
        self._terminals = terminals
        self._codes = codes
        self._rng = rng
        self._to_rest()
        super().__init__("recorder", live, identity)

    def _to_rest(self) -> None:
        self.layout = Layout()
        self.level_mm = 0.0
        self._forget()

    def _forget(self) -> None:
        self.recording = False
        self.started = 0
        """Cycles whose make was triggered since INITiate."""
        self._records: dict[int, Press] = {}
        self._running: Press | None = None
        self._ends_s = math.inf

    def reset(self, now_s: float) -> None:
        """Settings as after power on, memory empty, every bank open."""
        self._to_rest()
        self._terminals.choose_bank(0, now_s)
        self._terminals.level_changed(now_s)

    def abort(self, now_s: float) -> None:
        """The recording ends; what it holds stays until the next one begins."""
        self.recording = False
        self._running = None

    def operation_bits(self, now_s: float) -> dict[OperationBit, bool]:
        """Waiting for the make of the next cycle; measuring in between."""
        runs = self._runs(now_s)
        return {
            OperationBit.WAITING_FOR_TRIGGER: self.recording and not runs,
            OperationBit.MEASURING: runs,
        }

    def _answer(self, message: bytes, now_s: float) -> bytes:
        """What is asked in every cycle does not go through the parser, to which each number is a new message."""
        fetch = FETCH.fullmatch(message)
        if fetch is None or fetch[1] == b"0":
            return super()._answer(message, now_s)
        block = self._fetch((int(fetch[1]),), (), now_s)
        length = b"%d" % len(block)
        return b"#%d%b%b\n" % (len(length), length, block)

    def _falsified_at(self, reply: bytes, kind: str, place: int) -> bytes:
        """All values of a list, or of a record with its slow channels, are wrong by the same factor."""
        factor = 1e-3 if kind == "wrong_unit" else 10.0
        if reply.startswith(b"#"):
            return _scaled_record(reply, factor) if place == 1 else reply
        values = reply.rstrip(b"\n").split(b",")
        is_list = len(values) > 1 and all(_NUMBER.fullmatch(value) for value in values)
        if is_list and place == 1 and any(float(value) for value in values):
            return b",".join([f"{factor * float(value):.10g}".encode() for value in values]) + b"\n"
        return super()._falsified_at(reply, kind, place)

    # Triggers
    def make_triggered(self, press: Press, now_s: float) -> None:
        """The position output passed the level downwards."""
        if not self.recording or self._runs(now_s):
            return
        if self.misses != "no":
            self.misses = "no" if self.misses == "next" else self.misses
            return
        self.started += 1
        press.record = self.started
        self._records[self.started] = self._running = press
        self._records.pop(self.started - MEMORY, None)
        self._ends_s = math.inf

    def break_triggered(self, press: Press, now_s: float) -> None:
        """It passed upwards."""
        if self._running is press:
            behind = self.layout.break_samples - self.layout.break_pre
            self._ends_s = now_s + behind * self.layout.interval_s

    def _runs(self, now_s: float) -> bool:
        return self._running is not None and now_s < self._ends_s

    # Commands
    def commands(self) -> Iterable[Command]:
        """The recorder's own commands."""
        return [*self._settings(), *self._record_commands(), *self._route_commands()]

    def _settings(self) -> Iterable[Command]:
        samples = Integer(lowest=0, highest=MOST_SAMPLES, names=False)
        return [
            Command(
                "CONFigure:CONTact",
                set=self._configure,
                query=lambda args, suffixes, now_s: ",".join(map(nr1, self.layout.numbers())),
                parameters=(Integer(lowest=1, highest=MOST_MOUNTS, names=False), *[samples] * 4),
            ),
            self._number("SENSe:VOLTage:RANGe", "V", "volts", 0.1, 1000.0),
            self._number("SENSe:CURRent:RANGe", "A", "amperes", 0.01, 1000.0),
            self._number("SENSe:SWEep:TINTerval", "S", "interval_s", 1e-5, 1e-2),
            Command(
                "TRIGger:LEVel",
                set=self._set_level,
                query=lambda args, suffixes, now_s: nr3(self.level_mm),
                parameters=(Number(lowest=-1000.0, highest=1000.0),),
            ),
        ]

    def _number(self, header: str, unit: str, name: str, lowest: float, highest: float) -> Command:
        def write(args: Args, suffixes: Suffixes, now_s: float) -> None:
            self._must_be_idle()
            self.layout = self.layout.with_value(name, args[0])

        return Command(
            header,
            set=write,
            query=lambda args, suffixes, now_s: nr3(getattr(self.layout, name)),
            parameters=(Number(unit, lowest=lowest, highest=highest),),
        )

    def _record_commands(self) -> Iterable[Command]:
        highest = 4_294_967_295
        return [
            Command("INITiate", set=self._initiate),
            Command(
                "FETCh:CYCLe",
                query=self._fetch,
                query_parameters=(Integer(lowest=1, highest=highest, names=False),),
            ),
            Command("MEASure:CONTact", query=self._contacts),
            Command(
                "MEASure:TEMPerature",
                query=self._temperatures,
                query_parameters=(ChannelList(SENSORS),),
            ),
        ]

    def _route_commands(self) -> Iterable[Command]:
        return [
            Command("ROUTe:CLOSe", set=self._close_bank, parameters=(ChannelList(self._terminals.banks),)),
            Command("ROUTe:CLOSe:STATe", query=self._bank_state),
            Command(
                "ROUTe:OPEN:ALL", set=lambda args, suffixes, now_s: self._terminals.choose_bank(0, now_s)
            ),
        ]

    def _must_be_idle(self) -> None:
        if self.recording:
            raise ScpiError(-221, "a recording runs")

    def _configure(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self._must_be_idle()
        mounts, make, breaks, make_pre, break_pre = args
        if make_pre > make or break_pre > breaks:
            raise ScpiError(-221, "more samples before the trigger than there are")
        self.layout = self.layout.with_numbers(mounts, make, breaks, make_pre, break_pre)

    def _set_level(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self._must_be_idle()
        self.level_mm = args[0]
        self._terminals.level_changed(now_s)

    def _initiate(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if self.recording:
            raise ScpiError(-213)
        self._forget()
        self.recording = True
        self.show_status(now_s)

    def _fetch(self, args: Args, suffixes: Suffixes, now_s: float) -> bytes:
        number = args[0]
        press = self._records.get(number)
        if press is None or (press is self._running and self._runs(now_s)):
            self.core.error(DATA_STALE, f"cycle {number}")
            return b""
        following = self.started if self._runs(now_s) else self.started + 1
        codes, overload = self._codes.of(press, self.layout)
        whole = press.break_trigger_s < math.inf
        head = HEADER.pack(
            number,
            following,
            self.layout.mounts,
            self.layout.samples,
            press.bank,
            (OVERLOAD if overload else 0) | (COMPLETE if whole else 0),
            *self._codes.levels(press, self.layout),
            press.make_trigger_s,
        )
        return head + codes

    def _contacts(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        noise = self._rng.standard_normal(2 * self.layout.mounts).tolist()
        said = []
        for mount in range(self.layout.mounts):
            volts, amperes = (
                self._terminals.contact_now(mount, now_s) if mount < self._terminals.mounts else (0.0, 0.0)
            )
            said.append(nr3(volts + STATIC_NOISE_V * noise[2 * mount], digits=7))
            said.append(nr3(amperes + STATIC_NOISE_A * noise[2 * mount + 1], digits=7))
        return ",".join(said)

    def _temperatures(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        return ",".join(
            nr3(self._terminals.temperature_c(sensor, now_s) + 0.02 * self._rng.standard_normal(), digits=5)
            for sensor in args[0]
        )

    def _close_bank(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if len(args[0]) != 1:
            raise ScpiError(-224, "one bank at a time")
        self._terminals.choose_bank(args[0][0], now_s)

    def _bank_state(self, args: Args, suffixes: Suffixes, now_s: float) -> str:
        bank = self._terminals.bank
        return f"(@{bank})" if bank else "(@)"


def front_end(rng: np.random.Generator) -> FrontEnd:
    """The errors of one recorder's inputs."""
    gains, offsets = 1 + rng.uniform(-1e-3, 1e-3, 2), rng.uniform(-1.5, 1.5, 2)
    return FrontEnd(float(gains[0]), float(gains[1]), float(offsets[0]), float(offsets[1]))


def _scaled_record(reply: bytes, factor: float) -> bytes:
    """A block with every code times a factor, within the codes there are; an empty one as it is."""
    begins = 2 + int(reply[1:2])
    block = reply[begins : begins + int(reply[2:begins])]
    if not block:
        return reply
    slow, codes = block[SLOW], np.frombuffer(block, CODE, offset=HEADER.size)
    wrong = [
        np.clip(np.trunc(factor * part), -FULL_SCALE, FULL_SCALE - 1).astype(CODE).tobytes()
        for part in (np.frombuffer(slow, CODE), codes)
    ]
    parts = (block[: SLOW.start], wrong[0], block[SLOW.stop : HEADER.size], wrong[1])
    return b"".join([reply[:begins], *parts, reply[begins + len(block) :]])
