"""Checks of a sequence against a bench: what it asks for has to be there and to reach far enough."""

from __future__ import annotations

from sequences.asking import Checking
from sequences.bench import (
    Actuator,
    Bench,
    Channel,
    ContactRecorder,
    Digitiser,
    ImpulseSource,
    LeakageMeter,
    Load,
)
from sequences.capture import METHODS, ResultKind
from sequences.check_cycles_on_bench import check_actuator, check_load, check_recorder
from sequences.fields import nearest
from sequences.model import (
    ActuatorWanted,
    ContactRecorderWanted,
    DigitiserWanted,
    ImpulseSourceWanted,
    LeakageMeterWanted,
    LoadWanted,
    ShotDuty,
)
from sequences.places import Path_
from sequences.quantity import show


def check_interlocks_on_bench(checking: Checking, bench: Bench) -> None:
    """Every interlock has an input."""
    inputs = bench.safety_io.inputs
    for index, name in enumerate(checking.sequence.interlock):
        if name not in inputs:
            what = f'The bench has no input for the interlock "{name}".'
            checking.say("interlock-not-on-bench", ("interlock", index), what, nearest(name, inputs))


def check_equipment_on_bench(checking: Checking, bench: Bench) -> None:
    """Every piece of equipment is there, of its type, and reaches far enough."""
    for name, wanted in checking.sequence.equipment.items():
        given = bench.equipment.get(name)
        path: Path_ = ("equipment", name)
        if given is None or given.type != wanted.type:
            fitting = [known for known, one in bench.equipment.items() if one.type == wanted.type]
            what = f'The bench has no {wanted.type} named "{name}".'
            advice = f"its {wanted.type} is named {fitting[0]}" if fitting else "take another bench"
            of_type = [(*path, "type")]
            checking.say("equipment-not-on-bench", path, what, advice, key=True, compared=of_type)
        elif isinstance(wanted, ImpulseSourceWanted) and isinstance(given, ImpulseSource):
            _source(checking, path, wanted, given)
        elif isinstance(wanted, DigitiserWanted) and isinstance(given, Digitiser):
            _digitiser(checking, path, wanted, given)
        elif isinstance(wanted, LeakageMeterWanted) and isinstance(given, LeakageMeter):
            _meter(checking, path, wanted, given)
        elif isinstance(wanted, ActuatorWanted) and isinstance(given, Actuator):
            check_actuator(checking, path, wanted, given)
        elif isinstance(wanted, LoadWanted) and isinstance(given, Load):
            check_load(checking, path, wanted, given)
        elif isinstance(wanted, ContactRecorderWanted) and isinstance(given, ContactRecorder):
            check_recorder(checking, path, wanted, given)


def _source(checking: Checking, path: Path_, wanted: ImpulseSourceWanted, given: ImpulseSource) -> None:
    highest = given.charging_voltage.highest
    if wanted.charging_voltage > highest:
        what = f"{show(wanted.charging_voltage, 'V')} is asked for, and the bench's goes to {show(highest, 'V')}."
        checking.say(
            "above-bench-rating", (*path, "charging_voltage"), what, "ask for less, or take another bench"
        )


def _digitiser(checking: Checking, path: Path_, wanted: DigitiserWanted, given: Digitiser) -> None:
    for index, name in enumerate(wanted.channels):
        if name not in given.channels:
            what = f'The bench\'s digitiser has no channel named "{name}".'
            checking.say(
                "channel-not-on-bench", (*path, "channels", index), what, nearest(name, given.channels)
            )


def _meter(checking: Checking, path: Path_, wanted: LeakageMeterWanted, given: LeakageMeter) -> None:
    if wanted.highest > given.highest:
        what = f"{show(wanted.highest, 'A')} has to be measured, and the bench's goes to {show(given.highest, 'A')}."
        checking.say(
            "above-instrument-rating", (*path, "highest"), what, "ask for less, or take another bench"
        )


def check_limits_in_range(checking: Checking, bench: Bench) -> None:
    """A limit above the largest range could never be seen to be exceeded."""
    digitiser = checking.bench_digitiser()
    captures = [(at, capture) for at in checking.steps() if (capture := at.step.captured())]
    for at, capture in captures if digitiser else ():
        for name, channel in capture.channels.items():
            given = digitiser.channels.get(name) if digitiser else None
            peak = at.place("capture", "channels", name, "expected_peak")
            known = checking.known(at.place("capture", "method"), peak)
            if known and given and given.quantity == channel.expected_peak.unit:
                _limits(checking, METHODS[capture.method], name, given)


def _limits(checking: Checking, results: dict[str, ResultKind], name: str, channel: Channel) -> None:
    highest = channel.full_scales()[-1]
    for index, requirement in enumerate(checking.sequence.requirements):
        kind, limit = results.get(requirement.result), requirement.at_most
        if kind and limit is not None and kind.unit == limit.unit == channel.quantity and limit > highest:
            what = (
                f'The limit {limit.text} is above the largest range of "{name}", {show(highest, kind.unit)}.'
            )
            path: Path_ = ("requirements", index, "at_most")
            result: list[Path_] = [("requirements", index, "result")]
            checking.say("would-clip", path, what, "take a probe with a higher ratio", compared=result)


def check_intervals(checking: Checking, bench: Bench) -> None:
    """Intervals that the bench can keep."""
    duty = checking.sequence.duty
    intervals = {("duty", "interval"): duty.interval} if isinstance(duty, ShotDuty) else {}
    if checking.sequence.verification:
        intervals[("verification", "interval")] = checking.sequence.verification.interval
    for path, interval_s in intervals.items():
        if interval_s < bench.recharge_time:
            what = (
                f"The interval is {show(interval_s, 's')}, and the bench needs {show(bench.recharge_time, 's')} "
                "to recharge."
            )
            advice = f"write {show(bench.recharge_time, 's')} or more; the bench will take longer anyway"
            checking.say("interval-under-recharge", path, what, advice, "warning")
