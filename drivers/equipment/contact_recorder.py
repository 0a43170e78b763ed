"""A contact recorder by its dialect: every cycle in one exchange, raw codes with what a code means.

A cycle is one definite block (IEEE 488.2): 32 bytes, little endian, then the codes. Its length follows from the
settings read back, so that nothing but the block is asked for; the error queue is read only where the block is empty.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drivers import scpi
from drivers.dialects.shapes import ContactRecorderDialect
from drivers.equipment.instrument import ScpiInstrument
from drivers.equipment.linked import TIMEOUT_S, one_deadline
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import (
    ContactRecorder,
    CycleRecord,
    Identity,
    InstrumentFault,
    RecorderSettings,
    WaitingProof,
)
from drivers.links.base import Link, shown

HEADER = struct.Struct("<IIHHHHhhhhd")
"""Number, next number, mounts, samples, bank, flags; codes of the supply before make and while on, of the load while
on, of the supply after break; time of the make trigger in seconds."""
CODE = np.dtype("<i2")
OVERLOAD, COMPLETE = 1, 2  # flags
EMPTY = b"#10\n"
CHANNELS = 2  # of a mount: voltage, current
CHANNEL_LIST = re.compile(r"\(@(\d{1,3})\)", re.ASCII)


class ScpiContactRecorder(ScpiInstrument, ContactRecorder):
    """`ContactRecorder` over SCPI."""

    def __init__(
        self, link: Link, dialect: ContactRecorderDialect, expected: Identity, timeout_s: float = TIMEOUT_S
    ) -> None:
        off = OffWrite(link, dialect.off.messages, dialect.off.question, dialect.off.answer)
        super().__init__(link, expected, off, timeout_s, dialect.compound_messages)
        self.dialect = dialect
        self.settings: RecorderSettings | None = None  # as read back last
        self._block = b""  # how the block of a cycle begins
        self._bytes = 0  # of the block, without its beginning
        self._shape = (0, CHANNELS, 0)
        self._per_code = (0.0, 0.0)  # volts, amperes

    @one_deadline
    def prepare(self, settings: RecorderSettings) -> None:
        """Recording ended, settings written."""
        headers = self.dialect.headers
        layout = [str(each) for each in _layout(settings)]
        self.settings = None
        self.send_settings(
            "prepare",
            headers.stop,
            scpi.message(headers.layout, *layout),
            scpi.message(headers.voltage_range, scpi.number_text(settings.voltage_range_v)),
            scpi.message(headers.current_range, scpi.number_text(settings.current_range_a)),
            scpi.message(headers.interval, scpi.number_text(settings.sample_interval_s)),
            scpi.message(headers.trigger_level, scpi.number_text(settings.trigger_level_mm)),
        )

    @one_deadline
    def read_back(self) -> RecorderSettings:
        """What it really took; records are scaled by it."""
        headers = self.dialect.headers
        numbers, voltage_range, current_range, interval, trigger_level = self.ask_and_check(
            "read back",
            scpi.query(headers.layout),
            scpi.query(headers.voltage_range),
            scpi.query(headers.current_range),
            scpi.query(headers.interval),
            scpi.query(headers.trigger_level),
        )
        layout = [self._parsed(scpi.integer, each) for each in scpi.fields(numbers)]
        if len(layout) != 5:
            raise self.link.condemn("rubbish", f"answered {len(layout)} numbers to {headers.layout}?, not 5")
        mounts, make_samples, break_samples, make_pre, break_pre = layout
        settings = RecorderSettings(
            mounts,
            make_samples,
            break_samples,
            make_pre,
            break_pre,
            voltage_range_v=self.number_in(voltage_range),
            current_range_a=self.number_in(current_range),
            sample_interval_s=self.number_in(interval),
            trigger_level_mm=self.number_in(trigger_level),
        )
        self._scale_by(settings)
        return settings

    @one_deadline
    def start(self) -> None:
        """Begin: cycles are numbered from 1."""
        self.send("start", self.dialect.headers.start)

    @one_deadline
    def waiting(self) -> WaitingProof:
        """Proof by the operation status. `at_s` is taken before the question."""
        bit = self.dialect.bits.waiting
        at_s = self.link.pace.now_s()
        status = self.ask_integer(scpi.query(self.dialect.headers.status))
        return WaitingProof(bool(status >> bit & 1), f"operation status bit {bit}", at_s, f"status {status}")

    @one_deadline
    def fetch(self, number: int) -> CycleRecord:
        """That cycle, in one exchange. Raises `InstrumentFault` no_capture, settings_changed."""
        if self.settings is None:
            raise self._no_capture("its settings were not read back")
        beginning = len(EMPTY)
        question = f"{self.dialect.headers.cycle}? {number}\n".encode("ascii")
        data = self.link.ask_exactly(question, beginning, self._left_s())
        if data == EMPTY:
            raise self._no_capture(f"it does not hold cycle {number}: {self._what_it_reports()}")
        if data != self._block[:beginning]:
            raise self._no_such_block(data)
        data = self.link.read_exactly(len(self._block) - beginning + self._bytes + 1, self._left_s())
        if not data.startswith(self._block[beginning:]) or not data.endswith(b"\n"):
            raise self._no_such_block(data)
        return self._record(number, data, len(self._block) - beginning)

    @one_deadline
    def choose_bank(self, number: int) -> None:
        """Close that bank and open the others; its answer is read back in the same exchange."""
        headers = self.dialect.headers
        close = scpi.message(headers.bank, f"(@{number})")
        answer = self.ask(f"{close}\n{scpi.query(headers.bank_state)}")
        found = CHANNEL_LIST.fullmatch(answer)
        if found is None or int(found[1]) != number:
            sentence = f"bank {number} was asked for, it has {answer} closed: {self._what_it_reports()}"
            raise InstrumentFault("settings_changed", self.name, "choose bank", sentence)

    @one_deadline
    def temperatures_c(self, channels: Sequence[int]) -> list[float]:
        """Degrees Celsius, in the order asked for; not a number where a channel has no sensor."""
        wanted = ",".join(str(channel) for channel in channels)
        return self._numbers(self.dialect.headers.temperature, len(channels), f"(@{wanted})")

    @one_deadline
    def contact_now(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Contact voltages (V) and currents (A) now, each of shape (mounts,)."""
        if self.settings is None:
            raise self._no_capture("its settings were not read back")
        values = self._numbers(self.dialect.headers.contact, CHANNELS * self.settings.mounts)
        return np.array(values[0::2], dtype=np.float64), np.array(values[1::2], dtype=np.float64)

    @one_deadline
    def stop(self) -> None:
        """End the recording."""
        self.send("stop", self.dialect.headers.stop)

    # ---- inside

    def _scale_by(self, settings: RecorderSettings) -> None:
        """What does not change from cycle to cycle."""
        full_scale = self.dialect.record.full_scale_code
        self.settings = settings
        self._shape = (settings.mounts, CHANNELS, settings.make_samples + settings.break_samples)
        self._bytes = HEADER.size + CODE.itemsize * int(np.prod(self._shape))
        length = str(self._bytes)
        self._block = f"#{len(length)}{length}".encode("ascii")
        self._per_code = (settings.voltage_range_v / full_scale, settings.current_range_a / full_scale)

    def _record(self, asked: int, data: bytearray, begins: int) -> CycleRecord:
        (
            number, next_number, mounts, samples, bank, flags,
            supply_before, supply_on, load_on, supply_after, made_s,
        ) = HEADER.unpack_from(data, begins)  # fmt: skip
        if number != asked:
            raise self._no_capture(f"it sent cycle {number}, {asked} was asked for")
        if (mounts, CHANNELS, samples) != self._shape:
            sentence = (
                f"it sent {mounts} mounts of {samples} samples, {self._shape[0]} of {self._shape[2]} were set"
            )
            raise InstrumentFault("settings_changed", self.name, "fetch", sentence)
        codes = np.frombuffer(data, CODE, self._shape[0] * CHANNELS * samples, begins + HEADER.size)
        volts, amperes = self._per_code
        return CycleRecord(
            number,
            next_number,
            bank,
            bool(flags & COMPLETE),
            bool(flags & OVERLOAD),
            codes.reshape(self._shape),
            volts,
            amperes,
            supply_before * volts,
            supply_on * volts,
            load_on * volts,
            supply_after * volts,
            made_s,
        )

    def _numbers(self, header: str, count: int, *parameters: str) -> list[float]:
        values = [self._parsed(scpi.number, each) for each in self._fields(header, *parameters)]
        if len(values) != count:
            raise self.link.condemn("rubbish", f"answered {len(values)} numbers to {header}?, not {count}")
        return values

    def _fields(self, header: str, *parameters: str) -> list[str]:
        return scpi.fields(self.ask(scpi.query(header, *parameters)))

    def _what_it_reports(self) -> str:
        return "; ".join(entry.in_words() for entry in self._errors()) or "it reports no error"

    def _no_such_block(self, data: bytearray) -> Exception:
        return self.link.condemn("rubbish", f"sent no block of {self._bytes} bytes: {shown(data)}")

    def _no_capture(self, sentence: str) -> InstrumentFault:
        return InstrumentFault("no_capture", self.name, "fetch", sentence)


def _layout(settings: RecorderSettings) -> tuple[int, ...]:
    return (
        settings.mounts,
        settings.make_samples,
        settings.break_samples,
        settings.make_pre,
        settings.break_pre,
    )
