"""Checks of a bench file by itself: addresses, references, proofs of off, times and calibration."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from sequences.bench import Bench, ImpulseSource, instruments_of, outputs_of
from sequences.check_bench_endurance import check_endurance
from sequences.check_people import check_people
from sequences.fields import nearest
from sequences.findings import Finding, Severity, in_order
from sequences.quantity import show

if TYPE_CHECKING:
    from sequences.loader import LoadedBench
    from sequences.places import Located, Path_, StandIns

# Inputs that have two channels in the trade (ISO 13849-1 categories 3 and 4; common practice).
TWO_CHANNELS = ("door", "gate", "emergency_stop")
FEEDBACK = ("safety_io", "feedback")


@dataclass(slots=True)
class Looking:
    """One check of a bench file."""

    located: Located
    bench: Bench
    stand_ins: StandIns
    findings: list[Finding] = field(default_factory=list)

    def say(
        self,
        code: str,
        path: Path_,
        what: str,
        advice: str,
        severity: Severity = "refused",
        compared: Iterable[Path_] = (),
    ) -> None:
        """Report a finding, unless its place or another that it was compared with is not the file's own."""
        if not self.stand_ins.known(path, *compared):
            return
        self.findings.append(
            self.located.source.finding(code, self.located.at(*path), what, advice, severity)
        )


def check_bench(
    loaded: LoadedBench, dialects: Mapping[str, str] | None = None, today: date | None = None
) -> list[Finding]:
    """What the loader cannot see in a bench file.

    `dialects` gives the type of equipment for each known dialect; `today` is for calibration dates.
    """
    bench = loaded.bench or loaded.readable
    if bench is None:
        return []
    looking = Looking(loaded.located, bench, loaded.stand_ins)
    for look in (_addresses, _references, _inputs, _proofs, _stop_categories, _times, _ratings, _same_twice):
        look(looking)
    _instruments(looking, dialects, today)
    _dialect_types(looking, dialects or {})
    check_endurance(looking)
    check_people(looking)
    return in_order(looking.findings)


# --------------------------------------------------------------------------- addresses


def _coils(bench: Bench) -> Iterator[tuple[Path_, int]]:
    for name, output in bench.outputs.items():
        yield ("outputs", name, "coil"), output.coil
    for name, lifted in bench.lifted.items():
        yield ("lifted", name, "coil"), lifted.coil
    for name in ("red", "green", "horn"):
        yield ("safety_io", "signals", name), getattr(bench.safety_io.signals, name)


def _discrete_inputs(bench: Bench) -> Iterator[tuple[Path_, int]]:
    for name, one in bench.safety_io.inputs.items():
        for index, address in enumerate(one.channels):
            yield ("safety_io", "inputs", name, "channels", index), address
    for name, address in bench.safety_io.feedback.items():
        yield ("safety_io", "feedback", name), address


def _registers(bench: Bench) -> Iterator[tuple[Path_, int]]:
    for group in ("voltages", "ambient"):
        for name, one in getattr(bench.safety_io, group).items():
            yield ("safety_io", group, name, "register"), one.register


def _addresses(looking: Looking) -> None:
    tables = {"coil": _coils, "discrete input": _discrete_inputs, "input register": _registers}
    for kind, entries in tables.items():
        first: dict[int, Path_] = {}
        for path, address in entries(looking.bench):
            if not looking.stand_ins.known(path):
                continue
            if address in first:
                user = ".".join(str(part) for part in first[address])
                what = f"The {kind} {address} is used by {user} already."
                looking.say("address-twice", path, what, "give each its own address, as it is wired")
            first.setdefault(address, path)


# --------------------------------------------------------------------------- references


def _references(looking: Looking) -> None:
    bench = looking.bench
    feedback, lifted = bench.safety_io.feedback, bench.lifted
    for name, output in bench.outputs.items():
        _refers(looking, ("outputs", name, "off_feedback"), output.off_feedback, feedback, *FEEDBACK)
        for index, one in enumerate(output.lifts):
            _refers(looking, ("outputs", name, "lifts", index), one, lifted, "lifted")
    for name, device in lifted.items():
        _refers(looking, ("lifted", name, "closed_feedback"), device.closed_feedback, feedback, *FEEDBACK)
    for name, equipment in bench.equipment.items():
        path: Path_ = ("equipment", name)
        for below, instrument in instruments_of(equipment).items():
            _refers(looking, (*path, *below), instrument, bench.instruments, "instruments")
        for key, through in outputs_of(equipment).items():
            _refers(looking, (*path, key), through, bench.outputs, "outputs")


def _refers(looking: Looking, path: Path_, name: str, known: Collection[str], *holder: str) -> None:
    if name not in known and looking.stand_ins.complete(holder):
        what = f'"{name}" is not defined in this file.'
        looking.say("unknown-reference", path, what, nearest(name, known))


# --------------------------------------------------------------------------- proofs


def _inputs(looking: Looking) -> None:
    for name, one in looking.bench.safety_io.inputs.items():
        path: Path_ = ("safety_io", "inputs", name, "channels")
        if not 1 <= len(one.channels) <= 2:
            what = f"The input has {len(one.channels)} channels; one or two are possible."
            looking.say("channels-wrong", path, what, "write one address, or two")
        elif len(one.channels) == 1 and name in TWO_CHANNELS:
            what = f'"{name}" has one channel; the trade has two, so that a stuck contact is seen.'
            looking.say("one-channel", path, what, "wire and write the second channel", "warning")


def _proofs(looking: Looking) -> None:
    bench = looking.bench
    used: dict[str, str] = {}
    for name, output in bench.outputs.items():
        if not looking.stand_ins.known(("outputs", name, "off_feedback")):
            continue
        if output.off_feedback in used:
            what = f'"{output.off_feedback}" proves {used[output.off_feedback]} to be off already.'
            looking.say(
                "feedback-missing",
                ("outputs", name, "off_feedback"),
                what,
                "give each output its own contact",
            )
        used.setdefault(output.off_feedback, name)
    if not bench.safety_io.voltages and looking.stand_ins.complete(("safety_io", "voltages")):
        what = "No independent voltage is measured, so nothing proves that a part may be touched."
        looking.say(
            "no-independent-voltage", ("safety_io", "voltages"), what, "name a divider at every energy store"
        )


def _stop_categories(looking: Looking) -> None:
    for name, output in looking.bench.outputs.items():
        path: Path_ = ("outputs", name, "deadline")
        category: list[Path_] = [("outputs", name, "stop_category")]
        if output.stop_category == 1 and output.deadline == 0:
            what = "A category 1 stop without a deadline might never cut."
            advice = "write the time after which power is cut, such as 1 s"
            looking.say("stop-category-deadline", path, what, advice, compared=category)
        if output.stop_category == 0 and output.deadline > 0:
            what = "A category 0 stop cuts at once and has no deadline."
            advice = "write deadline: 0 s, or stop_category: 1"
            looking.say("stop-category-deadline", path, what, advice, compared=category)


def _times(looking: Looking) -> None:
    io = looking.bench.safety_io
    pairs = (
        (io.poll, io.fresh_within, "fresh_within", "a snapshot would be stale before the next poll"),
        (
            io.poll,
            io.channels_agree_within,
            "channels_agree_within",
            "channels would disagree before the next poll",
        ),
        (io.poll, io.watchdog.time, "watchdog", "the watchdog would drop power between two polls"),
    )
    for poll_s, other_s, key, why in pairs:
        if other_s <= poll_s:
            what = f"{show(other_s, 's')} is not longer than the time from poll to poll, {show(poll_s, 's')}: {why}."
            compared: list[Path_] = [("safety_io", "poll"), ("safety_io", key, "time")]
            advice = "poll more often, or allow more time"
            looking.say("times-disagree", ("safety_io", key), what, advice, compared=compared)


def _ratings(looking: Looking) -> None:
    for name, one in looking.bench.equipment.items():
        if not isinstance(one, ImpulseSource):
            continue
        low, high = one.charging_voltage.lowest, one.charging_voltage.highest
        output = looking.bench.outputs.get(one.output)
        own: Path_ = ("equipment", name, "charging_voltage")
        if low > high:
            what = f"The lowest charging voltage {show(low, 'V')} is above the highest {show(high, 'V')}."
            looking.say(
                "ratings-disagree",
                (*own, "lowest"),
                what,
                "exchange the two",
                compared=[(*own, "highest")],
            )
        if output and high > output.highest:
            what = (
                f"The source goes to {show(high, 'V')}, and its output {one.output} may carry "
                f"{show(output.highest, 'V')}."
            )
            looking.say(
                "ratings-disagree",
                (*own, "highest"),
                what,
                "mend one of the two",
                compared=[("equipment", name, "output"), ("outputs", one.output, "highest")],
            )


# --------------------------------------------------------------------------- instruments


def _same_twice(looking: Looking) -> None:
    known = looking.stand_ins.known
    resources: dict[str, str] = {}
    if known(("safety_io", "resource")):
        resources[looking.bench.safety_io.resource] = "safety_io"
    serials: dict[tuple[str, str], str] = {}
    for name, one in looking.bench.instruments.items():
        path: Path_ = ("instruments", name)
        if known((*path, "resource")):
            if one.resource in resources:
                what = f"The address is that of {resources[one.resource]} already."
                looking.say("resource-twice", (*path, "resource"), what, "give each its own address")
            resources.setdefault(one.resource, name)
        if known((*path, "identity", "maker"), (*path, "serial")):
            mark = (one.identity.maker, one.serial)
            if mark in serials:
                what = f"The serial number is that of {serials[mark]} already."
                advice = "read it from the instrument's own label"
                looking.say("same-serial", (*path, "serial"), what, advice)
            serials.setdefault(mark, name)


def _instruments(looking: Looking, dialects: Mapping[str, str] | None, today: date | None) -> None:
    for name, one in looking.bench.instruments.items():
        if dialects is not None and one.dialect not in dialects:
            what = f'There is no dialect named "{one.dialect}".'
            looking.say(
                "unknown-dialect", ("instruments", name, "dialect"), what, nearest(one.dialect, dialects)
            )
        if today is not None and one.calibration_due < today:
            what = f"The calibration lapsed on {one.calibration_due}."
            path = ("instruments", name, "calibration_due")
            looking.say(
                "calibration-lapsed", path, what, "calibrate the instrument, or take another", "warning"
            )


def _dialect_types(looking: Looking, dialects: Mapping[str, str]) -> None:
    """An instrument speaks the dialect of the equipment it is used in."""
    bench = looking.bench
    for label, equipment in bench.equipment.items():
        of_type: Path_ = ("equipment", label, "type")
        used = {
            instrument
            for below, instrument in instruments_of(equipment).items()
            if looking.stand_ins.known((*of_type[:2], *below))
        }
        for name in sorted(used & bench.instruments.keys()):
            dialect = bench.instruments[name].dialect
            if dialects.get(dialect, equipment.type) != equipment.type:
                fitting = [known for known, of_type in dialects.items() if of_type == equipment.type]
                what = f"The dialect {dialect} is for equipment of the type {dialects[dialect]}."
                advice = f"for the type {equipment.type} there are: {', '.join(fitting)}"
                path: Path_ = ("instruments", name, "dialect")
                looking.say("wrong-dialect", path, what, advice, compared=[of_type])
