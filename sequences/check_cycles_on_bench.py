"""Checks of a duty of cycles against a bench: mounts, positions, the load, and what the recorder can hold."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequences.asking import Checking
from sequences.bench import Actuator, Bench, ContactRecorder, Load
from sequences.check_cycles import EACH, bench_load
from sequences.check_motion import bench_recorder
from sequences.duties import cycles_of
from sequences.fields import nearest
from sequences.model import ActuatorWanted, ContactRecorderWanted, LoadWanted, Requirement
from sequences.places import Path_
from sequences.quantity import Quantity, show

# How many times its rated current a load may take as it is switched on. Common practice, from memory: a cold filament
# has about one fifteenth of its hot resistance; a motor at rest takes about six times its rated current.
INRUSH = {"tungsten": 15.0, "motor": 6.0, "resistive": 1.0, "inductive": 1.0}
# Samples over the shortest time that is limited. Common practice, no source: one sample is then 5 per cent of it.
SAMPLES_OVER_LIMIT = 20
_AT_MAKE = ("make_time", "bounce_time")
_AT_BREAK = ("break_time", "arcing_time")


def check_actuator(checking: Checking, path: Path_, wanted: ActuatorWanted, given: Actuator) -> None:
    """Every position has a place on the bench."""
    for index, name in enumerate(wanted.positions):
        if name not in given.positions:
            what = f'The bench\'s actuator has no position named "{name}".'
            here = (*path, "positions", index)
            checking.say("position-not-on-bench", here, what, nearest(name, given.positions))


def check_load(checking: Checking, path: Path_, wanted: LoadWanted, given: Load) -> None:
    """The load is the one that is asked for; it may have more banks."""
    if wanted.kind != given.kind:
        what = f"A load of the kind {wanted.kind} is asked for, and the bench's is {given.kind}."
        checking.say("load-not-on-bench", (*path, "kind"), what, "take another bench, or mend the kind")
    for key, unit in (("supply", "V"), ("frequency", "Hz"), ("current", "A")):
        asked, has = getattr(wanted, key), getattr(given, key)
        if not math.isclose(asked, has, rel_tol=1e-9, abs_tol=1e-12):
            what = f"{show(asked, unit)} is asked for, and the bench's load has {show(has, unit)}."
            checking.say("load-not-on-bench", (*path, key), what, "take another bench, or mend the value")
    if wanted.banks != given.banks:
        what = f"{wanted.banks} banks are asked for, and the bench's load takes turns with {given.banks}."
        checking.say("load-not-on-bench", (*path, "banks"), what, "take another bench, or mend the number")


def check_recorder(
    checking: Checking, path: Path_, wanted: ContactRecorderWanted, given: ContactRecorder
) -> None:
    """Every thermocouple is there."""
    known = given.temperature.channels if given.temperature else {}
    for index, name in enumerate(wanted.temperatures):
        if name not in known:
            what = f'The bench\'s contact recorder has no thermocouple named "{name}".'
            advice = nearest(name, known) if known else "take a bench that has one"
            checking.say("channel-not-on-bench", (*path, "temperatures", index), what, advice)


def check_cycles_on_bench(checking: Checking, bench: Bench) -> None:
    """What the recorder carries and what its records hold."""
    cycles = cycles_of(checking.sequence)
    recorder = bench_recorder(checking, cycles.each.recorder) if cycles else None
    if cycles is None or recorder is None or not checking.known((*EACH, "recorder")):
        return
    if cycles.mounts.count > recorder.mounts:
        what = (
            f"{cycles.mounts.count} mounts are asked for, and the bench's recorder carries {recorder.mounts}."
        )
        checking.say("too-many-mounts", ("mounts", "count"), what, f"write {recorder.mounts} or fewer")
    load = bench_load(checking, cycles.each.load)
    if load and checking.known((*EACH, "load")):
        _ranges(checking, load, recorder)
        _arc(checking, load, recorder)
    _times(checking, recorder)
    _levels(checking, recorder)


def _ranges(checking: Checking, load: Load, recorder: ContactRecorder) -> None:
    """The recorder's ranges hold the supply and the inrush of the load."""
    crest = math.sqrt(2) if load.frequency else 1.0
    of_crest = " at its crest" if load.frequency else ""
    supply_v = crest * load.supply
    if supply_v > recorder.voltage.range:
        what = (
            f"The open contact has {show(supply_v, 'V')} across it{of_crest}, and the recorder's range ends at "
            f"{show(recorder.voltage.range, 'V')}: it would clip."
        )
        checking.say("would-clip", (*EACH, "recorder"), what, "take a bench with a larger voltage range")
    inrush_a = crest * INRUSH[load.kind] * load.current
    if inrush_a > recorder.current.range:
        what = (
            f"A {load.kind} load of {show(load.current, 'A')} may take {show(inrush_a, 'A')}{of_crest} as it is "
            f"switched on ({INRUSH[load.kind]:g} times), and the recorder's range ends at "
            f"{show(recorder.current.range, 'A')}: it would clip."
        )
        checking.say("would-clip", (*EACH, "recorder"), what, "take a bench with a larger current range")


def _arc(checking: Checking, load: Load, recorder: ContactRecorder) -> None:
    """An arc of alternating current may burn to its next zero, half a period: the record has to hold that."""
    half_s, holds_s = 0.5 / load.frequency if load.frequency else 0.0, recorder.break_record_s()
    if half_s and holds_s <= half_s:
        what = (
            f"At {show(load.frequency, 'Hz')} an arc may burn for {show(half_s, 's')}, and the record of a break ends "
            f"{show(holds_s, 's')} after its trigger: breaks would be cut off."
        )
        advice = "take a bench with more samples behind the trigger"
        checking.say("record-too-short", (*EACH, "recorder"), what, advice)


def _limited(checking: Checking, results: tuple[str, ...]) -> Iterator[tuple[Path_, Requirement, Quantity]]:
    """Upper limits on these figures of the cycles, with their places."""
    for index, requirement in enumerate(checking.sequence.requirements):
        if requirement.result in results and requirement.at_most is not None:
            yield ("requirements", index), requirement, requirement.at_most


def _times(checking: Checking, recorder: ContactRecorder) -> None:
    """Records that are long enough for what is limited, and fine enough."""
    records = (("make", _AT_MAKE, recorder.make_record_s()), ("break", _AT_BREAK, recorder.break_record_s()))
    for name, results, holds_s in records:
        for path, requirement, limit in _limited(checking, results):
            if limit.unit != "s":
                continue
            at, result = (*path, "at_most"), [(*path, "result")]
            if limit >= holds_s:
                what = (
                    f"The record of a {name} ends {show(holds_s, 's')} after its trigger, and "
                    f"{requirement.result} is limited to {limit.text}: more could not be seen."
                )
                advice = "take more samples, or a lower sample rate"
                checking.say("record-too-short", at, what, advice, compared=result)
            elif 0 < limit * recorder.sample_rate < SAMPLES_OVER_LIMIT:
                what = (
                    f"The recorder takes {recorder.sample_rate * limit:.3g} samples in {limit.text}, and "
                    f"{SAMPLES_OVER_LIMIT} are needed."
                )
                need = show(SAMPLES_OVER_LIMIT / limit, "Hz")
                checking.say("undersampled", at, what, f"take a recorder of {need} or more", compared=result)


def _levels(checking: Checking, recorder: ContactRecorder) -> None:
    """A limit above the end of a range could never be seen to be exceeded."""
    ends = (
        ("V", ("contact_drop",), recorder.voltage.range),
        ("A", ("inrush", "steady_current"), recorder.current.range),
    )
    for unit, results, end in ends:
        for path, requirement, limit in _limited(checking, results):
            if limit.unit == unit and limit > end:
                what = f"The limit {limit.text} is above the recorder's range, {show(end, unit)}."
                result = [(*path, "result")]
                advice = f"take a bench with a larger range for {requirement.result}"
                checking.say("would-clip", (*path, "at_most"), what, advice, compared=result)
