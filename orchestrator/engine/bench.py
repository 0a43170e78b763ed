"""The bench as the run has it: instruments opened and identified, settings chosen from the bench file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from drivers.equipment.instrument import differences
from drivers.equipment.off import OffResult, OffWrite
from drivers.equipment.protocols import DigitiserSettings, WaitingProof
from orchestrator.core.reasons import Reason
from orchestrator.engine.stop import BenchFault
from orchestrator.record.captures import CaptureChannel
from sequences.bench import Actuator as ActuatorRules
from sequences.bench import ContactRecorder as RecorderRules
from sequences.bench import ImpulseSource as ImpulseSourceRules
from sequences.bench import instruments_of, outputs_of

if TYPE_CHECKING:
    from drivers.equipment.protocols import Digitiser, ImpulseSource, LeakageMeter, RawTrace
    from orchestrator.engine.context import Context
    from orchestrator.engine.pace import Pace
    from sequences.bench import Bench
    from sequences.capture import Capture

FULLEST = (
    0.8  # of full scale: where an expected peak may lie at most, so that more than expected is still seen
)


class SourceUnit:
    """An impulse source with what the run needs around it: comparing what was set with what it took."""

    def __init__(self, name: str, source: ImpulseSource) -> None:
        self.name = name
        self._source = source
        self._wanted: dict[str, float | str] = {}

    def prepare(self, voltage_v: float, polarity: Any) -> None:
        self._wanted = {"voltage_v": voltage_v, "polarity": polarity}
        self._source.prepare(voltage_v, polarity)

    def compare(self) -> tuple[dict[str, Any], dict[str, Any], list[str]]:
        """What was wanted, what it took, and what differs, in words."""
        read = self._source.read_back()
        return self._wanted, dict(read), differences(self._wanted, read)

    def compare_for_trigger(self) -> tuple[dict[str, Any], dict[str, Any], list[str]]:
        """The same for what somebody at its front panel may have turned since, in one question."""
        wanted = {"polarity": self._wanted["polarity"], "trigger_source": "command"}
        read = self._source.read_back_for_trigger()
        return wanted, dict(read), differences(wanted, read)

    def charge(self) -> None:
        self._source.charge()

    def charge_voltage_v(self) -> float:
        return self._source.charge_voltage_v()

    def charging(self) -> bool:
        return self._source.charging()

    def enable_trigger(self) -> None:
        self._source.enable_trigger()

    def trigger(self) -> None:
        self._source.trigger()


class RecorderUnit:
    """One channel of the recorder: a digitiser with its probe, set for one capture."""

    def __init__(self, channel: str, digitiser: Digitiser, recorder: Any, expected_peak: float) -> None:
        self.channel = channel
        self.rules = recorder.channels[channel]
        self.name = self.rules.instrument
        self._digitiser = digitiser
        self._settings = DigitiserSettings(
            channel=self.rules.channel,
            range_v=choose_range(self.rules, expected_peak),
            sample_interval_s=1.0 / recorder.sample_rate,
            samples=recorder.samples,
            pre_trigger_samples=round(recorder.samples * recorder.pre_trigger),
            trigger_source="external",
            level_v=0.0,
            slope="rising",
        )

    def prepare(self) -> None:
        self._digitiser.prepare(self._settings)

    def compare(self) -> tuple[dict[str, Any], dict[str, Any], list[str]]:
        wanted, read = dict(vars(self._settings)), dict(vars(self._digitiser.read_back()))
        return wanted, read, differences(wanted, read)

    def start(self) -> None:
        self._digitiser.start()

    def prove_waiting(self, pace: Pace, within_s: float) -> WaitingProof:
        """The proof of its family; after a start the pre-trigger part needs a moment to fill."""
        deadline_s = pace.now_s() + within_s / 2
        proof = self._digitiser.waiting_for_trigger()
        while not proof.waiting and pace.now_s() < deadline_s:
            pace.wait_until(pace.now_s() + 0.02)
            proof = self._digitiser.waiting_for_trigger()
        return proof

    def done(self) -> bool:
        return self._digitiser.done()

    def stop(self) -> None:
        self._digitiser.stop()

    def fetch(self) -> RawTrace:
        return self._digitiser.fetch()

    def as_capture(self, trace: RawTrace) -> CaptureChannel:
        """Codes with what makes them physical values: the probe's ratio and the stated accuracy."""
        ratio, accuracy = self.rules.probe_ratio, self.rules.accuracy
        scale = trace.volts_per_code * ratio
        return CaptureChannel(
            name=self.channel,
            codes=trace.codes,
            unit=self.rules.quantity,
            scale=scale,
            offset=0.0,
            full_scale_low=trace.lowest_code * scale,
            full_scale_high=trace.highest_code * scale,
            bits=self.rules.bits,
            gain_fraction=accuracy.gain,
            offset_fraction_of_range=accuracy.offset,
            timebase_fraction=accuracy.timebase,
        )


def choose_range(channel: Any, expected_peak: float) -> float:
    """The smallest range, in volts at the input, that the expected peak fills to at most 80 %."""
    for range_v in sorted(channel.ranges):
        if expected_peak <= FULLEST * range_v * channel.probe_ratio:
            return float(range_v)
    what = f"no range of {channel.instrument} holds an expected peak of {expected_peak:g} {channel.quantity}"
    raise BenchFault(Reason.INSTRUMENT_FAULT, what)


class OpenBench:
    """All instruments of a bench, opened by name; the links are made by the world."""

    def __init__(
        self,
        file: Bench,
        instruments: dict[str, Any],
        start_off: Callable[[list[OffWrite]], Callable[[], list[OffResult]]],
    ) -> None:
        self.file = file
        self._instruments = instruments
        self._start_off = start_off
        self._recorders: dict[tuple[str, float], RecorderUnit] = {}

    def open_all(self, at: Context) -> None:
        """Open and identify every instrument; a wrong serial number refuses the run."""
        at.progress.say("identifying the instruments")
        for name, instrument in self._instruments.items():
            identity = instrument.open()
            due = self.file.instruments[name].calibration_due
            at.journal.append("instrument", name=name, **asdict(identity), calibration_due=due.isoformat())

    def close_all(self) -> None:
        for instrument in self._instruments.values():
            instrument.close()

    def instrument(self, name: str) -> Any:
        """One instrument by its name in the bench file."""
        return self._instruments[name]

    def source_rules(self, equipment: str) -> ImpulseSourceRules:
        """What the bench file says of an impulse source."""
        rules = self.file.equipment[equipment]
        if not isinstance(rules, ImpulseSourceRules):
            raise TypeError(f"{equipment} is no impulse source")  # the check before the run excludes it
        return rules

    def source(self, equipment: str) -> SourceUnit:
        name = self.source_rules(equipment).instrument
        return SourceUnit(name, self._instruments[name])

    def store_witness(self, output: str) -> SourceUnit | None:
        """The source behind this output that reads its own store, where there is one."""
        for rules in self.file.equipment.values():
            if isinstance(rules, ImpulseSourceRules) and rules.output == output:
                return SourceUnit(rules.instrument, self._instruments[rules.instrument])
        return None

    def recorder(self, capture: Capture) -> list[RecorderUnit]:
        """The channels that a capture names, each set for its expected peak."""
        recorder: Any = next(e for e in self.file.equipment.values() if e.type == "digitiser")
        return [
            RecorderUnit(
                name, self._instruments[recorder.channels[name].instrument], recorder, float(w.expected_peak)
            )
            for name, w in capture.channels.items()
        ]

    def meter(self, equipment: str) -> LeakageMeter:
        rules: Any = self.file.equipment[equipment]
        meter: LeakageMeter = self._instruments[rules.instrument]
        return meter

    def start_off(self, output: str) -> Callable[[], list[dict[str, str]]]:
        """Begin switching off every source that works through `output` and bringing every axis to rest; what is
        returned waits for the results."""
        through = (
            e
            for e in self.file.equipment.values()
            if output in outputs_of(e).values() or isinstance(e, ActuatorRules | RecorderRules)
        )
        names = [name for e in through for name in instruments_of(e).values()]
        finish = self._start_off([self._instruments[name].off_write for name in names])
        return lambda: [_off_in_words(result) for result in finish()]


def _off_in_words(result: OffResult) -> dict[str, str]:
    return {"instrument": result.instrument, "result": "confirmed" if result.confirmed else result.why}
