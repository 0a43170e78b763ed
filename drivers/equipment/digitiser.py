"""A digitiser by its dialect: raw codes, and proof that it waits for its trigger."""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from drivers import blocks, scpi
from drivers.dialects.shapes import DigitiserDialect
from drivers.equipment.instrument import TIMEOUT_S, ScpiInstrument, differences, one_deadline
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import (
    Digitiser,
    DigitiserSettings,
    Identity,
    InstrumentFault,
    RawTrace,
    WaitingProof,
)
from drivers.links.base import Link

BYTES_PER_CODE = 2
BETWEEN_COUNTS_S = 0.002  # two readings of a sample count must differ: time for a sample to be taken


class ScpiDigitiser(ScpiInstrument, Digitiser):
    """`Digitiser` over SCPI, one channel at a time."""

    def __init__(
        self, link: Link, dialect: DigitiserDialect, expected: Identity, timeout_s: float = TIMEOUT_S
    ) -> None:
        off = OffWrite(link, dialect.off.messages, dialect.off.question, dialect.off.answer)
        super().__init__(link, expected, off, timeout_s, dialect.compound_messages)
        self.dialect = dialect
        self.settings: DigitiserSettings | None = None  # as read back last

    @one_deadline
    def prepare(self, settings: DigitiserSettings) -> None:
        """Stop, then write the settings of one channel."""
        headers, words = self.dialect.headers, self.dialect.words
        sources, slopes = self._sources(settings.channel), self._slopes()
        messages = [
            headers.stop,
            scpi.message(self._header("range", settings.channel), scpi.number_text(settings.range_v)),
            scpi.message(self._header("coupling", settings.channel), words.coupling),
            scpi.message(headers.samples, str(settings.samples)),
            scpi.message(headers.interval, scpi.number_text(settings.sample_interval_s)),
            scpi.message(headers.offset, str(-settings.pre_trigger_samples)),
            scpi.message(headers.trigger_source, sources[settings.trigger_source]),
            scpi.message(self._header("trigger_level", settings.channel), scpi.number_text(settings.level_v)),
            scpi.message(headers.trigger_slope, slopes[settings.slope]),
            scpi.message(headers.format, words.format),
        ]
        if words.byte_order:
            messages.append(scpi.message(headers.byte_order, words.byte_order))
        self.settings = settings
        self.send_settings("prepare", *messages)

    @one_deadline
    def read_back(self) -> DigitiserSettings:
        """What it really took for the channel prepared last; the capture is scaled by it."""
        channel = self._prepared().channel
        answers = self.ask_and_check("read back", *self._setting_questions(channel))
        self.settings = self._settings_in(answers, channel)
        return self.settings

    @one_deadline
    def start(self) -> None:
        """Begin a capture."""
        self.send("start", self.dialect.headers.start)

    @one_deadline
    def waiting_for_trigger(self) -> WaitingProof:
        """Proof by the family's method. `at_s` is taken before the first question."""
        if self.dialect.waiting.method == "status bit":
            return self._proof_by_status_bit()
        return self._proof_by_sample_count()

    @one_deadline
    def done(self) -> bool:
        """Whether it has stopped measuring and holds as many samples as were asked for."""
        settings = self._prepared()
        measuring, held = self._status_and_points(self._trace_name(settings.channel))
        return not measuring and held == settings.samples

    @one_deadline
    def fetch(self) -> RawTrace:
        """The capture. Raises `InstrumentFault` no_capture, or settings_changed since they were read back."""
        settings = self._prepared()
        name = self._trace_name(settings.channel)
        points = self._points_question(name)
        first, *answers = self.ask_together(points, *self._setting_questions(settings.channel))
        held = self.integer_in(first, points)
        if held != settings.samples:
            raise self._no_capture(f"{held} samples held, {settings.samples} asked for")
        changed = differences(settings, self._settings_in(answers, settings.channel))
        if changed:
            raise InstrumentFault("settings_changed", self.name, "fetch", "; ".join(changed))
        codes = self._codes(name)
        if codes.size != settings.samples:
            raise self._no_capture(f"{codes.size} samples sent, {settings.samples} asked for")
        self.check_errors("fetch")
        return self._trace(codes, settings)

    @one_deadline
    def stop(self) -> None:
        """End the capture."""
        self.send("stop", self.dialect.headers.stop)

    # ---- inside

    def _header(self, name: str, channel: int) -> str:
        header: str = getattr(self.dialect.headers, name)
        node: str = getattr(self.dialect.channel_suffix, name)
        return scpi.with_suffix(header, node, channel) if node else header

    def _sources(self, channel: int) -> dict[str, str]:
        words = self.dialect.words
        return {"external": words.external, "channel": f"{words.channel}{channel}"}

    def _slopes(self) -> dict[str, str]:
        return {"rising": self.dialect.words.rising, "falling": self.dialect.words.falling}

    def _trace_name(self, channel: int) -> str:
        return f"{self.dialect.trace.name}{channel}"

    def _points_question(self, what: str) -> str:
        return scpi.query(self.dialect.headers.trace_points, what)

    def _status_and_points(self, what: str) -> tuple[bool, int]:
        """Whether it measures, and a number of samples, of one moment."""
        status, points = scpi.query(self.dialect.headers.status), self._points_question(what)
        condition, count = self.ask_together(status, points)
        measuring = self.integer_in(condition, status) >> self.dialect.bits.measuring & 1
        return bool(measuring), self.integer_in(count, points)

    def _prepared(self) -> DigitiserSettings:
        if self.settings is None:
            raise self._no_capture("it was not prepared")
        return self.settings

    def _setting_questions(self, channel: int) -> list[str]:
        headers = self.dialect.headers
        return [
            scpi.query(self._header("range", channel)),
            scpi.query(headers.interval),
            scpi.query(headers.samples),
            scpi.query(headers.offset),
            scpi.query(headers.trigger_source),
            scpi.query(self._header("trigger_level", channel)),
            scpi.query(headers.trigger_slope),
        ]

    def _settings_in(self, answers: list[str], channel: int) -> DigitiserSettings:
        """What the answers to `_setting_questions` say."""
        headers = self.dialect.headers
        range_v, interval_s, samples, offset, source, level_v, slope = answers
        return DigitiserSettings(
            channel=channel,
            range_v=self.number_in(range_v),
            sample_interval_s=self.number_in(interval_s),
            samples=self.integer_in(samples, headers.samples),
            pre_trigger_samples=-self.integer_in(offset, headers.offset),
            trigger_source=self.word_in(source, self._sources(channel)),
            level_v=self.number_in(level_v),
            slope=self.word_in(slope, self._slopes()),
        )

    def _proof_by_status_bit(self) -> WaitingProof:
        bit = self.dialect.waiting.bit
        at_s = self.link.pace.now_s()
        status = self.ask_integer(scpi.query(self.dialect.headers.status))
        waiting = bool(status >> bit & 1)
        return WaitingProof(waiting, f"operation status bit {bit}", at_s, f"status {status}")

    def _proof_by_sample_count(self) -> WaitingProof:
        """It measures, and of two sample counts that differ both are past the pre-trigger part."""
        at_s = self.link.pace.now_s()
        enough = self._prepared().pre_trigger_samples
        measuring, first = self._status_and_points(self.dialect.waiting.points)
        self.link.expect_silence(BETWEEN_COUNTS_S)
        second = self.ask_integer(self._points_question(self.dialect.waiting.points))
        waiting = measuring and first != second and min(first, second) >= enough
        detail = (
            f"{'measuring' if measuring else 'not measuring'}, {first} then {second} samples, {enough} needed"
        )
        return WaitingProof(waiting, "sample count", at_s, detail)

    def _codes(self, name: str) -> NDArray[np.int16]:
        self.link.expect_silence()
        self._write(scpi.query(self.dialect.headers.trace, name))
        data = blocks.read(self.link, self._left_s())
        if len(data) % BYTES_PER_CODE:
            raise self._no_capture(f"{len(data)} bytes sent: no whole number of samples")
        codes = np.frombuffer(data, dtype=np.int16)
        if self.dialect.trace.byte_order != sys.byteorder:
            codes.byteswap(inplace=True)
        return codes

    def _trace(self, codes: NDArray[np.int16], settings: DigitiserSettings) -> RawTrace:
        trace = self.dialect.trace
        return RawTrace(
            codes=codes,
            volts_per_code=settings.range_v / trace.full_scale_code,
            samples=settings.samples,
            pre_trigger_samples=settings.pre_trigger_samples,
            sample_interval_s=settings.sample_interval_s,
            channel=settings.channel,
            range_v=settings.range_v,
            lowest_code=trace.lowest_code,
            highest_code=trace.highest_code,
        )

    def _no_capture(self, sentence: str) -> InstrumentFault:
        return InstrumentFault("no_capture", self.name, "fetch", sentence)
