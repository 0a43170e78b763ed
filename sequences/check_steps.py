"""Checks of the steps: where they stand, what they use, what they apply and what they record."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sequences.asking import At, Checking
from sequences.bench import ImpulseSource
from sequences.capture import METHOD_CHANNELS, Capture
from sequences.fields import nearest
from sequences.model import CycleDuty, DigitiserWanted, ImpulseSourceWanted
from sequences.places import Path_
from sequences.quantity import show
from sequences.step import Level


def check_steps(checking: Checking) -> None:
    """Each step by itself."""
    for at in checking.steps():
        _place(at)
        _equipment(at)
        _applied(at)
        capture = at.step.captured()
        if capture:
            check_capture(checking, (*at.path, "capture"), capture)
        at.step.check(at)


def check_shots(checking: Checking) -> None:
    """One shot in `each_shot`, none elsewhere; none at all in a duty of cycles."""
    shots = [at for at in checking.steps() if at.step.applies_shot and at.block]
    if isinstance(checking.sequence.duty, CycleDuty):
        for at in shots:
            what = "This is a shot, and the duty is one of cycles."
            at.say("shot-count", None, what, "remove it", compared=[("duty",)])
        return
    inside = [at for at in shots if at.path[0] == "each_shot"]
    if not inside and checking.steps_known("each_shot"):
        what = "No energise block of each_shot has a trigger in it, so no shot is ever applied."
        checking.say(
            "shot-count", ("each_shot",), what, "write - energise: with inside: [{trigger: ...}]", key=True
        )
    for at in [*inside[1:], *(at for at in shots if at not in inside)]:
        what = "This is one shot too many: the duty counts one shot in each_shot and none elsewhere."
        at.say("shot-count", None, what, "remove it, or raise duty: shots")


def check_interlock(checking: Checking) -> None:
    """Energy needs an interlock."""
    if checking.sequence.interlock:
        return
    first = next((at for at in checking.steps() if at.step.opens_block and at.known()), None)
    if first:
        what = f"The step {first.step.kind} energises, and the sequence names no interlock."
        first.say(
            "energy-without-interlock",
            None,
            what,
            "write interlock: [door, emergency_stop] or what the cell has",
            compared=[("interlock",)],
        )


def check_lists(checking: Checking) -> None:
    """No name stands twice in a list of names."""
    lists: dict[Path_, tuple[str, ...]] = {("interlock",): checking.sequence.interlock}
    for name, one in checking.sequence.equipment.items():
        if isinstance(one, DigitiserWanted):
            lists["equipment", name, "channels"] = one.channels
    for path, names in lists.items():
        for index, name in enumerate(names):
            if name in _known_names(checking, path, names[:index]):
                checking.say(
                    "listed-twice", (*path, index), f'"{name}" stands in this list already.', "remove it"
                )


def _known_names(checking: Checking, path: Path_, names: Sequence[str]) -> list[str]:
    """The names of a list without those that stand in for a refused one."""
    return [name for index, name in enumerate(names) if checking.known((*path, index))]


def check_result_names(checking: Checking) -> None:
    """No two steps make a result of one name; in a duty of cycles one measurement may stand in several parts."""
    made: dict[str, At] = {}
    of_duty = checking.sequence.duty_results() if checking.known(("duty",)) else {}
    for at in checking.steps():
        for name in at.results():
            if name in of_duty:
                what = f'The cycles produce a result "{name}" by themselves.'
                at.say("result-twice", "result", what, "give it another name", compared=[("duty",)])
            elif name in made and not _measured_again(made[name], at):
                what = f'A step before this one produces the result "{name}" already.'
                at.say("result-twice", "result", what, "give one of them another name")
            made.setdefault(name, at)


def _measured_again(first: At, again: At) -> bool:
    """Whether it is the same measurement at another time of a duty of cycles: initial, intermediate or final."""
    cyclic = isinstance(first.sequence.duty, CycleDuty) or not first.checking.known(("duty",))
    return cyclic and first.step.kind == again.step.kind and first.path[0] != again.path[0]


def _place(at: At) -> None:
    step = at.step
    if step.in_block == "only" and at.block is None:
        what = f"The step {step.kind} needs energy and stands outside a block. Volts exist only inside one block."
        at.say("energy-outside-block", None, what, "move it under inside: of an energise step")
    if step.in_block == "never" and at.block is not None:
        what = f"The step {step.kind} may not stand inside an energised block."
        at.say("not-inside-block", None, what, "move it before or after the block")


def _equipment(at: At) -> None:
    for need in at.step.needs_equipment():
        check_equipment(at.checking, (*at.path, need.field), need.name, need.type)


def check_equipment(checking: Checking, path: Path_, name: str, wanted_type: str) -> None:
    """That the sequence asks for equipment of this name, and of the type that is needed."""
    equipment = checking.sequence.equipment
    if name not in equipment and checking.stand_ins.complete(("equipment",)):
        what = f'The sequence does not ask for equipment named "{name}".'
        checking.say("unknown-equipment", path, what, nearest(name, equipment))
    elif name in equipment and equipment[name].type != wanted_type:
        asked = [known for known in equipment if checking.known(("equipment", known, "type"))]
        fitting = [known for known in asked if equipment[known].type == wanted_type]
        what = f'"{name}" is of the type {equipment[name].type}, and of the type {wanted_type} is needed.'
        checking.say(
            "wrong-equipment",
            path,
            what,
            f"write {fitting[0]}" if fitting else f"ask for one of the type {wanted_type}",
            compared=[("equipment", name, "type")],
        )


def _applied(at: At) -> None:
    level = at.step.level()
    if level is None or not at.checking.known(at.place(level.field)):
        return
    need = at.step.needs_equipment()[0]
    path = at.place(level.field)
    if _above_specimen(at.checking, path, level) or not at.checking.known(at.place(need.field)):
        return
    output = at.step.opens_output(at.bench) if at.bench else None
    check_reach(at.checking, path, level, need.name, output)


def _above_specimen(checking: Checking, path: Path_, level: Level) -> bool:
    """Whether a voltage is above the specimen's rating; then nothing else needs to be said of it."""
    rating: Path_ = ("specimen", "highest_impulse")
    rated_v = checking.sequence.specimen.highest_impulse if checking.known(rating) else None
    if rated_v is None or level.highest_v <= rated_v:
        return False
    what = f"Up to {show(level.highest_v, 'V')} would be applied, and the specimen is rated for {show(rated_v, 'V')}."
    checking.say("above-specimen-rating", path, what, "lower it, or mend specimen: highest_impulse")
    return True


def check_reach(checking: Checking, path: Path_, level: Level, source: str, output: str | None) -> None:
    """A voltage against own equipment, the bench's source and its output; the first that is passed counts.

    The name of the source has to be known.
    """
    wanted = checking.sequence.equipment.get(source)
    own: Path_ = ("equipment", source, "charging_voltage")
    asked_v = wanted.charging_voltage if isinstance(wanted, ImpulseSourceWanted) else math.inf
    if checking.known(own) and level.highest_v > asked_v:
        text = show(level.highest_v, "V")
        what = f"Up to {text} is set, and the sequence asks for a {source} of {show(asked_v, 'V')}."
        checking.say(
            "above-own-equipment", path, what, f"raise equipment: {source}: charging_voltage, or lower this"
        )
        return
    _bench_level(checking, path, level, source, output)


def _bench_level(checking: Checking, path: Path_, level: Level, source: str, output: str | None) -> None:
    bench = checking.bench
    given = bench.equipment.get(source) if bench else None
    text = show(level.highest_v, "V")
    if isinstance(given, ImpulseSource) and level.highest_v > given.charging_voltage.highest:
        what = f"Up to {text} is set, and the bench's {source} goes to {show(given.charging_voltage.highest, 'V')}."
        checking.say("above-bench-rating", path, what, "lower it, or take another bench")
    elif isinstance(given, ImpulseSource) and level.set_v < given.charging_voltage.lowest:
        what = (
            f"{text} is set, and the bench's {source} starts at {show(given.charging_voltage.lowest, 'V')}."
        )
        checking.say("below-bench-rating", path, what, "raise it, or take another bench")
    elif bench and output in bench.outputs and level.highest_v > bench.outputs[output].highest:
        what = (
            f"Up to {text} is applied, and the bench's output {output} may carry "
            f"{show(bench.outputs[output].highest, 'V')}."
        )
        checking.say("above-bench-rating", path, what, "lower it, or take another bench")


# --------------------------------------------------------------------------- captures


def check_capture(checking: Checking, path: Path_, capture: Capture) -> None:
    """Channels that exist, one of each quantity the method needs, and ranges that hold the expected peaks."""
    known, every = _channels(checking)
    for name, channel in capture.channels.items():
        here = (*path, "channels", name)
        if name not in known and every:
            what = f'The sequence asks no digitiser for a channel named "{name}".'
            checking.say("unknown-channel", here, what, nearest(name, known), key=True)
        elif channel.expected_peak.unit not in ("V", "A"):
            what = f'"{channel.expected_peak.text}" is neither a voltage nor a current.'
            checking.say("wrong-unit", (*here, "expected_peak"), what, "write a voltage or a current")
        else:
            _range(checking, here, name, channel.expected_peak)
    _method_channels(checking, path, capture)


def _method_channels(checking: Checking, path: Path_, capture: Capture) -> None:
    """One channel of each quantity that the method needs."""
    channels: Path_ = (*path, "channels")
    if not checking.stand_ins.whole(channels):
        return
    units = [channel.expected_peak.unit for channel in capture.channels.values()]
    wanted = METHOD_CHANNELS[capture.method]
    if set(units) <= {"V", "A"} and sorted(units) != sorted(wanted):
        words = " and ".join("one of a voltage" if unit == "V" else "one of a current" for unit in wanted)
        what = f"The method {capture.method} needs {len(wanted)} channel{'s' * (len(wanted) > 1)}: {words}."
        checking.say(
            "wrong-channel",
            channels,
            what,
            "give it these channels, each with its expected_peak",
            key=True,
            compared=[(*path, "method")],
        )


def _channels(checking: Checking) -> tuple[list[str], bool]:
    """The channels that the sequence asks its digitisers for, and whether these are all."""
    equipment = checking.sequence.equipment
    names: list[str] = []
    every = checking.stand_ins.complete(("equipment",))
    for name, one in equipment.items():
        path: Path_ = ("equipment", name, "channels")
        every = every and checking.known(("equipment", name, "type"))
        if isinstance(one, DigitiserWanted):
            names += _known_names(checking, path, one.channels)
            every = every and checking.stand_ins.whole(path)
    return names, every


def _range(checking: Checking, path: Path_, name: str, peak: float) -> None:
    digitiser = checking.bench_digitiser()
    channel = digitiser.channels.get(name) if digitiser else None
    if channel is None:
        return
    unit = getattr(peak, "unit", channel.quantity)
    here = (*path, "expected_peak")
    if unit != channel.quantity:
        what = (
            f'The bench\'s channel "{name}" measures {channel.quantity}, and the expected peak is in {unit}.'
        )
        checking.say("wrong-channel", here, what, f"write the expected peak in {channel.quantity}")
        return
    scales = channel.full_scales()
    text = show(abs(peak), unit)
    if abs(peak) > scales[-1]:
        what = f'{text} is expected, and the largest range of "{name}" ends at {show(scales[-1], unit)}: it would clip.'
        checking.say("would-clip", here, what, "take a probe with a higher ratio, or lower the level")
    elif not any(0.2 <= abs(peak) / scale <= 0.8 for scale in scales):
        ranges = ", ".join(show(scale, unit) for scale in scales)
        what = f'{text} lies between 20 % and 80 % of none of the ranges of "{name}" ({ranges}).'
        checking.say("range-poor", here, what, "take a probe with another ratio", "warning")
